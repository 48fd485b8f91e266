"""One GeoPackage file as a database: an SQLAlchemy dialect on Python's own sqlite3.

No SQLite extension is loaded. GeoAlchemy2's geometry columns are kept as GeoPackage binary, times
as the standard writes them, and the spatial functions come from shapely, so that the models and
queries of a PostGIS database run on a file that desktop GIS opens directly.

Notes
-----
``ST_Intersects`` and its kin look at every row. Put :class:`touches_box` beside them: it asks the
R-tree here and the GiST index on PostGIS.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from typing import Any, Final

import shapely
from geoalchemy2 import Geometry, WKBElement, WKTElement
from sqlalchemy import Boolean, DateTime, Double, bindparam, types
from sqlalchemy.dialects import registry
from sqlalchemy.dialects.sqlite.base import SQLiteTypeCompiler
from sqlalchemy.dialects.sqlite.pysqlite import SQLiteDialect_pysqlite
from sqlalchemy.engine import reflection
from sqlalchemy.ext.compiler import compiles
from sqlalchemy.sql.functions import FunctionElement

from vaultplan.store.geopackage_blob import Box, encode, wkb_of
from vaultplan.store.geopackage_meta import has_rtree, rtree_name

DIALECT: Final = "vaultplan_gpkg"


class GeoPackageGeometry(Geometry):
    """A GeoAlchemy2 geometry column that is stored as GeoPackage binary."""

    cache_ok = True

    def bind_expression(self, bindvalue: Any) -> Any:
        """Bind the blob as it is; PostGIS would wrap it in a function."""
        return bindvalue

    def column_expression(self, col: Any) -> Any:
        """Read the blob as it is."""
        return col

    def bind_processor(self, dialect: Any) -> Callable[[Any], bytes | None]:  # noqa: ARG002
        """Turn what GeoAlchemy2 accepts (elements, shapely, EWKT) into a blob."""

        def to_blob(value: Any) -> bytes | None:
            if value is None:
                return None
            if isinstance(value, bytes) and value[:2] == b"GP":
                return value
            return encode([_shape_of(value)], self.srid)[0]

        return to_blob

    def result_processor(self, dialect: Any, coltype: object) -> Callable[[Any], Any]:  # noqa: ARG002
        """Turn a blob into the element that GeoAlchemy2 hands out."""

        def to_element(blob: bytes | None) -> WKBElement | None:
            if blob is None:
                return None
            return WKBElement(wkb_of(blob), srid=self.srid, extended=False)

        return to_element


def _shape_of(value: Any) -> Any:
    if isinstance(value, WKBElement):
        return shapely.from_wkb(value.data)
    text = value.data if isinstance(value, WKTElement) else value
    return shapely.from_wkt(text.split(";")[-1]) if isinstance(text, str) else value


class GeoPackageTime(DateTime):
    """A moment as the standard writes it: ``2025-03-01T17:05:00.250Z``, read back as aware UTC."""

    cache_ok = True

    def bind_processor(self, dialect: Any) -> Callable[[Any], str | None]:  # noqa: ARG002
        """Turn an aware time into UTC text."""
        return time_text

    def result_processor(self, dialect: Any, coltype: object) -> Callable[[Any], Any]:  # noqa: ARG002
        """Turn UTC text into an aware time."""

        def to_time(text: str | None) -> dt.datetime | None:
            if text is None:
                return None
            moment = dt.datetime.fromisoformat(text.removesuffix("Z"))
            return moment.replace(tzinfo=dt.UTC) if moment.tzinfo is None else moment

        return to_time


def time_text(moment: dt.datetime | None) -> str | None:
    """Return a moment in GeoPackage's form, to the millisecond.

    Raises
    ------
    ValueError
        If the moment has no time zone.
    """
    if moment is None:
        return None
    if moment.tzinfo is None:
        raise ValueError(f"{moment} has no time zone; times are stored as UTC")
    utc = moment.astimezone(dt.UTC).replace(tzinfo=None)
    return utc.isoformat(timespec="milliseconds") + "Z"


class GeoPackageTypeCompiler(SQLiteTypeCompiler):
    """Type names of GeoPackage table 1; desktop GIS drops columns of any other."""

    def visit_user_defined(self, type_: Any, **kw: Any) -> str:
        """Name a geometry's type, without its CRS."""
        if isinstance(type_, Geometry):
            return str(type_.geometry_type)
        return str(super().visit_user_defined(type_, **kw))

    def visit_VARCHAR(self, type_: Any, **kw: Any) -> str:  # noqa: ARG002, D102, N802
        return f"TEXT({type_.length})" if type_.length else "TEXT"

    def visit_BIGINT(self, type_: Any, **kw: Any) -> str:  # noqa: ARG002, D102, N802
        return "INTEGER"


