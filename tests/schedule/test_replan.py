"""A plan made again changes what it must and nothing else."""

from __future__ import annotations

import pandas as pd
import pytest
from hypothesis import given
from hypothesis import settings as budget
from hypothesis import strategies as st

from vaultplan.schedule import check_plan, solve_week
from vaultplan.schedule.changes import cost_of_change, plan_changes
from vaultplan.schedule.replan import solve_again
from vaultplan.settings import ScheduleSettings

SETTINGS = ScheduleSettings(iterations=60)
COLUMNS = ["truck_id", "on", "stop_number", "kind", "order_id", "start_at", "leave_at"]


def _solve(made, frames, seed=3):
    stops, left = solve_week(
        frames, made.MONDAY, plan_id="p", time_zone=made.ZONE, settings=SETTINGS, seed=seed
    )
    return frames | {"plan_stops": stops, "plan_unserved": left}


def _again(made, frames, before, seed=4):
    stops, left = solve_again(
        frames,
        before["plan_stops"],
        made.MONDAY,
        known={*before["plan_jobs"]["order_id"], *before["plan_unserved"]["order_id"]},
        plan_id="q",
        time_zone=made.ZONE,
        settings=SETTINGS,
        seed=seed,
    )
    after = frames | {"plan_stops": stops, "plan_unserved": left}
    assert check_plan(after, time_zone=made.ZONE, settings=SETTINGS) == []
    return after


def _slots(plan):
    crew = plan["plan_stops"].query("kind in ['work', 'pump_out']")
    return {row.order_id: (row.truck_id, row.on) for row in crew.itertuples()}


def _with_job(made, frames, job):
    jobs = made.frame("plan_jobs", [job]).assign(plan_id="p")
    more = {"plan_jobs": pd.concat([frames["plan_jobs"], jobs], ignore_index=True)}
    for name, row in (
        (
            "vaults",
            {"vault_id": job["vault_id"], "status": "in_service", "geometry": job["geometry"]},
        ),
        ("work_orders", {"order_id": job["order_id"], "vault_id": job["vault_id"]}),
    ):
        more[name] = pd.concat([frames[name], made.frame(name, [row])], ignore_index=True)
    more["work_orders"]["status"] = "open"
    return frames | more


@pytest.fixture(scope="module")
def week(made):
    return made.bound_week(11, 60, crews=3, vacuums=2, width_m=9000.0)


@pytest.fixture(scope="module")
def plan(made, week):
    return _solve(made, week)


def test_when_nothing_happened_nothing_changes(made, week, plan):
    after = _again(made, week, plan)
    pd.testing.assert_frame_equal(plan["plan_stops"][COLUMNS], after["plan_stops"][COLUMNS])
    assert len(plan_changes(plan, after, set(), settings=SETTINGS)) == 0
    cost = cost_of_change(plan["plan_stops"], after["plan_stops"], week["trucks"])
    assert cost == {"drive_minutes": 0.0, "truck_usd": 0.0}


def test_a_job_added_in_mid_week_leaves_other_days_as_they_were(made, week, plan):
    job = made.job(900, 4000.0, 4000.0, allowed_days=made.days("wed", "thu"), skill=None)
    after = _again(made, _with_job(made, week, job), plan)
    slots, was = _slots(after), _slots(plan)
    assert "o900" in slots
    others = [order for order in was if slots.get(order) != was[order]]
    assert len(others) <= 0.05 * len(was)
    touched = {slots["o900"][1]} | {was[order][1] for order in others}
    for frame in (plan, after):
        frame["rest"] = frame["plan_stops"][~frame["plan_stops"]["on"].isin(touched)]
    pd.testing.assert_frame_equal(
        plan.pop("rest")[COLUMNS].reset_index(drop=True),
        after.pop("rest")[COLUMNS].reset_index(drop=True),
    )
    told = plan_changes(plan, after, set(), settings=SETTINGS).set_index("order_id")
    assert told.loc["o900", "what"] == "added"
    out = after["plan_stops"].query("stop_number == 1")
    first = out[(out["truck_id"] == slots["o900"][0]) & (out["on"] == slots["o900"][1])].iloc[0]
    leaves = first["arrive_at"] - pd.Timedelta(minutes=first["drive_minutes"])
    # Kept in seconds.
    assert abs(told.loc["o900", "call_by"] + pd.Timedelta(hours=1) - leaves) <= pd.Timedelta("1s")


def test_a_truck_that_is_down_gives_its_jobs_to_others(made, week, plan):
    was = _slots(plan)
    truck, on = max(set(was.values()), key=lambda slot: sum(s == slot for s in was.values()))
    trucks = week["trucks"].copy()
    name = f"{on:%a}".lower()
    of = trucks["truck_id"] == truck
    trucks.loc[of, "days"] = ";".join(
        day for day in trucks.loc[of, "days"].iloc[0].split(";") if day != name
    )
    after = _again(made, week | {"trucks": trucks}, plan)
    slots = _slots(after)
    assert (truck, on) not in slots.values()
    stayed = [order for order, slot in was.items() if slot != (truck, on)]
    moved = [order for order in stayed if slots.get(order) != was[order]]
    assert len(moved) <= 0.05 * len(was)
    told = plan_changes(plan, after, set(), settings=SETTINGS).set_index("order_id")
    gone = [order for order, slot in was.items() if slot == (truck, on)]
    assert set(gone) <= set(told.index)


