"""Traces after a pipe was edited: only the vaults whose water passes it are traced again."""

from __future__ import annotations

from typing import Any, cast

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd

from vaultplan.drainage.ends import pick
from vaultplan.drainage.follow import BoolArray, IntArray
from vaultplan.drainage.network import DrainNetwork, first_on_path, lay_network
from vaultplan.drainage.places import spots_of
from vaultplan.drainage.survey import amended
from vaultplan.drainage.trace import trace_vaults
from vaultplan.schema import Frames
from vaultplan.settings import DrainageSettings


def retrace(
    traces: gpd.GeoDataFrame,
    before: DrainNetwork,
    changed: pd.DataFrame,
    frames: Frames,
    *,
    settings: DrainageSettings,
    with_geometry: bool = False,
) -> tuple[gpd.GeoDataFrame, DrainNetwork]:
    """Return the traces and the network with some pipes as they are now.

    Parameters
    ----------
    traces, before
        What :func:`vaultplan.drainage.trace.trace_vaults` returned, and the network it went by.
    changed
        Rows of ``drain_pipes`` as they are now, with their ``pipe_id``.
    frames
        The other tables, as the traces were made from: vaults, inlets, outfalls, receiving_waters;
        and roads, curbs, drainage_areas, inlet_choices if they were used.
    settings
        As the traces were made with.
    with_geometry
        Whether the paths that are traced again are drawn.

    Returns
    -------
    tuple
        Table ``traces`` with the same rows, equal to tracing all vaults anew; and the new network.

    Raises
    ------
    TraceError
        If a pipe or a node is new: then trace all.
    """
    survey = amended(before.survey, changed)
    after = lay_network(survey, settings)
    inlets = frames["inlets"].reset_index(drop=True)
    is_touched = _is_touched(before, after)
    named = inlets["inlet_id"][is_touched]
    touched = (traces["inlet_id"].isin(named) | traces["second_inlet_id"].isin(named)).to_numpy()
    if not touched.any():
        return traces, after
    vaults = frames["vaults"].reset_index(drop=True)[touched]
    choices = frames.get("inlet_choices")
    near = _within(inlets, vaults, settings.max_gutter_ft / survey.unit_ft)
    if choices is not None:
        near |= inlets["inlet_id"].isin(choices["inlet_id"]).to_numpy()
    own = trace_vaults(
        cast(gpd.GeoDataFrame, vaults),
        cast(gpd.GeoDataFrame, inlets[near]),
        cast(gpd.GeoDataFrame, survey.pipes),
        cast(gpd.GeoDataFrame, frames["outfalls"]),
        cast(gpd.GeoDataFrame, frames["receiving_waters"]),
        settings=settings,
        roads=cast("gpd.GeoDataFrame | None", frames.get("roads")),
        curbs=cast("gpd.GeoDataFrame | None", frames.get("curbs")),
        drainage_areas=cast("gpd.GeoDataFrame | None", frames.get("drainage_areas")),
        inlet_choices=choices,
        network=after,
        with_geometry=with_geometry,
    )
    return _with_rows(traces, np.flatnonzero(touched), own), after


def _is_touched(before: DrainNetwork, after: DrainNetwork) -> BoolArray:
    """Return, per inlet, whether the water that enters it is affected."""
    node = after.survey.inlet_node
    known = node >= 0
    at = node[known]
    touched = np.zeros(len(node), dtype=bool)
    touched[known] = _passes_change(before, after)[at]
    for now, then in zip(_parts_at(after, at), _parts_at(before, at), strict=True):
        touched[known] |= now != then
    return touched


def _within(inlets: pd.DataFrame, vaults: pd.DataFrame, reach: float) -> BoolArray:
    """Return which inlets lie in the box around the vaults, widened by the farthest gutter run."""
    spots, points = spots_of(inlets), spots_of(vaults)
    points = points[np.isfinite(points).all(axis=1)]
    if not len(points):
        return np.zeros(len(inlets), dtype=bool)
    low, high = points.min(axis=0) - reach, points.max(axis=0) + reach
    inside: BoolArray = ((spots >= low) & (spots <= high)).all(axis=1)
    return inside


def _with_rows(traces: gpd.GeoDataFrame, rows: IntArray, own: pd.DataFrame) -> gpd.GeoDataFrame:
    """Return the traces with some rows replaced; columns in which nothing changed stay."""
    joined = traces.copy(deep=False)
    for name in traces.columns:
        before, now = traces[name].iloc[rows], own[name]
        same = (before.to_numpy(object) == now.to_numpy(object)) | (
            before.isna().to_numpy() & now.isna().to_numpy()
        )
        if not same.all():
            values = traces[name].copy()
            values.iloc[rows] = now.to_numpy() if name != "geometry" else now.array
            joined[name] = values
    return joined


def _passes_change(before: DrainNetwork, after: DrainNetwork) -> BoolArray:
    """Return whether each node's main path comes to a node that changed, itself included.

    Up to the first such node the path is the same in both networks: looking at one is enough.
    """
    old, new = before.survey, after.survey
    moved = (before.receiver != after.receiver) | (before.pipe != after.pipe)
    moved |= ~(
        (before.step_ft == after.step_ft) | (np.isnan(before.step_ft) & np.isnan(after.step_ft))
    )
    moved |= before.on_loop != after.on_loop
    pipe_changed = np.zeros(len(old.way.start), dtype=bool)
    for name in ("is_sewer", "is_private", "is_silent", "is_pumped"):
        pipe_changed |= getattr(old, name) != getattr(new, name)
    for name in ("start", "stop", "is_turned", "is_doubtful"):
        pipe_changed |= getattr(old.way, name) != getattr(new.way, name)
    for way in (old.way, new.way):
        ends = way.start[pipe_changed]
        moved[ends[ends >= 0]] = True
    is_split = [np.isin(np.arange(len(moved)), net.split_nodes) for net in (before, after)]
    moved |= is_split[0] != is_split[1]
    return first_on_path(after.receiver, moved) >= 0


def _parts_at(net: DrainNetwork, nodes: IntArray) -> tuple[npt.NDArray[Any], ...]:
    """Return what is told of split water at some nodes, in comparable form."""
    ids = np.arange(net.survey.outfalls).astype("U").astype(object)
    falls, ends = net.parts.listed(ids, np.full(len(ids), "complete", dtype=object))
    split = net.parts.first_split[nodes]
    return (
        pick(net.parts.main_share(), split, 1.0),
        pick(np.where(pd.isna(falls), "", falls), split, ""),
        pick(np.where(pd.isna(ends), "", ends), split, ""),
    )
