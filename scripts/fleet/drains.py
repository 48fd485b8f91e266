"""Storm drains of a town: inlets, gutters, mains down the streets, outfalls on every water."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely
from scipy.sparse import coo_array
from scipy.sparse.csgraph import dijkstra

from fleet.ground import Array, Ground
from fleet.streets import Streets

SIZES_IN = np.array([12, 15, 18, 21, 24, 30, 36, 42, 48, 60, 72])


@dataclass
class Drains:
    """The drain network in local metres; nodes are numbered, pipes run from tail to head."""

    nodes: Array
    tail: Any
    head: Any
    kind: Any
    system: Any
    diameter_in: Any
    inlet_node: Any
    inlet_xy: Array
    inlet_kind: Any
    outfall_node: Any
    outfall_water: list[str | None]


def lay_drains(
    ground: Ground, streets: Streets, waters: dict[str, Any], rng: np.random.Generator
) -> Drains:
    """Return drains that follow the streets downhill to the nearest fitting outfall.

    A few faults are laid in on purpose: inlets without a pipe, a main that is missing, a loop, a
    combined sewer in one corner, an outfall whose water nobody entered.
    """
    z = ground.elevation_ft(*streets.nodes.T)
    mouth, spot, water = _outfalls(streets, waters, z)
    receiver, via = _receivers(ground, streets, z, mouth)
    mains = _mains(streets, receiver, via)
    nodes, tail, head = mains
    count_j = len(streets.nodes)
    end = len(nodes) + np.arange(len(mouth))
    nodes = np.vstack([nodes, spot])
    water_name: list[str | None] = [*water]
    spur_kind = np.where(rng.random(len(mouth)) < 0.25, "channel", "pipe").astype(object)
    xy, at, uphill = _inlets(ground, streets, nodes, tail, head, count_j, rng)
    inlet_node = len(nodes) + np.arange(len(xy))
    nodes = np.vstack([nodes, xy])
    gutter = np.flatnonzero(np.isfinite(uphill[:, 0]))
    g_node = len(nodes) + np.arange(len(gutter))
    nodes = np.vstack([nodes, uphill[gutter]])
    lateral = rng.random(len(xy)) >= 0.013
    all_tail = np.concatenate([tail, mouth, inlet_node[lateral], g_node])
    all_head = np.concatenate([head, end, at[lateral], inlet_node[gutter]])
    parts = (len(tail), len(mouth), int(lateral.sum()), len(gutter))
    kind = np.repeat(np.array(["pipe", "pipe", "pipe", "gutter"], dtype=object), parts)
    kind[parts[0] : parts[0] + parts[1]] = spur_kind
    over = _over_creek(ground, nodes, tail, head)
    kind[: parts[0]][over] = "culvert"
    load = _load(all_tail, all_head, len(nodes), inlet_node)
    rank = np.searchsorted([1, 3, 6, 10, 16, 26, 40, 60, 90, 140], load[all_tail])
    size = SIZES_IN[rank].astype(float)
    size[kind == "gutter"] = 6.0
    size[parts[0] + parts[1] : sum(parts[:3])] = np.where(rng.random(parts[2]) < 0.8, 12.0, 10.0)
    size[rng.random(len(size)) < 0.02] = np.nan
    system = _systems(ground, nodes, all_tail, rng)
    drop = _missing(load, all_tail, parts[0], rng)
    loop_t, loop_h, cut = _loop(streets, receiver, tail, load, rng)
    keep = np.ones(len(all_tail), dtype=bool)
    keep[drop] = False
    keep[cut] = False
    all_tail, all_head = (
        np.concatenate([all_tail[keep], loop_t]),
        np.concatenate([all_head[keep], loop_h]),
    )
    extra = len(loop_t)
    kind = np.concatenate([kind[keep], np.full(extra, "pipe", dtype=object)])
    system = np.concatenate([system[keep], np.full(extra, "storm", dtype=object)])
    size = np.concatenate([size[keep], np.full(extra, 12.0)])
    shapes = np.array(["curb", "grate", "combination", "slotted", None], dtype=object)
    inlet_kind = rng.choice(shapes, len(xy), p=[0.38, 0.27, 0.24, 0.06, 0.05])
    quiet = np.flatnonzero(load[mouth] >= 4)
    water_name[int(quiet[np.argmin(load[mouth][quiet])])] = None
    return Drains(
        nodes, all_tail, all_head, kind, system, size, inlet_node, xy, inlet_kind, end, water_name
    )


def _outfalls(streets: Streets, waters: dict[str, Any], z: Array) -> tuple[Any, Array, list[str]]:
    """Return junctions with an outfall, where it lies, and on which water."""
    keys = list(waters)
    shapes = np.array([waters[key] for key in keys], dtype=object)
    junctions = shapely.points(streets.nodes)
    near, away = np.zeros(len(junctions), dtype=int), np.full(len(junctions), np.inf)
    for i, shape in enumerate(shapes):
        shapely.prepare(shape)
        close = np.flatnonzero(shapely.dwithin(shape, junctions, 160.0))
        gap = np.full(len(junctions), np.inf)
        gap[close] = shapely.distance(junctions[close], shape)
        near[gap < away], away = i, np.minimum(away, gap)
    reach = np.where(z < 40, 150.0, 105.0)
    chosen: list[int] = []
    grid: dict[tuple[int, int], list[int]] = {}
    apart = 300.0
    for j in np.argsort(z + away * 0.05):
        if away[j] > reach[j]:
            continue
        x, y = streets.nodes[j]
        cell = (int(x // apart), int(y // apart))
        around = [
            k
            for a in (-1, 0, 1)
            for b in (-1, 0, 1)
            for k in grid.get((cell[0] + a, cell[1] + b), [])
        ]
        if any(np.hypot(*(streets.nodes[k] - streets.nodes[j])) < apart for k in around):
            continue
        grid.setdefault(cell, []).append(int(j))
        chosen.append(int(j))
    mouth = np.array(sorted(chosen))
    link = shapely.shortest_line(junctions[mouth], shapes[near[mouth]])
    spot = shapely.get_coordinates(shapely.get_point(link, -1))
    return mouth, spot, [keys[i] for i in near[mouth]]


def _receivers(ground: Ground, streets: Streets, z: Array, mouth: Any) -> tuple[Any, Any]:
    """Return the junction each junction drains to, and by which street (-1: an outfall)."""
    count = len(z)
    cross = _over_creek(ground, streets.nodes, streets.tail, streets.head)
    base = streets.length * np.where(cross, 12.0, 1.0) + 5.0
    a, b = (
        np.concatenate([streets.tail, streets.head]),
        np.concatenate([streets.head, streets.tail]),
    )
    rise = np.clip(z[b] - z[a], 0, None)
    cost = np.concatenate([base, base]) + 60.0 * rise
    edge = np.tile(np.arange(len(streets.tail)), 2)
    graph = coo_array(
        (
            np.concatenate([cost, np.full(len(mouth), 1e-3)]),
            (np.concatenate([b, np.full(len(mouth), count)]), np.concatenate([a, mouth])),
        ),
        shape=(count + 1, count + 1),
    ).tocsr()
    _, before = dijkstra(graph, indices=count, return_predecessors=True)
    receiver = before[:count].astype(int)
    via = np.full(count, -1)
    down = receiver[a] == b
    via[a[down]] = edge[down]
    receiver[receiver == count] = -1
    via[receiver < 0] = -1
    return receiver, via


def _mains(streets: Streets, receiver: Any, via: Any) -> tuple[Array, Any, Any]:
    """Return junctions plus manholes between them, and mains from manhole to manhole downhill."""
    source = np.flatnonzero(via >= 0)
    edge = via[source]
    pieces = np.diff(streets.first)[edge] - 1
    run = np.repeat(np.arange(len(source)), pieces)
    step = np.arange(pieces.sum()) - np.repeat(np.cumsum(pieces) - pieces, pieces)
    forward = streets.tail[edge] == source
    inner = step < pieces[run] - 1
    at = np.where(forward[run], step + 1, pieces[run] - 1 - step)
    manhole = streets.points[streets.first[edge[run]] + at]
    number = len(streets.nodes) + np.cumsum(inner) - 1
    head = np.where(inner, number, receiver[source][run])
    tail = np.where(step == 0, source[run], np.roll(head, 1))
    return np.vstack([streets.nodes, manhole[inner]]), tail, head


def _inlets(
    ground: Ground, streets: Streets, nodes: Array, tail: Any, head: Any, junctions: int, rng: Any
) -> tuple[Array, Any, Array]:
    """Return inlets (place, manhole they drop into) and where each one's gutter starts."""
    e = np.tile(np.arange(len(streets.tail)), 2)
    at = np.concatenate([streets.tail, streets.head])
    n1 = np.concatenate(
        [streets.points[streets.first[:-1] + 1], streets.points[streets.first[1:] - 2]]
    )
    here = nodes[at]
    along = n1 - here
    size = np.hypot(*along.T)[:, None]
    along = along / size
    falls = ground.elevation_ft(*n1.T) >= ground.elevation_ft(*here.T)
    leg_m = np.median(np.hypot(*(nodes[head] - nodes[tail]).T))
    fine = leg_m < 40  # big towns: shorter pipes, fewer inlets a vault
    chance = np.where(falls, 0.57, 0.18) * (0.74 if fine else 1.0)
    pick = (rng.random(len(at)) < chance) & (streets.length[e] > 45)
    low = _low_side(ground, here, along)
    corner = here + along * 9.0 + low * 5.0
    gap = np.minimum(0.8 * size[:, 0], rng.uniform(28, 60, len(at)))
    start = here + along * (9.0 + gap)[:, None] + low * 5.0
    start[~falls] = np.nan
    often = 0.13 if fine else 0.34
    mid = np.flatnonzero((tail >= junctions) & (rng.random(len(tail)) < often))
    here_m, next_m = nodes[tail[mid]], nodes[head[mid]]
    ahead = next_m - here_m
    ahead = ahead / np.hypot(*ahead.T)[:, None]
    low_m = _low_side(ground, here_m, ahead)
    mid_xy = here_m + low_m * 5.0
    mid_start = mid_xy - ahead * rng.uniform(25, 45, len(mid))[:, None]
    xy = np.vstack([corner[pick], mid_xy])
    up = np.vstack([start[pick], mid_start])
    up[rng.random(len(up)) < 0.22] = np.nan
    return xy, np.concatenate([at[pick], tail[mid]]), up


