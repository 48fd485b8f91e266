"""Where all of a split drain's water goes: the share that reaches each end."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy.sparse import coo_array, csr_array
from scipy.sparse.csgraph import connected_components

from vaultplan.drainage.follow import BoolArray, FloatArray, IntArray, follow

#: Ends that are no outfall, counted from the number of outfalls on.
OTHER_ENDS: Final = ("sewer", "private", "loop", "no_outfall")
#: Shares smaller than this are not told; assumed.
LEAST_SHARE: Final = 0.005


@dataclass(frozen=True, slots=True, eq=False)
class Parts:
    """Shares of the water from every split node by its ends.

    ``first_split`` is the place, among the splits, of the first on each node's path, -1 if there
    is none; ``shares`` is (splits, outfalls and then ``OTHER_ENDS``), rows sum to 1; ``main_end``
    is the column that the main path comes to.
    """

    first_split: IntArray
    shares: csr_array
    main_end: IntArray

    def main_share(self) -> FloatArray:
        """Return the share of each split's water that stays on the main path's end."""
        if not len(self.main_end):
            return np.empty(0)
        found: FloatArray = np.asarray(
            self.shares[np.arange(len(self.main_end)), self.main_end], dtype=np.float64
        ).ravel()
        return found

    def listed(
        self, outfall_ids: npt.NDArray[Any], status: npt.NDArray[Any]
    ) -> tuple[npt.NDArray[Any], npt.NDArray[Any]]:
        """Return, per split, the other outfalls as ``id=share``, and how other parts end.

        ``status`` is what it means to reach each outfall (``ends.outfall_status``): a part that
        ends in a dry well, or in an outfall whose water nobody knows, is told among the ends.
        """
        table = self.shares.tocoo()
        rows, column, share = table.coords[0], table.coords[1], table.data
        keep = (column != self.main_end[rows]) & (share >= LEAST_SHARE)
        rows, column, share = rows[keep], column[keep], share[keep]
        outfalls = np.full(len(self.main_end), None, dtype=object)
        ends = np.full(len(self.main_end), None, dtype=object)
        is_fall = column < len(outfall_ids)
        falls = pd.DataFrame(
            {"split": rows[is_fall], "id": outfall_ids[column[is_fall]], "share": share[is_fall]}
        ).sort_values(["split", "share", "id"], ascending=[True, False, True])
        told = falls["id"].astype("str") + "=" + falls["share"].map("{:.2f}".format).astype("str")
        joined = told.groupby(falls["split"]).agg(";".join)
        outfalls[joined.index.to_numpy(dtype=np.int64)] = joined.to_numpy(dtype=object)
        words = np.concatenate([status, np.asarray(OTHER_ENDS, dtype=object)])[column]
        short = pd.DataFrame({"split": rows, "end": words})[words != "complete"]
        short = short.drop_duplicates().sort_values(["split", "end"])
        joined = short["end"].astype("str").groupby(short["split"]).agg(";".join)
        ends[joined.index.to_numpy(dtype=np.int64)] = joined.to_numpy(dtype=object)
        return outfalls, ends


def part_ways(
    receiver: IntArray,
    ways: pd.DataFrame,
    outfall: IntArray,
    outfalls: int,
    *,
    on_loop: BoolArray,
    into_sewer: BoolArray,
    into_private: BoolArray,
    by_sewer: BoolArray,
    by_private: BoolArray,
) -> Parts:
    """Return where the water of every split goes.

    Parameters
    ----------
    receiver
        Main way on from each node; itself where it ends.
    ways
        From ``leaving.leaving_pipes``.
    outfall, outfalls
        Row of the outfall at each node (-1: none), and how many there are.
    on_loop, into_sewer, into_private
        Nodes on a circle of main pipes, and nodes whose main pipe is in another's sewer.
    by_sewer, by_private
        The same of each row of ``ways``.

    Notes
    -----
    A Markov chain over splits with ends as absorbing states (J. G. Kemeny and J. L. Snell (1960),
    Finite Markov Chains, ch. 3, from memory). Water that a way leads back to a split it came from
    counts as ending in a loop: gravity would not bring it there.
    """
    count = len(receiver)
    here = np.arange(count)
    split_nodes = np.unique(ways["node"].to_numpy(dtype=np.int64))
    split_nodes = split_nodes[~on_loop[split_nodes]]
    width = outfalls + len(OTHER_ENDS)
    if not len(split_nodes):
        nothing = csr_array((0, width), dtype=np.float64)
        return Parts(np.full(count, -1, dtype=np.int64), nothing, split_nodes)
    number = np.full(count, -1, dtype=np.int64)
    number[split_nodes] = np.arange(len(split_nodes))
    stops = (number >= 0) | into_sewer | into_private
    cut, _ = follow(np.where(stops, here, receiver))
    first_split = np.where(number[cut] >= 0, number[cut], -1)
    node = ways["node"].to_numpy(dtype=np.int64)
    kept = number[node] >= 0
    node, to = node[kept], ways["to"].to_numpy(dtype=np.int64)[kept]
    share = ways["share"].to_numpy(dtype=np.float64)[kept]
    sewer, private, loop, nowhere = outfalls + np.arange(len(OTHER_ENDS))

    def end_code(at: IntArray) -> IntArray:
        return np.select(
            [into_sewer[at], into_private[at], on_loop[at], outfall[at] >= 0],
            [sewer, private, loop, outfall[at]],
            nowhere,
        ).astype(np.int64)

    reached = cut[to]
    code = np.where(by_sewer[kept], sewer, np.where(by_private[kept], private, end_code(reached)))
    onward = np.where(by_sewer[kept] | by_private[kept], -1, number[reached])
    source = number[node]
    splits = len(split_nodes)
    steps = onward >= 0
    graph = coo_array(
        (np.ones(int(steps.sum())), (source[steps], onward[steps])), shape=(splits, splits)
    )
    _, ring = connected_components(graph.tocsr(), directed=True, connection="strong")
    back = steps & (ring[source] == ring[np.maximum(onward, 0)])
    code, steps = np.where(back, loop, code), steps & ~back
    direct = coo_array(
        (share[~steps], (source[~steps], code[~steps])), shape=(splits, width)
    ).tocsr()
    through = coo_array(
        (share[steps], (source[steps], onward[steps])), shape=(splits, splits)
    ).tocsr()
    shares = direct
    while True:  # every round settles the splits one step further up
        further = (direct + through @ shares).tocsr()
        change = abs(further - shares)
        if change.nnz == 0 or change.max() == 0.0:
            break
        shares = further
    end, _ = follow(np.where(into_sewer | into_private, here, receiver))
    return Parts(first_split, csr_array(shares), end_code(end[split_nodes]))
