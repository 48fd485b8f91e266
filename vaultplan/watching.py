"""The watch-list of a planned week: sensitive waters, and the discharges that reach them."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import geopandas as gpd
import numpy as np
import pandas as pd

from vaultplan import schema, week
from vaultplan.discharge.rules import Rules, load_rules
from vaultplan.discharge.sensitivity import grade_waters
from vaultplan.discharge.watch import planned_discharges, reaches, watch_list, watched_waters
from vaultplan.discharge.watch_due import (
    kept_back,
    notice_reasons,
    notices_due,
    overrides_in_force,
    stale_layers,
)
from vaultplan.discharge.watch_sums import add_up, outfall_days
from vaultplan.errors import OutputError, ScheduleError, SchemaError
from vaultplan.forecast.draws import draw_volumes
from vaultplan.forecast.fitting import fit_water
from vaultplan.loading import OnStep, is_same_file, read_frames, silent
from vaultplan.outputs.watch.page import write_watch_page
from vaultplan.outputs.watch.sheet import write_watch_sheet
from vaultplan.outputs.watch.words import WatchFacts
from vaultplan.settings import Settings
from vaultplan.spread import decide_discharges
from vaultplan.store.database import Database, open_database
from vaultplan.store.read import read_table

DRAWS: Final = 1000
_NOT_READ: Final = ("samples",)


@dataclass(frozen=True, slots=True)
class Watched:
    """The watch-list of a plan.

    ``frames`` holds waters, discharges, totals, outfall_days, kept_back, overrides and notices;
    ``warnings`` what makes them doubtful.
    """

    plan_id: str
    week_of: pd.Timestamp
    as_of: pd.Timestamp
    frames: dict[str, pd.DataFrame]
    warnings: tuple[str, ...]


def watch(
    location: str,
    *,
    water: str | None = None,
    plan_id: str | None = None,
    as_of: pd.Timestamp | None = None,
    page: Path | None = None,
    sheet: Path | None = None,
    seed: int = 1,
    settings: Settings,
    on_step: OnStep = silent,
) -> Watched:
    """Return, for each sensitive water, the discharges of the latest plan that reach it.

    Parameters
    ----------
    water
        Id or name of the one water wanted, of whatever sensitivity.
    plan_id
        Plan to read; the latest made if none.
    as_of
        Last day whose results are known, today to the reader; the plan's own if none.
    page, sheet
        HTML page and PDF to write.
    seed
        Seed of the draws from which bands of sums are taken.

    Raises
    ------
    ScheduleError
        If there is no plan, or none of that id.
    SchemaError
        If there is no such water.
    OutputError
        If page or sheet cannot be written, or would replace the database.

    Notes
    -----
    Paths, forecasts, sensitivities and decisions are made anew as the walk makes them, so that a
    plan made before data or rules changed is told by what is known now.
    """
    for wanted in (page, sheet):
        if wanted is not None and is_same_file(wanted, location):
            raise OutputError(f"{wanted} is the database; name another file")
    names = [name for name in schema.LOADABLE if name not in _NOT_READ]
    with open_database(location) as database:
        settings = week.in_zone(settings, database.time_zone)
        title = database.name
        plan = _chosen_plan(database, plan_id)
        frames = read_frames(database, names, on_step)
        for name in week.PLAN_TABLES:
            frames[name] = read_table(database, name, where={"plan_id": str(plan["plan_id"])})
    only = None if water is None else _find_water(frames["receiving_waters"], water)
    as_of = pd.Timestamp(plan["as_of_on"] if as_of is None else as_of).normalize()
    rules = load_rules(settings.discharge.rules_file)
    _judge(frames, as_of, settings, rules, on_step)
    warnings = _plan_warnings(plan, frames, as_of, settings, rules)
    on_step("Draw the week's gallons")
    points = frames["forecasts"][["vault_id", "on"]].drop_duplicates(ignore_index=True)
    volumes = np.zeros((DRAWS, 0))
    if len(points):
        model = fit_water(frames, as_of=as_of, settings=settings)
        volumes = draw_volumes(model, points, count=DRAWS, seed=seed)
    on_step("Follow the discharges to the waters")
    told = _told(frames, points, volumes, only, as_of, settings, rules)
    watched = set(told["waters"]["water_id"].dropna())
    warnings += stale_layers(frames, as_of=as_of, settings=settings.discharge, water_ids=watched)
    facts = WatchFacts(
        name=title,
        plan_id=str(plan["plan_id"]),
        week_of=pd.Timestamp(plan["week_of"]),
        as_of=as_of,
        time_zone=settings.time_zone,
        notice_days=settings.outputs.notice_days,
        contact=settings.outputs.contact,
        rules_version=rules.version,
        rule_words={rule.id: rule.words for rule in rules.rules},
        warnings=tuple(warnings),
    )
    if page is not None:
        on_step("Write the page")
        write_watch_page(page, facts, {**frames, **told})
    if sheet is not None:
        on_step("Write the sheet")
        write_watch_sheet(sheet, facts, {**frames, **told}, settings.outputs)
    return Watched(
        str(plan["plan_id"]), pd.Timestamp(plan["week_of"]), as_of, told, tuple(warnings)
    )


def _chosen_plan(database: Database, plan_id: str | None) -> pd.Series[Any]:
    """Return a plan's own row, the latest made if none is named."""
    # Superseded ones first: a clock that was set back does not tell which was made later.
    plans = read_table(database, "plans").sort_values(
        ["state", "made_at", "plan_id"], ascending=[False, True, True]
    )
    if plans.empty:
        raise ScheduleError("there is no plan yet; make one with `vaultplan plan`")
    if plan_id is not None:
        known = ", ".join(plans["plan_id"].tail(10))
        plans = plans[plans["plan_id"].eq(plan_id)]
        if plans.empty:
            raise ScheduleError(f"there is no plan {plan_id!r}; the latest are {known}")
    return plans.iloc[-1]


