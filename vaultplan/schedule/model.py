"""The week as the solvers see it: jobs, truck-days and disposal sites in whole seconds."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final, NamedTuple

import numpy as np
import numpy.typing as npt

from vaultplan.schedule.clock import WeekClock
from vaultplan.schedule.hours import Window

MINUTE: Final = 60
#: Any truck, and any day, in what a planner asks for.
ANY_TRUCK: Final = "*"
ANY_DAY: Final = -1


class Slot(NamedTuple):
    """A truck and a day that a planner names; either may be any."""

    truck_id: str
    day: int
    is_crew: bool | None = None


@dataclass(frozen=True, slots=True)
class Job:
    """One order: where, when, how much water, and what it is worth in seconds driven.

    ``windows`` bound the start on each of ``days``; ``crew_stays`` and ``vacuum_stays`` the whole
    time that a truck stands there, empty where nothing bounds it. ``through_sock`` is the seconds
    of pumping through filter socks for each rate of a truck's pump, ``sure_gal`` what the water
    seldom exceeds, as the week's draws say. ``kept_to`` and ``barred_from``
    are what a planner asked for; ``turn`` is its place among the stops kept to one truck and day, 0
    if any. Orders with one ``pair`` are done by one crew on one day.
    """

    order_id: str
    vault_id: str
    place: int
    method: str
    days: tuple[int, ...]
    windows: tuple[Window, ...]
    skill: str
    load_gal: float
    setup: int
    task: int
    refill: int
    socks: int
    worth: int
    crew_stays: tuple[tuple[Window, ...], ...] = ()
    vacuum_stays: tuple[tuple[Window, ...], ...] = ()
    through_sock: Mapping[float, int] | None = None
    sure_gal: float = 0.0
    waste: str = "sediment"
    outfall: str = ""
    cap_gal: float = math.inf
    pair: str = ""
    turn: int = 0
    kept_to: tuple[Slot, ...] = ()
    barred_from: tuple[Slot, ...] = ()

    @property
    def needs_vacuum(self) -> bool:
        """Whether a vacuum truck must empty the vault before the crew comes."""
        return self.method == "vacuum_truck"

    def starts(self, day: int, seconds: int, *, is_crew: bool) -> tuple[Window, ...]:
        """Return when a truck may start on a day to be there for so many seconds."""
        if day not in self.days:
            return ()
        at = self.days.index(day)
        early, late = self.windows[at]
        stays = self.crew_stays if is_crew else self.vacuum_stays
        if not stays:
            return ((early, late),)
        fits = ((max(early, a), min(late, b - seconds)) for a, b in stays[at])
        return tuple((a, b) for a, b in fits if a <= b)

    def may_wait(self, day: int, since: int, start: int, *, is_crew: bool) -> bool:
        """Return whether a truck that comes early may stand at the vault until it starts."""
        stays = self.crew_stays if is_crew else self.vacuum_stays
        if not stays or day not in self.days:
            return True
        return any(a <= since and start <= b for a, b in stays[self.days.index(day)])


@dataclass(frozen=True, slots=True)
class Shift:
    """One truck on one day.

    ``closes`` ends the shift, ``ends`` the longest overtime. A break of ``rest`` seconds starts
    between ``rest_from`` and ``rest_to``, away from any stop; a truck that is back by then needs
    none.
    """

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
    pumps: int = 1
    rest: int = 0
    rest_from: int = 0
    rest_to: int = 0
    is_crew: bool = True

    def lacks(self, job: Job) -> str:
        """Return in a word what this truck-day lacks for a job whatever else it does; else blank.

        One of skill, pump, socks, tank, edit.
        """
        if self.is_crew:
            if job.skill and job.skill not in self.skills:
                return "skill"
            if not job.needs_vacuum and self.pumps < 1:
                return "pump"
            if job.socks > self.socks:
                return "socks"
        elif max(job.load_gal, job.sure_gal) > self.tank_gal:
            return "tank"
        return "" if self.is_asked(job) else "edit"

    def is_asked(self, job: Job) -> bool:
        """Whether a planner's edits leave the job to this truck on this day.

        A job kept to a crew may have any vacuum truck, but on the day it is kept to.
        """
        return all(self._suits(slot) for slot in job.kept_to) and not any(
            slot.truck_id in (ANY_TRUCK, self.truck_id) and slot.day in (ANY_DAY, self.day)
            for slot in job.barred_from
        )

    def _suits(self, slot: Slot) -> bool:
        is_for_us = slot.truck_id == ANY_TRUCK or slot.is_crew == self.is_crew
        return slot.day in (ANY_DAY, self.day) and (
            not is_for_us or slot.truck_id in (ANY_TRUCK, self.truck_id)
        )


@dataclass(frozen=True, slots=True)
class Site:
    """A disposal site with its opening hours on each day; ``takes`` is None if it takes all."""

    site_id: str
    place: int
    dump: int
    opens: tuple[int, ...]
    closes: tuple[int, ...]
    takes: frozenset[str] | None = None

    def accepts(self, waste: str) -> bool:
        """Whether it takes a waste profile; PCB only where it says so."""
        return waste != "pcb" if self.takes is None else waste in self.takes


@dataclass(frozen=True, slots=True)
class Week:
    """Everything one solve needs.

    ``drive`` is seconds from row place to column place; ``hops`` holds the same as lists, which
    Python reads quicker.

    Between the seconds of each span in ``busy`` a drive takes ``busy_factor`` times as long.
    ``draws`` are joint draws of each job's gallons, a row per job; a vacuum truck's trip may hold
    more than its tank in ``run_out_prob`` of them.
    """

    clock: WeekClock
    jobs: tuple[Job, ...]
    crews: tuple[Shift, ...]
    vacuums: tuple[Shift, ...]
    sites: tuple[Site, ...]
    drive: npt.NDArray[np.int64]
    hops: list[list[int]]
    overtime_weight: int
    busy: tuple[Window, ...] = ()
    busy_factor: float = 1.0
    draws: npt.NDArray[np.float64] | None = None
    run_out_prob: float = 1.0

    def crew_seconds(self, job: Job, shift: Shift) -> int:
        """Return how long a crew is busy at a vault."""
        if job.needs_vacuum:
            return job.setup + job.task
        if job.through_sock is not None:
            return job.setup + job.task + job.through_sock[shift.gpm]
        return job.setup + job.task + pump_seconds(job.load_gal, shift.gpm)

    def vacuum_seconds(self, job: Job, shift: Shift) -> int:
        """Return how long a vacuum truck is busy at a vault."""
        return job.setup + pump_seconds(job.load_gal, shift.gpm)

    def driven(self, seconds: int, leaves: int) -> int:
        """Return how long a drive of so many quiet seconds takes from a moment on.

        Notes
        -----
        Speed changes at the edges of the busy spans, so that who leaves later never comes sooner
        (Ichoua, S., Gendreau, M., Potvin, J.-Y. (2003): Vehicle dispatching with time-dependent
        travel times. European Journal of Operational Research 144(2), 379-396,
        doi:10.1016/S0377-2217(02)00147-9).
        """
        if not self.busy:
            return seconds
        left, now = float(seconds), float(leaves)
        for start, end in self.busy:
            if end <= now:
                continue
            quiet = start - now
            if quiet > 0:
                if left <= quiet:
                    break
                left -= quiet
                now = float(start)
            busy = (end - now) / self.busy_factor
            if left <= busy:
                return math.ceil(round(now + left * self.busy_factor - leaves, 6))
            left -= busy
            now = float(end)
        return math.ceil(round(now + left - leaves, 6))


def pump_seconds(load_gal: float, gpm: float) -> int:
    """Return seconds of pumping, rounded up.

    >>> pump_seconds(250.0, 125.0)
    120
    """
    return math.ceil(round(load_gal / gpm * MINUTE, 6))
