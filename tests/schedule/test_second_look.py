"""The checker and a second, plain implementation of every limit agree on small weeks.

The second one is ``second_look.py``; it shares no code with the checker or with the solver.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import cache
from typing import Any

import numpy as np
import pytest
from hypothesis import event, given
from hypothesis import settings as budget
from hypothesis import strategies as st

from vaultplan.schedule import check_plan, solve_week
from vaultplan.settings import ScheduleSettings

from .corruptions import CORRUPTIONS, Frames
from .second_look import broken_limits

SEEDS = range(12)


@cache
def _settings(seed: int) -> ScheduleSettings:
    return ScheduleSettings(iterations=20, busy_factor=(1.0, 1.5, 2.0)[seed % 3])


@pytest.fixture(scope="module")
def week(made) -> Callable[[int], Frames]:
    """Solve small weeks in which every limit holds for some job, each once."""

    @cache
    def solved(seed: int) -> Frames:
        frames = made.bound_week(seed, 16, crews=3, vacuums=1 + seed % 2, width_m=6000.0)
        jobs = frames["plan_jobs"]
        # 500 gal of 3,000 mg/L hold 12.5 lb: three socks. What a job needs it is reckoned with.
        jobs["solids_mg_l"] = np.resize([np.nan, 200.0, 3000.0, 900.0], len(jobs))
        pounds = jobs["load_gal"] * jobs["solids_mg_l"].fillna(0.0) * 8.3454e-6
        socks = np.maximum(np.ceil(pounds / 5.0), 1).where(jobs["method"] == "filter_sock", 0)
        jobs["socks"] = socks.astype("Int64")
        jobs["daylight_only"] = jobs["daylight_only"].fillna(False)
        # Some wait for Saturday, when no streets are busy.
        frames["trucks"]["days"] += ";sat"
        jobs.loc[[4, 5, 6], ["allowed_days", "pair_id"]] = ["2026-11-07", None]
        # Two orders at one vault, and two where a planner said which comes first.
        jobs.loc[1, ["vault_id", "geometry"]] = jobs.loc[0, ["vault_id", "geometry"]].to_numpy()
        jobs.loc[[2, 3], "place"] = [2, 1]
        fresh = made.week_frames(jobs.to_dict("records"), [])
        frames |= {name: fresh[name] for name in ("vaults", "work_orders")}
        stops, left = solve_week(
            frames,
            made.MONDAY,
            plan_id="p",
            time_zone=made.ZONE,
            settings=_settings(seed),
            seed=seed,
        )
        return frames | {"plan_stops": stops, "plan_unserved": left}

    return solved


def both(frames: Frames, made: Any, seed: int) -> tuple[set[str], set[str]]:
    """Return the limits that the checker and the second look find broken."""
    known = _settings(seed)
    first = check_plan(frames, time_zone=made.ZONE, settings=known)
    second = broken_limits(frames, time_zone=made.ZONE, settings=known)
    return {breach.what for breach in first}, second


@pytest.mark.parametrize("seed", SEEDS)
def test_both_accept_what_was_solved(made, week, seed):
    assert both(week(seed), made, seed) == (set(), set())


@pytest.mark.parametrize("name", CORRUPTIONS)
@budget(max_examples=10)
@given(seed=st.sampled_from(SEEDS), data=st.data())
def test_both_judge_a_spoiled_week_alike(made, week, name, seed, data):
    frames = {table: frame.copy() for table, frame in week(seed).items()}
    CORRUPTIONS[name](lambda options: data.draw(st.sampled_from(list(options))), frames)
    first, second = both(frames, made, seed)
    event("rejected" if first else "accepted")
    assert bool(first) == bool(second), (first, second)
    assert not first or first & second, (first, second)