def _find_water(waters: pd.DataFrame, asked: str) -> str:
    """Return the id of the water with that id, or with that name in any case."""
    wanted = asked.strip().casefold()
    by_id = waters.loc[waters["water_id"].eq(asked.strip()), "water_id"]
    by_name = waters.loc[waters["name"].fillna("").str.casefold().eq(wanted), "water_id"]
    found = list(by_id) or list(by_name)
    if not found:
        known = [
            f"{name} ({key})" for key, name in zip(waters["water_id"], waters["name"], strict=True)
        ]
        raise SchemaError(
            f"there is no water {asked!r}; there are {', '.join(known[:30]) or 'none'}"
        )
    if len(found) > 1:
        raise SchemaError(f"several waters are named {asked!r}: {', '.join(found)}; name one by id")
    return str(found[0])


def _judge(
    frames: dict[str, pd.DataFrame],
    as_of: pd.Timestamp,
    settings: Settings,
    rules: Rules,
    on_step: OnStep,
) -> None:
    """Add forecasts and decisions of the planned discharges, sensitivities, and traces."""
    stops, left = frames["plan_stops"], frames["plan_unserved"]
    pumped = stops.loc[stops["kind"].eq("pump_out"), ["vault_id", "on"]].drop_duplicates()
    ahead = pumped[pumped["on"] > as_of].reset_index(drop=True)
    concerned = {
        *pumped["vault_id"],
        *left["vault_id"],
        *frames["overrides"]["vault_id"],
    }
    frames["forecasts"] = (
        week.forecast_points(frames, ahead, as_of, settings, on_step)
        if len(ahead)
        else schema.table("forecasts").empty()
    )
    every = frames["vaults"]
    asked = {**frames, "vaults": every[every["vault_id"].isin(concerned)].reset_index(drop=True)}
    frames["traces"] = week.trace_paths(asked, settings, on_step, with_geometry=True)
    on_step("Apply the discharge rules")
    frames["sensitivities"] = grade_waters(
        *(frames[name] for name in ("receiving_waters", "sensitive_areas", "outfalls")),
        as_of=as_of,
        settings=settings.discharge,
    )
    frames["decisions"] = decide_discharges(frames, as_of=as_of, settings=settings, rules=rules)


