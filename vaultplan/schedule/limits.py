"""Limits of a tour that are no matter of time: tank, waste, outfalls, jobs done together."""

from __future__ import annotations

import math
from collections.abc import Sequence

from vaultplan.schedule.hours import Window
from vaultplan.schedule.model import Job, Week


def carries(week: Week, stops: Sequence[int], tank_gal: float) -> bool:
    """Whether a tank holds every trip, of one waste profile each, and ends the day empty.

    It holds a trip whose loads fit together and whose water, all its vaults drawn in one future of
    the rain, is more than the tank in no more than the share of draws that may run out.
    """
    load, waste = 0.0, ""
    trip: list[int] = []
    for stop in stops:
        if stop < 0:
            if waste and not week.sites[-1 - stop].accepts(waste):
                return False
            if not _seldom_more(week, trip, tank_gal):
                return False
            load, waste, trip = 0.0, "", []
            continue
        job = week.jobs[stop]
        load += job.load_gal
        if load > tank_gal + 1e-6 or waste not in ("", job.waste):
            return False
        waste = job.waste
        trip.append(stop)
    return not waste


def _seldom_more(week: Week, trip: list[int], tank_gal: float) -> bool:
    if week.draws is None or not trip:
        return True
    together = week.draws[trip].sum(axis=0)
    return bool((together > tank_gal).mean() <= week.run_out_prob)


def without_idle_dumps(week: Week, stops: Sequence[int], tank_gal: float) -> list[int]:
    """Return the stops without dumps of an empty tank or between like loads that fit together."""
    trips: list[list[int]] = [[]]
    for stop in stops:
        trips[-1].append(stop)
        if stop < 0:
            trips.append([])
    merged: list[int] = []
    trips_so_far: list[int] = []
    load, waste = 0.0, ""
    for trip in (trip for trip in trips if len(trip) > 1):
        more = sum(week.jobs[stop].load_gal for stop in trip[:-1])
        kind = week.jobs[trip[0]].waste
        joined = [*trips_so_far, *trip[:-1]]
        fits = load + more <= tank_gal and _seldom_more(week, joined, tank_gal)
        if merged and fits and kind == waste:
            merged.pop()
            load += more
            trips_so_far = joined
        else:
            load, trips_so_far = more, trip[:-1]
        waste = kind
        merged += trip
    return merged


def gallons_drained(jobs: Sequence[Job]) -> dict[str, float]:
    """Return the gallons that pump-outs give to outfalls that have a cap, by outfall."""
    given: dict[str, float] = {}
    for job in jobs:
        if job.outfall and not job.needs_vacuum and not math.isinf(job.cap_gal):
            given[job.outfall] = given.get(job.outfall, 0.0) + job.load_gal
    return given


def pairs_of(week: Week) -> dict[int, tuple[int, ...]]:
    """Return, for each job of a pair, all jobs of it."""
    named: dict[str, list[int]] = {}
    for number, job in enumerate(week.jobs):
        if job.pair:
            named.setdefault(job.pair, []).append(number)
    return {n: tuple(group) for group in named.values() if len(group) > 1 for n in group}


def within(windows: tuple[Window, ...], first: int, last: int) -> tuple[Window, ...]:
    """Return the parts of windows between two seconds.

    >>> within(((0, 10), (20, 30)), 5, 22)
    ((5, 10), (20, 22))
    """
    cut = ((max(a, first), min(b, last)) for a, b in windows)
    return tuple((a, b) for a, b in cut if a <= b)
