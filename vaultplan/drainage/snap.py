"""The inlets that water pumped from each vault may enter."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely
from scipy.spatial import cKDTree

from vaultplan.drainage.follow import BoolArray, FloatArray, IntArray
from vaultplan.drainage.places import spots_of
from vaultplan.settings import DrainageSettings

#: How many inlets around a vault are weighed against each other.
CANDIDATES: Final = 6
MIDDLE_FT: Final = 3.0  # a lid this close to a street's middle belongs to neither side; assumed
_CHUNK: Final = 100_000


@dataclass(frozen=True, slots=True)
class Snapped:
    """Rows of each vault's likeliest and second inlet (-1 for none) and the feet to both.

    ``placed_by`` says how the first was found: choice, curb, side, distance; none without one.
    """

    first: IntArray
    second: IntArray
    first_ft: FloatArray
    second_ft: FloatArray
    is_placed: BoolArray
    placed_by: npt.NDArray[Any]


def snap_to_inlets(
    vaults: gpd.GeoDataFrame,
    inlets: gpd.GeoDataFrame,
    feet_per_unit: float,
    *,
    settings: DrainageSettings,
    roads: gpd.GeoDataFrame | None = None,
    curbs: gpd.GeoDataFrame | None = None,
    inlet_choices: pd.DataFrame | None = None,
) -> Snapped:
    """Return the inlets that water pumped from each vault may enter.

    Parameters
    ----------
    vaults, inlets
        Points in one projected CRS; rows without a position find and are no inlet.
    feet_per_unit
        Feet in one unit of that CRS.
    settings
        How far an inlet may be, when a second one is kept, and what the other side costs.
    roads, curbs
        Middle lines of streets, and curb lines, if known: a gutter runs along its own curb, and
        water does not cross the crown of a street.
    inlet_choices
        Table of that name: a choice goes before all that is reckoned here.

    Notes
    -----
    The nearest ``CANDIDATES`` inlets are weighed by the run to them. One on the vault's own curb
    line counts with the run along it. One across a street (on another curb though both lie at one,
    or beyond a street's middle line) counts ``other_side_factor`` times as far. Of inlets equally
    good, the first id in text order is taken. A straight line is no run along a gutter: where no
    curb is known the feet are the least that it can be.
    """
    count = len(vaults)
    points = spots_of(vaults)
    is_placed = np.asarray(np.isfinite(points).all(axis=1))
    rows = inlets["inlet_id"].astype("str").argsort().to_numpy().astype(np.int64)
    spots = spots_of(inlets.iloc[rows])
    has_spot = np.isfinite(spots).all(axis=1)
    rows, spots = rows[has_spot], spots[has_spot]
    found = np.full((count, 2), -1, dtype=np.int64)
    feet = np.full((count, 2), np.nan)
    weighed = np.full((count, 2), np.nan)
    way = np.full(count, None, dtype=object)
    asked = np.flatnonzero(is_placed)
    if len(rows) and len(asked):
        sides = _Sides(spots, roads, curbs, settings.curb_reach_ft, feet_per_unit)
        for at in range(0, len(asked), _CHUNK):
            part = asked[at : at + _CHUNK]
            run, worth, which, how = _weighed(spots, points[part], sides, settings)
            order = np.lexsort((which, worth), axis=-1)[:, :2]
            width = order.shape[1]
            found[part, :width] = rows[np.take_along_axis(which, order, axis=1)]
            feet[part, :width] = np.take_along_axis(run, order, axis=1) * feet_per_unit
            weighed[part, :width] = np.take_along_axis(worth, order, axis=1) * feet_per_unit
            way[part] = np.take_along_axis(how, order[:, :1], axis=1)[:, 0]
    with np.errstate(invalid="ignore"):
        reached = feet[:, 0] <= settings.max_gutter_ft
        close = reached & (feet[:, 1] <= settings.max_gutter_ft)
        close &= weighed[:, 1] <= weighed[:, 0] * settings.second_inlet_ratio
    first, second = np.where(reached, found[:, 0], -1), np.where(close, found[:, 1], -1)
    first_ft = np.where(reached, feet[:, 0], np.nan)
    way[~reached] = None
    if inlet_choices is not None and len(inlet_choices):
        named = inlet_choices.drop_duplicates("vault_id").set_index("vault_id")["inlet_id"]
        wanted = vaults["vault_id"].map(named)
        row = pd.Index(inlets["inlet_id"].astype("str")).get_indexer(pd.Index(wanted.astype("str")))
        chosen = np.flatnonzero(wanted.notna().to_numpy() & (row >= 0))
        first[chosen], second[chosen], way[chosen] = row[chosen], -1, "choice"
        gap = np.hypot(*(spots_of(inlets)[row[chosen]] - points[chosen]).T) * feet_per_unit
        first_ft[chosen] = gap
    return Snapped(
        first=first,
        second=second,
        first_ft=first_ft,
        second_ft=np.where(second >= 0, feet[:, 1], np.nan),
        is_placed=is_placed,
        placed_by=way,
    )


class _Sides:
    """Curb lines and street middles, and what lies at or beyond them."""

    def __init__(
        self,
        spots: FloatArray,
        roads: gpd.GeoDataFrame | None,
        curbs: gpd.GeoDataFrame | None,
        curb_reach_ft: float,
        feet_per_unit: float,
    ) -> None:
        self.spots = spots
        self.middles = _lines(roads)
        self.curbs = _lines(curbs)
        self.tree = shapely.STRtree(self.middles) if len(self.middles) else None
        self.curb_tree = shapely.STRtree(self.curbs) if len(self.curbs) else None
        self.reach, self.middle = curb_reach_ft / feet_per_unit, MIDDLE_FT / feet_per_unit
        self.spot_curb, self.spot_along = self.at_curb(spots)

    def at_curb(self, points: FloatArray) -> tuple[IntArray, FloatArray]:
        """Return the nearest curb within reach (-1: none), and how far along it each point lies."""
        curb = np.full(len(points), -1, dtype=np.int64)
        along = np.full(len(points), np.nan)
        if self.curb_tree is None or not len(points):
            return curb, along
        shapes: npt.NDArray[Any] = np.asarray(shapely.points(points))
        which, line = self.curb_tree.query_nearest(
            shapes, max_distance=self.reach, all_matches=False
        )
        curb[which] = line
        along[which] = shapely.line_locate_point(self.curbs[line], shapes[which])
        return curb, along

    def on_middle(self, points: FloatArray) -> BoolArray:
        """Return which points lie on a street's middle line, or as good as."""
        on = np.zeros(len(points), dtype=bool)
        if self.tree is not None and len(points):
            shapes = shapely.points(points)
            on[self.tree.query(shapes, predicate="dwithin", distance=self.middle)[0]] = True
        return on

    def is_beyond(self, points: FloatArray, spot: IntArray) -> BoolArray:
        """Return whether the straight line from each point to its inlet crosses a street."""
        crosses = np.zeros(len(points), dtype=bool)
        if self.tree is not None and len(points):
            lines = shapely.linestrings(np.stack([points, self.spots[spot]], axis=1))
            crosses[np.unique(self.tree.query(lines, predicate="intersects")[0])] = True
        return crosses


def _weighed(
    spots: FloatArray, points: FloatArray, sides: _Sides, settings: DrainageSettings
) -> tuple[FloatArray, FloatArray, IntArray, npt.NDArray[Any]]:
    """Return, per vault and candidate, the run, what it counts as, which inlet, and how found."""
    ranks = min(CANDIDATES, len(spots))
    far, which = cKDTree(spots).query(points, k=list(range(1, ranks + 1)))
    run = np.asarray(far, dtype=np.float64)
    which = np.asarray(which, dtype=np.int64)
    worth = run.copy()
    how = np.full(run.shape, "distance", dtype=object)
    curb, along = sides.at_curb(points)
    at_curb = np.broadcast_to(curb[:, None] >= 0, run.shape) & (sides.spot_curb[which] >= 0)
    same = at_curb & (sides.spot_curb[which] == curb[:, None])
    along_run = np.abs(sides.spot_along[which] - along[:, None])
    run = np.where(same, np.maximum(along_run, run), run)
    worth, how[same] = np.where(same, run, worth), "curb"
    if sides.tree is None:
        other = at_curb & ~same
        return run, np.where(other, worth * settings.other_side_factor, worth), which, how
    is_open = ~same & ~sides.on_middle(points)[:, None]
    how[is_open] = "side"
    # Of the others only those that could still be first or second are looked at.
    for ranks_now in (slice(0, 1), slice(1, None)):
        limit = worth[:, :1] * settings.second_inlet_ratio
        vault, place = np.nonzero(is_open[:, ranks_now] & (worth[:, ranks_now] <= limit))
        place = place + (ranks_now.start or 0)
        beyond = sides.is_beyond(points[vault], which[vault, place])
        worth[vault[beyond], place[beyond]] *= settings.other_side_factor
    return run, worth, which, how


def _lines(frame: gpd.GeoDataFrame | None) -> npt.NDArray[Any]:
    if frame is None or len(frame) == 0:
        return np.empty(0, dtype=object)
    shapes = frame.geometry.to_numpy()
    return np.asarray(shapes[~(shapely.is_missing(shapes) | shapely.is_empty(shapes))])
