"""Where the nodes of a drain network lie, and where each pipe's drawing begins and ends."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

from vaultplan.drainage.follow import BoolArray, FloatArray, IntArray


def line_ends(shapes: npt.NDArray[Any]) -> tuple[FloatArray, FloatArray, BoolArray]:
    """Return first and last coordinate of every line, and which lines are drawn at all."""
    coordinates, owner = shapely.get_coordinates(shapes, return_index=True)
    counts = np.bincount(owner, minlength=len(shapes))
    is_drawn = counts > 0
    first = np.full((len(shapes), 2), np.nan)
    last = np.full((len(shapes), 2), np.nan)
    after = np.cumsum(counts)
    first[is_drawn] = coordinates[(after - counts)[is_drawn]]
    last[is_drawn] = coordinates[after[is_drawn] - 1]
    return first, last, is_drawn


def spots_of(frame: pd.DataFrame) -> FloatArray:
    """Return the coordinates of a table's points, not a number where there is no place."""
    if "geometry" not in frame or len(frame) == 0:
        return np.full((len(frame), 2), np.nan)
    shapes = frame["geometry"].to_numpy()
    is_point = shapely.get_type_id(shapes) <= 0  # -1 where there is no shape
    centres = shapes if is_point.all() else shapely.centroid(shapes)
    return np.column_stack([shapely.get_x(centres), shapely.get_y(centres)])


@dataclass(frozen=True, slots=True)
class Claims:
    """Which node is said to lie where: by inlets, outfalls and the ends of drawn pipes.

    ``node`` and ``spot`` run over claims; those of the pipes' first ends come first, then those of
    their last ends, then inlets and outfalls.
    """

    node: IntArray
    spot: FloatArray
    pipes: int

    def known_places(self, count: int) -> FloatArray:
        """Return a place per node: of its inlet or outfall, else where a pipe is drawn to it."""
        places = np.full((count, 2), np.nan)
        fit = (self.node >= 0) & np.isfinite(self.spot).all(axis=1)
        places[self.node[fit]] = self.spot[fit]  # later claims, those of inlets, overwrite
        return places

    def known_again(self, places: FloatArray, nodes: IntArray) -> FloatArray:
        """Return the places with those of some nodes, ascending, told anew."""
        now = places.copy()
        now[nodes] = np.nan
        fit = np.isin(self.node, nodes)
        fit[fit] = np.isfinite(self.spot[fit]).all(axis=1)
        now[self.node[fit]] = self.spot[fit]
        return now

    def drawn_backward(self, tolerance: float) -> BoolArray:
        """Return which pipes are drawn from their downstream node to their upstream node.

        So is a pipe whose ends both lie where nothing else places their nodes, while one of them
        lies where another claim places the other node.
        """
        count = self.pipes
        is_placed = np.isfinite(self.spot).all(axis=1) & (self.node >= 0)
        cell = np.zeros(len(self.node), dtype=np.int64)
        steps = np.round(self.spot[is_placed] / tolerance).astype(np.int64)
        if not len(steps):
            return np.zeros(count, dtype=bool)
        steps -= steps.min(axis=0)
        cell[is_placed] = steps[:, 0] * (int(steps[:, 1].max()) + 1) + steps[:, 1]
        codes, cells = pd.factorize(cell)
        width = len(cells)
        keys, times = np.unique(self.node[is_placed] * width + codes[is_placed], return_counts=True)

        def said(node: IntArray, code: IntArray) -> IntArray:
            wanted = node * width + code
            at = np.minimum(np.searchsorted(keys, wanted), len(keys) - 1)
            return np.where(keys[at] == wanted, times[at], 0)

        start, stop = self.node[:count], self.node[count : 2 * count]
        at_first, at_last = codes[:count], codes[count : 2 * count]
        fit = is_placed[:count] & is_placed[count : 2 * count] & (start != stop)
        alone = (said(start, at_first) == 1) & (said(stop, at_last) == 1)
        crossed = (said(start, at_last) > 0) | (said(stop, at_first) > 0)
        backward: BoolArray = fit & alone & crossed
        return backward


def claims_of(
    pipes: pd.DataFrame,
    start: IntArray,
    stop: IntArray,
    others: list[tuple[IntArray, pd.DataFrame]],
) -> Claims:
    """Return who says where each node lies; ``others`` are node per row, and table, of points."""
    shapes = pipes["geometry"].to_numpy() if "geometry" in pipes else np.full(len(pipes), None)
    first, last, _ = line_ends(np.asarray(shapes, dtype=object))
    nodes = [start, stop, *(node for node, _ in others)]
    spots = [first, last, *(spots_of(frame) for _, frame in others)]
    return Claims(np.concatenate(nodes), np.concatenate(spots), len(pipes))
