"""Both fleets of a week together, with the rule that ties a crew to the vacuum truck before it.

At any time every limit holds: a job that needs a vacuum truck has one on the crew's day, done
before the crew starts and not longer before it than the water takes to come back.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

import numpy as np

from vaultplan.schedule.fleet import SHUT, Fleet, Timing
from vaultplan.schedule.hours import Window
from vaultplan.schedule.insertion import insert_job
from vaultplan.schedule.limits import carries, gallons_drained, pairs_of, within, without_idle_dumps
from vaultplan.schedule.model import Job, Week
from vaultplan.schedule.reach import Reach


@dataclass(frozen=True, slots=True)
class Snapshot:
    """What is needed to bring a state back."""

    crew_stops: list[list[int]]
    crew_starts: list[tuple[int, ...]]
    vacuum_stops: list[list[int]]
    vacuum_starts: list[tuple[int, ...]]
    pauses: tuple[list[int], list[int]]
    drained: list[dict[str, float]]
    numbers: tuple[np.ndarray[tuple[int], np.dtype[np.int64]], ...]
    places: tuple[list[int], ...]


class WeekState:
    """A feasible, perhaps partial, week: tours of crews and vacuum trucks.

    ``crew_row[j]`` is the crew truck-day that serves job ``j``, -1 if none; ``crew_start[j]`` the
    second it starts. Likewise for the vacuum truck. A job in ``anchors`` was promised to that
    truck-day: elsewhere it costs ``move_cost`` seconds more. What a state ``like`` this one
    knows of truck-days and jobs that are the same is not reckoned again; its tours stay its own.
    """

    def __init__(
        self,
        week: Week,
        rng: np.random.Generator,
        *,
        anchors: Mapping[int, int] | None = None,
        move_cost: int = 0,
        like: WeekState | None = None,
    ) -> None:
        self.week, self.rng = week, rng
        self.anchors, self.move_cost = dict(anchors or {}), move_cost
        count = len(week.jobs)
        self._coupled = [n for n, job in enumerate(week.jobs) if job.needs_vacuum]
        self.crew_row, self.crew_start = [-1] * count, [0] * count
        self.vacuum_row, self.vacuum_start = [-1] * count, [0] * count
        known = (None, None) if like is None else (like.crew_reach, like.vacuum_reach)
        self.crew_reach: Reach = Reach(week, week.crews, known[0])
        self.vacuum_reach: Reach = Reach(week, week.vacuums, known[1])
        self.crews = Fleet(week, week.crews, self._crew_windows, self._crew_service)
        self.vacuums = Fleet(week, week.vacuums, self._vacuum_windows, self._vacuum_service)
        self.socks = np.array([shift.socks for shift in week.crews], dtype=np.int64)
        self.socks_used = np.zeros(len(week.crews), dtype=np.int64)
        #: Gallons that each crew truck-day gives to outfalls that have a cap.
        self._drained: list[dict[str, float]] = [{} for _ in week.crews]
        self.pairs = pairs_of(week)

    def _crew_service(self, row: int, stop: int) -> int:
        return self.crew_reach.seconds[stop][row]

    def _vacuum_service(self, row: int, stop: int) -> int:
        return (
            self.vacuum_reach.seconds[stop][row] if stop >= 0 else self.week.sites[-1 - stop].dump
        )

    def _crew_windows(self, row: int, number: int) -> tuple[Window, ...]:
        own = self.crew_reach.windows[number][row]
        partner = self.vacuum_row[number]
        if partner < 0:
            return own
        if self.week.vacuums[partner].day != self.week.crews[row].day:
            return SHUT
        done = self.vacuum_start[number] + self.vacuum_reach.seconds[number][partner]
        return within(own, done, done + self.week.jobs[number].refill)

    def _vacuum_windows(self, row: int, stop: int) -> tuple[Window, ...]:
        day = self.week.vacuums[row].day
        if stop < 0:
            site = self.week.sites[-1 - stop]
            return ((site.opens[day], site.closes[day] - site.dump),)
        own = self.vacuum_reach.windows[stop][row]
        partner = self.crew_row[stop]
        if partner < 0:
            return own
        if self.week.crews[partner].day != day:
            return SHUT
        ready = self.crew_start[stop] - self.vacuum_reach.seconds[stop][row]
        return within(own, ready - self.week.jobs[stop].refill, ready)

    @property
    def unserved(self) -> list[int]:
        """Numbers of the jobs no crew serves."""
        return [number for number, row in enumerate(self.crew_row) if row < 0]

    def cost(self) -> int:
        """Return the one objective of every stage: worth lost, seconds driven, overtime."""
        lost = sum(self.week.jobs[number].worth for number in self.unserved)
        moved = self.move_cost * len(self.moved())
        return lost + moved + self.crews.cost() + self.vacuums.cost()

    def moved(self) -> list[int]:
        """Numbers of the jobs that another truck-day serves than they were promised to."""
        return [n for n, row in self.anchors.items() if self.crew_row[n] not in (row, -1)]

    def snapshot(self) -> Snapshot:
        """Return what :meth:`restore` needs."""
        return Snapshot(
            list(self.crews.stops),
            list(self.crews.starts),
            list(self.vacuums.stops),
            list(self.vacuums.starts),
            (list(self.crews.pauses), list(self.vacuums.pauses)),
            list(self._drained),
            tuple(
                numbers.copy()
                for numbers in (
                    self.crews.drive,
                    self.crews.end,
                    self.vacuums.drive,
                    self.vacuums.end,
                    self.socks_used,
                )
            ),
            (
                list(self.crew_row),
                list(self.crew_start),
                list(self.vacuum_row),
                list(self.vacuum_start),
            ),
        )

    def restore(self, kept: Snapshot) -> None:
        """Bring the state back to what it was."""
        self._drained = list(kept.drained)
        for fleet, stops, starts, pauses in (
            (self.crews, kept.crew_stops, kept.crew_starts, kept.pauses[0]),
            (self.vacuums, kept.vacuum_stops, kept.vacuum_starts, kept.pauses[1]),
        ):
            fleet.stale.update(
                row
                for row, (old, new) in enumerate(zip(starts, fleet.starts, strict=True))
                if old is not new or stops[row] is not fleet.stops[row]
            )
            fleet.stops, fleet.starts, fleet.pauses = list(stops), list(starts), list(pauses)
            fleet.make_room()
        now = (self.crew_row, self.crew_start, self.vacuum_row, self.vacuum_start)
        moved = [
            number
            for number in self._coupled
            if any(new[number] != old[number] for new, old in zip(now, kept.places, strict=True))
        ]
        self.crew_row, self.crew_start = list(kept.places[0]), list(kept.places[1])
        self.vacuum_row, self.vacuum_start = list(kept.places[2]), list(kept.places[3])
        self.crews.drive[:], self.crews.end[:] = kept.numbers[0], kept.numbers[1]
        self.vacuums.drive[:], self.vacuums.end[:] = kept.numbers[2], kept.numbers[3]
        self.socks_used[:] = kept.numbers[4]
        self._stale_partners(moved, self.crews)
        self._stale_partners(moved, self.vacuums)

    def _stale_partners(self, stops: Iterable[int], others: Fleet) -> None:
        rows = self.vacuum_row if others is self.vacuums else self.crew_row
        others.stale.update(
            rows[stop] for stop in stops if stop >= 0 and self.week.jobs[stop].needs_vacuum
        )
        others.stale.discard(-1)

    def set_crew(self, row: int, stops: list[int]) -> bool:
        """Give a crew these stops, each as early as may be; change nothing if they do not fit."""
        jobs = [self.week.jobs[stop] for stop in stops]
        socks = sum(job.socks for job in jobs)
        turns = [job.turn for job in jobs if job.turn]
        drained = gallons_drained(jobs)
        if socks > self.week.crews[row].socks or turns != sorted(turns):
            return False
        if drained and not self._outfalls_take(row, drained, jobs):
            return False
        timing = self.crews.timing(row, stops)
        if timing is None:
            return False
        self.crews.put(row, stops, timing)
        self._drained[row] = drained
        self.socks_used[row] = socks
        moved = []
        for stop, start in zip(stops, timing.starts, strict=True):
            if self.crew_start[stop] != start or self.crew_row[stop] != row:
                self.crew_row[stop], self.crew_start[stop] = row, start
                moved.append(stop)
        self._stale_partners(moved, self.vacuums)
        return True

    def _outfalls_take(self, row: int, drained: dict[str, float], jobs: list[Job]) -> bool:
        """Whether outfalls can take what this truck-day gives beside the day's other crews."""
        day = self.week.crews[row].day
        for job in jobs:
            if job.outfall in drained and not math.isinf(job.cap_gal):
                others = sum(
                    self._drained[other].get(job.outfall, 0.0)
                    for other, shift in enumerate(self.week.crews)
                    if shift.day == day and other != row
                )
                if others + drained[job.outfall] > job.cap_gal + 1e-6:
                    return False
        return True

    def set_vacuum(self, row: int, stops: list[int]) -> bool:
        """Give a vacuum truck these stops, as :meth:`set_crew` does; it must end empty."""
        if not carries(self.week, stops, self.week.vacuums[row].tank_gal):
            return False
        timing = self.vacuums.timing(row, stops)
        if timing is None:
            return False
        self.vacuums.put(row, stops, timing)
        moved = []
        for stop, start in zip(stops, timing.starts, strict=True):
            if stop >= 0 and (self.vacuum_start[stop] != start or self.vacuum_row[stop] != row):
                self.vacuum_row[stop], self.vacuum_start[stop] = row, start
                moved.append(stop)
        self._stale_partners(moved, self.crews)
        return True

    def adopt(
        self, crews: Mapping[int, list[tuple[int, int]]], vacuums: Mapping[int, list[int]]
    ) -> None:
        """Take over tours that were found apart, as far as they keep every limit together.

        ``crews`` holds jobs with their starts, ``vacuums`` stops that suit those starts. Jobs that
        need a vacuum truck and got none stay out; no vacuum truck goes where no crew follows.
        """
        followed = {number for tour in crews.values() for number, _ in tour}
        for row, tour in crews.items():
            for number, start in tour:
                if self.week.jobs[number].needs_vacuum:
                    self.crew_row[number], self.crew_start[number] = row, start
        for row, stops in vacuums.items():
            kept = [stop for stop in stops if stop < 0 or stop in followed]
            if len(kept) < len(stops):
                kept = without_idle_dumps(self.week, kept, self.week.vacuums[row].tank_gal)
            while not self.set_vacuum(row, kept):
                last = max(at for at, stop in enumerate(kept) if stop >= 0)
                kept = without_idle_dumps(
                    self.week, kept[:last] + kept[last + 1 :], self.week.vacuums[row].tank_gal
                )
        for row, tour in crews.items():
            numbers = [number for number, _ in tour]
            for number in numbers:
                self.crew_row[number] = -1
            ready = [
                number
                for number in numbers
                if not self.week.jobs[number].needs_vacuum or self.vacuum_row[number] >= 0
            ]
            while not self.set_crew(row, ready):
                self.remove_vacuum(ready.pop())
        broken = [
            number
            for number, together in self.pairs.items()
            if len({self.crew_row[other] for other in together}) > 1
        ]
        self.remove(broken)

    def crew_offers(self) -> dict[int, tuple[Window, ...]]:
        """Return when a crew may start each job whose vacuum truck comes when it comes now."""
        offers = {}
        for number in self._coupled:
            row = self.vacuum_row[number]
            if row >= 0:
                day = self.week.vacuums[row].day
                done = self.vacuum_start[number] + self.vacuum_reach.seconds[number][row]
                job = self.week.jobs[number]
                own = [
                    windows
                    for windows, shift in zip(
                        self.crew_reach.windows[number], self.week.crews, strict=True
                    )
                    if shift.day == day and windows
                ]
                if own:
                    offers[number] = within(max(own, key=len), done, done + job.refill)
        return {number: windows for number, windows in offers.items() if windows}

    def settle(self) -> None:
        """Start every stop as early as the others let it: the same tours then say the same times.

        Vacuum trucks and crews are timed in turn; starts only move forward, so this ends.
        """
        while True:
            before = (list(self.crew_start), list(self.vacuum_start))
            for row, stops in enumerate(self.vacuums.stops):
                self.set_vacuum(row, stops)
            for row, stops in enumerate(self.crews.stops):
                self.set_crew(row, stops)
            if before == (self.crew_start, self.vacuum_start):
                return

    def may_crew(self, row: int, number: int) -> bool:
        """Whether a crew truck-day may do a job at some hour, whatever else it does."""
        return bool(self.crew_reach.windows[number][row])

    def may_vacuum(self, row: int, number: int) -> bool:
        """Whether a vacuum truck-day may empty a job's vault at some hour."""
        return self.week.jobs[number].needs_vacuum and bool(self.vacuum_reach.windows[number][row])

    def copy_tours(self, other: WeekState) -> None:
        """Take over the tours of a state whose trucks come first among this one's.

        Their times are taken as they are: timed anew, a break may fall elsewhere, and a tour that
        fits no longer fit.
        """
        for mine, theirs in ((self.crews, other.crews), (self.vacuums, other.vacuums)):
            for row, stops in enumerate(theirs.stops):
                drive, end = int(theirs.drive[row]), int(theirs.end[row])
                timing = Timing(theirs.starts[row], drive, end, theirs.pauses[row])
                mine.put(row, list(stops), timing)
        self.crew_row, self.crew_start = list(other.crew_row), list(other.crew_start)
        self.vacuum_row, self.vacuum_start = list(other.vacuum_row), list(other.vacuum_start)
        rows = len(other.socks_used)
        self.socks_used[:rows] = other.socks_used
        self._drained[:rows] = [dict(drained) for drained in other._drained]

    def remove_vacuum(self, number: int) -> None:
        """Take a job that no crew serves out of the vacuum truck's tour."""
        row = self.vacuum_row[number]
        self.vacuum_row[number] = -1
        if row >= 0:
            self._close_vacuum(row)

    def remove(self, numbers: Iterable[int]) -> None:
        """Take jobs out of both fleets and close the gaps they leave.

        Where roads are so odd that skipping a stop makes a tour longer than it may be, its last
        job is taken out too.
        """
        gone = {number for number in self._with_pairs(numbers) if self.crew_row[number] >= 0}
        crews = sorted({self.crew_row[number] for number in gone})
        vacuums = sorted({self.vacuum_row[number] for number in gone} - {-1})
        for number in gone:
            self.crew_row[number] = self.vacuum_row[number] = -1
        for row in vacuums:
            self._close_vacuum(row)
        for row in crews:
            rest = [stop for stop in self.crews.stops[row] if self.crew_row[stop] == row]
            if not self.set_crew(row, rest):
                self.remove([rest[-1]])

    def _close_vacuum(self, row: int) -> None:
        kept = [s for s in self.vacuums.stops[row] if s < 0 or self.vacuum_row[s] == row]
        shorter = without_idle_dumps(self.week, kept, self.week.vacuums[row].tank_gal)
        if not self.set_vacuum(row, shorter):
            last = next(stop for stop in reversed(kept) if stop >= 0)
            if self.crew_row[last] >= 0:
                self.remove([last])
            else:
                self.remove_vacuum(last)

    def _with_pairs(self, numbers: Iterable[int]) -> set[int]:
        """Return the jobs with those that must be done by the same crew on the same day."""
        found = set(numbers)
        for number in list(found):
            found.update(self.pairs.get(number, ()))
        return found

    def insert(self, number: int, noise: float = 0.0) -> bool:
        """Put a job where it costs least (``noise`` in seconds blurs that); False if nowhere."""
        return insert_job(self, number, noise)
