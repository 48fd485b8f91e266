"""Where water pumped from each vault would run, how far that is known, and how far to trust it."""

from __future__ import annotations

from collections.abc import Collection
from typing import Any

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd

from vaultplan.drainage.areas import outfalls_by_area
from vaultplan.drainage.ends import BROKEN, Ends, ends_of, outfall_status, pick
from vaultplan.drainage.follow import BoolArray, IntArray
from vaultplan.drainage.network import DrainNetwork, build_network
from vaultplan.drainage.paths import draw_paths
from vaultplan.drainage.reasons import stop_reasons
from vaultplan.drainage.snap import Snapped, snap_to_inlets
from vaultplan.drainage.waters import feet_to_waters, waters_passed
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
    roads: gpd.GeoDataFrame | None = None,
    curbs: gpd.GeoDataFrame | None = None,
    drainage_areas: gpd.GeoDataFrame | None = None,
    inlet_choices: pd.DataFrame | None = None,
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
        How far an inlet may be, how close a second one must be to be kept, and the like.
    roads, curbs, drainage_areas, inlet_choices
        Tables of those names, as far as there are any: they tell which side of the street an inlet
        is on, where a vault drains whose pipes are not known, and what people found out.
    network
        The same drain tables as :func:`build_network` returned them, to save building it again.
    with_geometry
        Vault ids whose path is drawn, or True for all; lengths and statuses come for all anyway.

    Returns
    -------
    geopandas.GeoDataFrame
        Table ``traces``, a row per vault in their order. ``gutter_ft`` is the run along the curb
        where ``placed_by`` is curb, else the straight distance to the inlet. Where the path stops
        short of an outfall, ``pipe_ft`` and ``length_ft`` reach as far as ``end_node``; both stay
        blank where a length on the way is not known.

    Raises
    ------
    CRSError
        If the tables differ in CRS or have none.

    Notes
    -----
    ``trace_status`` is as told in :func:`vaultplan.drainage.ends.ends_of`; where it would be
    no_inlet, no_outfall or loop and a drainage area holds the vault, it is by_area, with that
    area's outfall, or what that outfall means if it is no way to a listed water. Confidence is low
    unless the status is complete; then medium if anything on the way is doubtful: a split, a gap
    that is bridged, a pipe that may run the other way or does not say which sewer it belongs to, or
    a second inlet nearly as close that leads to another end; otherwise high. The second inlet's
    path is traced as well, and where drains split, the parts tell where the rest of the water goes,
    from both inlets: who decides must go by the strictest of them all.
    """
    vaults = vaults.reset_index(drop=True)
    inlets = inlets.reset_index(drop=True)
    outfalls = outfalls.reset_index(drop=True)
    placed = {"vaults": vaults, "inlets": inlets, "drain_pipes": drain_pipes, "outfalls": outfalls}
    more = {"roads": roads, "curbs": curbs, "drainage_areas": drainage_areas}
    placed |= {name: frame for name, frame in more.items() if frame is not None}
    require_same_crs(**{name: frame for name, frame in placed.items() if len(frame)} or placed)
    net = network
    if net is None:
        net = build_network(inlets, drain_pipes, outfalls, settings=settings)
    if len(vaults) == 0:
        nothing: gpd.GeoDataFrame = table("traces").empty(vaults.crs)
        return nothing
    unit_ft = feet_per_unit(vaults)
    snapped = snap_to_inlets(
        vaults,
        inlets,
        unit_ft,
        settings=settings,
        roads=roads,
        curbs=curbs,
        inlet_choices=inlet_choices,
    )
    chains = waters_passed(receiving_waters)
    first = ends_of(net, snapped.first, inlets, outfalls, chains)
    second = ends_of(net, snapped.second, inlets, outfalls, chains)
    outfall_ids = outfalls["outfall_id"].to_numpy(dtype=object)
    doubts = _doubts(net, snapped, first, second)
    doubtful = np.logical_or.reduce(list(doubts.values()))
    complete = first.status == "complete"
    pipe_ft = np.where(snapped.first >= 0, pick(net.run_ft, first.start, 0.0), np.nan)
    nodes = net.nodes.to_numpy(dtype=object)
    inlet_ids = inlets["inlet_id"].to_numpy(dtype=object)
    start_name = pick(inlets["node_id"].to_numpy(dtype=object), snapped.first, None)
    split = pick(net.parts.first_split, first.start, -1)
    second_split = pick(net.parts.first_split, second.start, -1)
    part_outfalls, part_ends = net.parts.listed(outfall_ids, outfall_status(outfalls, chains))
    main_share = np.where(snapped.first >= 0, pick(net.parts.main_share(), split, 1.0), np.nan)
    traced = gpd.GeoDataFrame(
        {
            "vault_id": vaults["vault_id"],
            "trace_status": first.status,
            "confidence": np.select([~complete, doubtful], ["low", "medium"], "high"),
            "inlet_id": pick(inlet_ids, snapped.first, None),
            "placed_by": snapped.placed_by,
            "second_inlet_id": pick(inlet_ids, snapped.second, None),
            "second_status": pd.Series(second.status, dtype="str").where(snapped.second >= 0),
            "second_outfall_id": pick(outfall_ids, second.outfall, None),
            "second_parts": pick(part_outfalls, second_split, None),
            "second_part_ends": pick(part_ends, second_split, None),
            "gutter_ft": snapped.first_ft,
            "pipe_ft": pipe_ft,
            "length_ft": snapped.first_ft + pipe_ft,
            "end_node": np.where(first.end >= 0, pick(nodes, first.end, None), start_name),
            "outfall_id": pick(outfall_ids, first.outfall, None),
            "main_share": main_share,
            "part_outfalls": pick(part_outfalls, split, None),
            "part_ends": pick(part_ends, split, None),
            "gap_ft": pick(net.gap_ft, first.start, np.nan),
            "pumps_passed": pick(net.pumps, first.start, 0),
            "water_id": first.water,
            "waters_passed": first.water.map(chains),
            "waters_ft": _feet_down(first.outfall, outfalls, receiving_waters, unit_ft),
        },
        geometry=_paths(
            vaults, inlets, drain_pipes, outfalls, net, snapped, first.start, with_geometry
        ),
        crs=vaults.crs,
    )
    names = receiving_waters.set_index("water_id")["name"]
    traced["reason"] = stop_reasons(
        traced,
        doubts,
        is_placed=snapped.is_placed,
        max_gutter_ft=settings.max_gutter_ft,
        entry_node=pick(nodes, first.entry, None),
        water_named=first.named,
        water_name=first.water.map(names[~names.index.duplicated()]),
    )
    if drainage_areas is not None and len(drainage_areas):
        _fall_back(traced, vaults, drainage_areas, outfalls, receiving_waters, chains)
    result: gpd.GeoDataFrame = table("traces").conform(traced)
    return result


def _doubts(net: DrainNetwork, snapped: Snapped, first: Ends, second: Ends) -> dict[str, BoolArray]:
    """Return what is doubtful about paths, in words, and where."""
    has = first.start >= 0
    bridged = has & (pick(net.gap_ft, first.start, 0.0) > 0)
    return {
        "Another inlet is nearly as close and leads to another end.": (
            (snapped.second >= 0) & ((second.end != first.end) | (second.status != first.status))
        ),
        "The drain splits on the way; the larger pipe is followed.": (
            pick(net.splits, first.start, 0) > 0
        ),
        "Some pipes on the way do not say which sewer they belong to.": (
            pick(net.unstated, first.start, 0) > 0
        ),
        "A gap in the drawn drains is bridged.": bridged,
        "A pipe on the way may run the other way.": pick(net.doubtful, first.start, 0) > 0,
    }


def _feet_down(
    outfall: IntArray, outfalls: gpd.GeoDataFrame, waters: gpd.GeoDataFrame, unit_ft: float
) -> npt.NDArray[Any]:
    """Return, for rows of outfalls (-1: none), how far down each water begins."""
    reached = np.unique(outfall[outfall >= 0])
    told = feet_to_waters(outfalls.iloc[reached], waters, unit_ft).to_numpy(dtype=object)
    return pick(told, np.where(outfall >= 0, np.searchsorted(reached, outfall), -1), None)


def _fall_back(
    traced: gpd.GeoDataFrame,
    vaults: gpd.GeoDataFrame,
    areas: gpd.GeoDataFrame,
    outfalls: gpd.GeoDataFrame,
    receiving_waters: gpd.GeoDataFrame,
    chains: pd.Series[str],
) -> None:
    """Put the outfall of the drainage area where pipes lead to none."""
    lost = traced["trace_status"].isin(["no_inlet", *BROKEN]).to_numpy()
    row, others = outfalls_by_area(vaults, lost, areas, outfalls)
    found = np.flatnonzero(row >= 0)
    if not len(found):
        return
    at = traced.index[found]
    outfall = outfalls["outfall_id"].to_numpy(dtype=object)[row[found]]
    water = pd.Series(outfalls["water_id"].to_numpy(dtype=object)[row[found]], at, dtype="str")
    water = water.where(water.isin(chains.index))
    status = outfall_status(outfalls, chains)
    meant = status[row[found]]
    traced.loc[at, "trace_status"] = np.where(meant == "complete", "by_area", meant)
    traced.loc[at, "confidence"] = "low"
    traced.loc[at, "outfall_id"] = outfall
    by_id = dict(zip(outfalls["outfall_id"], status, strict=True))
    for column, added in (
        ("part_outfalls", others[found]),
        ("part_ends", np.array([_short_of_water(more, by_id) for more in others[found]], object)),
    ):
        before = traced.loc[at, column].fillna("").to_numpy(dtype=object)
        joined = [";".join(filter(None, pair)) for pair in zip(before, added, strict=True)]
        traced.loc[at, column] = pd.Series(joined, at, dtype="str").replace("", None)
    traced.loc[at, "main_share"] = np.nan
    traced.loc[at, "water_id"] = water
    traced.loc[at, "waters_passed"] = water.map(chains)
    unit_ft = feet_per_unit(vaults)
    traced.loc[at, "waters_ft"] = _feet_down(row[found], outfalls, receiving_waters, unit_ft)
    traced.loc[at, "reason"] = (
        traced.loc[at, "reason"] + " It lies in the area drained by outfall " + outfall + "."
    )


def _short_of_water(parts: str | None, status: dict[str, str]) -> str | None:
    """Return in words how outfalls, as ``id=share``, end if they are no way to a listed water."""
    words = [status[part.rsplit("=", 1)[0]] for part in (parts or "").split(";") if part]
    return ";".join(dict.fromkeys(word for word in words if word != "complete")) or None


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
