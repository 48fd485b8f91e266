"""The drain network: which node each node's water runs to, how far, and where it ends."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from vaultplan.drainage.faults import network_faults
from vaultplan.drainage.follow import BoolArray, FloatArray, IntArray, follow, loop_nodes
from vaultplan.drainage.gaps import bridges
from vaultplan.drainage.leaving import leaving_pipes
from vaultplan.drainage.parts import Parts, part_ways
from vaultplan.drainage.survey import DrainSurvey, survey_drains
from vaultplan.settings import DrainageSettings


@dataclass(frozen=True, slots=True, eq=False)
class DrainNetwork:
    """A drain network followed from every node to its end; all arrays run over ``nodes``.

    Attributes
    ----------
    survey
        The tables the network was laid from.
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
    split_nodes, bridged
        Nodes with several ways out, and nodes from which a gap is crossed.
    parts
        Where split water goes.
    """

    survey: DrainSurvey
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
    split_nodes: IntArray
    bridged: IntArray
    parts: Parts

    @property
    def nodes(self) -> pd.Index[Any]:
        """Node ids in text order."""
        return self.survey.nodes

    @property
    def outfall(self) -> IntArray:
        """Row in ``outfalls`` of the outfall at each node; -1 where there is none."""
        return self.survey.outfall

    def find(self, node_ids: pd.Series[Any]) -> IntArray:
        """Return the position of each node id; -1 where the network has no such node."""
        return self.survey.find(node_ids)

    def faults(self) -> pd.DataFrame:
        """Return what is wrong with the tables: fault, node_id, pipe_id, what."""
        return network_faults(
            self.survey, on_loop=self.on_loop, split_nodes=self.split_nodes, bridged=self.bridged
        )


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
    return lay_network(survey_drains(inlets, drain_pipes, outfalls), settings or DrainageSettings())


def lay_network(survey: DrainSurvey, settings: DrainageSettings) -> DrainNetwork:
    """Return the drain network of a survey; see :func:`build_network`."""
    count, way, outfall = len(survey.nodes), survey.way, survey.outfall
    here = np.arange(count, dtype=np.int64)
    leaves = leaving_pipes(survey.pipes, way.start, way.stop, outfall)
    pipe = np.full(count, -1, dtype=np.int64)
    pipe[leaves.first_nodes] = leaves.first_pipes
    receiver = np.where(pipe >= 0, way.stop[pipe] if len(way.stop) else here, here)
    on_loop = (pipe >= 0) & (receiver == here)
    on_loop[loop_nodes(receiver)] = True
    pipe[on_loop], receiver[on_loop] = -1, here[on_loop]
    widest = 0.0 if np.isnan(survey.unit_ft) else settings.max_gap_ft / survey.unit_ft
    gap_from, gap_to, gap = bridges(
        receiver,
        survey.places,
        _loose(count, way.start, way.stop, survey.inlet_node, outfall) & ~on_loop,
        (pipe >= 0) | (outfall >= 0),
        widest,
    )
    receiver[gap_from] = gap_to
    on_loop[loop_nodes(receiver)] = True
    pipe[on_loop], receiver[on_loop] = -1, here[on_loop]
    gap_step = np.zeros(count)
    gap_step[gap_from] = gap * survey.unit_ft if len(gap) else gap
    gap_step[on_loop] = 0.0
    leads = pipe >= 0

    def of_pipe(values: npt.NDArray[Any]) -> FloatArray:
        """Return the value of the pipe each node's water leaves by, 0 where there is none."""
        found = np.zeros(count)
        found[leads] = values[pipe[leads]]
        return found

    step = of_pipe(survey.length_ft) + gap_step
    is_split = np.zeros(count)
    is_split[leaves.split_nodes] = 1.0
    end, sums = follow(
        receiver,
        step,
        leads.astype(np.float64),
        is_split,
        of_pipe(survey.is_silent),
        of_pipe(way.is_doubtful | way.is_turned),
        of_pipe(survey.is_pumped),
        gap_step,
    )
    hops, splits, unstated, doubtful, pumps = (total.astype(np.int64) for total in sums[1:6])
    into_sewer, into_private = of_pipe(survey.is_sewer) > 0, of_pipe(survey.is_private) > 0
    row = leaves.ways["row"].to_numpy(dtype=np.int64)
    parts = part_ways(
        receiver,
        leaves.ways,
        outfall,
        survey.outfalls,
        on_loop=on_loop,
        into_sewer=into_sewer,
        into_private=into_private,
        by_sewer=survey.is_sewer[row],
        by_private=survey.is_private[row],
    )
    return DrainNetwork(
        survey=survey,
        receiver=receiver,
        pipe=pipe,
        step_ft=step,
        end=end,
        run_ft=sums[0],
        hops=hops,
        splits=splits,
        unstated=unstated,
        doubtful=doubtful,
        pumps=pumps,
        gap_ft=sums[6],
        sewer_entry=first_on_path(receiver, into_sewer),
        private_entry=first_on_path(receiver, into_private),
        on_loop=on_loop,
        split_nodes=leaves.split_nodes,
        bridged=gap_from,
        parts=parts,
    )


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


def first_on_path(receiver: IntArray, marked: BoolArray) -> IntArray:
    """Return the first marked node on every node's path, itself included; -1 if there is none."""
    if not marked.any():
        return np.full(len(receiver), -1, dtype=np.int64)
    stopped = np.where(marked, np.arange(len(receiver)), receiver)
    first, _ = follow(stopped)
    return np.where(marked[first], first, -1)
