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
from astral import Observer
from astral.sun import sunrise, sunset
from pyproj import Transformer

from vaultplan.settings import ScheduleSettings

Row = dict[str, Any]
WEEKDAYS = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")

# Times are kept in whole seconds: moments may differ by 0.03 minutes, a break by two seconds.
SLACK, BREAK_SLACK = 1.8, 2
GAL = 0.05
LB_PER_GAL = 8.34  # fresh water near 60 F; common practice, no source
# A gallon is 3.785411784 l and a pound 453,592.37 mg, both exactly.
LB_PER_GAL_MG_L = 3.785411784 / 453_592.37


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


def _or(value: Any, blank: float) -> float:
    return blank if value is None else float(value)


def _words(value: str | None) -> list[str]:
    return [word.strip() for word in (value or "").split(";") if word.strip()]


def _second(moment: datetime) -> float:
    return moment.timestamp()


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
        return _second(wall.replace(tzinfo=self.zone))

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
            (stop["order_id"], stop["on"]): _second(stop["leave_at"])
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
            waited = _second(stop["start_at"]) - emptied[order, stop["on"]]
            back = 60.0 * _or(job["refill_minutes"], self.settings.min_refill_minutes)
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
            caps[key].append(_or(job["daily_cap_gal"], float("inf")))
        if any(gallons > min(caps[key]) + GAL for key, gallons in given.items()):
            self.broken.add("outfall cap")

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
            for span in _words(self.settings.busy_hours)
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
        per_gal = _or(job["solids_mg_l"], 0.0) * LB_PER_GAL_MG_L

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


