"""The GeoPackage's own tables: which layers a file holds, in which CRS, with which spatial index.

References
----------
Open Geospatial Consortium (2021), GeoPackage Encoding Standard 1.3.1, OGC 12-128r18: clauses 1.1.2
to 2.1, annex F.3 (RTree spatial indexes).
"""

# Names of our own tables are all that is put into these statements.
# ruff: noqa: S608

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import Any, Final

import numpy as np
import pyproj
from sqlalchemy import Connection

#: "GPKG", and version 1.3.0: written to the file's head.
APPLICATION_ID: Final = 0x47504B47
USER_VERSION: Final = 10300

_OWN_TABLES: Final = (
    """CREATE TABLE gpkg_spatial_ref_sys (
        srs_name TEXT NOT NULL,
        srs_id INTEGER NOT NULL PRIMARY KEY,
        organization TEXT NOT NULL,
        organization_coordsys_id INTEGER NOT NULL,
        definition TEXT NOT NULL,
        description TEXT)""",
    """CREATE TABLE gpkg_contents (
        table_name TEXT NOT NULL PRIMARY KEY,
        data_type TEXT NOT NULL,
        identifier TEXT UNIQUE,
        description TEXT DEFAULT '',
        last_change DATETIME NOT NULL DEFAULT (strftime('%Y-%m-%dT%H:%M:%fZ', 'now')),
        min_x DOUBLE, min_y DOUBLE, max_x DOUBLE, max_y DOUBLE,
        srs_id INTEGER,
        CONSTRAINT fk_gc_r_srs_id FOREIGN KEY (srs_id) REFERENCES gpkg_spatial_ref_sys (srs_id))""",
    """CREATE TABLE gpkg_geometry_columns (
        table_name TEXT NOT NULL,
        column_name TEXT NOT NULL,
        geometry_type_name TEXT NOT NULL,
        srs_id INTEGER NOT NULL,
        z TINYINT NOT NULL,
        m TINYINT NOT NULL,
        CONSTRAINT pk_geom_cols PRIMARY KEY (table_name, column_name),
        CONSTRAINT uk_gc_table_name UNIQUE (table_name),
        CONSTRAINT fk_gc_tn FOREIGN KEY (table_name) REFERENCES gpkg_contents (table_name),
        CONSTRAINT fk_gc_srs FOREIGN KEY (srs_id) REFERENCES gpkg_spatial_ref_sys (srs_id))""",
    """CREATE TABLE gpkg_extensions (
        table_name TEXT,
        column_name TEXT,
        extension_name TEXT NOT NULL,
        definition TEXT NOT NULL,
        scope TEXT NOT NULL,
        CONSTRAINT ge_tce UNIQUE (table_name, column_name, extension_name))""",
)
_NO_CRS: Final = (
    ("Undefined Cartesian SRS", -1, "NONE", -1, "undefined", "undefined Cartesian"),
    ("Undefined geographic SRS", 0, "NONE", 0, "undefined", "undefined geographic"),
)


def create_own_tables(connection: Connection, srid: int) -> None:
    """Turn an empty SQLite file into an empty GeoPackage that knows WGS 84 and one EPSG CRS."""
    run = connection.exec_driver_sql
    run(f"PRAGMA application_id = {APPLICATION_ID}")
    run(f"PRAGMA user_version = {USER_VERSION}")
    for statement in _OWN_TABLES:
        run(statement)
    known = [
        (crs.name, number, "EPSG", number, crs.to_wkt("WKT1_GDAL"), None)
        for number in sorted({4326, srid})
        for crs in [pyproj.CRS.from_epsg(number)]
    ]
    for row in (*_NO_CRS, *known):
        run("INSERT INTO gpkg_spatial_ref_sys VALUES (?, ?, ?, ?, ?, ?)", row)


def register_attributes(connection: Connection, table: str, description: str) -> None:
    """List a table without geometry in the GeoPackage's contents."""
    connection.exec_driver_sql(
        "INSERT INTO gpkg_contents (table_name, data_type, identifier, description) "
        "VALUES (?, 'attributes', ?, ?)",
        (table, table, description),
    )


def register_layer(
    connection: Connection, table: str, column: str, shape: str, srid: int, description: str
) -> None:
    """List a table with geometry, its geometry's type and its CRS in the GeoPackage's contents."""
    connection.exec_driver_sql(
        "INSERT INTO gpkg_contents (table_name, data_type, identifier, description, srs_id) "
        "VALUES (?, 'features', ?, ?, ?)",
        (table, table, description, srid),
    )
    connection.exec_driver_sql(
        "INSERT INTO gpkg_geometry_columns VALUES (?, ?, ?, ?, 0, 0)", (table, column, shape, srid)
    )


def rtree_name(table: str, column: str) -> str:
    """Return the name that the standard gives a layer's spatial index."""
    return f"rtree_{table}_{column}"


def has_rtree(connection: Connection, table: str, column: str) -> bool:
    """Return whether a layer has its spatial index."""
    found = connection.exec_driver_sql(
        "SELECT 1 FROM sqlite_master WHERE type = 'table' AND name = ?",
        (rtree_name(table, column),),
    )
    return found.first() is not None


