"""Weeks small enough to solve by hand, and random ones that the checker must accept."""

from __future__ import annotations

from datetime import date

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import settings as budget
from hypothesis import strategies as st
from shapely import LineString

from vaultplan.errors import CRSError, ScheduleError
from vaultplan.schedule import check_plan, solve_week
from vaultplan.settings import ScheduleSettings

# Half a mile a minute, no detour, no minutes for parking: 804.672 m a minute.
MINUTE_M = 804.672
PLAIN = ScheduleSettings(speed_mph=30, detour=1.0, leg_minutes=0.0, iterations=100)


def solve(made, frames, settings=PLAIN, seed=1):
    stops, left = solve_week(
        frames,
        made.MONDAY,
        plan_id="p",
        time_zone=made.ZONE,
        settings=settings,
        seed=seed,
    )
    whole = frames | {"plan_stops": stops, "plan_unserved": left}
    return stops, left, check_plan(whole, time_zone=made.ZONE, settings=settings)


def test_one_pump_out_by_hand(made):
    # Ten minutes' drive; 10 to set up, 500 gal at 125 gal/min = 4, and 20 of work.
    frames = made.week_frames(
        [made.job(1, 10 * MINUTE_M, 0, allowed_days=made.days("tue"))], [made.crew("c")]
    )
    stops, left, breaches = solve(made, frames)
    assert len(stops) == 1 and left.empty and breaches == []
    stop = stops.iloc[0]
    assert (stop["kind"], stop["stop_number"], stop["load_gal"]) == ("pump_out", 1, 500.0)
    assert stop["on"] == pd.Timestamp("2026-11-03")
    assert stop["drive_minutes"] == pytest.approx(10, abs=0.02)
    # Ten past seven on the islands is ten past five in the afternoon in Greenwich.
    assert stop["start_at"] - pd.Timestamp("2026-11-03 17:10", tz="UTC") < pd.Timedelta("2s")
    assert (stop["leave_at"] - stop["start_at"]) == pd.Timedelta(minutes=34)


def test_a_vacuum_job_by_hand(made):
    # Vacuum truck: 10 drive, from 6:00, 10 to set up, 1,000 gal at 100 gal/min: done at 6:30.
    # Crew: 10 drive, from 7:00: starts at 7:10, inside the hour the water takes to come back.
    frames = made.week_frames(
        [
            made.job(
                1,
                10 * MINUTE_M,
                0,
                method="vacuum_truck",
                load_gal=1000.0,
                refill_minutes=60.0,
                allowed_days=made.days("wed"),
            )
        ],
        [made.crew("c"), made.vacuum("v")],
        [made.site("s", 10 * MINUTE_M, 10 * MINUTE_M)],
    )
    stops, left, breaches = solve(made, frames)
    assert left.empty and breaches == []
    assert stops[["truck_id", "kind"]].values.tolist() == [
        ["c", "work"],
        ["v", "vacuum"],
        ["v", "dump"],
    ]
    work, taken, dump = stops.itertuples()
    wait = (work.start_at - taken.leave_at).total_seconds() / 60
    assert 0 <= wait <= 60
    assert (taken.leave_at - taken.start_at) == pd.Timedelta(minutes=20)
    assert (taken.tank_after_gal, dump.load_gal, dump.tank_after_gal) == (1000.0, 1000.0, 0.0)
    assert (dump.leave_at - dump.start_at) == pd.Timedelta(minutes=20)
    assert work.socks == 0 and work.load_gal == 0.0


def test_a_slow_refill_lets_the_vacuum_truck_come_long_before_and_a_fast_one_not(made):
    # The crew may start from 11:00 only; the vacuum truck must then not be done before 10:30.
    frames = made.week_frames(
        [
            made.job(
                1,
                0,
                MINUTE_M,
                method="vacuum_truck",
                refill_minutes=30.0,
                window_from="10:00",
                allowed_days=made.days("mon"),
            )
        ],
        [made.crew("c", shift_from="11:00", shift_to="15:00"), made.vacuum("v")],
        [made.site("s", 0, 0)],
    )
    stops, left, breaches = solve(made, frames)
    assert left.empty and breaches == []
    taken = stops[stops["kind"] == "vacuum"].iloc[0]
    assert taken["leave_at"] >= pd.Timestamp("2026-11-02 20:31", tz="UTC")


