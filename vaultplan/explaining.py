"""Why a forecast says what it says, and where a look beforehand would change what is sent."""

from __future__ import annotations

from collections.abc import Hashable, Mapping, Sequence
from pathlib import Path
from typing import Any, Final

import pandas as pd

from vaultplan import schema, week
from vaultplan.errors import OutputError, SchemaError, SettingsError
from vaultplan.forecast.fitting import fit_water
from vaultplan.forecast.forecasts import forecast_with
from vaultplan.forecast.grade import fit_grades
from vaultplan.forecast.inflow import WAYS, inflow_ways
from vaultplan.forecast.moved import what_moved
from vaultplan.forecast.peeks import worth_of_a_look
from vaultplan.forecast.refill import prob_workable
from vaultplan.forecast.volume import WaterModel
from vaultplan.loading import OnStep, is_same_file, read_frames, silent
from vaultplan.outputs.charts.vault_page import VaultStory, write_vault_page
from vaultplan.renewing import DRAIN_TABLES, STREET_TABLES, WATER_TABLES
from vaultplan.settings import Settings
from vaultplan.store.database import open_database

USUAL_SPAN_DAYS: Final = 7
MOST_ON_PAGE: Final = 50
#: So far a page looks ahead, and hours after a pump-out at which it looks for water.
DAYS_AHEAD: Final = 28
REFILL_HOURS: Final = (*range(0, 25), *range(28, 97, 4))


def explain(
    location: str,
    *,
    vault_ids: Sequence[str] | None = None,
    on: pd.Timestamp | None = None,
    since: pd.Timestamp | None = None,
    as_of: pd.Timestamp | None = None,
    page: Path | None = None,
    settings: Settings,
    on_step: OnStep = silent,
) -> pd.DataFrame:
    """Return what fills each vault, and what moved its forecast since an earlier day.

    Parameters
    ----------
    on
        Day forecast; the day after ``as_of`` if none.
    since
        Earlier day to compare with; a week before ``as_of`` if none.
    page
        HTML page to write with pictures of each vault over time; at most ``MOST_ON_PAGE`` of them.

    Returns
    -------
    pandas.DataFrame
        The columns of :func:`vaultplan.forecast.inflow.inflow_ways` and of
        :func:`vaultplan.forecast.moved.what_moved`, a row per vault.
    """
    if page is not None and not 0 < len(vault_ids or ()) <= MOST_ON_PAGE:
        raise SettingsError(f"a page tells of 1 to {MOST_ON_PAGE} vaults; name them with --vault")
    if page is not None and is_same_file(page, location):
        raise OutputError(f"{page} is the database; name another file for the page")
    with open_database(location) as database:
        settings = week.in_zone(settings, database.time_zone)
        name = database.name
        frames = read_frames(database, WATER_TABLES, on_step)
    as_of = as_of or week.data_end(frames, settings.time_zone)
    since = since or as_of - pd.Timedelta(days=USUAL_SPAN_DAYS)
    if since >= as_of:
        raise SettingsError(f"--since {since:%Y-%m-%d} is not before {as_of:%Y-%m-%d}")
    every = frames["vaults"]["vault_id"]
    unknown = sorted(set(vault_ids or ()) - set(every))
    if unknown:
        raise SchemaError(f"no such vault: {', '.join(unknown[:10])}")
    asked = pd.Series(list(dict.fromkeys(vault_ids or every)), dtype="str", name="vault_id")
    on_step("Learn what fills the vaults")
    model = fit_water(frames, as_of=as_of, settings=settings)
    ways = inflow_ways(model, asked)
    on_step(f"Compare with what was known on {since:%Y-%m-%d}")
    points = pd.DataFrame({"vault_id": asked, "on": on or as_of + pd.Timedelta(days=1)})
    moved = what_moved(frames, points, since=since, as_of=as_of, settings=settings)
    told = ways.merge(moved, on="vault_id", how="left", validate="one_to_one")
    if page is not None:
        on_step("Draw the vaults")
        stories = _stories(frames, model, told, as_of, settings)
        write_vault_page(page, name, as_of, stories)
    return told


def path_words(
    location: str, vault_id: str, *, settings: Settings, on_step: OnStep = silent
) -> list[str]:
    """Return in words where the water of a vault would run, from its inlet to the sea.

    Raises
    ------
    SchemaError
        If there is no such vault.
    """
    with open_database(location) as database:
        settings = week.in_zone(settings, database.time_zone)
        frames = read_frames(database, (*DRAIN_TABLES, *STREET_TABLES, "receiving_waters"), on_step)
    vaults = frames["vaults"]
    frames["vaults"] = vaults[vaults["vault_id"].eq(vault_id)].reset_index(drop=True)
    if frames["vaults"].empty:
        raise SchemaError(f"no such vault: {vault_id}")
    traces = week.trace_paths(frames, settings, on_step, with_geometry=False)
    waters = frames["receiving_waters"].set_index("water_id")["name"]
    return _path_in_words(traces.iloc[0].to_dict(), waters)


