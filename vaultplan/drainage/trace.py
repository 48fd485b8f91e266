"""Where water pumped from each vault would run, how far that is known, and how far to trust it."""

from __future__ import annotations

from collections.abc import Collection
from typing import Any

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd

from vaultplan.drainage.follow import BoolArray, IntArray
from vaultplan.drainage.network import DrainNetwork, build_network
from vaultplan.drainage.paths import draw_paths
from vaultplan.drainage.reasons import stop_reasons
from vaultplan.drainage.snap import Snapped, snap_to_inlets
from vaultplan.drainage.waters import waters_passed
from vaultplan.geometry import feet_per_unit, require_same_crs
from vaultplan.schema import table
from vaultplan.settings import DrainageSettings


def trace_vaults(
    vaults: gpd.GeoDataFrame,
    inlets: gpd.GeoDataFrame,
    drain_pipes: gpd.GeoDataFrame,
    outfalls: gpd.GeoDataFrame,
    receiving_waters: gpd.GeoDataFrame,
    *,
    settings: DrainageSettings,
    network: DrainNetwork | None = None,
    with_geometry: Collection[str] | bool = False,
) -> gpd.GeoDataFrame:
    """Return the path of every vault's water to the sea, as far as the tables know it.

    Parameters
    ----------
    vaults
        vault_id and point; retired vaults and those of other owners are traced like the rest.
    inlets, drain_pipes, outfalls, receiving_waters
        Tables of those names. Any may be empty: a path that cannot be known is a result.
    settings
        How far an inlet may be, and how close a second one must be to be kept.
    network
        The same drain tables as :func:`build_network` returned them, to save building it again.
    with_geometry
        Vault ids whose path is drawn, or True for all; lengths and statuses come for all anyway.

    Returns
    -------
    geopandas.GeoDataFrame
        Table ``traces``, a row per vault in their order. ``gutter_ft`` is the straight distance to
        the inlet, not the run along the gutter. Where the path stops short of an outfall,
        ``pipe_ft`` and ``length_ft`` reach as far as ``end_node``; both stay blank where a
        length on the way is not known.

    Raises
    ------
    CRSError
        If the tables differ in CRS or have none.

    Notes
    -----
    ``trace_status`` is the first of these that holds: no_inlet (none near enough), sewer (the path
    passes a combined or sanitary pipe), loop (pipes run in a circle; the path stops where it meets
    it), no_outfall, no_water (the outfall names no water that is listed; the nearest one is not
    guessed), complete. Confidence is low unless complete; then medium if the path passes a split,
    a pipe that does not say which sewer it belongs to, or a second inlet nearly as close leads to
    another end; otherwise high.
    """
    vaults = vaults.reset_index(drop=True)
    inlets = inlets.reset_index(drop=True)
    outfalls = outfalls.reset_index(drop=True)
    placed = {"vaults": vaults, "inlets": inlets, "drain_pipes": drain_pipes, "outfalls": outfalls}
    require_same_crs(**{name: frame for name, frame in placed.items() if len(frame)} or placed)
    net = network if network is not None else build_network(inlets, drain_pipes, outfalls)
    if len(vaults) == 0:
        nothing: gpd.GeoDataFrame = table("traces").empty(vaults.crs)
        return nothing
    snapped = snap_to_inlets(
        vaults,
        inlets,
        feet_per_unit(vaults),
        max_gutter_ft=settings.max_gutter_ft,
        second_inlet_ratio=settings.second_inlet_ratio,
    )
    inlet_nodes = net.find(inlets["node_id"])
    start = _pick(inlet_nodes, snapped.first, -1)
    end = _pick(net.end, start, -1)
    outfall = _pick(net.outfall, end, -1)
    chains = waters_passed(receiving_waters)
    named = _pick(outfalls["water_id"].to_numpy(dtype=object), outfall, None)
    water = pd.Series(named, dtype="str")
    water = water.where(water.isin(chains.index))
    sewer_entry = _pick(net.sewer_entry, start, -1)
    status = np.select(
        [
            snapped.first < 0,
            sewer_entry >= 0,
            _pick(net.on_loop, end, False),
            outfall < 0,
            water.isna().to_numpy(),
        ],
        ["no_inlet", "sewer", "loop", "no_outfall", "no_water"],
        "complete",
    )
    doubts = _doubts(net, snapped, inlet_nodes, start, end)
    doubtful = np.logical_or.reduce(list(doubts.values()))
    pipe_ft = np.where(snapped.first >= 0, _pick(net.run_ft, start, 0.0), np.nan)
    nodes = net.nodes.to_numpy(dtype=object)
    inlet_ids = inlets["inlet_id"].to_numpy(dtype=object)
    start_name = _pick(inlets["node_id"].to_numpy(dtype=object), snapped.first, None)
    traced = gpd.GeoDataFrame(
        {
            "vault_id": vaults["vault_id"],
            "trace_status": status,
            "confidence": np.select([status != "complete", doubtful], ["low", "medium"], "high"),
            "inlet_id": _pick(inlet_ids, snapped.first, None),
            "second_inlet_id": _pick(inlet_ids, snapped.second, None),
            "gutter_ft": snapped.first_ft,
            "pipe_ft": pipe_ft,
            "length_ft": snapped.first_ft + pipe_ft,
            "end_node": np.where(end >= 0, _pick(nodes, end, None), start_name),
            "outfall_id": _pick(outfalls["outfall_id"].to_numpy(dtype=object), outfall, None),
            "water_id": water,
            "waters_passed": water.map(chains),
        },
        geometry=_paths(vaults, inlets, drain_pipes, outfalls, net, snapped, start, with_geometry),
        crs=vaults.crs,
    )
    names = receiving_waters.set_index("water_id")["name"]
    traced["reason"] = stop_reasons(
        traced,
        doubts,
        is_placed=snapped.is_placed,
        max_gutter_ft=settings.max_gutter_ft,
        sewer_node=_pick(nodes, sewer_entry, None),
        water_named=named,
        water_name=water.map(names[~names.index.duplicated()]),
    )
    result: gpd.GeoDataFrame = table("traces").conform(traced)
    return result


