"""Twenty kills of every step on both stores, in figures.

Off by default; run

    python -m pytest tests/faults/test_figures.py -m benchmark_run

Writes ``.benchmarks/faults.json``: faults tried, survived, rows lost, with the machine. The moments
are spread over the whole of each step; those of ``held`` steps over what follows the reckoning.
"""

from __future__ import annotations

import json
import os
import platform
import sqlite3
from dataclasses import replace
from pathlib import Path

import pytest

from .forge import Forge
from .killing import EVERYWHERE, Figures, Span, Step, spread, survive
from .places import Place
from .test_killed import unharmed

pytestmark = [pytest.mark.benchmark_run, pytest.mark.timeout(0)]

KILLS = 20
THROUGHOUT: tuple[Span, ...] = (("start", "done"),)
WRITTEN = Path(".benchmarks") / "faults.json"


def written(store: str, name: str, figures: Figures) -> None:
    """Put the figures of one step beside the others in the file."""
    told = json.loads(WRITTEN.read_text()) if WRITTEN.exists() else {}
    told["machine"] = {
        "cores": os.cpu_count(),
        "system": platform.platform(),
        "python": platform.python_version(),
        "sqlite": sqlite3.sqlite_version,
    }
    told.setdefault(store, {})[name] = figures.told()
    WRITTEN.parent.mkdir(exist_ok=True)
    WRITTEN.write_text(json.dumps(told, indent=2) + "\n", encoding="utf-8")


@pytest.mark.parametrize("name", ["load", "upgrade", "forecast", "plan"])
def test_twenty_kills_of_a_step(
    forge: Forge, place: Place, files: Path, tmp_path: Path, name: str
) -> None:
    store = "embedded" if place.is_embedded else "postgis"
    out = tmp_path / "out"
    steps = {
        "load": Step({"do": "load", "files": str(files.with_name("more"))}, "half"),
        "upgrade": Step({"do": "upgrade"}, "old"),
        "forecast": Step({"do": "forecast"}, "town", out, there={"water.csv": "earlier"}),
        "plan": Step({"do": "plan"}, "town", out),
    }
    whole = steps[name]
    spans = EVERYWHERE if name in ("load", "upgrade") else THROUGHOUT
    found = survive(forge, place, whole, lambda told: spread(told, KILLS, 21, spans), inside=0)
    written(store, name, found)
    unharmed(found)
    if name in ("forecast", "plan"):
        writing: tuple[Span, ...] = (("writing", "kept"),)
        held = replace(whole, held=True)
        found = survive(forge, place, held, lambda told: spread(told, KILLS, 22, writing), inside=5)
        written(store, f"{name}, its writing", found)
        unharmed(found)
