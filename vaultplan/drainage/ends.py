"""Where the water that enters an inlet ends, and how far that is known."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import pandas as pd

from vaultplan.drainage.follow import IntArray
from vaultplan.drainage.network import DrainNetwork

Texts = npt.NDArray[Any]

#: Ends that are listed as outfalls and are none; ``outfalls.kind``.
ENDS_OF_THEIR_OWN: Final = ("dry_well", "pump_station", "sewer_plant")
BROKEN: Final = ("loop", "no_outfall")


@dataclass(frozen=True, slots=True)
class Ends:
    """Per start: position in the network, last node, row of the outfall, and what they mean.

    ``water`` is the listed water it runs into, ``named`` what the outfall says; ``entry`` is the
    node where a sewer or private drain begins. All -1 or blank where there is none.
    """

    start: IntArray
    end: IntArray
    outfall: IntArray
    status: Texts
    named: Texts
    water: pd.Series[str]
    entry: IntArray


def pick(values: npt.NDArray[Any], rows: IntArray, blank: Any) -> npt.NDArray[Any]:
    """Return ``values`` at ``rows``, and ``blank`` where the row is negative."""
    if len(values) == 0:
        return np.full(len(rows), blank, dtype=object if blank is None else values.dtype)
    picked: npt.NDArray[Any] = np.where(rows >= 0, values[rows], blank)
    return picked


def outfall_status(outfalls: pd.DataFrame, chains: pd.Series[str]) -> Texts:
    """Return what it means to reach each outfall: complete, no_water, or an end of its own.

    ``chains`` is from :func:`vaultplan.drainage.waters.waters_passed`.
    """
    is_listed = outfalls["water_id"].isin(chains.index).to_numpy(bool)
    status = np.where(is_listed, "complete", "no_water").astype(object)
    if "kind" in outfalls:
        is_own = outfalls["kind"].isin(ENDS_OF_THEIR_OWN).to_numpy(bool)
        status[is_own] = outfalls["kind"].to_numpy(dtype=object)[is_own]
    return status


def ends_of(
    net: DrainNetwork,
    inlet: IntArray,
    inlets: pd.DataFrame,
    outfalls: pd.DataFrame,
    chains: pd.Series[str],
) -> Ends:
    """Return where the water of each inlet named by its row (-1: none) ends.

    Parameters
    ----------
    net
        From :func:`vaultplan.drainage.network.build_network`.
    inlet, inlets, outfalls
        Rows of inlets, and the tables.
    chains
        From :func:`vaultplan.drainage.waters.waters_passed`.

    Notes
    -----
    The status is the first of these that holds: no_inlet, sewer (the path passes a combined or
    sanitary pipe), private (a private drain, or an inlet of one), loop, dry_well, pump_station or
    sewer_plant (what the end is), no_outfall, no_water, complete.
    """
    start = pick(net.find(inlets["node_id"]), inlet, -1)
    end = pick(net.end, start, -1)
    outfall = pick(net.outfall, end, -1)
    named = pick(outfalls["water_id"].to_numpy(dtype=object), outfall, None)
    water = pd.Series(named, dtype="str")
    water = water.where(water.isin(chains.index))
    is_private = np.zeros(len(inlet), dtype=bool)
    if "owner" in inlets:
        owned = inlets["owner"].eq("private").fillna(value=False).to_numpy(bool)
        is_private = pick(owned, inlet, False).astype(bool)
    sewer, private = pick(net.sewer_entry, start, -1), pick(net.private_entry, start, -1)
    status = np.select(
        [
            inlet < 0,
            sewer >= 0,
            is_private | (private >= 0),
            pick(net.on_loop, end, False).astype(bool),
        ],
        ["no_inlet", "sewer", "private", "loop"],
        pick(outfall_status(outfalls, chains), outfall, "no_outfall").astype("U16"),
    ).astype(object)
    entry = np.where(sewer >= 0, sewer, private)
    return Ends(start, end, outfall, status, named, water, entry)
