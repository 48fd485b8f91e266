"""The crews' week as a routing problem: one vehicle type per kind of truck-day."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from vaultplan.schedule.limits import within
from vaultplan.schedule.model import Job, Shift, Week
from vaultplan.schedule.routing import (
    CLOSED,
    Budget,
    Matrix,
    RoutingProblem,
    Station,
    Tour,
    Vehicle,
    Visit,
    Window,
    solve_routing,
)


@dataclass(frozen=True, slots=True)
class CrewModel:
    """A routing problem with the way back: job of each visit, truck-days of each vehicle."""

    problem: RoutingProblem
    jobs: tuple[int, ...]
    shifts: tuple[tuple[int, ...], ...]


#: Jobs of each truck-day in order, with the second each starts.
CrewTours = dict[int, list[tuple[int, int]]]


def crew_routes(
    week: Week,
    *,
    budget: Budget,
    seed: int,
    offers: Mapping[int, tuple[Window, ...]] | None = None,
    begin: CrewTours | None = None,
    on_progress: Callable[[float], None] | None = None,
) -> CrewTours:
    """Return each crew truck-day's jobs in order with the second each starts.

    Vacuum trucks are reckoned with only in so far as a crew cannot start before one could have
    come and gone; or, with ``offers``, a job that needs one may start in its windows there alone.
    The search starts from the tours in ``begin``.
    """
    model = crew_model(week, offers)
    tours = solve_routing(
        model.problem,
        budget=budget,
        seed=seed,
        begin=_begun(model, begin or {}),
        on_progress=on_progress,
    )
    return {_shift_of(model, tour): _jobs_of(model, tour) for tour in tours}


def _begun(model: CrewModel, tours: CrewTours) -> list[tuple[int, list[tuple[int, int]]]]:
    """Return tours in the numbers of the routing problem, without jobs that it does not offer."""
    visit_of = {number: visit for visit, number in enumerate(model.jobs)}
    begun = []
    for vehicle, rows in enumerate(model.shifts):
        for row in rows:
            tour = [(visit_of[n], start) for n, start in tours.get(row, []) if n in visit_of]
            if tour:
                begun.append((vehicle, tour))
    return begun


def crew_model(week: Week, offers: Mapping[int, tuple[Window, ...]] | None = None) -> CrewModel:
    """Return the routing problem of all crews over the whole week, in the week's own seconds.

    Notes
    -----
    Arcs into jobs that a truck-day may not do are closed; the pumping rate is in the durations of
    the arcs that leave a job, because it differs by truck; socks are a load. A truck that is out is
    paid from the start of its shift, so its overtime is what lies after the end of the shift. A
    break shortens the day here and gets its hour from the repair, as busy hours do.
    """
    windows = [
        offers.get(n, ()) if offers is not None and job.needs_vacuum else crew_windows(week, job)
        for n, job in enumerate(week.jobs)
    ]
    offered = [n for n, opens in enumerate(windows) if opens]
    yards = sorted({shift.yard for shift in week.crews})
    spots = np.array([*yards, *(week.jobs[n].place for n in offered)], dtype=np.int64)
    base = week.drive[np.ix_(spots, spots)]
    profiles: dict[tuple[float, frozenset[int]], int] = {}
    distances: list[Matrix] = []
    durations: list[Matrix] = []
    kinds: dict[Vehicle, list[int]] = {}
    for number, shift in enumerate(week.crews):
        barred = frozenset(at for at, n in enumerate(offered) if shift.lacks(week.jobs[n]))
        key = (shift.gpm, barred)
        if key not in profiles:
            profiles[key] = len(profiles)
            distance, duration = _profile(week, shift, base, offered, barred, len(yards))
            distances.append(distance)
            durations.append(duration)
        yard = yards.index(shift.yard)
        vehicle = Vehicle(
            start=yard,
            end=yard,
            opens=shift.opens,
            closes=shift.ends - shift.rest,
            capacity=(shift.socks,),
            profile=profiles[key],
            starts_late=shift.opens,
            shift=max(0, shift.closes - shift.opens - shift.rest),
            overtime=shift.ends - shift.closes,
            overtime_weight=week.overtime_weight,
        )
        kinds.setdefault(vehicle, []).append(number)
    visits = tuple(
        Visit(
            place=len(yards) + position,
            windows=windows[n],
            load=(week.jobs[n].socks,),
            worth=week.jobs[n].worth,
        )
        for position, n in enumerate(offered)
    )
    last = max((shift.ends for shift in week.crews), default=0)
    problem = RoutingProblem(
        visits=visits,
        stations=tuple(Station(i, 0, last) for i in range(len(yards))),
        vehicles=tuple(_copies(vehicle, len(rows)) for vehicle, rows in kinds.items()),
        distances=tuple(distances),
        durations=tuple(durations),
    )
    return CrewModel(problem, tuple(offered), tuple(tuple(rows) for rows in kinds.values()))


def crew_windows(week: Week, job: Job) -> tuple[Window, ...]:
    """Return when a crew may start the job; days that follow on without a clock limit are one."""
    windows: list[Window] = []
    free: list[bool] = []
    for day in job.days:
        shifts = [shift for shift in week.crews if shift.day == day and not shift.lacks(job)]
        if not shifts:
            continue
        took = min(week.crew_seconds(job, shift) for shift in shifts)
        starts = job.starts(day, took, is_crew=True)
        if job.needs_vacuum:
            lead = vacuum_lead(week, job, day)
            starts = () if lead is None else within(starts, lead, starts[-1][1] if starts else 0)
        windows += starts
        is_free = len(starts) == 1 and not job.needs_vacuum
        is_free = is_free and starts[0][0] <= min(s.opens for s in shifts)
        free.append(is_free and starts[0][1] >= max(s.ends for s in shifts))
    is_run = all(after - before == 1 for before, after in pairwise(job.days))
    if len(windows) > 1 and len(windows) == len(job.days) and is_run and all(free):
        return ((windows[0][0], windows[-1][1]),)
    return tuple(windows)


def vacuum_lead(week: Week, job: Job, day: int) -> int | None:
    """Return the earliest second at which a vacuum truck can be done there; None if none can."""
    done = []
    for shift in week.vacuums:
        if shift.day == day and not shift.lacks(job):
            took = week.vacuum_seconds(job, shift)
            there = shift.opens + int(week.drive[shift.yard, job.place])
            starts = within(job.starts(day, took, is_crew=False), there, shift.ends)
            done += [early + took for early, _ in starts[:1]]
    return min(done, default=None)


def _profile(
    week: Week,
    shift: Shift,
    base: Matrix,
    offered: list[int],
    barred: frozenset[int],
    yards: int,
) -> tuple[Matrix, Matrix]:
    distance, duration = base.copy(), base.copy()
    for position, number in enumerate(offered, start=yards):
        duration[position, :] += week.crew_seconds(week.jobs[number], shift)
        if position - yards in barred:
            distance[:, position] = CLOSED
    np.fill_diagonal(distance, 0)
    np.fill_diagonal(duration, 0)
    return distance, duration


def _copies(vehicle: Vehicle, count: int) -> Vehicle:
    return replace(vehicle, count=count)


def _shift_of(model: CrewModel, tour: Tour) -> int:
    return model.shifts[tour.vehicle][tour.copy]


def _jobs_of(model: CrewModel, tour: Tour) -> list[tuple[int, int]]:
    return [(model.jobs[stop.visit], stop.start) for stop in tour.stops if stop.visit is not None]
