"""Solomon's vehicle routing problems with time windows, through the project's own adapter.

Instances: Solomon, M. M. (1987): Algorithms for the vehicle routing and scheduling problems with
time window constraints. Operations Research 35(2), 254-265, doi:10.1287/opre.35.2.254; the files in
data/ are his R101 and C101 unchanged.

Best known costs: CVRPLIB's convention for these files, as in github.com/PyVRP/VRPLIB,
tests/data/cvrplib/Vrp-Set-Solomon (*.sol): the objective is distance alone, and every distance is
truncated to one decimal. Costs of the other convention (fewest vehicles first, distances in double
precision) must not be compared with these.
"""

from __future__ import annotations

from pathlib import Path

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

DATA = Path(__file__).parent / "data"
#: (instance, best known cost, solver iterations)
BEST_KNOWN = [("R101", 1637.7, 2500), ("C101", 827.3, 1000)]
#: One decimal is kept by counting in tenths.
TENTHS = 10


def read_solomon(path: Path) -> tuple[int, int, np.ndarray]:
    """Vehicles, capacity, and rows of number, x, y, demand, ready, due, service."""
    lines = [line.split() for line in path.read_text().splitlines()]
    vehicles, capacity = (int(word) for word in lines[4])
    return vehicles, capacity, np.array([[int(w) for w in line] for line in lines[9:] if line])


def as_problem(vehicles: int, capacity: int, rows: np.ndarray) -> RoutingProblem:
    x, y = rows[:, 1], rows[:, 2]
    gap = np.hypot(x[:, None] - x[None, :], y[:, None] - y[None, :])
    truncated = np.floor(gap * TENTHS).astype(np.int64)
    closes = int(rows[0, 5]) * TENTHS
    return RoutingProblem(
        visits=tuple(
            Visit(
                place=int(row[0]),
                windows=((int(row[4]) * TENTHS, int(row[5]) * TENTHS),),
                service=int(row[6]) * TENTHS,
                load=(int(row[3]),),
                is_required=True,
            )
            for row in rows[1:]
        ),
        stations=(Station(0, 0, closes),),
        vehicles=(Vehicle(0, 0, 0, closes, count=vehicles, capacity=(capacity,)),),
        distances=(truncated,),
        durations=(truncated,),
    )


@pytest.mark.parametrize(("name", "best_known", "iterations"), BEST_KNOWN)
def test_solomon_is_feasible_and_within_one_and_a_half_percent(name, best_known, iterations):
    vehicles, capacity, rows = read_solomon(DATA / f"solomon_{name}.txt")
    problem = as_problem(vehicles, capacity, rows)
    tours = solve_routing(problem, budget=Budget(iterations=iterations), seed=7)

    # Driven again here, from the file's own rows, without asking the solver.
    gap = problem.distances[0]
    seen: list[int] = []
    cost = 0
    for tour in tours:
        at, now, load = 0, 0, 0
        for stop in tour.stops:
            place = stop.visit + 1
            ready, due, service = (int(v) * TENTHS for v in rows[place, 4:7])
            now = max(now + int(gap[at, place]), ready)
            cost += int(gap[at, place])
            assert now <= due
            now, at, load = now + service, place, load + int(rows[place, 3])
            seen.append(place)
        cost += int(gap[at, 0])
        assert now + int(gap[at, 0]) <= int(rows[0, 5]) * TENTHS
        assert load <= capacity
    assert sorted(seen) == list(range(1, 101))
    assert len(tours) <= vehicles
    assert cost / TENTHS >= best_known - 1e-9, "better than the best known: the check is wrong"
    assert cost / TENTHS <= best_known * 1.015