def test_a_day_on_hold_sends_its_jobs_to_other_days(made, week, plan):
    was = _slots(plan)
    wet = pd.Timestamp("2026-11-03")
    jobs = week["plan_jobs"].copy()
    hit = jobs["order_id"].isin([o for o, slot in was.items() if slot[1] == wet])
    hit &= jobs["method"] != "vacuum_truck"
    rest = jobs["allowed_days"].str.replace("2026-11-03", "", regex=False)
    jobs.loc[hit, "allowed_days"] = rest.str.replace(";;", ";").str.strip(";")[hit]
    shut = jobs["allowed_days"] == ""
    held = jobs.loc[shut, ["plan_id", "order_id", "vault_id"]].assign(outcome="held", reason="rain")
    after = _again(made, week | {"plan_jobs": jobs[~shut].reset_index(drop=True)}, plan)
    after["plan_unserved"] = pd.concat([after["plan_unserved"], held], ignore_index=True)
    told = plan_changes(plan, after, set(), settings=SETTINGS).set_index("order_id")["what"]
    for order in jobs.loc[hit & ~shut, "order_id"]:
        assert told[order] in ("newly_wet", "pulled_forward", "dropped")
    assert (told.reindex(held["order_id"]) == "held").all()
    assert "newly_wet" in set(told)


def test_an_order_that_was_done_is_told_as_done(made, week, plan):
    order = next(iter(_slots(plan)))
    jobs = week["plan_jobs"]
    fewer = jobs[jobs["order_id"] != order].reset_index(drop=True)
    pair = jobs.loc[jobs["order_id"] == order, "pair_id"].iloc[0]
    fewer.loc[fewer["pair_id"] == pair, "pair_id"] = None
    after = _again(made, week | {"plan_jobs": fewer}, plan)
    told = plan_changes(plan, after, {order}, settings=SETTINGS).set_index("order_id")
    assert told.loc[order, "what"] == "done"
    assert pd.isna(told.loc[order, "call_by"])


@budget(max_examples=8, deadline=None)
@given(seed=st.integers(0, 1000), count=st.integers(5, 20), down=st.integers(0, 2))
def test_whatever_happens_the_checker_accepts_and_few_are_moved(made, seed, count, down):
    frames = made.bound_week(seed, count, crews=2, vacuums=1, width_m=9000.0)
    before = _solve(made, frames, seed)
    trucks = frames["trucks"].copy()
    trucks.loc[down, "days"] = "mon;fri"
    after = _again(made, frames | {"trucks": trucks}, before)
    was, slots = _slots(before), _slots(after)
    lost = {
        order
        for order, (truck, on) in was.items()
        if truck == trucks["truck_id"][down] and on.weekday() not in (0, 4)
    }
    if trucks["kind"][down] == "crew":
        moved = [o for o in was if o in slots and o not in lost and slots[o] != was[o]]
        pairs = frames["plan_jobs"].set_index("order_id")["pair_id"]
        with_lost = set(pairs[list(lost)].dropna())
        moved = [o for o in moved if pairs[o] not in with_lost]
        assert len(moved) <= max(1, 0.05 * len(was)) + len(lost)


def test_stops_of_a_stated_turn_are_driven_in_it(made):
    """A day's stops given turns against their order stay in the day, each at its place."""
    frames = made.generated_week(2, 12, crews=1, vacuums=0, vacuum_share=0.0)
    before = _solve(made, frames)
    slots = _slots(before)
    truck, on = max(set(slots.values()), key=lambda slot: sum(s == slot for s in slots.values()))
    stops = before["plan_stops"]
    day = stops[stops["truck_id"].eq(truck) & stops["on"].eq(on) & stops["order_id"].notna()]
    orders = day.sort_values("stop_number")["order_id"].tolist()
    wanted = [orders[1], orders[0], *orders[2:]]
    asked = frames["plan_jobs"].copy()
    mine = asked["order_id"].isin(wanted)
    asked.loc[mine, "kept_to"] = f"{truck}@{on:%Y-%m-%d}"
    asked["place"] = asked["order_id"].map({each: 1 + n for n, each in enumerate(wanted)})
    asked["place"] = asked["place"].astype("Int64")
    after = _again(made, frames | {"plan_jobs": asked}, before)
    now = after["plan_stops"]
    now = now[now["truck_id"].eq(truck) & now["on"].eq(on) & now["order_id"].isin(orders)]
    assert now.sort_values("stop_number")["order_id"].tolist() == wanted
