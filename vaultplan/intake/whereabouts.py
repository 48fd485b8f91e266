"""Where shapes lie: outside their CRS, far from the fleet, swapped, or in another grid."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any, Final, NamedTuple

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import pyproj
import shapely

from vaultplan.geometry import LONLAT
from vaultplan.intake.findings import FindingBook
from vaultplan.units import M_PER_FT, M_PER_US_SURVEY_FT

Mask = npt.NDArray[np.bool_]
Box = tuple[float, float, float, float]

#: How far beyond a CRS's area of use a shape may lie, in degrees; assumed. Grids serve a little
#: past their edge; swapped or mistaken coordinates land much further away.
AREA_MARGIN: Final = 1.0
#: One foot in the other, when US survey and international feet are mixed up.
FOOT_RATIO: Final = M_PER_US_SURVEY_FT / M_PER_FT
_WEB_MAP: Final = "EPSG:3857"


@dataclass(frozen=True, slots=True)
class Home:
    """Where a fleet lies, in the CRS of the database: ``box`` is west, south, east, north.

    ``tells_far`` says whether a shape beyond it is worth a word; ``foot_ratio`` is not 1 where
    the file's coordinates were made with the other foot.
    """

    box: Box
    tells_far: bool = True
    foot_ratio: float = 1.0

    def holds(self, shapes: gpd.GeoSeries) -> Mask:
        """Return which shapes touch the box."""
        west, south, east, north = self.box
        bounds = shapely.bounds(shapes.to_numpy())
        inside = (bounds[:, 0] <= east) & (bounds[:, 2] >= west)
        touching: Mask = inside & (bounds[:, 1] <= north) & (bounds[:, 3] >= south)
        return touching


class _Reading(NamedTuple):
    """Another way to read coordinates: the rule it would be a repair for, and its words."""

    rule: str
    words: str
    shapes: gpd.GeoSeries


def bring_home(
    shapes: gpd.GeoSeries, target: pyproj.CRS, book: FindingBook, home: Home | None = None
) -> gpd.GeoSeries:
    """Return shapes in the target CRS; what lies in the wrong place is in the book.

    Missing shapes stay missing. A shape outside ``home``, or without one outside the area of use
    of its CRS or of the target, is read with its axes swapped, with a sign restored and in other
    grids; the first reading in which it lies at home is the proposed repair.
    """
    if shapes.crs is None:
        return shapes.set_crs(target)
    sound = shapes.notna().to_numpy(dtype=bool)
    if home is not None and home.foot_ratio != 1.0:
        shapes = _in_one_foot(shapes, sound, home, book)
    moved = shapes if shapes.crs == target else shapes.to_crs(target)
    bounds = shapely.bounds(shapes.to_numpy())
    at_zero = sound & (np.abs(bounds) < 1e-9).all(axis=1)
    finite = np.asarray(np.isfinite(shapely.bounds(moved.to_numpy())).all(axis=1), dtype=bool)
    # Nearly all lie at home; whether a CRS is made for the others' place is looked up for them.
    far = sound & ~(home.holds(moved) & finite) if home is not None else sound
    legal = in_area_of_use(shapes, far, shapes.crs)
    if shapes.crs != target:
        legal &= in_area_of_use(shapes, far, target)
    near = ~far if home is not None else legal
    away = sound & ~at_zero & ~(near & finite)
    _blame_zero(shapes, at_zero, book)
    found = pd.Series(np.full(len(shapes), None, dtype=object), index=shapes.index)
    if away.any():
        found, meant = _other_readings(shapes, away, target, home, book)
        away &= ~meant
    _blame_rest(shapes, away, legal, finite, target, home, book)
    keep = sound & ~at_zero & finite & ~(away & ~legal)
    kept = moved.to_numpy().copy()
    kept[~keep] = None
    mended = found.notna().to_numpy(dtype=bool)
    kept[mended] = found.to_numpy()[mended]
    return gpd.GeoSeries(kept, index=shapes.index, crs=target)


def _in_one_foot(
    shapes: gpd.GeoSeries, sound: Mask, home: Home, book: FindingBook
) -> gpd.GeoSeries:
    """Return shapes read in the other foot, where that repair is asked for."""
    read_anew = shapes[sound].affine_transform([home.foot_ratio, 0, 0, home.foot_ratio, 0, 0])
    accepted = book.add(
        "mixed_feet",
        "geometry",
        pd.Series(shapes[sound].to_numpy(), index=shapes.index[sound], dtype=object),
        "is off as if US survey and international feet were mixed up",
        "state the CRS with the other foot in the column map, or ask for the repair",
        repairs=pd.Series(read_anew.to_numpy(), index=read_anew.index, dtype=object),
    )
    if not len(accepted):
        return shapes
    return gpd.GeoSeries(shapes.to_numpy().copy(), index=shapes.index, crs=shapes.crs).where(
        ~sound, gpd.GeoSeries(accepted, crs=shapes.crs)
    )


def _blame_zero(shapes: gpd.GeoSeries, at: Mask, book: FindingBook) -> None:
    book.add(
        "zero_place",
        "geometry",
        pd.Series("0, 0", index=shapes.index[at], dtype="str"),
        "lies at 0, 0, which stands for no place",
        "enter its place, or leave the row out",
    )


def _other_readings(
    shapes: gpd.GeoSeries,
    away: Mask,
    target: pyproj.CRS,
    home: Home | None,
    book: FindingBook,
) -> tuple[pd.Series[Any], Mask]:
    """Return repairs to be made, and which shapes lie at home in one of the other readings."""
    repairs = pd.Series(np.full(len(shapes), None, dtype=object), index=shapes.index)
    meant = np.zeros(len(shapes), dtype=bool)
    left = shapes[away]
    for reading in _readings(left, target):
        if left.empty:
            break
        tried = reading.shapes.loc[left.index]
        placed = tried if tried.crs == target else tried.to_crs(target)
        finite = np.isfinite(shapely.bounds(placed.to_numpy())).all(axis=1)
        every = np.ones(len(tried), dtype=bool)
        if home is not None:
            fits = home.holds(placed)
        else:
            fits = in_area_of_use(tried, every, tried.crs) & in_area_of_use(tried, every, target)
        fits &= finite
        if not fits.any():
            continue
        rows = left.index[fits]
        accepted = book.add(
            reading.rule,
            "geometry",
            pd.Series(left.to_numpy()[fits], index=rows, dtype=object),
            reading.words,
            "correct it in the file, or ask for the repair",
            repairs=pd.Series(placed.to_numpy()[fits], index=rows, dtype=object),
        )
        repairs.loc[accepted.index] = accepted
        meant |= shapes.index.isin(rows)
        left = left[~fits]
    return repairs, meant


def _readings(shapes: gpd.GeoSeries, target: pyproj.CRS) -> Iterator[_Reading]:
    """Yield other ways to read the coordinates of shapes, the likeliest first."""
    crs = shapes.crs
    swapped = shapes.affine_transform([0, 1, 1, 0, 0, 0])
    yield _Reading("swapped_axes", "has x and y swapped", swapped)
    if crs.is_geographic:
        for x, y, which in ((-1, 1, "longitude"), (1, -1, "latitude")):
            signed = _scaled(shapes, x, y)
            yield _Reading("lost_sign", f"has a {which} without its sign", signed)
    lonlat = shapes.set_crs(LONLAT, allow_override=True)
    yield _Reading("wrong_grid", "is in longitude and latitude", _within_degrees(lonlat))
    for grid in (target,) if crs == target else (crs, target):
        if grid.is_geographic:
            continue
        plain = shapes.set_crs(grid, allow_override=True)
        if grid != crs:
            yield _Reading("wrong_grid", f"is in {grid.name}", plain)
        for name, metres in _units_beside(grid):
            factor = metres / float(grid.axis_info[0].unit_conversion_factor)
            scaled_shapes = _scaled(plain, factor, factor)
            yield _Reading("wrong_grid", f"is in {grid.name}, but in {name}", scaled_shapes)
    web = shapes.set_crs(_WEB_MAP, allow_override=True)
    yield _Reading("wrong_grid", "is in the grid of web maps", web)
    yield _Reading(
        "wrong_grid",
        "is in latitude and longitude",
        _within_degrees(swapped.set_crs(LONLAT, allow_override=True)),
    )


def _units_beside(grid: pyproj.CRS) -> tuple[tuple[str, float], ...]:
    """Return units that a grid's coordinates may be in instead of its own.

    Of the two feet, only the one likelier with this grid: they differ by 2 parts in a million,
    which no place can tell.
    """
    own = float(grid.axis_info[0].unit_conversion_factor)
    survey, plain = ("US survey feet", M_PER_US_SURVEY_FT), ("feet", M_PER_FT)
    if abs(own - 1.0) < 1e-12:
        return (survey, plain) if "NAD83" in grid.name else (plain, survey)
    return (("metres", 1.0),)


def _scaled(shapes: gpd.GeoSeries, x: float, y: float) -> gpd.GeoSeries:
    return shapes.affine_transform([x, 0, 0, y, 0, 0])


def _within_degrees(shapes: gpd.GeoSeries) -> gpd.GeoSeries:
    bounds = np.abs(shapely.bounds(shapes.to_numpy()))
    on_earth = (bounds[:, [0, 2]].max(axis=1) <= 180) & (bounds[:, [1, 3]].max(axis=1) <= 90)
    kept = shapes.to_numpy().copy()
    kept[~on_earth] = None
    return gpd.GeoSeries(kept, index=shapes.index, crs=shapes.crs)


def is_elsewhere(shapes: gpd.GeoSeries, target: pyproj.CRS, home: Home) -> bool:
    """Return whether most shapes would lie at home, but only in another reading of them."""
    if shapes.empty:
        return False
    moved = shapes if shapes.crs == target else shapes.to_crs(target)
    away = shapes[~home.holds(moved)]
    if 2 * len(away) < len(shapes):
        return False
    for reading in _readings(away, target):
        tried = reading.shapes
        placed = tried if tried.crs == target else tried.to_crs(target)
        if 2 * int(home.holds(placed).sum()) > len(away):
            return True
    return False


def _blame_rest(
    shapes: gpd.GeoSeries,
    away: Mask,
    legal: Mask,
    finite: Mask,
    target: pyproj.CRS,
    home: Home | None,
    book: FindingBook,
) -> None:
    illegal = away & ~legal
    if illegal.any():
        own = in_area_of_use(shapes, illegal, shapes.crs)
        for area_of, at in ((shapes.crs, illegal & ~own), (target, illegal & own)):
            book.add(
                "outside_crs",
                "geometry",
                _lonlat_words(shapes, at),
                f"lies outside the area of use of {area_of.name}",
                f"check that the file's CRS is {shapes.crs.name}, its unit of length, and that x "
                "and y are not swapped",
            )
    broken = away & legal & ~finite
    book.add(
        "outside_crs",
        "geometry",
        pd.Series("", index=shapes.index[broken], dtype="str"),
        f"the shape cannot be brought into {target.name}",
        "cut it to the service area",
    )
    if home is not None and home.tells_far:
        book.add(
            "outside_area",
            "geometry",
            _lonlat_words(shapes, away & legal & finite),
            "lies far from everything else in the service area",
            "check its place; leave it if it is right",
        )


def in_area_of_use(shapes: gpd.GeoSeries, sound: Mask, area_of: pyproj.CRS) -> Mask:
    """Return which shapes touch the area of use of a CRS; boxes stand for the shapes."""
    inside = np.ones(len(shapes), dtype=bool)
    area = area_of.area_of_use
    if area is None or not sound.any():
        return inside
    west, south, east, north = _lonlat_boxes(shapes.to_numpy()[sound], shapes.crs)
    latitude = (north >= area.south - AREA_MARGIN) & (south <= area.north + AREA_MARGIN)
    first, last = area.west - AREA_MARGIN, area.east + AREA_MARGIN
    if area.west <= area.east:
        longitude = (east >= first) & (west <= last)
    else:  # across the 180th meridian
        longitude = (east >= first) | (west <= last)
    inside[sound] = latitude & longitude
    return inside


def _lonlat_words(shapes: gpd.GeoSeries, at: Mask) -> pd.Series[Any]:
    if not at.any():
        return pd.Series([], index=shapes.index[at], dtype="str")
    west, south, _, _ = _lonlat_boxes(shapes.to_numpy()[at], shapes.crs)
    wording = [
        f"at {x:.3f}, {y:.3f} degrees" if np.isfinite(x) and np.isfinite(y) else "nowhere on Earth"
        for x, y in zip(west, south, strict=True)
    ]
    return pd.Series(wording, index=shapes.index[at], dtype="str")


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
