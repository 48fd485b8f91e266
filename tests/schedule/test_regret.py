"""Which plan is regretted least, on weeks small enough to reckon by hand."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from vaultplan.schedule.regret import regrets
from vaultplan.settings import ScheduleSettings

SETTINGS = ScheduleSettings(
    crew_usd_per_hour=60.0, setup_minutes=10.0, repeat_minutes=80.0, job_worth_minutes=300.0
)
MONDAY, TUESDAY = pd.Timestamp("2026-11-02"), pd.Timestamp("2026-11-03")


def _plan(made, *days, left=0):
    """One crew; a pump-out of an hour on each day, ten minutes from the yard."""
    rows = []
    for number, day in enumerate(days):
        start = day.tz_localize(made.ZONE).tz_convert("UTC") + pd.Timedelta(hours=8)
        rows.append(
            {
                "plan_id": "p",
                "truck_id": "c",
                "on": day,
                "stop_number": 1,
                "kind": "pump_out",
                "order_id": f"o{number}",
                "vault_id": f"v{number}",
                "drive_minutes": 10.0,
                "arrive_at": start,
                "start_at": start,
                "leave_at": start + pd.Timedelta(minutes=60),
                "geometry": made.job(1, 0, 0)["geometry"],
            }
        )
    unserved = [
        {"plan_id": "p", "order_id": f"u{n}", "vault_id": "v", "outcome": "held", "reason": "rain"}
        for n in range(left)
    ]
    return {
        "plan_stops": made.frame("plan_stops", rows),
        "plan_unserved": made.frame("plan_unserved", unserved),
    }


@pytest.fixture(scope="module")
def trucks(made):
    return made.frame("trucks", [made.crew("c", usd_per_hour=60.0)])


def test_by_hand(made, trucks):
    """A dollar a minute. Keep: 70 of truck; wet in 3 of 4 members: 10 + 10 + 80 = 100 more.
    Wait: the job is left out, 300. Regret of keep is 0 (170 and 70 are below 300)."""
    wet = {("v0", MONDAY): np.array([True, True, True, False])}
    plans = {"keep": _plan(made, MONDAY), "wait": _plan(made, left=1)}
    told = regrets(plans, wet, trucks, settings=SETTINGS).set_index("plan")
    assert told["cost_if_dry_usd"].tolist() == pytest.approx([70.0, 300.0])
    assert told["cost_if_wet_usd"].tolist() == pytest.approx([170.0, 300.0])
    assert told["mean_cost_usd"].tolist() == pytest.approx([145.0, 300.0])
    assert told["most_regret_usd"].tolist() == pytest.approx([0.0, 230.0])
    assert told["is_chosen"].tolist() == [True, False]


def test_another_day_is_chosen_where_there_is_one(made, trucks):
    """Tuesday is dry and costs the same 70: keeping Monday is regretted by 100 if it rains."""
    wet = {("v0", MONDAY): np.array([True, False])}
    plans = {"keep": _plan(made, MONDAY), "hold monday": _plan(made, TUESDAY)}
    told = regrets(plans, wet, trucks, settings=SETTINGS).set_index("plan")
    assert told["most_regret_usd"].tolist() == pytest.approx([100.0, 0.0])
    assert told["mean_regret_usd"].tolist() == pytest.approx([50.0, 0.0])
    assert told.index[told["is_chosen"]].tolist() == ["hold monday"]


def test_no_doubt_no_regret(made, trucks):
    told = regrets({"keep": _plan(made, MONDAY)}, {}, trucks, settings=SETTINGS)
    assert told["most_regret_usd"].tolist() == [0.0]
    assert told["is_chosen"].tolist() == [True]


@given(st.lists(st.booleans(), min_size=1, max_size=12), st.integers(0, 3))
def test_the_chosen_plan_is_never_regretted_more_than_another(made, trucks, flags, left):
    plans = {
        "keep": _plan(made, MONDAY, TUESDAY),
        "hold": _plan(made, TUESDAY, left=left),
        "hold all": _plan(made, left=2),
    }
    told = regrets(plans, {("v0", MONDAY): np.array(flags)}, trucks, settings=SETTINGS)
    assert told["is_chosen"].sum() == 1
    chosen = told.loc[told["is_chosen"], "most_regret_usd"].iloc[0]
    assert chosen == told["most_regret_usd"].min()
    assert (told["most_regret_usd"] >= told["mean_regret_usd"] - 1e-9).all()
    assert (told["mean_regret_usd"] >= -1e-9).all()
