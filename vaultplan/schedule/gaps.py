"""Every gap of every tour that a job fits into, with what it would cost and when it could start."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from vaultplan.schedule.fleet import Fleet, Ints, waste_code
from vaultplan.schedule.model import Job

Bools = npt.NDArray[np.bool_]
_EPSILON_GAL: Final = 1e-6


@dataclass(frozen=True, slots=True)
class Gaps:
    """Places in the tours where a job fits, one entry each.

    ``early`` and ``late`` bound the start of service; ``dump`` is -1, or the site visited
    together with the job: after it, or before it where ``is_dump_first``.
    """

    row: Ints
    gap: Ints
    early: Ints
    late: Ints
    cost: Ints
    service: Ints
    dump: Ints
    is_dump_first: Bools

    def __len__(self) -> int:
        return len(self.row)

    def best(self, count: int, noise: npt.NDArray[np.float64] | None = None) -> Gaps:
        """Return the cheapest few, cheapest first; ``noise`` is added to the costs."""
        cost = self.cost if noise is None else self.cost + noise
        if len(cost) > count:
            order = np.argpartition(cost, count)[:count]
            order = order[np.argsort(cost[order], kind="stable")]
        else:
            order = np.argsort(cost, kind="stable")
        return Gaps(*(getattr(self, name)[order] for name in _FIELDS))

    def only(self, keep: Bools) -> Gaps:
        """Return some of the gaps."""
        return Gaps(*(getattr(self, name)[keep] for name in _FIELDS))


_FIELDS = ("row", "gap", "early", "late", "cost", "service", "dump", "is_dump_first")


def join(parts: list[Gaps]) -> Gaps:
    """Return all entries of several lists of gaps."""
    return Gaps(*(np.concatenate([getattr(part, name) for part in parts]) for name in _FIELDS))


@dataclass(frozen=True, slots=True)
class Bounds:
    """For one job, the truck-days that may do it, with window and service time in each."""

    rows: Ints
    early: Ints
    late: Ints
    service: Ints


def crew_gaps(fleet: Fleet, job: Job, bounds: Bounds, is_open: Bools) -> Gaps:
    """Return the gaps of crew tours into which a job fits; ``is_open`` tells rows with socks."""
    keep = is_open[bounds.rows]
    return _priced(fleet, job, _only(bounds, keep))


def vacuum_gaps(fleet: Fleet, job: Job, bounds: Bounds) -> Gaps:
    """Return the gaps of vacuum tours into which a job fits, alone or with a dump beside it."""
    parts = [_priced(fleet, job, bounds, is_tank=True)]
    for site, place in enumerate(fleet.week.sites):
        if place.accepts(job.waste):
            parts.append(_priced(fleet, job, bounds, is_tank=True, dump=site))
        parts.append(_priced(fleet, job, bounds, is_tank=True, dump=site, is_dump_first=True))
    return join(parts)


def _only(bounds: Bounds, keep: Bools) -> Bounds:
    if keep.all():
        return bounds
    return Bounds(bounds.rows[keep], bounds.early[keep], bounds.late[keep], bounds.service[keep])


def _priced(
    fleet: Fleet,
    job: Job,
    bounds: Bounds,
    *,
    is_tank: bool = False,
    dump: int = -1,
    is_dump_first: bool = False,
) -> Gaps:
    """Return where the block (job), (job, dump) or (dump, job) fits.

    Notes
    -----
    A block fits if it can start when the truck arrives and the next stop can still start by the
    latest second that harms nothing after it (Savelsbergh's forward time slack). The cost is the
    extra drive plus the extra overtime, after waiting ahead has absorbed what it can.

    References
    ----------
    Savelsbergh, M. W. P. (1992): The vehicle routing problem with time windows: minimizing route
    duration. ORSA Journal on Computing 4(2), 146-154, doi:10.1287/ijoc.4.2.146.
    """
    rows = bounds.rows
    if not len(rows):
        return _none()
    wide = max(len(fleet.stops[row]) for row in rows.tolist()) + 1
    come, go = fleet.come_from[rows, :wide], fleet.go_to[rows, :wide]
    leave, latest = fleet.leave[rows, :wide], fleet.latest[rows, :wide]
    leg, idle = fleet.leg[rows, :wide], fleet.idle[rows, :wide]
    service = bounds.service[:, None]
    drive = fleet.week.drive
    is_open = latest >= 0
    if is_tank:
        is_open = is_open & _tank_has_room(fleet, job, rows, wide, dump, is_dump_first)
    if dump < 0:
        enter, out = fleet.towards[job.place][come], drive[job.place][go]
        early = np.maximum(leave + enter, bounds.early[:, None])
        late = np.minimum(bounds.late[:, None], latest - out - service)
        done, extra = early + service + out, enter + out - leg
    else:
        site = fleet.week.sites[dump]
        day = fleet.day[rows]
        opens = np.array(site.opens, dtype=np.int64)[day][:, None]
        shuts = np.array(site.closes, dtype=np.int64)[day][:, None] - site.dump
        if is_dump_first:
            enter, out = fleet.towards[site.place][come], drive[job.place][go]
            between = int(drive[site.place, job.place])
            dumped = np.maximum(leave + enter, opens)
            early = np.maximum(dumped + site.dump + between, bounds.early[:, None])
            late = np.minimum(bounds.late[:, None], latest - out - service)
            is_open = is_open & (dumped <= shuts)
            done, extra = early + service + out, enter + between + out - leg
        else:
            enter, out = fleet.towards[job.place][come], drive[site.place][go]
            between = int(drive[job.place, site.place])
            early = np.maximum(leave + enter, bounds.early[:, None])
            dumped = np.maximum(early + service + between, opens)
            dump_by = np.minimum(shuts, latest - out - site.dump)
            late = np.minimum(bounds.late[:, None], dump_by - between - service)
            done, extra = dumped + site.dump + out, enter + between + out - leg
    row, gap = np.nonzero(is_open & (early <= late))
    if not len(row):
        return _none()
    delay = np.maximum((done - leave - leg - idle)[row, gap], 0)
    number = rows[row]
    end, closes = fleet.end[number], fleet.closes[number]
    dearer = fleet.overtime(end + delay, closes) - fleet.overtime(end, closes)
    return Gaps(
        row=number,
        gap=gap,
        early=early[row, gap],
        late=late[row, gap],
        cost=extra[row, gap] + dearer,
        service=bounds.service[row],
        dump=np.full(len(row), dump, dtype=np.int64),
        is_dump_first=np.full(len(row), is_dump_first),
    )


def _tank_has_room(
    fleet: Fleet, job: Job, rows: Ints, wide: int, dump: int, is_dump_first: bool
) -> Bools:
    before, after = fleet.load_before[rows, :wide], fleet.load_after[rows, :wide]
    waste = waste_code(job)
    first, then = fleet.waste_before[rows, :wide], fleet.waste_after[rows, :wide]
    joins, goes_on = (first == 0) | (first == waste), (then == 0) | (then == waste)
    tank = np.array([fleet.shifts[row].tank_gal for row in rows.tolist()])[:, None] + _EPSILON_GAL
    if dump < 0:
        room: Bools = (before + after + job.load_gal <= tank) & ~fleet.is_last[rows, :wide]
        room &= joins & goes_on
    elif is_dump_first:
        room = (after + job.load_gal <= tank) & (before > 0) & (after > 0) & goes_on
    else:
        room = (before + job.load_gal <= tank) & joins
    return room


def _none() -> Gaps:
    blank = np.zeros(0, dtype=np.int64)
    return Gaps(blank, blank, blank, blank, blank, blank, blank, np.zeros(0, dtype=bool))
