"""The steps that can be spread, and somebody who pretends to be a cluster."""

from __future__ import annotations

import pickle
from collections.abc import Callable
from typing import Any

import pandas as pd

from vaultplan import loading, week


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
