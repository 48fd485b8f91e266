"""How near the routing adapter comes to the best known tours of published instances.

Off by default: name a folder of instances, ``*.txt`` in Solomon's form or ``*.vrp`` in that of
VRPLIB, each with its ``.sol`` beside it, and run

    VAULTPLAN_INSTANCES=DIR python -m pytest tests/benchmarks/test_routing.py -m benchmark_run

Every instance gets 30 s (``VAULTPLAN_SECONDS``) on one core. Distances are ten times the straight
ones, truncated, as the best known costs are reckoned. Writes ``.benchmarks/routing.json``.
"""

from __future__ import annotations

import importlib.metadata
import json
import os
import platform
import re
import time
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

pytestmark = [pytest.mark.benchmark_run, pytest.mark.timeout(0)]

SCALE = 10


def _solomon(text: str) -> RoutingProblem:
    lines = [line.split() for line in text.splitlines()]
    numbers = [[float(word) for word in line] for line in lines if _is_numbers(line)]
    count, capacity = next(row for row in numbers if len(row) == 2)
    rows = np.array([row for row in numbers if len(row) == 7])
    return _problem(rows[:, 1:3], rows[:, 3], rows[:, 4:6], rows[:, 6], int(count), int(capacity))


def _is_numbers(words: list[str]) -> bool:
    return bool(words) and all(re.fullmatch(r"-?\d+(\.\d*)?", word) for word in words)


def _vrplib(text: str) -> RoutingProblem:
    facts = dict(re.findall(r"^(\w+)\s*:\s*(\S+)", text, re.MULTILINE))
    parts = dict(re.findall(r"^(\w+_SECTION)\s*\n((?:\s*-?\d.*\n)+)", text, re.MULTILINE))

    def column(name: str, width: int) -> np.ndarray | None:
        if name not in parts:
            return None
        rows = [[float(w) for w in line.split()] for line in parts[name].splitlines() if line]
        return np.array(rows)[:, 1 : width + 1]

    at = column("NODE_COORD_SECTION", 2)
    demand = column("DEMAND_SECTION", 1)[:, 0]
    windows = column("TIME_WINDOW_SECTION", 2)
    service = column("SERVICE_TIME_SECTION", 1)
    flat = np.full(len(at), float(facts.get("SERVICE_TIME", 0)))
    released = column("RELEASE_TIME_SECTION", 1)
    return _problem(
        at,
        demand,
        np.tile([0.0, 1e6], (len(at), 1)) if windows is None else windows,
        flat if service is None else service[:, 0],
        int(facts.get("VEHICLES", len(at))),
        int(facts["CAPACITY"]),
        released=None if released is None else released[:, 0],
        may_reload="VEHICLES_RELOAD_DEPOT_SECTION" in parts,
    )


def _problem(
    at, demand, windows, service, count, capacity, *, released=None, may_reload=False
) -> RoutingProblem:
    straight = np.hypot(*(at[:, None] - at[None, :]).transpose(2, 0, 1))
    distance = np.floor(SCALE * straight).astype(np.int64)
    windows, took = (SCALE * windows).astype(int), (SCALE * np.asarray(service)).astype(np.int64)
    took[0] = 0
    duration = distance + took[:, None]
    np.fill_diagonal(duration, 0)
    visits = tuple(
        Visit(
            place=n,
            windows=((int(windows[n, 0]), int(windows[n, 1])),),
            load=(int(demand[n]),),
            released=0 if released is None else int(SCALE * released[n]),
            is_required=True,
        )
        for n in range(1, len(at))
    )
    opens, closes = (int(edge) for edge in windows[0])
    vehicle = Vehicle(
        start=0,
        end=0,
        opens=opens,
        closes=closes,
        count=count,
        capacity=(capacity,),
        reloads=(0,) if may_reload else (),
    )
    return RoutingProblem(
        visits, (Station(0, opens, closes),), (vehicle,), (distance,), (duration,)
    )


def _best_known(path: Path) -> float:
    return float(re.search(r"^Cost:?\s*([\d.]+)", path.read_text(), re.MULTILINE)[1])


def test_published_instances() -> None:
    folder = os.environ.get("VAULTPLAN_INSTANCES")
    if not folder:
        pytest.skip("name a folder of instances in VAULTPLAN_INSTANCES")
    seconds = float(os.environ.get("VAULTPLAN_SECONDS", "30"))
    told = {}
    for path in sorted(Path(folder).iterdir()):
        if path.suffix not in (".txt", ".vrp") or not path.with_suffix(".sol").exists():
            continue
        read = _solomon if path.suffix == ".txt" else _vrplib
        problem = read(path.read_text())
        begun = time.monotonic()
        tours = solve_routing(problem, budget=Budget(seconds), seed=1)
        took = time.monotonic() - begun
        served = [stop.visit for tour in tours for stop in tour.stops if stop.visit is not None]
        assert sorted(served) == list(range(len(problem.visits))), path.name
        cost, best = sum(tour.distance for tour in tours), _best_known(path.with_suffix(".sol"))
        best *= SCALE if best < cost / 5 else 1
        gap = round(100 * (cost / best - 1), 2)
        told[path.stem] = {"cost": cost, "best known": best, "gap, %": gap, "s": round(took, 1)}
    gaps = [row["gap, %"] for name, row in told.items() if "0.5" not in name]
    told["mean gap of one trip a vehicle, %"] = round(float(np.mean(gaps)), 2)
    told["machine"] = f"one core, {platform.machine()}, {platform.system()}"
    told["pyvrp"] = importlib.metadata.version("pyvrp")
    out = Path(".benchmarks/routing.json")
    out.parent.mkdir(exist_ok=True)
    out.write_text(json.dumps(told, indent=2) + "\n")