class Tour:
    """One truck on one day, walked stop by stop: where it is, what it holds, what is left."""

    def __init__(self, look: Look, truck: Row, day: Any, stops: list[Row]) -> None:
        self.look, self.truck, self.day, self.stops = look, truck, day, stops
        self.is_crew = truck["kind"] == "crew"
        self.opens = look.clock(day, truck["shift_from"])
        self.closes = look.clock(day, truck["shift_to"])
        self.place, self.now = look.yards[truck["depot_id"]], self.opens
        self.tank, self.aboard = 0.0, set()
        self.socks = _or(truck["sock_count"], 0)
        self.begins = int(min(self.opens, *(self.departs(stop) for stop in stops))) - 1
        ends = max(self.opens, *(_second(stop["leave_at"]) for stop in stops))
        #: One byte a second: 1 while the truck drives or works, 0 while it stands free.
        self.diary = bytearray(max(int(ends) - self.begins, 0))

    def departs(self, stop: Row) -> float:
        return _second(stop["arrive_at"]) - 60.0 * _or(stop["drive_minutes"], 0.0)

    def breaks(self, what: str, is_broken: bool = True) -> None:
        if is_broken:
            self.look.broken.add(what)

    def occupy(self, start: float, end: float) -> None:
        first, last = (max(round(at) - self.begins, 0) for at in (start, end))
        if last > first:
            self.diary[first:last] = b"\1" * (last - first)

    def drive(self) -> None:
        self.breaks("day off", WEEKDAYS[self.day.weekday()] not in _words(self.truck["days"]))
        numbers = [stop["stop_number"] for stop in self.stops]
        self.breaks("stop numbers", numbers != list(range(1, len(numbers) + 1)))
        turns = []
        for stop in self.stops:
            self.come(stop)
            job = self.look.jobs.get(stop["order_id"])
            if stop["kind"] == "dump":
                self.dump(stop)
            elif job is not None:
                self.serve(stop, job)
                if self.is_crew and job["place"] is not None:
                    turns.append(job["place"])
            if not self.is_crew:
                told = _or(stop["tank_after_gal"], -1.0)
                self.breaks("tank", abs(told - self.tank) > GAL)
        self.breaks("place", turns != sorted(turns))
        self.breaks("not empty", self.tank > GAL)
        self.go_home()

    def come(self, stop: Row) -> None:
        """Drive to a stop, wait, and be busy there until leaving."""
        departs, arrive = self.departs(stop), _second(stop["arrive_at"])
        start, leave = _second(stop["start_at"]), _second(stop["leave_at"])
        is_first = stop is self.stops[0]
        self.breaks("shift" if is_first else "times", departs < self.now - SLACK)
        needed = self.look.driven(self.look.way(self.place, stop["geometry"]), departs)
        self.breaks("drive", arrive - departs < needed - SLACK)
        self.breaks("times", start < arrive - SLACK or leave < start - SLACK)
        self.breaks(
            "times", datetime.fromtimestamp(start, self.look.zone).date() != stop["on"].date()
        )
        self.occupy(departs, arrive)
        self.occupy(start, leave)
        self.place, self.now = stop["geometry"], leave

    def dump(self, stop: Row) -> None:
        site = self.look.sites.get(stop["site_id"])
        self.breaks("kind", self.is_crew)
        given_up = _or(stop["load_gal"], 0.0)
        self.breaks("tank", not self.is_crew and given_up > self.tank + GAL)
        self.tank = max(self.tank - given_up, 0.0)
        if site is None:
            return
        start, leave = _second(stop["start_at"]), _second(stop["leave_at"])
        needed = 60.0 * _or(site["dump_minutes"], self.look.settings.dump_minutes)
        self.breaks("dump time", leave - start < needed - SLACK)
        opens, shuts = (self.look.clock(self.day, site[name]) for name in ("open_from", "open_to"))
        self.breaks("disposal hours", start < opens - SLACK or leave > shuts + SLACK)
        takes = {"sediment", "oily", "unknown"}
        if site["takes"] is not None:
            takes = set(_words(site["takes"]))
        self.breaks("waste refused", bool(self.aboard - takes))
        self.aboard = set()

    def serve(self, stop: Row, job: Row) -> None:
        """Do at a vault what the stop says, and see whether it may be done there and then."""
        by_vacuum = job["method"] == "vacuum_truck"
        due = ("work" if by_vacuum else "pump_out") if self.is_crew else "vacuum"
        self.breaks("kind", stop["kind"] != due or not (self.is_crew or by_vacuum))
        if self.is_crew and job["skill"] is not None:
            self.breaks("skill", job["skill"] not in _words(self.truck["skills"]))
        self.breaks("allowed day", str(self.day) not in _words(job["allowed_days"]))
        self.obey_planner(job)
        self.keep_hours(stop, job)
        self.remove_water(stop, job)

    def obey_planner(self, job: Row) -> None:
        def is_here(word: str) -> tuple[str, bool]:
            truck, _, day = word.rpartition("@")
            return truck, day in ("*", str(self.day))

        for truck, is_today in map(is_here, _words(job["kept_to"])):
            other = self.look.trucks.get(truck)
            binds = truck != "*" and other is not None and other["kind"] == self.truck["kind"]
            self.breaks("kept", not is_today or (binds and truck != self.truck["truck_id"]))
        for truck, is_today in map(is_here, _words(job["barred_from"])):
            self.breaks("barred", is_today and truck in ("*", self.truck["truck_id"]))

    def keep_hours(self, stop: Row, job: Row) -> None:
        start, leave = _second(stop["start_at"]), _second(stop["leave_at"])
        first = self.look.clock(self.day, job["window_from"] or "00:00")
        last = self.look.clock(self.day, job["window_to"] or "24:00")
        self.breaks("window", start < first - SLACK or start > last + SLACK)
        for span in _words(job["no_work_hours"]):
            first, last = (self.look.clock(self.day, text) for text in span.split("-"))
            self.breaks("barred hours", min(leave, last) - max(start, first) > SLACK)
        if job["daylight_only"]:
            rise, down = self.sun(job["geometry"])
            self.breaks("daylight", start < rise - SLACK or leave > down + SLACK)
        if self.is_crew:
            dead, live = job["outage_from"], job["outage_to"]
            self.breaks("outage", dead is not None and start < _second(dead) - SLACK)
            self.breaks("outage", live is not None and leave > _second(live) + SLACK)

    def sun(self, point: Any) -> tuple[float, float]:
        lonlat = Transformer.from_crs(self.look.crs, "EPSG:4326", always_xy=True)
        lon, lat = lonlat.transform(point.x, point.y)
        there, zone = Observer(lat, lon), self.look.zone
        return (
            _second(sunrise(there, self.day, tzinfo=zone)),
            _second(sunset(there, self.day, tzinfo=zone)),
        )

    def remove_water(self, stop: Row, job: Row) -> None:
        """Set up, pump and work; fill the tank or use up socks."""
        known, gallons = self.look.settings, _or(stop["load_gal"], 0.0)
        gpm = _or(self.truck["pump_gpm"], known.pump_gpm)
        seconds = 60.0 * _or(job["setup_minutes"], known.setup_minutes)
        least_socks = 0.0
        if stop["kind"] != "work":
            self.breaks("load", abs(gallons - job["load_gal"]) > GAL)
            pumping, used = self.look.pumping(job, job["load_gal"], gpm)
            seconds += pumping
            if job["method"] == "filter_sock":
                least_socks = max(used, _or(job["socks"], known.socks_per_job))
        if stop["kind"] != "vacuum":
            seconds += 60.0 * _or(job["task_minutes"], known.task_minutes)
        if stop["kind"] == "pump_out":
            self.breaks("pump", _or(self.truck["pump_count"], 1) < 1)
        took = _second(stop["leave_at"]) - _second(stop["start_at"])
        self.breaks("service time", took < seconds - SLACK)
        if self.is_crew:
            self.breaks("socks", _or(stop["socks"], 0) < least_socks)
            self.socks -= _or(stop["socks"], 0)
            self.breaks("socks", self.socks < 0)
            return
        self.tank += gallons
        self.breaks("tank", self.tank > _or(self.truck["tank_gal"], 0.0) + GAL)
        most_lb = _or(self.truck["payload_lb"], float("inf"))
        self.breaks("weight", self.tank * LB_PER_GAL > most_lb + GAL * LB_PER_GAL)
        self.aboard.add(job["waste_profile"] or "sediment")
        self.breaks("waste mixed", len(self.aboard) > 1)

    def go_home(self) -> None:
        ends = self.closes + 60.0 * _or(self.truck["overtime_minutes"], 0.0)
        home = self.look.way(self.place, self.look.yards[self.truck["depot_id"]])
        leaves = self.rest(home)
        self.breaks("shift", leaves + self.look.driven(home, leaves) > ends + SLACK)

    def rest(self, home: float) -> float:
        """Return when the truck sets out for home, its break taken in free seconds or last.

        Whoever is back before the break's latest start needs none.
        """
        minutes = _or(self.truck["break_minutes"], 0.0)
        if minutes <= 0.0:
            return self.now
        first, last = self.opens, self.closes - 60.0 * minutes
        if self.truck["break_from"] is not None:
            first = max(self.opens, self.look.clock(self.day, self.truck["break_from"]))
        if self.truck["break_to"] is not None:
            last = self.look.clock(self.day, self.truck["break_to"])
        back = self.now + self.look.driven(home, self.now)
        if last < self.opens or back <= last + BREAK_SLACK:
            return self.now
        free = bytes(round(60.0 * minutes) - BREAK_SLACK)
        found = self.diary.find(free, max(int(first) - self.begins, 0))
        if 0 <= found <= last + BREAK_SLACK - self.begins:
            return self.now
        begins = max(self.now, first)
        if begins <= last + BREAK_SLACK:
            return begins + 60.0 * minutes
        self.breaks("break")
        return self.now
