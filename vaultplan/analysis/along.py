"""Which places are neighbours along streets or drains rather than as the crow flies."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

import numpy as np
import numpy.typing as npt
from scipy import sparse
from scipy.sparse import csgraph
from scipy.spatial import cKDTree

from vaultplan.analysis.hotspots import MOST_NEIGHBOURS

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

#: Places searched from at once: so few that their part of the graph stays small.
_TOGETHER: Final = 256
#: A stretch of no length stays in the sparse matrix.
_LEAST: Final = 1e-6


def near_along(
    graph: sparse.csr_matrix,
    nodes: Floats,
    node: Ints,
    access: Floats,
    *,
    reach: float,
    most: int = MOST_NEIGHBOURS,
) -> sparse.csr_matrix:
    """Return which places are neighbours: the nearest within reach along lines, each the other's.

    Parameters
    ----------
    graph
        Length of the line between two nodes; one direction is enough, lines are gone both ways.
    nodes
        Where the nodes lie, (nodes, 2), in the unit of the lengths.
    node, access
        Node at which each place meets the lines (-1: none), and its way to it.
    reach
        Greatest length from place to place, both ways to the lines included.
    most
        A place has at most so many neighbours of its own.

    Returns
    -------
    scipy.sparse.csr_matrix
        0 and 1, symmetric, without the place itself. A place without a node has no neighbour.

    Notes
    -----
    Dijkstra's search from every place, ended at ``reach``, a few hundred places that lie together
    at a time in the part of the graph that they can reach; a line must not be shorter than the
    straight way between its ends, or what lies near the bound may be missed.
    """
    count = len(node)
    both = graph.maximum(graph.T).tocsr()
    placed = np.flatnonzero(node >= 0)
    at_node = sparse.csr_matrix(
        (np.ones(len(placed)), (node[placed], placed)), shape=(len(nodes), count)
    )
    found: list[tuple[Ints, Ints]] = []
    tree = cKDTree(nodes.reshape(-1, 2))
    for some in _together(nodes, node):
        corners = nodes[node[some]]
        low, high = corners.min(axis=0), corners.max(axis=0)
        across = float(np.hypot(*(high - low))) / 2.0
        inside = np.array(
            tree.query_ball_point((low + high) / 2.0, across + reach, return_sorted=True)
        )
        part = both[inside][:, inside]
        at = np.searchsorted(inside, node[some])
        # Where several places meet the lines at one node, one search serves them all.
        starts, start = np.unique(at, return_inverse=True)
        lengths = csgraph.dijkstra(part, indices=starts, limit=reach)
        others = at_node[inside].indices.astype(np.int64)
        way = lengths[start][:, np.searchsorted(inside, node[others])]
        way = way + access[some][:, None] + access[others][None, :]
        way[some[:, None] == others[None, :]] = np.inf
        if way.shape[1] > most:
            kept = np.argpartition(way, most, axis=1)[:, :most]
        else:
            kept = np.broadcast_to(np.arange(way.shape[1]), way.shape)
        is_near = np.take_along_axis(way, kept, axis=1) <= reach
        row, _ = np.nonzero(is_near)
        found.append((some[row], others[kept[is_near]]))
    rows = np.concatenate([pair[0] for pair in found] or [np.empty(0, dtype=np.int64)])
    columns = np.concatenate([pair[1] for pair in found] or [np.empty(0, dtype=np.int64)])
    near = sparse.csr_matrix((np.ones(len(rows)), (rows, columns)), shape=(count, count))
    return sparse.csr_matrix(near.maximum(near.T))


def lengths_between(start: Ints, end: Ints, length: Floats, count: int) -> sparse.csr_matrix:
    """Return a graph of ``count`` nodes; of several lines between two nodes the shortest counts."""
    low, high = np.minimum(start, end), np.maximum(start, end)
    real = low != high
    low, high, length = low[real], high[real], np.maximum(length[real], _LEAST)
    order = np.lexsort((length, high, low))
    low, high, length = low[order], high[order], length[order]
    first = np.ones(len(low), dtype=bool)
    first[1:] = (np.diff(low) != 0) | (np.diff(high) != 0)
    return sparse.csr_matrix((length[first], (low[first], high[first])), shape=(count, count))


def _together(nodes: Floats, node: Ints) -> Iterator[Ints]:
    """Yield the places with a node, those that lie near each other together."""
    parts = [np.flatnonzero(node >= 0)]
    while parts:
        some = parts.pop()
        if len(some) <= _TOGETHER:
            if len(some):
                yield np.sort(some)
            continue
        corners = nodes[node[some]]
        axis = int(np.ptp(corners, axis=0).argmax())
        order = some[np.argsort(corners[:, axis], kind="stable")]
        half = len(order) // 2
        parts += [order[half:], order[:half]]
