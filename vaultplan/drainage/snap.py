"""The nearest inlets of every vault, along the straight line."""

from __future__ import annotations

from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import shapely
from scipy.spatial import cKDTree

from vaultplan.drainage.follow import FloatArray, IntArray


@dataclass(frozen=True, slots=True)
class Snapped:
    """Rows of each vault's nearest and second inlet (-1 for none) and the feet to both."""

    first: IntArray
    second: IntArray
    first_ft: FloatArray
    second_ft: FloatArray
    is_placed: npt.NDArray[np.bool_]


def snap_to_inlets(
    vaults: gpd.GeoDataFrame,
    inlets: gpd.GeoDataFrame,
    feet_per_unit: float,
    *,
    max_gutter_ft: float,
    second_inlet_ratio: float,
) -> Snapped:
    """Return the inlets that water pumped from each vault may enter.

    Parameters
    ----------
    vaults, inlets
        Points in one projected CRS; rows without a position find and are no inlet.
    feet_per_unit
        Feet in one unit of that CRS.
    max_gutter_ft
        An inlet farther away does not count.
    second_inlet_ratio
        The next inlet is kept when it is at most this many times as far as the nearest.

    Notes
    -----
    Distances are straight lines, not runs along a gutter. Of inlets equally near, the first id in
    text order is taken.
    """
    count = len(vaults)
    points, is_placed = _coordinates(vaults)
    rows = inlets["inlet_id"].astype("str").argsort().to_numpy().astype(np.int64)
    spots, has_spot = _coordinates(inlets.iloc[rows])
    rows, spots = rows[has_spot], spots[has_spot]
    nearest = np.full((count, 2), -1, dtype=np.int64)
    feet = np.full((count, 2), np.nan)
    if len(rows) and is_placed.any():
        far, which = _nearest(spots, points[is_placed], min(4, len(rows)))
        where = np.flatnonzero(is_placed)
        nearest[where, : which.shape[1]] = rows[which]
        feet[where, : which.shape[1]] = far * feet_per_unit
    with np.errstate(invalid="ignore"):
        reached = feet[:, 0] <= max_gutter_ft
        close = reached & (feet[:, 1] <= max_gutter_ft)
        close &= feet[:, 1] <= feet[:, 0] * second_inlet_ratio
    return Snapped(
        first=np.where(reached, nearest[:, 0], -1),
        second=np.where(close, nearest[:, 1], -1),
        first_ft=np.where(reached, feet[:, 0], np.nan),
        second_ft=np.where(close, feet[:, 1], np.nan),
        is_placed=is_placed,
    )


def _coordinates(frame: gpd.GeoDataFrame) -> tuple[FloatArray, npt.NDArray[np.bool_]]:
    if len(frame) == 0:
        return np.empty((0, 2)), np.empty(0, dtype=bool)
    shapes = frame.geometry.to_numpy()
    centres = shapely.centroid(shapes)
    points = np.column_stack([shapely.get_x(centres), shapely.get_y(centres)])
    return points, np.isfinite(points).all(axis=1)


def _nearest(spots: FloatArray, points: FloatArray, ranks: int) -> tuple[FloatArray, IntArray]:
    """Return distance and row of the two nearest spots; of equals, the lower rows."""
    found = cKDTree(spots).query(points, k=list(range(1, ranks + 1)))
    far = np.asarray(found[0], dtype=np.float64)
    which = np.asarray(found[1], dtype=np.int64)
    order = np.lexsort((which, far), axis=-1)[:, :2]
    return np.take_along_axis(far, order, axis=1), np.take_along_axis(which, order, axis=1)
