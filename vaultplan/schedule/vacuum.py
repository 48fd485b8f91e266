"""The vacuum trucks' week as a routing problem: disposal sites empty the tank on the way."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace

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

#: Starts of a vacuum truck's service that suit a job, one window a day.
Offers = Mapping[int, tuple[Window, ...]]


@dataclass(frozen=True, slots=True)
class VacuumModel:
    """A routing problem with the way back: job of each visit, truck-days, site of each station."""

    problem: RoutingProblem
    jobs: tuple[int, ...]
    shifts: tuple[tuple[int, ...], ...]
    sites: Mapping[int, int]


def vacuum_routes(
    week: Week,
    offers: Offers,
    *,
    budget: Budget,
    seed: int,
    on_progress: Callable[[float], None] | None = None,
) -> dict[int, list[int]]:
    """Return each vacuum truck-day's stops: a job's number, or ``-1 - site`` for a dump.

    Every truck ends its day empty.
    """
    if not week.sites:
        return {}
    model = vacuum_model(week, offers)
    tours = solve_routing(model.problem, budget=budget, seed=seed, on_progress=on_progress)
    routes = {}
    for tour in tours:
        shift = model.shifts[tour.vehicle][tour.copy]
        routes[shift] = _stops_of(week, model, tour, week.vacuums[shift])
    return routes


def offers_after(week: Week, crew_starts: Mapping[int, int]) -> Offers:
    """Return when a vacuum truck may start at each job whose crew starts at a given second."""
    offers = {}
    for number, start in crew_starts.items():
        job = week.jobs[number]
        day = next(
            (d for d, (lo, hi) in zip(job.days, job.windows, strict=True) if lo <= start <= hi), -1
        )
        service = [
            week.vacuum_seconds(job, s) for s in week.vacuums if s.day == day and not s.lacks(job)
        ]
        if service:
            open_at = job.starts(day, max(service), is_crew=False)
            fits = within(open_at, start - job.refill - min(service), start - max(service))
            if fits:
                offers[number] = fits
    return offers


def vacuum_model(week: Week, offers: Offers) -> VacuumModel:
    """Return the routing problem of all vacuum trucks over the whole week.

    Notes
    -----
    The tank is one load in gallons: the lesser of the tank and what the payload carries. Each
    yard has a twin at which trucks end; the arc into it from a job passes the site that makes the
    way home shortest, so that no truck comes home loaded. Arcs between jobs of different waste are
    closed, and from a job to a site that does not take its waste: so no load is mixed.
    """
    offered = sorted(offers)
    yards = sorted({shift.yard for shift in week.vacuums})
    sites = [site.place for site in week.sites]
    ends = len(yards) + len(sites)
    first = ends + len(yards)
    spots = np.array(
        [*yards, *sites, *yards, *(week.jobs[n].place for n in offered)], dtype=np.int64
    )
    base = week.drive[np.ix_(spots, spots)].copy()
    pause = np.zeros_like(base)
    for twin, yard in enumerate(yards, start=ends):
        home = base[len(yards) : ends, twin]
        legs = base[first:, len(yards) : ends] + home
        by_time = legs + np.array([site.dump for site in week.sites])
        by_time = np.where(_refused(week, offered), CLOSED, by_time)
        best = by_time.argmin(axis=1)
        rows = np.arange(len(offered))
        base[first:, twin] = np.where(by_time[rows, best] >= CLOSED, CLOSED, legs[rows, best])
        pause[first:, twin] = (by_time - legs)[rows, best]
        base[: len(yards), twin] = np.where(np.array(yards) == yard, 0, CLOSED)
    waste = np.array([week.jobs[n].waste for n in offered], dtype="U16")
    way = base.copy()
    way[first:, first:][waste[:, None] != waste[None, :]] = CLOSED
    way[first:, len(yards) : ends][_refused(week, offered)] = CLOSED
    profiles: dict[tuple[float, frozenset[int]], int] = {}
    distances: list[Matrix] = []
    durations: list[Matrix] = []
    kinds: dict[Vehicle, list[int]] = {}
    stations, site_of, reloads = _stations(week, len(yards), ends)
    for number, shift in enumerate(week.vacuums):
        barred = frozenset(at for at, n in enumerate(offered) if shift.lacks(week.jobs[n]))
        key = (shift.gpm, barred)
        if key not in profiles:
            profiles[key] = len(profiles)
            distance = way.copy()
            distance[:, [first + at for at in sorted(barred)]] = CLOSED
            np.fill_diagonal(distance, 0)
            distances.append(distance)
            duration = base + pause
            for position, n in enumerate(offered, start=first):
                duration[position, :] += week.vacuum_seconds(week.jobs[n], shift)
            np.fill_diagonal(duration, 0)
            durations.append(duration)
        yard = yards.index(shift.yard)
        vehicle = Vehicle(
            start=yard,
            end=len(yards) + yard,
            opens=shift.opens,
            closes=shift.ends - shift.rest,
            capacity=(math.floor(shift.tank_gal),),
            profile=profiles[key],
            reloads=reloads[shift.day],
            starts_late=shift.opens,
            shift=max(0, shift.closes - shift.opens - shift.rest),
            overtime=shift.ends - shift.closes,
            overtime_weight=week.overtime_weight,
        )
        kinds.setdefault(vehicle, []).append(number)
    visits = tuple(
        Visit(
            place=first + position,
            windows=tuple((max(0, lo), hi) for lo, hi in offers[n]),
            load=(math.ceil(week.jobs[n].load_gal),),
            worth=week.jobs[n].worth,
        )
        for position, n in enumerate(offered)
    )
    problem = RoutingProblem(
        visits=visits,
        stations=stations,
        vehicles=tuple(replace(v, count=len(rows)) for v, rows in kinds.items()),
        distances=tuple(distances) or (way,),
        durations=tuple(durations),
    )
    shifts = tuple(tuple(rows) for rows in kinds.values())
    return VacuumModel(problem, tuple(offered), shifts, site_of)


def _refused(week: Week, offered: list[int]) -> np.ndarray[tuple[int, int], np.dtype[np.bool_]]:
    """Return whether each site (column) refuses the waste of each job offered (row)."""
    refused = [[not site.accepts(week.jobs[n].waste) for site in week.sites] for n in offered]
    return np.array(refused, dtype=bool).reshape(len(offered), len(week.sites))


def _stations(
    week: Week, yards: int, ends: int
) -> tuple[tuple[Station, ...], dict[int, int], dict[int, tuple[int, ...]]]:
    """Return yards, their twins and a station per site and day, with each day's sites."""
    last = max((shift.ends for shift in week.vacuums), default=0)
    stations = [Station(i, 0, last) for i in range(yards)]
    stations += [Station(ends + i, 0, last) for i in range(yards)]
    site_of: dict[int, int] = {}
    reloads: dict[int, tuple[int, ...]] = {}
    for day in sorted({shift.day for shift in week.vacuums}):
        numbers = []
        for number, site in enumerate(week.sites):
            opens, closes = site.opens[day], site.closes[day] - site.dump
            if opens <= closes:
                site_of[len(stations)] = number
                numbers.append(len(stations))
                stations.append(Station(yards + number, opens, closes, site.dump))
        reloads[day] = tuple(numbers)
    return tuple(stations), site_of, reloads


def _stops_of(week: Week, model: VacuumModel, tour: Tour, shift: Shift) -> list[int]:
    stops = []
    for stop in tour.stops:
        if stop.visit is not None:
            stops.append(model.jobs[stop.visit])
        elif stop.station is not None and stop.station in model.sites:
            stops.append(-1 - model.sites[stop.station])
    if stops and stops[-1] >= 0:
        stops.append(-1 - _last_site(week, week.jobs[stops[-1]], shift))
    return stops


def _last_site(week: Week, job: Job, shift: Shift) -> int:
    """Return the site on the quickest way home of those that take the job's waste."""
    home = {
        number: int(week.drive[job.place, site.place] + week.drive[site.place, shift.yard])
        + site.dump
        for number, site in enumerate(week.sites)
        if site.accepts(job.waste)
    }
    return min(home, key=lambda number: (home[number], number))
