"""What trucks take along, against loads counted by hand and what any smaller load would risk."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import settings as budget
from hypothesis import strategies as st
from hypothesis.extra import numpy as arrays
from shapely import Point

from vaultplan.errors import ScheduleError
from vaultplan.schedule.loadout import enough, lb_per_gal, plan_loads
from vaultplan.settings import ScheduleSettings
from vaultplan.units import LB_PER_GAL_MG_L

#: A quarter of the draws may fall short; 1,000 gal of 599 mg/L fill a sock; no slowing down.
PLAIN = ScheduleSettings(
    run_out_prob=0.25, sock_gpm=100, sock_least_gpm=100, sock_capacity_lb=5, sock_change_minutes=0
)
FULL_MG_L = 5.0 / (1000.0 * LB_PER_GAL_MG_L)


def day(made, truck, *jobs, dumps=(), gutters=(), kind="pump_out"):
    """Frames of one truck's Monday with a stop at each job, and a dump after some."""
    rows = [made.job(n, 0.0, 0.0, **job) for n, job in enumerate(jobs, start=1)]
    stops = []
    for place, row in enumerate(rows, start=1):
        stops.append({"kind": kind, "order_id": row["order_id"], "vault_id": row["vault_id"]})
        if place in dumps:
            stops.append({"kind": "dump", "order_id": None, "vault_id": None})
    at = pd.Timestamp("2026-11-02T18:00Z")
    always = {
        "plan_id": "p", "truck_id": truck["truck_id"], "on": made.MONDAY, "arrive_at": at,
        "start_at": at, "leave_at": at, "geometry": Point(0, 0),
    }  # fmt: skip
    traces = [
        {"vault_id": f"v{n}", "gutter_ft": ft, "trace_status": "reached", "geometry": None}
        for n, ft in enumerate(gutters, start=1)
    ]
    return {
        "plan_jobs": made.frame("plan_jobs", rows),
        "plan_stops": made.frame(
            "plan_stops",
            [always | stop | {"stop_number": number} for number, stop in enumerate(stops, start=1)],
        ),
        "trucks": made.frame("trucks", [truck]),
        "traces": made.frame("traces", traces),
    }


def loads(frames, gallons, solids=None, told=PLAIN) -> pd.DataFrame:
    gallons = np.asarray(gallons, float)
    orders = [f"o{n}" for n in range(1, gallons.shape[1] + 1)]
    if solids is not None:
        solids = np.broadcast_to(np.asarray(solids, float), gallons.shape)
    found = plan_loads(frames, gallons, orders, solids_mg_l=solids, settings=told)
    assert not found.duplicated(["plan_id", "truck_id", "on", "item", "trip"]).any()
    return found.set_index(["item", "trip"])


SOCK = {"method": "filter_sock", "waste_profile": "sediment"}


def test_socks_of_two_stops_that_share_the_rain_and_of_two_that_do_not(made):
    """Each stop needs 1, 1, 1 or 3 socks, in four draws; a quarter may fall short.

    Together in one draw: sums 2, 2, 2, 6, so 2 socks run out in a quarter. In different draws: 2,
    2, 4, 4, so 4 are needed; half the draws do with 2.
    """
    frames = day(made, made.crew("c"), SOCK, SOCK)
    same = [[100, 100], [100, 100], [100, 100], [3000, 3000]]
    apart = [[100, 100], [100, 100], [3000, 100], [100, 3000]]
    told = loads(frames, same, FULL_MG_L).loc[("filter_sock", 0)]
    assert (told["quantity"], told["spare"], told["prob_short"]) == (2.0, 0.0, 0.25)
    told = loads(frames, apart, FULL_MG_L).loc[("filter_sock", 0)]
    assert (told["quantity"], told["spare"], told["prob_short"]) == (2.0, 2.0, 0.0)
    assert told["unit"] == "count"
    assert told["reason"] == "2 sock stop(s); enough for all together in 100.0% of 4 draws"


