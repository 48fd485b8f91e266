"""What a map page knows: the tables of a week as plain lists, ready for JSON."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final

import geopandas as gpd
import numpy as np
import pandas as pd

from vaultplan import schema
from vaultplan.geometry import feet_per_unit
from vaultplan.outputs.cautions import CAUTIONS
from vaultplan.outputs.maps.fleet import hexes, planned_vaults, shown_vaults
from vaultplan.outputs.maps.lines import STEP_DEG, Grid, grid_of, merged_by_name, points, shapes
from vaultplan.outputs.plan_view import (
    first_day,
    local_clock,
    part,
    plan_of,
    stops_in_full,
    time_zone_of,
    unserved_in_full,
    vaults_on,
)
from vaultplan.settings import Settings
from vaultplan.styles import (
    DIVERGING,
    GRADE_COLOURS,
    GRADE_GLYPHS,
    GRADE_ORDER,
    METHOD_GRADES,
    OUTLINE,
    SEQUENTIAL,
)

#: Streets are drawn this far around the week of a fleet too large to draw whole.
_STREETS_AROUND_FT: Final = 1500.0
_MOST_STREETS: Final = 60_000
#: With more vaults than this only the week's own show their discharge path.
_MOST_PATHS: Final = 5_000
_CODED: Final = (
    *("kind", "setting", "confidence", "forecast_reason", "method", "gate", "sensitivity"),
    *("decision_reason", "trace_status", "trace_reason", "inlet_id", "outfall_id"),
    *("waters_passed", "grade_likeliest"),
)
_WHOLE: Final = (
    *("volume_gal_p10", "volume_gal_p50", "volume_gal_p90", "capacity_gal", "depth_in_p50"),
    *("gutter_ft", "pipe_ft"),
)
_FEW_WORDS: Final = 40
_PERCENT: Final = ("prob_clear", "prob_light", "prob_heavy")


def page_data(frames: schema.Frames, settings: Settings, detail_limit: int) -> dict[str, Any]:
    """Return everything the map page draws and tells, as lists and texts."""
    day, zone = first_day(frames), time_zone_of(frames, settings.time_zone)
    everything = gpd.GeoDataFrame(vaults_on(frames, day))
    spatial = {name: gpd.GeoDataFrame(part(frames, name)) for name in _PLACES}
    grid = grid_of(everything, *spatial.values())
    is_shown = shown_vaults(frames, everything, detail_limit)
    is_fleet = not bool(is_shown.all())
    shown = gpd.GeoDataFrame(everything[is_shown].reset_index(drop=True))
    number = {vault_id: place for place, vault_id in enumerate(shown["vault_id"])}
    stops = stops_in_full(frames, zone)
    unserved = gpd.GeoDataFrame(unserved_in_full(frames))
    planned = planned_vaults(frames)
    week = gpd.GeoDataFrame(shown[shown["vault_id"].isin(planned)])
    days = sorted({*stops["on"], *spatial["routes"]["on"]})
    return {
        "head": _head(frames, settings, day, days, len(everything)),
        "look": _LOOK,
        "grid": [grid.lon, grid.lat, STEP_DEG],
        "ground": _ground(frames, spatial, week if is_fleet else None, grid),
        "vaults": _vaults(shown, grid),
        "paths": _paths(
            spatial["traces"], number, planned if len(shown) > _MOST_PATHS else None, grid
        ),
        "jobs": _jobs(frames),
        "stops": _stops(gpd.GeoDataFrame(stops), number, days, zone, grid),
        "left": _left_out(unserved, number, grid),
        "routes": _routes(spatial["routes"], part(frames, "trucks"), days, grid),
        "hexes": hexes(everything, planned, grid) if is_fleet else None,
    }


_PLACES: Final = (
    *("roads", "backdrop", "receiving_waters", "sensitive_areas", "concern_sites", "outfalls"),
    *("depots", "disposal_sites", "routes", "traces"),
)
_LOOK: Final = {
    "outline": OUTLINE,
    "colours": dict(GRADE_COLOURS),
    "glyphs": dict(GRADE_GLYPHS),
    "order": list(GRADE_ORDER),
    "method_grades": dict(METHOD_GRADES),
    "sequential": list(SEQUENTIAL),
    "diverging": list(DIVERGING),
}


def _head(
    frames: schema.Frames,
    settings: Settings,
    day: pd.Timestamp,
    days: list[pd.Timestamp],
    vault_count: int,
) -> dict[str, Any]:
    plan = plan_of(frames)
    made_at = plan["made_at"].tz_convert(settings.time_zone)
    owner = settings.outputs.utility or "the utility"
    return {
        "utility": settings.outputs.utility,
        "contact": settings.outputs.contact,
        "week": f"Week of {_day(plan['week_of'])} {plan['week_of']:%Y}",
        "plan": _or_blank(plan["plan_id"]),
        "is_checked": bool(plan["state"] == "checked"),
        "state": _or_blank(plan["state"]),
        "made": f"{_day(made_at)} {made_at:%Y, %H:%M}",
        "as_of": f"{_day(plan['as_of_on'])} {plan['as_of_on']:%Y}",
        "rules": _or_blank(plan["rules_version"]),
        "settings": _or_blank(plan["settings_version"]),
        "forecast_day": _day(day),
        "days": [{"on": f"{on:%Y-%m-%d}", "label": _day(on)} for on in days],
        "vault_count": vault_count,
        "cautions": list(CAUTIONS),
        "sources": f"Streets, shore, drains and vaults: tables of {owner}. No outside map. "
        "Drawn with Leaflet (BSD-2-Clause).",
    }


def _ground(
    frames: schema.Frames,
    spatial: Mapping[str, gpd.GeoDataFrame],
    around: gpd.GeoDataFrame | None,
    grid: Grid,
) -> dict[str, Any]:
    waters = spatial["receiving_waters"].merge(
        part(frames, "sensitivities"), on="water_id", how="left", validate="one_to_one"
    )
    names = waters.set_index("water_id")["name"]
    outfalls = spatial["outfalls"]
    streets = merged_by_name(_streets(spatial["roads"], around), "name")
    return {
        "backdrop": _named(spatial["backdrop"], grid, 6.0, ("kind", "name")),
        "waters": _named(
            waters, grid, 4.0, ("water_id", "name", "kind", "protection", "sensitivity", "reason")
        ),
        "areas": _named(spatial["sensitive_areas"], grid, 3.0, ("name", "kind")),
        "concern": _named(_around(spatial["concern_sites"]), grid, 3.0, ("name", "kind", "status")),
        "streets": _named(streets, grid, 2.0, ("name",), is_labelled=False),
        "outfalls": _spots(
            outfalls.assign(water=outfalls["water_id"].map(names)),
            grid,
            ("outfall_id", "name", "water"),
        ),
        "depots": _spots(spatial["depots"], grid, ("name",)),
        "disposal": _spots(spatial["disposal_sites"], grid, ("name", "open_from", "open_to")),
    }


def _streets(roads: gpd.GeoDataFrame, around: gpd.GeoDataFrame | None) -> gpd.GeoDataFrame:
    if around is None or not len(roads):
        return roads
    distance = _STREETS_AROUND_FT / feet_per_unit(roads)
    near = roads.sindex.query(around.geometry, predicate="dwithin", distance=distance)[1]
    return roads.iloc[np.unique(near)[:_MOST_STREETS]]


def _around(sites: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    if not len(sites):
        return sites
    return sites.set_geometry(sites.buffer(sites["radius_ft"] / feet_per_unit(sites)))


def _named(
    frame: gpd.GeoDataFrame,
    grid: Grid,
    tolerance_ft: float,
    columns: tuple[str, ...],
    *,
    is_labelled: bool = True,
) -> list[dict[str, Any]]:
    """Return shapes with some of their columns, leaving out the blank ones."""
    drawn = shapes(frame, grid, tolerance_ft)
    rows = _records(frame, columns)
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


def _spots(frame: gpd.GeoDataFrame, grid: Grid, columns: tuple[str, ...]) -> list[dict[str, Any]]:
    return [
        {**row, "x": x, "y": y}
        for row, x, y in zip(_records(frame, columns), *points(frame, grid), strict=True)
    ]


def _records(frame: pd.DataFrame, columns: tuple[str, ...]) -> list[dict[str, Any]]:
    """Return rows as dictionaries of text and numbers without the blank cells."""
    rows = pd.DataFrame(frame)[list(columns)].astype(object).to_dict("records")
    return [
        {str(key): _plain(cell) for key, cell in row.items() if not pd.isna(cell)} for row in rows
    ]


def _plain(cell: Any) -> Any:
    if isinstance(cell, str | bool):
        return cell
    if isinstance(cell, pd.Timestamp):
        return _day(cell)
    return int(cell) if float(cell).is_integer() else round(float(cell), 2)


def _vaults(vaults: gpd.GeoDataFrame, grid: Grid) -> dict[str, Any]:
    xs, ys = points(vaults, grid)
    columns: dict[str, Any] = {"vault_id": vaults["vault_id"].tolist(), "x": xs, "y": ys}
    columns["address"] = ["" if pd.isna(text) else text for text in vaults["address"]]
    for name in _WHOLE:
        columns[name] = _whole(vaults[name])
    for name in _PERCENT:
        columns[name] = _whole(vaults[name] * 100)
    return columns | _coded(vaults)


def _coded(vaults: pd.DataFrame) -> dict[str, Any]:
    """Return texts that repeat as numbers into word lists.

    Columns of few words share one number per vault, which picks their combination.
    """
    words: dict[str, list[str]] = {}
    alone: dict[str, list[int]] = {}
    together: dict[str, Any] = {}
    for name in _CODED:
        codes, found = pd.factorize(vaults[name], sort=True)
        words[name] = [str(word) for word in found]
        if len(found) <= _FEW_WORDS:
            together[name] = codes
        else:
            alone[name] = codes.tolist()
    combined = np.column_stack(list(together.values()))
    rows, at = np.unique(combined, axis=0, return_inverse=True)
    sets = {"columns": list(together), "rows": rows.tolist(), "at": at.ravel().tolist()}
    return {"words": words, "alone": alone, "sets": sets}


def _whole(values: pd.Series[Any]) -> list[int | None]:
    numbers = values.astype(float).round().to_numpy()
    return [None if np.isnan(number) else int(number) for number in numbers]


def _paths(
    traces: gpd.GeoDataFrame, number: Mapping[str, int], only: set[str] | None, grid: Grid
) -> dict[str, list[list[int]]]:
    kept = traces[traces["vault_id"].isin(set(number) if only is None else only)]
    kept = gpd.GeoDataFrame(kept[kept.geometry.notna()])
    lines = shapes(kept, grid, 3.0)
    return {
        str(number[vault_id]): line
        for vault_id, line in zip(kept["vault_id"], lines, strict=True)
        if line and vault_id in number
    }


def _jobs(frames: schema.Frames) -> dict[str, dict[str, Any]]:
    jobs = pd.DataFrame(part(frames, "plan_jobs")).drop(columns="due_on", errors="ignore")
    orders = part(frames, "work_orders")[["order_id", "due_on", "needs_entry"]]
    jobs = jobs.merge(orders, on="order_id", how="left", validate="many_to_one")
    jobs["load_gal"] = jobs["load_gal"].round()
    columns = (
        *("order_id", "vault_id", "task", "skill", "due_on", "priority", "rank", "needs_entry"),
        *("method", "gate", "load_gal", "reason"),
    )
    return {row.pop("order_id"): row for row in _records(jobs, columns)}


def _stops(
    stops: gpd.GeoDataFrame,
    number: Mapping[str, int],
    days: list[pd.Timestamp],
    zone: Any,
    grid: Grid,
) -> list[dict[str, Any]]:
    told = stops.assign(
        day=stops["on"].map({on: place for place, on in enumerate(days)}),
        arrive=local_clock(stops["arrive_at"], zone),
        leave=local_clock(stops["leave_at"], zone),
        vault=stops["vault_id"].map(number),
        load=stops["load_gal"].round(),
        tank=stops["tank_after_gal"].round(),
        drive=stops["drive_minutes"].round(),
    )
    columns = (
        *("truck_id", "day", "stop_number", "kind", "arrive", "leave", "order_id", "vault"),
        *("site_name", "load", "tank", "drive", "socks", "method"),
    )
    return _spots(told, grid, columns)


def _left_out(
    unserved: gpd.GeoDataFrame, number: Mapping[str, int], grid: Grid
) -> list[dict[str, Any]]:
    told = unserved.assign(vault=unserved["vault_id"].map(number))
    return _spots(told, grid, ("outcome", "order_id", "vault", "reason"))


def _routes(
    routes: gpd.GeoDataFrame, trucks: pd.DataFrame, days: list[pd.Timestamp], grid: Grid
) -> list[dict[str, Any]]:
    told = routes.assign(
        day=routes["on"].map({on: place for place, on in enumerate(days)}),
        kind=routes["truck_id"].map(trucks.set_index("truck_id")["kind"]),
        drive=routes["drive_minutes"].round(),
        miles=routes["drive_mi"].round(1),
    )
    rows = _records(told, ("truck_id", "day", "kind", "stop_count", "drive", "miles"))
    return [{**row, "line": line} for row, line in zip(rows, shapes(told, grid, 3.0), strict=True)]


def _day(on: Any) -> str:
    return "" if pd.isna(on) else f"{on:%a} {on.day} {on:%b}"


def _or_blank(value: Any) -> str:
    return "" if pd.isna(value) else str(value)
