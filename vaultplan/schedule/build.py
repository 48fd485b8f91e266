"""Builds the week's model from tables: places, jobs, truck-days and disposal sites."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import Any, Final

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd

from vaultplan.errors import ScheduleError
from vaultplan.geometry import LONLAT, require_same_crs
from vaultplan.schedule.clock import WeekClock
from vaultplan.schedule.hours import WHOLE, Window, daylight, spans_of_day, stays
from vaultplan.schedule.loadout import enough
from vaultplan.schedule.model import ANY_DAY, ANY_TRUCK, MINUTE, Job, Shift, Site, Slot, Week
from vaultplan.schedule.pumping import pump_out
from vaultplan.schema import WEEKDAYS, Frames
from vaultplan.settings import ScheduleSettings
from vaultplan.units import LB_PER_GAL_WATER

#: How much more an order of each priority is worth than an ordinary one (3); assumed.
_BY_PRIORITY: Final = {1: 2.0, 2: 1.5, 3: 1.0, 4: 0.8, 5: 0.6}
#: How much more an order is worth that falls due before the week ends; assumed.
_IF_DUE: Final = 1.5
#: Busy hours hold from Monday to Friday.
_BUSY_DAYS: Final = 5


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
    volume_gal: npt.NDArray[np.float64] | None = None,
) -> Week:
    """Return the week's jobs, truck-days and sites from plan_jobs, trucks and disposal_sites.

    ``volume_gal`` are joint draws of the water of each job, (draws, jobs).

    Raises
    ------
    ScheduleError
        If a truck's yard is unknown, its shift ends before it begins, or a vacuum truck has no
        tank stated.
    """
    place = {name: number for number, name in enumerate(place_ids)}
    trucks = list(_rows(frames["trucks"].sort_values("truck_id")))
    crews = {str(truck.truck_id) for truck in trucks if truck.kind == "crew"}
    lonlat = _lonlat(frames["plan_jobs"])
    socks = _through_socks(frames["plan_jobs"], trucks, settings)
    jobs = tuple(
        _job(row, clock, place, settings, spot, crews, through)
        for row, spot, through in zip(_rows(frames["plan_jobs"]), lonlat, socks, strict=True)
    )
    if volume_gal is not None:
        sure = [enough(drawn, settings.run_out_prob) for drawn in volume_gal.T]
        jobs = tuple(replace(job, sure_gal=most) for job, most in zip(jobs, sure, strict=True))
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
        hops=drive.tolist(),
        overtime_weight=settings.overtime_weight,
        busy=_busy(clock, settings),
        busy_factor=settings.busy_factor,
        draws=None if volume_gal is None else np.ascontiguousarray(volume_gal.T),
        run_out_prob=settings.run_out_prob,
    )


def _busy(clock: WeekClock, settings: ScheduleSettings) -> tuple[Window, ...]:
    """Return the busy spans of the week's working days, in order; none if they cost nothing."""
    if settings.busy_factor <= 1.0:
        return ()
    spans = spans_of_day(settings.busy_hours)
    return tuple(
        (clock.second(day, first), clock.second(day, last))
        for day in range(_BUSY_DAYS)
        for first, last in sorted(spans)
    )


def _lonlat(jobs: pd.DataFrame) -> list[tuple[float, float]]:
    """Return longitude and latitude of every job that waits for daylight, else zeros."""
    found = [(0.0, 0.0)] * len(jobs)
    rows = np.flatnonzero(jobs["daylight_only"].fillna(False).to_numpy(bool))
    if len(rows):
        points = gpd.GeoDataFrame(jobs).geometry.iloc[rows].to_crs(LONLAT)
        for row, point in zip(rows.tolist(), points, strict=True):
            found[row] = (point.x, point.y)
    return found


def _through_socks(
    jobs: pd.DataFrame, trucks: list[Any], settings: ScheduleSettings
) -> list[dict[float, int] | None]:
    """Return, for each job through socks, the seconds of pumping at each rate that a truck has."""
    is_sock = jobs["method"].eq("filter_sock").to_numpy(bool)
    rates = sorted({_number(t.pump_gpm, settings.pump_gpm) for t in trucks if t.kind == "crew"})
    load = jobs["load_gal"].to_numpy(float)
    solids = jobs["solids_mg_l"].fillna(0.0).to_numpy(float)
    took = {
        gpm: np.ceil(
            np.round(
                pump_out(load, solids, pump_gpm=gpm, through_sock=True, settings=settings).minutes
                * MINUTE,
                6,
            )
        ).astype(np.int64)
        for gpm in rates
        if gpm > 0
    }
    return [
        {gpm: int(seconds[row]) for gpm, seconds in took.items()} if through else None
        for row, through in enumerate(is_sock)
    ]


def _slots(value: Any, clock: WeekClock, crews: set[str]) -> tuple[Slot, ...]:
    """Return what a planner named, each as ``truck@YYYY-MM-DD`` with ``*`` for any."""
    slots = []
    for word in _words(value):
        truck, _, day = word.rpartition("@")
        number = ANY_DAY if day == "*" else clock.number(pd.Timestamp(day).date())
        slots.append(Slot(truck, number, None if truck == ANY_TRUCK else truck in crews))
    return tuple(slots)