def test_the_sum_of_quantiles_is_not_the_quantile_of_the_sum(made):
    """Ten stops that need a second sock with 20 % each, independent of each other.

    Alone each would take 2 for 5 %, 20 together. The sum beyond 10 is binomial(10, 0.2): P(more
    than 4) = 3.3 %, P(more than 3) = 12.1 %, so 14 are the least.
    """
    rng = np.random.default_rng(7)
    gallons = np.where(rng.random((20_000, 10)) < 0.2, 1500.0, 500.0)
    told = PLAIN.model_copy(update={"run_out_prob": 0.05})
    frames = day(made, made.crew("c", sock_count=None), *[SOCK] * 10)
    row = loads(frames, gallons, FULL_MG_L, told).loc[("filter_sock", 0)]
    assert row["quantity"] + row["spare"] == 14.0
    assert row["prob_short"] == pytest.approx(0.0328, abs=4 * np.sqrt(0.0328 / 20_000))
    assert "more than one sock at o" in row["reason"]


def test_who_needs_a_second_sock_and_what_the_truck_lacks_is_told(made):
    """Three of four draws of o2 fill a sock; the truck has 2, and 3 suffice in three of four."""
    frames = day(made, made.crew("c", sock_count=2), SOCK, SOCK)
    row = loads(frames, [[100, 1500]] * 3 + [[100, 900]], FULL_MG_L).loc[("filter_sock", 0)]
    assert (row["quantity"], row["spare"]) == (3.0, 0.0)
    assert row["reason"].endswith(
        "more than one sock at o2 (75%); the truck has 2 as a rule, take 1 more"
    )


def test_a_dry_draw_needs_no_sock(made):
    row = loads(day(made, made.crew("c"), SOCK), [[0.0], [0.0], [0.0], [50.0]], 1.0)
    assert row.loc[("filter_sock", 0), "quantity"] == 0.0
    assert row.loc[("filter_sock", 0), "prob_short"] == 0.25


def test_pump_time_of_a_crew_counts_sock_and_open_stops(made):
    """Sock stop at 100 gal/min, open stop at the pump's 125; the plan has 500 gal of each.

    Draws: 100/100 + 125/125 = 2; 4; 200/100 + 500/125 = 6; 3 + 8 = 11 minutes. Half do with 4,
    three quarters with 6. The plan reckons 5 + 4 = 9 minutes, a quarter takes longer.
    """
    frames = day(made, made.crew("c"), SOCK, {"method": "storm_drain"})
    row = loads(frames, [[100, 125], [200, 250], [200, 500], [300, 1000]], 0.0)
    row = row.loc[("pump_time", 0)]
    assert (row["quantity"], row["spare"], row["prob_short"]) == (4.0, 2.0, 0.25)
    assert row["unit"] == "min"
    assert row["reason"].startswith(
        "2 stop(s), for which the plan has 9 min; they take longer in 25.0%"
    )


def test_a_crew_after_a_vacuum_truck_pumps_nothing(made):
    frames = day(made, made.crew("c"), {"method": "vacuum_truck"}, kind="work")
    assert loads(frames, [[100.0]]).empty


def test_hose_is_the_longest_way_and_unknown_ways_are_told(made):
    frames = day(made, made.crew("c"), SOCK, {}, SOCK, gutters=(120.0, 310.0))
    row = loads(frames, [[100.0] * 3], 0.0).loc[("hose", 0)]
    assert (row["quantity"], row["spare"], row["unit"]) == (310.0, 50.0, "ft")
    assert np.isnan(row["prob_short"])
    assert row["reason"] == "longest way to an inlet, at o2; not known at 1 stop(s)"
    row = loads(day(made, made.crew("c"), SOCK), [[100.0]], 0.0).loc[("hose", 0)]
    assert np.isnan(row["quantity"])
    assert row["spare"] == 50.0
    assert row["reason"] == "no way to an inlet is known"


def test_drums_are_for_used_socks_of_water_that_may_be_oily(made):
    """Two of three sock stops may be oily; they use 2, 2, 5 and 2 socks, 4 to a drum: 1, 1, 2, 1.

    With a quarter of the draws short, one drum will do.
    """
    frames = day(
        made,
        made.crew("c"),
        SOCK | {"waste_profile": "oily"},
        SOCK,
        SOCK | {"waste_profile": None},
        {"waste_profile": "oily"},
    )
    gallons = [[100, 9000, 100, 100]] * 2 + [[3500, 100, 100, 100], [100, 100, 100, 9000]]
    row = loads(frames, gallons, FULL_MG_L).loc[("drum", 0)]
    assert (row["quantity"], row["spare"], row["prob_short"]) == (1.0, 0.0, 0.25)
    assert row["reason"].startswith("used socks of 2 stop(s) whose water may be oily, 4 a drum")
    strict = PLAIN.model_copy(update={"run_out_prob": 0.0})
    row = loads(frames, gallons, FULL_MG_L, strict).loc[("drum", 0)]
    assert (row["quantity"], row["spare"], row["prob_short"]) == (1.0, 1.0, 0.0)
    plain = loads(day(made, made.crew("c"), SOCK), [[100.0]], 0.0)
    assert "drum" not in plain.index.get_level_values("item")


