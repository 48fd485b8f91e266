"""Faults that only the whole drain network shows: circles, dead ends, inlets that lead nowhere."""

from __future__ import annotations

from collections.abc import Iterator
from functools import cached_property
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely
from scipy.sparse import coo_array, csr_array
from scipy.sparse.csgraph import breadth_first_order, connected_components
from scipy.spatial import cKDTree

from vaultplan.geometry import foot_of
from vaultplan.intake.plausible import Broken, Mask, Positions
from vaultplan.schema import Frames
from vaultplan.settings import DrainageSettings

_LISTED_PIPES: Final = 12


def drain_faults(frames: Frames) -> Iterator[Broken]:
    """Yield each rule of the drain network, and the pipes, inlets or outfalls that break it.

    A pipe is in a circle if water that leaves by it can come back; one whose two nodes are the
    same is a ring and counts for nothing else. A dead end is a node or circle that no pipe leads
    out of and that has no outfall. An inlet's water reaches an outfall if any way down does.
    Without pipes nothing is said of inlets and outfalls but which of these have no water named.

    Examples
    --------
    >>> pipes = pd.DataFrame({"pipe_id": ["p", "q", "r"], "from_node": ["a", "b", "b"],
    ...                       "to_node": ["b", "a", "c"]})
    >>> faults = {fault.rule: fault for fault in drain_faults({"drain_pipes": pipes})}
    >>> faults["drain_loop"].where.tolist()
    [True, True, False]
    """
    pipes, falls = frames.get("drain_pipes"), frames.get("outfalls")
    if pipes is not None and len(pipes):
        net = _Network(frames)
        yield from _pipe_faults(net)
        yield from _end_faults(net)
    if falls is not None and len(falls):
        yield Broken(
            "outfall_no_water",
            "outfalls",
            "water_id",
            "its receiving water is not named",
            "find it out: what drains here ends in an unknown water",
            falls["water_id"].isna().to_numpy(dtype=bool),
            doubts=False,
        )


def _pipe_faults(net: _Network) -> Iterator[Broken]:
    yield Broken(
        "drain_loop",
        "drain_pipes",
        "to_node",
        "leads in a circle",
        "turn round the pipe of the circle that is entered backwards",
        net.in_circle,
        tell=net.tell_circle,
    )
    yield Broken(
        "pipe_ring",
        "drain_pipes",
        "to_node",
        "ends where it begins",
        "correct one of its nodes",
        net.is_ring,
    )
    yield Broken(
        "drain_no_outfall",
        "drain_pipes",
        "to_node",
        "ends where no pipe goes on and no outfall is",
        "correct its direction, or load what follows",
        net.is_last,
        tell=net.tell_dead_end,
        weight=net.burden_of_pipes,
    )


def _end_faults(net: _Network) -> Iterator[Broken]:
    touched = np.zeros(net.count + 1, dtype=bool)
    touched[net.start] = touched[net.stop] = True
    touched[-1] = False
    inlets, falls = net.inlet_node, net.fall_node
    if len(inlets):
        off = ~touched[inlets] & ~net.has_fall[inlets]
        yield Broken(
            "inlet_off_drain",
            "inlets",
            "node_id",
            "on no pipe and at no outfall",
            "correct the node, or load the missing pipe",
            off,
        )
        yield Broken(
            "inlet_no_outfall",
            "inlets",
            "node_id",
            "its water never reaches an outfall",
            "load the missing pipe or outfall, or turn round the pipe that leads astray",
            touched[inlets] & ~net.reaches[inlets],
            tell=net.tell_inlet,
            weight=net.vaults_of_inlets,
        )
    if len(falls):
        led_to = np.zeros(net.count + 1, dtype=bool)
        led_to[net.stop] = led_to[inlets] = True
        led_to[-1] = False
        yield Broken(
            "outfall_off_drain",
            "outfalls",
            "node_id",
            "no pipe leads there",
            "correct the node, or load the missing pipe",
            ~led_to[falls],
        )


