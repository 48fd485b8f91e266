"""Spatial SQL functions for the standard sqlite3, named and behaving as in SQL/MM.

The R-tree triggers of the GeoPackage standard call some of them; the others let one query run on
the embedded store and on PostGIS alike.

References
----------
ISO/IEC 13249-3, SQL multimedia, part 3: spatial (the ``ST_`` functions).
"""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Mapping
from typing import Any, Final, TypeAlias

import shapely
from shapely.geometry.base import BaseGeometry

from vaultplan.store.geopackage_blob import bounds_of, decode_one, encode, is_empty, srid_of, wkb_of

SqlFunction: TypeAlias = Callable[..., Any]


def _blank_in_blank_out(function: SqlFunction) -> SqlFunction:
    def called(*values: object) -> object:
        return None if None in values else function(*values)

    return called


def _edge(position: int) -> SqlFunction:
    def edge(blob: bytes) -> float | None:
        box = bounds_of(blob)
        return None if box is None else box[position]

    return edge


def _coordinate(position: int) -> SqlFunction:
    def coordinate(blob: bytes) -> float | None:
        point = decode_one(blob)
        if point.geom_type != "Point":
            raise ValueError("ST_X and ST_Y need a point")
        return None if point.is_empty else float(point.coords[0][position])

    return coordinate


def _relation(predicate: Callable[[BaseGeometry, BaseGeometry], Any]) -> SqlFunction:
    def relation(one: bytes, other: bytes) -> int:
        return int(predicate(_comparable(one, other), decode_one(other)))

    return relation


def _comparable(one: bytes, other: bytes) -> BaseGeometry:
    if srid_of(one) != srid_of(other):
        raise ValueError(f"geometries in EPSG:{srid_of(one)} and EPSG:{srid_of(other)} do not mix")
    return decode_one(one)


def _distance(one: bytes, other: bytes) -> float | None:
    apart = float(shapely.distance(_comparable(one, other), decode_one(other)))
    return None if apart != apart else apart


def _within_distance(one: bytes, other: bytes, reach: float) -> int:
    if reach < 0:
        raise ValueError("ST_DWithin needs a distance of 0 or more")
    return int(shapely.dwithin(_comparable(one, other), decode_one(other), reach))


def _blob(geometry: BaseGeometry, srid: int) -> bytes | None:
    return encode([geometry], srid)[0]


def _from_text(words: str, srid: int = 0) -> bytes | None:
    if words.upper().startswith("SRID="):
        head, words = words.split(";", 1)
        srid = int(head[5:])
    return _blob(shapely.from_wkt(words), srid)


def _from_wkb(wkb: bytes | str, srid: int = 0) -> bytes | None:
    geometry: Any = shapely.from_wkb(wkb)
    return _blob(geometry, int(shapely.get_srid(geometry)) or srid)


def _as_ewkb(blob: bytes) -> bytes:
    named = shapely.set_srid(decode_one(blob), srid_of(blob))
    ewkb: bytes = shapely.to_wkb(named, include_srid=True)
    return ewkb


def _envelope(west: float, south: float, east: float, north: float, srid: int) -> bytes | None:
    return _blob(shapely.box(west, south, east, north), srid)


def _centroid(blob: bytes) -> bytes | None:
    return _blob(decode_one(blob).centroid, srid_of(blob))


_FUNCTIONS: Final[Mapping[tuple[str, int], SqlFunction]] = {
    ("ST_MinX", 1): _edge(0),
    ("ST_MinY", 1): _edge(1),
    ("ST_MaxX", 1): _edge(2),
    ("ST_MaxY", 1): _edge(3),
    ("ST_IsEmpty", 1): lambda blob: int(is_empty(blob)),
    ("ST_SRID", 1): srid_of,
    ("ST_X", 1): _coordinate(0),
    ("ST_Y", 1): _coordinate(1),
    ("ST_Length", 1): lambda blob: float(_line_length(decode_one(blob))),
    ("ST_Area", 1): lambda blob: float(decode_one(blob).area),
    ("ST_Centroid", 1): _centroid,
    ("ST_Intersects", 2): _relation(shapely.intersects),
    ("ST_Within", 2): _relation(shapely.within),
    ("ST_Contains", 2): _relation(shapely.contains),
    ("ST_Distance", 2): _distance,
    ("ST_DWithin", 3): _within_distance,
    ("ST_GeomFromText", 1): _from_text,
    ("ST_GeomFromText", 2): _from_text,
    ("ST_GeomFromEWKT", 1): _from_text,
    ("ST_GeomFromWKB", 1): _from_wkb,
    ("ST_GeomFromWKB", 2): _from_wkb,
    ("ST_GeomFromEWKB", 1): _from_wkb,
    ("ST_MakeEnvelope", 5): _envelope,
    ("ST_AsText", 1): lambda blob: shapely.to_wkt(decode_one(blob), rounding_precision=-1),
    ("ST_AsBinary", 1): wkb_of,
    ("ST_AsEWKB", 1): _as_ewkb,
}


def _line_length(geometry: BaseGeometry) -> float:
    """Length of lines, a collection's too; the outline of an area does not count as one."""
    if isinstance(geometry, shapely.GeometryCollection):
        return sum(_line_length(part) for part in geometry.geoms)
    return 0.0 if shapely.get_dimensions(geometry) == 2 else float(geometry.length)


def register_functions(connection: sqlite3.Connection) -> None:
    """Make the spatial functions known to one sqlite3 connection."""
    for (name, arguments), function in _FUNCTIONS.items():
        connection.create_function(
            name, arguments, _blank_in_blank_out(function), deterministic=True
        )
