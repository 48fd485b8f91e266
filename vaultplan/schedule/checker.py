"""An independent check of a plan against every limit, from the tables alone.

Nothing here is shared with what builds the plan, so that a fault there cannot hide here.
"""

from __future__ import annotations

import itertools
from collections.abc import Collection, Iterator
from dataclasses import dataclass
from typing import Any, Final

import geopandas as gpd
import pandas as pd

from vaultplan.geometry import feet_per_unit
from vaultplan.schedule.check_bounds import (
    check_edits,
    check_outfalls,
    check_pairs,
    check_stay,
    check_waste,
)
from vaultplan.schedule.check_drive import least_minutes
from vaultplan.schedule.check_tour import check_tour
from vaultplan.schema import Frames
from vaultplan.settings import ScheduleSettings

#: Times may differ by this much, because plans are kept in whole seconds.
TOLERANCE_MINUTES: Final = 0.03
_CREW_KINDS: Final = ("pump_out", "work")


@dataclass(frozen=True, slots=True)
class Breach:
    """One limit that a plan breaks, where, and in words."""

    what: str
    truck: str
    day: str
    stop: int
    words: str

    def __str__(self) -> str:
        """Return the breach as one line."""
        where = ", ".join(part for part in (self.truck, self.day) if part)
        return f"{self.what}: {self.words}" + (f" ({where}, stop {self.stop})" if where else "")


def check_plan(
    frames: Frames,
    *,
    time_zone: str,
    settings: ScheduleSettings,
    checked: Collection[tuple[str, str]] = (),
) -> list[Breach]:
    """Return every limit that a plan breaks; an empty list accepts it.

    Parameters
    ----------
    frames
        ``plan_jobs``, ``plan_stops``, ``plan_unserved``, ``trucks``, ``depots``,
        ``disposal_sites``, ``roads``, ``vaults`` and ``work_orders``.
    time_zone
        Where the clocks of shifts, windows and opening hours are read.
    settings
        What is reckoned with where a table is blank.
    checked
        Trucks and days (YYYY-MM-DD) whose tours are to the second those of a plan that was checked
        with the same tables: their hours and driving are not looked at again.

    Notes
    -----
    Checked are shift and overtime, days worked, breaks, skills, pumps on board, allowed days,
    windows, barred hours, daylight, outages, gates, orders served once or accounted for, pairs,
    what a planner asked, vacuum truck before crew and within the refill time, tank gallons and
    weight, waste kept apart, dumps and their hours, socks, outfall caps, service times, driving
    times from and to the yard and in busy hours, order of stops and times, and that trucks stand
    where the vaults are.
    """
    stops = frames["plan_stops"].sort_values(["on", "truck_id", "stop_number"])
    jobs = {row.order_id: row for row in _rows(frames["plan_jobs"])}
    breaches = [
        *_accounts(jobs, frames),
        *_places(frames, stops),
        *_coupling(jobs, stops, settings),
        *_loads(frames, settings),
    ]
    crew_stops = stops[stops["kind"].isin(_CREW_KINDS)]
    for stop, what, words in (*check_pairs(jobs, crew_stops), *check_outfalls(jobs, crew_stops)):
        breaches.append(_at(stop, what, words))
    trucks = {row.truck_id: row for row in _rows(frames["trucks"])}
    yards = {row.depot_id: row.geometry for row in _rows(frames["depots"])}
    sites = {row.site_id: row for row in _rows(frames["disposal_sites"])}
    tours = [
        list(_rows(tour))
        for (on, truck_id), tour in stops.groupby(["on", "truck_id"])
        if not checked or (truck_id, f"{on:%Y-%m-%d}") not in checked
    ]
    known = []
    for tour in tours:
        truck = trucks.get(tour[0].truck_id)
        if truck is None or truck.depot_id not in yards:
            breaches.append(_at(tour[0], "unknown truck", "the truck or its yard is in no table"))
        else:
            known.append((truck, yards[truck.depot_id], tour))
    minutes = iter(_drives(known, frames, settings))
    kind_of = {truck_id: truck.kind for truck_id, truck in trucks.items()}
    lonlat = _lonlat(frames["plan_jobs"])
    for truck, _, tour in known:
        least = [next(minutes) for _ in range(len(tour) + 1)]
        found = [
            *check_tour(truck, tour, least, jobs, sites, time_zone, settings, TOLERANCE_MINUTES),
            *check_edits(truck, tour, jobs, kind_of),
            *(check_waste(tour, jobs, sites) if truck.kind == "vacuum" else ()),
        ]
        for stop in tour:
            if stop.order_id in jobs and stop.kind != "dump":
                where = lonlat.get(stop.order_id, (0.0, 0.0))
                job = jobs[stop.order_id]
                found += check_stay(truck, stop, job, where, time_zone, TOLERANCE_MINUTES)
        breaches += [_at(stop, what, words) for stop, what, words in found]
    return breaches


def _lonlat(jobs: Any) -> dict[str, tuple[float, float]]:
    """Return longitude and latitude of the orders that wait for daylight."""
    lit = jobs[jobs["daylight_only"].fillna(False).astype(bool)]
    if not len(lit):
        return {}
    points = lit.geometry.to_crs("EPSG:4326")
    return {order: (p.x, p.y) for order, p in zip(lit["order_id"], points, strict=True)}


def _rows(frame: pd.DataFrame) -> Iterator[Any]:
    return frame.itertuples()


def _at(stop: Any, what: str, words: str) -> Breach:
    return Breach(what, str(stop.truck_id), f"{stop.on:%Y-%m-%d}", int(stop.stop_number), words)


