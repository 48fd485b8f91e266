"""The record of loads: what was found, which rows were set aside, and what repairs changed."""

from __future__ import annotations

import json
from collections.abc import Sequence
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
    _is_entered: bool = False

    @property
    def rows_in(self) -> int:
        """Rows of the file that are not blank: each is loaded, mended or quarantined."""
        return self.loaded + self.repaired + self.quarantined

    def take(self, part: Intake, replaced: pd.Series[Any]) -> None:
        """Enter what became of some rows; ``replaced`` holds rows of the table they replace."""
        self.loaded += part.loaded
        self.repaired += part.repaired
        self.quarantined += part.quarantined
        self.blank += part.blank
        aside = part.set_aside.assign(load_id=self.load_id, replaced=replaced)
        if len(aside):
            upsert(self.connection, "raw_rows", aside)
            self._keys.append(aside.set_index("row")["row_key"])
        if len(part.changes):
            write_changes(
                self.connection,
                part.changes.assign(why=""),
                self.job.declared.name,
                self.load_id,
                self.moment,
                first=self._changes,
            )
            self._changes += len(part.changes)

    def finish(self, counts: Counts) -> str:
        """Enter the load itself and its findings; return its id."""
        entry = {
            "load_id": self.load_id,
            "table_name": self.job.declared.name,
            "file": self.job.path.name,
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
    replaced = pd.Series(None, index=set_aside.index, dtype="str")
    mended = set_aside[set_aside["state"] == "repaired"]
    if mended.empty:
        return replaced
    rows = rows_with_keys(database, connection, name, mended["row_key"].unique().tolist())
    texts = pd.Series(
        rows_to_json(schema.table(name), rows).to_numpy(),
        index=row_keys(schema.table(name), rows),
        dtype="str",
    )
    replaced.loc[mended.index] = mended["row_key"].map(texts).astype("str")
    return replaced


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
