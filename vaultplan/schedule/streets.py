"""The street network as a graph, with places let into it where they lie nearest."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TypeAlias

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import shapely
from scipy import sparse

from vaultplan.geometry import feet_per_unit
from vaultplan.settings import ScheduleSettings
from vaultplan.units import FT_PER_MI

Floats: TypeAlias = npt.NDArray[np.float64]
Ints: TypeAlias = npt.NDArray[np.int64]

#: A stretch of no length still costs this many minutes, so that it stays in the sparse matrix.
_LEAST_MINUTES = 1e-6
#: Share of a street that is no stretch at all.
_NO_STRETCH = 1e-9


@dataclass(frozen=True, slots=True)
class StreetGraph:
    """Streets as nodes and one-way edges; every place is a node of its own.

    ``place_node`` is the node at which a place meets its street, ``access_ft`` how far it lies
    from it. ``points`` are the nodes' coordinates in the CRS of the streets; ``edge_road``,
    ``edge_from_frac`` and ``edge_to_frac`` say which part of which street an edge is.
    """

    minutes: sparse.csr_matrix
    place_node: Ints
    access_ft: Floats
    edge_start: Ints
    edge_end: Ints
    edge_road: Ints
    edge_from_frac: Floats
    edge_to_frac: Floats


def street_graph(
    points: npt.NDArray[np.object_], roads: gpd.GeoDataFrame, settings: ScheduleSettings
) -> StreetGraph:
    """Return the graph of the streets with the given points let into it.

    Parameters
    ----------
    points
        Points in the CRS of the streets.
    roads
        Table ``roads``: from_node, to_node (blank: from the line's ends), minutes (blank: length
        over the speed in settings), one_way, geometry.
    settings
        Speed where streets state none, and the width within which line ends meet.

    Notes
    -----
    A place meets the street it is nearest to, at that street's nearest point; of streets equally
    near, the one that stands first in the table. The street is cut there, so that two places on
    one street are as far apart as the stretch between them.
    """
    unit_ft = feet_per_unit(roads)
    lines = np.asarray(roads.geometry.values, dtype=object)
    length_ft = shapely.length(lines) * unit_ft
    stated = roads["minutes"].to_numpy(dtype=np.float64)
    by_length = length_ft / (settings.speed_mph * FT_PER_MI / 60.0)
    minutes = np.where(np.isnan(stated), by_length, stated)
    tail, head, count = _junctions(roads, lines, settings.junction_ft / unit_ft)

    road, access = _nearest_road(points, lines)
    frac = shapely.line_locate_point(lines[road], points, normalized=True)
    nodes = count + np.arange(len(points), dtype=np.int64)

    every = np.arange(len(lines), dtype=np.int64)
    cut_road = np.concatenate([every, every, road])
    cut_frac = np.concatenate([np.zeros(len(lines)), np.ones(len(lines)), frac])
    cut_node = np.concatenate([tail, head, nodes])
    rank = np.concatenate([np.zeros(len(lines)), np.full(len(lines), 2), np.ones(len(points))])
    order = np.lexsort((rank, cut_frac, cut_road))
    cut_road, cut_frac, cut_node = cut_road[order], cut_frac[order], cut_node[order]
    inside = cut_road[1:] == cut_road[:-1]
    piece = cut_road[:-1][inside]
    start, end = cut_node[:-1][inside], cut_node[1:][inside]
    begin, finish = cut_frac[:-1][inside], cut_frac[1:][inside]
    both = ~roads["one_way"].fillna(False).to_numpy(dtype=bool)[piece]
    # Places at one spot of a one-way street are no way apart, in either direction.
    both |= (finish - begin <= _NO_STRETCH) & (start >= count) & (end >= count)

    edge_start = np.concatenate([start, end[both]])
    edge_end = np.concatenate([end, start[both]])
    edge_road = np.concatenate([piece, piece[both]])
    edge_from = np.concatenate([begin, finish[both]])
    edge_to = np.concatenate([finish, begin[both]])
    weight = np.maximum(minutes[edge_road] * np.abs(edge_to - edge_from), _LEAST_MINUTES)
    # Of parallel streets only the quicker is kept: a sparse matrix would add them up.
    by_pair = np.lexsort((weight, edge_end, edge_start))
    first = np.ones(len(by_pair), dtype=bool)
    first[1:] = (np.diff(edge_start[by_pair]) != 0) | (np.diff(edge_end[by_pair]) != 0)
    keep = by_pair[first]
    size = count + len(points)
    matrix = sparse.csr_matrix(
        (weight[keep], (edge_start[keep], edge_end[keep])), shape=(size, size)
    )
    return StreetGraph(
        minutes=matrix,
        place_node=nodes,
        access_ft=access * unit_ft,
        edge_start=edge_start[keep],
        edge_end=edge_end[keep],
        edge_road=edge_road[keep],
        edge_from_frac=edge_from[keep],
        edge_to_frac=edge_to[keep],
    )


def _nearest_road(
    points: npt.NDArray[np.object_], lines: npt.NDArray[np.object_]
) -> tuple[Ints, Floats]:
    tree = shapely.STRtree(lines)
    (which, road), far = tree.query_nearest(points, return_distance=True, all_matches=True)
    order = np.lexsort((road, which))
    _, first = np.unique(which[order], return_index=True)
    return road[order][first].astype(np.int64), far[order][first]


def _junctions(
    roads: gpd.GeoDataFrame, lines: npt.NDArray[np.object_], grid: float
) -> tuple[Ints, Ints, int]:
    """Return the node at each street's start and end, and how many nodes there are.

    An end without a named junction takes the name that another street gives to the same spot.
    """
    ends = np.concatenate([shapely.get_point(lines, 0), shapely.get_point(lines, -1)])
    spots = np.round(shapely.get_coordinates(ends) / grid).astype(np.int64)
    _, spot = np.unique(spots, axis=0, return_inverse=True)
    names = np.concatenate(
        [roads["from_node"].to_numpy(dtype=object), roads["to_node"].to_numpy(dtype=object)]
    )
    named = np.array([isinstance(name, str) and name != "" for name in names], dtype=bool)
    labels = np.full(len(names), -1, dtype=np.int64)
    if named.any():
        _, labels[named] = np.unique(names[named].astype(str), return_inverse=True)
    top = int(labels.max()) + 1
    at_spot = np.full(int(spot.max()) + 1, -1, dtype=np.int64)
    at_spot[spot[named]] = labels[named]
    node = np.where(named, labels, np.where(at_spot[spot] >= 0, at_spot[spot], top + spot))
    kept, node = np.unique(node, return_inverse=True)
    half = len(lines)
    return node[:half].astype(np.int64), node[half:].astype(np.int64), len(kept)
