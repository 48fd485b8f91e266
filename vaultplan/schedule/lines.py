"""The way each truck drives, as a line along the streets."""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from scipy.sparse import csgraph
from shapely.ops import substring

from vaultplan.geometry import feet_per_unit
from vaultplan.schedule.search import CHUNK
from vaultplan.schedule.streets import Ints, StreetGraph, street_graph
from vaultplan.schema import table
from vaultplan.settings import ScheduleSettings
from vaultplan.units import FT_PER_MI, mi_from_ft

Leg = tuple[int, int]


@dataclass(frozen=True, slots=True)
class _Way:
    """One leg as drawn: its coordinates, and the minutes and feet it takes."""

    coordinates: np.ndarray[tuple[int, int], np.dtype[np.float64]]
    minutes: float
    feet: float


def route_lines(
    plan_stops: pd.DataFrame,
    trucks: pd.DataFrame,
    depots: gpd.GeoDataFrame,
    roads: gpd.GeoDataFrame,
    *,
    settings: ScheduleSettings,
) -> gpd.GeoDataFrame:
    """Return table ``routes``: each truck's way on each day, from its yard and back to it.

    Parameters
    ----------
    plan_stops
        Table ``plan_stops``.
    trucks, depots
        Where each truck starts and ends.
    roads
        Table ``roads``; legs that no street joins are drawn straight and count with the detour.
    settings
        Speed, detour and minutes per leg.

    Notes
    -----
    ``drive_minutes`` is what the plan reckons for its stops, plus the way home.
    """
    if not len(plan_stops):
        return table("routes").empty(depots.crs)
    yards = dict(zip(depots["depot_id"], depots["geometry"], strict=True))
    yard_of = {t: yards[d] for t, d in zip(trucks["truck_id"], trucks["depot_id"], strict=True)}
    ordered = plan_stops.sort_values(["plan_id", "truck_id", "on", "stop_number"])
    tours: list[tuple[Any, list[Any], float]] = [
        (key, [yard_of[key[1]], *tour["geometry"], yard_of[key[1]]], tour["drive_minutes"].sum())
        for key, tour in _tours(ordered)
    ]
    number: dict[bytes, int] = {}
    points: list[Any] = []
    legs: list[list[Leg]] = []
    for _, stops, _ in tours:
        for point in stops:
            if point.wkb not in number:
                number[point.wkb] = len(points)
                points.append(point)
        places = [number[point.wkb] for point in stops]
        legs.append(list(itertools.pairwise(places)))
    ways = dict(_ways({leg for tour in legs for leg in tour}, points, roads, settings, depots))
    rows = []
    for (key, stops, driven), tour in zip(tours, legs, strict=True):
        drawn = np.concatenate([ways[leg].coordinates for leg in tour])
        rows.append(
            {
                "plan_id": key[0],
                "truck_id": key[1],
                "on": key[2],
                "stop_count": len(stops) - 2,
                "drive_minutes": driven + ways[tour[-1]].minutes,
                "drive_mi": mi_from_ft(sum(ways[leg].feet for leg in tour)),
                "geometry": shapely.LineString(_distinct(drawn)),
            }
        )
    routes = gpd.GeoDataFrame(rows, geometry="geometry", crs=depots.crs)
    return table("routes").conform(routes)


def _tours(stops: pd.DataFrame) -> Any:
    return stops.groupby(["plan_id", "truck_id", "on"])


