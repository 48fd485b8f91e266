"""The plan as people read it: stops, jobs and vaults joined with what is known of each."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Final
from zoneinfo import ZoneInfo

import geopandas as gpd
import numpy as np
import pandas as pd

from vaultplan import schema
from vaultplan.errors import CRSError, OutputError

OUTCOMES: Final = schema.table("plan_unserved").column("outcome").allowed
_BAND: Final = ("volume_gal_p10", "volume_gal_p50", "volume_gal_p90")
_JOB: Final = (
    *("order_id", "task", "skill", "priority", "rank", "score", "window_from", "window_to"),
    *("method", "gate", *_BAND, "setup_minutes", "task_minutes", "rules_fired", "reason"),
)
_BY_VAULT: Final = ("vaults", "forecasts", "decisions", "traces")
GRADE_CHANCES: Final = tuple(f"prob_{grade}" for grade in schema.GRADES)


def part(frames: schema.Frames, name: str) -> pd.DataFrame:
    """Return one table in its declared shape; without rows if the plan has no such table."""
    declared = schema.table(name)
    frame = frames.get(name)
    if frame is None:
        return declared.empty(crs_of(frames)) if declared.geometry else declared.empty()
    return declared.conform(frame).reset_index(drop=True)


def of_week(frames: schema.Frames) -> dict[str, pd.DataFrame]:
    """Return the tables with no vaults but those of the plan's stops and of its orders left out."""
    stops, unserved = part(frames, "plan_stops"), part(frames, "plan_unserved")
    mine = pd.concat([stops["vault_id"], unserved["vault_id"]])
    told = [name for name in frames if "vault_id" in frames[name] and not name.startswith("plan")]
    return {**frames, **_of_vaults(frames, mine, told)}


def _of_vaults(
    frames: schema.Frames, vault_ids: pd.Series[Any], names: Sequence[str] = _BY_VAULT
) -> dict[str, pd.DataFrame]:
    mine = set(vault_ids.dropna())
    held = {name: frames[name] for name in names if name in frames}
    return {name: frame[frame["vault_id"].isin(mine)] for name, frame in held.items()}


def crs_of(frames: schema.Frames) -> Any:
    """Return the one CRS of all tables that hold places, or None if there is no place at all.

    Raises
    ------
    CRSError
        If a table with places has no CRS, or two tables differ.
    """
    found: dict[str, Any] = {}
    for name, frame in frames.items():
        if isinstance(frame, gpd.GeoDataFrame) and "geometry" in frame.columns and len(frame):
            if frame.crs is None and not frame.geometry.isna().all():
                raise CRSError(f"{name} has no CRS; set the one its coordinates were measured in")
            if frame.crs is not None:
                found[name] = frame.crs
    if not found:
        return None
    first = next(iter(found))
    unequal = [name for name, crs in found.items() if crs != found[first]]
    if unequal:
        raise CRSError(f"{', '.join(unequal)} not in the CRS of {first} ({found[first].name})")
    return found[first]


def plan_of(frames: schema.Frames) -> pd.Series[Any]:
    """Return the plan's own row.

    Raises
    ------
    OutputError
        If there is not exactly one plan.
    """
    plans = part(frames, "plans")
    if len(plans) != 1:
        raise OutputError(f"outputs show one plan, not {len(plans)}; hand over one row of plans")
    return plans.iloc[0]


def time_zone_of(frames: schema.Frames, time_zone: str | None = None) -> ZoneInfo:
    """Return the zone asked for, else the one the database states, else UTC."""
    if time_zone is None:
        facts = part(frames, "project").set_index("fact")["value"]
        stated = facts.get("time_zone")
        time_zone = stated if isinstance(stated, str) and stated else "UTC"
    return ZoneInfo(time_zone)


def local_iso(times: pd.Series[Any], zone: ZoneInfo) -> pd.Series[Any]:
    """Return aware times as local ISO 8601 text to the minute, with the offset from UTC.

    >>> local_iso(pd.Series(pd.to_datetime(["2026-03-02T18:10Z"])), ZoneInfo("Etc/GMT+10"))[0]
    '2026-03-02T08:10-10:00'
    """
    text = times.dt.tz_convert(zone).dt.strftime("%Y-%m-%dT%H:%M%z").astype("str")
    stated: pd.Series[Any] = text.str.slice(0, -2) + ":" + text.str.slice(-2)
    return stated


def local_clock(times: pd.Series[Any], zone: ZoneInfo) -> pd.Series[Any]:
    """Return aware times as the local time of day, ``HH:MM``."""
    clocks: pd.Series[Any] = times.dt.tz_convert(zone).dt.strftime("%H:%M").astype("str")
    return clocks


def first_day(frames: schema.Frames) -> pd.Timestamp:
    """Return the day that maps and layers show forecasts for.

    That is the first day with a planned stop; without stops the first day forecast; without
    forecasts the week's Monday.
    """
    for name in ("plan_stops", "forecasts"):
        days = part(frames, name)["on"]
        if len(days):
            return pd.Timestamp(days.min())
    return pd.Timestamp(plan_of(frames)["week_of"])


def likeliest_grade(forecasts: pd.DataFrame) -> pd.Series[Any]:
    """Return the likeliest grade of each forecast; ``unknown`` where a chance is blank.

    Equal chances go to the dirtier grade. Columns required: prob_clear, prob_light, prob_heavy.

    >>> chances = {"prob_clear": [0.4, None], "prob_light": [0.4, None], "prob_heavy": [0.2, None]}
    >>> list(likeliest_grade(pd.DataFrame(chances, dtype=float)))
    ['light', 'unknown']
    """
    chances = forecasts[list(GRADE_CHANCES)].to_numpy(float)
    from_dirtiest = chances[:, ::-1]
    known = ~np.isnan(chances).any(axis=1)
    best = np.where(known, np.argmax(np.nan_to_num(from_dirtiest, nan=-1.0), axis=1), 3)
    names = np.array([*reversed(schema.GRADES), "unknown"])
    return pd.Series(names[best], index=forecasts.index, dtype="str")


