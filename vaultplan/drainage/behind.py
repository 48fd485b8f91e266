"""The view upstream: which nodes and which vaults lie behind a place."""

from __future__ import annotations

from typing import Any, Final

import numpy as np
import pandas as pd

from vaultplan.drainage.follow import BoolArray, IntArray, follow
from vaultplan.drainage.network import DrainNetwork
from vaultplan.errors import TraceError

#: How a vault's water comes to a place: by its traced path, by a part that splits off, or only if
#: it enters its second inlet.
WAYS: Final = ("path", "part", "second_inlet")


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
    behind = np.flatnonzero(_main_behind(network, place))
    return [str(name) for name in network.nodes[behind[behind != place]]]


def vaults_behind(
    network: DrainNetwork | None,
    traces: pd.DataFrame,
    inlets: pd.DataFrame | None,
    *,
    node_id: str | None = None,
    pipe_id: str | None = None,
    inlet_id: str | None = None,
    outfall_id: str | None = None,
    water_id: str | None = None,
    waters: pd.Series[str] | None = None,
) -> pd.DataFrame:
    """Return all vaults whose water would, or in part might, pass one place.

    Parameters
    ----------
    network, inlets
        The drains that ``traces`` were made with; only a node or pipe needs them.
    traces
        Table ``traces``.
    node_id, pipe_id, inlet_id, outfall_id, water_id
        The place: exactly one of them.
    waters
        For a water: from :func:`vaultplan.drainage.waters.waters_of_outfalls`.

    Returns
    -------
    pandas.DataFrame
        ``vault_id``; ``how``, of ``WAYS``; ``share`` of the water that comes there, as far as it is
        known: at a node or pipe below a split it is not, and blank.

    Raises
    ------
    TraceError
        If no place or more than one is given, or the drains have no such node or pipe.

    Examples
    --------
    >>> paths = pd.DataFrame({"vault_id": ["v1", "v2"], "inlet_id": ["i", "j"],
    ...     "second_inlet_id": [None, "i"], "main_share": [1.0, 1.0]})
    >>> vaults_behind(None, paths, None, inlet_id="i")[["vault_id", "how"]].to_numpy().tolist()
    [['v1', 'path'], ['v2', 'second_inlet']]
    """
    given = [node_id, pipe_id, inlet_id, outfall_id, water_id]
    if sum(one is not None for one in given) != 1:
        raise TraceError("give one inlet, pipe, node, outfall or water to look behind")
    if inlet_id is not None:
        main = traces["inlet_id"].eq(inlet_id).fillna(value=False).to_numpy(bool)
        second = traces["second_inlet_id"].eq(inlet_id).fillna(value=False).to_numpy(bool)
        return _told(traces, main, np.zeros(len(traces), dtype=bool), second, np.ones(len(traces)))
    if outfall_id is not None or water_id is not None:
        wanted = {outfall_id} if outfall_id is not None else _outfalls_to(water_id, waters)
        return _behind_outfalls(traces, wanted)
    if network is None or inlets is None:
        raise TraceError("to look behind a node or pipe, give the network and its inlets")
    return _behind_node(network, traces, inlets, node_id, pipe_id)


def _behind_outfalls(traces: pd.DataFrame, wanted: set[Any]) -> pd.DataFrame:
    main = traces["outfall_id"].isin(wanted).to_numpy(bool)
    second = traces["second_outfall_id"].isin(wanted).to_numpy(bool).copy()
    second[traces.index.get_indexer(_parts_to(traces, "second_parts", wanted).index)] = True
    share = np.where(main, traces["main_share"].fillna(1.0).to_numpy(float), 0.0)
    own = _parts_to(traces, "part_outfalls", wanted)
    share[traces.index.get_indexer(own.index)] += own.to_numpy()
    return _told(traces, main, share > 0, second, share)


def _parts_to(traces: pd.DataFrame, column: str, wanted: set[Any]) -> pd.Series[float]:
    """Return the share that parts bring to the outfalls wanted, of the rows where any do."""
    pieces = traces[column].dropna().str.split(";").explode().str.rsplit("=", n=1)
    hit = pieces[pieces.str[0].isin(wanted)]
    brought: pd.Series[float] = hit.str[1].astype(float).groupby(level=0).sum()
    return brought


