"""What the analyst asks of a whole fleet: hot spots, trends, samples, a draw, the yearly report.

Off by default: name a folder that ``scripts/make_fleet.py`` wrote and run

    VAULTPLAN_FLEET=DIR python -m pytest tests/benchmarks/test_analysis.py -m benchmark_run

Each is the whole command in a process of its own, with all that it writes; a database that is
loaded already can be named in ``VAULTPLAN_DB``. Written to ``.benchmarks/analysis.json``.
"""

from __future__ import annotations

import importlib.metadata
import json
import os
import platform
import subprocess
import sys
import time
from pathlib import Path

import pytest

from vaultplan import loading
from vaultplan.store.database import open_database
from vaultplan.store.read import count_rows

pytestmark = [pytest.mark.benchmark_run, pytest.mark.timeout(0)]

ASKED = {
    "hotspots, 999 random maps, with its page": (
        *("hotspots", "--permutations", "999", "--page", "hot.html"),
    ),
    "hotspots along streets": ("hotspots", "--along", "streets", "--out", "streets.csv"),
    "hotspots along drains": ("hotspots", "--along", "drains", "--out", "drains.csv"),
    "trends by district": ("trends", "--by", "district", "--out", "quarters.csv"),
    "samples": ("samples", "--out", "samples.csv"),
    "draw": ("draw", "--claim", "0.05", "--by", "land_use", "--out", "draw.csv"),
    "report": ("report", "--year", "2025", "--baseline", "2024", "--out", "report"),
}


def _taken(words: tuple[str, ...], folder: Path) -> dict[str, float]:
    told = folder / "told.txt"
    command = [sys.executable, "-c", "from vaultplan.cli import main; main()", *words]
    began = time.perf_counter()
    with told.open("w") as file:
        started = subprocess.Popen(command, cwd=folder, stdout=file, stderr=subprocess.STDOUT)
        # wait4 tells the memory of this one process, not of all before it.
        _, status, used = os.wait4(started.pid, 0)
    seconds = time.perf_counter() - began
    started.returncode = os.waitstatus_to_exitcode(status)
    assert started.returncode == 0, told.read_text()[-2000:]
    return {
        "seconds": round(seconds, 1),
        "processor_seconds": round(used.ru_utime + used.ru_stime, 1),
        "peak_mb": round(used.ru_maxrss / 1024),
    }


def test_what_the_analyst_asks(tmp_path: Path) -> None:
    fleet = os.environ.get("VAULTPLAN_FLEET")
    if not fleet:
        pytest.skip("name a folder of scripts/make_fleet.py in VAULTPLAN_FLEET")
    database = os.environ.get("VAULTPLAN_DB")
    if not database:
        database = str(tmp_path / "fleet.gpkg")
        loading.new(database, "EPSG:32606", time_zone="Etc/GMT+10")
        loading.load(database, "all", Path(fleet))
    with open_database(database) as opened:
        vaults = count_rows(opened, "vaults")
    steps = {}
    for name, words in ASKED.items():
        steps[name] = _taken((*words, "--db", str(Path(database).resolve())), tmp_path)
    report = {
        "machine": {
            "cores": os.cpu_count(),
            "python": platform.python_version(),
            "system": platform.system(),
        },
        "versions": {
            name: importlib.metadata.version(name) for name in ("numpy", "pandas", "scipy", "h3")
        },
        "vaults": vaults,
        "steps": steps,
    }
    folder = Path(".benchmarks")
    folder.mkdir(exist_ok=True)
    (folder / "analysis.json").write_text(json.dumps(report, indent=1) + "\n", encoding="utf-8")
