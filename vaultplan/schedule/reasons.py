"""Why a job is not in the week: each limit is asked in turn, and lifted alone to see."""

from __future__ import annotations

import math
from collections.abc import Callable, Collection, Iterator
from dataclasses import replace
from typing import Final

import numpy as np

from vaultplan.schedule.limits import pairs_of
from vaultplan.schedule.model import Job, Shift, Week
from vaultplan.schedule.state import WeekState
from vaultplan.schema import WEEKDAYS

_LONGER: Final = 2 * 3600
#: So many changes that would make room are named.
_MOST_HELPS: Final = 2
_ALONE: Final = "no room was found beside what is served, which is worth more or lies better"


def why_unserved(
    state: WeekState, only: Collection[int] | None = None
) -> Iterator[tuple[int, str, str]]:
    """Yield number, outcome and reason of every job that no crew serves, or those of ``only``.

    A job that would not fit into an empty week is ``not_possible``, with the limit that would have
    to change. One that would fit is ``not_scheduled``: others took its place; the reason names what
    would make room, each tried alone beside the week as it stands.
    """
    week = state.week
    left = [number for number in state.unserved if only is None or number in only]
    pairs = pairs_of(week)
    crowded = []
    for number in left:
        words = _never(week, number, pairs.get(number, (number,)))
        if words:
            yield number, "not_possible", words
        else:
            crowded.append(number)
    helps = _what_makes_room(state, crowded)
    for number in crowded:
        days = _names(set(week.jobs[number].days))
        room = " or ".join(helps[number])
        would = f"{room} would free it" if room else "no one change that was tried makes room"
        yield number, "not_scheduled", f"{_ALONE}; it may be done on {days}: {would}"


def _fits_alone(week: Week, jobs: tuple[Job, ...]) -> bool:
    """Whether jobs fit into an empty week, of which only the places they need are kept."""
    shifts = (*week.crews, *week.vacuums)
    places = sorted({*(s.yard for s in shifts), *(s.place for s in week.sites)})
    places += [job.place for job in jobs]
    at = {place: number for number, place in enumerate(places)}
    drive = week.drive[np.ix_(places, places)]
    small = replace(
        week,
        jobs=tuple(replace(job, place=at[job.place]) for job in jobs),
        crews=tuple(replace(shift, yard=at[shift.yard]) for shift in week.crews),
        vacuums=tuple(replace(shift, yard=at[shift.yard]) for shift in week.vacuums),
        sites=tuple(replace(site, place=at[site.place]) for site in week.sites),
        drive=drive,
        hops=drive.tolist(),
        draws=None,
    )
    return WeekState(small, np.random.default_rng(0)).insert(0)


def _never(week: Week, number: int, together: tuple[int, ...]) -> str:
    """Return the limit that keeps a job out of an empty week; blank if nothing does."""
    job = week.jobs[number]
    jobs = (job, *(week.jobs[n] for n in together if n != number))
    if _fits_alone(week, jobs):
        return ""
    words = _no_crew(week, job) or (_no_vacuum(week, job) if job.needs_vacuum else "")
    if words:
        return words
    if job.outfall and not job.needs_vacuum and job.load_gal > job.cap_gal:
        return (
            f"{job.load_gal:,.0f} gal is more than outfall {job.outfall} may get in a day "
            f"({job.cap_gal:,.0f} gal); arrange several days or a vacuum truck"
        )
    if len(jobs) > 1 and _fits_alone(week, (replace(job, pair=""),)):
        names = ", ".join(sorted(other.order_id for other in jobs))
        return (
            f"its pair {job.pair} ({names}) cannot be "
            "done by one crew on one day; take the pair apart or change one of its orders"
        )
    return _no_time(week, replace(job, pair=""))


def _names(days: set[int]) -> str:
    return ", ".join(WEEKDAYS[day] for day in sorted(days)) or "none"