def vaults_on(frames: schema.Frames, on: pd.Timestamp) -> pd.DataFrame:
    """Return all vaults with their forecast, decision and trace for one day.

    Adds grade_likeliest; every column is blank where that step has no row for the vault.
    """
    vaults = part(frames, "vaults")
    forecasts = part(frames, "forecasts")
    forecasts = forecasts[forecasts["on"] == on].drop(columns="on")
    forecasts = forecasts.rename(columns={"reason": "forecast_reason"})
    decisions = part(frames, "decisions")
    decisions = decisions[decisions["on"] == on].drop(columns="on")
    decisions = decisions.rename(columns={"reason": "decision_reason"})
    traces = pd.DataFrame(part(frames, "traces").drop(columns="geometry"))
    traces = traces.rename(
        columns={
            "reason": "trace_reason",
            "confidence": "trace_confidence",
            "length_ft": "trace_length_ft",
        }
    )
    joined: pd.DataFrame = vaults
    for other in (forecasts, decisions, traces):
        joined = joined.merge(other, on="vault_id", how="left", validate="one_to_one")
    joined["grade_likeliest"] = likeliest_grade(joined)
    return joined


def stops_in_full(frames: schema.Frames, zone: ZoneInfo) -> pd.DataFrame:
    """Return the planned stops with address, task, method, volumes, water and reasons.

    Adds arrive_local, start_local and leave_local (ISO text), and volume_gal_mean. The gallons
    expected are those of the stop's own day; without a forecast for it, low, likely and high are
    the job's, which are the largest of its allowed days.
    """
    stops = part(frames, "plan_stops").sort_values(
        ["on", "truck_id", "stop_number"], ignore_index=True
    )
    jobs = part(frames, "plan_jobs")[list(_JOB)]
    orders = part(frames, "work_orders")[["order_id", "due_on", "needs_entry"]]
    frames = {**frames, **_of_vaults(frames, stops["vault_id"])}
    vaults = part(frames, "vaults")[["vault_id", "address", "district", "access_notes"]]
    forecasts = part(frames, "forecasts")[
        ["vault_id", "on", *_BAND, "volume_gal_mean", "confidence", "reason"]
    ].rename(columns={"reason": "forecast_reason", **{name: f"{name}_day" for name in _BAND}})
    decisions = part(frames, "decisions")[["vault_id", "on", "sensitivity"]]
    traces = part(frames, "traces")[
        ["vault_id", "trace_status", "outfall_id", "water_id", "waters_passed"]
    ]
    sites = part(frames, "disposal_sites")[["site_id", "name"]].rename(
        columns={"name": "site_name"}
    )
    joined = stops.merge(pd.DataFrame(jobs), on="order_id", how="left", validate="many_to_one")
    joined = joined.merge(orders, on="order_id", how="left", validate="many_to_one")
    joined = joined.merge(pd.DataFrame(vaults), on="vault_id", how="left", validate="many_to_one")
    joined = joined.merge(forecasts, on=["vault_id", "on"], how="left", validate="many_to_one")
    joined = joined.merge(decisions, on=["vault_id", "on"], how="left", validate="many_to_one")
    joined = joined.merge(pd.DataFrame(traces), on="vault_id", how="left", validate="many_to_one")
    joined = joined.merge(pd.DataFrame(sites), on="site_id", how="left", validate="many_to_one")
    has_own = joined[[f"{name}_day" for name in _BAND]].notna().all(axis=1)
    for name in _BAND:
        joined[name] = joined.pop(f"{name}_day").where(has_own, joined[name])
    for event in ("arrive", "start", "leave"):
        joined[f"{event}_local"] = local_iso(joined[f"{event}_at"], zone)
    return joined


def unserved_in_full(frames: schema.Frames) -> pd.DataFrame:
    """Return the orders that are not in the week with address, task and what the plan knew.

    An order that was never offered to the schedule has no planned job: its water, method and gate
    are then those of the first planned day.
    """
    unserved = part(frames, "plan_unserved")
    jobs = pd.DataFrame(part(frames, "plan_jobs"))[
        ["order_id", "rank", "score", "method", "gate", *_BAND, "rules_fired"]
    ]
    orders = part(frames, "work_orders")[["order_id", "task", "due_on", "priority"]]
    on = first_day(frames)
    frames = {**frames, **_of_vaults(frames, unserved["vault_id"])}
    vaults = part(frames, "vaults")[["vault_id", "address", "district", "geometry"]]
    joined = unserved.merge(jobs, on="order_id", how="left", validate="many_to_one")
    joined = joined.merge(orders, on="order_id", how="left", validate="many_to_one")
    joined = joined.merge(vaults, on="vault_id", how="left", validate="many_to_one")
    ranks = part(frames, "rankings").set_index("order_id")
    for column in ("rank", "score"):
        joined[column] = joined[column].fillna(joined["order_id"].map(ranks[column]))
    for name, columns in (("forecasts", _BAND), ("decisions", ("method", "gate", "rules_fired"))):
        known = part(frames, name)
        known = known[known["on"] == on].set_index("vault_id")
        for column in columns:
            joined[column] = joined[column].fillna(joined["vault_id"].map(known[column]))
    order = joined["outcome"].map({word: place for place, word in enumerate(OUTCOMES)})
    ordered = joined.assign(_order=order).sort_values(
        ["_order", "rank", "order_id"], ignore_index=True
    )
    return ordered.drop(columns="_order")
