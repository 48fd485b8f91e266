"""The whole of ``vaultplan plan`` on fleets of several sizes: anew, and after 500 new visits.

Off by default: name folders that ``scripts/make_fleet.py`` wrote, smallest first, and run

    VAULTPLAN_FLEETS=DIR:DIR python -m pytest tests/benchmarks/test_plan.py -m benchmark_run

Each run is a process of its own with every output written; ``solver_seconds`` is the budget the
solver was given, ``seconds_besides`` all other time. After the first run 500 visits to as many
vaults come in, then two are made again: one that may use what was kept, one of a week in which
nothing changed at all. Peak memory is that of the process or of a helper of its, whichever is
larger. Written to ``.benchmarks/plan.json``.
"""

from __future__ import annotations

import importlib.metadata
import json
import os
import platform
import subprocess
import sys
from pathlib import Path

import pytest

from vaultplan import loading

pytestmark = [pytest.mark.benchmark_run, pytest.mark.timeout(0)]

SOLVER_SECONDS = 20
PLAN = """
import json, resource, sys, time
from pathlib import Path
import pandas as pd
from vaultplan import pipeline
from vaultplan.settings import load_settings
fleet, database, out, budget = Path(sys.argv[1]), sys.argv[2], Path(sys.argv[3]), int(sys.argv[4])
settings = load_settings(fleet / "vaultplan.toml")
schedule = settings.schedule.model_copy(update={"seconds": budget})
settings = settings.model_copy(update={"schedule": schedule})
steps, began = {}, time.perf_counter()
now = ["", began]
def on_step(step, done=None, total=None):
    step = step.split(" (")[0]
    if "jobs" in step:
        step = "Schedule jobs: " + step.split(": ")[-1] if ": " in step else "Schedule jobs"
    if step != now[0]:
        moment = time.perf_counter()
        steps[now[0]] = round(steps.get(now[0], 0.0) + moment - now[1], 1)
        now[:] = [step, moment]
result = pipeline.plan(
    database, out=out, week_of=pd.Timestamp("2026-11-02"), as_of=pd.Timestamp("2026-10-30"),
    settings=settings, on_step=on_step,
)
on_step("end")
steps.pop("")
seconds = time.perf_counter() - began
peaks = [resource.getrusage(who).ru_maxrss / 1024 for who in
         (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)]
stored = any("stored before" in line for line in result.reused)
print(json.dumps({
    "seconds": round(seconds, 1),
    "seconds_besides": round(seconds - (0 if stored else budget), 1),
    "peak_mb": round(max(peaks)),
    "reused": list(result.reused),
    "jobs": len(result.frames["plan_jobs"]),
    "files": len(result.written),
    "steps": steps,
}))
"""
NEW_VISITS = """
import sys
import numpy as np, pandas as pd
from vaultplan.schema import table
from vaultplan.store.database import open_database
from vaultplan.store.read import read_table
from vaultplan.store.write import upsert
with open_database(sys.argv[1]) as database:
    vaults = read_table(database, "vaults", columns=["vault_id"])["vault_id"]
    rng = np.random.default_rng(1)
    seen = rng.choice(vaults, 500, replace=False)
    visits = table("visits").conform(pd.DataFrame({
        "visit_id": [f"NEW-{number}" for number in range(500)],
        "vault_id": seen,
        "visited_at": pd.Timestamp("2026-10-29T20:00Z"),
        "finding": "wet",
        "depth_in": rng.uniform(2, 40, 500).round(1),
        "grade": rng.choice(["clear", "light", "heavy"], 500),
        "disposal": "none",
    }))
    with database.writing() as connection:
        upsert(connection, "visits", visits)
"""


def _run(code: str, *arguments: object, kept: Path) -> str:
    command = [sys.executable, "-c", code, *(str(one) for one in arguments)]
    environment = {**os.environ, "VAULTPLAN_KEEP": str(kept)}
    done = subprocess.run(command, check=False, stdout=subprocess.PIPE, text=True, env=environment)
    assert done.returncode == 0, arguments
    return done.stdout


def _told(code: str, *arguments: object, kept: Path) -> dict[str, object]:
    return dict(json.loads(_run(code, *arguments, kept=kept).splitlines()[-1]))


def test_plans_of_growing_fleets(tmp_path: Path) -> None:
    fleets = [Path(name) for name in os.environ.get("VAULTPLAN_FLEETS", "").split(":") if name]
    if not fleets:
        pytest.skip("name folders of scripts/make_fleet.py in VAULTPLAN_FLEETS")
    found = []
    for fleet in fleets:
        database, kept, out = tmp_path / f"{fleet.name}.gpkg", tmp_path / "kept", tmp_path / "out"
        loading.new(str(database), "EPSG:32606", time_zone="Etc/GMT+10")
        loaded = loading.load(str(database), "all", fleet).outcome.set_index("table")
        told = {
            "vaults": int(loaded.loc["vaults", "loaded"]),
            "visits": int(loaded.loc["visits", "loaded"]),
        }

        asked = (fleet, database, out, SOLVER_SECONDS)
        runs = {"anew": _told(PLAN, *asked, kept=kept)}
        _run(NEW_VISITS, database, kept=kept)
        runs["after 500 visits"] = _told(PLAN, *asked, kept=kept)
        runs["nothing changed"] = _told(PLAN, *asked, kept=kept)
        found.append({**told, "runs": runs})
        database.unlink()
    names = ("numpy", "pandas", "geopandas", "pyvrp", "scipy", "typst")
    report = {
        "machine": f"{os.cpu_count()} cores, {platform.machine()}, {platform.system()}",
        "versions": {
            "python": platform.python_version(),
            **{name: importlib.metadata.version(name) for name in names},
        },
        "solver_seconds": SOLVER_SECONDS,
        "fleets": found,
    }
    folder = Path(".benchmarks")
    folder.mkdir(exist_ok=True)
    (folder / "plan.json").write_text(json.dumps(report, indent=2) + "\n", encoding="utf-8")