def test_weight_makes_a_truck_dump_sooner_than_its_tank(made):
    # Two loads of 1,000 gal fit the tank but weigh 16,680 lb; the truck carries 12,000.
    two = [made.job(n, n * MINUTE_M, 0, method="vacuum_truck", load_gal=1000.0) for n in (1, 2)]
    light = made.vacuum("v", payload_lb=12_000.0, tank_gal=5000.0)
    frames = made.week_frames(two, [made.crew("c"), light], [made.site("s", 0, 0)])
    stops, left, breaches = solve(made, frames)
    assert left.empty and breaches == []
    vacuum = stops[stops["truck_id"] == "v"].sort_values(["on", "stop_number"])
    assert vacuum["kind"].tolist() == ["vacuum", "dump"] * 2
    heavy = frames | {"trucks": made.frame("trucks", [made.crew("c"), made.vacuum("v")])}
    stops, left, breaches = solve(made, heavy)
    assert left.empty and breaches == []
    assert (stops["kind"] == "dump").sum() == 1


def test_socks_on_board_limit_a_day(made):
    jobs = [
        made.job(n, n * 100.0, 0, method="filter_sock", allowed_days=made.days("mon"))
        for n in range(1, 5)
    ]
    frames = made.week_frames(jobs, [made.crew("c", sock_count=3)])
    stops, left, breaches = solve(made, frames)
    assert len(stops) == 3 and len(left) == 1 and breaches == []
    assert left["outcome"].tolist() == ["not_scheduled"]


def test_a_sock_job_pumps_no_faster_than_the_sock(made):
    slow = PLAIN.model_copy(update={"sock_gpm": 100.0})
    jobs = [made.job(1, 0, 100, method="filter_sock", load_gal=1000.0)]
    stops, _, breaches = solve(made, made.week_frames(jobs, [made.crew("c", pump_gpm=400)]), slow)
    lasted = stops["leave_at"].iloc[0] - stops["start_at"].iloc[0]
    assert lasted == pd.Timedelta(minutes=10 + 10 + 20) and breaches == []


REASONS = [
    ({"skill": "welding"}, {}, "not_possible", "skill welding"),
    ({"allowed_days": "2026-11-08"}, {}, "not_possible", "crews work on mon, tue"),
    ({"window_from": "20:00"}, {}, "not_possible", "its hours must change"),
    ({"task_minutes": 900.0}, {}, "not_possible", "longer than any crew's day"),
    ({"method": "vacuum_truck", "load_gal": 9000.0}, {}, "not_possible", "several loads"),
    (
        {"method": "vacuum_truck", "allowed_days": "2026-11-03"},
        {"days": "mon;wed"},
        "not_possible",
        "must come on one day",
    ),
    (
        {"method": "vacuum_truck", "window_to": "07:30"},
        {"shift_from": "08:00"},
        "not_possible",
        "its hours must change",
    ),
]


@pytest.mark.parametrize(("change", "truck", "outcome", "words"), REASONS)
def test_true_reasons(made, change, truck, outcome, words):
    frames = made.week_frames(
        [made.job(1, 100, 100, **change)],
        [made.crew("c"), made.vacuum("v", **truck)],
        [made.site("s", 0, 0)],
    )
    stops, left, breaches = solve(made, frames)
    assert stops.empty and breaches == []
    assert left["outcome"].tolist() == [outcome]
    assert words in left["reason"].iloc[0]


