"""Shapes of a chunk, checked and brought into the database's CRS."""

from __future__ import annotations

from typing import Any, Final

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import pyproj
import shapely

from vaultplan.columns import Column
from vaultplan.geometry import LONLAT
from vaultplan.intake.faults import FaultBook

Mask = npt.NDArray[np.bool_]

#: How far beyond a CRS's area of use a shape may lie, in degrees; assumed. Grids serve a little
#: past their edge; swapped or mistaken coordinates land much further away.
AREA_MARGIN: Final = 1.0

_POINT, _LINE, _POLYGON = 0, 1, 3
_MULTI = {4: _POINT, 5: _LINE, 6: _POLYGON}
_WANTED = {"POINT": _POINT, "LINESTRING": _LINE, "MULTIPOLYGON": _POLYGON}
_NAMES = {"POINT": "point", "LINESTRING": "line", "MULTIPOLYGON": "polygon"}


def check_shapes(
    column: Column,
    shapes: gpd.GeoSeries,
    target: pyproj.CRS,
    book: FaultBook,
    *,
    blamed: Mask | None = None,
) -> gpd.GeoSeries:
    """Return shapes of the declared type in the target CRS; faulty ones are in the book.

    Z and M are dropped. A single polygon becomes a multipolygon, and a multi-line or multi-point
    of one part becomes that part. A shape is refused if it is missing, empty, of another type,
    invalid, or wholly outside the area of use of its own CRS or of the target. Rows in ``blamed``
    are already in the book and are not called missing.
    """
    geometry = shapely.force_2d(shapes.to_numpy())
    missing = shapely.is_missing(geometry)
    empty = ~missing & shapely.is_empty(geometry)
    if column.required:
        unsaid = missing if blamed is None else missing & ~blamed
        _blame(book, shapes, unsaid, "there is no shape", "draw it, or leave the row out")
    _blame(book, shapes, empty, "the shape is empty", "draw it, or leave the row out")
    sound = ~missing & ~empty
    geometry, sound = _in_type(column, shapes, geometry, sound, book)
    sound &= _valid(shapes, geometry, sound, book)
    if shapes.crs is None:
        return gpd.GeoSeries(geometry, index=shapes.index, crs=target)
    sound &= _within(shapes, geometry, sound, shapes.crs, book)
    kept = geometry.copy()
    kept[~sound] = None
    placed = gpd.GeoSeries(kept, index=shapes.index, crs=shapes.crs)
    if shapes.crs == target:
        return placed
    moved = placed.to_crs(target)
    sound &= _within(shapes, geometry, sound, target, book)
    bounds = shapely.bounds(moved.to_numpy())
    broken = sound & ~np.isfinite(bounds).all(axis=1)
    _blame(
        book,
        shapes,
        broken,
        f"the shape cannot be brought into {target.name}",
        "cut it to the service area",
    )
    return moved


def _in_type(
    column: Column,
    shapes: gpd.GeoSeries,
    geometry: npt.NDArray[Any],
    sound: Mask,
    book: FaultBook,
) -> tuple[npt.NDArray[Any], Mask]:
    if column.shape == "GEOMETRY":
        return geometry, sound
    wanted = _WANTED[column.shape]
    kinds = shapely.get_type_id(geometry)
    multi = next(kind for kind, single in _MULTI.items() if single == wanted)
    geometry = geometry.copy()
    if wanted == _POLYGON:
        fits = np.isin(kinds, (wanted, multi))
        for at in np.flatnonzero(sound & (kinds == wanted)):
            geometry[at] = shapely.multipolygons([geometry[at]])
        remedy = "give the area as a polygon"
    else:
        alone = (kinds == multi) & (shapely.get_num_geometries(geometry) == 1)
        fits = (kinds == wanted) | alone
        unpack = sound & alone
        geometry[unpack] = shapely.get_geometry(geometry[unpack], 0)
        remedy = f"give one {_NAMES[column.shape]} a row; split shapes of several parts"
    other = sound & ~fits
    names = [str(shape.geom_type) for shape in geometry[other]]
    book.add(
        "geometry",
        pd.Series(names, index=shapes.index[other], dtype="str"),
        f"is not a {_NAMES[column.shape]}",
        remedy,
    )
    return geometry, sound & fits


def _valid(shapes: gpd.GeoSeries, geometry: npt.NDArray[Any], sound: Mask, book: FaultBook) -> Mask:
    valid: Mask = np.asarray(shapely.is_valid(geometry), dtype=bool)
    broken = sound & ~valid
    reasons = shapely.is_valid_reason(geometry[broken])
    book.add(
        "geometry",
        pd.Series([str(reason) for reason in reasons], index=shapes.index[broken], dtype="str"),
        "the shape is broken",
        "mend it where it is drawn; outlines may not cross and lines need two distinct points",
    )
    return valid


def _within(
    shapes: gpd.GeoSeries,
    geometry: npt.NDArray[Any],
    sound: Mask,
    area_of: pyproj.CRS,
    book: FaultBook,
) -> Mask:
    """Return which shapes touch the area of use; boxes stand for the shapes."""
    inside = np.ones(len(geometry), dtype=bool)
    area = area_of.area_of_use
    if area is None or not sound.any():
        return inside
    west, south, east, north = _lonlat_boxes(geometry[sound], shapes.crs)
    latitude = (north >= area.south - AREA_MARGIN) & (south <= area.north + AREA_MARGIN)
    first, last = area.west - AREA_MARGIN, area.east + AREA_MARGIN
    if area.west <= area.east:
        longitude = (east >= first) & (west <= last)
    else:  # across the 180th meridian
        longitude = (east >= first) | (west <= last)
    inside[sound] = latitude & longitude
    away = sound & ~inside
    at = inside[sound]
    wording = [
        f"at {x:.3f}, {y:.3f} degrees" if np.isfinite(x) and np.isfinite(y) else "nowhere on Earth"
        for x, y in zip(west[~at], south[~at], strict=True)
    ]
    book.add(
        "geometry",
        pd.Series(wording, index=shapes.index[away], dtype="str"),
        f"lies outside the area of use of {area_of.name}",
        f"check that the file's CRS is {shapes.crs.name}, its unit of length, and that x and y "
        "are not swapped",
    )
    return inside


def _lonlat_boxes(geometry: npt.NDArray[Any], crs: pyproj.CRS) -> tuple[npt.NDArray[Any], ...]:
    bounds = shapely.bounds(geometry)
    if crs.is_geographic:
        reach = np.abs(bounds)
        earth = (reach[:, [0, 2]].max(axis=1) <= 360) & (reach[:, [1, 3]].max(axis=1) <= 90)
        bounds[~earth] = np.inf
        bounds[bounds[:, 0] > 180, 0::2] -= 360
        return bounds[:, 0], bounds[:, 1], bounds[:, 2], bounds[:, 3]
    to_lonlat = pyproj.Transformer.from_crs(crs, LONLAT, always_xy=True)
    corners = [to_lonlat.transform(bounds[:, i], bounds[:, j]) for i in (0, 2) for j in (1, 3)]
    lon = np.array([corner[0] for corner in corners])
    lat = np.array([corner[1] for corner in corners])
    return lon.min(axis=0), lat.min(axis=0), lon.max(axis=0), lat.max(axis=0)


def _blame(book: FaultBook, shapes: gpd.GeoSeries, at: Mask, fault: str, remedy: str) -> None:
    rows = shapes.index[at]
    book.add("geometry", pd.Series("", index=rows, dtype="str"), fault, remedy)
