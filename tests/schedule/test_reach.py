"""What is taken over from a week that differs in a few things is what would be reckoned anew."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from hypothesis import given
from hypothesis import settings as budget
from hypothesis import strategies as st

from vaultplan.schedule.model import ANY_DAY, Slot, Week
from vaultplan.schedule.reach import Reach
from vaultplan.schedule.state import WeekState

from .test_state import model

CHANGES = {
    "nothing": lambda week, rng: week,
    "longer shifts": lambda week, rng: replace(
        week, crews=tuple(replace(s, ends=s.ends + 7200) for s in week.crews)
    ),
    "more socks": lambda week, rng: replace(
        week, crews=tuple(replace(s, socks=s.socks + 99) for s in week.crews)
    ),
    "another crew": lambda week, rng: replace(
        week, crews=(*week.crews, replace(week.crews[0], truck_id="another", skills=frozenset()))
    ),
    "another vacuum truck first": lambda week, rng: replace(
        week, vacuums=(replace(week.vacuums[0], truck_id="another", tank_gal=1.0), *week.vacuums)
    ),
    "a crew less": lambda week, rng: replace(week, crews=week.crews[:-1]),
    "kept elsewhere": lambda week, rng: some_jobs(
        week, rng, kept_to=(Slot(week.crews[0].truck_id, ANY_DAY, True),)
    ),
    "more water": lambda week, rng: some_jobs(week, rng, load_gal=9_999.0, sure_gal=9_999.0),
    "another method": lambda week, rng: some_jobs(week, rng, method="vacuum_truck"),
    "another order of jobs": lambda week, rng: replace(week, jobs=week.jobs[::-1]),
    "a job less": lambda week, rng: replace(week, jobs=week.jobs[1:]),
    "no caps": lambda week, rng: replace(
        week, jobs=tuple(replace(job, cap_gal=1.0) for job in week.jobs)
    ),
}


def some_jobs(week: Week, rng: np.random.Generator, **changes: object) -> Week:
    return replace(
        week,
        jobs=tuple(replace(job, **changes) if rng.random() < 0.3 else job for job in week.jobs),
    )


def told(reach: Reach, week: Week) -> list[object]:
    found = []
    for number in range(len(week.jobs)):
        bounds = reach.bounds(number)
        ends = [bounds.rows.tolist(), bounds.early.tolist(), bounds.late.tolist()]
        found.append((list(reach.seconds[number]), list(reach.windows[number]), ends))
    return found


@budget(max_examples=30, deadline=None)
@given(seed=st.integers(0, 10_000), name=st.sampled_from(sorted(CHANGES)))
def test_what_is_taken_over_is_what_would_be_reckoned_anew(made, seed, name):
    rng = np.random.default_rng(seed)
    frames = made.bound_week(seed, 20, crews=2, vacuums=2, vacuum_share=0.5, width_m=9000.0)
    week = model(made, frames)
    base = WeekState(week, rng)
    for number in range(len(week.jobs)):
        if rng.random() < 0.5:
            base.crew_reach.bounds(number)
            base.vacuum_reach.bounds(number)
    changed = CHANGES[name](week, rng)
    like = WeekState(changed, rng, like=base)
    anew = WeekState(changed, rng)
    assert told(like.crew_reach, changed) == told(anew.crew_reach, changed)
    assert told(like.vacuum_reach, changed) == told(anew.vacuum_reach, changed)


def test_all_is_taken_over_where_nothing_decides_otherwise(made):
    """Longer shifts change when a tour ends, not what may be done: nothing is reckoned again."""
    frames = made.bound_week(5, 20, crews=2, vacuums=2, vacuum_share=0.5, width_m=9000.0)
    week = model(made, frames)
    base = Reach(week, week.crews)
    longer = CHANGES["longer shifts"](week, np.random.default_rng(0))
    again = Reach(longer, longer.crews, like=base)
    assert all(mine is known for mine, known in zip(again.windows, base.windows, strict=True))