def test_no_trucks_no_sites_no_socks(made):
    sock = made.job(1, 1, 1, method="filter_sock")
    foul = made.job(2, 1, 1, method="vacuum_truck")
    _, left, _ = solve(made, made.week_frames([sock, foul], []))
    assert left["reason"].str.contains("no crew truck works").all()
    _, left, _ = solve(made, made.week_frames([sock, foul], [made.crew("c", sock_count=None)]))
    assert left["reason"].str.contains("filter sock|vacuum truck and none").all()
    trucks = [made.crew("c"), made.vacuum("v")]
    _, left, _ = solve(made, made.week_frames([foul], trucks))
    assert "no disposal site" in left["reason"].iloc[0]


def test_an_empty_week(made):
    stops, left, breaches = solve(made, made.week_frames([], [made.crew("c")]))
    assert stops.empty and left.empty and breaches == []


def test_the_better_ranked_job_gets_the_last_place(made):
    long = {"task_minutes": 400.0, "allowed_days": made.days("mon")}
    jobs = [made.job(1, 100, 0, score=10.0, **long), made.job(2, 100, 0, score=90.0, **long)]
    stops, left, _ = solve(made, made.week_frames(jobs, [made.crew("c")]))
    assert stops["order_id"].tolist() == ["o2"]
    assert left["order_id"].tolist() == ["o1"]
    assert "no room was found" in left["reason"].iloc[0]


def test_faults_in_trucks_are_named(made):
    jobs = [made.job(1, 0, 0)]
    for truck, words in (
        (made.crew("c", depot_id="elsewhere"), "not in depots"),
        (made.crew("c", shift_to="03:00"), "past midnight"),
        (made.crew("c", pump_gpm=0.0), "0 gal/min"),
        (made.vacuum("v", tank_gal=None), "no tank_gal"),
    ):
        with pytest.raises(ScheduleError, match=words):
            solve(made, made.week_frames(jobs, [truck]))


def test_sixty_jobs_on_streets_break_nothing_and_repeat(made):
    frames = made.generated_week(5, 60, width_m=8000.0, roads=made.grid_roads(8, 1000.0))
    frames["trucks"] = frames["trucks"][
        frames["trucks"]["truck_id"].isin(["crew05", "crew06", "vac0"])
    ]
    first = solve(made, frames, ScheduleSettings(iterations=120), seed=3)
    assert first[2] == []
    assert (first[0]["kind"] == "vacuum").sum() >= 10
    again = solve(made, frames, ScheduleSettings(iterations=120), seed=3)
    pd.testing.assert_frame_equal(first[0], again[0])
    pd.testing.assert_frame_equal(first[1], again[1])


def test_the_sunday_on_which_clocks_go_back(made):
    # Los Angeles: seven o'clock on 2026-11-01 is 15:00 UTC, a day earlier it was 14:00.
    frames = made.week_frames(
        [
            made.job(1, 10 * MINUTE_M, 0, allowed_days="2026-10-31"),
            made.job(2, 10 * MINUTE_M, 0, allowed_days="2026-11-01"),
        ],
        [made.crew("c", days="sat;sun")],
    )
    stops, left = solve_week(
        frames,
        date(2026, 10, 26),
        plan_id="p",
        time_zone="America/Los_Angeles",
        settings=PLAIN,
        seed=1,
    )
    assert stops["start_at"].dt.strftime("%d %H:%M").tolist() == ["31 14:10", "01 15:10"]
    whole = frames | {"plan_stops": stops, "plan_unserved": left}
    assert check_plan(whole, time_zone="America/Los_Angeles", settings=PLAIN) == []
    elsewhere = check_plan(whole, time_zone=made.ZONE, settings=PLAIN)
    assert "shift" in {breach.what for breach in elsewhere}


def test_legs_that_no_street_joins_are_said(made, caplog):
    island = LineString([(0, 5000), (100, 5000)])
    roads = [
        {"road_id": "a", "geometry": LineString([(0, 0), (100, 0)])},
        {"road_id": "b", "geometry": island},
    ]
    frames = made.week_frames([made.job(1, 50, 5000)], [made.crew("c")], roads=roads)
    stops, _, breaches = solve(made, frames)
    assert len(stops) == 1 and breaches == []
    assert "go by straight distance" in caplog.text


