"""A second look at a plan: each truck's day is driven from the tables, slowly and plainly.

Written from what ``vaultplan/schema.py`` says of every column and from the list of limits in
``check_plan``'s docstring, apart from the checker's code, to be held against it. Streets are not
looked at: a drive is the straight distance times the detour.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

import pandas as pd

from vaultplan.settings import ScheduleSettings

from .second_tour import GAL, LB_PER_GAL_MG_L, SLACK, Row, Tour, or_blank, second_of, words_of


def broken_limits(
    frames: dict[str, pd.DataFrame], *, time_zone: str, settings: ScheduleSettings
) -> set[str]:
    """Return the names of the limits that a plan without streets breaks."""
    look = Look(
        jobs={row["order_id"]: row for row in _rows(frames["plan_jobs"])},
        stops=_rows(frames["plan_stops"]),
        trucks={row["truck_id"]: row for row in _rows(frames["trucks"])},
        yards={row["depot_id"]: row["geometry"] for row in _rows(frames["depots"])},
        sites={row["site_id"]: row for row in _rows(frames["disposal_sites"])},
        vaults={row["vault_id"]: row for row in _rows(frames["vaults"])},
        orders={row["order_id"]: row for row in _rows(frames["work_orders"])},
        unserved={row["order_id"] for row in _rows(frames["plan_unserved"])},
        crs=frames["depots"].crs,
        zone=ZoneInfo(time_zone),
        settings=settings,
    )
    look.count_orders()
    look.follow_vacuum_trucks()
    look.add_up_outfalls()
    if "plan_loads" in frames:
        look.weigh_loads(_rows(frames["plan_loads"]))
    days = defaultdict(list)
    for stop in look.stops:
        look.stand(stop)
        days[stop["truck_id"], stop["on"].date()].append(stop)
    for (truck_id, day), tour in days.items():
        truck = look.trucks.get(truck_id)
        if truck is None or truck["depot_id"] not in look.yards:
            look.broken.add("unknown truck")
            continue
        tour.sort(key=lambda stop: stop["stop_number"])
        Tour(look, truck, day, tour).drive()
    return look.broken


def _rows(frame: pd.DataFrame) -> list[Row]:
    return [
        {name: None if _is_blank(value) else value for name, value in row.items()}
        for row in frame.to_dict("records")
    ]


def _is_blank(value: Any) -> bool:
    return value is None or (pd.api.types.is_scalar(value) and bool(pd.isna(value)))


@dataclass
class Look:
    """The tables as rows, and the limits found broken so far."""

    jobs: dict[str, Row]
    stops: list[Row]
    trucks: dict[str, Row]
    yards: dict[str, Any]
    sites: dict[str, Row]
    vaults: dict[str, Row]
    orders: dict[str, Row]
    unserved: set[str]
    crs: Any
    zone: ZoneInfo
    settings: ScheduleSettings
    broken: set[str] = field(default_factory=set)

    def clock(self, day: Any, text: str) -> float:
        hours, minutes = (int(part) for part in text.split(":"))
        wall = datetime(day.year, day.month, day.day) + timedelta(hours=hours, minutes=minutes)
        return second_of(wall.replace(tzinfo=self.zone))

    def crew_stops(self) -> list[Row]:
        return [stop for stop in self.stops if stop["kind"] in ("pump_out", "work")]

    def count_orders(self) -> None:
        """Every order is done once, by its pair's crew, or has a reason not to be."""
        came: Counter[tuple[str, bool]] = Counter()
        slots: dict[str, tuple[str, Any]] = {}
        for stop in self.stops:
            if stop["kind"] == "dump":
                continue
            order, is_vacuum = stop["order_id"], stop["kind"] == "vacuum"
            came[order, is_vacuum] += 1
            if not is_vacuum:
                slots[order] = (stop["truck_id"], stop["on"])
            self.check_order(order, stop["vault_id"])
        if max(came.values(), default=0) > 1:
            self.broken.add("served twice")
        if any((order in slots) == (order in self.unserved) for order in self.jobs):
            self.broken.add("unaccounted")
        if slots.keys() & self.unserved:
            self.broken.add("unaccounted")
        pairs = defaultdict(set)
        for order, job in self.jobs.items():
            if job["pair_id"] is not None:
                pairs[job["pair_id"]].add(slots.get(order))
        if any(len(where) > 1 for where in pairs.values()):
            self.broken.add("pair")

    def check_order(self, order: str | None, vault: str | None) -> None:
        job = self.jobs.get(order)
        if job is None:
            self.broken.add("unknown order")
            return
        if job["vault_id"] != vault:
            self.broken.add("wrong vault")
        if job["gate"] != "go":
            self.broken.add("gate")
        if order not in self.orders or self.orders[order]["status"] not in (None, "open"):
            self.broken.add("order not open")

    def follow_vacuum_trucks(self) -> None:
        """A crew starts after its vacuum truck left and before the water is back."""
        emptied = {
            (stop["order_id"], stop["on"]): second_of(stop["leave_at"])
            for stop in self.stops
            if stop["kind"] == "vacuum"
        }
        started = {stop["order_id"]: stop for stop in self.crew_stops()}
        if any(order not in started for order, _ in emptied):
            self.broken.add("vacuum for nothing")
        for order, stop in started.items():
            job = self.jobs.get(order)
            if job is None or job["method"] != "vacuum_truck":
                continue
            if (order, stop["on"]) not in emptied:
                self.broken.add("no vacuum truck")
                continue
            waited = second_of(stop["start_at"]) - emptied[order, stop["on"]]
            back = 60.0 * or_blank(job["refill_minutes"], self.settings.min_refill_minutes)
            if waited < -SLACK:
                self.broken.add("crew before vacuum truck")
            if waited > back + SLACK:
                self.broken.add("refilled")

    def add_up_outfalls(self) -> None:
        """An outfall gets no more in a day than any of the caps stated for it."""
        given, caps = defaultdict(float), defaultdict(list)
        for stop in self.stops:
            job = self.jobs.get(stop["order_id"])
            if job is None or stop["kind"] != "pump_out":
                continue
            key = (job["outfall_id"], stop["on"])
            given[key] += job["load_gal"]
            caps[key].append(or_blank(job["daily_cap_gal"], float("inf")))
        if any(gallons > min(caps[key]) + GAL for key, gallons in given.items()):
            self.broken.add("outfall cap")

    def weigh_loads(self, loads: list[Row]) -> None:
        """A vacuum truck's trip exceeds its tank no more often than it may."""
        tanks = [load for load in loads if load["item"] == "vacuum_load"]
        if any(or_blank(load["prob_short"], 0.0) > self.settings.run_out_prob for load in tanks):
            self.broken.add("tank runs out")

    def stand(self, stop: Row) -> None:
        """A truck stands at the site or at a vault in service that the stop names."""
        is_dump = stop["kind"] == "dump"
        place = (self.sites if is_dump else self.vaults).get(
            stop["site_id" if is_dump else "vault_id"]
        )
        if place is None:
            self.broken.add("unknown place")
            return
        if place["geometry"].distance(stop["geometry"]) >= 1e-6:
            self.broken.add("wrong place")
        if not is_dump and place["status"] in ("retired", "other_owner"):
            self.broken.add("vault not in service")

    def way(self, here: Any, there: Any) -> float:
        """Return quiet seconds of driving: distance times detour over speed, and each leg's."""
        if here.distance(there) == 0.0:
            return 0.0
        feet = here.distance(there) * self.crs.axis_info[0].unit_conversion_factor / 0.3048
        hours = feet / 5280.0 * self.settings.detour / self.settings.speed_mph
        return 3600.0 * hours + 60.0 * self.settings.leg_minutes

    def driven(self, quiet: float, departs: float) -> float:
        """Return seconds that a way takes, second by second, slower while streets are busy."""
        local = datetime.fromtimestamp(departs, self.zone)
        if self.settings.busy_factor == 1.0 or local.weekday() > 4:
            return quiet
        busy = [
            tuple(self.clock(local, text) for text in span.split("-"))
            for span in words_of(self.settings.busy_hours)
        ]
        now, left = departs, quiet
        while left > 0.0:
            is_busy = any(first <= now < last for first, last in busy)
            covered = 1.0 / self.settings.busy_factor if is_busy else 1.0
            now += min(left / covered, 1.0)
            left -= covered
        return now - departs

    def pumping(self, job: Row, gallons: float, gpm: float) -> tuple[float, int]:
        """Return seconds of pumping and socks used, a second's flow at a time.

        A sock's flow falls along a straight line from empty to full as it catches the solids; a
        full one is changed if there is more to pump.
        """
        if job["method"] != "filter_sock":
            return 60.0 * gallons / gpm, 0
        known = self.settings
        per_gal = or_blank(job["solids_mg_l"], 0.0) * LB_PER_GAL_MG_L

        def flow(load: float) -> float:
            share = load / known.sock_capacity_lb
            return min(gpm, known.sock_gpm + (known.sock_least_gpm - known.sock_gpm) * share) / 60

        seconds, socks, load = 0.0, int(gallons > 0.0), 0.0
        while gallons > 1e-6:
            room = known.sock_capacity_lb - load
            if room < 1e-9:
                seconds, socks, load = seconds + 60.0 * known.sock_change_minutes, socks + 1, 0.0
                continue
            half = flow(load + flow(load) * per_gal / 2)
            moved = min(gallons, half, room / per_gal if per_gal else half)
            seconds += moved / half
            gallons, load = gallons - moved, load + moved * per_gal
        return seconds, socks
