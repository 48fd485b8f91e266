"""Why a job is not in the week, found by asking each limit in turn."""

from __future__ import annotations

from vaultplan.schedule.model import Job, Shift, Week
from vaultplan.schedule.state import WeekState
from vaultplan.schema import WEEKDAYS


def why_unserved(empty: WeekState, number: int) -> tuple[str, str]:
    """Return outcome and reason of a job that no crew serves: the first limit it fails alone.

    ``empty`` is a week with no tours in it, and is left so. A job that would fit into it is
    ``not_scheduled``: others took its place. One that would not is ``not_possible``, with the
    limit that would have to change.
    """
    week = empty.week
    job = week.jobs[number]
    reason = _no_crew(week, job) or (_no_vacuum(week, job) if job.needs_vacuum else "")
    if reason:
        return "not_possible", reason
    if not empty.insert(number):
        return "not_possible", _no_time(week, job)
    empty.remove([number])
    return (
        "not_scheduled",
        "no room was found beside what is served, which is worth more or lies better; it may be "
        f"done on {_names(set(job.days))}: another truck then, more overtime or a later week would "
        "free it",
    )


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
    if job.socks and all(shift.socks < job.socks for shift in on_day):
        return f"no crew that may do it carries {job.socks} filter sock(s)"
    return ""


def _no_vacuum(week: Week, job: Job) -> str:
    if not week.vacuums:
        return "it needs a vacuum truck and none works this week"
    if not week.sites:
        return "it needs a vacuum truck, and there is no disposal site to empty one"
    largest = max(shift.tank_gal for shift in week.vacuums)
    if job.load_gal > largest:
        return (
            f"{job.load_gal:,.0f} gal is more than any vacuum truck may carry "
            f"({largest:,.0f} gal by tank and weight); arrange several loads for it"
        )
    on_day = {s.day for s in week.vacuums if s.day in job.days and s.tank_gal >= job.load_gal}
    crew_days = {s.day for s in week.crews if not job.skill or job.skill in s.skills}
    if not on_day & crew_days:
        return (
            "vacuum truck and crew must come on one day: it may be done on "
            f"{_names(set(job.days))}, vacuum trucks that can carry it work on {_names(on_day)}"
        )
    return ""


def _no_time(week: Week, job: Job) -> str:
    crews = [
        s for s in week.crews if s.day in job.days and (not job.skill or job.skill in s.skills)
    ]
    windows = dict(zip(job.days, job.windows, strict=True))
    at_vault = min(week.crew_seconds(job, shift) for shift in crews)
    fitting = [s for s in crews if _fits(week, job, s, windows[s.day])]
    if not fitting:
        lasting = f"the {at_vault / 60:.0f} minutes of work"
        if all(at_vault + _there_and_back(week, job, s) > s.ends - s.opens for s in crews):
            return f"{lasting} and the drive are longer than any crew's day with overtime"
        return f"its hours and the crews' shifts leave no room for {lasting} and the drive"
    return (
        "vacuum truck and crew cannot both work there within its hours, their shifts, the refill "
        "time and the disposal sites' opening hours"
    )


def _there_and_back(week: Week, job: Job, shift: Shift) -> int:
    return int(week.drive[shift.yard, job.place] + week.drive[job.place, shift.yard])


def _fits(week: Week, job: Job, shift: Shift, window: tuple[int, int]) -> bool:
    start = max(window[0], shift.opens + int(week.drive[shift.yard, job.place]))
    back = start + week.crew_seconds(job, shift) + int(week.drive[job.place, shift.yard])
    return start <= window[1] and back <= shift.ends
