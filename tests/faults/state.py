"""All that a database holds, to tell whether it is the same as before."""

from __future__ import annotations

import hashlib
import time
from collections import Counter
from pathlib import Path
from typing import Any

import sqlalchemy as sa

from vaultplan.store.database import engine_of
from vaultplan.store.geopackage import DIALECT

State = dict[str, Counter[str]]

#: What differs from run to run by its nature: running numbers, the clock, dice.
_BY_CHANCE = {
    "": {"fid"},
    "loads": {"loaded_at"},
    "changes": {"changed_at"},
    "touched_rows": {"number", "token", "written_by"},
    "gpkg_contents": {"last_change"},
    "layer_styles": {"id", "update_time"},
}
_INDEX_PARTS = ("_node", "_rowid", "_parent")


def state_of(location: str) -> State:
    """Return every table's rows, each as text and how often it is there, and how it is made."""
    engine = engine_of(location, 20)
    try:
        with engine.connect() as connection:
            if engine.dialect.name == DIALECT:
                return _of_file(connection)
            _wait_for_others(connection)
            return _on_server(connection)
    finally:
        engine.dispose()


def differences(one: State, other: State) -> str:
    """Return in which tables two states differ and by how many rows, for a message."""
    told = []
    for name in sorted(set(one) | set(other)):
        here, there = one.get(name, Counter()), other.get(name, Counter())
        if here != there:
            told.append(f"{name}: {(here - there).total()} gone, {(there - here).total()} new")
    return "; ".join(told)


def rows_lost(before: State, after: State) -> int:
    """Return how many rows of a state are no longer there."""
    return sum((before[name] - after.get(name, Counter())).total() for name in before)


def fingerprint(path: Path) -> str:
    """Return a hash of a file's bytes; blank if there is none."""
    return hashlib.sha256(path.read_bytes()).hexdigest() if path.exists() else ""


def _of_file(connection: sa.Connection) -> State:
    made = connection.exec_driver_sql("SELECT type, name, sql FROM sqlite_master").all()
    held = {"": Counter(f"{kind} {name} {text}" for kind, name, text in made)}
    for kind, name, _ in made:
        is_part = name.startswith("rtree_") and name.endswith(_INDEX_PARTS)
        if kind == "table" and not is_part and name != "sqlite_sequence":
            held[name] = _rows(connection, name)
    return held


def _on_server(connection: sa.Connection) -> State:
    made = connection.exec_driver_sql(
        "SELECT table_name || ' ' || column_name || ' ' || data_type || ' ' || is_nullable "
        "FROM information_schema.columns WHERE table_schema = 'public' "
        "UNION ALL SELECT indexdef FROM pg_indexes WHERE schemaname = 'public' "
        "UNION ALL SELECT tgname || tgenabled::text FROM pg_trigger WHERE NOT tgisinternal"
    )
    held = {"": Counter(made.scalars())}
    for name in sa.inspect(connection).get_table_names():
        if name != "spatial_ref_sys":
            held[name] = _rows(connection, name)
    return held


def _rows(connection: sa.Connection, name: str) -> Counter[str]:
    found = connection.exec_driver_sql(f'SELECT * FROM "{name}"')
    chance = _BY_CHANCE[""] | _BY_CHANCE.get(name, set())
    chance |= {"id"} if name.startswith("rtree_") else set()
    return Counter(_text(name, row._mapping, chance) for row in found)


def _text(name: str, row: Any, chance: set[str]) -> str:
    if name == "project" and row["fact"] == "database_id":
        return "database_id"
    return repr([value for column, value in row.items() if column not in chance])


def _wait_for_others(connection: sa.Connection) -> None:
    """Wait until the server has noticed that those who were killed are gone."""
    others = (
        "SELECT count(*) FROM pg_stat_activity WHERE datname = current_database() "
        "AND pid <> pg_backend_pid() AND backend_type = 'client backend'"
    )
    for _ in range(400):
        if not connection.exec_driver_sql(others).scalar():
            connection.rollback()
            return
        connection.rollback()
        time.sleep(0.025)
    raise AssertionError("somebody is still connected after ten seconds")