def _told(
    frames: dict[str, pd.DataFrame],
    points: pd.DataFrame,
    volumes: Any,
    only: str | None,
    as_of: pd.Timestamp,
    settings: Settings,
    rules: Rules,
) -> dict[str, pd.DataFrame]:
    """Return the tables of the watch-list, of the waters on watch."""
    reached = reaches(frames["traces"], frames["outfalls"], frames["receiving_waters"])
    discharges = planned_discharges(frames, {rule.id: rule.words for rule in rules.rules})
    listed = watch_list(frames, reached, discharges)
    waters = watched_waters(frames, listed, only)
    kept = waters["water_id"].fillna("")

    def mine(frame: pd.DataFrame) -> pd.DataFrame:
        return frame[frame["water_id"].fillna("").isin(kept)].reset_index(drop=True)

    listed = gpd.GeoDataFrame(mine(listed))
    starts = listed["start_at"].dt.tz_convert(settings.time_zone)
    listed.insert(listed.columns.get_loc("start_at"), "time", starts.dt.strftime("%H:%M"))
    why = notice_reasons(
        gpd.GeoDataFrame(frames["receiving_waters"]),
        gpd.GeoDataFrame(frames["sensitive_areas"]),
        gpd.GeoDataFrame(frames["outfalls"]),
        settings.discharge,
    )
    by_day = outfall_days(discharges, frames["traces"], frames["outfalls"], points, volumes)
    outfalls = set(listed["outfall_id"].dropna())
    outfalls.update(";".join(listed["other_outfalls"].dropna()).split(";"))
    return {
        "waters": waters,
        "discharges": listed,
        "totals": _totals(listed, points, volumes),
        "outfall_days": by_day[by_day["outfall_id"].isin(outfalls)].reset_index(drop=True),
        "kept_back": mine(kept_back(frames, reached)),
        "overrides": mine(overrides_in_force(frames["overrides"], reached, as_of=as_of)),
        "notices": mine(
            notices_due(listed, why, as_of=as_of, notice_days=settings.outputs.notice_days)
        ),
    }


def _totals(listed: pd.DataFrame, points: pd.DataFrame, volumes: Any) -> pd.DataFrame:
    """Return the gallons by water, the day blank, and by water and day."""
    whole = add_up(listed, ["water_id"], points, volumes)
    whole.insert(1, "on", pd.Series(pd.NaT, index=whole.index, dtype="datetime64[s]"))
    by_day = add_up(listed, ["water_id", "on"], points, volumes)
    return pd.concat([whole, by_day], ignore_index=True) if len(by_day) else whole


def _plan_warnings(
    plan: pd.Series[Any],
    frames: schema.Frames,
    as_of: pd.Timestamp,
    settings: Settings,
    rules: Rules,
) -> list[str]:
    """Return what makes the plan doubtful as a base: its age, its state, what changed since."""
    told = []
    ends_on = pd.Timestamp(plan["week_of"]) + pd.Timedelta(days=6)
    if as_of > ends_on:
        told.append(f"The week of this plan ended on {ends_on:%Y-%m-%d}; plan the next one.")
    if pd.Timestamp(plan["as_of_on"]) < as_of:
        told.append(
            f"The plan knows results until {plan['as_of_on']:%Y-%m-%d} only; forecasts and rules "
            f"here know those until {as_of:%Y-%m-%d}."
        )
    if plan["state"] != "checked":
        told.append(f"The plan is marked {plan['state']}; do not act on it.")
    if pd.notna(plan["content_version"]) and plan["content_version"] != week.content_version(
        frames
    ):
        told.append("The plan was edited after it was checked; run `vaultplan verify`.")
    if plan["rules_version"] != rules.version:
        told.append("The discharge rules changed since the plan was made; plan again.")
    if plan["settings_version"] != settings.version:
        told.append("The settings changed since the plan was made.")
    issued = frames["rain_outlook"]["issued_at"]
    known = issued[issued < (as_of + pd.Timedelta(days=1)).tz_localize(settings.time_zone)]
    if known.empty:
        told.append("No rain outlook is known; look at one before pumping to the drain.")
    elif known.max() < (as_of - pd.Timedelta(days=1)).tz_localize(settings.time_zone):
        issued_on = known.max().tz_convert(settings.time_zone)
        told.append(f"The newest rain outlook is of {issued_on:%Y-%m-%d}; look at a newer one.")
    return told
