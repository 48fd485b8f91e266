"""A week on its way to a plan: read, judged and scheduled, each step adding its tables."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from functools import partial
from typing import Final

import geopandas as gpd
import numpy as np
import pandas as pd

from vaultplan import schema
from vaultplan.discharge.rules import Rules, load_rules
from vaultplan.discharge.sensitivity import grade_waters
from vaultplan.discharge.watch import reaches
from vaultplan.discharge.watch_due import stop_notices
from vaultplan.drainage.network import DrainNetwork
from vaultplan.errors import ScheduleError, SettingsError
from vaultplan.forecast.volume import WaterModel
from vaultplan.keeping import Kept, read_kept
from vaultplan.loading import OnStep, columns_to_read
from vaultplan.provisions import JobDraws, how_sure, load_trucks, reckon_jobs
from vaultplan.ranking.value import rank_orders
from vaultplan.renewing import (
    DRAIN_TABLES,
    STREET_TABLES,
    WATER_TABLES,
    renewed_forecasts,
    renewed_traces,
    traced,
    tracing_beside,
)
from vaultplan.schedule.checker import check_plan
from vaultplan.schedule.jobs import build_jobs
from vaultplan.schedule.lines import route_lines
from vaultplan.schedule.week import solve_week
from vaultplan.settings import ScheduleSettings, Settings
from vaultplan.spread import decide_discharges, fit_and_forecast
from vaultplan.store.database import Database, open_database
from vaultplan.store.read import read_table
from vaultplan.store.write import replace_plan

PLAN_TABLES: Final = (
    *("plans", "plan_jobs", "plan_stops", "plan_unserved", "plan_loads", "plan_changes"),
)
#: With more vaults than this, paths are drawn for the vaults with open orders only.
MOST_DRAWN_PATHS: Final = 5_000
_RULE_TABLES: Final = ("sensitive_areas", "concern_sites", "incidents", "overrides")
#: All that a decision about a vault's water rests on.
JUDGED_TABLES: Final = tuple(
    dict.fromkeys([*WATER_TABLES, *DRAIN_TABLES, *STREET_TABLES, *_RULE_TABLES])
)
_WEEK_TABLES: Final = (
    *("work_orders", "trucks", "depots", "disposal_sites", "plan_edits", "backdrop"),
)
_CONTENT_TABLES: Final = ("plan_jobs", "plan_stops", "plan_unserved")
_ORDERED_TABLES: Final = (*_CONTENT_TABLES, "plan_loads", "plan_changes")
_SCHEDULE_TABLES: Final = (
    *("rankings", "decisions", "forecasts", "work_orders", "vaults"),
    *("trucks", "depots", "disposal_sites", "roads", "plan_edits", "outfalls"),
)


@dataclass(frozen=True, slots=True)
class Week:
    """A week on its way to a plan: every step adds its table to ``frames``.

    ``models`` holds ``water``, what the forecasts come from, once there are any; ``kept`` what was
    read and reckoned before; ``seen`` the versions of the plans that the week had at the beginning.
    """

    monday: pd.Timestamp
    days: tuple[pd.Timestamp, ...]
    as_of: pd.Timestamp
    settings: Settings
    rules: Rules
    frames: dict[str, pd.DataFrame]
    models: dict[str, WaterModel] = field(default_factory=dict)
    kept: Kept = field(default_factory=Kept)
    seen: dict[str, int] = field(default_factory=dict)

    @property
    def travel_settings(self) -> ScheduleSettings:
        """Settings of the schedule; driving times are kept with the rest unless they say where."""
        schedule = self.settings.schedule
        if schedule.travel_cache is not None or self.kept.folder is None:
            return schedule
        return schedule.model_copy(update={"travel_cache": self.kept.folder})


def open_week(
    location: str,
    week_of: pd.Timestamp | None,
    as_of: pd.Timestamp | None,
    settings: Settings,
    on_step: OnStep,
    *,
    anew: bool = False,
) -> Week:
    """Read the database and choose the days; the week after the data end if none is asked for.

    What was read and reckoned before is used as far as nothing changed since, unless ``anew``.
    """
    names = {name: columns_to_read(name) for name in (*JUDGED_TABLES, *_WEEK_TABLES)}
    with open_database(location) as database:
        settings = in_zone(settings, database.time_zone)
        plans = read_plan_versions(database)
        step = "Read the database"
        kept = read_kept(
            database, names, anew=anew, on_table=lambda done: on_step(step, done, len(names))
        )
        on_step(step, len(names), len(names))
    frames = dict(kept.frames)
    if week_of is None or as_of is None:
        end = data_end(frames, settings.time_zone)
        week_of = week_of or end + pd.Timedelta(days=7)
        # The week that is running is planned from today on, another one from its eve.
        is_running = _monday(week_of) <= end < _monday(week_of) + pd.Timedelta(days=6)
        eve = _monday(week_of) - pd.Timedelta(days=1)
        as_of = as_of or (end if is_running else min(end, eve))
    monday = _monday(week_of)
    if as_of >= monday + pd.Timedelta(days=7):
        raise SettingsError(f"--as-of {as_of:%Y-%m-%d} is after the week of {monday:%Y-%m-%d}")
    worked = set(";".join(frames["trucks"]["days"].dropna()).split(";"))
    days = tuple(
        monday + pd.Timedelta(days=number)
        for number, name in enumerate(schema.WEEKDAYS)
        if name in worked and monday + pd.Timedelta(days=number) > as_of
    )
    if not days:
        raise ScheduleError(
            f"no truck works in the week of {monday:%Y-%m-%d} after {as_of:%Y-%m-%d}; "
            "load trucks with their days, or choose another week"
        )
    rules = load_rules(settings.discharge.rules_file)
    frames["visits"] = _known_visits(frames["visits"], as_of, settings.time_zone)
    seen = versions_seen(plans, monday)
    return Week(monday, days, as_of, settings, rules, frames, kept=kept, seen=seen)


def read_plan_versions(database: Database) -> pd.DataFrame:
    """Return plan_id, week_of and version of every stored plan."""
    return read_table(database, "plans", columns=["plan_id", "week_of", "version"])


def versions_seen(plans: pd.DataFrame, monday: pd.Timestamp) -> dict[str, int]:
    """Return the version of each plan of a week, by its id."""
    of_week = plans[plans["week_of"].eq(monday)]
    return dict(zip(of_week["plan_id"], of_week["version"].fillna(0).astype(int), strict=True))


def judge(week: Week, on_step: OnStep, *, everywhere: bool) -> None:
    """Add forecasts, traces, sensitivities, decisions and rankings.

    Vaults with open orders are forecast for every day; with ``everywhere`` all others for the
    first day too, for the map.
    """
    frames, settings = week.frames, week.settings
    orders = frames["work_orders"]
    open_orders = orders[orders["status"].isna() | orders["status"].eq("open")]
    wanted = frames["vaults"]["vault_id"].isin(open_orders["vault_id"])
    ordered = frames["vaults"].loc[wanted, "vault_id"]
    first_day = cross(frames["vaults"]["vault_id"] if everywhere else ordered, week.days[:1])
    points = pd.concat([first_day, cross(ordered, week.days[1:])], ignore_index=True)
    # A small fleet's map draws every path; a large one's only those of open orders.
    drawn = True if len(frames["vaults"]) <= MOST_DRAWN_PATHS else list(ordered)
    with tracing_beside(frames, settings=settings, kept=week.kept, with_geometry=drawn) as tracing:
        step = f"Forecast water and grade ({len(points):,} vault-days)"
        on_step(step)
        frames["forecasts"], week.models["water"] = renewed_forecasts(
            frames,
            points,
            as_of=week.as_of,
            settings=settings,
            kept=week.kept,
            on_progress=partial(on_step, step),
        )
        step = "Trace drains to the sea"
        on_step(step)
        frames["traces"] = renewed_traces(
            frames,
            settings=settings,
            kept=week.kept,
            with_geometry=drawn,
            begun=tracing,
            on_progress=partial(on_step, step),
        )
    week.kept.write()
    on_step("Apply the discharge rules")
    frames["sensitivities"] = grade_waters(
        *(frames[name] for name in ("receiving_waters", "sensitive_areas", "outfalls")),
        as_of=week.as_of,
        settings=settings.discharge,
    )
    asked = frames["forecasts"]["vault_id"].isin(ordered)
    ruled = {**frames, "forecasts": frames["forecasts"][asked]}
    frames["decisions"] = decide_discharges(
        ruled,
        as_of=week.as_of,
        settings=settings,
        rules=week.rules,
        on_progress=partial(on_step, "Apply the discharge rules"),
    )
    on_step("Rank the orders")
    frames["rankings"] = rank_orders(
        orders,
        ruled["forecasts"],
        frames["decisions"],
        as_of=week.as_of,
        settings=settings.ranking,
    )
    frames["rankings"] = how_sure(
        frames["rankings"], ruled["forecasts"], week.models["water"], settings=settings
    )


def plan_id_of(week: Week, seed: int, made_from: str = "") -> str:
    """Return the week's Monday and a hash of all that the schedule hangs on."""
    told = f"{week.as_of}{seed}{made_from}{week.settings.version}{week.rules.version}"
    frames = dict(week.frames)
    for name in ("vaults", "forecasts"):
        ordered = frames[name]["vault_id"].isin(frames["rankings"]["vault_id"])
        frames[name] = frames[name][ordered]
    return f"{week.monday:%Y-%m-%d}-{_hash(frames, _SCHEDULE_TABLES, told)[:8]}"