def create_rtree(connection: Connection, table: str, column: str, key: str) -> None:
    """Give a layer its spatial index, filled and kept up to date by the standard's triggers."""
    run = connection.exec_driver_sql
    name = rtree_name(table, column)
    run(f'CREATE VIRTUAL TABLE "{name}" USING rtree(id, minx, maxx, miny, maxy)')
    run(
        "INSERT INTO gpkg_extensions VALUES (?, ?, 'gpkg_rtree_index', "
        "'http://www.geopackage.org/spec120/#extension_rtree', 'write-only')",
        (table, column),
    )
    edges = ", ".join(f'ST_{edge}("{column}")' for edge in _EDGES)
    run(
        f'INSERT INTO "{name}" SELECT "{key}", {edges} FROM "{table}" '
        f'WHERE "{column}" NOTNULL AND NOT ST_IsEmpty("{column}")'
    )
    for statement in _triggers(table, column, key):
        run(statement)


def drop_rtree(connection: Connection, table: str, column: str) -> None:
    """Take a layer's spatial index away."""
    for trigger in RTREE_TRIGGERS:
        connection.exec_driver_sql(
            f'DROP TRIGGER IF EXISTS "{rtree_name(table, column)}_{trigger}"'
        )
    connection.exec_driver_sql(f'DROP TABLE IF EXISTS "{rtree_name(table, column)}"')
    connection.exec_driver_sql(
        "DELETE FROM gpkg_extensions WHERE table_name = ? AND column_name = ?", (table, column)
    )


_EDGES: Final = ("MinX", "MaxX", "MinY", "MaxY")
RTREE_TRIGGERS: Final = ("insert", "update2", "update4", "update5", "update6", "update7", "delete")


def _triggers(table: str, column: str, key: str) -> Iterable[str]:
    rtree = f'"{rtree_name(table, column)}"'
    edges = ", ".join(f'ST_{edge}(NEW."{column}")' for edge in _EDGES)
    row = f'VALUES (NEW."{key}", {edges})'
    assign = ", ".join(f'{edge.lower()} = ST_{edge}(NEW."{column}")' for edge in _EDGES)
    same_id = f'OLD."{key}" = NEW."{key}"'
    other_id = f'OLD."{key}" != NEW."{key}"'

    def placed(side: str) -> str:
        return f'({side}."{column}" NOTNULL AND NOT ST_IsEmpty({side}."{column}"))'

    def blank(side: str) -> str:
        return f'({side}."{column}" ISNULL OR ST_IsEmpty({side}."{column}"))'

    new, old = placed("NEW"), placed("OLD")
    remove_old = f'DELETE FROM {rtree} WHERE id = OLD."{key}";'
    put = f"INSERT OR REPLACE INTO {rtree} {row};"
    bodies: dict[str, tuple[str, str, str]] = {
        "insert": ("INSERT", new, put),
        "update2": (f'UPDATE OF "{column}"', f"{same_id} AND {blank('NEW')}", remove_old),
        "update4": (
            "UPDATE",
            f"{other_id} AND {blank('NEW')}",
            f'DELETE FROM {rtree} WHERE id IN (OLD."{key}", NEW."{key}");',
        ),
        "update5": ("UPDATE", f"{other_id} AND {new}", f"{remove_old} {put}"),
        "update6": (
            f'UPDATE OF "{column}"',
            f"{same_id} AND {new} AND {old}",
            f'UPDATE {rtree} SET {assign} WHERE id = NEW."{key}";',
        ),
        "update7": (
            f'UPDATE OF "{column}"',
            f"{same_id} AND {new} AND {blank('OLD')}",
            f"INSERT INTO {rtree} {row};",
        ),
        "delete": ("DELETE", f'OLD."{column}" NOTNULL', remove_old),
    }
    for name, (event, when, body) in bodies.items():
        yield (
            f'CREATE TRIGGER "{rtree_name(table, column)}_{name}" AFTER {event} ON "{table}" '
            f"WHEN {when} BEGIN {body} END"
        )


_CELL: Final = np.dtype(
    [("id", ">i8"), ("minx", ">f4"), ("maxx", ">f4"), ("miny", ">f4"), ("maxy", ">f4")]
)


def _extent(
    run: Callable[..., Any], table: str, column: str
) -> tuple[float | None, float | None, float | None, float | None]:
    """West, south, east and north of a layer, from the root node of its R-tree.

    The node holds two bytes of depth, two of count, then the cells; reading it costs the same for
    four vaults and for 400,000, where asking for minima would walk the whole tree.
    """
    node = run(f'SELECT data FROM "{rtree_name(table, column)}_node" WHERE nodeno = 1').scalar()
    count = int.from_bytes(node[2:4], "big") if node else 0
    if not count:
        return None, None, None, None
    cells = np.frombuffer(node, dtype=_CELL, count=count, offset=4)
    return (
        float(cells["minx"].min()),
        float(cells["miny"].min()),
        float(cells["maxx"].max()),
        float(cells["maxy"].max()),
    )


def note_changes(connection: Connection, tables: Iterable[str]) -> None:
    """Write the new extent and the moment of change of tables into the GeoPackage's contents."""
    run = connection.exec_driver_sql
    for table in sorted(set(tables)):
        row = run(
            "SELECT column_name FROM gpkg_geometry_columns WHERE table_name = ?", (table,)
        ).first()
        box = (None, None, None, None) if row is None else _extent(run, table, row[0])
        run(
            "UPDATE gpkg_contents SET min_x = ?, min_y = ?, max_x = ?, max_y = ?, "
            "last_change = strftime('%Y-%m-%dT%H:%M:%fZ', 'now') WHERE table_name = ?",
            (*box, table),
        )