_GEOMETRY_NAMES: Final = (
    "GEOMETRY",
    "POINT",
    "LINESTRING",
    "POLYGON",
    "MULTIPOINT",
    "MULTILINESTRING",
    "MULTIPOLYGON",
    "GEOMETRYCOLLECTION",
)


class GeoPackageDialect(SQLiteDialect_pysqlite):
    """SQLite with GeoPackage's types; R-trees are reflected as the GiST indexes they stand for."""

    name = DIALECT
    supports_statement_cache = True
    type_compiler_cls = GeoPackageTypeCompiler
    colspecs = {  # noqa: RUF012
        **SQLiteDialect_pysqlite.colspecs,
        Geometry: GeoPackageGeometry,
        DateTime: GeoPackageTime,
    }
    ischema_names = {  # noqa: RUF012
        **SQLiteDialect_pysqlite.ischema_names,
        **dict.fromkeys(_GEOMETRY_NAMES, Geometry),
    }

    @reflection.cache
    def get_columns(self, connection: Any, table_name: str, schema: Any = None, **kw: Any) -> Any:
        """Reflect columns; a geometry gets its type and CRS from the GeoPackage's own tables."""
        columns: list[Any] = super().get_columns(  # type: ignore[no-untyped-call]
            connection, table_name, schema, **kw
        )
        placed = {name: (shape, srid) for name, shape, srid in _layers(connection, table_name)}
        for column in columns:
            if column["name"] in placed:
                shape, srid = placed[column["name"]]
                column["type"] = Geometry(shape, srid=srid, spatial_index=False)
        return columns

    @reflection.cache
    def get_indexes(self, connection: Any, table_name: str, schema: Any = None, **kw: Any) -> Any:
        """Reflect indexes, R-trees among them."""
        indexes: list[Any] = super().get_indexes(  # type: ignore[no-untyped-call]
            connection, table_name, schema, **kw
        )
        for column, _, _ in _layers(connection, table_name):
            if has_rtree(connection, table_name, column):
                indexes.append(
                    {
                        "name": f"idx_{table_name}_{column}",
                        "column_names": [column],
                        "unique": 0,
                        "dialect_options": {"postgresql_using": "gist"},
                    }
                )
        return indexes


def _layers(connection: Any, table: str) -> list[tuple[str, str, int]]:
    found = connection.exec_driver_sql(
        "SELECT column_name, geometry_type_name, srs_id FROM gpkg_geometry_columns "
        "WHERE table_name = ?",
        (table,),
    )
    return [tuple(row) for row in found]


registry.register(DIALECT, __name__, "GeoPackageDialect")


class touches_box(FunctionElement[bool]):  # noqa: N801
    """Whether a geometry's own box touches a box: west, south, east, north in the CRS's units.

    Answered by the spatial index. Indexes keep coordinates in single precision, rounded outward, so
    geometries a hair outside may come along; none that touch are left out.
    """

    type: types.TypeEngine[bool] = Boolean()
    inherit_cache = True
    #: Without it SQLite is asked ``(...) = 1`` and does not use the index.
    _is_implicitly_boolean = True

    def __init__(self, column: Any, box: Box) -> None:
        edges: list[Any] = [
            bindparam(None, float(edge), type_=Double(), unique=True) for edge in box
        ]
        super().__init__(column, *edges)


def _parts(element: touches_box) -> list[Any]:
    return list(element.clauses)


@compiles(touches_box, "postgresql")
def _touches_box_postgis(element: touches_box, compiler: Any, **kw: Any) -> str:
    column, *edges = _parts(element)
    corners = ", ".join(compiler.process(edge, **kw) for edge in edges)
    srid = int(column.type.srid)
    return f"{compiler.process(column, **kw)} && ST_MakeEnvelope({corners}, {srid})"


@compiles(touches_box, DIALECT)
def _touches_box_embedded(element: touches_box, compiler: Any, **kw: Any) -> str:
    column, *edges = _parts(element)
    (stored,) = column.base_columns
    (key,) = column.table.primary_key
    rtree = rtree_name(stored.table.name, stored.name)
    west, south, east, north = (compiler.process(edge, **kw) for edge in edges)
    return (
        f'{compiler.process(key, **kw)} IN (SELECT id FROM "{rtree}" WHERE maxx >= {west} '  # noqa: S608
        f"AND maxy >= {south} AND minx <= {east} AND miny <= {north})"
    )