def test_trips_of_a_vacuum_truck_by_hand(made):
    """Trip 1 is o1 and o2, trip 2 is o3; tank 2,000 gal, payload 16,000 lb = 1,918.5 gal of water.

    Trip 1: 1000, 1950, 1600, 2100 gal. Over the tank in a quarter, over the payload in half. Half
    the draws do with 1600 gal, which leaves 400; 13,344 lb, which leaves 2,656.
    """
    truck = made.vacuum("t", tank_gal=2000.0, payload_lb=16_000.0)
    wet = {"method": "vacuum_truck", "waste_profile": "oily"}
    frames = day(made, truck, wet, wet, wet | {"waste_profile": "pcb"}, dumps=(2, 3), kind="vacuum")
    gallons = [[500, 500, 10], [1000, 950, 10], [800, 800, 10], [1000, 1100, 10]]
    told = loads(frames, gallons, 0.0)
    first = told.loc[("vacuum_load", 1)]
    assert (first["quantity"], first["spare"], first["prob_short"]) == (1600.0, 400.0, 0.25)
    assert first["reason"] == "oily water of 2 stop(s); tank 2,000 gal"
    pounds = told.loc[("vacuum_weight", 1)]
    assert pounds["quantity"] == pytest.approx(13_344.0)
    assert pounds["spare"] == pytest.approx(2656.0)
    assert pounds["prob_short"] == 0.5
    assert pounds["reason"] == (
        "oily water of 2 stop(s); payload 16,000 lb, too little in 50.0% of 4 draws: more than "
        "the 25.0% allowed, dump on the way or split the trip"
    )
    second = told.loc[("vacuum_load", 2)]
    assert (second["quantity"], second["prob_short"]) == (10.0, 0.0)
    assert second["reason"].startswith("water that may hold PCB of 1 stop(s)")
    assert told.loc[("pump_time", 0), "quantity"] == pytest.approx(1610 / 100)
    assert set(told.index.get_level_values("item")) == {
        "pump_time", "vacuum_load", "vacuum_weight"
    }  # fmt: skip


def test_solids_make_a_load_heavier_where_it_just_fits(made):
    """1,900 gal weigh 15,846 lb; with 20,000 mg/L each gallon 0.1039 lb more, 16,043 lb."""
    truck = made.vacuum("t", tank_gal=2000.0, payload_lb=16_000.0)
    frames = day(made, truck, {"method": "vacuum_truck"}, dumps=(1,), kind="vacuum")
    clean, muddy = (
        loads(frames, [[1900.0]], solids).loc[("vacuum_weight", 1)] for solids in (0.0, 20_000.0)
    )
    assert clean["quantity"] == pytest.approx(15_846.0)
    assert clean["prob_short"] == 0.0
    assert muddy["quantity"] == pytest.approx(16_043.45, abs=0.01)
    assert (muddy["spare"], muddy["prob_short"]) == (0.0, 1.0)


def test_a_truck_that_states_no_tank_or_payload_has_no_chance_told(made):
    truck = made.vacuum("t", tank_gal=None, payload_lb=None)
    frames = day(made, truck, {"method": "vacuum_truck"}, dumps=(1,), kind="vacuum")
    told = loads(frames, [[1900.0]], 0.0)
    assert told.loc["vacuum_load", ["spare", "prob_short"]].isna().all(axis=None)
    assert told.loc[("vacuum_weight", 1), "reason"].endswith("the truck's payload is not stated")


def test_a_litre_of_slurry_weighs_what_its_parts_weigh():
    """200,000 mg/L of 2.65: a gallon holds 1.669 lb of it in 7.5 % of its room, water in the rest.

    8.34 * (1 - 0.2 / 2.65) = 7.711 lb of water, with the solids 9.380 lb; the two figures of
    water's weight, 8.34 and 8.345, differ by less than 0.001.
    """
    assert lb_per_gal(np.array([200_000.0])) == pytest.approx([9.380], abs=1.5e-3)


