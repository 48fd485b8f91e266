"""Whether a database is sound: its pages, indexes and lists, and references that point nowhere."""

# Names of our own tables are all that is put into these statements.
# ruff: noqa: S608

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import pandas as pd
import shapely
import sqlalchemy as sa

from vaultplan.errors import StoreError
from vaultplan.schema import LOADABLE, STORED, TABLES
from vaultplan.store import touched
from vaultplan.store.connect import shown
from vaultplan.store.database import Database, open_database
from vaultplan.store.geopackage_blob import decode
from vaultplan.store.geopackage_meta import RTREE_TRIGGERS, rtree_name
from vaultplan.store.migrate import differences
from vaultplan.store.tables import KEY
from vaultplan.store.upkeep import OnProgress, silent

_ROWS_AT_A_TIME: Final = 50_000
_REBUILD: Final = "run 'vaultplan compact --rebuild-indexes'"
_BRING_BACK: Final = (
    "bring back your last backup; what can still be read, 'vaultplan export' writes to files"
)
#: Coordinates in an R-tree are single precision, rounded outward: so much of their size apart.
_SINGLE: Final = 2.0**-22


@dataclass(frozen=True, slots=True)
class Problem:
    """One thing that is wrong: where, what, and what to do."""

    where: str
    what: str
    remedy: str

    def __str__(self) -> str:
        """Return the problem as one readable line."""
        return f"{self.where}: {self.what}; {self.remedy}"


@dataclass(frozen=True, slots=True)
class Integrity:
    """What a check found.

    ``tables`` has ``table`` and ``rows``; ``nowhere`` the references that point nowhere, with
    ``table``, ``column``, ``refers_to`` and ``rows``, which files loaded later may mend.
    """

    problems: tuple[Problem, ...]
    tables: pd.DataFrame
    nowhere: pd.DataFrame

    @property
    def is_sound(self) -> bool:
        """Whether nothing is wrong."""
        return not self.problems


def check_integrity(location: str, *, on_progress: OnProgress = silent) -> Integrity:
    """Return what is wrong with a database, how many rows it holds, and what refers to nothing.

    Others may read and write meanwhile; each check looks at one state throughout.

    Raises
    ------
    StoreError
        If the database cannot be opened at all.
    """
    with open_database(location) as database:
        checks = _FILE_CHECKS if database.is_embedded else _SERVER_CHECKS
        problems: list[Problem] = []
        for number, (step, check) in enumerate(checks.items()):
            on_progress(step, number, len(checks))
            try:
                with database.reading() as connection:
                    problems += check(database, connection)
            except StoreError as error:
                problems.append(Problem(shown(location), str(error), _BRING_BACK))
        return Integrity(
            tuple(problems), _row_counts(database, problems), _nowhere(database, on_progress)
        )


def _pages(database: Database, connection: sa.Connection) -> Iterator[Problem]:
    for (said,) in connection.exec_driver_sql("PRAGMA integrity_check(20)"):
        if said != "ok":
            # An index can be made again from its table; pages of a table cannot.
            is_index = "index" in said.lower() and "malformed" not in said.lower()
            yield Problem(database.location, str(said), _REBUILD if is_index else _BRING_BACK)


def _own_references(_database: Database, connection: sa.Connection) -> Iterator[Problem]:
    broken = connection.exec_driver_sql("PRAGMA foreign_key_check").all()
    for table in sorted({str(row[0]) for row in broken}):
        many = sum(row[0] == table for row in broken)
        what = f"{many:,} row(s) refer to what is not there"
        yield Problem(table, what, _BRING_BACK)


def _listed(database: Database, connection: sa.Connection) -> Iterator[Problem]:
    ask = connection.exec_driver_sql
    kinds = ask("SELECT table_name, data_type FROM gpkg_contents")
    contents = {str(name): str(kind) for name, kind in kinds}
    layers = ask("SELECT table_name, srs_id FROM gpkg_geometry_columns")
    crs = {str(name): int(srid) for name, srid in layers}
    for name in STORED:
        is_layer = TABLES[name].geometry is not None
        if contents.get(name) != ("features" if is_layer else "attributes"):
            what = "not listed in gpkg_contents, so that desktop GIS does not show it"
            yield Problem(name, what, _BRING_BACK)
        if is_layer and crs.get(name) != database.srid:
            what = f"gpkg_geometry_columns does not say that it is in EPSG:{database.srid}"
            yield Problem(name, what, _BRING_BACK)


def _places(_database: Database, connection: sa.Connection) -> Iterator[Problem]:
    """Hold every spatial index against the geometries it stands for."""
    made = connection.exec_driver_sql("SELECT name FROM sqlite_master").scalars()
    present = set(made)
    for name in STORED:
        shape = TABLES[name].geometry
        if shape is None or name not in present:
            continue
        rtree = rtree_name(name, shape.name)
        if rtree not in present:
            yield Problem(name, "has no spatial index", _REBUILD)
            continue
        if not {f"{rtree}_{trigger}" for trigger in RTREE_TRIGGERS} <= present:
            what = "its spatial index does not follow changes; triggers are missing"
            yield Problem(name, what, _REBUILD)
        missing, wrong = _against_geometries(connection, name, shape.name)
        many = connection.exec_driver_sql(
            f'SELECT count(*) FROM "{rtree}" WHERE id NOT IN (SELECT {KEY} FROM "{name}")'
        ).scalar_one()
        for count, what in (
            (missing, "missing from its spatial index"),
            (wrong, "elsewhere in its spatial index"),
            (many, "too many in its spatial index"),
        ):
            if count:
                yield Problem(name, f"{count:,} row(s) {what}; searches by place fail", _REBUILD)


