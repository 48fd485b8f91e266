"""Places of a fleet gathered from its vaults, and which of them are neighbours."""

from __future__ import annotations

from typing import Any, Final

import geopandas as gpd
import h3
import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely
from scipy import sparse

from vaultplan.analysis.along import lengths_between, near_along
from vaultplan.analysis.hotspots import near_each_other
from vaultplan.drainage.network import build_network
from vaultplan.errors import CRSError, SchemaError
from vaultplan.geometry import LONLAT, feet_per_unit
from vaultplan.schedule.streets import street_graph
from vaultplan.schema import Frames
from vaultplan.settings import ScheduleSettings, Settings
from vaultplan.units import FT_PER_MI

Ints = npt.NDArray[np.int64]

#: How the way from vault to vault is measured.
ALONG: Final = ("straight", "streets", "drains")
#: Sums kept when vaults are gathered to larger places.
SUMS: Final = (*("looks", "dirty_looks", "expected_looks", "above", "variance", "looked_vaults"),)
_RESOLUTION: Final = 8
_MOST_CELLS: Final = 2500


def gathered(told: gpd.GeoDataFrame, by: str, drains: Any) -> tuple[gpd.GeoDataFrame, Ints]:
    """Return the places and the number of each vault's, -1 where it has none.

    Parameters
    ----------
    told
        Vaults with ``SUMS`` and a point.
    by
        ``vault`` gives them as they are, ``hex`` cells of h3 resolution 8, ``outfall`` all that
        drains to one.
    drains
        Outfall of each vault.
    """
    if by == "vault":
        return told, np.arange(len(told), dtype=np.int64)
    if by == "outfall":
        number, ids = pd.factorize(drains)
    else:
        number, ids = pd.factorize(cells_of(told, _RESOLUTION))
    kept = number >= 0
    xy = shapely.get_coordinates(told.geometry)
    frame = pd.DataFrame(told[list(SUMS)])[kept].assign(x=xy[kept, 0], y=xy[kept, 1], vault_count=1)
    groups = frame.groupby(number[kept])
    places = groups[[*SUMS, "vault_count"]].sum()
    middle = groups[["x", "y"]].mean()
    # By hex and outfall a share of looks; drawn in by vault, where single looks are few.
    places["dirty_frac"] = places["dirty_looks"] / places["looks"].where(places["looks"] > 0)
    places.insert(0, by, pd.Series(ids, index=range(len(ids)))[places.index].astype("str"))
    shapes = gpd.points_from_xy(middle["x"], middle["y"], crs=told.crs)
    return gpd.GeoDataFrame(places, geometry=shapes), number.astype(np.int64)


def cells_of(places: gpd.GeoDataFrame, resolution: int) -> npt.NDArray[np.object_]:
    """Return the h3 cell that each point lies in."""
    degrees = shapely.get_coordinates(places.geometry.to_crs(LONLAT))
    told = [h3.latlng_to_cell(y, x, resolution) for x, y in degrees.tolist()]
    return np.array(told, dtype=object)