def _no_crew(week: Week, job: Job) -> str:
    if not week.crews:
        return "no crew truck works this week"
    skilled = [shift for shift in week.crews if not job.skill or job.skill in shift.skills]
    if not skilled:
        return f"no crew at work this week has the skill {job.skill}"
    on_day = [shift for shift in skilled if shift.day in job.days]
    if not on_day:
        what = f" with the skill {job.skill}" if job.skill else ""
        worked = _names({shift.day for shift in skilled})
        return f"it may be done on {_names(set(job.days))}; crews{what} work on {worked}"
    lacks = {shift.lacks(job) for shift in on_day}
    if lacks == {"socks"}:
        return f"no crew that may do it carries {job.socks} filter sock(s)"
    if lacks == {"pump"}:
        return "no crew that may do it has a pump on board"
    if "" not in lacks and "edit" in lacks:
        return f"{_not_as_asked(week, job)}; change what was asked"
    return ""


def _not_as_asked(week: Week, job: Job) -> str:
    """Return why none of the truck-days that a planner's edits leave can do a job."""
    left = [shift for shift in week.crews if shift.is_asked(job)]
    if not left:
        return "no crew is at work on the truck and day that a planner's edit leaves it"
    if not any(shift.day in job.days for shift in left):
        asked = _names({shift.day for shift in left})
        return f"it may be done on {_names(set(job.days))}, and a planner's edit leaves it {asked}"
    lacks = {shift.lacks(job) for shift in left if shift.day in job.days}
    words = {
        "skill": f"the skill {job.skill}", "pump": "a pump on board",
        "socks": f"the {job.socks} filter sock(s) it takes",
    }  # fmt: skip
    missing = [words[lack] for lack in sorted(lacks) if lack in words]
    return f"the truck that a planner's edit leaves it has not {' or '.join(missing)}"


def _no_vacuum(week: Week, job: Job) -> str:
    if not week.vacuums:
        return "it needs a vacuum truck and none works this week"
    if not week.sites:
        return "it needs a vacuum truck, and there is no disposal site to empty one"
    if not any(site.accepts(job.waste) for site in week.sites):
        return f"it needs a vacuum truck, and no disposal site takes {job.waste} waste"
    largest = max(shift.tank_gal for shift in week.vacuums)
    if job.load_gal <= largest < job.sure_gal:
        return (
            f"more than {week.run_out_prob:.0%} of the draws of its water are more than any vacuum "
            f"truck may carry ({largest:,.0f} gal by tank and weight); arrange several loads for it"
        )
    if job.load_gal > largest:
        return (
            f"{job.load_gal:,.0f} gal is more than any vacuum truck may carry "
            f"({largest:,.0f} gal by tank and weight); arrange several loads for it"
        )
    on_day = {s.day for s in week.vacuums if s.day in job.days and not s.lacks(job)}
    crew_days = {s.day for s in week.crews if not s.lacks(job)}
    if not on_day & crew_days:
        return (
            "vacuum truck and crew must come on one day: it may be done on "
            f"{_names(set(job.days))}, vacuum trucks that can carry it work on {_names(on_day)}"
        )
    return ""


def _no_time(week: Week, job: Job) -> str:
    """Return which of the limits of time, lifted alone, would let the job in."""
    bare = replace(job, crew_stays=(), vacuum_stays=())
    whole = tuple((first - 86_400, last + 86_400) for first, last in job.windows)
    lifted: tuple[tuple[str, Callable[[], tuple[Week, Job]]], ...] = (
        ("its outage, barred hours or daylight", lambda: (week, bare)),
        ("its hours", lambda: (week, replace(job, windows=whole))),
        ("the trucks' breaks", lambda: (_without_breaks(week), job)),
        ("the refill time", lambda: (week, replace(job, refill=86_400))),
        ("the ends of shifts, two hours later", lambda: (_longer(week), job)),
    )
    helps = [words for words, change in lifted if _alone(*change())]
    at_vault = min(
        week.crew_seconds(job, s) for s in week.crews if s.day in job.days and not s.lacks(job)
    )
    lasting = f"the {at_vault / 60:.0f} minutes of work"
    if all(
        at_vault + _there_and_back(week, job, s) > s.ends - s.opens - s.rest
        for s in week.crews
        if s.day in job.days and not s.lacks(job)
    ):
        return f"{lasting} and the drive are longer than any crew's day with overtime"
    if not helps and not job.needs_vacuum:
        helps = ["its hours and the crews' shifts"]
    if helps:
        return f"{' or '.join(helps)} must change: together they leave no room for {lasting}"
    return (
        "vacuum truck and crew cannot both work there within its hours, their shifts, the refill "
        "time and the disposal sites' opening hours"
    )


