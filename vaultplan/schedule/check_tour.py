"""The checker's look at one truck on one day; nothing here is used to build a plan."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from datetime import datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd

from vaultplan.schedule.check_bounds import busy_minutes, leaves_for_home
from vaultplan.settings import ScheduleSettings
from vaultplan.units import LB_PER_GAL_MG_L, LB_PER_GAL_WATER

#: A stop, the limit it breaks, and words.
Finding = tuple[Any, str, str]
_GAL = 0.05


def check_tour(
    truck: Any,
    tour: list[Any],
    least: list[float],
    jobs: Mapping[str, Any],
    sites: Mapping[str, Any],
    time_zone: str,
    settings: ScheduleSettings,
    tolerance: float,
) -> Iterator[Finding]:
    """Yield what one truck's day breaks; ``least`` holds least drives, the way home last."""
    local = _Local(tour[0].on, time_zone, tolerance)
    yield from _order(tour, local)
    yield from _drive(truck, tour, least, local, settings)
    for stop in tour:
        if stop.kind == "dump":
            yield from _dump(stop, sites.get(stop.site_id), settings, local)
        elif stop.order_id in jobs:
            yield from _job(truck, stop, jobs[stop.order_id], settings, local)
    if truck.kind == "vacuum":
        yield from _tank(truck, tour)
    else:
        yield from _socks(truck, tour)


class _Local:
    """Minutes between moments and local clocks of one day."""

    def __init__(self, day: pd.Timestamp, time_zone: str, tolerance: float) -> None:
        self.day, self.zone, self.tolerance = day, ZoneInfo(time_zone), tolerance

    def at(self, clock: str) -> pd.Timestamp:
        hour, minute = clock.split(":")
        wall = datetime(self.day.year, self.day.month, self.day.day) + timedelta(
            hours=int(hour), minutes=int(minute)
        )
        return pd.Timestamp(wall.replace(tzinfo=self.zone)).tz_convert("UTC")

    def short(self, later: pd.Timestamp, earlier: pd.Timestamp, least: float = 0.0) -> float:
        """Return by how many minutes ``later - earlier`` falls short of ``least``; 0 if it fits."""
        gap = least - (later - earlier).total_seconds() / 60.0
        return gap if gap > self.tolerance else 0.0


def _or(value: Any, blank: float) -> float:
    return blank if pd.isna(value) else float(value)


def _words(value: Any) -> set[str]:
    return set() if pd.isna(value) else set(str(value).split(";")) - {""}


def _order(tour: list[Any], local: _Local) -> Iterator[Finding]:
    if [int(stop.stop_number) for stop in tour] != list(range(1, len(tour) + 1)):
        yield tour[0], "stop numbers", "stops are not numbered 1, 2, 3 without a gap"
    for stop in tour:
        if local.short(stop.start_at, stop.arrive_at):
            yield stop, "times", "service starts before arrival"
        if local.short(stop.leave_at, stop.start_at):
            yield stop, "times", "the truck leaves before service starts"
        if stop.start_at.tz_convert(local.zone).date() != stop.on.date():
            yield stop, "times", "service starts on another day than the tour's"


def _drive(
    truck: Any, tour: list[Any], least: list[float], local: _Local, settings: ScheduleSettings
) -> Iterator[Finding]:
    """Yield drives that are too short, and days that begin too early or end too late."""
    name = f"{local.day:%a}".lower()
    if name not in _words(truck.days):
        yield tour[0], "day off", f"truck {truck.truck_id} does not work on {name}"
    opens, closes = local.at(truck.shift_from), local.at(truck.shift_to)
    ends = closes + pd.Timedelta(minutes=_or(truck.overtime_minutes, 0.0))
    free = opens
    for stop, minutes in zip(tour, least, strict=False):
        drive = _or(stop.drive_minutes, 0.0)
        departs = stop.arrive_at - pd.Timedelta(minutes=drive)
        minutes = busy_minutes(minutes, departs, local.zone.key, settings)
        if drive < minutes - local.tolerance:
            yield stop, "drive", f"{drive:.1f} minutes driven, the way takes {minutes:.1f}"
        late = local.short(stop.arrive_at, free, drive)
        if late:
            what = "shift" if stop is tour[0] else "times"
            yield stop, what, f"arrives {late:.0f} minutes before it can"
        free = stop.leave_at

    def home(leaves: pd.Timestamp) -> float:
        return busy_minutes(least[-1], leaves, local.zone.key, settings)

    homeward = leaves_for_home(truck, tour, home, local.at)
    if homeward is None:
        yield (
            tour[-1],
            "break",
            f"the day leaves no {truck.break_minutes:.0f} minutes for the break",
        )
        homeward = free
    over = local.short(ends, homeward, home(homeward))
    if over:
        yield tour[-1], "shift", f"back at the yard {over:.0f} minutes after shift and overtime"


