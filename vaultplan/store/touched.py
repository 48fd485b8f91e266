"""Which rows changed since a moment: written down by triggers, whoever changes them.

What was reckoned from a table can then be brought up to date by its changed rows alone. Triggers
see other programs too: desktop GIS that edits the file, a script on the server.
"""

# Names of our own tables and columns are all that is put into these statements.
# ruff: noqa: S608

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import sqlalchemy as sa

from vaultplan.schema import LOADABLE
from vaultplan.schema import table as declared_table
from vaultplan.store.geopackage import DIALECT

LOG: Final = "touched_rows"
#: With more changes than this a table is told as changed altogether: reading it anew is quicker.
MOST_ROWS: Final = 200_000

_LOG_EMBEDDED: Final = f"""CREATE TABLE {LOG} (
    number INTEGER PRIMARY KEY AUTOINCREMENT,
    token INTEGER NOT NULL DEFAULT (random()),
    table_name TEXT NOT NULL,
    row_key TEXT)"""
# Numbers are drawn before a transaction ends, so that on a server a smaller one may come to light
# after a larger: what counts there is which transaction wrote it.
_LOG_SERVER: Final = f"""CREATE TABLE {LOG} (
    number BIGINT GENERATED ALWAYS AS IDENTITY PRIMARY KEY,
    token BIGINT NOT NULL DEFAULT (random() * 9e15)::bigint,
    written_by BIGINT NOT NULL DEFAULT pg_current_xact_id()::text::bigint,
    table_name TEXT NOT NULL,
    row_key TEXT)"""
_EVENTS: Final = {"INSERT": ("NEW",), "UPDATE": ("OLD", "NEW"), "DELETE": ("OLD",)}


@dataclass(frozen=True, slots=True)
class Moment:
    """A state of the database, to ask later what changed since.

    ``number`` and ``token`` are those of the last change noted; ``settled`` is a transaction before
    which all have ended (0 in a file, which one program writes at a time).
    """

    number: int
    token: int
    settled: int


BEGINNING: Final = Moment(0, 0, 0)


def create_log(connection: sa.Connection) -> None:
    """Make the table that changes are noted in, and its triggers on the tables that are loaded."""
    embedded = _is_embedded(connection)
    connection.exec_driver_sql(_LOG_EMBEDDED if embedded else _LOG_SERVER)
    if not embedded:
        connection.exec_driver_sql(f"CREATE INDEX ix_{LOG}_written_by ON {LOG} (written_by)")
    present = set(sa.inspect(connection).get_table_names())
    follow(connection, [name for name in LOADABLE if name in present])


def follow(connection: sa.Connection, names: Iterable[str]) -> None:
    """Note from now on every row of the tables that comes, changes or goes, by its key's start."""
    for name in names:
        key = declared_table(name).key[0]
        statements = (
            _embedded_triggers(name, key)
            if _is_embedded(connection)
            else _server_triggers(name, key)
        )
        for statement in statements:
            connection.exec_driver_sql(statement)


def leave_off(connection: sa.Connection, name: str) -> None:
    """Note nothing until :func:`take_up`, while a table is filled as a whole.

    On a server only the owner of a table may do so; for others each statement goes on being noted.
    """
    if name not in LOADABLE:
        return
    if _is_embedded(connection):
        for event in _EVENTS:
            connection.exec_driver_sql(f"DROP TRIGGER {_trigger(name, event)}")
        return
    if _is_owner(connection, name):
        _switch(connection, name, "DISABLE")


def take_up(connection: sa.Connection, name: str) -> None:
    """Note changes again, and that all of the table may have changed meanwhile."""
    if name not in LOADABLE:
        return
    if _is_embedded(connection):
        follow(connection, [name])
    elif _is_owner(connection, name):
        _switch(connection, name, "ENABLE")
    _note_all(connection, name)


def follow_anew(connection: sa.Connection, name: str) -> None:
    """Make a table's triggers again, where some may be missing; all of it may have changed."""
    embedded = _is_embedded(connection)
    for trigger in triggers_of(name, on_server=not embedded):
        connection.exec_driver_sql(
            f"DROP TRIGGER IF EXISTS {trigger}"
            if embedded
            else f"DROP FUNCTION IF EXISTS {trigger}() CASCADE"
        )
    follow(connection, [name])
    _note_all(connection, name)


def triggers_of(name: str, *, on_server: bool) -> list[str]:
    """Return the names of a table's triggers."""
    events = (*_EVENTS, *(("TRUNCATE",) if on_server else ()))
    return [_trigger(name, event) for event in events]


