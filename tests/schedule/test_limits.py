"""Limits of a tour that are no matter of time."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from vaultplan.schedule.clock import WeekClock
from vaultplan.schedule.limits import carries, gallons_drained, pairs_of, without_idle_dumps
from vaultplan.schedule.model import Job, Site, Week


def _job(load_gal, **more):
    return Job(
        order_id="o", vault_id="v", place=0, method="vacuum_truck", days=(0,), windows=((0, 9),),
        skill="", load_gal=load_gal, setup=0, task=0, refill=9, socks=0, worth=1, **more,
    )  # fmt: skip


def _week(made, *jobs, sites=None, **more):
    square = np.zeros((1, 1), dtype=np.int64)
    sites = sites or (Site("s", 0, 0, (0,), (9,)),)
    clock = WeekClock.of(made.MONDAY, made.ZONE)
    return Week(clock, tuple(jobs), (), (), tuple(sites), square, square.tolist(), 1, **more)


def test_a_tank_holds_a_trip_and_ends_empty(made):
    week = _week(made, _job(600.0), _job(500.0))
    assert carries(week, [0, 1, -1], 1100.0)
    assert not carries(week, [0, 1, -1], 1099.0)
    assert carries(week, [0, -1, 1, -1], 600.0)
    assert not carries(week, [0, -1, 1], 5000.0)


def test_waste_is_not_mixed_and_goes_where_it_is_taken(made):
    sites = (
        Site("s", 0, 0, (0,), (9,), frozenset({"sediment"})),
        Site("all", 0, 0, (0,), (9,)),
    )
    week = _week(made, _job(1.0), _job(1.0, waste="oily"), _job(1.0, waste="pcb"), sites=sites)
    assert not carries(week, [0, 1, -2], 100.0)
    assert carries(week, [0, -1, 1, -2], 100.0)
    assert not carries(week, [1, -1], 100.0)
    assert not carries(week, [2, -2], 100.0)


def test_a_trip_seldom_exceeds_the_tank_in_joint_draws(made):
    """Each alone exceeds 100 in no draw; together in 2 of 10: allowed at 0.2, not at 0.19."""
    one = np.array([60.0, 60.0, *[10.0] * 8])
    week = _week(made, _job(10.0), _job(10.0), draws=np.stack([one, one]), run_out_prob=0.2)
    assert carries(week, [0, 1, -1], 100.0)
    tight = replace(week, run_out_prob=0.19)
    assert not carries(tight, [0, 1, -1], 100.0)
    assert carries(tight, [0, -1, 1, -1], 100.0)
    assert without_idle_dumps(week, [0, -1, 1, -1], 100.0) == [0, 1, -1]
    assert without_idle_dumps(tight, [0, -1, 1, -1], 100.0) == [0, -1, 1, -1]


def test_idle_dumps_are_dropped_between_like_loads_only(made):
    week = _week(made, _job(40.0), _job(40.0), _job(40.0, waste="oily"))
    assert without_idle_dumps(week, [-1, 0, -1, -1, 1, -1], 100.0) == [0, 1, -1]
    assert without_idle_dumps(week, [0, -1, 1, -1], 70.0) == [0, -1, 1, -1]
    assert without_idle_dumps(week, [0, -1, 2, -1], 100.0) == [0, -1, 2, -1]


def test_gallons_go_to_capped_outfalls_from_pump_outs_only():
    pumped = _job(100.0, outfall="f", cap_gal=500.0)
    jobs = [
        replace(pumped, method="storm_drain"),
        replace(pumped, method="filter_sock", load_gal=50.0),
        pumped,
        replace(pumped, method="storm_drain", cap_gal=float("inf"), outfall="g"),
    ]
    assert gallons_drained(jobs) == {"f": 150.0}


@pytest.mark.parametrize("names", [("p", "p", ""), ("p", "q", "")])
def test_a_pair_needs_two(made, names):
    week = _week(made, *(_job(1.0, pair=name) for name in names))
    both = names[0] == names[1]
    assert pairs_of(week) == ({0: (0, 1), 1: (0, 1)} if both else {})