def _rows(frame: pd.DataFrame) -> Any:
    return frame.itertuples(index=False)


def _number(value: Any, blank: float) -> float:
    return blank if pd.isna(value) else float(value)


def _words(value: Any) -> list[str]:
    return [] if pd.isna(value) else [word for word in str(value).split(";") if word]


def _seconds(minutes: float) -> int:
    return math.ceil(round(minutes * MINUTE, 6))


def _job(
    row: Any,
    clock: WeekClock,
    place: dict[str, int],
    settings: ScheduleSettings,
    lonlat: tuple[float, float],
    crews: set[str],
    through_sock: dict[float, int] | None,
) -> Job:
    days = tuple(sorted(clock.number(pd.Timestamp(day).date()) for day in _words(row.allowed_days)))
    start = "00:00" if pd.isna(row.window_from) else str(row.window_from)
    end = "23:59" if pd.isna(row.window_to) else str(row.window_to)
    crew_stays, vacuum_stays = _stays(row, clock, days, lonlat)
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
        socks=_sock_count(row, settings),
        worth=_worth(row, clock, settings),
        crew_stays=crew_stays,
        vacuum_stays=vacuum_stays,
        through_sock=through_sock,
        waste="sediment" if pd.isna(row.waste_profile) else str(row.waste_profile),
        outfall="" if pd.isna(row.outfall_id) else str(row.outfall_id),
        cap_gal=_number(row.daily_cap_gal, math.inf),
        pair="" if pd.isna(row.pair_id) else str(row.pair_id),
        turn=int(_number(row.place, 0)),
        kept_to=_slots(row.kept_to, clock, crews),
        barred_from=_slots(row.barred_from, clock, crews),
    )


def _stays(
    row: Any, clock: WeekClock, days: tuple[int, ...], lonlat: tuple[float, float]
) -> tuple[tuple[tuple[Window, ...], ...], tuple[tuple[Window, ...], ...]]:
    """Return the stays of crew and vacuum truck on each day; nothing where nothing bounds them.

    The outage holds for the crew, who work on the gear.
    """
    barred = spans_of_day(row.no_work_hours)
    has_outage = not (pd.isna(row.outage_from) and pd.isna(row.outage_to))
    is_lit = not pd.isna(row.daylight_only) and bool(row.daylight_only)
    outage = None
    if has_outage:
        outage = (
            WHOLE[0] if pd.isna(row.outage_from) else _second_of(row.outage_from, clock),
            WHOLE[1] if pd.isna(row.outage_to) else _second_of(row.outage_to, clock),
        )
    if not (barred or is_lit or has_outage):
        return (), ()
    crew, vacuum = [], []
    for day in days:
        light = daylight(clock, day, *lonlat) if is_lit else None
        crew.append(stays(clock, day, barred=barred, light=light, outage=outage))
        vacuum.append(stays(clock, day, barred=barred, light=light))
    return tuple(crew), tuple(vacuum)


def _sock_count(row: Any, settings: ScheduleSettings) -> int:
    if row.method != "filter_sock":
        return 0
    return int(_number(row.socks, settings.socks_per_job))


def _second_of(moment: pd.Timestamp, clock: WeekClock) -> int:
    return round((moment.to_pydatetime() - clock.origin).total_seconds())


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
                pumps=int(_number(row.pump_count, 1)),
                is_crew=row.kind == "crew",
                **_break(row, clock, day, opens, closes),
            )
        )
    return shifts


def _break(row: Any, clock: WeekClock, day: int, opens: int, closes: int) -> dict[str, int]:
    """Return a shift's break: none where its time is blank or the shift begins after it."""
    seconds = _seconds(_number(row.break_minutes, 0.0))
    if not seconds:
        return {}
    first = opens if pd.isna(row.break_from) else clock.second(day, row.break_from)
    last = closes - seconds if pd.isna(row.break_to) else clock.second(day, row.break_to)
    if last < first:
        raise ScheduleError(
            f"truck {row.truck_id}: the break would have to start after {row.break_from} and "
            f"before {row.break_to}; correct break_from or break_to"
        )
    if last < opens:
        return {}
    return {"rest": seconds, "rest_from": first, "rest_to": last}


def _site(row: Any, clock: WeekClock, place: dict[str, int], settings: ScheduleSettings) -> Site:
    week = range(len(WEEKDAYS))
    return Site(
        site_id=str(row.site_id),
        place=place[f"site:{row.site_id}"],
        dump=_seconds(_number(row.dump_minutes, settings.dump_minutes)),
        opens=tuple(clock.second(day, row.open_from) for day in week),
        closes=tuple(clock.second(day, row.open_to) for day in week),
        takes=None if pd.isna(row.takes) else frozenset(_words(row.takes)),
    )
