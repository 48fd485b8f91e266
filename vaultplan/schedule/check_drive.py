"""The checker's own reckoning of driving times; nothing here is used to build a plan."""

from __future__ import annotations

from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import dijkstra

from vaultplan.geometry import feet_per_unit
from vaultplan.settings import ScheduleSettings
from vaultplan.units import FT_PER_MI

Points = list[Any]


def least_minutes(
    legs: list[tuple[Any, Any]],
    roads: gpd.GeoDataFrame | None,
    settings: ScheduleSettings,
    unit_ft: float,
) -> list[float]:
    """Return the least driving minutes of each leg, a pair of points.

    Each point hangs on both ends of the street nearest to it; the quickest way is searched between
    street ends. Without streets, or where none joins the two, straight distance times detour.
    """
    if not legs:
        return []
    pace = settings.speed_mph * FT_PER_MI / 60.0
    straight = [a.distance(b) * unit_ft for a, b in legs]
    ways = [float("inf")] * len(legs)
    if roads is not None and len(roads):
        ways = _Network(legs, roads, settings, pace).minutes()
    return [
        0.0
        if far == 0
        else settings.leg_minutes + (way if np.isfinite(way) else far * settings.detour / pace)
        for far, way in zip(straight, ways, strict=True)
    ]


class _Network:
    """Street ends and the legs' points as one sparse graph."""

    def __init__(
        self,
        legs: list[tuple[Any, Any]],
        roads: gpd.GeoDataFrame,
        settings: ScheduleSettings,
        pace: float,
    ) -> None:
        unit_ft = feet_per_unit(roads)
        self.legs = legs
        self.straight = [a.distance(b) * unit_ft / pace for a, b in legs]
        self.points = {point.wkb: point for leg in legs for point in leg}
        streets = roads.reset_index(drop=True)
        cost = streets["minutes"].fillna(streets.length * unit_ft / pace).to_numpy()
        oneway = streets["one_way"].fillna(False).astype(bool).to_numpy()
        tail, head = _ends(streets, settings.junction_ft / unit_ft)
        number = {key: i for i, key in enumerate(self.points)}
        size = max(tail.max(), head.max()) + 1
        rows, cols, vals = [tail, head[~oneway]], [head, tail[~oneway]], [cost, cost[~oneway]]
        self.hung: dict[bytes, tuple[int, float, float, int]] = {}
        nearest = _nearest(list(self.points.values()), streets)
        for key, point in self.points.items():
            road = nearest[number[key]]
            line = streets.geometry.iloc[road]
            share = line.project(point, normalized=True)
            walk = line.distance(point) * unit_ft * settings.detour / pace
            node = size + number[key]
            self.hung[key] = (road, share, walk, node)
            ahead, behind = (1 - share) * cost[road], share * cost[road]
            rows.append(np.array([node, tail[road]]))
            cols.append(np.array([head[road], node]))
            vals.append(np.array([ahead, behind]))
            if not oneway[road]:
                rows.append(np.array([node, head[road]]))
                cols.append(np.array([tail[road], node]))
                vals.append(np.array([behind, ahead]))
        edges = pd.DataFrame(
            {"a": np.concatenate(rows), "b": np.concatenate(cols), "w": np.concatenate(vals)}
        )
        least = edges.groupby(["a", "b"], as_index=False)["w"].min()
        total = size + len(self.points)
        weight = np.maximum(least["w"].to_numpy(), 1e-7)
        pair = (least["a"].to_numpy(), least["b"].to_numpy())
        self.graph = coo_matrix((weight, pair), shape=(total, total)).tocsr()
        self.cost, self.oneway = cost, oneway

    def minutes(self) -> list[float]:
        """Return minutes along streets of every leg, infinite where no street joins its ends."""
        ends: dict[int, list[int]] = {}
        for leg, (a, _) in enumerate(self.legs):
            ends.setdefault(self.hung[a.wkb][3], []).append(leg)
        found = np.full(len(self.legs), np.inf)
        near = self._search(ends, found, reach=max(10.0, 4.0 * float(np.median(self.straight))))
        self._search(near, found, reach=np.inf)
        return [self._with_ends(leg, way) for leg, way in zip(self.legs, found, strict=True)]

    def _search(
        self, ends: dict[int, list[int]], found: Any, *, reach: float
    ) -> dict[int, list[int]]:
        """Search as far as ``reach`` minutes from each start; return the legs not found so."""
        missed: dict[int, list[int]] = {}
        starts = list(ends)
        for low in range(0, len(starts), 16):
            part = starts[low : low + 16]
            table = dijkstra(self.graph, indices=part, limit=reach)
            for row, start in zip(table, part, strict=True):
                for leg in ends[start]:
                    found[leg] = row[self.hung[self.legs[leg][1].wkb][3]]
                    if not np.isfinite(found[leg]):
                        missed.setdefault(start, []).append(leg)
        return missed

    def _with_ends(self, leg: tuple[Any, Any], way: float) -> float:
        road, share, walk, _ = self.hung[leg[0].wkb]
        other, other_share, other_walk, _ = self.hung[leg[1].wkb]
        if road == other and (other_share >= share or not self.oneway[road]):
            way = min(way, abs(other_share - share) * float(self.cost[road]))
        return way + walk + other_walk


def _nearest(points: Points, streets: gpd.GeoDataFrame) -> list[int]:
    """Return the row of the nearest street to each point, the first of equals."""
    which, road = streets.sindex.nearest(points, return_all=True)
    pairs = pd.DataFrame({"point": which, "road": road})
    return [int(row) for row in pairs.groupby("point")["road"].min().sort_index()]


def _ends(streets: gpd.GeoDataFrame, grid: float) -> tuple[Any, Any]:
    """Return node numbers of both ends: by name, else by the named or bare spot they lie on."""
    xy, line = shapely.get_coordinates(np.asarray(streets.geometry.array), return_index=True)
    first = np.flatnonzero(np.diff(line, prepend=-1))
    last = np.append(first[1:], len(line)) - 1
    at = xy[np.concatenate([first, last])]
    cells = pd.DataFrame(np.rint(at / grid).astype(np.int64), columns=["x", "y"])
    spot = cells.groupby(["x", "y"], sort=False).ngroup().to_numpy()
    said = pd.concat([streets["from_node"], streets["to_node"]], ignore_index=True)
    name, _ = pd.factorize(said.astype(object).where(said.notna() & said.ne(""), None))
    # Of several names for one spot the last one counts.
    called = np.full(spot.max() + 1, -1)
    called[spot[name >= 0]] = name[name >= 0]
    bare = name.max(initial=-1) + 1 + spot
    key = np.where(name >= 0, name, np.where(called[spot] >= 0, called[spot], bare))
    codes = pd.factorize(key)[0]
    return codes[: len(streets)], codes[len(streets) :]