def overview(places: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """Return hexagons over the places: the smallest of which a map has at most 2,500.

    Returns
    -------
    geopandas.GeoDataFrame
        ``places``, ``hot`` and ``not_known`` (counts), and ``state``: not_known if most places are
        and none is hot, many_hot if a fifth or more are hot, some_hot or none_hot.
    """
    for resolution in (10, 9, 8, 7, 6, 5, 4):
        cells = cells_of(places, resolution)
        if len(np.unique(cells.astype(str))) <= _MOST_CELLS:
            break
    state = places["state"].to_numpy(dtype=object)
    told = pd.DataFrame(
        {"cell": cells, "places": 1, "hot": state == "hot", "not_known": state == "not_known"}
    )
    sums = told.groupby("cell").sum().astype("int64")
    is_hot, mostly_unknown = sums["hot"] > 0, 2 * sums["not_known"] > sums["places"]
    sums["state"] = np.select(
        [5 * sums["hot"] >= sums["places"], is_hot, mostly_unknown],
        ["many_hot", "some_hot", "not_known"],
        "none_hot",
    )
    rings = [[(x, y) for y, x in h3.cell_to_boundary(cell)] for cell in sums.index]
    shapes = gpd.GeoSeries(shapely.polygons(rings), crs=LONLAT) if rings else gpd.GeoSeries([])
    shapes = shapes.set_crs(LONLAT, allow_override=True).to_crs(places.crs)
    return gpd.GeoDataFrame(sums.reset_index(drop=True), geometry=shapes, crs=places.crs)


def neighbours_of(
    places: gpd.GeoDataFrame, by: str, along: str, frames: Frames, settings: Settings
) -> sparse.csr_matrix:
    """Return which places are neighbours, 0 and 1.

    Parameters
    ----------
    places, by
        From :func:`gathered`. Hexes are neighbours of those they touch, outfalls of none.
    along
        One of ``ALONG``, for vaults: within ``hotspots.reach_ft`` as the crow flies, along streets
        (gone both ways), or along drain pipes from inlet to inlet.
    frames
        ``roads`` for streets; ``inlets``, ``drain_pipes``, ``outfalls`` and ``traces`` for drains.

    Raises
    ------
    SchemaError
        If there are no streets, or no drain pipes, to measure along.
    """
    count = len(places)
    points = shapely.get_coordinates(places.geometry)
    if by == "outfall" or count < 2:
        return sparse.csr_matrix((count, count))
    if by == "hex":
        return _touching(places["hex"].tolist())
    reach = settings.hotspots.reach_ft / feet_per_unit(places)
    if along == "streets":
        return _along_streets(places, frames, settings.hotspots.reach_ft)
    if along == "drains":
        return _along_drains(places, frames, settings)
    return near_each_other(points, reach)


def _touching(cells: list[str]) -> sparse.csr_matrix:
    row = {cell: place for place, cell in enumerate(cells)}
    pairs = [
        (place, row[other])
        for place, cell in enumerate(cells)
        for other in h3.grid_disk(cell, 1)
        if other in row and other != cell
    ]
    first, second = np.array(pairs, dtype=np.int64).reshape(-1, 2).T
    size = (len(cells), len(cells))
    return sparse.csr_matrix((np.ones(len(first)), (first, second)), shape=size)


def _along_streets(places: gpd.GeoDataFrame, frames: Frames, reach_ft: float) -> sparse.csr_matrix:
    roads = gpd.GeoDataFrame(frames["roads"])
    if roads.empty:
        raise SchemaError("there are no streets to measure along; load roads, or go straight")
    speed = ScheduleSettings()
    plain = roads.assign(minutes=np.nan, one_way=False)
    graph = street_graph(np.asarray(places.geometry.values, dtype=object), plain, speed)
    feet = graph.minutes * (speed.speed_mph * FT_PER_MI / 60.0)
    unit = feet_per_unit(places)
    lines = np.asarray(roads.geometry.values, dtype=object)[graph.edge_road]
    nodes = np.full((feet.shape[0], 2), np.nan)
    for node, frac in ((graph.edge_start, graph.edge_from_frac),
                       (graph.edge_end, graph.edge_to_frac)):  # fmt: skip
        spots = shapely.line_interpolate_point(lines, frac, normalized=True)
        nodes[node] = shapely.get_coordinates(spots) * unit
    return near_along(feet, nodes, graph.place_node, graph.access_ft, reach=reach_ft)


def _along_drains(
    places: gpd.GeoDataFrame, frames: Frames, settings: Settings
) -> sparse.csr_matrix:
    network = build_network(
        frames["inlets"], frames["drain_pipes"], frames["outfalls"], settings=settings.drainage
    )
    survey = network.survey
    if not len(survey.pipes):
        raise SchemaError("there are no drain pipes to measure along; load them, or go straight")
    if np.isnan(survey.unit_ft):
        raise CRSError("the drain pipes have no projected CRS, so no length can be measured")
    nodes = survey.places * survey.unit_ft
    start, end = survey.stated.T
    straight = np.hypot(*(nodes[start] - nodes[end]).T)
    # A pipe is never shorter than the straight way, whatever its table says.
    length = np.fmax(survey.length_ft, straight)
    known = ~np.isnan(length) & (start >= 0) & (end >= 0)
    graph = lengths_between(start[known], end[known], length[known], len(nodes))
    traces = frames["traces"].set_index("vault_id")["inlet_id"]
    inlet = pd.Index(frames["inlets"]["inlet_id"]).get_indexer(
        pd.Index(traces.reindex(places["vault_id"]), dtype=object)
    )
    node = np.where(inlet >= 0, survey.inlet_node[inlet], -1)
    node[node >= 0] = np.where(np.isnan(nodes[node[node >= 0]]).any(axis=1), -1, node[node >= 0])
    own = shapely.get_coordinates(places.geometry) * feet_per_unit(places)
    access = np.where(node >= 0, np.hypot(*(own - nodes[node]).T), 0.0)
    nodes = np.nan_to_num(nodes, nan=1e12)
    return near_along(graph, nodes, node, access, reach=settings.hotspots.reach_ft)
