"""A plan made anew from the one before it, with as little change as what has happened asks for."""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping
from datetime import date
from typing import Final

import geopandas as gpd
import numpy as np
import pandas as pd

from vaultplan.schedule.model import Week
from vaultplan.schedule.repair import improve
from vaultplan.schedule.routing import Budget
from vaultplan.schedule.state import WeekState
from vaultplan.schedule.stops import plan_tables
from vaultplan.schedule.week import Floats, Progress, read_week, silent
from vaultplan.schema import Frames
from vaultplan.settings import ScheduleSettings

#: Share of the solver's seconds that a change to a plan gets.
_SHARE: Final = 0.5
_WORK: Final = ("pump_out", "work")


def solve_again(
    frames: Frames,
    before: pd.DataFrame,
    week_of: date,
    *,
    known: Collection[str],
    plan_id: str,
    time_zone: str,
    settings: ScheduleSettings,
    seed: int,
    volume_gal: Floats | None = None,
    on_progress: Progress | None = None,
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return the week's stops and jobs left out, changing an earlier plan as little as it can.

    Parameters
    ----------
    frames
        As in :func:`vaultplan.schedule.week.solve_week`, as things stand now.
    before
        Table ``plan_stops`` of the earlier plan, of the days that are still to come.
    known
        Orders that the earlier plan knew of, served or not.
    week_of, plan_id, time_zone, settings, seed, volume_gal, on_progress
        As there. ``move_minutes`` and ``churn_frac`` of the settings bound what is moved.

    Returns
    -------
    tuple
        Tables ``plan_stops`` and ``plan_unserved``.

    Notes
    -----
    Tours of the earlier plan are driven again in their order, without the jobs that are gone or may
    no longer be done there. What is left over and what is new goes into gaps first, moving nothing
    else. Only if something that was promised or is new is still left over are tours taken apart, on
    days on which it may be done; then every promised job that moves to another truck or day costs
    ``move_minutes``, and no more than ``churn_frac`` of them may.
    """
    tell = on_progress or silent
    tell("travel times", 0.0)
    read = read_week(frames, week_of, time_zone=time_zone, settings=settings, volume_gal=volume_gal)
    return solve_read(
        *read, before, known=known, plan_id=plan_id, settings=settings, seed=seed, tell=tell
    )


def solve_read(
    week: Week,
    places: gpd.GeoDataFrame,
    before: pd.DataFrame,
    *,
    known: Collection[str],
    plan_id: str,
    settings: ScheduleSettings,
    seed: int,
    moves_others: bool = True,
    like: WeekState | None = None,
    tell: Progress = silent,
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return what :func:`solve_again` does of a week that :func:`read_week` has read.

    Unless it ``moves_others``, only what may no longer be done where it was looks for a gap, and
    nothing makes room for it; ``plan_unserved`` then has those alone that found none. What a state
    ``like`` this week's knows is not reckoned again.
    """
    crews, vacuums = _tours(week, before)
    anchors = {number: row for row, tour in crews.items() for number in tour}
    state = WeekState(
        week,
        np.random.default_rng(seed),
        anchors=anchors,
        move_cost=round(settings.move_minutes * 60),
        like=like,
    )
    _drive_again(state, crews, vacuums, _starts(week, before))
    displaced = [number for number in anchors if state.crew_row[number] < 0]
    for number in displaced:
        del state.anchors[number]
    tell("gaps", 0.0)
    if not moves_others:
        for number in sorted(displaced, key=lambda number: -week.jobs[number].worth):
            state.insert(number)
        state.settle()
        return plan_tables(state, places, plan_id, why=displaced)
    for number in sorted(state.unserved, key=lambda n: (n not in displaced, -week.jobs[n].worth)):
        state.insert(number)
    owed = [
        number
        for number in state.unserved
        if number in displaced or week.jobs[number].order_id not in known
    ]
    open_days = frozenset(day for number in owed for day in week.jobs[number].days)
    if open_days:
        improve(
            state,
            budget=Budget(settings.seconds, settings.iterations).share(_SHARE),
            on_progress=lambda share: tell("what is left over", share),
            days=open_days,
            most_moved=math.floor(settings.churn_frac * len(anchors)),
        )
    state.settle()
    tell("times and reasons", 0.0)
    return plan_tables(state, places, plan_id)


def _tours(week: Week, before: pd.DataFrame) -> tuple[dict[int, list[int]], dict[int, list[int]]]:
    """Return the earlier tours of the crews and vacuum trucks that this week still has."""
    number_of = {job.order_id: number for number, job in enumerate(week.jobs)}
    site_of = {site.site_id: -1 - number for number, site in enumerate(week.sites)}
    names = ["truck_id", "on", "kind", "order_id", "site_id"]
    by_tour = before.sort_values(["truck_id", "on", "stop_number"])
    ordered = list(by_tour[names].itertuples(index=False))
    found: tuple[dict[int, list[int]], dict[int, list[int]]] = ({}, {})
    for shifts, tours in zip((week.crews, week.vacuums), found, strict=True):
        row_of = {
            (shift.truck_id, pd.Timestamp(week.clock.day(shift.day))): row
            for row, shift in enumerate(shifts)
        }
        for truck, on, kind, order, site in ordered:
            row = row_of.get((truck, on))
            stop = site_of.get(site) if kind == "dump" else number_of.get(order)
            if row is not None and stop is not None:
                tours.setdefault(row, []).append(stop)
    crews, vacuums = found
    return {row: _in_turn(week, tour) for row, tour in crews.items()}, vacuums


def _in_turn(week: Week, tour: list[int]) -> list[int]:
    """Return a tour with the stops that have a turn in that turn; the others keep their places."""
    at = [place for place, number in enumerate(tour) if week.jobs[number].turn]
    ordered = sorted((tour[place] for place in at), key=lambda number: week.jobs[number].turn)
    turned = list(tour)
    for place, number in zip(at, ordered, strict=True):
        turned[place] = number
    return turned


def _starts(week: Week, before: pd.DataFrame) -> Mapping[int, int]:
    """Return the second at which a crew was to start each job."""
    number_of = {job.order_id: number for number, job in enumerate(week.jobs)}
    crew = before[before["kind"].isin(_WORK)]
    return {
        number_of[order]: round((start.to_pydatetime() - week.clock.origin).total_seconds())
        for order, start in zip(crew["order_id"], crew["start_at"], strict=True)
        if order in number_of
    }


def _drive_again(
    state: WeekState,
    crews: dict[int, list[int]],
    vacuums: dict[int, list[int]],
    starts: Mapping[int, int],
) -> None:
    """Take the earlier tours over, each job that may still be done there."""
    keeps = {row: [n for n in tour if state.may_crew(row, n)] for row, tour in crews.items()}
    served = {n for tour in keeps.values() for n in tour}
    trips = {
        row: [s for s in tour if s < 0 or (s in served and state.may_vacuum(row, s))]
        for row, tour in vacuums.items()
    }
    state.adopt({row: [(n, starts[n]) for n in tour] for row, tour in keeps.items()}, trips)
