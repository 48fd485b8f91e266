"""The routing adapter on a published instance small enough to be solved to the end in a second.

Solomon, M. M. (1987), Algorithms for the vehicle routing and scheduling problems with time window
constraints, Operations Research 35(2), 254-265, doi:10.1287/opre.35.2.254: instance R101, its yard
and first 25 customers. The optimum, distances cut off after one decimal, is 617.1 with 8 vehicles
(Kohl et al. 1999 and later papers; value from memory).
"""

from __future__ import annotations

import numpy as np
import pytest

from vaultplan.schedule.routing import (
    Budget,
    RoutingProblem,
    Station,
    Vehicle,
    Visit,
    solve_routing,
)

#: x, y, demand, ready, due, service; the yard first.
R101 = np.array(
    [
        (35, 35, 0, 0, 230, 0),
        (41, 49, 10, 161, 171, 10),
        (35, 17, 7, 50, 60, 10),
        (55, 45, 13, 116, 126, 10),
        (55, 20, 19, 149, 159, 10),
        (15, 30, 26, 34, 44, 10),
        (25, 30, 3, 99, 109, 10),
        (20, 50, 5, 81, 91, 10),
        (10, 43, 9, 95, 105, 10),
        (55, 60, 16, 97, 107, 10),
        (30, 60, 16, 124, 134, 10),
        (20, 65, 12, 67, 77, 10),
        (50, 35, 19, 63, 73, 10),
        (30, 25, 23, 159, 169, 10),
        (15, 10, 20, 32, 42, 10),
        (30, 5, 8, 61, 71, 10),
        (10, 20, 19, 75, 85, 10),
        (5, 30, 2, 157, 167, 10),
        (20, 40, 12, 87, 97, 10),
        (15, 60, 17, 76, 86, 10),
        (45, 65, 9, 126, 136, 10),
        (45, 20, 11, 62, 72, 10),
        (45, 10, 18, 97, 107, 10),
        (55, 5, 29, 68, 78, 10),
        (65, 35, 3, 153, 163, 10),
        (65, 20, 6, 172, 182, 10),
    ]
)


@pytest.fixture(scope="module")
def problem() -> RoutingProblem:
    at = R101[:, :2].astype(float)
    distance = np.floor(10 * np.hypot(*(at[:, None] - at[None, :]).transpose(2, 0, 1)))
    distance = distance.astype(np.int64)
    duration = distance + 10 * R101[:, 5][:, None]
    np.fill_diagonal(duration, 0)
    visits = tuple(
        Visit(n, ((int(10 * ready), int(10 * due)),), load=(int(demand),), is_required=True)
        for n, (demand, ready, due) in enumerate(R101[1:, 2:5].tolist(), start=1)
    )
    closes = int(10 * R101[0, 4])
    vehicle = Vehicle(0, 0, 0, closes, count=25, capacity=(200,))
    return RoutingProblem(visits, (Station(0, 0, closes),), (vehicle,), (distance,), (duration,))


def test_the_optimum_is_found(problem):
    tours = solve_routing(problem, budget=Budget(iterations=600), seed=2)
    assert sum(tour.distance for tour in tours) == 6171
    assert len(tours) == 8


def test_every_tour_can_be_driven_at_the_times_it_says(problem):
    for tour in solve_routing(problem, budget=Budget(iterations=600), seed=2):
        now, at = 0, 0
        for stop in tour.stops:
            place = stop.visit + 1
            now += int(problem.durations[0][at, place])
            ready, due = 10 * R101[place, 3], 10 * R101[place, 4]
            now = max(now, int(ready))
            assert stop.start >= now - 1e-9
            assert ready <= stop.start <= due
            now, at = stop.start, place


def test_a_visit_is_not_begun_before_it_is_released(problem):
    """From the yard one visit 10 away, released at 500: there at 510 at the earliest."""
    visit = Visit(1, ((0, 2000),), released=500, is_required=True)
    square = np.array([[0, 10], [10, 0]], dtype=np.int64)
    one = RoutingProblem(
        (visit,), (Station(0, 0, 5000),), (Vehicle(0, 0, 0, 5000),), (square,), (square,)
    )
    (tour,) = solve_routing(one, budget=Budget(iterations=20), seed=1)
    assert tour.stops[0].start == 510
