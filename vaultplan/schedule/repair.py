"""Joint ruin and recreate: takes part of the week apart and builds it again, for both fleets.

References
----------
Christiaens, J., Vanden Berghe, G. (2020): Slack induction by string removals for vehicle routing
problems. Transportation Science 54(2), 417-433, doi:10.1287/trsc.2019.0914.
Schrimpf, G. et al. (2000): Record breaking optimization results using the ruin and recreate
principle. Journal of Computational Physics 159(2), 139-171, doi:10.1006/jcph.1999.6413.
"""

from __future__ import annotations

import math
import time
from collections.abc import Callable
from typing import Final

import numpy as np

from vaultplan.schedule.routing import Budget
from vaultplan.schedule.state import WeekState

#: Mean number of jobs taken out at once, and the longest string of one tour.
_MEAN_REMOVED: Final = 10
_LONGEST_STRING: Final = 6
#: Acceptance starts at this many seconds of extra cost and cools to one; assumed.
_HOT: Final = 900.0
_COLD: Final = 20.0
_NOISE: Final = (0.0, 0.0, 300.0, 900.0)


def improve(
    state: WeekState,
    *,
    budget: Budget,
    on_progress: Callable[[float], None] | None = None,
    days: frozenset[int] | None = None,
    most_moved: int | None = None,
) -> int:
    """Improve a week in place until the budget is spent; return how many rounds it took.

    Every round removes strings of neighbouring jobs, puts them and unserved ones back where they
    cost least, and keeps the outcome if it is better, or a little worse while the search is hot.
    Tours of other ``days`` than these are not taken apart, and an outcome that moves more promised
    jobs than ``most_moved`` is not kept.
    """
    rng = state.rng
    began = time.monotonic()
    _recreate(state, state.unserved, rng, noise=0.0)
    best, current = state.snapshot(), state.cost()
    best_cost = current
    near = _neighbours(state)
    rounds = 0
    while state.week.jobs:
        spent = budget.spent(rounds, began)
        if spent >= 1.0:
            break
        if on_progress is not None and rounds % 50 == 0:
            on_progress(spent)
        rounds += 1
        before = state.snapshot()
        out = _ruin(state, near, rng, days)
        _recreate(state, out, rng, noise=_NOISE[int(rng.integers(len(_NOISE)))])
        cost = state.cost()
        if most_moved is not None and len(state.moved()) > most_moved:
            state.restore(before)
            continue
        heat = _HOT * (_COLD / _HOT) ** spent
        if cost < current - heat * math.log(max(rng.random(), 1e-12)):
            current = cost
            if cost < best_cost:
                best, best_cost = state.snapshot(), cost
        else:
            state.restore(before)
    state.restore(best)
    return rounds


def _neighbours(state: WeekState) -> list[list[int]]:
    """Return for each job all jobs, nearest first."""
    places = np.array([job.place for job in state.week.jobs], dtype=np.int64)
    if not len(places):
        return []
    drive = state.week.drive[np.ix_(places, places)]
    order: list[list[int]] = np.argsort(drive, axis=1, kind="stable")[:, :200].tolist()
    return order


def _ruin(
    state: WeekState,
    near: list[list[int]],
    rng: np.random.Generator,
    only: frozenset[int] | None,
) -> list[int]:
    """Take strings out of tours around a job; return what is to be put back, unserved included."""
    unserved = state.unserved
    if unserved and rng.random() < 0.5:
        seed = unserved[int(rng.integers(len(unserved)))]
    else:
        seed = int(rng.integers(len(state.week.jobs)))
    days = state.week.jobs[seed].days
    if state.crew_row[seed] >= 0 and rng.random() < 0.7:
        day = state.week.crews[state.crew_row[seed]].day
    else:
        day = days[int(rng.integers(len(days)))]
    goal = 1 + int(rng.integers(2 * _MEAN_REMOVED))
    any_day = rng.random() < 0.35
    out: set[int] = set()
    torn: set[int] = set()
    for number in near[seed]:
        if len(out) >= goal:
            break
        row = state.crew_row[number]
        if row < 0 or row in torn or number in out:
            continue
        if not any_day and state.week.crews[row].day != day:
            continue
        if only is not None and state.week.crews[row].day not in only:
            continue
        torn.add(row)
        stops = state.crews.stops[row]
        length = min(len(stops), 1 + int(rng.integers(_LONGEST_STRING)), goal - len(out))
        at = stops.index(number)
        first = max(0, min(at - int(rng.integers(length)), len(stops) - length))
        out.update(stops[first : first + length])
    state.remove(out)
    again = [n for n in unserved if n == seed or rng.random() < 0.5]
    return [*sorted(out), *again]


def _recreate(
    state: WeekState, numbers: list[int], rng: np.random.Generator, *, noise: float
) -> None:
    """Put jobs back, hardest first by one of a few orders drawn at random."""
    jobs = state.week.jobs
    blur: dict[int, float] = dict(zip(numbers, rng.random(len(numbers)).tolist(), strict=True))
    pick = rng.random()

    def hardness(number: int) -> float:
        job = jobs[number]
        if pick < 0.3:
            return -blur[number]
        coupled = 1.0 if job.needs_vacuum else 0.0
        narrow = 1.0 / len(job.days)
        if pick < 0.65:
            return -(2.0 * coupled + narrow + blur[number])
        return -(job.worth / 20000.0 + coupled + 2.0 * blur[number])

    for number in sorted(numbers, key=hardness):
        state.insert(number, noise)
