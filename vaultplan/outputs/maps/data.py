"""What a map page knows: the tables of a week as plain lists, ready for JSON."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final, Literal, TypeAlias

import geopandas as gpd
import numpy as np
import pandas as pd

from vaultplan import schema
from vaultplan.outputs.cautions import CAUTIONS
from vaultplan.outputs.maps.fleet import hexes, planned_vaults, shown_vaults
from vaultplan.outputs.maps.ground import day_word, ground, records, spots
from vaultplan.outputs.maps.lines import STEP_DEG, Grid, grid_of, points, shapes
from vaultplan.outputs.maps.phrases import Phrases
from vaultplan.outputs.maps.records import dirtiest, looks_of, records_of, visit_codes
from vaultplan.outputs.maps.watched import overrides_told, watched_outfalls, watched_waters
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

Audience: TypeAlias = Literal["week", "watch", "dirty"]
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
_REASONS: Final = ("forecast_reason", "decision_reason", "trace_reason")
_FEW_WORDS: Final = 40
#: A fleet of more than so many times the points shows half as many: a file is for a phone too.
_HUGE: Final = 10
#: So many last visits stand in the story of a vault.
_LAST_LOOKS: Final = 4
_PERCENT: Final = ("prob_clear", "prob_light", "prob_heavy")


@dataclass(frozen=True, slots=True)
class Common:
    """What the pages of all audiences draw from: vaults of the first day, places, their grid."""

    day: pd.Timestamp
    vaults: gpd.GeoDataFrame
    spatial: dict[str, gpd.GeoDataFrame]
    grid: Grid


def common_of(frames: schema.Frames) -> Common:
    """Return what the pages of all audiences have in common."""
    day = first_day(frames)
    vaults = gpd.GeoDataFrame(vaults_on(frames, day))
    # Of a path that was followed to its end there is nothing to explain.
    is_followed = vaults["trace_status"].eq("complete").fillna(False)
    vaults["trace_reason"] = vaults["trace_reason"].mask(is_followed)
    spatial = {name: gpd.GeoDataFrame(part(frames, name)) for name in _PLACES}
    return Common(day, vaults, spatial, grid_of(vaults, *spatial.values()))


def page_data(
    frames: schema.Frames,
    settings: Settings,
    detail_limit: int,
    audience: Audience = "week",
    common: Common | None = None,
) -> dict[str, Any]:
    """Return everything the map page of an audience draws and tells, as lists and texts."""
    shared = common or common_of(frames)
    day, everything, spatial, grid = shared.day, shared.vaults, shared.spatial, shared.grid
    zone = time_zone_of(frames, settings.time_zone)
    if len(everything) > _HUGE * detail_limit:
        detail_limit //= 2
    is_dirty, visits = audience == "dirty", part(frames, "visits")
    if is_dirty:
        codes = visit_codes(visits, zone)
        is_shown = dirtiest(codes, everything, detail_limit)
    else:
        is_shown = shown_vaults(frames, everything, detail_limit)
        codes = visit_codes(visits[visits["vault_id"].isin(everything["vault_id"][is_shown])], zone)
    is_fleet = not bool(is_shown.all())
    shown = gpd.GeoDataFrame(everything[is_shown].reset_index(drop=True))
    number = {vault_id: place for place, vault_id in enumerate(shown["vault_id"])}
    stops = stops_in_full(frames, zone)
    unserved = gpd.GeoDataFrame(unserved_in_full(frames))
    if audience == "watch":
        stops = stops[stops["kind"].eq("pump_out")].reset_index(drop=True)
        unserved = unserved[unserved["outcome"].isin(["held", "referred"])].reset_index(drop=True)
    planned = planned_vaults(frames)
    week = gpd.GeoDataFrame(shown[shown["vault_id"].isin(planned)])
    days = sorted({*stops["on"], *spatial["routes"]["on"]})
    told: dict[str, Any] = {
        "audience": audience,
        "head": _head(frames, settings, day, days, len(everything)),
        "look": _LOOK,
        "grid": [grid.lon, grid.lat, STEP_DEG],
        "ground": ground(
            frames, spatial, grid, around=week if is_fleet else None, ends=set(shown["outfall_id"])
        ),
        "vaults": _vaults(shown, grid),
        "looks": looks_of(codes, shown["vault_id"].tolist(), None if is_dirty else _LAST_LOOKS),
        "paths": _paths(
            spatial["traces"], number, planned if len(shown) > _MOST_PATHS else None, grid
        ),
        "jobs": {} if is_dirty else _jobs(frames),
        "stops": [] if is_dirty else _stops(gpd.GeoDataFrame(stops), number, days, zone, grid),
        "left": [] if is_dirty else _left_out(unserved, number, grid),
        "routes": _routes(spatial["routes"], part(frames, "trucks"), days, grid)
        if audience == "week"
        else [],
        "hexes": hexes(everything, planned, grid) if is_fleet and not is_dirty else None,
    }
    if audience == "watch":
        told["watched"] = watched_waters(frames, stops, unserved)
        told["behind"] = watched_outfalls(frames, stops, unserved)
        told["overrides"] = overrides_told(frames, plan_of(frames)["as_of_on"])
    if is_dirty:
        told["records"] = records_of(codes, everything, grid)
    told["phrases"] = _shared_phrases(told)
    if settings.outputs.basemap_url:
        told["basemap"] = {
            "url": settings.outputs.basemap_url,
            "attribution": settings.outputs.basemap_attribution,
        }
    return told


def _shared_phrases(told: dict[str, Any]) -> list[str]:
    """Put the numbers of phrases in place of every reason; return the phrases."""
    phrases = Phrases()
    words = told["vaults"]["words"]
    for name in _REASONS:
        words[name] = phrases.pack(words[name])
    for rows in (told["left"], told["jobs"].values()):
        for row in rows:
            row["reason"] = phrases.pack([row.get("reason", "")])[0]
    return phrases.told


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
        "week": f"Week of {day_word(plan['week_of'])} {plan['week_of']:%Y}",
        "plan": _or_blank(plan["plan_id"]),
        "is_checked": bool(plan["state"] == "checked"),
        "state": _or_blank(plan["state"]),
        "made": f"{day_word(made_at)} {made_at:%Y, %H:%M}",
        "as_of": f"{day_word(plan['as_of_on'])} {plan['as_of_on']:%Y}",
        "rules": _or_blank(plan["rules_version"]),
        "settings": _or_blank(plan["settings_version"]),
        "forecast_day": day_word(day),
        "days": [{"on": f"{on:%Y-%m-%d}", "label": day_word(on)} for on in days],
        "vault_count": vault_count,
        "cautions": list(CAUTIONS),
        "sources": f"Streets, shore, drains and vaults: tables of {owner}. No outside map. "
        "Drawn with Leaflet (BSD-2-Clause).",
    }


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
    return {row.pop("order_id"): row for row in records(jobs, columns)}


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
        gal=stops["volume_gal_mean"].round(1),
    )
    columns = (
        *("truck_id", "day", "gal", "stop_number", "kind", "arrive", "leave", "order_id", "vault"),
        *("site_name", "load", "tank", "drive", "socks", "method", "sensitivity"),
    )
    return spots(told, grid, columns)


def _left_out(
    unserved: gpd.GeoDataFrame, number: Mapping[str, int], grid: Grid
) -> list[dict[str, Any]]:
    told = unserved.assign(vault=unserved["vault_id"].map(number))
    return spots(told, grid, ("outcome", "order_id", "vault", "reason"))


def _routes(
    routes: gpd.GeoDataFrame, trucks: pd.DataFrame, days: list[pd.Timestamp], grid: Grid
) -> list[dict[str, Any]]:
    told = routes.assign(
        day=routes["on"].map({on: place for place, on in enumerate(days)}),
        kind=routes["truck_id"].map(trucks.set_index("truck_id")["kind"]),
        drive=routes["drive_minutes"].round(),
        miles=routes["drive_mi"].round(1),
    )
    rows = records(told, ("truck_id", "day", "kind", "stop_count", "drive", "miles"))
    return [{**row, "line": line} for row, line in zip(rows, shapes(told, grid, 3.0), strict=True)]


def _or_blank(value: Any) -> str:
    return "" if pd.isna(value) else str(value)
