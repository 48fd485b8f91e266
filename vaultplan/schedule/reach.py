"""What each truck-day could do of each job whatever else it does: how long it takes, and when."""

from __future__ import annotations

from collections.abc import Sequence
from operator import attrgetter
from typing import Final

import numpy as np

from vaultplan.schedule.fleet import SHUT
from vaultplan.schedule.gaps import Bounds
from vaultplan.schedule.hours import Window
from vaultplan.schedule.model import Job, Shift, Week

#: All that decides about a pair of job and truck-day; where it is the same, so is what is said.
_OF_JOB: Final = attrgetter(
    *("order_id", "method", "days", "windows", "skill", "load_gal", "setup", "task", "socks"),
    *("crew_stays", "vacuum_stays", "through_sock", "sure_gal", "kept_to", "barred_from"),
)
_OF_SHIFT: Final = attrgetter("truck_id", "day", "skills", "gpm", "tank_gal", "pumps", "is_crew")


class Reach:
    """Crews, or vacuum trucks, against the jobs of a week.

    ``seconds[job][row]`` is how long a truck-day is busy there, ``windows[job][row]`` when it may
    start; none where it may not do the job at all. A vacuum truck may do only what needs one.

    What ``like`` says of the same jobs and of truck-days that come first is taken over: weeks that
    differ in a few of them cost little.
    """

    def __init__(self, week: Week, shifts: Sequence[Shift], like: Reach | None = None) -> None:
        self.seconds: list[Sequence[int]] = []
        self.windows: list[Sequence[tuple[Window, ...]]] = []
        self._bounds: list[Bounds | None] = []
        # More socks than any job takes decide nothing.
        most = max((job.socks for job in week.jobs), default=0)
        self._shifts = tuple((*_OF_SHIFT(s), min(s.socks, most), most) for s in shifts)
        self._jobs = {job.order_id: (n, _OF_JOB(job)) for n, job in enumerate(week.jobs)}
        first = len(like._shifts) if like is not None else 0
        knows = like if like is not None and self._shifts[:first] == like._shifts else None
        more = shifts[first:] if knows is not None else shifts
        nothing = [0] * len(shifts), [SHUT] * len(shifts)
        for job in week.jobs:
            bounds = None
            seconds: Sequence[int]
            windows: Sequence[tuple[Window, ...]]
            known = knows.number_of(job) if knows is not None else -1
            if not (job.needs_vacuum or any(shift.is_crew for shift in shifts[:1])):
                seconds, windows = nothing
            elif knows is None or known < 0:
                seconds, windows = _column(week, shifts, job)
            elif more:
                seconds, windows = _column(week, more, job)
                seconds = [*knows.seconds[known], *seconds]
                windows = [*knows.windows[known], *windows]
            else:
                seconds, windows = knows.seconds[known], knows.windows[known]
                bounds = knows._bounds[known]
            self.seconds.append(seconds)
            self.windows.append(windows)
            self._bounds.append(bounds)

    def number_of(self, job: Job) -> int:
        """Return the number of a job that is the same in all that decides; -1 if there is none."""
        number, told = self._jobs.get(job.order_id, (-1, None))
        return number if told == _OF_JOB(job) else -1

    def bounds(self, number: int) -> Bounds:
        """Return the truck-days that may do a job."""
        kept = self._bounds[number]
        if kept is None:
            found = [
                (row, early, late, seconds)
                for row, (seconds, windows) in enumerate(
                    zip(self.seconds[number], self.windows[number], strict=True)
                )
                for early, late in windows
            ]
            kept = Bounds(*np.array(found, dtype=np.int64).reshape(-1, 4).T)
            self._bounds[number] = kept
        return kept


def _column(
    week: Week, shifts: Sequence[Shift], job: Job
) -> tuple[Sequence[int], Sequence[tuple[Window, ...]]]:
    seconds = [
        week.crew_seconds(job, shift) if shift.is_crew else week.vacuum_seconds(job, shift)
        for shift in shifts
    ]
    windows = [
        SHUT if shift.lacks(job) else job.starts(shift.day, took, is_crew=shift.is_crew)
        for shift, took in zip(shifts, seconds, strict=True)
    ]
    return seconds, windows
