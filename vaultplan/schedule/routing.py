"""Routing problems in plain words, and the PyVRP solver behind them.

Visits may be skipped for the loss of their worth, have several windows, and load a vehicle in
several measures; vehicles start and end at stations, may empty there on the way, and each drives by
a profile of distances and durations.

References
----------
Wouda, N. A., Lan, L., Kool, W. (2024): PyVRP: a high-performance VRP solver package. INFORMS
Journal on Computing 36(4), 943-955, doi:10.1287/ijoc.2023.0055.
"""

from __future__ import annotations

import time
import warnings
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import pyvrp

Matrix = npt.NDArray[np.int64]
Window = tuple[int, int]

#: On an arc this long no visit is worth its drive: it closes the arc.
CLOSED: Final = 3_000_000


@dataclass(frozen=True, slots=True)
class Visit:
    """A place to serve: its service must start inside one of the windows.

    The trip that serves it may not leave a station before ``released``.
    """

    place: int
    windows: tuple[Window, ...]
    service: int = 0
    load: tuple[int, ...] = ()
    worth: int = 0
    released: int = 0
    is_required: bool = False


@dataclass(frozen=True, slots=True)
class Station:
    """A place where vehicles start, end or empty, open between two moments."""

    place: int
    opens: int
    closes: int
    service: int = 0


@dataclass(frozen=True, slots=True)
class Vehicle:
    """``count`` equal vehicles; start, end and reloads are numbers of stations.

    With ``starts_late`` unset, a vehicle may leave as late as it likes and its ``shift`` counts
    from there.
    """

    start: int
    end: int
    opens: int
    closes: int
    count: int = 1
    capacity: tuple[int, ...] = ()
    profile: int = 0
    reloads: tuple[int, ...] = ()
    starts_late: int | None = None
    shift: int | None = None
    overtime: int = 0
    overtime_weight: int = 0


@dataclass(frozen=True, slots=True)
class RoutingProblem:
    """Visits, stations and vehicles over one square of distances and durations per profile."""

    visits: tuple[Visit, ...]
    stations: tuple[Station, ...]
    vehicles: tuple[Vehicle, ...]
    distances: tuple[Matrix, ...]
    durations: tuple[Matrix, ...]


@dataclass(frozen=True, slots=True)
class Stop:
    """One stop of a tour: a visit, or a station at which the vehicle emptied."""

    visit: int | None
    station: int | None
    start: int


@dataclass(frozen=True, slots=True)
class Tour:
    """One vehicle's way: ``copy`` tells equal vehicles apart."""

    vehicle: int
    copy: int
    stops: tuple[Stop, ...]
    start: int
    end: int
    distance: int


@dataclass(frozen=True, slots=True)
class Budget:
    """When the solver stops: after so many iterations if any are set, else after seconds."""

    seconds: float = 1.0
    iterations: int = 0

    def share(self, part: float) -> Budget:
        """Return the budget of one stage; iterations are each stage's own."""
        return Budget(self.seconds * part, self.iterations)

    def spent(self, rounds: int, began: float) -> float:
        """Return the share that is used up after so many rounds since a monotonic second."""
        if self.iterations:
            return rounds / self.iterations
        return (time.monotonic() - began) / max(self.seconds, 1e-9)


class _Until:
    """The solver's stopping rule: the budget, telling every hundredth of it that is spent."""

    def __init__(self, budget: Budget, tell: Callable[[float], None] | None) -> None:
        self.budget, self.tell = budget, tell
        self.rounds, self.told, self.began = 0, -1, time.monotonic()

    def __call__(self, best_cost: int) -> bool:  # noqa: ARG002 (the solver names it)
        spent = self.budget.spent(self.rounds, self.began)
        self.rounds += 1
        if self.tell is not None and int(spent * 100) > self.told:
            self.told = int(spent * 100)
            self.tell(min(spent, 1.0))
        return spent >= 1.0


#: A tour to start from: number of the vehicle, and its visits with the second each starts.
Begun = tuple[int, Sequence[tuple[int, int]]]


@dataclass(slots=True)
class _Data:
    problem: pyvrp.ProblemData
    visit_of_client: list[int] = field(default_factory=list)


