"""What lies under every map: streets, waters, areas, outfalls, yards; rows as plain lists."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final

import geopandas as gpd
import numpy as np
import pandas as pd

from vaultplan import schema
from vaultplan.geometry import feet_per_unit
from vaultplan.outputs.maps.below import ways_below
from vaultplan.outputs.maps.lines import Grid, merged_by_name, points, shapes
from vaultplan.outputs.plan_view import part

#: Streets are drawn this far around the week of a fleet too large to draw whole.
_STREETS_AROUND_FT: Final = 1000.0
#: Shapes of such a fleet are simplified by so much more.
_COARSER: Final = 3.0
_MOST_STREETS: Final = 60_000


def ground(
    frames: schema.Frames,
    spatial: Mapping[str, gpd.GeoDataFrame],
    grid: Grid,
    *,
    around: gpd.GeoDataFrame | None,
    ends: set[str],
) -> dict[str, Any]:
    """Return what lies under the week; of a large fleet coarser, streets only ``around`` the week.

    ``below`` is, by outfall of ``ends``, the way of the water from there to the sea.
    """
    coarse = 1.0 if around is None else _COARSER
    waters = spatial["receiving_waters"].merge(
        part(frames, "sensitivities"), on="water_id", how="left", validate="one_to_one"
    )
    names = waters.set_index("water_id")["name"]
    outfalls = spatial["outfalls"]
    streets = merged_by_name(streets_around(spatial["roads"], around), "name")
    return {
        "backdrop": named(spatial["backdrop"], grid, 6.0 * coarse, ("kind", "name")),
        "waters": named(
            waters,
            grid,
            4.0 * coarse,
            ("water_id", "name", "kind", "protection", "sensitivity", "reason"),
        ),
        "areas": named(spatial["sensitive_areas"], grid, 3.0 * coarse, ("name", "kind")),
        "concern": named(
            _around(spatial["concern_sites"]), grid, 3.0 * coarse, ("name", "kind", "status")
        ),
        "streets": named(streets, grid, 2.0 * coarse, ("name",), is_labelled=False),
        "below": _below(
            outfalls[outfalls["outfall_id"].isin(ends)],
            spatial["receiving_waters"],
            grid,
            10.0 * coarse,
        ),
        "outfalls": spots(
            outfalls.assign(water=outfalls["water_id"].map(names)),
            grid,
            ("outfall_id", "name", "water", "water_id"),
        ),
        "depots": spots(spatial["depots"], grid, ("name",)),
        "disposal": spots(spatial["disposal_sites"], grid, ("name", "open_from", "open_to")),
    }


def _below(
    outfalls: gpd.GeoDataFrame, waters: gpd.GeoDataFrame, grid: Grid, tolerance_ft: float
) -> dict[str, list[list[int]]]:
    ways = ways_below(outfalls, waters)
    if not ways:
        return {}
    drawn = shapes(
        gpd.GeoDataFrame(geometry=list(ways.values()), crs=outfalls.crs), grid, tolerance_ft
    )
    return {key: line for key, line in zip(ways, drawn, strict=True) if line}


def streets_around(roads: gpd.GeoDataFrame, around: gpd.GeoDataFrame | None) -> gpd.GeoDataFrame:
    """Return the streets near the places given, at most so many; all where none are given."""
    if around is None or not len(roads):
        return roads
    distance = _STREETS_AROUND_FT / feet_per_unit(roads)
    near = roads.sindex.query(around.geometry, predicate="dwithin", distance=distance)[1]
    return roads.iloc[np.unique(near)[:_MOST_STREETS]]


def _around(sites: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    if not len(sites):
        return sites
    return sites.set_geometry(sites.buffer(sites["radius_ft"] / feet_per_unit(sites)))


def named(
    frame: gpd.GeoDataFrame,
    grid: Grid,
    tolerance_ft: float,
    columns: tuple[str, ...],
    *,
    is_labelled: bool = True,
) -> list[dict[str, Any]]:
    """Return shapes with some of their columns, leaving out the blank ones."""
    drawn = shapes(frame, grid, tolerance_ft)
    rows = records(frame, columns)
    spots: list[Any] = [None] * len(frame)
    if is_labelled and len(frame):
        inside = frame.set_geometry(frame.geometry.representative_point())
        spots = list(zip(*points(inside, grid), strict=True))
    areas = frame.geometry.geom_type.str.contains("Polygon") if len(frame) else []
    return [
        {**row, "at": spot, ("area" if is_area else "line"): lines}
        for row, spot, is_area, lines in zip(rows, spots, areas, drawn, strict=True)
        if lines
    ]


def spots(frame: gpd.GeoDataFrame, grid: Grid, columns: tuple[str, ...]) -> list[dict[str, Any]]:
    """Return places in steps with some of their columns, leaving out the blank ones."""
    return [
        {**row, "x": x, "y": y}
        for row, x, y in zip(records(frame, columns), *points(frame, grid), strict=True)
    ]


def records(frame: pd.DataFrame, columns: tuple[str, ...]) -> list[dict[str, Any]]:
    """Return rows as dictionaries of text and numbers without the blank cells."""
    rows = pd.DataFrame(frame)[list(columns)].astype(object).to_dict("records")
    return [
        {str(key): _plain(cell) for key, cell in row.items() if not pd.isna(cell)} for row in rows
    ]


def _plain(cell: Any) -> Any:
    if isinstance(cell, str | bool):
        return cell
    if isinstance(cell, pd.Timestamp):
        return day_word(cell)
    return int(cell) if float(cell).is_integer() else round(float(cell), 2)


def day_word(on: Any) -> str:
    """Return a day as ``Mon 2 Nov``, blank where there is none."""
    return "" if pd.isna(on) else f"{on:%a} {on.day} {on:%b}"
