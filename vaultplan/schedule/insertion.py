"""Where a job is put: the cheapest gap of a crew, and of the vacuum truck it may need before it."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Final

import numpy as np

from vaultplan.schedule.gaps import Gaps, crew_gaps, vacuum_gaps
from vaultplan.schedule.model import Job

if TYPE_CHECKING:
    from vaultplan.schedule.state import WeekState

#: How many gaps of each fleet are paired when a crew and a vacuum truck are placed together.
_PAIRED: Final = 48
#: How many pairs are tried before giving the job up.
_TRIES: Final = 4


def insert_job(state: WeekState, number: int, noise: float = 0.0) -> bool:
    """Put a job where it costs least (``noise`` in seconds blurs that); False if nowhere.

    Jobs of a pair go in together or not at all.
    """
    if state.crew_row[number] >= 0:
        return True
    together = state.pairs.get(number)
    if together is None:
        return _insert_one(state, number, noise)
    shared = set.intersection(*(set(state.crew_reach.bounds(n).rows.tolist()) for n in together))
    for row in sorted(shared, key=lambda row: _pair_cost(state, row, together, noise)):
        if all(_insert_one(state, n, noise, only=row) for n in together):
            return True
        state.remove(together)
    return False


def _pair_cost(state: WeekState, row: int, together: tuple[int, ...], noise: float) -> float:
    """Return what driving to a pair would about cost a truck-day, to try the cheapest first."""
    stops = [state.crews.place(stop) for stop in state.crews.stops[row]]
    around = [state.week.crews[row].yard, *stops]
    places = [state.week.jobs[n].place for n in together]
    near = sum(min(int(state.week.drive[at, place]) for at in around) for place in places)
    return near + (state.rng.random() * noise if noise else 0.0)


def _insert_one(state: WeekState, number: int, noise: float, only: int = -1) -> bool:
    """Put one job into the cheapest gap, of one truck-day if ``only`` names it."""
    job = state.week.jobs[number]
    if not len(state.crew_reach.bounds(number).rows):
        return False
    state.crews.refresh()
    is_open = state.socks - state.socks_used >= job.socks
    if only >= 0:
        is_open &= np.arange(len(is_open)) == only
    gaps = crew_gaps(state.crews, job, state.crew_reach.bounds(number), is_open)
    if job.turn:
        gaps = gaps.only(_in_turn(state, gaps, job.turn))
    if not len(gaps):
        return False
    if number in state.anchors:
        elsewhere = (gaps.row != state.anchors[number]) * state.move_cost
        gaps = replace(gaps, cost=gaps.cost + elsewhere)
    gaps = gaps.best(_PAIRED if job.needs_vacuum else _TRIES, _noise(state, len(gaps), noise))
    if job.needs_vacuum:
        return _insert_pair(state, number, job, gaps, noise)
    for row, gap in zip(gaps.row.tolist(), gaps.gap.tolist(), strict=True):
        stops = state.crews.stops[row]
        if state.set_crew(row, [*stops[:gap], number, *stops[gap:]]):
            return True
    return False


def _in_turn(state: WeekState, gaps: Gaps, turn: int) -> np.ndarray[tuple[int], np.dtype[np.bool_]]:
    """Return which gaps lie behind the stops of earlier turns and before those of later ones."""
    is_so = np.zeros(len(gaps), dtype=bool)
    for row in np.unique(gaps.row).tolist():
        turns = [state.week.jobs[stop].turn for stop in state.crews.stops[row]]
        first = max((at + 1 for at, other in enumerate(turns) if 0 < other < turn), default=0)
        last = min((at for at, other in enumerate(turns) if other > turn), default=len(turns))
        is_so |= (gaps.row == row) & (gaps.gap >= first) & (gaps.gap <= last)
    return is_so


def _noise(
    state: WeekState, count: int, noise: float
) -> np.ndarray[tuple[int], np.dtype[np.float64]] | None:
    return state.rng.random(count) * noise if noise else None


def _insert_pair(state: WeekState, number: int, job: Job, crew: Gaps, noise: float) -> bool:
    """Place vacuum truck and crew on one day so that crew start - truck end is in [0, refill].

    Of every pair of gaps the crew can start at the earliest second that suits both; the truck
    then starts no earlier than the water allows.
    """
    if not len(state.vacuum_reach.bounds(number).rows):
        return False
    state.vacuums.refresh()
    vacuum = vacuum_gaps(state.vacuums, job, state.vacuum_reach.bounds(number))
    if not len(vacuum):
        return False
    vacuum = vacuum.best(_PAIRED, _noise(state, len(vacuum), noise))
    done = (vacuum.early + vacuum.service)[:, None]
    last = (vacuum.late + vacuum.service + job.refill)[:, None]
    starts = np.maximum(done, crew.early[None, :])
    suits = starts <= np.minimum(last, crew.late[None, :])
    suits &= state.vacuums.day[vacuum.row][:, None] == state.crews.day[crew.row][None, :]
    if not suits.any():
        return False
    cost = np.where(suits, vacuum.cost[:, None] + crew.cost[None, :], np.iinfo(np.int64).max)
    for flat in np.argsort(cost, axis=None, kind="stable")[:_TRIES].tolist():
        v, c = divmod(flat, len(crew))
        if suits[v, c] and _place_pair(state, number, vacuum, v, crew, c, int(starts[v, c])):
            return True
    return False


def _place_pair(
    state: WeekState, number: int, vacuum: Gaps, v: int, crew: Gaps, c: int, start: int
) -> bool:
    row, gap, dump = int(vacuum.row[v]), int(vacuum.gap[v]), int(vacuum.dump[v])
    block = [number]
    if dump >= 0:
        block = [-1 - dump, number] if vacuum.is_dump_first[v] else [number, -1 - dump]
    before = state.vacuums.stops[row]
    crew_row, crew_gap = int(crew.row[c]), int(crew.gap[c])
    state.crew_row[number], state.crew_start[number] = crew_row, start
    if not state.set_vacuum(row, [*before[:gap], *block, *before[gap:]]):
        state.crew_row[number] = -1
        return False
    stops = state.crews.stops[crew_row]
    if state.set_crew(crew_row, [*stops[:crew_gap], number, *stops[crew_gap:]]):
        return True
    state.crew_row[number] = state.vacuum_row[number] = -1
    state.set_vacuum(row, before)
    return False