def content_version(frames: schema.Frames) -> str:
    """Return a hash of a plan's jobs, stops and orders left out, whatever order they stand in."""
    return _hash(frames, _CONTENT_TABLES)[:16]


def _hash(frames: schema.Frames, names: Iterable[str], told: str = "") -> str:
    digest = hashlib.sha256(told.encode())
    for name in names:
        frame = schema.table(name).conform(frames[name])
        plain = pd.DataFrame(frame)
        if isinstance(frame, gpd.GeoDataFrame):
            plain = plain.assign(geometry=frame.geometry.to_wkb(hex=True).astype("str"))
        rows = pd.util.hash_pandas_object(plain, index=False).to_numpy()
        digest.update(np.sort(rows).tobytes())
    return digest.hexdigest()


def take_stored(location: str, week: Week, seed: int, on_step: OnStep) -> bool:
    """Return whether the plan is stored already that this week would give, and take it if so.

    It is, where nothing changed of all that the schedule hangs on. A plan that was edited since it
    was checked is not taken, nor one that another took the place of, nor one that breaks a limit;
    what this very program checked before is not checked again.
    """
    frames, plan_id = week.frames, plan_id_of(week, seed)
    with open_database(location) as database:
        stored = {
            name: read_table(database, name, where={"plan_id": plan_id}) for name in PLAN_TABLES
        }
    plans = stored["plans"]
    if plans.empty or plans["state"].iloc[0] != "checked":
        return False
    if plans["content_version"].iloc[0] != content_version(stored):
        return False
    if week.kept.result("checked", _content_of(stored)) is None:
        on_step("Check the plan")
        zone, schedule = week.settings.time_zone, week.settings.schedule
        if check_plan({**frames, **stored}, time_zone=zone, settings=schedule):
            return False
        week.kept.keep("checked", _content_of(stored), True, lasts=True)
    frames.update(stored)
    _draw_and_notify(week, on_step)
    week.kept.write()
    week.kept.reused.append("the plan stored before: nothing that it hangs on changed")
    return True


