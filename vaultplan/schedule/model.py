"""The week as the solvers see it: jobs, truck-days and disposal sites in whole seconds."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd

from vaultplan.errors import ScheduleError
from vaultplan.geometry import require_same_crs
from vaultplan.schedule.clock import WeekClock
from vaultplan.schema import WEEKDAYS, Frames
from vaultplan.settings import ScheduleSettings
from vaultplan.units import LB_PER_GAL_WATER

MINUTE: Final = 60
#: How much more an order of each priority is worth than an ordinary one (3); assumed.
_BY_PRIORITY: Final = {1: 2.0, 2: 1.5, 3: 1.0, 4: 0.8, 5: 0.6}
#: How much more an order is worth that falls due before the week ends; assumed.
_IF_DUE: Final = 1.5


@dataclass(frozen=True, slots=True)
class Job:
    """One order: where, when, how much water, and what it is worth in seconds driven."""

    order_id: str
    vault_id: str
    place: int
    method: str
    days: tuple[int, ...]
    windows: tuple[tuple[int, int], ...]
    skill: str
    load_gal: float
    setup: int
    task: int
    refill: int
    socks: int
    worth: int

    @property
    def needs_vacuum(self) -> bool:
        """Whether a vacuum truck must empty the vault before the crew comes."""
        return self.method == "vacuum_truck"


@dataclass(frozen=True, slots=True)
class Shift:
    """One truck on one day. ``closes`` ends the shift, ``ends`` the longest overtime."""

    truck_id: str
    day: int
    yard: int
    opens: int
    closes: int
    ends: int
    skills: frozenset[str]
    gpm: float
    socks: int
    tank_gal: float


@dataclass(frozen=True, slots=True)
class Site:
    """A disposal site with its opening hours on each day of the week."""

    site_id: str
    place: int
    dump: int
    opens: tuple[int, ...]
    closes: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class Week:
    """Everything one solve needs. ``drive`` is seconds from row place to column place."""

    clock: WeekClock
    jobs: tuple[Job, ...]
    crews: tuple[Shift, ...]
    vacuums: tuple[Shift, ...]
    sites: tuple[Site, ...]
    drive: npt.NDArray[np.int64]
    overtime_weight: int
    sock_gpm: float

    def crew_seconds(self, job: Job, shift: Shift) -> int:
        """Return how long a crew is busy at a vault."""
        if job.needs_vacuum:
            return job.setup + job.task
        gpm = min(shift.gpm, self.sock_gpm) if job.method == "filter_sock" else shift.gpm
        return job.setup + job.task + pump_seconds(job.load_gal, gpm)

    def vacuum_seconds(self, job: Job, shift: Shift) -> int:
        """Return how long a vacuum truck is busy at a vault."""
        return job.setup + pump_seconds(job.load_gal, shift.gpm)


def pump_seconds(load_gal: float, gpm: float) -> int:
    """Return seconds of pumping, rounded up.

    >>> pump_seconds(250.0, 125.0)
    120
    """
    return math.ceil(round(load_gal / gpm * MINUTE, 6))


def week_places(frames: Frames) -> gpd.GeoDataFrame:
    """Return every place of the week: yards, disposal sites, then vaults, with ``place_id``.

    Places are named ``depot:``, ``site:`` and ``vault:`` with their id.

    Raises
    ------
    CRSError
        If the tables are not all in one CRS.
    """
    parts: dict[str, gpd.GeoDataFrame] = {}
    for name, key, kind in (
        ("depots", "depot_id", "depot"),
        ("disposal_sites", "site_id", "site"),
        ("plan_jobs", "vault_id", "vault"),
    ):
        frame = frames[name]
        if len(frame):
            part = frame[[key, "geometry"]].drop_duplicates(key)
            parts[name] = part.assign(place_id=f"{kind}:" + part[key].astype(str))
    if not parts:
        return gpd.GeoDataFrame({"place_id": []}, geometry=[])
    crs = require_same_crs(**parts)
    placed = [part[["place_id", "geometry"]] for part in parts.values()]
    joined = pd.concat(placed, ignore_index=True)
    return gpd.GeoDataFrame(joined, geometry="geometry", crs=crs)


def week_model(
    frames: Frames,
    clock: WeekClock,
    place_ids: Sequence[str],
    drive: npt.NDArray[np.int64],
    settings: ScheduleSettings,
) -> Week:
    """Return the week's jobs, truck-days and sites from plan_jobs, trucks and disposal_sites.

    Raises
    ------
    ScheduleError
        If a truck's yard is unknown, its shift ends before it begins, or a vacuum truck has no
        tank stated.
    """
    place = {name: number for number, name in enumerate(place_ids)}
    jobs = tuple(_job(row, clock, place, settings) for row in _rows(frames["plan_jobs"]))
    trucks = list(_rows(frames["trucks"].sort_values("truck_id")))
    return Week(
        clock=clock,
        jobs=jobs,
        crews=tuple(
            s for t in trucks if t.kind == "crew" for s in _shifts(t, clock, place, settings)
        ),
        vacuums=tuple(
            s for t in trucks if t.kind == "vacuum" for s in _shifts(t, clock, place, settings)
        ),
        sites=tuple(
            _site(row, clock, place, settings)
            for row in _rows(frames["disposal_sites"].sort_values("site_id"))
        ),
        drive=drive,
        overtime_weight=settings.overtime_weight,
        sock_gpm=settings.sock_gpm,
    )


def _rows(frame: pd.DataFrame) -> Any:
    return frame.itertuples(index=False)


def _number(value: Any, blank: float) -> float:
    return blank if pd.isna(value) else float(value)


def _words(value: Any) -> list[str]:
    return [] if pd.isna(value) else [word for word in str(value).split(";") if word]


def _seconds(minutes: float) -> int:
    return math.ceil(round(minutes * MINUTE, 6))


def _job(row: Any, clock: WeekClock, place: dict[str, int], settings: ScheduleSettings) -> Job:
    days = tuple(sorted(clock.number(pd.Timestamp(day).date()) for day in _words(row.allowed_days)))
    start = "00:00" if pd.isna(row.window_from) else str(row.window_from)
    end = "23:59" if pd.isna(row.window_to) else str(row.window_to)
    return Job(
        order_id=str(row.order_id),
        vault_id=str(row.vault_id),
        place=place[f"vault:{row.vault_id}"],
        method=str(row.method),
        days=days,
        windows=tuple((clock.second(day, start), clock.second(day, end)) for day in days),
        skill="" if pd.isna(row.skill) else str(row.skill),
        load_gal=float(row.load_gal),
        setup=_seconds(_number(row.setup_minutes, settings.setup_minutes)),
        task=_seconds(_number(row.task_minutes, settings.task_minutes)),
        refill=int(_number(row.refill_minutes, settings.min_refill_minutes) * MINUTE),
        socks=settings.socks_per_job if row.method == "filter_sock" else 0,
        worth=_worth(row, clock, settings),
    )


def _worth(row: Any, clock: WeekClock, settings: ScheduleSettings) -> int:
    """Return what serving an order is worth, in seconds driven.

    The worth of an ordinary job times ``1 + score / 50`` (so the best-ranked counts threefold),
    its priority's factor, and half as much again if it falls due before the week ends.
    """
    by_score = 1.0 + _number(row.score, 0.0) / 50.0
    by_priority = _BY_PRIORITY[int(_number(row.priority, 3))]
    is_due = not pd.isna(row.due_on) and clock.number(row.due_on.date()) < len(WEEKDAYS)
    worth = settings.job_worth_minutes * MINUTE * by_score * by_priority
    return round(worth * (_IF_DUE if is_due else 1.0))


def _shifts(
    row: Any, clock: WeekClock, place: dict[str, int], settings: ScheduleSettings
) -> list[Shift]:
    yard = place.get(f"depot:{row.depot_id}")
    if yard is None:
        raise ScheduleError(f"truck {row.truck_id} starts from depot {row.depot_id}, not in depots")
    tank = _number(row.tank_gal, math.nan)
    if row.kind == "vacuum" and math.isnan(tank):
        raise ScheduleError(f"vacuum truck {row.truck_id} states no tank_gal; load trucks with it")
    gpm = _number(row.pump_gpm, settings.pump_gpm)
    if gpm <= 0:
        raise ScheduleError(
            f"truck {row.truck_id} pumps 0 gal/min; state its rate or leave it blank"
        )
    shifts = []
    for day, name in enumerate(WEEKDAYS):
        if name not in _words(row.days):
            continue
        opens, closes = clock.second(day, row.shift_from), clock.second(day, row.shift_to)
        if closes <= opens:
            raise ScheduleError(
                f"truck {row.truck_id}: the shift {row.shift_from}-{row.shift_to} ends before it "
                "begins; a shift past midnight is entered as two trucks"
            )
        shifts.append(
            Shift(
                truck_id=str(row.truck_id),
                day=day,
                yard=yard,
                opens=opens,
                closes=closes,
                ends=closes + int(_number(row.overtime_minutes, 0.0) * MINUTE),
                skills=frozenset(_words(row.skills)),
                gpm=gpm,
                socks=int(_number(row.sock_count, 0)),
                tank_gal=min(tank, _number(row.payload_lb, math.inf) / LB_PER_GAL_WATER),
            )
        )
    return shifts


def _site(row: Any, clock: WeekClock, place: dict[str, int], settings: ScheduleSettings) -> Site:
    week = range(len(WEEKDAYS))
    return Site(
        site_id=str(row.site_id),
        place=place[f"site:{row.site_id}"],
        dump=_seconds(_number(row.dump_minutes, settings.dump_minutes)),
        opens=tuple(clock.second(day, row.open_from) for day in week),
        closes=tuple(clock.second(day, row.open_to) for day in week),
    )
