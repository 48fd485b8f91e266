"""The drain network: which node each node's water runs to, how far, and where it ends."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

from vaultplan.drainage.follow import BoolArray, FloatArray, IntArray, follow, loop_nodes
from vaultplan.geometry import feet_per_unit

SEWERS: Final = ("combined", "sanitary")
FAULT_COLUMNS: Final = ("fault", "node_id", "pipe_id", "what")


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
        Row in ``drain_pipes`` of the pipe the water leaves by; -1 where it ends.
    end, run_ft, hops
        Last node reached, feet to it (not a number where a pipe's length is not known) and pipes
        passed on the way.
    splits, unstated
        How many nodes on the way have other pipes out of them, and how many pipes do not say which
        sewer they belong to while others do.
    sewer_entry
        Node at which the path first enters a combined or sanitary sewer; -1 if it never does.
    on_loop
        Whether the node lies on a loop; a path stops at the first such node.
    outfall
        Row in ``outfalls`` of the outfall at the node; -1 where there is none.
    pipe_nodes
        Position of both end nodes of every pipe, from and to; -1 where blank.
    faults
        What is wrong with the tables: fault, node_id, pipe_id, what.
    """

    nodes: pd.Index[Any]
    receiver: IntArray
    pipe: IntArray
    end: IntArray
    run_ft: FloatArray
    hops: IntArray
    splits: IntArray
    unstated: IntArray
    sewer_entry: IntArray
    on_loop: BoolArray
    outfall: IntArray
    pipe_nodes: npt.NDArray[np.int64]
    faults: pd.DataFrame

    def find(self, node_ids: pd.Series[Any]) -> IntArray:
        """Return the position of each node id; -1 where the network has no such node."""
        if len(self.nodes) == 0:
            return np.full(len(node_ids), -1, dtype=np.int64)
        return np.asarray(self.nodes.get_indexer(pd.Index(node_ids.astype("str"))), dtype=np.int64)


def build_network(
    inlets: pd.DataFrame, drain_pipes: pd.DataFrame, outfalls: pd.DataFrame
) -> DrainNetwork:
    """Return the drain network with every node followed to its end.

    Parameters
    ----------
    inlets, drain_pipes, outfalls
        Tables of those names; any may be empty. A pipe's ``length_ft`` is taken where given, else
        measured on the map.

    Raises
    ------
    CRSError
        If a length must be measured and the pipes have no projected CRS.

    Notes
    -----
    Water takes one pipe out of a node: the one with the largest diameter (blank counts as
    smallest), then the first id in text order. Nodes with pipes to several nodes are splits and
    listed in ``faults``, as are loops, dead ends, outfalls that pipes lead out of, and pipes
    without a node or a length. An outfall ends the path. Where no pipe at all says which system it
    belongs to, the table is taken for what it is called, a storm drain; where some say, the silent
    ones are counted
    in ``unstated``.

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
    outfall = _outfall_rows(falls, fall_node, count)
    lengths = _lengths_ft(pipes)
    leaves = _leaving_pipes(pipes, start, stop, outfall)
    pipe = np.full(count, -1, dtype=np.int64)
    pipe[leaves.first_nodes] = leaves.first_pipes
    leads = pipe >= 0
    receiver = np.arange(count, dtype=np.int64)
    receiver[leads] = stop[pipe[leads]]

    on_loop = np.zeros(count, dtype=bool)
    on_loop[loop_nodes(receiver)] = True
    on_loop |= leads & (receiver == np.arange(count))
    receiver[on_loop] = np.flatnonzero(on_loop)
    pipe[on_loop] = -1
    leads &= ~on_loop

    step = np.zeros(count)
    step[leads] = lengths[pipe[leads]]
    system = pipes["system"] if "system" in pipes else pd.Series([None] * len(pipes), dtype="str")
    silent = np.zeros(count)
    if system.notna().any():
        silent[leads] = system.isna().to_numpy()[pipe[leads]]
    is_split = np.zeros(count)
    is_split[leaves.split_nodes] = 1.0
    end, (run_ft, hops, splits, unstated) = follow(receiver, step, np.ones(count), is_split, silent)
    into_sewer = np.zeros(count, dtype=bool)
    into_sewer[leads] = system.isin(SEWERS).to_numpy()[pipe[leads]]
    return DrainNetwork(
        nodes=nodes,
        receiver=receiver,
        pipe=pipe,
        end=end,
        run_ft=run_ft,
        hops=hops.astype(np.int64),
        splits=splits.astype(np.int64),
        unstated=unstated.astype(np.int64),
        sewer_entry=_first_on_path(receiver, into_sewer),
        on_loop=on_loop,
        outfall=outfall,
        pipe_nodes=np.column_stack([start, stop]),
        faults=_faults(
            nodes,
            pipes,
            start,
            stop,
            inlet_node,
            fall_node,
            outfall,
            lengths,
            on_loop,
            leaves,
        ),
    )


@dataclass(frozen=True, slots=True)
class _Leaves:
    """The pipe each node's water leaves by, and the nodes where there was a choice."""

    first_nodes: IntArray
    first_pipes: IntArray
    split_nodes: IntArray


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


