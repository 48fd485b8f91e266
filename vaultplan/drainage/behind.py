"""The view upstream: which nodes and which vaults lie behind a place."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from vaultplan.drainage.follow import follow
from vaultplan.drainage.network import DrainNetwork
from vaultplan.errors import TraceError


def nodes_behind(network: DrainNetwork, node_id: str) -> list[str]:
    """Return the ids of all nodes whose water passes a node, without the node itself.

    Raises
    ------
    TraceError
        If the network has no such node.
    """
    place = int(network.find(pd.Series([node_id], dtype="str"))[0])
    if place < 0:
        raise TraceError(f"the drain network has no node {node_id!r}; look in inlets and pipes")
    receiver = network.receiver.copy()
    receiver[place] = place
    end, _ = follow(receiver)
    behind = np.flatnonzero(end == place)
    return [str(name) for name in network.nodes[behind[behind != place]]]


def everything_behind(
    traces: pd.DataFrame,
    *,
    inlet_id: str | None = None,
    outfall_id: str | None = None,
    water_id: str | None = None,
) -> pd.Series[Any]:
    """Return the ids of all vaults whose water would pass an inlet, an outfall or a water.

    Parameters
    ----------
    traces
        Table ``traces``.
    inlet_id, outfall_id, water_id
        The place; of several, a vault must pass all. A water counts when it is anywhere in
        ``waters_passed``.

    Raises
    ------
    TraceError
        If no place is given.

    Examples
    --------
    >>> paths = pd.DataFrame({"vault_id": ["v1", "v2"], "waters_passed": ["creek;bay", "bay"]})
    >>> everything_behind(paths, water_id="creek").tolist()
    ['v1']
    """
    if inlet_id is None and outfall_id is None and water_id is None:
        raise TraceError("give an inlet, an outfall or a water to look behind")
    behind = pd.Series(True, index=traces.index)
    for column, wanted in (("inlet_id", inlet_id), ("outfall_id", outfall_id)):
        if wanted is not None:
            behind &= traces[column] == wanted
    if water_id is not None:
        passed = ";" + traces["waters_passed"].fillna("") + ";"
        behind &= passed.str.contains(f";{water_id};", regex=False)
    return traces.loc[behind, "vault_id"]
