"""Places as short whole numbers, so that a map file stays small."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

import geopandas as gpd
import numpy as np
import shapely

from vaultplan.geometry import LONLAT, feet_per_unit

#: One step of the map's numbers, in degrees: about 0.1 m.
STEP_DEG: Final = 1e-6


@dataclass(frozen=True, slots=True)
class Grid:
    """Origin of the map's whole numbers, in degrees of EPSG:4326."""

    lon: float
    lat: float

    def steps(self, lonlat: np.ndarray[Any, Any]) -> np.ndarray[Any, Any]:
        """Return coordinates in degrees as whole steps from the origin."""
        return np.rint((lonlat - (self.lon, self.lat)) / STEP_DEG).astype(np.int64)


def grid_of(*frames: gpd.GeoDataFrame) -> Grid:
    """Return a grid whose origin is the south-west corner of all places, to 0.01 degree."""
    boxes = [
        frame.to_crs(LONLAT).total_bounds
        for frame in frames
        if len(frame) and frame.geometry.notna().any()
    ]
    if not boxes:
        return Grid(0.0, 0.0)
    west, south = np.nanmin(np.array(boxes), axis=0)[:2]
    return Grid(round(float(np.floor(west * 100)) / 100, 2), round(float(south // 0.01) / 100, 2))


def points(frame: gpd.GeoDataFrame, grid: Grid) -> tuple[list[int], list[int]]:
    """Return the x and y of points in steps; a missing place stands at the origin."""
    if not len(frame):
        return [], []
    placed = frame.geometry.to_crs(LONLAT)
    lonlat = np.column_stack([placed.x.to_numpy(float), placed.y.to_numpy(float)])
    steps = grid.steps(np.where(np.isnan(lonlat), (grid.lon, grid.lat), lonlat))
    return steps[:, 0].tolist(), steps[:, 1].tolist()


def shapes(frame: gpd.GeoDataFrame, grid: Grid, tolerance_ft: float) -> list[list[list[int]]]:
    """Return, per row, its lines or rings, each as first point and then differences.

    Shapes are simplified to ``tolerance_ft`` in the frame's own CRS; one that vanishes is an empty
    list. ``[x, y, dx, dy, ...]`` in steps.
    """
    if not len(frame):
        return []
    simple = shapely.simplify(frame.geometry.to_numpy(), tolerance_ft / feet_per_unit(frame))
    degrees = gpd.GeoSeries(simple, crs=frame.crs).to_crs(LONLAT).to_numpy()
    parts, owners = shapely.get_parts(degrees, return_index=True)
    is_area = shapely.get_type_id(parts) == shapely.GeometryType.POLYGON
    rings, ring_owners = shapely.get_rings(parts[is_area], return_index=True)
    lines = np.concatenate([parts[~is_area], rings])
    owners = np.concatenate([owners[~is_area], owners[is_area][ring_owners]])
    xy, index = shapely.get_coordinates(lines, return_index=True)
    steps, found = grid.steps(xy), np.searchsorted(index, np.arange(len(lines) + 1))
    rows: list[list[list[int]]] = [[] for _ in range(len(frame))]
    for number, owner in enumerate(owners):
        line = steps[found[number] : found[number + 1]]
        moved = np.diff(line, axis=0)
        moved = moved[(moved != 0).any(axis=1)]
        if len(moved):
            rows[owner].append([*line[0].tolist(), *moved.ravel().tolist()])
    return rows


def merged_by_name(frame: gpd.GeoDataFrame, name: str) -> gpd.GeoDataFrame:
    """Return lines of one name joined end to end: fewer points, and a place for the label."""
    lines = frame[frame.geometry.notna()]
    names = lines[name].fillna("").to_numpy(str)
    order = np.argsort(names, kind="stable")
    found, starts = np.unique(names[order], return_index=True)
    groups = np.split(lines.geometry.to_numpy()[order], starts[1:]) if len(found) else []
    joined = [
        shapely.line_merge(shapely.multilinestrings(shapely.get_parts(group))) for group in groups
    ]
    return gpd.GeoDataFrame({name: found}, geometry=gpd.GeoSeries(joined, crs=frame.crs))