def _outfalls_to(water_id: str | None, waters: pd.Series[str] | None) -> set[Any]:
    if waters is None:
        raise TraceError("to look behind a water, say which waters each outfall's water passes")
    passed = ";" + waters.fillna("") + ";"
    return set(waters.index[passed.str.contains(f";{water_id};", regex=False)])


def _behind_node(
    network: DrainNetwork,
    traces: pd.DataFrame,
    inlets: pd.DataFrame,
    node_id: str | None,
    pipe_id: str | None,
) -> pd.DataFrame:
    if pipe_id is not None:
        row = np.flatnonzero(network.survey.pipes["pipe_id"].eq(pipe_id).to_numpy(bool))
        if not len(row):
            raise TraceError(f"there is no pipe {pipe_id!r}")
        place = int(network.survey.way.start[row[0]])
        is_main = place >= 0 and network.pipe[place] == row[0]
    else:
        place = int(network.find(pd.Series([node_id], dtype="str"))[0])
        is_main = True
    if place < 0:
        raise TraceError(f"the drain network has no node {node_id!r}; look in inlets and pipes")
    by_main = _main_behind(network, place) & is_main
    by_any = _any_behind(network, place)
    row_of = pd.Index(inlets["inlet_id"])
    node = network.find(inlets["node_id"])
    passes = {}
    for name in ("inlet_id", "second_inlet_id"):
        at = row_of.get_indexer(pd.Index(traces[name]))
        start = np.where(at >= 0, node[at], -1)
        for kind, mask in (("main", by_main), ("any", by_any)):
            passes[name, kind] = (start >= 0) & mask[start]
        if name == "inlet_id":
            whole = (start >= 0) & (network.splits[start] == network.splits[place])
    if pipe_id is not None and np.isin(place, network.split_nodes):
        whole[:] = False
    second = passes["second_inlet_id", "any"]
    main, some = passes["inlet_id", "main"], passes["inlet_id", "any"]
    return _told(traces, main, some, second, np.where(main & whole, 1.0, np.nan))


def _main_behind(network: DrainNetwork, place: int) -> BoolArray:
    """Return which nodes' main path comes to a place, the place itself included."""
    receiver = network.receiver.copy()
    receiver[place] = place
    end, _ = follow(receiver)
    behind: BoolArray = end == place
    return behind


def _any_behind(network: DrainNetwork, place: int) -> BoolArray:
    """Return from which nodes any way leads to a place, the place itself included."""
    pairs = network.survey.way
    known = (pairs.start >= 0) & (pairs.stop >= 0)
    known[known] = network.outfall[pairs.start[known]] < 0
    bridged: IntArray = network.bridged
    tail = np.concatenate([pairs.start[known], bridged])
    head = np.concatenate([pairs.stop[known], network.receiver[bridged]])
    order = np.argsort(head, kind="stable")
    tail, first = tail[order], np.searchsorted(head[order], np.arange(len(network.receiver) + 1))
    behind = np.zeros(len(network.receiver), dtype=bool)
    behind[place] = True
    afoot = np.array([place])
    while len(afoot):
        count = first[afoot + 1] - first[afoot]
        at = (
            np.repeat(first[afoot], count)
            + np.arange(count.sum())
            - np.repeat(np.cumsum(count) - count, count)
        )
        afoot = np.unique(tail[at])
        afoot = afoot[~behind[afoot]]
        behind[afoot] = True
    return behind


def _told(
    traces: pd.DataFrame, main: BoolArray, some: BoolArray, second: BoolArray, share: Any
) -> pd.DataFrame:
    how = np.select([main, some, second], list(WAYS), "")
    behind = pd.DataFrame({"vault_id": traces["vault_id"].to_numpy(), "how": how, "share": share})
    behind["share"] = behind["share"].where(behind["how"] != "second_inlet")
    return behind[behind["how"] != ""].reset_index(drop=True)