def _low_side(ground: Ground, at: Array, along: Array) -> Array:
    side = np.column_stack([-along[:, 1], along[:, 0]])
    left, right = at + 15 * side, at - 15 * side
    lower = ground.elevation_ft(*left.T) <= ground.elevation_ft(*right.T)
    return np.asarray(np.where(lower[:, None], side, -side))


def _over_creek(ground: Ground, nodes: Array, tail: Any, head: Any) -> Any:
    creeks = shapely.union_all(list(ground.creek_lines.values()))
    shapely.prepare(creeks)
    legs = shapely.linestrings(np.stack([nodes[tail], nodes[head]], axis=1))
    return shapely.intersects(creeks, legs)


def _load(tail: Any, head: Any, count: int, inlets: Any) -> Any:
    """Return how many inlets drain through each node; every node has one way on."""
    down = np.full(count, -1)
    down[tail] = head
    load = np.zeros(count)
    at = inlets.copy()
    while len(at):
        np.add.at(load, at, 1.0)
        at = down[at]
        at = at[at >= 0]
    return load


def _systems(ground: Ground, nodes: Array, tail: Any, rng: Any) -> Any:
    """Return the sewer of each pipe: one corner of the town is combined, partly sanitary."""
    centre = np.array([ground.width * 0.955, ground.depth * 0.47])
    gap = np.hypot(*(nodes[tail] - centre).T) / ground.f
    system = np.full(len(tail), "storm", dtype=object)
    system[gap < 300] = "combined"
    system[gap < 110] = "sanitary"
    system[(system == "storm") & (rng.random(len(tail)) < 0.01)] = None
    return system


def _missing(load: Any, tail: Any, mains: int, rng: Any) -> Any:
    """Return mains that are left out, each with a handful of inlets above it."""
    fit = np.flatnonzero((load[tail[:mains]] >= 4) & (load[tail[:mains]] <= 9))
    return rng.choice(fit, min(len(fit), max(1, mains // 500)), replace=False)


def _loop(streets: Streets, receiver: Any, tail: Any, load: Any, rng: Any) -> Any:
    """Return two pipes that circle between two heads, and the mains they take the place of."""
    has_upstream = np.zeros(len(receiver) + 1, dtype=bool)
    has_upstream[receiver] = True
    a, b = streets.tail, streets.head
    free = ~has_upstream[a] & ~has_upstream[b] & (receiver[a] >= 0) & (receiver[b] >= 0)
    free &= (load[a] > 0) & (load[b] > 0)
    found = np.flatnonzero(free)
    if not len(found):
        return np.array([], dtype=int), np.array([], dtype=int), np.array([], dtype=int)
    e = int(rng.choice(found))
    ends = np.array([a[e], b[e]])
    return ends, ends[::-1], np.flatnonzero(np.isin(tail, ends))