def schedule(week: Week, seed: int, made_at: pd.Timestamp, on_step: OnStep) -> None:
    """Add plans, plan_jobs, plan_stops, plan_unserved, plan_loads, plan_changes and routes."""
    frames, settings = week.frames, week.settings
    plan_id = plan_id_of(week, seed)
    left, draws = choose_jobs(week, plan_id, seed, on_step)
    step = f"Schedule {len(frames['plan_jobs']):,} jobs"
    on_step(step)
    frames["plan_stops"], unserved = solve_week(
        frames,
        week.monday.date(),
        plan_id=plan_id,
        time_zone=settings.time_zone,
        settings=week.travel_settings,
        seed=seed,
        volume_gal=draws.volume_gal,
        on_progress=lambda stage, done: on_step(f"{step}: {stage}", round(100 * done), 100),
    )
    frames["plan_unserved"] = pd.concat([left, unserved], ignore_index=True)
    frames["plan_changes"] = schema.table("plan_changes").empty()
    complete(week, plan_id, draws, seed, made_at, on_step)


def choose_jobs(
    week: Week, plan_id: str, seed: int, on_step: OnStep
) -> tuple[pd.DataFrame, JobDraws]:
    """Add plan_jobs; return the orders that are not offered, and draws of the jobs' water."""
    frames, settings = week.frames, week.settings
    on_step("Choose the week's jobs")
    jobs, left = build_jobs(frames, week.monday.date(), plan_id=plan_id, settings=settings.schedule)
    on_step("Reckon loads, socks and bookings")
    frames["plan_jobs"], draws = reckon_jobs(
        jobs, frames, week.models["water"], settings=settings, seed=seed
    )
    return left, draws


