"""The steps that can be spread, what holds two tables equal, and a pretended cluster."""

from __future__ import annotations

import pickle
from collections.abc import Callable
from typing import Any

import numpy as np
import pandas as pd

from vaultplan import loading, week
from vaultplan.provisions import JobDraws


class Pretended:
    """Works a part at a time in this process, on copies, as if it came from afar."""

    threads = 3

    def run(
        self,
        work: Callable[[Any, Any], Any],
        shared: Any,
        make: Callable[[int], Any],
        count: int,
        tell: Callable[[int], None] | None = None,
    ) -> list[Any]:
        found = []
        for number in range(count):
            own, common = (pickle.loads(pickle.dumps(what)) for what in (make(number), shared))
            found.append(work(common, own))
            if tell is not None:
                tell(number)
        return found


def judged(town: week.Week, points: pd.DataFrame, on_step: Any = None) -> dict[str, pd.DataFrame]:
    """Forecasts, traces and decisions, by whoever does the walk's steps."""
    frames, on_step = dict(town.frames), on_step or loading.silent
    frames["forecasts"] = week.forecast_points(frames, points, town.as_of, town.settings, on_step)
    drawn = list(frames["vaults"]["vault_id"].iloc[::3])
    frames["traces"] = week.trace_paths(frames, town.settings, on_step, with_geometry=drawn)
    frames["decisions"] = week.decide_discharges(
        frames, as_of=town.as_of, settings=town.settings, rules=town.rules
    )
    return {name: frames[name] for name in ("forecasts", "traces", "decisions")}


def plan(town: week.Week) -> tuple[week.Week, JobDraws]:
    """The week judged and scheduled, with the draws of its water."""
    # Not a copy, which would know what another has reckoned.
    ahead = week.Week(
        *(town.monday, town.days, town.as_of, town.settings, town.rules, dict(town.frames))
    )
    week.judge(ahead, loading.silent, everywhere=True)
    made_at = pd.Timestamp("2026-10-30T20:00Z")
    week.schedule(ahead, 1, made_at, loading.silent)
    plan_id = str(ahead.frames["plans"]["plan_id"].iloc[0])
    return ahead, week.choose_jobs(ahead, plan_id, 1, loading.silent)[1]


def assert_same(one: pd.DataFrame, other: pd.DataFrame) -> None:
    """Hold two tables equal in rows, order, index, types and every bit of every number."""
    pd.testing.assert_frame_equal(pd.DataFrame(one), pd.DataFrame(other), check_exact=True)
    for name in one.columns:
        if one[name].dtype == np.float64:
            assert one[name].to_numpy().tobytes() == other[name].to_numpy().tobytes(), name
    if "geometry" in one:
        assert one.crs == other.crs
        assert (one.geometry.to_wkb().fillna(b"") == other.geometry.to_wkb().fillna(b"")).all()