class _Network:
    """The drain network as numbered nodes; a blank node is the number ``count``, past the last."""

    def __init__(self, frames: Frames) -> None:
        self.frames = frames
        pipes = frames["drain_pipes"]
        columns = [pipes["from_node"], pipes["to_node"]]
        columns += [frames[name]["node_id"] for name in ("inlets", "outfalls") if name in frames]
        codes, self.names = pd.factorize(pd.concat(columns, ignore_index=True))
        self.count = len(self.names)
        codes = np.where(codes < 0, self.count, codes)
        sizes = [len(frames[name]) if name in frames else 0 for name in ("inlets", "outfalls")]
        edges = np.cumsum([len(pipes), len(pipes), sizes[0]])
        self.start, self.stop, self.inlet_node, self.fall_node = np.split(codes, edges)
        known = (self.start < self.count) & (self.stop < self.count)
        self.is_ring: Mask = known & (self.start == self.stop)
        self.leads: Mask = known & ~self.is_ring
        self.has_fall = np.zeros(self.count + 1, dtype=bool)
        self.has_fall[self.fall_node] = True
        self.has_fall[-1] = False

    @cached_property
    def graph(self) -> csr_array[Any]:
        """Which node leads to which."""
        return _graph(self.start[self.leads], self.stop[self.leads], self.count + 1)

    @cached_property
    def circle(self) -> npt.NDArray[np.int32]:
        """Number of the set of nodes, each of which leads to each, that a node is in."""
        _, label = connected_components(self.graph, directed=True, connection="strong")
        labels: npt.NDArray[np.int32] = label
        return labels

    @cached_property
    def in_circle(self) -> Mask:
        """Which pipes lead in a circle."""
        same: Mask = self.leads & (self.circle[self.start] == self.circle[self.stop])
        return same

    @cached_property
    def is_last(self) -> Mask:
        """Which pipes end where nothing goes on."""
        goes_on = np.zeros(self.count + 1, dtype=bool)
        goes_on[self.start[self.leads]] = True
        last: Mask = self.leads & ~goes_on[self.stop] & ~self.has_fall[self.stop]
        return last

    @cached_property
    def reaches(self) -> Mask:
        """Which nodes have a way down to an outfall."""
        reached: Mask = self._upstream_of(np.flatnonzero(self.has_fall)) >= 0
        return reached

    @cached_property
    def dead_end(self) -> Positions:
        """Node at which each node's water ends without an outfall; -1 where it reaches one."""
        goes_on = np.zeros(int(self.circle.max()) + 1, dtype=bool)
        goes_on[self.circle[self.start[self.leads & ~self.in_circle]]] = True
        end = self._upstream_of(np.flatnonzero(~goes_on[self.circle] & ~self.reaches))
        # A circle is one dead end: its first node stands for it.
        _, first = np.unique(self.circle, return_index=True)
        found = np.where(end < 0, -1, first[self.circle[end]])
        return np.where(self.reaches, -1, found)

    def _upstream_of(self, ends: Positions) -> Positions:
        """Return, for each node, one of ``ends`` that it leads to by the fewest pipes, else -1."""
        source, size = self.count + 1, self.count + 2
        here = np.concatenate([self.stop[self.leads], np.full(len(ends), source)])
        there = np.concatenate([self.start[self.leads], ends])
        against = _graph(here, there, size)
        order, before = breadth_first_order(against, source, directed=True)
        parent = np.arange(size)
        inner = before[order[1:]] != source
        parent[order[1:][inner]] = before[order[1:][inner]]
        while not np.array_equal(parent, further := parent[parent]):
            parent = further
        found = np.full(size, -1, dtype=np.int64)
        found[order] = parent[order]
        return found[: self.count + 1]

    @cached_property
    def vaults_of_inlets(self) -> Positions:
        """How many vaults each inlet is the nearest to, within the reach of a gutter."""
        inlets, vaults = self.frames["inlets"], self.frames.get("vaults")
        counts = np.zeros(len(inlets), dtype=np.int64)
        crs = getattr(inlets, "crs", None)
        if vaults is None or crs is None or crs != getattr(vaults, "crs", None):
            return counts
        reach = DrainageSettings().max_gutter_ft / foot_of(crs).per_unit
        places = _places(inlets["geometry"].to_numpy())
        where = _places(vaults["geometry"].to_numpy())
        held = np.flatnonzero(np.isfinite(places).all(axis=1))
        if not len(held) or not len(where):
            return counts
        asked = where[np.isfinite(where).all(axis=1)]
        nearest = np.asarray(cKDTree(places[held]).query(asked, distance_upper_bound=reach)[1])
        np.add.at(counts, held[nearest[nearest < len(held)]], 1)
        return counts

    @cached_property
    def burden(self) -> tuple[Positions, Positions]:
        """How many inlets, and vaults beside them, hang on each dead end, by its node."""
        inlets = np.zeros(self.count + 1, dtype=np.int64)
        vaults = inlets.copy()
        if len(self.inlet_node):
            end = self.dead_end[self.inlet_node]
            np.add.at(inlets, end[end >= 0], 1)
            np.add.at(vaults, end[end >= 0], self.vaults_of_inlets[end >= 0])
        return inlets, vaults

    @property
    def burden_of_pipes(self) -> Positions:
        """Inlets that hang on the dead end of each pipe, vaults counting most."""
        inlets, vaults = self.burden
        return vaults[self.stop] * 1_000 + inlets[self.stop]

    def tell_dead_end(self, at: Positions) -> list[str]:
        """Return how much hangs on the dead ends of some pipes."""
        inlets, vaults = self.burden
        told = []
        for node in self.stop[at]:
            words = "ends where no pipe goes on and no outfall is"
            if inlets[node]:
                words += f"; above it: {_count(inlets[node], 'inlet')}"
                words += f", nearest to {_count(vaults[node], 'vault')}"
            told.append(words)
        return told

    def tell_inlet(self, at: Positions) -> list[str]:
        """Return where the water of some inlets ends."""
        told = []
        for row, end in zip(at, self.dead_end[self.inlet_node[at]], strict=True):
            words = f"its water never reaches an outfall; it ends at node {self.names[end]}"
            vaults = self.vaults_of_inlets[row]
            told.append(f"{words}; {_count(vaults, 'vault')} beside it" if vaults else words)
        return told

    def tell_circle(self, at: Positions) -> list[str]:
        """Return which pipes lead in a circle together with some."""
        members = np.flatnonzero(self.in_circle)
        circles = self.circle[self.start[members]]
        ids = self.frames["drain_pipes"]["pipe_id"].to_numpy(dtype=object)
        words: dict[int, str] = {}
        told = []
        in_order = members[np.argsort(circles, kind="stable")]
        sorted_circles = np.sort(circles, kind="stable")
        for circle in self.circle[self.start[at]].tolist():
            if circle not in words:
                first, last = np.searchsorted(sorted_circles, [circle, circle + 1])
                named = sorted(str(ids[row]) for row in in_order[first:last])
                more = len(named) - _LISTED_PIPES
                listed = ", ".join(named[:_LISTED_PIPES])
                words[circle] = f"leads in a circle of {len(named):,} pipes: {listed}"
                if more > 0:
                    words[circle] += f" and {more:,} more"
            told.append(words[circle])
        return told


def _graph(here: Positions, there: Positions, size: int) -> csr_array[Any]:
    ones = np.ones(len(here), dtype=np.int8)
    graph = coo_array((ones, (here, there)), shape=(size, size)).tocsr()
    # Pipes side by side are added up, and the sum can run over to nothing.
    graph.data[:] = 1
    return graph


def _places(shapes: npt.NDArray[Any]) -> npt.NDArray[np.float64]:
    return np.column_stack([shapely.get_x(shapes), shapely.get_y(shapes)])


def _count(number: int, word: str) -> str:
    return f"{number:,} {word}{'' if number == 1 else 's'}"
