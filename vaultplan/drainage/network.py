"""The drain network: which node each node's water runs to, how far, and where it ends."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

from vaultplan.drainage.directions import directed
from vaultplan.drainage.faults import network_faults
from vaultplan.drainage.follow import BoolArray, FloatArray, IntArray, follow, loop_nodes
from vaultplan.drainage.gaps import bridges
from vaultplan.drainage.leaving import leaving_pipes
from vaultplan.drainage.parts import Parts, part_ways
from vaultplan.drainage.places import claims_of
from vaultplan.geometry import feet_per_unit
from vaultplan.settings import DrainageSettings

SEWERS: Final = ("combined", "sanitary")


@dataclass(frozen=True, slots=True, eq=False)
class DrainNetwork:
    """A drain network followed from every node to its end; all arrays run over ``nodes``.

    Attributes
    ----------
    nodes
        Node ids in text order.
    receiver
        Position of the next node; a node's own position where the path ends.
    pipe
        Row in ``drain_pipes`` of the pipe the water leaves by; -1 where it ends or crosses a gap.
    step_ft
        Feet to the next node, gaps included.
    end, run_ft, hops
        Last node reached, feet to it (not a number where a pipe's length is not known) and pipes
        passed on the way.
    splits, unstated, doubtful, pumps, gap_ft
        How many nodes on the way have other pipes out of them, how many pipes do not say which
        sewer they belong to while others do, how many may run the other way, how many are force
        mains, and feet of gaps bridged.
    sewer_entry, private_entry
        Node at which the path first enters a combined or sanitary sewer, or a private drain; -1 if
        it never does.
    on_loop
        Whether the node lies on a loop; a path stops at the first such node.
    outfall
        Row in ``outfalls`` of the outfall at the node; -1 where there is none.
    parts
        Where split water goes.
    pipe_nodes
        Position of both end nodes of every pipe as the water runs, from and to; -1 where blank.
    faults
        What is wrong with the tables: fault, node_id, pipe_id, what.
    """

    nodes: pd.Index[Any]
    receiver: IntArray
    pipe: IntArray
    step_ft: FloatArray
    end: IntArray
    run_ft: FloatArray
    hops: IntArray
    splits: IntArray
    unstated: IntArray
    doubtful: IntArray
    pumps: IntArray
    gap_ft: FloatArray
    sewer_entry: IntArray
    private_entry: IntArray
    on_loop: BoolArray
    outfall: IntArray
    parts: Parts
    pipe_nodes: npt.NDArray[np.int64]
    faults: pd.DataFrame

    def find(self, node_ids: pd.Series[Any]) -> IntArray:
        """Return the position of each node id; -1 where the network has no such node."""
        if len(self.nodes) == 0:
            return np.full(len(node_ids), -1, dtype=np.int64)
        return np.asarray(self.nodes.get_indexer(pd.Index(node_ids.astype("str"))), dtype=np.int64)


def build_network(
    inlets: pd.DataFrame,
    drain_pipes: pd.DataFrame,
    outfalls: pd.DataFrame,
    *,
    settings: DrainageSettings | None = None,
) -> DrainNetwork:
    """Return the drain network with every node followed to its end.

    Parameters
    ----------
    inlets, drain_pipes, outfalls
        Tables of those names; any may be empty. A pipe's ``length_ft`` is taken where given, else
        measured on the map.
    settings
        ``max_gap_ft``; the defaults if not given.

    Raises
    ------
    CRSError
        If a length must be measured and the pipes have no projected CRS.

    Notes
    -----
    A pipe runs from its ``from_node`` to its ``to_node``, unless its invert levels and its drawing
    both say otherwise. The path takes one pipe out of a node (``leaving.leaving_pipes``); where
    the rest of the water goes is told in ``parts``. Nodes with pipes to several nodes are splits
    and listed in ``faults``, as are loops, dead ends, gaps, outfalls that pipes lead out of, pipes
    that are turned or may run the other way, and pipes without a node or a length. An outfall ends
    the path. A loose end is taken to run on to the nearest node within ``max_gap_ft``. Where no
    pipe at all says which system it belongs to, the table is taken for what it is called, a storm
    drain; where some say, the silent ones are counted in ``unstated``.

    Examples
    --------
    >>> pipes = pd.DataFrame({"pipe_id": ["p", "q"], "from_node": ["a", "b"],
    ...                       "to_node": ["b", "c"], "length_ft": [100.0, 50.0]})
    >>> falls = pd.DataFrame({"outfall_id": ["o"], "node_id": ["c"]})
    >>> net = build_network(pd.DataFrame({"inlet_id": [], "node_id": []}), pipes, falls)
    >>> dict(zip(net.nodes, net.run_ft.tolist()))
    {'a': 150.0, 'b': 50.0, 'c': 0.0}
    """
    pipes = drain_pipes.reset_index(drop=True)
    falls = outfalls.reset_index(drop=True)
    nodes, (start, stop, inlet_node, fall_node) = _number_nodes(
        pipes["from_node"], pipes["to_node"], inlets["node_id"], falls["node_id"]
    )
    count = len(nodes)
    here = np.arange(count, dtype=np.int64)
    claims = claims_of(pipes, start, stop, [(inlet_node, inlets), (fall_node, falls)])
    way = directed(pipes, start, stop, claims)
    outfall = _outfall_rows(falls, fall_node, count)
    lengths = _lengths_ft(pipes)
    leaves = leaving_pipes(pipes, way.start, way.stop, outfall)
    pipe = np.full(count, -1, dtype=np.int64)
    pipe[leaves.first_nodes] = leaves.first_pipes
    receiver = np.where(pipe >= 0, way.stop[pipe] if len(pipes) else here, here)
    is_self = (pipe >= 0) & (receiver == here)
    loops = loop_nodes(receiver)
    pipe[loops], receiver[loops] = -1, loops
    loose = _loose(count, way.start, way.stop, inlet_node, outfall)
    loose[loops] = False
    gap_from, gap_to, gap = bridges(
        receiver,
        claims.known_places(count),
        loose,
        ((pipe >= 0) & ~is_self) | (outfall >= 0),
        _gap_units(pipes, settings),
    )
    receiver[gap_from] = gap_to
    on_loop = is_self
    on_loop[loops] = True
    on_loop[loop_nodes(receiver)] = True
    receiver[on_loop] = np.flatnonzero(on_loop)
    pipe[on_loop] = -1
    leads = pipe >= 0
    gap_step = np.zeros(count)
    gap_step[gap_from] = gap * (feet_per_unit(pipes) if len(gap) else 1.0)
    gap_step[on_loop] = 0.0

    def of_pipe(values: npt.NDArray[Any]) -> FloatArray:
        """Return the value of the pipe each node's water leaves by, 0 where there is none."""
        found = np.zeros(count)
        found[leads] = values[pipe[leads]]
        return found

    step = of_pipe(lengths) + gap_step
    system = pipes["system"] if "system" in pipes else pd.Series([None] * len(pipes), dtype="str")
    silent = system.isna().to_numpy() & bool(system.notna().any())
    is_pumped = (
        pipes["kind"].eq("force_main").fillna(value=False).to_numpy(bool)
        if "kind" in pipes
        else np.zeros(len(pipes), dtype=bool)
    )
    is_split = np.zeros(count)
    is_split[leaves.split_nodes] = 1.0
    end, sums = follow(
        receiver,
        step,
        leads.astype(np.float64),
        is_split,
        of_pipe(silent),
        of_pipe(way.is_doubtful | way.is_turned),
        of_pipe(is_pumped),
        gap_step,
    )
    run_ft, gap_ft = sums[0], sums[6]
    hops, splits, unstated, doubtful, pumps = (total.astype(np.int64) for total in sums[1:6])
    by_sewer = system.isin(SEWERS).to_numpy(bool)
    by_private = system.eq("private").fillna(value=False).to_numpy(bool)
    into_sewer, into_private = of_pipe(by_sewer) > 0, of_pipe(by_private) > 0
    row = leaves.ways["row"].to_numpy(dtype=np.int64)
    parts = part_ways(
        receiver,
        leaves.ways,
        outfall,
        len(falls),
        on_loop=on_loop,
        into_sewer=into_sewer,
        into_private=into_private,
        by_sewer=by_sewer[row],
        by_private=by_private[row],
    )
    return DrainNetwork(
        nodes=nodes,
        receiver=receiver,
        pipe=pipe,
        step_ft=step,
        end=end,
        run_ft=run_ft,
        hops=hops,
        splits=splits,
        unstated=unstated,
        doubtful=doubtful,
        pumps=pumps,
        gap_ft=gap_ft,
        sewer_entry=first_on_path(receiver, into_sewer),
        private_entry=first_on_path(receiver, into_private),
        on_loop=on_loop,
        outfall=outfall,
        parts=parts,
        pipe_nodes=np.column_stack([way.start, way.stop]),
        faults=network_faults(
            nodes,
            pipes,
            way,
            inlet_node=inlet_node,
            fall_node=fall_node,
            outfall=outfall,
            lengths=lengths,
            on_loop=on_loop,
            split_nodes=leaves.split_nodes,
            bridged=gap_from,
        ),
    )


def _number_nodes(*columns: pd.Series[Any]) -> tuple[pd.Index[Any], list[IntArray]]:
    sizes = np.cumsum([len(column) for column in columns])
    joined = pd.concat([column.astype("str") for column in columns], ignore_index=True)
    codes, unique = pd.factorize(joined, sort=True)
    parts = np.split(np.asarray(codes, dtype=np.int64), sizes[:-1])
    return pd.Index(unique), [np.asarray(part, dtype=np.int64) for part in parts]


def _outfall_rows(outfalls: pd.DataFrame, fall_node: IntArray, count: int) -> IntArray:
    """Return the outfall at each node, the first id in text order where there are several."""
    rows = np.full(count, -1, dtype=np.int64)
    backwards = outfalls["outfall_id"].astype("str").argsort().to_numpy()[::-1]
    backwards = backwards[fall_node[backwards] >= 0]
    rows[fall_node[backwards]] = backwards
    return rows


def _lengths_ft(pipes: pd.DataFrame) -> FloatArray:
    if "length_ft" in pipes:
        lengths = pipes["length_ft"].to_numpy(dtype=np.float64, na_value=np.nan, copy=True)
    else:
        lengths = np.full(len(pipes), np.nan)
    lengths[lengths < 0] = np.nan
    blank = np.isnan(lengths)
    if blank.any() and isinstance(pipes, gpd.GeoDataFrame):
        drawn = pipes.geometry.to_numpy()[blank]
        there = ~(shapely.is_missing(drawn) | shapely.is_empty(drawn))
        if there.any():
            measured = np.full(len(drawn), np.nan)
            measured[there] = shapely.length(drawn[there]) * feet_per_unit(pipes)
            lengths[blank] = measured
    return lengths


def _loose(
    count: int, start: IntArray, stop: IntArray, inlet_node: IntArray, outfall: IntArray
) -> BoolArray:
    """Return the nodes that a pipe or an inlet comes to and from which nothing leads on."""
    known = (start >= 0) & (stop >= 0)
    leads, comes = np.zeros(count, dtype=bool), np.zeros(count, dtype=bool)
    leads[start[known]] = True
    comes[stop[known]] = True
    comes[inlet_node[inlet_node >= 0]] = True
    loose: BoolArray = comes & ~leads & (outfall < 0)
    return loose


def _gap_units(pipes: pd.DataFrame, settings: DrainageSettings | None) -> float:
    """Return the widest gap that is bridged, in units of the map; 0 where there is no map."""
    if not isinstance(pipes, gpd.GeoDataFrame) or pipes.crs is None or not pipes.crs.is_projected:
        return 0.0
    widest = (settings or DrainageSettings()).max_gap_ft
    return widest / feet_per_unit(pipes)


def first_on_path(receiver: IntArray, marked: BoolArray) -> IntArray:
    """Return the first marked node on every node's path, itself included; -1 if there is none."""
    if not marked.any():
        return np.full(len(receiver), -1, dtype=np.int64)
    stopped = np.where(marked, np.arange(len(receiver)), receiver)
    first, _ = follow(stopped)
    return np.where(marked[first], first, -1)
