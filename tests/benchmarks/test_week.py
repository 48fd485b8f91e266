"""How good and how fast a week's schedule is, beside the same week without what ties its fleets.

Off by default; run

    python -m pytest tests/benchmarks/test_week.py -m benchmark_run

Weeks come from ``generated_week`` of ``tests/schedule/conftest.py``. The uncoupled optimum is the
drive time that crews and vacuum trucks need when neither waits for the other, each solved apart
with as many seconds as the week has. Writes ``.benchmarks/week.json``.
"""

from __future__ import annotations

import importlib.metadata
import importlib.util
import json
import platform
import resource
import sys
import time
from dataclasses import replace
from pathlib import Path

import pytest

from vaultplan.schedule import check_plan, solve_week
from vaultplan.schedule.crews import crew_routes
from vaultplan.schedule.routing import Budget
from vaultplan.schedule.vacuum import vacuum_routes
from vaultplan.schedule.week import read_week
from vaultplan.settings import ScheduleSettings

pytestmark = [pytest.mark.benchmark_run, pytest.mark.timeout(0)]

SECONDS = 60.0
#: Jobs, crews, vacuum trucks, seeds, seconds.
SIZES = (
    (300, 8, 3, (1, 2, 3, 4, 5), SECONDS),
    (430, 8, 3, (1, 2, 3), SECONDS),
    (1500, 12, 3, (1, 2), 200.0),
)


def _weeks():
    path = Path(__file__).parents[1] / "schedule" / "conftest.py"
    spec = importlib.util.spec_from_file_location("invented_weeks", path)
    module = importlib.util.module_from_spec(spec)
    sys.modules["invented_weeks"] = module
    spec.loader.exec_module(module)
    return module


def _uncoupled_hours(made, frames, settings, seed) -> float:
    """Return hours driven when crews need no vacuum truck and vacuum trucks no crew."""
    week, _ = read_week(frames, made.MONDAY, time_zone=made.ZONE, settings=settings)
    light = replace(
        week,
        jobs=tuple(
            replace(job, method="storm_drain", load_gal=0.0) if job.needs_vacuum else job
            for job in week.jobs
        ),
    )
    budget = Budget(settings.seconds)
    drive = 0
    for row, tour in crew_routes(light, budget=budget, seed=seed).items():
        places = [week.crews[row].yard, *(week.jobs[n].place for n, _ in tour)]
        drive += sum(
            int(week.drive[a, b]) for a, b in zip(places, [*places[1:], places[0]], strict=True)
        )
    offers = {n: job.windows for n, job in enumerate(week.jobs) if job.needs_vacuum}
    for row, stops in vacuum_routes(week, offers, budget=budget, seed=seed).items():
        at = [week.jobs[s].place if s >= 0 else week.sites[-1 - s].place for s in stops]
        places = [week.vacuums[row].yard, *at]
        drive += sum(
            int(week.drive[a, b]) for a, b in zip(places, [*places[1:], places[0]], strict=True)
        )
    return drive / 3600.0


def _home_hours(made, frames, stops, settings) -> float:
    """Return hours driven with the way home, which the table of stops leaves out."""
    week, _ = read_week(frames, made.MONDAY, time_zone=made.ZONE, settings=settings)
    place = {job.order_id: job.place for job in week.jobs}
    site = {one.site_id: one.place for one in week.sites}
    yard = {shift.truck_id: shift.yard for shift in (*week.crews, *week.vacuums)}
    total = float(stops["drive_minutes"].sum()) * 60.0
    for (truck, _), tour in stops.sort_values("stop_number").groupby(["truck_id", "on"]):
        last = tour.iloc[-1]
        at = site[last["site_id"]] if last["kind"] == "dump" else place[last["order_id"]]
        total += float(week.drive[at, yard[truck]])
    return total / 3600.0


@pytest.mark.parametrize(("jobs", "crews", "vacuums", "seeds", "seconds"), SIZES)
def test_weeks(jobs, crews, vacuums, seeds, seconds) -> None:
    made = _weeks()
    settings = ScheduleSettings(seconds=seconds)
    found = []
    for seed in seeds:
        frames = made.generated_week(seed, jobs, crews=crews, vacuums=vacuums)
        begun = time.monotonic()
        stops, left = solve_week(
            frames, made.MONDAY, plan_id="p", time_zone=made.ZONE, settings=settings, seed=seed
        )
        took = time.monotonic() - begun
        plan = frames | {"plan_stops": stops, "plan_unserved": left}
        breaches = check_plan(plan, time_zone=made.ZONE, settings=settings)
        assert breaches == []
        hours = _home_hours(made, frames, stops, settings)
        row = {"seed": seed, "unserved": len(left), "breaches": len(breaches), "s": round(took, 1),
               "driven, h": round(hours, 1)}  # fmt: skip
        if jobs == SIZES[0][0]:
            apart = _uncoupled_hours(made, frames, settings, seed)
            row |= {"uncoupled, h": round(apart, 1), "times": round(hours / apart, 3)}
        found.append(row)
    _write(f"{jobs} jobs, {crews} crews, {vacuums} vacuum trucks, {seconds:.0f} s", found)


def _write(name: str, rows: list[dict]) -> None:
    path = Path(".benchmarks/week.json")
    path.parent.mkdir(exist_ok=True)
    told = json.loads(path.read_text()) if path.exists() else {}
    told["machine"] = f"2 cores, {platform.machine()}, {platform.system()}"
    told["versions"] = {"python": platform.python_version(),
                        "pyvrp": importlib.metadata.version("pyvrp")}  # fmt: skip
    told["peak memory, MB"] = round(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024)
    told[name] = rows
    path.write_text(json.dumps(told, indent=2) + "\n")