def complete(
    week: Week,
    plan_id: str,
    draws: JobDraws,
    seed: int,
    made_at: pd.Timestamp,
    on_step: OnStep,
    *,
    replaces: str | None = None,
) -> None:
    """Add plan_loads, routes and plans to a week whose stops are known.

    ``reached`` (waters that the week's vaults reach) and ``notices`` come besides, for the outputs.
    """
    frames, settings = week.frames, week.settings
    on_step("Load the trucks")
    frames["plan_loads"] = load_trucks(frames, draws, settings=settings)
    # As the store gives them back: a plan taken from there is told in the same order.
    for name in _ORDERED_TABLES:
        key = list(schema.table(name).key)
        frames[name] = frames[name].sort_values(key, ignore_index=True)
    facts = {
        "plan_id": plan_id,
        "week_of": week.monday,
        "as_of_on": week.as_of,
        "made_at": made_at,
        "seed": seed,
        "rules_version": week.rules.version,
        "settings_version": settings.version,
        "content_version": content_version(frames),
        "state": "checked",
        "replaces": replaces,
        "version": 1,
    }
    frames["plans"] = schema.table("plans").conform(pd.DataFrame([facts]))
    _draw_and_notify(week, on_step)


def _draw_and_notify(week: Week, on_step: OnStep) -> None:
    """Add routes, reached and notices to a week whose stops are known."""
    frames, settings = week.frames, week.settings
    drawn_for = _content_of(frames)
    routes = week.kept.result("routes", drawn_for)
    if routes is None:
        on_step("Draw the routes")
        routes = route_lines(
            *(frames[name] for name in ("plan_stops", "trucks", "depots", "roads")),
            settings=settings.schedule,
        )
        week.kept.keep("routes", drawn_for, routes, lasts=True)
    frames["routes"] = routes
    touched = {*frames["plan_stops"]["vault_id"].dropna(), *frames["plan_unserved"]["vault_id"]}
    traces = frames["traces"][frames["traces"]["vault_id"].isin(touched)]
    frames["reached"] = reaches(
        traces.reset_index(drop=True), frames["outfalls"], frames["receiving_waters"]
    )
    frames["notices"] = stop_notices(
        frames, settings.discharge, notice_days=settings.outputs.notice_days
    )


def _content_of(frames: schema.Frames) -> str:
    """Return what names a plan's content; streets, trucks and yards are in the plan's id."""
    plan = frames["plans"].iloc[0]
    return f"{plan['plan_id']} {plan['content_version']}"