def test_tables_in_different_places_on_earth_are_refused(made):
    frames = made.week_frames([made.job(1, 50, 50)], [made.crew("c")])
    frames["depots"] = frames["depots"].to_crs("EPSG:32605")
    with pytest.raises(CRSError, match="plan_jobs"):
        solve(made, frames)


def test_progress_is_told_in_order(made):
    told: dict[str, list[float]] = {}
    frames = made.generated_week(2, 12, crews=2, vacuums=1)
    solve_week(
        frames,
        made.MONDAY,
        plan_id="p",
        time_zone=made.ZONE,
        settings=PLAIN,
        seed=1,
        on_progress=lambda stage, share: told.setdefault(stage, []).append(share),
    )
    order = ["travel times", "crews", "vacuum trucks", "both together", "crews again"]
    order += ["both together again", "times and reasons"]
    assert list(told) == order
    assert all(0 <= share <= 1 for shares in told.values() for share in shares)
    assert len(told["crews"]) > 50 and told["crews"] == sorted(told["crews"])


@budget(max_examples=12, deadline=None)
@given(seed=st.integers(0, 10_000), count=st.integers(1, 14), crews=st.integers(1, 3))
def test_the_checker_accepts_every_solved_week(made, seed, count, crews):
    """Scarce trucks, tight tanks, few socks: what is served keeps every limit, all is accounted."""
    rng = np.random.default_rng(seed)
    frames = made.generated_week(
        seed, count, crews=crews, vacuums=1, vacuum_share=0.5, width_m=9000.0
    )
    trucks = frames["trucks"]
    trucks["sock_count"] = rng.integers(0, 3, len(trucks))
    trucks["overtime_minutes"] = rng.choice([0.0, 30.0, np.nan], len(trucks))
    trucks["days"] = "mon;wed;thu"
    trucks.loc[trucks["kind"] == "vacuum", "tank_gal"] = rng.uniform(800, 4000)
    trucks.loc[trucks["kind"] == "vacuum", "payload_lb"] = rng.choice([9000.0, np.nan])
    frames["disposal_sites"]["open_to"] = "13:00"
    stops, left, breaches = solve(made, frames, ScheduleSettings(iterations=40), seed)
    assert breaches == []
    served = stops.loc[stops["kind"].isin(["work", "pump_out"]), "order_id"]
    assert served.is_unique
    assert sorted([*served, *left["order_id"]]) == sorted(frames["plan_jobs"]["order_id"])
    most = stops.groupby(["truck_id", "on"])["tank_after_gal"].max()
    tank = trucks.set_index("truck_id")["tank_gal"]
    assert all(load <= tank[truck] + 1e-6 for (truck, _), load in most.dropna().items())


@budget(max_examples=15, deadline=None)
@given(
    seed=st.integers(0, 10_000),
    count=st.integers(4, 24),
    crews=st.integers(1, 3),
    busy=st.sampled_from([1.0, 1.4]),
)
def test_the_checker_accepts_every_week_that_is_bound_in_every_way(made, seed, count, crews, busy):
    frames = made.bound_week(seed, count, crews=crews, vacuums=1, vacuum_share=0.5, width_m=9000.0)
    limits = ScheduleSettings(iterations=40, busy_factor=busy)
    stops, left, breaches = solve(made, frames, limits, seed)
    assert breaches == []
    served = stops.loc[stops["kind"].isin(["work", "pump_out"]), "order_id"]
    assert sorted([*served, *left["order_id"]]) == sorted(frames["plan_jobs"]["order_id"])


