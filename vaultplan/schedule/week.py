"""The week's plan: crews and vacuum trucks together, every stop with its times."""

from __future__ import annotations

import logging
from collections.abc import Callable
from datetime import date

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd

from vaultplan.schedule.build import week_model, week_places
from vaultplan.schedule.clock import WeekClock
from vaultplan.schedule.crews import crew_routes
from vaultplan.schedule.model import Week
from vaultplan.schedule.repair import improve
from vaultplan.schedule.routing import Budget
from vaultplan.schedule.state import WeekState
from vaultplan.schedule.stops import plan_tables
from vaultplan.schedule.travel import TravelTimes, travel_times
from vaultplan.schedule.vacuum import offers_after, vacuum_routes
from vaultplan.schema import Frames, table
from vaultplan.settings import ScheduleSettings

_LOG = logging.getLogger(__name__)

#: Shares of the time budget: crews alone, vacuum trucks after them, both together, crews once more
#: with the vacuum trucks where they are, both together again.
_CREW_SHARE, _VACUUM_SHARE, _JOINT_SHARE, _POLISH_SHARE, _LAST_SHARE = 0.22, 0.06, 0.37, 0.22, 0.13

Floats = npt.NDArray[np.float64]
Progress = Callable[[str, float], None]


def silent(_stage: str, _share: float) -> None:
    """Tell nobody."""


def solve_week(
    frames: Frames,
    week_of: date,
    *,
    plan_id: str,
    time_zone: str,
    settings: ScheduleSettings,
    seed: int,
    volume_gal: Floats | None = None,
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
    volume_gal
        Joint draws of the water of each row of ``plan_jobs``, (draws, jobs): a vacuum truck's trip
        then exceeds its tank in no more than ``run_out_prob`` of them.
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
    tell = on_progress or silent
    tell("travel times", 0.0)
    week, places = read_week(
        frames, week_of, time_zone=time_zone, settings=settings, volume_gal=volume_gal
    )
    state = solve_model(week, settings=settings, seed=seed, tell=tell)
    tell("times and reasons", 0.0)
    return plan_tables(state, places, plan_id)


def read_week(
    frames: Frames,
    week_of: date,
    *,
    time_zone: str,
    settings: ScheduleSettings,
    volume_gal: Floats | None = None,
) -> tuple[Week, gpd.GeoDataFrame]:
    """Return the week's model and its places, in the order that the model numbers them."""
    clock = WeekClock.of(week_of, time_zone)
    places = week_places(frames)
    travel = travel_times(places, _roads(frames, places), settings=settings)
    _say_straight(travel)
    week = week_model(frames, clock, travel.place_ids, travel.seconds, settings, volume_gal)
    return week, places


def solve_model(
    week: Week, *, settings: ScheduleSettings, seed: int, tell: Progress | None = None
) -> WeekState:
    """Return the best week found for a model that is already in seconds."""
    tell = tell or silent
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
    tell("crews again", 0.0)
    _polish(state, budget.share(_POLISH_SHARE), seed, lambda share: tell("crews again", share))
    rounds += improve(
        state,
        budget=budget.share(_LAST_SHARE),
        on_progress=lambda share: tell("both together again", share),
    )
    state.settle()
    for number in sorted(state.unserved, key=lambda number: -week.jobs[number].worth):
        state.insert(number)
    state.settle()
    _LOG.info("%d rounds, %d of %d jobs left out", rounds, len(state.unserved), len(week.jobs))
    return state


def _polish(
    state: WeekState, budget: Budget, seed: int, on_progress: Callable[[float], None]
) -> None:
    """Solve the crews once more with every vacuum truck where it is; keep it if it is better."""
    week, before, cost = state.week, state.snapshot(), state.cost()
    tours = {
        row: list(zip(stops, starts, strict=True))
        for row, (stops, starts) in enumerate(
            zip(state.crews.stops, state.crews.starts, strict=True)
        )
        if stops
    }
    crews = crew_routes(
        week,
        budget=budget,
        seed=seed,
        offers=state.crew_offers(),
        begin=tours,
        on_progress=on_progress,
    )
    trucks = {row: list(stops) for row, stops in enumerate(state.vacuums.stops) if stops}
    again = WeekState(week, state.rng, like=state)
    again.adopt(crews, trucks)
    for number in sorted(again.unserved, key=lambda number: -week.jobs[number].worth):
        again.insert(number)
    if again.cost() < cost:
        state.restore(again.snapshot())
        return
    state.restore(before)


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