def moment(connection: sa.Connection) -> Moment:
    """Return the state that a connection sees."""
    row = connection.exec_driver_sql(
        f"SELECT number, token FROM {LOG} ORDER BY number DESC LIMIT 1"
    ).first()
    number, token = (int(row[0]), int(row[1])) if row is not None else (0, 0)
    settled = 0
    if not _is_embedded(connection):
        found = connection.exec_driver_sql(
            "SELECT pg_snapshot_xmin(pg_current_snapshot())::text::bigint"
        )
        settled = int(found.scalar_one())
    return Moment(number, token, settled)


def changed_since(
    connection: sa.Connection, earlier: Moment, names: Sequence[str]
) -> Mapping[str, list[str]] | None:
    """Return the starts of the keys of rows that changed, by table; tables without changes lack.

    A table that changed altogether has one blank key. ``None`` says that the earlier moment is not
    in this database's past (it was brought back from a copy, say): nothing is known then.
    """
    if earlier.number:
        known = connection.exec_driver_sql(
            f"SELECT token FROM {LOG} WHERE number = {earlier.number:d}"
        ).scalar()
        if known is None or int(known) != earlier.token:
            return None
    since = (
        f"number > {earlier.number:d}"
        if _is_embedded(connection)
        else f"written_by >= {earlier.settled:d}"
    )
    rows = connection.exec_driver_sql(
        f"SELECT DISTINCT table_name, row_key FROM {LOG} WHERE {since}"
    )
    changed: dict[str, list[str]] = {}
    for name, key in rows:
        if name in names:
            changed.setdefault(str(name), []).append("" if key is None else str(key))
    return {name: [""] if "" in keys else sorted(keys) for name, keys in changed.items()}


def shorten(connection: sa.Connection, names: Iterable[str]) -> None:
    """Tell tables with very many changes as changed altogether, so that the list stays short."""
    for name in set(names) & set(LOADABLE):
        count = connection.exec_driver_sql(
            f"SELECT COUNT(*) FROM (SELECT 1 FROM {LOG} WHERE table_name = '{name}' "
            f"LIMIT {MOST_ROWS + 1}) AS noted"
        ).scalar_one()
        if int(count) > MOST_ROWS:
            connection.exec_driver_sql(f"DELETE FROM {LOG} WHERE table_name = '{name}'")
            _note_all(connection, name)


def _note_all(connection: sa.Connection, name: str) -> None:
    connection.exec_driver_sql(f"INSERT INTO {LOG} (table_name) VALUES ('{name}')")


def _switch(connection: sa.Connection, name: str, how: str) -> None:
    for event in _EVENTS:
        connection.exec_driver_sql(f"ALTER TABLE {name} {how} TRIGGER {_trigger(name, event)}")


def _is_owner(connection: sa.Connection, name: str) -> bool:
    owner = f"SELECT pg_has_role(relowner, 'USAGE') FROM pg_class WHERE oid = '{name}'::regclass"
    return bool(connection.exec_driver_sql(owner).scalar_one())


def _is_embedded(connection: sa.Connection) -> bool:
    return connection.dialect.name == DIALECT


def _trigger(name: str, event: str) -> str:
    return f"touched_{name}_{event.lower()}"


def _embedded_triggers(name: str, key: str) -> list[str]:
    statements = []
    for event, versions in _EVENTS.items():
        noted = " ".join(
            f"INSERT INTO {LOG} (table_name, row_key) VALUES ('{name}', {version}.\"{key}\");"
            for version in versions
        )
        statements.append(
            f'CREATE TRIGGER {_trigger(name, event)} AFTER {event} ON "{name}" BEGIN {noted} END'
        )
    return statements


def _server_triggers(name: str, key: str) -> list[str]:
    """Return statements for one trigger per statement and table, not per row."""
    statements = []
    for event, versions in _EVENTS.items():
        trigger = _trigger(name, event)
        rows = " UNION ".join(f'SELECT "{key}" FROM {version.lower()}_rows' for version in versions)
        named = " ".join(f"{version} TABLE AS {version.lower()}_rows" for version in versions)
        statements += [
            f"CREATE FUNCTION {trigger}() RETURNS trigger LANGUAGE plpgsql AS $$ BEGIN "
            f"INSERT INTO {LOG} (table_name, row_key) SELECT '{name}', key "
            f"FROM ({rows}) AS touched (key); RETURN NULL; END $$",
            f'CREATE TRIGGER {trigger} AFTER {event} ON "{name}" REFERENCING {named} '
            f"FOR EACH STATEMENT EXECUTE FUNCTION {trigger}()",
        ]
    trigger = _trigger(name, "TRUNCATE")
    statements += [
        f"CREATE FUNCTION {trigger}() RETURNS trigger LANGUAGE plpgsql AS $$ BEGIN "
        f"INSERT INTO {LOG} (table_name) VALUES ('{name}'); RETURN NULL; END $$",
        f'CREATE TRIGGER {trigger} AFTER TRUNCATE ON "{name}" '
        f"FOR EACH STATEMENT EXECUTE FUNCTION {trigger}()",
    ]
    return statements
