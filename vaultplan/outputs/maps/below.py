"""Where water goes below an outfall: along creeks and through lagoons to the sea."""

from __future__ import annotations

from typing import Final

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from shapely.geometry import LineString, Point
from shapely.geometry.base import BaseGeometry
from shapely.ops import substring

_MOST_STEPS: Final = 40


def ways_below(outfalls: gpd.GeoDataFrame, waters: gpd.GeoDataFrame) -> dict[str, LineString]:
    """Return, by outfall, the way from it down through the waters below, as far as shapes tell.

    Along a creek it runs from the place nearest to where it comes in to the end nearest to the next
    water; through an area it goes straight to the next water, or to the middle of the last one.

    Parameters
    ----------
    outfalls
        outfall_id, water_id and place.
    waters
        water_id, downstream_water_id and shape, in the same CRS.
    """
    shape = {str(key): g for key, g in zip(waters["water_id"], waters.geometry, strict=True)}
    below = {
        str(key): str(value)
        for key, value in zip(waters["water_id"], waters["downstream_water_id"], strict=True)
        if pd.notna(value)
    }
    ways: dict[str, LineString] = {}
    for outfall, water, place in zip(
        outfalls["outfall_id"], outfalls["water_id"], outfalls.geometry, strict=True
    ):
        if pd.isna(water) or place is None or place.is_empty:
            continue
        at = _below(place, str(water), shape, below)
        if len(at) > 1:
            ways[str(outfall)] = LineString(at)
    return ways


def _below(
    place: Point, water: str, shape: dict[str, BaseGeometry], below: dict[str, str]
) -> list[tuple[float, float]]:
    """Return the corners of the way; a circle of waters ends where it closes."""
    at, here = [(place.x, place.y)], water
    seen: set[str] = set()
    while here in shape and here not in seen and len(seen) < _MOST_STEPS:
        seen.add(here)
        ground, following = shape[here], shape.get(below.get(here, ""))
        if ground is None or ground.is_empty:
            break
        at += _through(Point(at[-1]), ground, following)
        here = below.get(here, "")
    return [pair for k, pair in enumerate(at) if k == 0 or pair != at[k - 1]]


def _through(
    start: Point, ground: BaseGeometry, following: BaseGeometry | None
) -> list[tuple[float, float]]:
    onward = None if following is None or following.is_empty else following
    if ground.geom_type in ("LineString", "MultiLineString"):
        merged = shapely.line_merge(ground)
        line = min(shapely.get_parts(merged), key=start.distance)
        goal = line.length
        if onward is not None:
            ends = [Point(line.coords[0]), Point(line.coords[-1])]
            goal = line.project(min(ends, key=onward.distance))
        return [(x, y) for x, y, *_ in substring(line, line.project(start), goal).coords]
    if onward is not None:
        shared = shapely.intersection(shapely.boundary(ground), onward)
        nearest = shapely.shortest_line(start, onward if shared.is_empty else shared)
        return [(x, y) for x, y, *_ in nearest.coords[-1:]]
    # A sea is as large as it was drawn: a short way out is enough to say where it went.
    west, south, east, north = ground.bounds
    out = LineString([start, ground.representative_point()])
    end = out.interpolate(min(out.length, 0.04 * float(np.hypot(east - west, north - south))))
    return [(end.x, end.y)]