def _alone(week: Week, job: Job) -> bool:
    return _fits_alone(week, (job,))


def _there_and_back(week: Week, job: Job, shift: Shift) -> int:
    return int(week.drive[shift.yard, job.place] + week.drive[job.place, shift.yard])


def _without_breaks(week: Week) -> Week:
    return replace(
        week,
        crews=tuple(replace(shift, rest=0) for shift in week.crews),
        vacuums=tuple(replace(shift, rest=0) for shift in week.vacuums),
    )


def _longer(week: Week) -> Week:
    return replace(
        week,
        crews=tuple(replace(shift, ends=shift.ends + _LONGER) for shift in week.crews),
        vacuums=tuple(replace(shift, ends=shift.ends + _LONGER) for shift in week.vacuums),
    )


def _what_makes_room(state: WeekState, numbers: list[int]) -> dict[int, list[str]]:
    """Return what would let each job in beside the week as it stands, every change tried alone."""
    helps: dict[int, list[str]] = {number: [] for number in numbers}
    if not numbers:
        return helps
    week = state.week
    pairs = pairs_of(week)

    def any_that(is_so: Callable[[Job], bool]) -> list[int]:
        """Return the jobs of which, or of whose pair, something is so."""
        return [n for n in numbers if any(is_so(week.jobs[m]) for m in pairs.get(n, (n,)))]

    by_vacuum = any_that(lambda job: job.needs_vacuum)
    changes: tuple[tuple[str, list[int], Callable[[], Week]], ...] = (
        ("two more hours of overtime", numbers, lambda: _longer(week)),
        ("more filter socks on board", any_that(lambda j: j.socks > 0), lambda: _more_socks(week)),
        ("another vacuum truck", by_vacuum, lambda: _another_vacuum(week)),
        ("another crew", numbers, lambda: _another_crew(week)),
        ("another crew and vacuum truck", by_vacuum, lambda: _another_both(week)),
        ("a higher cap of its outfall", any_that(_is_capped), lambda: _no_caps(week)),
    )
    for words, some, change in changes:
        if not some:
            continue
        changed = change()
        wider = WeekState(changed, np.random.default_rng(0), like=state)
        wider.copy_tours(state)
        for number in some:
            is_said = any(said in words for said in helps[number])
            is_enough = len(helps[number]) == _MOST_HELPS
            if is_said or is_enough:
                continue
            as_it_was = wider.snapshot()
            if wider.insert(number):
                helps[number].append(words)
            wider.restore(as_it_was)
    return helps


def _is_capped(job: Job) -> bool:
    return bool(job.outfall) and not math.isinf(job.cap_gal)


def _another_both(week: Week) -> Week:
    return _another_crew(_another_vacuum(week))


def _more_socks(week: Week) -> Week:
    return replace(week, crews=tuple(replace(s, socks=s.socks + 99) for s in week.crews))


def _no_caps(week: Week) -> Week:
    return replace(week, jobs=tuple(replace(job, cap_gal=math.inf) for job in week.jobs))


def _another_crew(week: Week) -> Week:
    """Return the week with one more crew of all skills for each day that crews work."""
    days = {shift.day: shift for shift in week.crews}
    skills = frozenset().union(*(shift.skills for shift in week.crews))
    more = (replace(s, truck_id=_NEW, skills=skills, socks=99, pumps=1) for s in days.values())
    return replace(week, crews=(*week.crews, *more))


def _another_vacuum(week: Week) -> Week:
    days: dict[int, Shift] = {}
    for shift in week.vacuums:
        if shift.day not in days or shift.tank_gal > days[shift.day].tank_gal:
            days[shift.day] = shift
    more = (replace(shift, truck_id=_NEW) for shift in days.values())
    return replace(week, vacuums=(*week.vacuums, *more))


_NEW: Final = "another"
