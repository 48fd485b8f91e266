"""The record of loads: what was found, which rows were set aside, and what repairs changed."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Any, Final

import geopandas as gpd
import pandas as pd
import pyproj
import shapely
import sqlalchemy as sa

from vaultplan import schema
from vaultplan.columns import Table
from vaultplan.intake.load import TableIntake
from vaultplan.intake.outcome import Intake, row_keys
from vaultplan.store.database import Database
from vaultplan.store.read import read_table
from vaultplan.store.write import Counts, upsert

_STAMP: Final = "%Y-%m-%dT%H:%M:%S.%fZ"


class Ledger:
    """Where loads are entered, within the transaction that loads them."""

    def __init__(self, connection: sa.Connection, moment: pd.Timestamp) -> None:
        self._connection, self._moment = connection, moment

    def begin(self, job: TableIntake) -> Entry:
        """Return a new entry for a file that is about to be loaded."""
        known = self._connection.exec_driver_sql("SELECT COUNT(*) FROM loads").scalar_one()
        return Entry(self._connection, self._moment, job, f"L{int(known) + 1:05d}")


@dataclass(slots=True)
class Entry:
    """One load on its way into the record."""

    connection: sa.Connection
    moment: pd.Timestamp
    job: TableIntake
    load_id: str
    loaded: int = 0
    repaired: int = 0
    quarantined: int = 0
    blank: int = 0
    _changes: int = 0
    _keys: list[pd.Series[Any]] = field(default_factory=list)
    _earlier: pd.DataFrame | None = None

    @property
    def rows_in(self) -> int:
        """Rows of the file that are not blank: each is loaded, mended or quarantined."""
        return self.loaded + self.repaired + self.quarantined

    def take(self, database: Database, part: Intake, replaced: pd.Series[Any]) -> None:
        """Enter what became of some rows, once they are in the table.

        ``replaced`` holds the rows of the table that repaired ones took the place of. Rows of
        earlier files that wait in quarantine or were repaired are superseded where this file says
        them anew: nobody may load or undo them over what is newer.
        """
        name = self.job.declared.name
        self.loaded += part.loaded
        self.repaired += part.repaired
        self.quarantined += part.quarantined
        self.blank += part.blank
        aside = part.set_aside.assign(load_id=self.load_id, replaced=replaced)
        aside["left_hash"] = left_hashes(database, self.connection, name, aside)
        self._supersede(database, part)
        if len(aside):
            upsert(self.connection, "raw_rows", aside)
            self._keys.append(aside.set_index("row")["row_key"])
        if len(part.changes):
            write_changes(
                self.connection,
                part.changes.assign(why=""),
                name,
                self.load_id,
                self.moment,
                first=self._changes,
            )
            self._changes += len(part.changes)

    def _supersede(self, database: Database, part: Intake) -> None:
        if self._earlier is None:
            self._earlier = _rows_aside(database, self.connection, self.job.declared.name)
        if self._earlier.empty:
            return
        keys = set(row_keys(self.job.declared, part.frame)) | set(part.set_aside["row_key"])
        again = self._earlier[self._earlier["row_key"].isin(keys - {""})]
        if len(again):
            mark_superseded(self.connection, again)
            self._earlier = self._earlier.drop(again.index)

    def finish(self, counts: Counts) -> str:
        """Enter the load itself and its findings; return its id."""
        entry = {
            "load_id": self.load_id,
            "table_name": self.job.declared.name,
            "file": _file_name(self.job),
            "loaded_at": self.moment,
            "recipe": self.job.column_map.to_toml(),
            "crs": self.job.crs_text,
            "applied": ";".join(sorted(self.job.book.apply)),
            "rows_in": self.rows_in,
            "rows_loaded": self.loaded,
            "rows_repaired": self.repaired,
            "rows_quarantined": self.quarantined,
            "rows_blank": self.blank,
            "rows_new": counts.new,
            "rows_changed": counts.changed,
            "rows_same": counts.same,
        }
        upsert(self.connection, "loads", pd.DataFrame([entry]))
        write_findings(self.connection, self.job, self.load_id, first=0, keys=self._keys)
        return self.load_id


def _file_name(job: TableIntake) -> str:
    """Return the file's name, with the ending of what was in it where it is an archive."""
    name = job.path.name
    return name if not job.ending or name.lower().endswith(job.ending) else name + job.ending


def _rows_aside(database: Database, connection: sa.Connection, name: str) -> pd.DataFrame:
    """Return the raw rows of a table's earlier files that wait in quarantine or were repaired."""
    entries = read_table(database, "loads", where={"table_name": name}, connection=connection)
    where = {
        "load_id": entries["load_id"].tolist(),
        "state": ["quarantined", "repaired"],
    }
    columns = ["load_id", "row", "row_key", "state", "raw"]
    return read_table(database, "raw_rows", where=where, columns=columns, connection=connection)


def mark_superseded(connection: sa.Connection, rows: pd.DataFrame) -> None:
    """Mark raw rows as said anew by a later file."""
    upsert(connection, "raw_rows", rows.assign(state="superseded"), only={"state"})


def left_hashes(
    database: Database, connection: sa.Connection, name: str, aside: pd.DataFrame
) -> pd.Series[Any]:
    """Return a hash of the table's row as each repaired row left it; blank for the others."""
    return _of_repaired(aside, lambda keys: hashes_by_key(database, connection, name, keys))