def test_a_break_is_taken_as_late_as_it_may_be(made):
    """Two jobs of 3 h from 7:00: the second would last to 13:04; a break that must start by 11:30
    is taken between them, from 11:00 on: second start 11:30."""
    long = {"allowed_days": made.days("mon"), "task_minutes": 166.0, "load_gal": 500.0}
    rest = {"break_minutes": 30.0, "break_from": "11:00", "break_to": "11:30"}
    frames = made.week_frames(
        [made.job(1, 0, 0, **long), made.job(2, 0, 0, **long)],
        [made.crew("c", shift_to="16:00", **rest)],
    )
    stops, left, breaches = solve(made, frames)
    assert left.empty and breaches == []
    local = stops["start_at"].dt.tz_convert(made.ZONE).dt.strftime("%H:%M").tolist()
    assert local == ["07:00", "11:30"]


def test_nobody_stands_there_in_barred_hours(made):
    """34 minutes at the vault: from 7:00 it would be over at 7:34, so it waits until 9:00."""
    frames = made.week_frames([made.job(1, 0, 0, no_work_hours="07:30-09:00")], [made.crew("c")])
    stops, _, breaches = solve(made, frames)
    local = stops["start_at"].dt.tz_convert(made.ZONE).dt.strftime("%H:%M").tolist()
    assert (local, breaches) == (["09:00"], [])


def test_nobody_waits_there_in_barred_hours_either(made):
    """The second vault is barred to 9:00; the truck, done at the first by 7:34, comes at 9:00."""
    frames = made.week_frames(
        [
            made.job(1, 0, 0, allowed_days=made.days("mon"), window_to="07:10"),
            made.job(2, 0, 0, allowed_days=made.days("mon"), no_work_hours="07:00-09:00"),
        ],
        [made.crew("c")],
    )
    stops, left, breaches = solve(made, frames)
    assert left.empty and breaches == []
    second = stops[stops["order_id"].eq(frames["plan_jobs"]["order_id"].iloc[1])].iloc[0]
    assert second["arrive_at"] == second["start_at"]
    assert second["start_at"].tz_convert(made.ZONE).strftime("%H:%M") == "09:00"


def test_work_lies_in_its_outage(made):
    window = {
        "outage_from": pd.Timestamp("2026-11-03 20:00", tz="UTC"),
        "outage_to": pd.Timestamp("2026-11-03 20:34", tz="UTC"),
    }
    stops, _, breaches = solve(
        made, made.week_frames([made.job(1, 0, 0, **window)], [made.crew("c")])
    )
    assert stops["start_at"].tolist() == [pd.Timestamp("2026-11-03 20:00", tz="UTC")]
    assert breaches == []
    window["outage_to"] -= pd.Timedelta(minutes=1)
    stops, left, _ = solve(made, made.week_frames([made.job(1, 0, 0, **window)], [made.crew("c")]))
    assert stops.empty
    assert "outage" in left["reason"].iloc[0]


def test_busy_streets_take_longer(made):
    """Ten quiet minutes from 7:00, twice as long until 7:10: 5 + 5 quiet ones, there at 7:15."""
    busy = PLAIN.model_copy(update={"busy_factor": 2.0, "busy_hours": "06:00-07:10"})
    early = {"window_to": "07:15", "allowed_days": made.days("mon")}
    frames = made.week_frames([made.job(1, 10 * MINUTE_M, 0, **early)], [made.crew("c")])
    stops, _, breaches = solve(made, frames, busy)
    assert breaches == []
    local = stops["start_at"].dt.tz_convert(made.ZONE).iloc[0]
    assert abs(local - pd.Timestamp("2026-11-02 07:15", tz=made.ZONE)) < pd.Timedelta(seconds=3)
    assert stops["drive_minutes"].iloc[0] == pytest.approx(15.0, abs=0.05)
    whole = frames | {"plan_stops": stops, "plan_unserved": made.frame("plan_unserved", [])}
    slower = busy.model_copy(update={"busy_factor": 3.0})
    found = check_plan(whole, time_zone=made.ZONE, settings=slower)
    assert {breach.what for breach in found} >= {"drive"}