def _leaving_pipes(
    pipes: pd.DataFrame, start: IntArray, stop: IntArray, outfall: IntArray
) -> _Leaves:
    usable = (start >= 0) & (stop >= 0)
    usable[usable] = outfall[start[usable]] < 0
    rows = np.flatnonzero(usable)
    counts = np.bincount(start[rows], minlength=len(outfall))
    alone = counts[start[rows]] == 1
    rivals = rows[~alone]
    diameter = (
        pipes["diameter_in"].iloc[rivals].to_numpy(dtype=np.float64, na_value=np.nan)
        if "diameter_in" in pipes
        else np.full(len(rivals), np.nan)
    )
    choice = pd.DataFrame(
        {
            "row": rivals,
            "node": start[rivals],
            "to": stop[rivals],
            "goes_nowhere": start[rivals] == stop[rivals],
            "diameter": np.nan_to_num(diameter, nan=-1.0),
            "pipe_id": pipes["pipe_id"].iloc[rivals].astype("str").to_numpy(),
        }
    ).sort_values(
        ["node", "goes_nowhere", "diameter", "pipe_id"], ascending=[True, True, False, True]
    )
    best = choice.drop_duplicates("node")
    ways = choice.loc[~choice["goes_nowhere"]].drop_duplicates(["node", "to"])
    several = ways["node"].value_counts()
    return _Leaves(
        first_nodes=np.concatenate([start[rows[alone]], best["node"].to_numpy(dtype=np.int64)]),
        first_pipes=np.concatenate([rows[alone], best["row"].to_numpy(dtype=np.int64)]),
        split_nodes=np.sort(several.index[several > 1].to_numpy(dtype=np.int64)),
    )


def _first_on_path(receiver: IntArray, marked: BoolArray) -> IntArray:
    """Return the first marked node on every node's path, itself included; -1 if there is none."""
    if not marked.any():
        return np.full(len(receiver), -1, dtype=np.int64)
    stopped = np.where(marked, np.arange(len(receiver)), receiver)
    first, _ = follow(stopped)
    return np.where(marked[first], first, -1)


def _faults(
    nodes: pd.Index[Any],
    pipes: pd.DataFrame,
    start: IntArray,
    stop: IntArray,
    inlet_node: IntArray,
    fall_node: IntArray,
    outfall: IntArray,
    lengths: FloatArray,
    on_loop: BoolArray,
    leaves: _Leaves,
) -> pd.DataFrame:
    names = nodes.to_numpy(dtype=object)
    pipe_ids = pipes["pipe_id"].to_numpy(dtype=object)
    count = len(nodes)
    leads = np.zeros(count, dtype=bool)
    leads[start[(start >= 0) & (stop >= 0)]] = True
    arrives = np.zeros(count, dtype=bool)
    arrives[stop[stop >= 0]] = True
    gathers = np.zeros(count, dtype=bool)
    gathers[inlet_node[inlet_node >= 0]] = True
    has_outfall = outfall >= 0
    falls_here = np.bincount(fall_node[fall_node >= 0], minlength=count)
    stray = ~leads & ~has_outfall

    def at_nodes(fault: str, mask: npt.NDArray[Any], what: str) -> pd.DataFrame:
        found = names[mask]
        return pd.DataFrame({"fault": fault, "node_id": found, "pipe_id": None, "what": what})

    def at_pipes(fault: str, mask: BoolArray, what: str) -> pd.DataFrame:
        found = pipe_ids[mask]
        return pd.DataFrame({"fault": fault, "node_id": None, "pipe_id": found, "what": what})

    listed = pd.concat(
        [
            at_nodes("loop", on_loop, "pipes run in a circle through this node"),
            at_nodes("split", leaves.split_nodes, "pipes lead from here to several nodes"),
            at_nodes("dead_end", stray & arrives, "a pipe ends here and there is no outfall"),
            at_nodes("loose_inlet", stray & ~arrives & gathers, "an inlet that no pipe leaves"),
            at_nodes("outfall_goes_on", has_outfall & leads, "a pipe leads out of an outfall"),
            at_nodes("two_outfalls", falls_here > 1, "several outfalls at one node"),
            at_pipes("blank_node", (start < 0) | (stop < 0), "the pipe lacks an end node"),
            at_pipes("same_node", (start == stop) & (start >= 0), "the pipe ends where it starts"),
            at_pipes("no_length", np.isnan(lengths), "no length is given and none can be measured"),
        ],
        ignore_index=True,
    )
    return listed.astype(dict.fromkeys(FAULT_COLUMNS, "str"))
