"""The week's plan: crews and vacuum trucks together, every stop with its times."""

from __future__ import annotations

import logging
from collections.abc import Callable, Iterator
from datetime import date
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd

from vaultplan.schedule.build import week_model, week_places
from vaultplan.schedule.clock import WeekClock
from vaultplan.schedule.crews import crew_routes
from vaultplan.schedule.fleet import Fleet
from vaultplan.schedule.model import Week
from vaultplan.schedule.reasons import why_unserved
from vaultplan.schedule.repair import improve
from vaultplan.schedule.routing import Budget
from vaultplan.schedule.state import WeekState
from vaultplan.schedule.travel import TravelTimes, travel_times
from vaultplan.schedule.vacuum import offers_after, vacuum_routes
from vaultplan.schema import Frames, table
from vaultplan.settings import ScheduleSettings

_LOG = logging.getLogger(__name__)

#: Shares of the time budget: crews alone, vacuum trucks after them, both together.
_CREW_SHARE, _VACUUM_SHARE, _JOINT_SHARE = 0.35, 0.10, 0.55

Progress = Callable[[str, float], None]


def _silent(_stage: str, _share: float) -> None:
    """Tell nobody."""


def solve_week(
    frames: Frames,
    week_of: date,
    *,
    plan_id: str,
    time_zone: str,
    settings: ScheduleSettings,
    seed: int,
    on_progress: Progress | None = None,
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return the stops of every truck in the week, and the jobs that found no place.

    Parameters
    ----------
    frames
        Tables ``plan_jobs``, ``trucks``, ``depots``, ``disposal_sites`` and ``roads``.
    week_of
        Monday of the week.
    plan_id
        Id written into every row.
    time_zone
        Where the clocks of shifts and windows are read.
    settings
        Speeds, weights and the solver's budget: ``iterations`` if set, else ``seconds``.
    seed
        Seed of every random choice; with ``iterations`` the same seed gives the same plan.
    on_progress
        Called with the stage and the share of it that is done.

    Returns
    -------
    tuple
        Tables ``plan_stops`` and ``plan_unserved``.

    Raises
    ------
    ScheduleError
        If a truck or the week's first day is not usable; the message says which.

    Notes
    -----
    Three stages share one objective, seconds driven plus weighed overtime plus the worth of jobs
    left out: the crews' week, with vacuum trucks only as an earliest start; the vacuum trucks'
    week, in the windows the crews leave them; then ruin and recreate over both. An order's hours
    bind the start of every stop made for it, the vacuum truck's too. A vault that holds more than
    any vacuum truck carries is not split into loads: it is reported with that reason.
    """
    tell = on_progress or _silent
    tell("travel times", 0.0)
    clock = WeekClock.of(week_of, time_zone)
    places = week_places(frames)
    travel = travel_times(places, _roads(frames, places), settings=settings)
    _say_straight(travel)
    week = week_model(frames, clock, travel.place_ids, travel.seconds, settings)
    state = solve_model(week, settings=settings, seed=seed, tell=tell)
    tell("times and reasons", 0.0)
    points = dict(zip(travel.place_ids, places.geometry, strict=True))
    stops = _stops(state, plan_id, [points[name] for name in travel.place_ids], places.crs)
    unserved = [
        (plan_id, week.jobs[n].order_id, week.jobs[n].vault_id, outcome, words)
        for n, outcome, words in why_unserved(state)
    ]
    left = pd.DataFrame(unserved, columns=["plan_id", "order_id", "vault_id", "outcome", "reason"])
    return stops, table("plan_unserved").conform(left)


def solve_model(
    week: Week, *, settings: ScheduleSettings, seed: int, tell: Progress | None = None
) -> WeekState:
    """Return the best week found for a model that is already in seconds."""
    tell = tell or _silent
    budget = Budget(settings.seconds, settings.iterations)
    tell("crews", 0.0)
    crews = crew_routes(
        week,
        budget=budget.share(_CREW_SHARE),
        seed=seed,
        on_progress=lambda share: tell("crews", share),
    )
    starts = {
        number: start
        for tour in crews.values()
        for number, start in tour
        if week.jobs[number].needs_vacuum
    }
    tell("vacuum trucks", 0.0)
    offers = offers_after(week, starts)
    vacuums = vacuum_routes(
        week,
        offers,
        budget=budget.share(_VACUUM_SHARE),
        seed=seed,
        on_progress=lambda share: tell("vacuum trucks", share),
    )
    state = WeekState(week, np.random.default_rng(seed))
    state.adopt(crews, vacuums)
    rounds = improve(
        state,
        budget=budget.share(_JOINT_SHARE),
        on_progress=lambda share: tell("both together", share),
    )
    _LOG.info("%d rounds, %d of %d jobs left out", rounds, len(state.unserved), len(week.jobs))
    return state


def _roads(frames: Frames, places: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    roads = frames.get("roads")
    if roads is None or not len(roads):
        empty: gpd.GeoDataFrame = table("roads").empty(places.crs)
        return empty
    return roads


def _say_straight(travel: TravelTimes) -> None:
    if travel.straight_count:
        cut_off = [
            name
            for name, row in zip(travel.place_ids, travel.is_straight, strict=True)
            if row.sum() > len(row) / 2
        ]
        _LOG.warning(
            "%d of %d legs go by straight distance because no street joins their ends; mostly: %s",
            travel.straight_count,
            travel.is_straight.size,
            ", ".join(cut_off[:10]) or "no place in particular",
        )


def _stops(state: WeekState, plan_id: str, points: list[Any], crs: Any) -> pd.DataFrame:
    rows = [*_crew_rows(state), *_vacuum_rows(state)]
    if not rows:
        return table("plan_stops").empty(crs)
    frame = pd.DataFrame(rows)
    clock = state.week.clock
    for name in ("arrive_at", "start_at", "leave_at"):
        frame[name] = pd.to_datetime([clock.moment(int(s)) for s in frame[name]], utc=True)
    frame["on"] = pd.to_datetime([clock.day(day) for day in frame["day"]])
    frame["plan_id"] = plan_id
    placed = gpd.GeoDataFrame(frame, geometry=[points[i] for i in frame["place"]], crs=crs)
    ordered = table("plan_stops").conform(placed)
    return ordered.sort_values(["on", "truck_id", "stop_number"], ignore_index=True)


def _legs(fleet: Fleet, row: int) -> Iterator[tuple[int, dict[str, Any]]]:
    """Yield each stop of a tour with what all stops share; the first is reached just in time."""
    week, shift = fleet.week, fleet.shifts[row]
    at, free = shift.yard, shift.opens
    for number, (stop, start) in enumerate(
        zip(fleet.stops[row], fleet.starts[row], strict=True), start=1
    ):
        place = fleet.place(stop)
        if fleet.pauses[row] == number - 1:
            free = max(free, shift.rest_from) + shift.rest
        quiet = int(week.drive[at, place])
        departs = _just_in_time(week, quiet, free, start) if number == 1 else free
        drive = week.driven(quiet, departs)
        leave = start + fleet.seconds(row, stop)
        arrive = departs + drive
        at, free = place, leave
        yield (
            stop,
            {
                "truck_id": shift.truck_id,
                "day": shift.day,
                "stop_number": number,
                "place": place,
                "drive_minutes": drive / 60.0,
                "arrive_at": arrive,
                "start_at": start,
                "leave_at": leave,
                "order_id": week.jobs[stop].order_id if stop >= 0 else None,
                "vault_id": week.jobs[stop].vault_id if stop >= 0 else None,
            },
        )


def _just_in_time(week: Week, quiet: int, opens: int, start: int) -> int:
    """Return the latest second to leave the yard and still be there at a start."""
    low, high = opens, max(opens, start)
    while low < high:
        middle = (low + high + 1) // 2
        low, high = (
            (middle, high) if middle + week.driven(quiet, middle) <= start else (low, middle - 1)
        )
    return low


def _crew_rows(state: WeekState) -> Iterator[dict[str, Any]]:
    for row in range(len(state.crews.shifts)):
        for stop, leg in _legs(state.crews, row):
            job = state.week.jobs[stop]
            done = (
                {"kind": "work", "load_gal": 0.0}
                if job.needs_vacuum
                else {"kind": "pump_out", "load_gal": job.load_gal}
            )
            yield leg | done | {"socks": job.socks}


def _vacuum_rows(state: WeekState) -> Iterator[dict[str, Any]]:
    for row in range(len(state.vacuums.shifts)):
        tank = 0.0
        for stop, leg in _legs(state.vacuums, row):
            if stop >= 0:
                load = state.week.jobs[stop].load_gal
                tank += load
                done: dict[str, Any] = {"kind": "vacuum"}
            else:
                load, tank = tank, 0.0
                done = {"kind": "dump", "site_id": state.week.sites[-1 - stop].site_id}
            yield leg | done | {"load_gal": load, "tank_after_gal": tank, "socks": 0}