def _ways(
    legs: set[Leg],
    points: list[Any],
    roads: gpd.GeoDataFrame,
    settings: ScheduleSettings,
    depots: gpd.GeoDataFrame,
) -> Iterator[tuple[Leg, _Way]]:
    unit_ft = feet_per_unit(depots)
    pace = settings.speed_mph * FT_PER_MI / 60.0
    at = shapely.get_coordinates(points)
    left = set(legs)
    if len(roads):
        places = np.array(points, dtype=object)
        graph = street_graph(places, roads, settings)
        lines = np.asarray(roads.geometry.values, dtype=object)
        far = [float(np.hypot(*(at[a] - at[b]))) * unit_ft / pace for a, b in legs]
        reach = max(10.0, 4.0 * float(np.median(far)))
        for leg, minutes, path in _paths(graph, sorted(legs), reach):
            a, b = leg
            pieces = [_piece(graph, lines, edge) for edge in path]
            along = np.concatenate([at[[a]], *pieces, at[[b]]])
            access_ft = float(graph.access_ft[[a, b]].sum())
            street_ft = sum(float(np.hypot(*np.diff(p, axis=0).T).sum()) for p in pieces) * unit_ft
            way_in = access_ft * settings.detour
            took = settings.leg_minutes + minutes + way_in / pace
            yield leg, _Way(along, took, street_ft + way_in)
            left.discard(leg)
    for a, b in sorted(left):
        feet = float(np.hypot(*(at[a] - at[b]))) * unit_ft * settings.detour
        minutes = settings.leg_minutes + feet / pace if feet else 0.0
        yield (a, b), _Way(at[[a, b]], minutes, feet)


def _paths(
    graph: StreetGraph, legs: list[Leg], reach: float
) -> Iterator[tuple[Leg, float, list[int]]]:
    """Yield each leg that streets join, with its minutes and the numbers of its edges.

    Each start is searched as far as ``reach`` minutes, and again without end for what is farther.
    """
    size = graph.minutes.shape[0]
    keys = graph.edge_start * size + graph.edge_end
    by_start: dict[int, list[int]] = {}
    for a, b in legs:
        if a != b:
            by_start.setdefault(a, []).append(b)
    for limit in (reach, np.inf):
        missed: dict[int, list[int]] = {}
        starts = sorted(by_start)
        for begin in range(0, len(starts), CHUNK):
            chunk = starts[begin : begin + CHUNK]
            found, before = csgraph.dijkstra(
                graph.minutes,
                indices=graph.place_node[chunk],
                return_predecessors=True,
                limit=limit,
            )
            for row, a in enumerate(chunk):
                for b in by_start[a]:
                    minutes = float(found[row, graph.place_node[b]])
                    if np.isfinite(minutes):
                        path = _edges(before[row], graph.place_node[a], graph.place_node[b])
                        pairs = np.searchsorted(keys, path[:-1] * size + path[1:])
                        yield (a, b), minutes, pairs.tolist()
                    else:
                        missed.setdefault(a, []).append(b)
        by_start = missed


def _edges(before: Ints, origin: np.int64, node: np.int64) -> Ints:
    """Return the nodes on the way, read back from the predecessors."""
    nodes = [int(node)]
    while nodes[-1] != int(origin):
        nodes.append(int(before[nodes[-1]]))
    return np.array(nodes[::-1], dtype=np.int64)


def _piece(
    graph: StreetGraph, lines: np.ndarray[tuple[int], np.dtype[np.object_]], edge: int
) -> np.ndarray[tuple[int, int], np.dtype[np.float64]]:
    line = lines[graph.edge_road[edge]]
    first, last = float(graph.edge_from_frac[edge]), float(graph.edge_to_frac[edge])
    if {first, last} == {0.0, 1.0}:
        whole: np.ndarray[tuple[int, int], np.dtype[np.float64]] = shapely.get_coordinates(line)
        return whole if first < last else whole[::-1]
    part: np.ndarray[tuple[int, int], np.dtype[np.float64]] = shapely.get_coordinates(
        substring(line, first, last, normalized=True)
    )
    return part


def _distinct(
    drawn: np.ndarray[tuple[int, int], np.dtype[np.float64]],
) -> np.ndarray[tuple[int, int], np.dtype[np.float64]]:
    """Return the coordinates without a repeat of the one before, at least two of them."""
    keep = np.ones(len(drawn), dtype=bool)
    keep[1:] = (np.diff(drawn, axis=0) != 0).any(axis=1)
    kept = drawn[keep]
    return kept if len(kept) > 1 else drawn[:2]
