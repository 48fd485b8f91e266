"""From files to tables: new databases, loads, and what is wrong with what was loaded."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Final, Protocol

import pandas as pd
import sqlalchemy as sa

from vaultplan import schema
from vaultplan.errors import SettingsError
from vaultplan.intake.column_map import ColumnMap, load_column_map
from vaultplan.intake.load import preview
from vaultplan.intake.load import read_table as read_file
from vaultplan.intake.quality import check_frames
from vaultplan.intake.readers import count_rows, layers_of
from vaultplan.store.database import Database, create_database, open_database
from vaultplan.store.read import read_table
from vaultplan.store.write import Counts, upsert

#: Columns of visits that the walk needs; the others stay in the store.
_VISIT_COLUMNS: Final = (
    "visit_id",
    "vault_id",
    "visited_at",
    "finding",
    "depth_in",
    "left_depth_in",
    "grade",
    "has_sheen",
    "odor",
    "disposal",
    "volume_gal",
    "inlet_id",
)


class OnStep(Protocol):
    """Told which step runs and, where the step knows, how much of it is done."""

    def __call__(self, step: str, done: int | None = None, total: int | None = None) -> None:
        """Take note of the step."""


def silent(step: str, done: int | None = None, total: int | None = None) -> None:
    """Tell nobody."""


def new(location: str, crs: str, *, name: str = "", time_zone: str = "UTC") -> str:
    """Make an empty database; return one line that says where and in which CRS and foot."""
    with create_database(location, crs, name=name, time_zone=time_zone) as database:
        return f"{location}: empty database in {database.crs.name} ({crs}), times in {time_zone}"


def load(
    location: str,
    table: str,
    file: Path,
    *,
    column_map: Path | None = None,
    layer: str | None = None,
    on_step: OnStep = silent,
) -> pd.DataFrame:
    """Load one table, or with ``table="all"`` every table a folder has, in one transaction.

    Returns
    -------
    pandas.DataFrame
        A row per table: table, file, rows new, changed and same.

    Raises
    ------
    SettingsError
        If there is nothing to load, two files of a folder hold the same table, or the file is the
        database itself.
    """
    sources = _sources(table, file, location)
    mapping = load_column_map(column_map) if column_map else ColumnMap()
    with open_database(location) as database, database.writing() as connection:
        rows = []
        for name, path, own_layer in sources:
            chosen = layer or own_layer
            own = mapping.model_copy(update={"layer": chosen}) if chosen else mapping
            counts = _load_one(database, connection, name, path, own, on_step)
            rows.append((name, path.name, counts.new, counts.changed, counts.same))
    return pd.DataFrame(rows, columns=["table", "file", "new", "changed", "same"])


def _sources(table: str, file: Path, location: str) -> list[tuple[str, Path, str | None]]:
    """Return table, file and layer of each thing to load, referred-to tables first."""
    if table != "all":
        if is_same_file(file, location):
            raise SettingsError(f"{file} is the database itself; name the file to load into it")
        return [(table, file, None)]
    if not file.is_dir():
        raise SettingsError(f"{file} is not a folder; 'load all' takes a folder of files")
    found: dict[str, list[tuple[Path, str | None]]] = {}
    for path in sorted(file.iterdir()):
        ending = path.suffix.lower()
        if ending == ".gpkg" and not is_same_file(path, location):
            for layer in layers_of(path):
                found.setdefault(layer, []).append((path, layer))
        elif ending in (".csv", ".tsv", ".geojson", ".shp"):
            found.setdefault(path.stem, []).append((path, None))
    held = {name: found[name] for name in load_order() if name in found}
    if not held:
        raise SettingsError(f"{file} holds no file or layer named as a table")
    twice = [
        f"{name} in {' and '.join(path.name for path, _ in places)}"
        for name, places in held.items()
        if len(places) > 1
    ]
    if twice:
        raise SettingsError(
            f"{file} holds tables more than once: {'; '.join(twice)}; "
            "keep one of each there, or load them one by one"
        )
    return [(name, *places[0]) for name, places in held.items()]


def is_same_file(path: Path, location: str) -> bool:
    """Return whether a path is the embedded database's own file."""
    database = Path(location)
    return path.exists() and database.exists() and path.samefile(database)


def load_order() -> list[str]:
    """Return the loadable tables with every table after those it refers to."""
    order: list[str] = []

    def place(name: str) -> None:
        if name in order:
            return
        for column in schema.table(name).columns:
            target = column.refers_to.split(".")[0]
            if target and target != name:
                place(target)
        order.append(name)

    for name in schema.LOADABLE:
        place(name)
    return order


def _load_one(
    database: Database,
    connection: sa.Connection,
    name: str,
    path: Path,
    column_map: ColumnMap,
    on_step: OnStep,
) -> Counts:
    step = f"Load {name}"
    total = count_rows(path, layer=column_map.layer)
    on_step(step, 0, total)
    done = 0
    counts = Counts(0, 0, 0)
    frames = read_file(
        name, path, crs=database.crs, time_zone=database.time_zone, column_map=column_map
    )
    told = _columns_told(name, path, column_map) if total else None
    for frame in frames:
        counts += upsert(connection, name, frame, only=told)
        done += len(frame)
        on_step(step, done, max(done, total))
    return counts


def _columns_told(name: str, path: Path, column_map: ColumnMap) -> set[str]:
    """Return the table's columns that a file says anything about; it leaves the others alone."""
    return {"geometry", *preview(name, path, column_map=column_map).sources, *column_map.constants}


def check(location: str, *, on_step: OnStep = silent) -> pd.DataFrame:
    """Return what is missing, out of range or points nowhere in the loaded tables."""
    with open_database(location) as database:
        frames = read_frames(database, schema.LOADABLE, on_step, whole=True)
    on_step("Check the tables")
    return check_frames(frames)


def read_frames(
    database: Database, names: Sequence[str], on_step: OnStep, *, whole: bool = False
) -> dict[str, pd.DataFrame]:
    """Return tables by name; of visits only the columns that the walk needs, unless ``whole``."""
    frames: dict[str, pd.DataFrame] = {}
    for number, name in enumerate(dict.fromkeys(names)):
        on_step("Read the database", number, len(names))
        columns = _VISIT_COLUMNS if name == "visits" and not whole else None
        frames[name] = read_table(database, name, columns=columns)
    on_step("Read the database", len(names), len(names))
    return frames
