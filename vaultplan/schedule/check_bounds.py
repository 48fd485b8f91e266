"""The checker's look at breaks, barred hours, daylight, outages, edits, waste, pairs and outfalls.

Nothing here is used to build a plan.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Iterator, Mapping
from datetime import date, datetime, timedelta
from typing import Any, Final
from zoneinfo import ZoneInfo

import astral
import astral.sun
import numpy as np
import pandas as pd

from vaultplan.settings import ScheduleSettings

#: A stop, the limit it breaks, and words.
Finding = tuple[Any, str, str]
_GAL: Final = 0.05


def busy_minutes(
    least: float, departs: pd.Timestamp, zone: str, settings: ScheduleSettings
) -> float:
    """Return the minutes that a drive of so many quiet minutes takes from a moment on.

    Notes
    -----
    How far the clock runs against quiet minutes is a broken line, bent where busy spans begin and
    end; the drive is read off it.
    """
    local = departs.tz_convert(ZoneInfo(zone))
    if settings.busy_factor <= 1.0 or local.weekday() > 4:
        return least
    midnight = local.normalize()
    bends, quiet = [0.0], [0.0]
    for span in sorted(settings.busy_hours.split(";")):
        for edge, is_start in zip(span.split("-"), (True, False), strict=True):
            hour, minute = edge.strip().split(":")
            at = (
                datetime(local.year, local.month, local.day, int(hour), int(minute))
                .replace(tzinfo=ZoneInfo(zone))
                .timestamp()
                - midnight.timestamp()
            ) / 60.0
            pace = 1.0 if is_start else settings.busy_factor
            quiet.append(quiet[-1] + (at - bends[-1]) / pace)
            bends.append(at)
    quiet.append(quiet[-1] + 10_000.0)
    bends.append(bends[-1] + 10_000.0)
    start = (local - midnight).total_seconds() / 60.0
    there = float(np.interp(np.interp(start, bends, quiet) + least, quiet, bends))
    return there - start


def leaves_for_home(
    truck: Any, tour: list[Any], home: Callable[[pd.Timestamp], float], moment: Any
) -> pd.Timestamp | None:
    """Return when a truck can leave its last stop with its break taken; None if it has no place.

    ``home`` gives the minutes home from a moment on, ``moment`` makes one of a clock. A truck
    that is back by the break's latest start needs none. The break fits where the truck stands free:
    before it sets out, between leaving a stop and driving on, waiting at a stop, or after the last;
    two stops at one place without a drive between leave it standing.
    """
    free = pd.Timestamp(tour[-1].leave_at)
    if pd.isna(truck.break_minutes) or truck.break_minutes <= 0:
        return free
    needed = pd.Timedelta(minutes=float(truck.break_minutes))
    opens, closes = moment(truck.shift_from), moment(truck.shift_to)
    first = opens if pd.isna(truck.break_from) else moment(truck.break_from)
    last = closes - needed if pd.isna(truck.break_to) else moment(truck.break_to)
    slack = pd.Timedelta(seconds=2)
    if last < opens or free + pd.Timedelta(minutes=home(free)) <= last + slack:
        return free
    since = opens
    for stop in tour:
        departs = stop.arrive_at - pd.Timedelta(minutes=float(stop.drive_minutes))
        spans = [(since, departs), (stop.arrive_at, stop.start_at)]
        if departs == stop.arrive_at:
            spans = [(since, stop.start_at)]
        for start, end in spans:
            begin = max(start, first)
            if begin <= last + slack and begin + needed <= end + slack:
                return free
        since = stop.leave_at
    begin = max(free, first)
    return begin + needed if begin <= last + slack else None


def check_stay(
    truck: Any, stop: Any, job: Any, lonlat: tuple[float, float], zone: str, tolerance: float
) -> Iterator[Finding]:
    """Yield a stay in barred hours or in the dark, and a crew outside the outage."""
    local = ZoneInfo(zone)
    start, leave = stop.start_at.tz_convert(local), stop.leave_at.tz_convert(local)
    comes = stop.arrive_at.tz_convert(local)
    slack = pd.Timedelta(minutes=tolerance)
    for span in "" if pd.isna(job.no_work_hours) else str(job.no_work_hours).split(";"):
        if span:
            first, last = (_on(stop.on, clock, local) for clock in span.split("-"))
            if comes < last - slack and leave > first + slack:
                yield stop, "barred hours", f"no truck may stand at {job.vault_id} {span}"
    if not pd.isna(job.daylight_only) and job.daylight_only:
        rise, down = _sun(stop.on.date(), lonlat, local)
        if start < rise - slack or leave > down + slack:
            yield (
                stop,
                "daylight",
                f"order {job.order_id} needs daylight, {rise:%H:%M} to {down:%H:%M}",
            )
    if truck.kind == "crew":
        if not pd.isna(job.outage_from) and stop.start_at < job.outage_from - slack:
            yield stop, "outage", f"order {job.order_id}: the gear is not dead yet"
        if not pd.isna(job.outage_to) and stop.leave_at > job.outage_to + slack:
            yield stop, "outage", f"order {job.order_id}: the gear is live again"


def _on(day: pd.Timestamp, clock: str, zone: ZoneInfo) -> pd.Timestamp:
    hour, minute = clock.strip().split(":")
    wall = datetime(day.year, day.month, day.day) + timedelta(hours=int(hour), minutes=int(minute))
    return pd.Timestamp(wall.replace(tzinfo=zone))


def _sun(day: date, lonlat: tuple[float, float], zone: ZoneInfo) -> tuple[Any, Any]:
    place = astral.Observer(latitude=lonlat[1], longitude=lonlat[0])
    times = astral.sun.daylight(place, date=day, tzinfo=zone)
    return pd.Timestamp(times[0]), pd.Timestamp(times[1])


def check_edits(
    truck: Any, tour: list[Any], jobs: Mapping[str, Any], kind_of: Mapping[str, str]
) -> Iterator[Finding]:
    """Yield stops where a planner kept the order elsewhere, barred it, or wanted another order."""
    places: list[tuple[int, Any]] = []
    for stop in tour:
        job = jobs.get(stop.order_id)
        if job is None:
            continue
        day = f"{stop.on:%Y-%m-%d}"
        for word in _words(job.kept_to):
            name, _, on = word.rpartition("@")
            ours = name == "*" or kind_of.get(name) != truck.kind or name == truck.truck_id
            if not (ours and on in ("*", day)):
                yield stop, "kept", f"order {job.order_id} is kept to {word}"
        for word in _words(job.barred_from):
            name, _, on = word.rpartition("@")
            if name in ("*", truck.truck_id) and on in ("*", day):
                yield stop, "barred", f"order {job.order_id} is barred from {word}"
        if truck.kind == "crew" and not pd.isna(job.place):
            places.append((int(job.place), stop))
    for (before, _), (after, stop) in itertools.pairwise(places):
        if after < before:
            yield stop, "place", f"order {stop.order_id} was to come before the one at {before}"


def check_waste(
    tour: list[Any], jobs: Mapping[str, Any], sites: Mapping[str, Any]
) -> Iterator[Finding]:
    """Yield loads that mix waste profiles, and dumps at a site that does not take the load."""
    aboard: set[str] = set()
    for stop in tour:
        if stop.kind == "dump":
            site = sites.get(stop.site_id)
            takes = None if site is None or pd.isna(site.takes) else set(_words(site.takes))
            for waste in sorted(aboard):
                if waste == "pcb" if takes is None else waste not in takes:
                    yield stop, "waste refused", f"{stop.site_id} does not take {waste}"
            aboard = set()
        elif stop.order_id in jobs:
            profile = jobs[stop.order_id].waste_profile
            waste = "sediment" if pd.isna(profile) else str(profile)
            aboard.add(waste)
            if len(aboard) > 1:
                yield stop, "waste mixed", f"the load mixes {' and '.join(sorted(aboard))}"
                aboard = {waste}


def check_pairs(jobs: Mapping[str, Any], crew_stops: pd.DataFrame) -> Iterator[Finding]:
    """Yield orders of a pair that are not done by one crew on one day."""
    at: dict[str, Any] = {str(stop.order_id): stop for stop in crew_stops.itertuples()}
    pairs: dict[str, list[str]] = {}
    for order_id, job in jobs.items():
        if not pd.isna(job.pair_id):
            pairs.setdefault(str(job.pair_id), []).append(order_id)
    for pair, orders in pairs.items():
        served = [at[order] for order in orders if order in at]
        slots = {(stop.truck_id, stop.on) for stop in served}
        if served and (len(slots) > 1 or len(served) < len(orders)):
            words = f"pair {pair} ({', '.join(sorted(orders))}) is not done by one crew on one day"
            yield served[0], "pair", words


def check_outfalls(jobs: Mapping[str, Any], crew_stops: pd.DataFrame) -> Iterator[Finding]:
    """Yield the stop with which an outfall gets more in a day than it may.

    Where the jobs of a day state different caps for one outfall, the least of them holds.
    """
    given: dict[tuple[str, Any], float] = {}
    caps: dict[tuple[str, Any], float] = {}
    stops: Any = crew_stops.sort_values(["on", "start_at"])
    for stop in stops.itertuples():
        job = jobs.get(stop.order_id)
        if job is None or stop.kind != "pump_out":
            continue
        key = (str(job.outfall_id), stop.on)
        was_over = given.get(key, 0.0) > caps.get(key, math.inf) + _GAL
        given[key] = given.get(key, 0.0) + float(job.load_gal)
        if not pd.isna(job.daily_cap_gal):
            caps[key] = min(caps.get(key, math.inf), float(job.daily_cap_gal))
        if given[key] > caps.get(key, math.inf) + _GAL and not was_over:
            yield (
                stop,
                "outfall cap",
                f"outfall {job.outfall_id} gets {given[key]:,.0f} gal, its cap is {caps[key]:,.0f}",
            )


def _words(value: Any) -> list[str]:
    return [] if pd.isna(value) else [word for word in str(value).split(";") if word]