def test_without_draws_of_solids_the_plans_own_are_taken_and_blanks_told(made):
    frames = day(made, made.crew("c"), SOCK | {"solids_mg_l": 2 * FULL_MG_L}, SOCK)
    row = loads(frames, [[1000.0, 1000.0]]).loc[("filter_sock", 0)]
    assert row["quantity"] == 3.0
    assert row["reason"].endswith("solids not known at 1 stop(s), taken as none")
    told = loads(frames, [[1000.0, 1000.0]], FULL_MG_L)["reason"]
    assert not told.str.contains("solids not known").any()
    frames = day(made, made.vacuum("t"), {"method": "vacuum_truck"}, kind="vacuum")
    row = loads(frames, [[1000.0]]).loc[("vacuum_weight", 1)]
    assert row["quantity"] == pytest.approx(8340.0)
    assert row["reason"].endswith("solids not known at 1 stop(s), taken as none")


def test_no_stops_need_nothing(made):
    frames = day(made, made.crew("c"))
    assert loads(frames, np.zeros((3, 0))).empty


def test_draws_that_do_not_fit_are_refused(made):
    frames = day(made, made.crew("c"), SOCK, SOCK)
    two = np.full((4, 2), 100.0)
    with pytest.raises(ScheduleError, match="no draws of the water for order"):
        plan_loads(frames, two, ["o1", "other"], settings=PLAIN)
    with pytest.raises(ScheduleError, match=r"shape \(4, 2\) for 1 order"):
        plan_loads(frames, two, ["o1"], settings=PLAIN)
    with pytest.raises(ScheduleError, match=r"shape \(0, 2\)"):
        plan_loads(frames, two[:0], ["o1", "o2"], settings=PLAIN)
    with pytest.raises(ScheduleError, match="two columns"):
        plan_loads(frames, two, ["o1", "o1"], settings=PLAIN)
    with pytest.raises(ScheduleError, match="solids for"):
        plan_loads(frames, two, ["o1", "o2"], solids_mg_l=two[:2], settings=PLAIN)
    blank = two.copy()
    blank[1, 1] = np.nan
    with pytest.raises(ScheduleError, match=r"blank draws .* o2"):
        plan_loads(frames, blank, ["o1", "o2"], settings=PLAIN)
    lost = frames | {"trucks": frames["trucks"].iloc[:0]}
    with pytest.raises(ScheduleError, match="truck c of the plan is not in trucks"):
        plan_loads(lost, two, ["o1", "o2"], settings=PLAIN)


needs = arrays.arrays(np.float64, st.integers(1, 60), elements=st.integers(0, 9).map(float))


@given(needs, st.floats(0.0, 0.99))
def test_enough_runs_out_no_oftener_than_it_may_and_nothing_less_would_do(need, prob):
    load = enough(need, prob)
    assert (need > load).mean() <= prob + 1e-9
    less = need[need < load]
    assert not len(less) or (need > less.max()).mean() > prob


@budget(max_examples=30, deadline=None)
@given(seed=st.integers(0, 10_000), prob=st.floats(0.01, 0.95), stops=st.integers(1, 5))
def test_every_load_keeps_its_promise_in_the_draws_it_was_made_from(made, seed, prob, stops):
    """Recounted plainly: per draw, the sum over stops of ceil(solids / capacity)."""
    rng = np.random.default_rng(seed)
    gallons = rng.lognormal(6.0, 1.0, (200, stops)) * (rng.random((200, 1)) + 0.5)
    solids = rng.lognormal(7.5, 1.0, (200, stops))
    told = PLAIN.model_copy(update={"run_out_prob": prob})
    found = loads(day(made, made.crew("c"), *[SOCK] * stops), gallons, solids, told)
    socks = found.loc[("filter_sock", 0)]
    need = np.ceil(gallons * solids * LB_PER_GAL_MG_L / 5.0).sum(axis=1)
    carried = socks["quantity"] + socks["spare"]
    assert socks["prob_short"] == pytest.approx((need > carried).mean())
    assert socks["prob_short"] <= prob + 1e-9
    assert (need > carried - 1).mean() > prob
    assert socks["spare"] >= 0.0
