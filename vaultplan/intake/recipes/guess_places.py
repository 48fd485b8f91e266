"""Where the rows of a foreign file lie: in which columns, and in which CRS if it states none."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Any, Final, NamedTuple

import numpy as np
import numpy.typing as npt
import pandas as pd
import pyproj
import shapely
from pyproj.database import query_crs_info
from pyproj.enums import PJType

from vaultplan.geometry import LONLAT
from vaultplan.intake.files.chunk import Chunk
from vaultplan.intake.recipes.guess_forms import numbers_of
from vaultplan.intake.recipes.guess_names import NameReader, wkt_names

Box = tuple[float, float, float, float]
Coordinates = npt.NDArray[np.float64]

#: Share of the points that must lie where they may; assumed. Exports are dirty, CRSs are not.
_ENOUGH: Final = 0.5
#: How far beyond the box of what is there new rows may lie, as a share of its size and in metres;
#: both assumed. A wrong CRS lands much further away.
_REACH, _REACH_M = 1.0, 20_000.0
_MOST_POINTS: Final = 2_000
_FEET: Final = (" (ftUS)", " (ft)")
_WKT: Final = r"(?i)\s*(MULTI)?(POINT|LINESTRING|POLYGON|GEOMETRYCOLLECTION)\b.*"


class CrsGuess(NamedTuple):
    """The CRS that points fit, how many of them do, and others that they fit as well."""

    crs: pyproj.CRS
    share: float
    rivals: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class PlaceGuess:
    """Columns that place a row: two, one of well-known text, or none; with their points."""

    columns: tuple[str, ...]
    points: Coordinates


def place_columns(
    reader: NameReader, chunk: Chunk, taken: Sequence[str], *, stated: tuple[str, ...] = ()
) -> list[PlaceGuess]:
    """Return the columns that may place the rows, best first: text of shapes, then x and y.

    Where columns are ``stated``, no others are looked at. Columns whose values do not fit are not
    among them.
    """
    free = [str(name) for name in chunk.frame.columns if name not in taken]
    options = [stated] if stated else [*((n,) for n in wkt_names(free)), *reader.pairs(free)]
    found = []
    for columns in options:
        if not set(columns) <= set(chunk.frame.columns):
            continue
        values = chunk.frame[list(columns)].dropna()
        points = _from_text(values) if len(columns) == 1 else _from_numbers(values)
        if len(values) and len(points) > _ENOUGH * min(len(values), _MOST_POINTS):
            found.append(PlaceGuess(columns, points))
    return found


def _from_text(values: pd.DataFrame) -> Coordinates:
    text = values.iloc[:_MOST_POINTS, 0]
    shapes = shapely.from_wkt(text[text.str.fullmatch(_WKT)].to_list(), "ignore")
    return points_of(np.asarray(shapes, dtype=object))


def _from_numbers(values: pd.DataFrame) -> Coordinates:
    numbers = values.iloc[:_MOST_POINTS].apply(numbers_of).dropna()
    return numbers.to_numpy(dtype=np.float64)


def points_of(shapes: npt.NDArray[Any]) -> Coordinates:
    """Return the middle of each shape's box, for as many shapes as a guess needs."""
    bounds = shapely.bounds(shapes[:_MOST_POINTS])
    middle = (bounds[:, :2] + bounds[:, 2:]) / 2
    return np.asarray(middle[np.isfinite(middle).all(axis=1)], dtype=np.float64)


def guess_crs(points: Coordinates, crs: pyproj.CRS, near: Box | None) -> CrsGuess | None:
    """Return the CRS in which most points lie near the box, or in the area of use of ``crs``.

    Tried are ``crs`` itself, the same projection in metres and in either foot, longitude and
    latitude (where numbers allow it) and web Mercator. Nothing comes back if none fits.
    """
    # (0, 0) is how many programs write "no place".
    placed = points[(points != 0).any(axis=1)]
    if not len(placed):
        return None
    shares = [(one, _share_inside(placed, one, crs, near)) for one in _candidates(crs)]
    best, most = max(shares, key=lambda pair: pair[1])
    if most < _ENOUGH:
        return None
    rivals = tuple(_code(one) for one, share in shares if share == most and one != best)
    return CrsGuess(best, most, rivals)


def _code(crs: pyproj.CRS) -> str:
    return f"EPSG:{crs.to_epsg()}"


def _candidates(crs: pyproj.CRS) -> list[pyproj.CRS]:
    kin = [pyproj.CRS.from_epsg(code) for code in _in_other_units(crs.name)]
    return [crs, *kin, LONLAT, pyproj.CRS.from_epsg(3857)]


@lru_cache(maxsize=8)
def _in_other_units(name: str) -> tuple[int, ...]:
    """Return the EPSG numbers of one projection in metres and in other feet, by its name."""
    stem = next((name.removesuffix(foot) for foot in _FEET if name.endswith(foot)), name)
    wanted = [stem, *(stem + foot for foot in _FEET)]
    known = {
        info.name: int(info.code)
        for info in query_crs_info(auth_name="EPSG", pj_types=PJType.PROJECTED_CRS)
        if info.name in wanted and info.name != name and not info.deprecated
    }
    return tuple(known[one] for one in wanted if one in known)


def _share_inside(
    points: Coordinates, tried: pyproj.CRS, crs: pyproj.CRS, near: Box | None
) -> float:
    x, y = points[:, 0], points[:, 1]
    if tried.is_geographic and ((np.abs(x) > 180) | (np.abs(y) > 90)).mean() > 1 - _ENOUGH:
        return 0.0
    if near is not None:
        to_crs = pyproj.Transformer.from_crs(tried, crs, always_xy=True)
        east, north = to_crs.transform(x, y)
        return _share_in_box(np.asarray(east), np.asarray(north), _wider(near, crs))
    area = crs.area_of_use
    if area is None:
        return float(tried == crs)
    to_lonlat = pyproj.Transformer.from_crs(tried, LONLAT, always_xy=True)
    lon, lat = (np.asarray(values) for values in to_lonlat.transform(x, y))
    if area.west > area.east:  # across the 180th meridian
        lon = np.where(lon < 0, lon + 360, lon)
        return _share_in_box(lon, lat, (area.west, area.south, area.east + 360, area.north))
    return _share_in_box(lon, lat, area.bounds)


def _wider(near: Box, crs: pyproj.CRS) -> Box:
    west, south, east, north = near
    unit_m = float(crs.axis_info[0].unit_conversion_factor)
    reach = max(_REACH * max(east - west, north - south), _REACH_M / unit_m)
    return west - reach, south - reach, east + reach, north + reach


def _share_in_box(x: Coordinates, y: Coordinates, box: Box) -> float:
    west, south, east, north = box
    return float(((x >= west) & (x <= east) & (y >= south) & (y <= north)).mean())