def _of_repaired(
    aside: pd.DataFrame, look_up: Callable[[list[str]], pd.Series[Any]]
) -> pd.Series[Any]:
    """Return what is looked up by the keys of repaired rows; blank for rows set aside otherwise."""
    found = pd.Series(None, index=aside.index, dtype="str")
    mended = aside[aside["state"] == "repaired"]
    if len(mended):
        by_key = look_up(mended["row_key"].unique().tolist())
        found.loc[mended.index] = mended["row_key"].map(by_key).astype("str")
    return found


def hashes_by_key(
    database: Database, connection: sa.Connection, name: str, keys: Sequence[str]
) -> pd.Series[Any]:
    """Return a hash of each row of a table that has one of the keys, by the key's text."""
    declared = schema.table(name)
    rows = rows_with_keys(database, connection, name, keys)
    texts = rows_to_json(declared, rows)
    digests = [hashlib.sha256(text.encode()).hexdigest()[:24] for text in texts]
    return pd.Series(digests, index=pd.Index(row_keys(declared, rows)), dtype="str")


def write_findings(
    connection: sa.Connection,
    job: TableIntake,
    load_id: str,
    *,
    first: int,
    keys: Sequence[pd.Series[Any]] = (),
) -> None:
    """Enter the findings of a load, numbered on from ``first``."""
    found = job.book.findings()
    if found.empty:
        return
    known = pd.concat(keys) if keys else pd.Series([], dtype="str")
    named = found.rename(columns={"column": "column_name"})
    named["row_key"] = named["row"].map(known[~known.index.duplicated()])
    named["number"] = range(first + 1, first + len(named) + 1)
    upsert(connection, "findings", named.assign(load_id=load_id))


def write_changes(
    connection: sa.Connection,
    changes: pd.DataFrame,
    table: str,
    load_id: str,
    moment: pd.Timestamp,
    *,
    first: int,
) -> None:
    """Enter changes (``row_key``, ``rule``, ``column``, ``before``, ``after``, ``why``)."""
    numbers = range(first + 1, first + len(changes) + 1)
    rows = pd.DataFrame(
        {
            "change_id": [f"{load_id}-{number:07d}" for number in numbers],
            "changed_at": moment,
            "table_name": table,
            "row_key": changes["row_key"].to_numpy(),
            "column_name": changes["column"].to_numpy(),
            "before": changes["before"].to_numpy(),
            "after": changes["after"].to_numpy(),
            "why": changes["why"].to_numpy(),
            "load_id": load_id,
            "rule": changes["rule"].to_numpy(),
        }
    )
    upsert(connection, "changes", rows)


def table_rows(
    database: Database, connection: sa.Connection, name: str, set_aside: pd.DataFrame
) -> pd.Series[Any]:
    """Return, as JSON, the row of the table that each repaired row is about to replace."""
    declared = schema.table(name)

    def rows_by_key(keys: list[str]) -> pd.Series[Any]:
        rows = rows_with_keys(database, connection, name, keys)
        texts = rows_to_json(declared, rows).to_numpy()
        return pd.Series(texts, index=pd.Index(row_keys(declared, rows)), dtype="str")

    return _of_repaired(set_aside, rows_by_key)


def keys_from(declared: Table, row_keys: Sequence[str]) -> pd.DataFrame:
    """Return a table's key columns from texts of :func:`~vaultplan.intake.outcome.row_keys`."""
    parts = [[text] if len(declared.key) == 1 else json.loads(text) for text in row_keys]
    frame = pd.DataFrame(parts, columns=list(declared.key), dtype=object)
    return frame.apply(lambda values: declared.column(str(values.name)).cast(values))


def rows_with_keys(
    database: Database, connection: sa.Connection, name: str, row_keys_wanted: Sequence[str]
) -> pd.DataFrame:
    """Return the rows of a table that have the given keys."""
    declared = schema.table(name)
    keys = keys_from(declared, row_keys_wanted)
    where = {part: keys[part].unique().tolist() for part in declared.key}
    found = read_table(database, name, where=where, connection=connection)
    return found[row_keys(declared, found).isin(row_keys_wanted)].reset_index(drop=True)


def rows_to_json(declared: Table, frame: pd.DataFrame) -> pd.Series[Any]:
    """Return each row of a table as one JSON text; :func:`rows_from_json` reads it back."""
    columns: dict[str, list[Any]] = {}
    for column in declared.columns:
        values = frame[column.name]
        if column.type == "geometry":
            hexes = shapely.to_wkb(values.to_numpy(), hex=True)
            columns[column.name] = [None if value is None else str(value) for value in hexes]
        elif column.type == "time":
            columns[column.name] = _texts(values.dt.strftime(_STAMP))
        elif column.type == "date":
            columns[column.name] = _texts(values.dt.strftime("%Y-%m-%d"))
        else:
            blank: Any = None
            columns[column.name] = values.astype(object).where(values.notna(), blank).tolist()
    names = list(columns)
    rows = zip(*columns.values(), strict=True)
    written = [json.dumps(dict(zip(names, row, strict=True)), ensure_ascii=False) for row in rows]
    return pd.Series(written, index=frame.index, dtype="str")


def rows_from_json(declared: Table, texts: Sequence[str], crs: pyproj.CRS) -> pd.DataFrame:
    """Return rows of a table from their JSON texts."""
    rows = [json.loads(text) for text in texts]
    frame = pd.DataFrame(rows, columns=list(declared.column_names), dtype=object)
    if declared.geometry is not None:
        shapes = shapely.from_wkb(frame["geometry"].to_numpy())
        frame = gpd.GeoDataFrame(frame, geometry=gpd.GeoSeries(shapes, crs=crs), crs=crs)
    return declared.conform(frame)


def _texts(values: pd.Series[Any]) -> list[str | None]:
    return [None if value is None or value != value else str(value) for value in values]
