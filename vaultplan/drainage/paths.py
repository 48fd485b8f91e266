"""The drawn path of a vault's water: vault, inlet, every pipe, outfall."""

from __future__ import annotations

from typing import Any

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import shapely

from vaultplan.drainage.follow import FloatArray, IntArray
from vaultplan.drainage.network import DrainNetwork
from vaultplan.drainage.places import line_ends

_CHUNK = 20_000


def draw_paths(
    vault_points: npt.NDArray[Any],
    inlet_points: npt.NDArray[Any],
    start_nodes: IntArray,
    network: DrainNetwork,
    drain_pipes: gpd.GeoDataFrame,
    outfalls: gpd.GeoDataFrame,
) -> npt.NDArray[Any]:
    """Return one line per vault, from its lid to the end of its path; none where it cannot run.

    Parameters
    ----------
    vault_points, inlet_points
        Point of each vault and of its inlet; none where there is none.
    start_nodes
        Network position of each inlet's node; -1 where there is none.
    network, drain_pipes, outfalls
        The network and the tables it was built from.

    Notes
    -----
    A pipe drawn against its flow is turned round, by which of its ends lies nearer to the pipe
    below it. Pipes without a shape are bridged by a straight line.
    """
    lines = np.full(len(start_nodes), None, dtype=object)
    shapes = _flowing_shapes(network, drain_pipes, outfalls)
    falls = outfalls.geometry.to_numpy() if len(outfalls) else np.empty(0, dtype=object)
    for at in range(0, len(lines), _CHUNK):
        part = slice(at, at + _CHUNK)
        lines[part] = _draw(
            vault_points[part], inlet_points[part], start_nodes[part], network, shapes, falls
        )
    return lines


def _draw(
    vault_points: npt.NDArray[Any],
    inlet_points: npt.NDArray[Any],
    start_nodes: IntArray,
    network: DrainNetwork,
    shapes: npt.NDArray[Any],
    falls: npt.NDArray[Any],
) -> npt.NDArray[Any]:
    runs = np.flatnonzero(~shapely.is_missing(inlet_points))
    owners, orders, pieces = [runs, runs], [np.full(len(runs), -2), np.full(len(runs), -1)], []
    pieces += [vault_points[runs], inlet_points[runs]]
    walking = runs[start_nodes[runs] >= 0]
    here = start_nodes[walking]
    place = 0
    while len(walking):
        goes_on = network.receiver[here] != here
        stopped, last = walking[~goes_on], network.outfall[here[~goes_on]]
        owners.append(stopped[last >= 0])
        orders.append(np.full(int((last >= 0).sum()), place))
        pieces.append(falls[last[last >= 0]])
        walking, here = walking[goes_on], here[goes_on]
        by_pipe = network.pipe[here] >= 0  # the others cross a gap, in a straight line
        owners.append(walking[by_pipe])
        orders.append(np.full(int(by_pipe.sum()), place))
        pieces.append(shapes[network.pipe[here[by_pipe]]])
        here = network.receiver[here]
        place += 1
    owner = np.concatenate(owners)
    sequence = np.lexsort((np.concatenate(orders), owner))
    coordinates, piece = shapely.get_coordinates(
        np.concatenate(pieces)[sequence], return_index=True
    )
    owner = owner[sequence][piece]
    repeats = np.zeros(len(owner), dtype=bool)
    repeats[1:] = (owner[1:] == owner[:-1]) & (coordinates[1:] == coordinates[:-1]).all(axis=1)
    owner, coordinates = owner[~repeats], coordinates[~repeats]
    drawable = np.bincount(owner, minlength=len(start_nodes))[owner] > 1
    owner, coordinates = owner[drawable], coordinates[drawable]
    lines = np.full(len(start_nodes), None, dtype=object)
    if len(owner):
        drawn, place_of = np.unique(owner, return_inverse=True)
        lines[drawn] = shapely.linestrings(coordinates, indices=place_of)
    return lines


def _flowing_shapes(
    network: DrainNetwork, pipes: gpd.GeoDataFrame, outfalls: gpd.GeoDataFrame
) -> npt.NDArray[Any]:
    """Return the shape of every pipe with its coordinates in the order of flow."""
    shapes: npt.NDArray[Any] = np.asarray(pipes.geometry.to_numpy(), dtype=object).copy()
    first, last, is_drawn = line_ends(shapes)
    below = np.full(len(shapes), -1, dtype=np.int64)
    taken = network.pipe >= 0
    below[network.pipe[taken]] = network.pipe[network.receiver[taken]]
    backward = np.zeros(len(shapes), dtype=bool)
    pairs = np.flatnonzero((below >= 0) & is_drawn)
    pairs = pairs[is_drawn[below[pairs]]]
    from_last = _nearer(last[pairs], first[below[pairs]], last[below[pairs]])
    from_first = _nearer(first[pairs], first[below[pairs]], last[below[pairs]])
    backward[pairs] = from_first < from_last
    ends_at = network.outfall[network.receiver]
    final = taken & (ends_at >= 0)
    if final.any():
        spots = outfalls.geometry.to_numpy()[ends_at[final]]
        spot = np.column_stack([shapely.get_x(spots), shapely.get_y(spots)])
        which = network.pipe[final]
        to_last = np.hypot(*(last[which] - spot).T)
        to_first = np.hypot(*(first[which] - spot).T)
        with np.errstate(invalid="ignore"):
            backward[which] = to_first < to_last
    shapes[backward] = shapely.reverse(shapes[backward])
    return shapes


def _nearer(points: FloatArray, one: FloatArray, other: FloatArray) -> FloatArray:
    return np.asarray(np.minimum(np.hypot(*(points - one).T), np.hypot(*(points - other).T)))
