"""The adapter on problems whose best tours are plain to see."""

from __future__ import annotations

import numpy as np
import pytest

from vaultplan.schedule.routing import (
    CLOSED,
    Budget,
    RoutingProblem,
    Station,
    Vehicle,
    Visit,
    solve_routing,
)

#: Yard at 0, then places along a line at 10, 20, 30.
LINE = np.abs(np.subtract.outer([0, 10, 20, 30], [0, 10, 20, 30])).astype(np.int64)
YARD = (Station(0, 0, 9999),)
FEW = Budget(iterations=100)


def problem(visits, vehicles, *, distances=LINE, durations=LINE, stations=YARD):
    return RoutingProblem(
        tuple(visits), tuple(stations), tuple(vehicles), (distances,), (durations,)
    )


def test_one_vehicle_goes_out_and_back():
    visits = [Visit(place, ((0, 9999),), worth=1000) for place in (2, 1, 3)]
    (tour,) = solve_routing(problem(visits, [Vehicle(0, 0, 0, 9999)]), budget=FEW, seed=1)
    assert tour.distance == 60
    assert [stop.visit for stop in tour.stops] in ([1, 0, 2], [2, 0, 1])


def test_a_visit_worth_less_than_its_way_is_skipped():
    visits = [Visit(1, ((0, 9999),), worth=1000), Visit(3, ((0, 9999),), worth=30)]
    (tour,) = solve_routing(problem(visits, [Vehicle(0, 0, 0, 9999)]), budget=FEW, seed=1)
    assert [stop.visit for stop in tour.stops] == [0]


def test_several_windows_serve_once_in_one_of_them():
    visits = [Visit(1, ((5, 6), (100, 101), (500, 501)), worth=1000)]
    (tour,) = solve_routing(problem(visits, [Vehicle(0, 0, 50, 300)]), budget=FEW, seed=1)
    assert [stop.start for stop in tour.stops] == [pytest.approx(100, abs=1)]


def test_loads_need_an_emptying_station_on_the_way():
    stations = (Station(0, 0, 9999), Station(2, 0, 9999, service=5))
    visits = [Visit(1, ((0, 9999),), load=(6,), is_required=True) for _ in range(2)]
    truck = Vehicle(0, 0, 0, 9999, capacity=(10,), reloads=(1,))
    (tour,) = solve_routing(problem(visits, [truck], stations=stations), budget=FEW, seed=1)
    assert [stop.station for stop in tour.stops] == [None, 1, None]


def test_a_closed_arc_is_not_driven():
    shut = LINE.copy()
    shut[:, 3] = CLOSED
    shut[3, 3] = 0
    visits = [Visit(3, ((0, 9999),), worth=CLOSED // 2)]
    closed = problem(visits, [Vehicle(0, 0, 0, 9999)], distances=shut)
    assert solve_routing(closed, budget=FEW, seed=1) == ()


def test_equal_vehicles_are_told_apart():
    visits = [Visit(place, ((30, 30),), worth=9999) for place in (1, 2, 3)]
    tours = solve_routing(problem(visits, [Vehicle(0, 0, 0, 99, count=3)]), budget=FEW, seed=1)
    assert sorted(tour.copy for tour in tours) == [0, 1, 2]


def test_nothing_to_do():
    assert solve_routing(problem([], [Vehicle(0, 0, 0, 99)]), budget=FEW, seed=1) == ()
    assert solve_routing(problem([Visit(1, ((0, 9),))], []), budget=FEW, seed=1) == ()