def _path_in_words(trace: Mapping[Hashable, Any], waters: pd.Series[Any]) -> list[str]:
    def is_known(name: str) -> bool:
        return bool(pd.notna(trace[name]))

    told = []
    if is_known("inlet_id"):
        run = f", {trace['gutter_ft']:,.0f} ft along the gutter" if is_known("gutter_ft") else ""
        told.append(f"inlet {trace['inlet_id']}{run}")
    if is_known("second_inlet_id"):
        told.append(f"or inlet {trace['second_inlet_id']}, nearly as close")
    if is_known("outfall_id"):
        run = f", {trace['pipe_ft']:,.0f} ft of drain" if is_known("pipe_ft") else ""
        told.append(f"outfall {trace['outfall_id']}{run}")
    if is_known("part_outfalls"):
        told.append(f"parts of it reach {str(trace['part_outfalls']).replace(';', ', ')}")
    passed = str(trace["waters_passed"]).split(";") if is_known("waters_passed") else []
    told += [f"{waters.get(water, water)} ({water})" for water in passed]
    if is_known("reason"):
        told.append(str(trace["reason"]))
    if is_known("confidence"):
        told.append(f"how far to trust it: {trace['confidence']}")
    return told


def _stories(
    frames: schema.Frames,
    model: WaterModel,
    told: pd.DataFrame,
    as_of: pd.Timestamp,
    settings: Settings,
) -> list[VaultStory]:
    """Return what the page tells of each vault."""
    days = [as_of + pd.Timedelta(days=ahead) for ahead in range(1, DAYS_AHEAD + 1)]
    grades = fit_grades(frames, as_of=as_of, settings=settings)
    forecasts = forecast_with(model, grades, week.cross(told["vault_id"], days))
    hours = pd.DataFrame({"hours": [float(h) for h in REFILL_HOURS]})
    points = week.cross(told["vault_id"], days[:1]).merge(hours, how="cross")
    points["prob_workable"] = prob_workable(model, points)
    vaults = frames["vaults"].set_index("vault_id")
    visits = frames["visits"]
    visits = visits[visits["vault_id"].isin(told["vault_id"])]
    local = visits["visited_at"].dt.tz_convert(settings.time_zone).dt.tz_localize(None)
    visits = visits.assign(on=local.dt.normalize())
    visits = visits[visits["on"] <= as_of]
    longest = settings.schedule.max_refill_hours
    stories = []
    for row in told.to_dict("records"):
        vault = vaults.loc[row["vault_id"]]
        mine = forecasts[forecasts["vault_id"].eq(row["vault_id"])].reset_index(drop=True)
        full, depth_ft = mine["capacity_gal"].iloc[0], vault["depth_ft"]
        depth_in = None if pd.isna(depth_ft) else 12.0 * float(depth_ft)
        room = {
            "depth_in": depth_in,
            "working_depth_in": settings.forecast.working_depth_in,
            "gal_per_in": None if pd.isna(full) or not depth_in else float(full) / depth_in,
        }
        curve = points.loc[points["vault_id"].eq(row["vault_id"]), ["hours", "prob_workable"]]
        place = (vault["address"], vault["district"], vault["kind"], vault["setting"])
        soonest = mine["refill_hours_p10"].iloc[0]
        stories.append(
            VaultStory(
                vault_id=str(row["vault_id"]),
                place=", ".join(str(each) for each in place if pd.notna(each)),
                forecasts=mine,
                visits=visits.loc[
                    visits["vault_id"].eq(row["vault_id"]), ["on", "depth_in", "grade"]
                ],
                curve=curve.reset_index(drop=True),
                room=room,
                hold_hours=None if pd.isna(soonest) else min(float(soonest), longest),
                why=_filled_by(row),
                moved=_moved(row),
            )
        )
    return stories


def _filled_by(row: Mapping[Hashable, Any]) -> str:
    """Return in words by which ways the water comes in."""
    if pd.isna(row["inflow"]) or pd.isna(row["inflow_rain_frac"]):
        return "What fills it is not known: too few looks."
    shares = {way: float(row[f"inflow_{way}_frac"]) for way in WAYS}
    parts = [f"{way} {100 * share:.0f} %" for way, share in shares.items()]
    level = "" if pd.isna(row["filling_in"]) else f"; {row['filling_in']:.0f} in come in a season"
    return f"Filled by {', '.join(parts)}{level}."


def _moved(row: Mapping[Hashable, Any]) -> str:
    before, now = row["volume_gal_p50_before"], row["volume_gal_p50"]
    if pd.isna(before) or pd.isna(now):
        return ""
    return f"The forecast moved from {before:,.0f} to {now:,.0f} gal: {row['reason']}."


def peek(
    location: str,
    *,
    week_of: pd.Timestamp | None = None,
    as_of: pd.Timestamp | None = None,
    settings: Settings,
    on_step: OnStep = silent,
) -> pd.DataFrame:
    """Return the vaults of a week's open orders, those where a look would save most first.

    The columns are those of :func:`vaultplan.forecast.peeks.worth_of_a_look`, for the first day of
    the week that trucks work.
    """
    ahead = week.open_week(location, week_of, as_of, settings, on_step)
    orders = ahead.frames["work_orders"]
    is_open = orders["status"].isna() | orders["status"].eq("open")
    vaults = sorted(set(orders.loc[is_open, "vault_id"]))
    points = week.cross(vaults, ahead.days[:1])
    water = week.forecast_points(ahead.frames, points, ahead.as_of, ahead.settings, on_step)
    return worth_of_a_look(water, ahead.settings.forecast)