def _job(
    truck: Any, stop: Any, job: Any, settings: ScheduleSettings, local: _Local
) -> Iterator[Finding]:
    is_vacuum = job.method == "vacuum_truck"
    kinds = {"vacuum"} if truck.kind == "vacuum" else {"work" if is_vacuum else "pump_out"}
    if stop.kind not in kinds or (truck.kind == "vacuum" and not is_vacuum):
        yield stop, "kind", f"a {truck.kind} truck does {stop.kind} where {job.method} is due"
        return
    if truck.kind == "crew" and not pd.isna(job.skill) and job.skill not in _words(truck.skills):
        yield stop, "skill", f"order {job.order_id} needs {job.skill}"
    if f"{stop.on:%Y-%m-%d}" not in _words(job.allowed_days):
        yield stop, "allowed day", f"order {job.order_id} may be done on {job.allowed_days}"
    early = "00:00" if pd.isna(job.window_from) else job.window_from
    late = "24:00" if pd.isna(job.window_to) else job.window_to
    if local.short(stop.start_at, local.at(early)) or local.short(local.at(late), stop.start_at):
        yield stop, "window", f"order {job.order_id} may start from {early} to {late}"
    if stop.kind != "work" and not abs(_or(stop.load_gal, 0.0) - job.load_gal) <= _GAL:
        yield (
            stop,
            "load",
            f"{_or(stop.load_gal, 0):.0f} gal taken, {job.load_gal:.0f} reckoned with",
        )
    needed = _or(job.setup_minutes, settings.setup_minutes)
    rate = _or(truck.pump_gpm, settings.pump_gpm)
    pumping = job.load_gal / rate
    if job.method == "filter_sock":
        pumping, least = _through_socks(job, rate, settings)
        if stop.kind == "pump_out" and _or(stop.socks, 0) < least:
            yield stop, "socks", f"order {job.order_id} is reckoned with too few socks"
    if stop.kind == "pump_out" and _or(truck.pump_count, 1) < 1:
        yield stop, "pump", f"truck {truck.truck_id} has no pump on board"
    if stop.kind != "work":
        needed += pumping
    if stop.kind != "vacuum":
        needed += _or(job.task_minutes, settings.task_minutes)
    short = local.short(stop.leave_at, stop.start_at, needed)
    if short:
        yield stop, "service time", f"{short:.0f} minutes short of {needed:.0f}"


def _through_socks(job: Any, rate: float, settings: ScheduleSettings) -> tuple[float, float]:
    """Return minutes of pumping and the least socks, by filling socks gallon by small gallon."""
    gallons = float(job.load_gal)
    pounds = gallons * _or(job.solids_mg_l, 0.0) * LB_PER_GAL_MG_L
    fills = pounds / settings.sock_capacity_lb
    steps = max(400, math.ceil(400 * fills))
    through = (np.arange(steps) + 0.5) / steps * fills % 1.0
    flow = settings.sock_gpm - (settings.sock_gpm - settings.sock_least_gpm) * through
    minutes = float((gallons / steps / np.minimum(flow, rate)).sum())
    socks = max(math.ceil(fills - 1e-6), 1) if gallons > 0 else 0
    changes = max(socks - 1, 0) * settings.sock_change_minutes
    return minutes + changes, max(socks, _or(job.socks, settings.socks_per_job))


def _dump(stop: Any, site: Any, settings: ScheduleSettings, local: _Local) -> Iterator[Finding]:
    if site is None:
        return
    needed = _or(site.dump_minutes, settings.dump_minutes)
    short = local.short(stop.leave_at, stop.start_at, needed)
    if short:
        yield stop, "dump time", f"{short:.0f} minutes short of {needed:.0f}"
    opens, closes = local.at(site.open_from), local.at(site.open_to)
    if local.short(stop.start_at, opens) or local.short(closes, stop.leave_at):
        yield stop, "disposal hours", f"{stop.site_id} is open {site.open_from}-{site.open_to}"


def _tank(truck: Any, tour: list[Any]) -> Iterator[Finding]:
    load = 0.0
    for stop in tour:
        told = _or(stop.load_gal, 0.0)
        if stop.kind == "dump" and abs(told - load) > _GAL:
            yield stop, "tank", f"{told:.0f} gal given up of {load:.0f} in the tank"
        load = 0.0 if stop.kind == "dump" else load + told
        if not load <= _or(truck.tank_gal, 0.0) + _GAL:
            yield stop, "tank", f"{load:.0f} gal in a tank of {_or(truck.tank_gal, 0.0):.0f}"
        pounds = load * LB_PER_GAL_WATER
        if pounds > _or(truck.payload_lb, float("inf")) + _GAL * LB_PER_GAL_WATER:
            yield stop, "weight", f"{pounds:.0f} lb on a truck for {truck.payload_lb:.0f}"
        if abs(_or(stop.tank_after_gal, -1.0) - load) > _GAL:
            yield stop, "tank", f"the table says {stop.tank_after_gal} gal, it holds {load:.0f}"
    if tour[-1].kind != "dump":
        yield tour[-1], "not empty", f"the truck comes home with {load:.0f} gal"


def _socks(truck: Any, tour: list[Any]) -> Iterator[Finding]:
    used, board = sum(int(_or(stop.socks, 0)) for stop in tour), int(_or(truck.sock_count, 0))
    if used > board:
        yield tour[-1], "socks", f"{used} filter socks used, {board} on board"
