"""What is wrong with the tables of the drains."""

from __future__ import annotations

from typing import Any, Final

import numpy as np
import numpy.typing as npt
import pandas as pd

from vaultplan.drainage.follow import BoolArray, IntArray
from vaultplan.drainage.survey import DrainSurvey

FAULT_COLUMNS: Final = ("fault", "node_id", "pipe_id", "what")


def network_faults(
    survey: DrainSurvey, *, on_loop: BoolArray, split_nodes: IntArray, bridged: IntArray
) -> pd.DataFrame:
    """Return every fault with its node or pipe, and what it is: fault, node_id, pipe_id, what."""
    nodes, pipes, way, outfall = survey.nodes, survey.pipes, survey.way, survey.outfall
    inlet_node, fall_node, lengths = survey.inlet_node, survey.fall_node, survey.length_ft
    start, stop = way.start, way.stop
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
            at_nodes("split", split_nodes, "pipes lead from here to several nodes"),
            at_nodes("dead_end", stray & arrives, "a pipe ends here and there is no outfall"),
            at_nodes("loose_inlet", stray & ~arrives & gathers, "an inlet that no pipe leaves"),
            at_nodes("outfall_goes_on", has_outfall & leads, "a pipe leads out of an outfall"),
            at_nodes("gap", bridged, "nothing leads on from here; a node near by is taken to"),
            at_nodes("two_outfalls", falls_here > 1, "several outfalls at one node"),
            at_pipes("blank_node", (start < 0) | (stop < 0), "the pipe lacks an end node"),
            at_pipes("same_node", (start == stop) & (start >= 0), "the pipe ends where it starts"),
            at_pipes("turned", way.is_turned, "levels and drawing say it runs the other way"),
            at_pipes("against", way.is_doubtful, "levels or drawing say it runs the other way"),
            at_pipes("no_length", np.isnan(lengths), "no length is given and none can be measured"),
        ],
        ignore_index=True,
    )
    return listed.astype(dict.fromkeys(FAULT_COLUMNS, "str"))