def _against_geometries(connection: sa.Connection, name: str, column: str) -> tuple[int, int]:
    """Return how many rows a layer's R-tree lacks, and how many it has at the wrong place."""
    cursor: Any = connection.exec_driver_sql(
        f'SELECT t."{column}", r.minx, r.miny, r.maxx, r.maxy FROM "{name}" t '
        f'LEFT JOIN "{rtree_name(name, column)}" r ON r.id = t.{KEY}'
    ).cursor
    missing = wrong = 0
    while rows := cursor.fetchmany(_ROWS_AT_A_TIME):
        blobs, *edges = zip(*rows, strict=True)
        true = shapely.bounds(decode(blobs))
        told = np.array(edges, dtype="float64").T
        placed, indexed = np.isfinite(true[:, 0]), np.isfinite(told[:, 0])
        missing += int((placed & ~indexed).sum())
        near = np.abs(told - true) <= np.maximum(np.abs(true), 1.0) * _SINGLE
        wrong += int((indexed & ~(placed & near.all(axis=1))).sum())
    return missing, wrong


def _declared(database: Database, connection: sa.Connection) -> Iterator[Problem]:
    """Hold tables, columns and indexes against the declared ones."""
    for difference in differences(connection, database.srid):
        # Changes of one column come as a list of their own.
        for kind, *what in difference if isinstance(difference, list) else [difference]:
            named = [
                part for part in what if isinstance(part, str | sa.Column | sa.Table | sa.Index)
            ]
            words = ".".join(str(getattr(part, "name", part)) for part in named)
            remedy = _REBUILD if kind == "add_index" else _BRING_BACK
            told = _KINDS.get(kind, kind.replace("_", " "))
            yield Problem(words or shown(database.location), told, remedy)


_KINDS: Final = {
    "add_table": "this table is missing",
    "remove_table": "this table is none of ours",
    "add_column": "this column is missing",
    "remove_column": "this column is none of ours",
    "add_index": "this index is missing",
    "remove_index": "this index is none of ours",
    "add_constraint": "this rule that keys are single is missing",
    "remove_constraint": "this rule is none of ours",
    "modify_type": "this column has another type",
    "modify_nullable": "this column may be blank where it must not, or the other way round",
}


def _valid_indexes(_database: Database, connection: sa.Connection) -> Iterator[Problem]:
    listed = ", ".join(f"to_regclass('{name}')" for name in STORED)
    broken = connection.exec_driver_sql(
        "SELECT indexrelid::regclass::text, indrelid::regclass::text FROM pg_index "
        f"WHERE indrelid IN ({listed}) AND NOT (indisvalid AND indisready)"
    )
    for index, table in broken:
        yield Problem(str(table), f"index {index} is not valid and not used", _REBUILD)


def _followed(database: Database, connection: sa.Connection) -> Iterator[Problem]:
    """Look for the triggers that note changed rows, and whether they are switched on."""
    asked = "SELECT tgname FROM pg_trigger WHERE tgenabled <> 'D'"
    if database.is_embedded:
        asked = "SELECT name FROM sqlite_master WHERE type = 'trigger'"
    present = set(connection.exec_driver_sql(asked).scalars())
    for name in LOADABLE:
        wanted = touched.triggers_of(name, on_server=not database.is_embedded)
        if lacking := [trigger for trigger in wanted if trigger not in present]:
            what = f"its changes are not noted; triggers are missing or off: {', '.join(lacking)}"
            yield Problem(name, what, _REBUILD)


Check = Callable[[Database, sa.Connection], Iterator[Problem]]

_FILE_CHECKS: Final[dict[str, Check]] = {
    "Check the pages": _pages,
    "Check the file's own references": _own_references,
    "Check the list of layers": _listed,
    "Check tables and indexes": _declared,
    "Check spatial indexes": _places,
    "Check triggers": _followed,
}
_SERVER_CHECKS: Final[dict[str, Check]] = {
    "Check tables and indexes": _declared,
    "Check that indexes are valid": _valid_indexes,
    "Check triggers": _followed,
}


def _present(database: Database) -> list[str]:
    with database.reading() as connection:
        made = set(sa.inspect(connection).get_table_names())
    return [name for name in STORED if name in made]


def _row_counts(database: Database, problems: list[Problem]) -> pd.DataFrame:
    counts: dict[str, int] = {}
    for name in _present(database):
        query = sa.select(sa.func.count()).select_from(database.tables[name])
        try:
            with database.reading() as connection:
                counts[name] = int(connection.execute(query).scalar_one())
        except StoreError as error:
            problems.append(Problem(name, str(error), _BRING_BACK))
    return pd.DataFrame({"table": list(counts), "rows": pd.Series(counts.values(), dtype="int64")})


def _nowhere(database: Database, on_progress: OnProgress) -> pd.DataFrame:
    """Count the references that point nowhere, by column."""
    found: list[tuple[str, str, str, int]] = []
    present = _present(database)
    for number, name in enumerate(STORED):
        on_progress("Follow references", number, len(STORED))
        for column in TABLES[name].columns if name in present else ():
            other, _, key = column.refers_to.partition(".")
            if other not in present:
                continue
            here, there = database.tables[name].alias("here"), database.tables[other].alias("there")
            points = sa.exists().where(there.c[key] == here.c[column.name])
            query = sa.select(sa.func.count()).select_from(here)
            query = query.where(here.c[column.name].is_not(None), ~points)
            try:
                with database.reading() as connection:
                    many = int(connection.execute(query).scalar_one())
            except StoreError:
                continue
            if many:
                found.append((name, column.name, column.refers_to, many))
    return pd.DataFrame(found, columns=["table", "column", "refers_to", "rows"])