def solve_routing(
    problem: RoutingProblem,
    *,
    budget: Budget,
    seed: int,
    begin: Sequence[Begun] = (),
    on_progress: Callable[[float], None] | None = None,
) -> tuple[Tour, ...]:
    """Return the best tours found; the same seed and iterations give the same tours.

    A visit that no tour holds was skipped. Tours that break a limit are left out, so what comes
    back can be driven even if the solver ran out of time. The search starts from the tours in
    ``begin``, if there are any.
    """
    if not problem.visits or not problem.vehicles:
        return ()
    data = _data(problem)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        result = pyvrp.solve(
            data.problem,
            _Until(budget, on_progress),
            seed=seed,
            collect_stats=False,
            display=False,
            initial_solution=_solution(data, problem, begin),
        )
    used: dict[int, int] = {}
    tours = []
    for route in result.best.routes():
        if not route.is_feasible() or route.distance() >= CLOSED:
            continue
        vehicle = int(route.vehicle_type())
        copy = used.get(vehicle, 0)
        used[vehicle] = copy + 1
        schedule = list(route.schedule())
        stops = tuple(
            Stop(data.visit_of_client[step.idx], None, int(step.start_time))
            if step.is_client()
            else Stop(None, int(step.idx), int(step.start_time))
            for step in schedule[1:-1]
        )
        tours.append(
            Tour(
                vehicle,
                copy,
                stops,
                int(route.start_time()),
                int(route.end_time()),
                int(route.distance()),
            )
        )
    return tuple(tours)


def _solution(
    data: _Data, problem: RoutingProblem, begin: Sequence[Begun]
) -> pyvrp.Solution | None:
    if not begin:
        return None
    clients: dict[int, list[int]] = {}
    for client, visit in enumerate(data.visit_of_client):
        clients.setdefault(visit, []).append(client)
    routes = []
    for vehicle, visits in begin:
        chosen = []
        for visit, start in visits:
            windows = problem.visits[visit].windows
            fits = [k for k, (opens, closes) in enumerate(windows) if opens <= start <= closes]
            chosen.append(clients[visit][fits[0] if fits else 0])
        routes.append(pyvrp.Route(data.problem, chosen, vehicle))
    return pyvrp.Solution(data.problem, routes)


def _data(problem: RoutingProblem) -> _Data:
    clients: list[pyvrp.Client] = []
    groups: list[pyvrp.ClientGroup] = []
    visit_of_client: list[int] = []
    for number, visit in enumerate(problem.visits):
        group = len(groups) if len(visit.windows) > 1 else None
        members = range(len(clients), len(clients) + len(visit.windows))
        for opens, closes in visit.windows:
            clients.append(
                pyvrp.Client(
                    visit.place,
                    pickup=list(visit.load),
                    service_duration=visit.service,
                    tw_early=opens,
                    tw_late=closes,
                    release_time=visit.released,
                    prize=visit.worth,
                    required=visit.is_required and group is None,
                    group=group,
                )
            )
            visit_of_client.append(number)
        if group is not None:
            groups.append(pyvrp.ClientGroup(list(members), required=visit.is_required))
    stations = [
        pyvrp.Depot(s.place, tw_early=s.opens, tw_late=s.closes, service_duration=s.service)
        for s in problem.stations
    ]
    data = pyvrp.ProblemData(
        [pyvrp.Location(0.0, 0.0) for _ in range(len(problem.distances[0]))],
        clients,
        stations,
        [_vehicle_type(vehicle) for vehicle in problem.vehicles],
        _matrices(problem.distances),
        _matrices(problem.durations),
        groups,
    )
    return _Data(data, visit_of_client)


def _matrices(matrices: tuple[Matrix, ...]) -> Any:
    return list(matrices)


def _vehicle_type(vehicle: Vehicle) -> pyvrp.VehicleType:
    optional: dict[str, Any] = {}
    if vehicle.shift is not None:
        optional["shift_duration"] = vehicle.shift
    if vehicle.starts_late is not None:
        optional["start_late"] = vehicle.starts_late
    return pyvrp.VehicleType(
        vehicle.count,
        capacity=list(vehicle.capacity),
        start_depot=vehicle.start,
        end_depot=vehicle.end,
        tw_early=vehicle.opens,
        tw_late=vehicle.closes,
        profile=vehicle.profile,
        reload_depots=list(vehicle.reloads),
        max_overtime=vehicle.overtime,
        unit_overtime_cost=vehicle.overtime_weight,
        **optional,
    )
