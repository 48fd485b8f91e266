"""The pipes out of each node: the one most of the water takes, and the shares of the others."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import pandas as pd

from vaultplan.drainage.follow import IntArray

#: A full pipe carries as its diameter to this power, all else being equal: Manning's equation,
#: HEC-22 (2024) ch. 7 and 9.
CARRIES: Final = 8.0 / 3.0


@dataclass(frozen=True, slots=True)
class Leaves:
    """The pipe each node's water leaves by, and the ways where there is a choice.

    ``ways`` has a row per pipe out of a split node: ``node``, ``row`` of the pipe, ``to`` and the
    ``share`` of the water that takes it; shares of a node sum to 1.
    """

    first_nodes: IntArray
    first_pipes: IntArray
    split_nodes: IntArray
    ways: pd.DataFrame


def leaving_pipes(
    pipes: pd.DataFrame, start: IntArray, stop: IntArray, outfall: IntArray
) -> Leaves:
    """Return how water leaves each node.

    Parameters
    ----------
    pipes
        ``pipe_id`` and ``diameter_in``.
    start, stop
        Node positions of each pipe as the water runs; -1 where blank.
    outfall
        Per node, -1 where there is none; no pipe leads out of an outfall.

    Notes
    -----
    The main way is the pipe with the largest diameter (blank counts as smallest), then the first
    id in text order. Shares go with what full pipes carry; where a diameter at the node is blank,
    all its pipes count alike.
    """
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
    leading = choice.loc[~choice["goes_nowhere"]]
    several = leading.drop_duplicates(["node", "to"])["node"].value_counts()
    split = np.sort(several.index[several > 1].to_numpy(dtype=np.int64))
    ways = leading[leading["node"].isin(split)].copy()
    carried = ways["diameter"].clip(lower=0.0) ** CARRIES
    some_blank = (ways["diameter"] <= 0).groupby(ways["node"]).transform("any")
    carried = carried.mask(some_blank, 1.0)
    ways["share"] = carried / carried.groupby(ways["node"]).transform("sum")
    return Leaves(
        first_nodes=np.concatenate([start[rows[alone]], best["node"].to_numpy(dtype=np.int64)]),
        first_pipes=np.concatenate([rows[alone], best["row"].to_numpy(dtype=np.int64)]),
        split_nodes=split,
        ways=ways[["node", "row", "to", "share"]].reset_index(drop=True),
    )