def _drives(
    known: list[tuple[Any, Any, list[Any]]], frames: Frames, settings: ScheduleSettings
) -> list[float]:
    """Return the least minutes of every leg of every tour, the way home included."""
    legs = []
    for _, yard, tour in known:
        points = [yard, *(stop.geometry for stop in tour), yard]
        legs += list(itertools.pairwise(points))
    depots: Any = frames["depots"]
    roads = frames.get("roads")
    streets = roads if isinstance(roads, gpd.GeoDataFrame) and len(roads) else None
    return least_minutes(legs, streets, settings, feet_per_unit(depots)) if legs else []


def _accounts(jobs: dict[str, Any], frames: Frames) -> Iterator[Breach]:
    """Yield orders served twice, not at all without a reason, or that may not be served."""
    stops = frames["plan_stops"]
    crew = stops[stops["kind"].isin(_CREW_KINDS)]
    vacuum = stops[stops["kind"] == "vacuum"]
    status = frames["work_orders"].set_index("order_id")["status"].fillna("open")
    for part, words in ((crew, "a crew comes"), (vacuum, "a vacuum truck comes")):
        again = part[part["order_id"].duplicated()]
        for stop in _rows(again):
            yield _at(stop, "served twice", f"order {stop.order_id}: {words} more than once")
    ids = set(crew["order_id"].dropna())
    left = set(frames["plan_unserved"]["order_id"])
    for order in sorted(set(jobs) - ids - left):
        yield Breach(
            "unaccounted", "", "", 0, f"order {order} is neither served nor given a reason"
        )
    for order in sorted(ids & left):
        yield Breach("unaccounted", "", "", 0, f"order {order} is served and called unserved")
    for stop in _rows(stops):
        if stop.kind == "dump":
            continue
        job = jobs.get(stop.order_id)
        if job is None:
            yield _at(stop, "unknown order", f"order {stop.order_id} was not offered to the plan")
        elif job.vault_id != stop.vault_id:
            yield _at(stop, "wrong vault", f"order {job.order_id} is for vault {job.vault_id}")
        elif job.gate != "go":
            yield _at(stop, "gate", f"order {job.order_id} is on {job.gate}")
        if job is not None and status.get(stop.order_id) != "open":
            yield _at(stop, "order not open", f"order {stop.order_id} is not an open work order")


def _places(frames: Frames, stops: pd.DataFrame) -> Iterator[Breach]:
    """Yield stops that are not where their vault or site is, or at a vault that is not ours."""
    of_stops = frames["vaults"][frames["vaults"]["vault_id"].isin(stops["vault_id"])]
    vaults = {row.vault_id: row for row in _rows(of_stops.drop_duplicates("vault_id"))}
    sites = {row.site_id: row for row in _rows(frames["disposal_sites"])}
    for stop in _rows(stops):
        table: dict[str, Any]
        key, table = (stop.site_id, sites) if stop.kind == "dump" else (stop.vault_id, vaults)
        if key not in table:
            yield _at(stop, "unknown place", f"{key} is not in its table")
            continue
        place = table[key]
        if not (place.geometry.distance(stop.geometry) < 1e-6):
            yield _at(stop, "wrong place", f"the stop does not stand at {key}")
        if stop.kind != "dump" and place.status in ("retired", "other_owner"):
            yield _at(stop, "vault not in service", f"vault {key} is {place.status}")


def _loads(frames: Frames, settings: ScheduleSettings) -> Iterator[Breach]:
    """Yield vacuum trips that run out of tank more often than they may."""
    loads = frames.get("plan_loads")
    if loads is None or not len(loads):
        return
    often = loads["item"].eq("vacuum_load") & (loads["prob_short"] > settings.run_out_prob)
    for load in _rows(loads[often]):
        yield Breach(
            "tank runs out",
            str(load.truck_id),
            f"{load.on:%Y-%m-%d}",
            0,
            f"trip {load.trip} is more than the tank in {load.prob_short:.1%} of the draws",
        )


def _coupling(
    jobs: dict[str, Any], stops: pd.DataFrame, settings: ScheduleSettings
) -> Iterator[Breach]:
    """Yield crews without their vacuum truck before them, too early, too late or on another day."""
    vacuum = {stop.order_id: stop for stop in _rows(stops[stops["kind"] == "vacuum"])}
    crew = {stop.order_id: stop for stop in _rows(stops[stops["kind"].isin(_CREW_KINDS)])}
    for order, stop in vacuum.items():
        if order not in crew:
            yield _at(stop, "vacuum for nothing", f"order {order}: no crew follows")
    for order, stop in crew.items():
        job = jobs.get(order)
        if job is None or job.method != "vacuum_truck":
            continue
        before = vacuum.get(order)
        if before is None or before.on != stop.on:
            yield _at(stop, "no vacuum truck", f"order {order}: none comes that day")
            continue
        wait = (stop.start_at - before.leave_at).total_seconds() / 60.0
        limit = settings.min_refill_minutes if pd.isna(job.refill_minutes) else job.refill_minutes
        if wait < -TOLERANCE_MINUTES:
            yield _at(stop, "crew before vacuum truck", f"order {order}: by {-wait:.0f} minutes")
        if wait > limit + TOLERANCE_MINUTES:
            yield _at(
                stop,
                "refilled",
                f"order {order}: crew starts {wait:.0f} minutes after the vacuum truck, "
                f"the water may be back after {limit:.0f}",
            )
