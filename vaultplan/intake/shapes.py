"""Shapes of a chunk, checked and brought into the type that their table holds."""

from __future__ import annotations

from typing import Any, Final

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import pyproj
import shapely

from vaultplan.columns import Column
from vaultplan.intake.findings import FindingBook
from vaultplan.intake.whereabouts import Home, bring_home

Mask = npt.NDArray[np.bool_]
Shapes = npt.NDArray[Any]

_POINT, _LINE, _POLYGON = 0, 1, 3
_MULTI: Final = {4: _POINT, 5: _LINE, 6: _POLYGON}
_COLLECTION: Final = 7
_WANTED: Final = {"POINT": _POINT, "LINESTRING": _LINE, "MULTIPOLYGON": _POLYGON}
_NAMES: Final = {"POINT": "point", "LINESTRING": "line", "MULTIPOLYGON": "polygon"}


def check_shapes(
    column: Column,
    shapes: gpd.GeoSeries,
    target: pyproj.CRS,
    book: FindingBook,
    *,
    blamed: Mask | None = None,
    home: Home | None = None,
) -> gpd.GeoSeries:
    """Return shapes of the declared type in the target CRS; faulty ones are in the book.

    Z and M are dropped. A single polygon becomes a multipolygon, and a multi-line or multi-point
    of one part becomes that part. A shape is an error if it is missing, empty, of another type,
    invalid, or in a place that :func:`~vaultplan.intake.whereabouts.bring_home` does not accept.
    Rows in ``blamed`` are already in the book and are not called missing.
    """
    given = shapes.to_numpy()
    heights = shapely.has_z(given)
    if heights.any():
        seen = pd.Series("", index=shapes.index[heights], dtype="str")
        book.add("has_height", "geometry", seen, "has heights, which are left out", "nothing to do")
    geometry = shapely.force_2d(given)
    missing = shapely.is_missing(geometry)
    empty = ~missing & shapely.is_empty(geometry)
    remedy = "draw it, or leave the row out"
    if column.required:
        unsaid = missing if blamed is None else missing & ~blamed
        book.add("no_shape", "geometry", _no_text(shapes, unsaid), "there is no shape", remedy)
    book.add("shape_empty", "geometry", _no_text(shapes, empty), "the shape is empty", remedy)
    sound = ~missing & ~empty
    geometry, sound = _in_type(column, shapes, geometry, sound, book)
    geometry, sound = _valid(column, shapes, geometry, sound, book)
    kept = geometry.copy()
    kept[~sound] = None
    placed = gpd.GeoSeries(kept, index=shapes.index, crs=shapes.crs)
    return bring_home(placed, target, book, home)


def in_wanted_type(kind: str, geometry: Shapes) -> Shapes:
    """Return shapes of the type a table holds, ``None`` where that would take more than form."""
    if kind == "GEOMETRY":
        return geometry
    wanted = _WANTED[kind]
    multi = next(number for number, single in _MULTI.items() if single == wanted)
    kinds = shapely.get_type_id(geometry)
    fitting = np.full(len(geometry), None, dtype=object)
    if wanted == _POLYGON:
        fitting[kinds == multi] = geometry[kinds == multi]
        single = kinds == wanted
        fitting[single] = shapely.multipolygons(geometry[single][:, None])
        return fitting
    fitting[kinds == wanted] = geometry[kinds == wanted]
    alone = (kinds == multi) & (shapely.get_num_geometries(geometry) == 1)
    fitting[alone] = shapely.get_geometry(geometry[alone], 0)
    return fitting


def _in_type(
    column: Column,
    shapes: gpd.GeoSeries,
    geometry: Shapes,
    sound: Mask,
    book: FindingBook,
) -> tuple[Shapes, Mask]:
    fitting = in_wanted_type(column.shape, geometry)
    other = sound & shapely.is_missing(fitting)
    if not other.any():
        return fitting, sound
    rows = shapes.index[other]
    names = pd.Series([str(shape.geom_type) for shape in geometry[other]], index=rows, dtype="str")
    remedy = (
        "give the area as a polygon"
        if column.shape == "MULTIPOLYGON"
        else f"give one {_NAMES[column.shape]} a row; split shapes of several parts"
    )
    meant = [_meant(column.shape, shape) for shape in geometry[other]]
    accepted = book.add(
        "shape_type",
        "geometry",
        names,
        f"is not a {_NAMES[column.shape]}",
        remedy,
        repairs=pd.Series(meant, index=rows, dtype=object),
    )
    fitting[shapes.index.get_indexer(accepted.index)] = accepted.to_numpy()
    return fitting, sound & ~shapely.is_missing(fitting)


def _meant(kind: str, shape: Any) -> Any:
    """Return the one shape of the wanted type that another one stands for, if there is one."""
    number = int(shapely.get_type_id(shape))
    if kind == "POINT" and number in (_POLYGON, 6):
        return shapely.centroid(shape)
    if kind == "LINESTRING" and number == 5:
        joined = shapely.line_merge(shape)
        return joined if shapely.get_type_id(joined) == _LINE else None
    if kind == "MULTIPOLYGON" and number == _LINE and shape.is_ring:
        return shapely.multipolygons([shapely.polygons(shape.coords)])
    if number == _COLLECTION:
        found = in_wanted_type(kind, np.asarray(shapely.get_parts(shape), dtype=object))
        kept = found[~shapely.is_missing(found)]
        return kept[0] if len(kept) == 1 else None
    return None


def _valid(
    column: Column, shapes: gpd.GeoSeries, geometry: Shapes, sound: Mask, book: FindingBook
) -> tuple[Shapes, Mask]:
    broken = sound & ~np.asarray(shapely.is_valid(geometry), dtype=bool)
    if not broken.any():
        return geometry, sound
    rows = shapes.index[broken]
    reasons = [str(reason) for reason in shapely.is_valid_reason(geometry[broken])]
    crossing = geometry[broken].copy()
    crossing[~np.isfinite(shapely.bounds(crossing)).all(axis=1)] = None
    redrawn = in_wanted_type(column.shape, shapely.make_valid(crossing))
    useful = ~shapely.is_missing(redrawn) & shapely.is_valid(redrawn) & ~shapely.is_empty(redrawn)
    redrawn[~useful] = None
    accepted = book.add(
        "shape_broken",
        "geometry",
        pd.Series(reasons, index=rows, dtype="str"),
        "the shape is broken",
        "mend it where it is drawn; outlines may not cross and lines need two distinct points",
        repairs=pd.Series(redrawn, index=rows, dtype=object),
    )
    mended = geometry.copy()
    mended[shapes.index.get_indexer(accepted.index)] = accepted.to_numpy()
    return mended, sound & (~broken | shapes.index.isin(accepted.index))


def _no_text(shapes: gpd.GeoSeries, at: Mask) -> pd.Series[Any]:
    return pd.Series("", index=shapes.index[at], dtype="str")