def test_a_pair_goes_to_one_crew_on_one_day_or_not_at_all(made):
    far = [(0, 9000), (9000, 0)]
    pair = [made.job(n, *far[n - 1], pair_id="p", score=n * 10.0) for n in (1, 2)]
    other = [made.job(n, 100 * n, 0) for n in range(3, 9)]
    stops, left, breaches = solve(
        made, made.week_frames([*pair, *other], [made.crew("c"), made.crew("d")])
    )
    assert left.empty and breaches == []
    both = stops[stops["order_id"].isin(["o1", "o2"])]
    assert len(both[["truck_id", "on"]].drop_duplicates()) == 1
    pair[1]["allowed_days"] = "2026-11-08"
    stops, left, breaches = solve(made, made.week_frames(pair, [made.crew("c")]))
    assert stops.empty and breaches == []
    assert left["reason"].str.contains("pair").tolist() == [True, False]
    assert "crews work on" in left["reason"].iloc[1]


def test_an_outfall_gets_no_more_in_a_day_than_its_cap(made):
    jobs = [
        made.job(n, 10 * n, 0, load_gal=400.0, outfall_id="f", daily_cap_gal=900.0)
        for n in range(1, 6)
    ]
    stops, left, breaches = solve(made, made.week_frames(jobs, [made.crew("c"), made.crew("d")]))
    assert left.empty and breaches == []
    assert stops.groupby("on")["load_gal"].sum().max() == 800.0
    jobs[0]["load_gal"] = 950.0
    _, left, _ = solve(made, made.week_frames(jobs, [made.crew("c")]))
    assert left["order_id"].tolist() == ["o1"]
    assert "outfall f" in left["reason"].iloc[0]


def test_waste_is_kept_apart_and_goes_where_it_is_taken(made):
    foul = {"method": "vacuum_truck", "load_gal": 300.0, "allowed_days": made.days("mon")}
    jobs = [
        made.job(n, 10 * n, 0, waste_profile=waste, **foul)
        for n, waste in enumerate(["sediment", "oily", "sediment", "oily"])
    ]
    sites = [made.site("near", 0, 0, takes="sediment"), made.site("far", 3000, 0, takes="oily")]
    stops, left, breaches = solve(
        made, made.week_frames(jobs, [made.crew("c"), made.vacuum("v")], sites)
    )
    assert left.empty and breaches == []
    tour = stops[stops["truck_id"] == "v"].sort_values("stop_number")
    assert set(tour.loc[tour["kind"] == "dump", "site_id"]) == {"near", "far"}
    jobs[0]["waste_profile"] = "pcb"
    _, left, _ = solve(made, made.week_frames(jobs, [made.crew("c"), made.vacuum("v")], sites))
    assert "no disposal site takes pcb" in left["reason"].iloc[0]


def test_what_a_planner_asked_holds(made):
    trucks = [made.crew("c"), made.crew("d")]
    jobs = [
        made.job(1, 100, 0, kept_to="d@2026-11-05", place=2),
        made.job(2, 200, 0, kept_to="d@2026-11-05", place=1),
        made.job(3, 300, 0, barred_from="c@*;*@2026-11-02;*@2026-11-03"),
    ]
    stops, left, breaches = solve(made, made.week_frames(jobs, trucks))
    assert left.empty and breaches == []
    kept = stops[stops["order_id"].isin(["o1", "o2"])].sort_values("start_at")
    assert kept["order_id"].tolist() == ["o2", "o1"]
    assert kept["truck_id"].eq("d").all() and (kept["on"] == "2026-11-05").all()
    free = stops[stops["order_id"] == "o3"].iloc[0]
    assert free["truck_id"] == "d" and free["on"] > pd.Timestamp("2026-11-03")
    jobs[0]["kept_to"] = "d@2026-11-08"
    _, left, _ = solve(made, made.week_frames(jobs, trucks))
    assert "planner" in left["reason"].iloc[0]


def test_a_crew_without_a_pump_does_work_only(made):
    frames = made.week_frames([made.job(1, 0, 0)], [made.crew("c", pump_count=0)])
    _, left, _ = solve(made, frames)
    assert "pump on board" in left["reason"].iloc[0]
