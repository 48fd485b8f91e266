"""Traces after a pipe was edited: only the vaults whose water passes it are traced again."""

from __future__ import annotations

from typing import Any, cast

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd

from vaultplan.drainage.ends import pick
from vaultplan.drainage.follow import BoolArray, IntArray, follow
from vaultplan.drainage.network import DrainNetwork, lay_network
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
    passes = _passes_change(before, after)
    parts_now, parts_then = _parts_of(after), _parts_of(before)
    inlet_node = after.find(frames["inlets"]["node_id"])
    inlet_ids = pd.Index(frames["inlets"]["inlet_id"])
    touched = np.zeros(len(traces), dtype=bool)
    for name in ("inlet_id", "second_inlet_id"):
        row = inlet_ids.get_indexer(pd.Index(traces[name])).astype(np.int64)
        start = pick(inlet_node, np.where(traces[name].isna(), -1, row), -1)
        known = np.flatnonzero(start >= 0)
        at = start[known]
        touched[known] |= passes[at]
        for now, then in zip(parts_now, parts_then, strict=True):
            touched[known] |= now[at] != then[at]
    if not touched.any():
        return traces, after
    vaults = frames["vaults"].reset_index(drop=True)
    own = trace_vaults(
        cast(gpd.GeoDataFrame, vaults[touched]),
        cast(gpd.GeoDataFrame, frames["inlets"]),
        cast(gpd.GeoDataFrame, survey.pipes),
        cast(gpd.GeoDataFrame, frames["outfalls"]),
        cast(gpd.GeoDataFrame, frames["receiving_waters"]),
        settings=settings,
        roads=cast("gpd.GeoDataFrame | None", frames.get("roads")),
        curbs=cast("gpd.GeoDataFrame | None", frames.get("curbs")),
        drainage_areas=cast("gpd.GeoDataFrame | None", frames.get("drainage_areas")),
        inlet_choices=frames.get("inlet_choices"),
        network=after,
        with_geometry=with_geometry,
    )
    own.index = traces.index[touched]
    kept = traces[~touched]
    joined: gpd.GeoDataFrame = pd.concat([kept, own]).loc[traces.index]
    return joined, after


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
    _, (count,) = follow(after.receiver, moved.astype(np.float64))
    passes: BoolArray = moved | (count > 0) | moved[after.end]
    return passes


def _parts_of(net: DrainNetwork) -> tuple[npt.NDArray[Any], ...]:
    """Return what is told of split water at every node, in comparable form."""
    ids = np.arange(net.survey.outfalls).astype("U").astype(object)
    falls, ends = net.parts.listed(ids)
    split: IntArray = net.parts.first_split
    share = pick(net.parts.main_share(), split, 1.0)
    return (
        share,
        pick(np.where(pd.isna(falls), "", falls), split, ""),
        pick(np.where(pd.isna(ends), "", ends), split, ""),
    )
