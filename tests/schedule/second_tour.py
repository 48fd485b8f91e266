"""A truck's day, driven stop by stop for the second look."""

from __future__ import annotations

from datetime import datetime
from typing import TYPE_CHECKING, Any

from astral import Observer
from astral.sun import sunrise, sunset
from pyproj import Transformer

if TYPE_CHECKING:
    from .second_look import Look

Row = dict[str, Any]
WEEKDAYS = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")

# Times are kept in whole seconds: moments may differ by 0.03 minutes, a break by two seconds.
SLACK, BREAK_SLACK = 1.8, 2
GAL = 0.05
LB_PER_GAL = 8.34  # fresh water near 60 F; common practice, no source
# A gallon is 3.785411784 l and a pound 453,592.37 mg, both exactly.
LB_PER_GAL_MG_L = 3.785411784 / 453_592.37


def or_blank(value: Any, blank: float) -> float:
    return blank if value is None else float(value)


def words_of(value: str | None) -> list[str]:
    return [word.strip() for word in (value or "").split(";") if word.strip()]


def second_of(moment: datetime) -> float:
    return moment.timestamp()


class Tour:
    """One truck on one day, walked stop by stop: where it is, what it holds, what is left."""

    def __init__(self, look: Look, truck: Row, day: Any, stops: list[Row]) -> None:
        self.look, self.truck, self.day, self.stops = look, truck, day, stops
        self.is_crew = truck["kind"] == "crew"
        self.opens = look.clock(day, truck["shift_from"])
        self.closes = look.clock(day, truck["shift_to"])
        self.place, self.now = look.yards[truck["depot_id"]], self.opens
        self.tank, self.aboard = 0.0, set()
        self.socks = or_blank(truck["sock_count"], 0)
        self.begins = int(min(self.opens, *(self.departs(stop) for stop in stops))) - 1
        ends = max(self.opens, *(second_of(stop["leave_at"]) for stop in stops))
        #: One byte a second: 1 while the truck drives or works, 0 while it stands free.
        self.diary = bytearray(max(int(ends) - self.begins, 0))

    def departs(self, stop: Row) -> float:
        return second_of(stop["arrive_at"]) - 60.0 * or_blank(stop["drive_minutes"], 0.0)

    def breaks(self, what: str, is_broken: bool = True) -> None:
        if is_broken:
            self.look.broken.add(what)

    def occupy(self, start: float, end: float) -> None:
        first, last = (max(round(at) - self.begins, 0) for at in (start, end))
        if last > first:
            self.diary[first:last] = b"\1" * (last - first)

    def drive(self) -> None:
        self.breaks("day off", WEEKDAYS[self.day.weekday()] not in words_of(self.truck["days"]))
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
                told = or_blank(stop["tank_after_gal"], -1.0)
                self.breaks("tank", abs(told - self.tank) > GAL)
        self.breaks("place", turns != sorted(turns))
        self.breaks("not empty", self.tank > GAL)
        self.go_home()

    def come(self, stop: Row) -> None:
        """Drive to a stop, wait, and be busy there until leaving."""
        departs, arrive = self.departs(stop), second_of(stop["arrive_at"])
        start, leave = second_of(stop["start_at"]), second_of(stop["leave_at"])
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
        given_up = or_blank(stop["load_gal"], 0.0)
        self.breaks("tank", not self.is_crew and given_up > self.tank + GAL)
        self.tank = max(self.tank - given_up, 0.0)
        if site is None:
            return
        start, leave = second_of(stop["start_at"]), second_of(stop["leave_at"])
        needed = 60.0 * or_blank(site["dump_minutes"], self.look.settings.dump_minutes)
        self.breaks("dump time", leave - start < needed - SLACK)
        opens, shuts = (self.look.clock(self.day, site[name]) for name in ("open_from", "open_to"))
        self.breaks("disposal hours", start < opens - SLACK or leave > shuts + SLACK)
        takes = {"sediment", "oily", "unknown"}
        if site["takes"] is not None:
            takes = set(words_of(site["takes"]))
        self.breaks("waste refused", bool(self.aboard - takes))
        self.aboard = set()

    def serve(self, stop: Row, job: Row) -> None:
        """Do at a vault what the stop says, and see whether it may be done there and then."""
        by_vacuum = job["method"] == "vacuum_truck"
        due = ("work" if by_vacuum else "pump_out") if self.is_crew else "vacuum"
        self.breaks("kind", stop["kind"] != due or not (self.is_crew or by_vacuum))
        if self.is_crew and job["skill"] is not None:
            self.breaks("skill", job["skill"] not in words_of(self.truck["skills"]))
        self.breaks("allowed day", str(self.day) not in words_of(job["allowed_days"]))
        self.obey_planner(job)
        self.keep_hours(stop, job)
        self.remove_water(stop, job)

    def obey_planner(self, job: Row) -> None:
        def is_here(word: str) -> tuple[str, bool]:
            truck, _, day = word.rpartition("@")
            return truck, day in ("*", str(self.day))

        for truck, is_today in map(is_here, words_of(job["kept_to"])):
            other = self.look.trucks.get(truck)
            binds = truck != "*" and other is not None and other["kind"] == self.truck["kind"]
            self.breaks("kept", not is_today or (binds and truck != self.truck["truck_id"]))
        for truck, is_today in map(is_here, words_of(job["barred_from"])):
            self.breaks("barred", is_today and truck in ("*", self.truck["truck_id"]))

    def keep_hours(self, stop: Row, job: Row) -> None:
        start, leave = second_of(stop["start_at"]), second_of(stop["leave_at"])
        comes = second_of(stop["arrive_at"])
        first = self.look.clock(self.day, job["window_from"] or "00:00")
        last = self.look.clock(self.day, job["window_to"] or "24:00")
        self.breaks("window", start < first - SLACK or start > last + SLACK)
        for span in words_of(job["no_work_hours"]):
            first, last = (self.look.clock(self.day, text) for text in span.split("-"))
            self.breaks("barred hours", min(leave, last) - max(comes, first) > SLACK)
        if job["daylight_only"]:
            rise, down = self.sun(job["geometry"])
            self.breaks("daylight", start < rise - SLACK or leave > down + SLACK)
        if self.is_crew:
            dead, live = job["outage_from"], job["outage_to"]
            self.breaks("outage", dead is not None and start < second_of(dead) - SLACK)
            self.breaks("outage", live is not None and leave > second_of(live) + SLACK)

    def sun(self, point: Any) -> tuple[float, float]:
        lonlat = Transformer.from_crs(self.look.crs, "EPSG:4326", always_xy=True)
        lon, lat = lonlat.transform(point.x, point.y)
        there, zone = Observer(lat, lon), self.look.zone
        return (
            second_of(sunrise(there, self.day, tzinfo=zone)),
            second_of(sunset(there, self.day, tzinfo=zone)),
        )

    def remove_water(self, stop: Row, job: Row) -> None:
        """Set up, pump and work; fill the tank or use up socks."""
        known, gallons = self.look.settings, or_blank(stop["load_gal"], 0.0)
        gpm = or_blank(self.truck["pump_gpm"], known.pump_gpm)
        seconds = 60.0 * or_blank(job["setup_minutes"], known.setup_minutes)
        least_socks = 0.0
        if stop["kind"] != "work":
            self.breaks("load", abs(gallons - job["load_gal"]) > GAL)
            pumping, used = self.look.pumping(job, job["load_gal"], gpm)
            seconds += pumping
            if job["method"] == "filter_sock":
                least_socks = max(used, or_blank(job["socks"], known.socks_per_job))
        if stop["kind"] != "vacuum":
            seconds += 60.0 * or_blank(job["task_minutes"], known.task_minutes)
        if stop["kind"] == "pump_out":
            self.breaks("pump", or_blank(self.truck["pump_count"], 1) < 1)
        took = second_of(stop["leave_at"]) - second_of(stop["start_at"])
        self.breaks("service time", took < seconds - SLACK)
        if self.is_crew:
            self.breaks("socks", or_blank(stop["socks"], 0) < least_socks)
            self.socks -= or_blank(stop["socks"], 0)
            self.breaks("socks", self.socks < 0)
            return
        self.tank += gallons
        self.breaks("tank", self.tank > or_blank(self.truck["tank_gal"], 0.0) + GAL)
        most_lb = or_blank(self.truck["payload_lb"], float("inf"))
        self.breaks("weight", self.tank * LB_PER_GAL > most_lb + GAL * LB_PER_GAL)
        self.aboard.add(job["waste_profile"] or "sediment")
        self.breaks("waste mixed", len(self.aboard) > 1)

    def go_home(self) -> None:
        ends = self.closes + 60.0 * or_blank(self.truck["overtime_minutes"], 0.0)
        home = self.look.way(self.place, self.look.yards[self.truck["depot_id"]])
        leaves = self.rest(home)
        self.breaks("shift", leaves + self.look.driven(home, leaves) > ends + SLACK)

    def rest(self, home: float) -> float:
        """Return when the truck sets out for home, its break taken in free seconds or last.

        Whoever is back before the break's latest start needs none.
        """
        minutes = or_blank(self.truck["break_minutes"], 0.0)
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