def _pick(values: npt.NDArray[Any], rows: IntArray, blank: Any) -> npt.NDArray[Any]:
    """Return ``values`` at ``rows``, and ``blank`` where the row is negative."""
    if len(values) == 0:
        return np.full(len(rows), blank, dtype=object if blank is None else values.dtype)
    picked: npt.NDArray[Any] = np.where(rows >= 0, values[rows], blank)
    return picked


def _doubts(
    net: DrainNetwork, snapped: Snapped, inlet_nodes: IntArray, start: IntArray, end: IntArray
) -> dict[str, BoolArray]:
    second_end = _pick(net.end, _pick(inlet_nodes, snapped.second, -1), -1)
    return {
        "Another inlet is nearly as close and leads to another end.": (
            (snapped.second >= 0) & (second_end != end)
        ),
        "The drain splits on the way; the larger pipe is followed.": _pick(net.splits, start, 0)
        > 0,
        "Some pipes on the way do not say which sewer they belong to.": (
            _pick(net.unstated, start, 0) > 0
        ),
    }


def _paths(
    vaults: gpd.GeoDataFrame,
    inlets: gpd.GeoDataFrame,
    drain_pipes: gpd.GeoDataFrame,
    outfalls: gpd.GeoDataFrame,
    net: DrainNetwork,
    snapped: Snapped,
    start: IntArray,
    with_geometry: Collection[str] | bool,
) -> npt.NDArray[Any]:
    lines = np.full(len(vaults), None, dtype=object)
    asked = (
        np.full(len(vaults), with_geometry)
        if isinstance(with_geometry, bool)
        else vaults["vault_id"].isin(list(with_geometry)).to_numpy()
    )
    asked = asked & (snapped.first >= 0)
    if asked.any():
        lines[asked] = draw_paths(
            vaults.geometry.to_numpy()[asked],
            inlets.geometry.to_numpy()[snapped.first[asked]],
            start[asked],
            net,
            drain_pipes,
            outfalls,
        )
    return lines
