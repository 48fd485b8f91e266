"""Tours of one kind of truck, with tables that price every gap of every tour at once."""

from __future__ import annotations

import itertools
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from vaultplan.schedule.hours import Window
from vaultplan.schedule.model import Job, Shift, Week
from vaultplan.schema import WASTE_PROFILES

Ints = npt.NDArray[np.int64]
#: A day on which nothing fits.
SHUT: Final[tuple[Window, ...]] = ()


@dataclass(frozen=True, slots=True)
class Timing:
    """When a tour's stops start, how long it drives, when it is back, and where it pauses.

    ``pause`` is the gap before whose drive the break is taken, -1 if none is.
    """

    starts: tuple[int, ...]
    drive: int
    end: int
    pause: int = -1


class Fleet:
    """Tours of all crews, or of all vacuum trucks: one row per truck and day.

    A stop is a job's number, or ``-1 - site`` for a dump. ``windows`` says between which seconds a
    stop of a row may start, as things stand now; ``seconds`` how long it takes.

    The tables have a row per tour and a column per gap between two stops: where the truck comes
    from, when it leaves there, where it goes, how late it may start there without breaking
    anything after, what the leg takes, and how much waiting lies ahead to absorb a delay.
    """

    def __init__(
        self,
        week: Week,
        shifts: Sequence[Shift],
        windows: Callable[[int, int], tuple[Window, ...]],
        seconds: Callable[[int, int], int],
    ) -> None:
        self.week, self.shifts = week, tuple(shifts)
        self.windows, self.seconds = windows, seconds
        self.hop = week.hops
        self.towards = np.ascontiguousarray(week.drive.T)
        rows = len(self.shifts)
        self.stops: list[list[int]] = [[] for _ in range(rows)]
        self.starts: list[tuple[int, ...]] = [() for _ in range(rows)]
        self.pauses = [-1] * rows
        self.drive = np.zeros(rows, dtype=np.int64)
        self.end = np.array([s.opens for s in self.shifts], dtype=np.int64)
        self.closes = np.array([s.closes for s in self.shifts], dtype=np.int64)
        self.day = np.array([s.day for s in self.shifts], dtype=np.int64)
        self.width = 0
        self.stale: set[int] = set(range(rows))
        self._widen(16)

    def _widen(self, width: int) -> None:
        shape = (len(self.shifts), width)
        self.width = width
        self.come_from, self.go_to = np.zeros(shape, np.int64), np.zeros(shape, np.int64)
        self.leave, self.leg = np.zeros(shape, np.int64), np.zeros(shape, np.int64)
        self.latest, self.idle = np.full(shape, -1, np.int64), np.zeros(shape, np.int64)
        self.load_before, self.load_after = np.zeros(shape), np.zeros(shape)
        self.waste_before, self.waste_after = np.zeros(shape, np.int64), np.zeros(shape, np.int64)
        self.is_last = np.zeros(shape, dtype=bool)
        self.stale = set(range(len(self.shifts)))

    def place(self, stop: int) -> int:
        """Return where a stop is."""
        return self.week.jobs[stop].place if stop >= 0 else self.week.sites[-1 - stop].place

    def timing(self, row: int, stops: Sequence[int]) -> Timing | None:
        """Return the tour's times when every stop starts as early as it may; None if it cannot.

        A break is taken as late as it may: before the first drive after which the truck would be
        busy beyond the break's latest start.
        """
        shift, hop = self.shifts[row], self.hop
        driven = self.week.driven if self.week.busy else None
        now, at, drive, pause = shift.opens, shift.yard, 0, -1
        starts = []
        for number, stop in enumerate(stops):
            place = self.place(stop)
            windows, seconds = self.windows(row, stop), self.seconds(row, stop)
            leg = hop[at][place] if driven is None else driven(hop[at][place], now)
            start = _first(windows, now + leg)
            if start is None:
                return None
            if shift.rest and pause < 0 and start + seconds > shift.rest_to:
                begin = max(now, shift.rest_from)
                if begin > shift.rest_to:
                    return None
                pause, now = number, begin + shift.rest
                leg = hop[at][place] if driven is None else driven(hop[at][place], now)
                start = _first(windows, now + leg)
                if start is None:
                    return None
            drive += leg
            starts.append(start)
            now = start + seconds
            at = place
        home = hop[at][shift.yard] if driven is None else driven(hop[at][shift.yard], now)
        if shift.rest and pause < 0 and stops and now + home > shift.rest_to:
            begin = max(now, shift.rest_from)
            if begin > shift.rest_to:
                return None
            pause, now = len(stops), begin + shift.rest
            home = hop[at][shift.yard] if driven is None else driven(hop[at][shift.yard], now)
        if now + home > shift.ends:
            return None
        return Timing(tuple(starts), drive + home, now + home, pause)

    def put(self, row: int, stops: list[int], timing: Timing) -> None:
        """Make this the row's tour."""
        self.stops[row], self.starts[row] = stops, timing.starts
        self.drive[row], self.end[row] = timing.drive, timing.end
        self.pauses[row] = timing.pause
        self.stale.add(row)
        self.make_room(len(stops))

    def make_room(self, longest: int | None = None) -> None:
        """Widen the tables for the longest tour."""
        if longest is None:
            longest = max(map(len, self.stops), default=0)
        if longest + 1 > self.width:
            self._widen(2 * longest + 2)

    def refresh(self) -> None:
        """Bring the tables of changed tours up to date."""
        for row in sorted(self.stale):
            self._write(row)
        self.stale.clear()

    def _write(self, row: int) -> None:
        shift, stops, starts = self.shifts[row], self.stops[row], self.starts[row]
        count = len(stops)
        places = [shift.yard, *(self.place(stop) for stop in stops), shift.yard]
        service = [self.seconds(row, stop) for stop in stops]
        leave = [shift.opens, *(s + t for s, t in zip(starts, service, strict=True))]
        pause = self.pauses[row]
        if pause >= 0:
            leave[pause] = max(leave[pause], shift.rest_from) + shift.rest
        legs = [self.hop[a][b] for a, b in itertools.pairwise(places)]
        if self.week.busy:
            legs = [self.week.driven(leg, left) for leg, left in zip(legs, leave, strict=True)]
        latest, idle = [0] * (count + 1), [0] * (count + 1)
        latest[count] = shift.ends
        for gap in range(count - 1, -1, -1):
            rest = shift.rest if gap + 1 == pause else 0
            by = latest[gap + 1] - legs[gap + 1] - service[gap] - rest
            latest[gap] = _last(self.windows(row, stops[gap]), by)
            idle[gap] = idle[gap + 1] + starts[gap] - leave[gap] - legs[gap]
        used = slice(0, count + 1)
        self.come_from[row, used], self.go_to[row, used] = places[:-1], places[1:]
        self.leave[row, used], self.leg[row, used] = leave, legs
        self.latest[row, used], self.idle[row, used] = latest, idle
        self.latest[row, count + 1 :] = -1
        self.is_last[row] = False
        self.is_last[row, count] = True
        self._write_loads(row, stops)

    def _write_loads(self, row: int, stops: list[int]) -> None:
        """Note what a vacuum truck has taken since, and will take until, its next dump."""
        jobs, load, waste = self.week.jobs, 0.0, 0
        for gap, stop in enumerate(stops):
            self.load_before[row, gap], self.waste_before[row, gap] = load, waste
            load = load + jobs[stop].load_gal if stop >= 0 else 0.0
            waste = waste_code(jobs[stop]) if stop >= 0 else 0
        self.load_before[row, len(stops)], self.waste_before[row, len(stops)] = load, waste
        load, waste = 0.0, 0
        self.load_after[row, len(stops)], self.waste_after[row, len(stops)] = 0.0, 0
        for gap in range(len(stops) - 1, -1, -1):
            load = load + jobs[stops[gap]].load_gal if stops[gap] >= 0 else 0.0
            waste = waste_code(jobs[stops[gap]]) if stops[gap] >= 0 else 0
            self.load_after[row, gap], self.waste_after[row, gap] = load, waste

    def overtime(self, end: Ints, closes: Ints) -> Ints:
        """Return seconds after the shift, weighed against driving."""
        weighed: Ints = np.maximum(end - closes, 0) * self.week.overtime_weight
        return weighed

    def cost(self) -> int:
        """Return seconds driven and weighed overtime of all tours."""
        return int(self.drive.sum() + self.overtime(self.end, self.closes).sum())


def waste_code(job: Job) -> int:
    """Return a number above 0 that stands for a job's waste profile."""
    return 1 + WASTE_PROFILES.index(job.waste)


def _first(windows: tuple[Window, ...], now: int) -> int | None:
    """Return the first second from now on that lies in a window."""
    for early, late in windows:
        if now <= late:
            return max(now, early)
    return None


def _last(windows: tuple[Window, ...], by: int) -> int:
    """Return the last second up to one that lies in a window, -1 if there is none."""
    for early, late in reversed(windows):
        if early <= by:
            return min(late, by)
    return -1