def store_checked(location: str, week: Week, on_step: OnStep) -> None:
    """Check a finished plan and store it.

    Raises
    ------
    ScheduleError
        If it breaks a limit; then nothing is stored.
    ConflictError
        If somebody else stored, changed or deleted a plan of the week since it was opened; then
        nothing is stored.
    """
    frames, settings = week.frames, week.settings
    on_step("Check the plan")
    breaches = check_plan(frames, time_zone=settings.time_zone, settings=settings.schedule)
    if breaches:
        words = "\n".join(f"  {breach}" for breach in breaches[:20])
        raise ScheduleError(f"the plan breaks {len(breaches)} limit(s); not published:\n{words}")
    on_step("Store the plan")
    plan_id = str(frames["plans"]["plan_id"].iloc[0])
    with open_database(location) as database, database.writing("plans") as connection:
        planned = {name: frames[name] for name in PLAN_TABLES}
        replace_plan(connection, plan_id, planned, seen=week.seen)
    week.kept.keep("checked", _content_of(frames), True, lasts=True)
    week.kept.write()


def forecast_points(
    frames: schema.Frames,
    points: pd.DataFrame,
    as_of: pd.Timestamp,
    settings: Settings,
    on_step: OnStep,
) -> pd.DataFrame:
    """Return table ``forecasts`` for the points, a vault and a day each."""
    step = f"Forecast water and grade ({len(points):,} vault-days)"
    on_step(step)
    return fit_and_forecast(
        frames, points, as_of=as_of, settings=settings, on_progress=partial(on_step, step)
    )[0]


def trace_paths(
    frames: schema.Frames,
    settings: Settings,
    on_step: OnStep,
    *,
    with_geometry: Sequence[str] | bool,
    network: DrainNetwork | None = None,
) -> pd.DataFrame:
    """Return table ``traces``, with lines for the vaults asked for."""
    step = "Trace drains to the sea"
    on_step(step)
    traces: pd.DataFrame = traced(
        frames,
        settings=settings,
        with_geometry=with_geometry,
        network=network,
        on_progress=partial(on_step, step),
    )
    return traces


def in_zone(settings: Settings, time_zone: str) -> Settings:
    """Return the settings with the database's time zone, which is the one that counts."""
    if settings.time_zone not in ("UTC", time_zone):
        raise SettingsError(
            f"the settings say time zone {settings.time_zone}, the database {time_zone}; "
            "take it out of the settings"
        )
    return settings.model_copy(update={"time_zone": time_zone})


def data_end(frames: schema.Frames, time_zone: str) -> pd.Timestamp:
    """Return the last local day that rain, an outlook or a visit is known of."""
    moments = [frames["rain_outlook"]["issued_at"].max(), frames["visits"]["visited_at"].max()]
    ends = [end.tz_convert(time_zone).tz_localize(None) for end in moments if pd.notna(end)]
    rained = frames["rainfall"]["fell_on"].max()
    known = [end.normalize() for end in (*ends, rained) if pd.notna(end)]
    if not known:
        raise SettingsError("no rain and no visits are loaded: say --as-of and the day or week")
    return pd.Timestamp(max(known)).as_unit("s")


def _known_visits(visits: pd.DataFrame, as_of: pd.Timestamp, time_zone: str) -> pd.DataFrame:
    """Return the visits up to the end of the as-of day, so that no output shows a later one."""
    end = (as_of.normalize() + pd.Timedelta(days=1)).tz_localize(time_zone)
    known = visits["visited_at"] < end
    return visits if known.all() else visits[known].reset_index(drop=True)


def _monday(day: pd.Timestamp) -> pd.Timestamp:
    return day.normalize() - pd.Timedelta(days=day.weekday())


def cross(vault_ids: Iterable[str], days: Sequence[pd.Timestamp]) -> pd.DataFrame:
    """Return every vault with every day, as points to forecast."""
    vaults = pd.DataFrame({"vault_id": list(vault_ids)})
    on = pd.DataFrame({"on": pd.Series(list(days), dtype="datetime64[s]")})
    return vaults.merge(on, how="cross")
