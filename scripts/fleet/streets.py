"""Streets of a town: districts with grids of their own, a shore road, a few long roads."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree
from shapely import LineString, MultiPoint

from fleet.ground import Array, Ground
from fleet.names import ARTERIALS, DISTRICTS, SHORE, street_names


@dataclass
class Streets:
    """The street graph; edge e runs over ``points[first[e]:first[e + 1]]``, local metres."""

    nodes: Array
    tail: Any
    head: Any
    points: Array
    first: Any
    names: Any
    is_main: Any
    length: Array
    district_shapes: Any
    district_names: list[str]

    @property
    def lines(self) -> Any:
        """Edges as line strings."""
        count = np.diff(self.first)
        return shapely.linestrings(self.points, indices=np.repeat(np.arange(len(count)), count))

    def district_of(self, xy: Array) -> Any:
        """Return the number of the district each point lies in."""
        number = np.ones(len(xy), dtype=int)
        for k, shape in enumerate(self.district_shapes):
            shapely.prepare(shape)
            number[shapely.contains_xy(shape, *xy.T)] = k
        return number


def lay_streets(ground: Ground, rng: np.random.Generator, step_m: float) -> Streets:
    """Return the streets of a town, noded at their junctions and connected."""
    shapes, names = _districts(ground, rng)
    drawn, labels, ranks = _draw(ground, shapes, rng)
    noded = shapely.get_parts(shapely.unary_union(drawn, grid_size=0.01))
    source = _nearest_line(drawn, shapely.line_interpolate_point(noded, 0.5, normalized=True))
    nodes, tail, head, keep = _graph(noded, 20.0)
    lines, source, tail, head = noded[keep], source[keep], tail[keep], head[keep]
    alive = _thin(nodes, tail, head, lines, ranks[source], drawn[ranks > 0], rng)
    lines, source, tail, head = lines[alive], source[alive], tail[alive], head[alive]
    used, flat = np.unique(np.concatenate([tail, head]), return_inverse=True)
    tail, head = flat[: len(tail)], flat[len(tail) :]
    nodes = nodes[used]
    points, first = _resample(lines, nodes, tail, head, step_m)
    legs = np.hypot(*np.diff(points, axis=0).T)
    legs = np.concatenate([legs, [0.0]])
    legs[first[1:] - 1] = 0.0
    length = np.add.reduceat(legs, first[:-1])
    return Streets(
        nodes,
        tail,
        head,
        points,
        first,
        np.asarray(labels, dtype=object)[source],
        ranks[source] > 0,
        length,
        shapes,
        names,
    )


def _districts(ground: Ground, rng: np.random.Generator) -> tuple[Any, list[str]]:
    w, d = ground.width, ground.depth
    seeds = [(0.50, 0.30), (0.20, 0.58), (0.66, 0.74), (0.88, 0.30)]
    extra = min(len(DISTRICTS) - 4, round(2.5 * (ground.f - 1)))
    seeds += [(float(rng.uniform(0.08, 0.92)), float(rng.uniform(0.25, 0.9))) for _ in range(extra)]
    points = [
        (w * (x + rng.uniform(-0.02, 0.02)), d * (y + rng.uniform(-0.02, 0.02))) for x, y in seeds
    ]
    cells = shapely.get_parts(
        shapely.voronoi_polygons(MultiPoint(points), extend_to=ground.land.envelope)
    )
    order = [next(i for i, c in enumerate(cells) if c.contains(shapely.Point(p))) for p in points]
    cells = shapely.segmentize(cells[order], 40.0)
    return shapely.transform(cells, ground.warp), list(DISTRICTS[: len(points)])


def _draw(ground: Ground, shapes: Any, rng: np.random.Generator) -> tuple[Any, list[str], Any]:
    """Return street lines, their names and ranks (1 for roads that others give way to)."""
    wide, off = ground.built.buffer(0.6), ground.built_off_creeks.buffer(0.6)
    w, d = ground.width, ground.depth
    drawn: list[Any] = []
    rank: list[int] = []
    label: list[str] = []
    pool = iter(street_names(4000, rng))

    def add(line: Any, area: Any, name: str, level: int) -> None:
        for part in shapely.get_parts(shapely.intersection(line, area)):
            if part.geom_type == "LineString" and part.length > 30:
                drawn.append(part)
                rank.append(level)
                label.append(name)

    for ring in [ground.built.exterior, *ground.built.interiors]:
        add(LineString(ring.coords).simplify(3), ground.built.buffer(8), SHORE, 1)
    edges = shapely.union_all(shapely.boundary(shapes))
    for i, part in enumerate(shapely.get_parts(shapely.line_merge(edges))):
        add(part, wide, ARTERIALS[2:][i] if i < 3 else next(pool), 1)
    bay = (ground.bay_u, float(ground.shore(ground.bay_u)))
    for i, (tx, ty) in enumerate(((0.05, 0.93), (0.97, 0.88))):
        t = np.linspace(0, 1, 60)
        u = bay[0] + (w * tx - bay[0]) * t
        v = bay[1] + (d * ty - bay[1]) * (t + 0.16 * np.sin(np.pi * t))
        add(LineString(np.column_stack([u, v])), wide, ARTERIALS[i], 1)
    for k, cell in enumerate(shapes):
        home = cell.buffer(0.6)
        areas = (home.intersection(off), home.intersection(wide))
        lines = _polar(ground, bay, rng) if k == 0 else _grid(cell, rng)
        for j, line in enumerate(lines):
            has_bridges = j % 5 == 2
            add(shapely.transform(line, ground.warp), areas[has_bridges], next(pool), 0)
    return np.array(drawn, dtype=object), label, np.array(rank)


def _steps(start: float, end: float, mean: float, rng: np.random.Generator) -> Array:
    count = int((end - start) / mean) + 2
    return start + np.cumsum(mean * rng.uniform(0.82, 1.2, count))


def _grid(cell: Any, rng: np.random.Generator) -> list[Any]:
    centre, reach = cell.centroid, math.sqrt(cell.area)
    reach = max(reach, shapely.minimum_bounding_radius(cell) * 1.1)
    angle = rng.uniform(-0.6, 0.6)
    c, s = math.cos(angle), math.sin(angle)
    block, street = rng.uniform(150, 175), rng.uniform(88, 104)
    t = np.arange(-reach, reach, 35.0)
    lines = []
    for across, mean in ((True, block), (False, street)):
        for at in _steps(-reach, reach, mean, rng):
            a, b = (np.full_like(t, at), t) if across else (t, np.full_like(t, at))
            bow = 10 * np.sin(t / 260 + at)
            a, b = (a + bow, b) if across else (a, b + bow)
            lines.append(
                LineString(np.column_stack([centre.x + a * c - b * s, centre.y + a * s + b * c]))
            )
    return lines


def _polar(ground: Ground, hub: tuple[float, float], rng: np.random.Generator) -> list[Any]:
    """Return rings and rays around the head of the bay."""
    far = 0.9 * ground.width
    centre = (hub[0], hub[1] - 330 * ground.f)
    lines = []
    for r in _steps(200 * ground.f, far, 96, rng):
        t = np.linspace(-0.3, math.pi + 0.3, max(20, int(r * 3.4 / 40)))
        lines.append(
            LineString(
                np.column_stack([centre[0] + r * np.cos(t), centre[1] + 0.92 * r * np.sin(t)])
            )
        )
    near = 200.0 * ground.f
    while near < far:
        gap = 150 / (near * 1.45)
        for t in np.arange(-0.2 + rng.uniform(0, gap), math.pi + 0.2, gap):
            r = np.arange(near, min(near * 2.0, far) + 1, 35.0)
            lines.append(
                LineString(
                    np.column_stack([centre[0] + r * np.cos(t), centre[1] + 0.92 * r * np.sin(t)])
                )
            )
        near *= 2.0
    return lines


def _graph(lines: Any, snap_m: float) -> tuple[Array, Any, Any, Any]:
    """Return junctions (near ends are one), both ends of each line, and which lines to keep."""
    ends = np.vstack(
        [
            shapely.get_coordinates(shapely.get_point(lines, 0)),
            shapely.get_coordinates(shapely.get_point(lines, -1)),
        ]
    )
    pairs = cKDTree(ends).query_pairs(snap_m, output_type="ndarray")
    graph = coo_array((np.ones(len(pairs)), pairs.T), shape=(len(ends), len(ends)))
    count, cluster = connected_components(graph, directed=False)
    size = np.bincount(cluster, minlength=count)
    nodes = np.column_stack([np.bincount(cluster, ends[:, i], count) / size for i in (0, 1)])
    tail, head = cluster[: len(lines)], cluster[len(lines) :]
    low, high = np.minimum(tail, head), np.maximum(tail, head)
    order = np.lexsort((shapely.length(lines), high, low))
    keep = np.zeros(len(lines), dtype=bool)
    keep[order] = np.concatenate([[True], (np.diff(low[order]) != 0) | (np.diff(high[order]) != 0)])
    return nodes, tail, head, keep & (tail != head)


def _nearest_line(lines: Any, points: Any) -> Any:
    """Return the number of the line that each point lies on, by points every few metres."""
    dense = shapely.segmentize(lines, 6.0)
    at, line = shapely.get_coordinates(dense, return_index=True)
    _, nearest = cKDTree(at).query(shapely.get_coordinates(points))
    return line[nearest]


def _thin(nodes: Array, tail: Any, head: Any, lines: Any, rank: Any, roads: Any, rng: Any) -> Any:
    """Return which edges stay: no twins beside a road, no stubs, one connected town."""
    alive = np.ones(len(tail), dtype=bool)
    middle = shapely.line_interpolate_point(lines, 0.5, normalized=True)
    main = shapely.union_all(roads)
    shapely.prepare(main)
    beside = shapely.dwithin(main, middle, 32)
    alive &= ~((rank == 0) & beside & (shapely.length(lines) > 70))
    alive &= ~((rank == 0) & (rng.random(len(tail)) < 0.055))
    count = len(nodes)
    for _ in range(4):
        degree = np.bincount(tail[alive], minlength=count) + np.bincount(
            head[alive], minlength=count
        )
        stub = (np.minimum(degree[tail], degree[head]) == 1) & (shapely.length(lines) < 95)
        alive &= ~stub
    graph = coo_array((np.ones(alive.sum()), (tail[alive], head[alive])), shape=(count, count))
    _, part = connected_components(graph, directed=False)
    biggest = np.bincount(part[tail[alive]]).argmax()
    return alive & (part[tail] == biggest)


def _resample(lines: Any, nodes: Array, tail: Any, head: Any, step_m: float) -> tuple[Array, Any]:
    """Return evenly spaced points along each line, its ends on the junctions."""
    pieces = np.maximum(1, np.rint(shapely.length(lines) / step_m)).astype(int)
    first = np.concatenate([[0], np.cumsum(pieces + 1)])
    edge = np.repeat(np.arange(len(lines)), pieces + 1)
    part = (np.arange(first[-1]) - first[edge]) / pieces[edge]
    points = shapely.get_coordinates(
        shapely.line_interpolate_point(lines[edge], part, normalized=True)
    )
    points[first[:-1]], points[first[1:] - 1] = nodes[tail], nodes[head]
    return points, first
