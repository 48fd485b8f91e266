"""Texts that people and machines have typed into tables."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pandas as pd
import pytest

NODE = Path(__file__).parents[2] / "node"

HOSTILE = (
    '<script>alert("1")</script> & \'quoted\' "twice"',
    '=HYPERLINK("http://example.invalid", "press")',
    "A" * 200,
    "\u0634\u0627\u0631\u0639 12 \u202e \u05e8\u05d7\u05d5\u05d1 \U0001f30a\U0001f9e4",
    "tab\there\x00 and \x0b\x1f controls \ufffe\nline; semicolon, comma \\n",
)


@pytest.fixture(params=range(len(HOSTILE)))
def hostile(request: pytest.FixtureRequest) -> str:
    return HOSTILE[request.param]


def spoiled(frames: dict[str, pd.DataFrame], words: str) -> dict[str, pd.DataFrame]:
    """Return the week with ``words`` in the texts that people type."""
    frames["vaults"]["address"] = words
    frames["vaults"]["access_notes"] = words
    frames["work_orders"]["task"] = words
    frames["plan_jobs"]["task"] = words
    frames["plan_jobs"]["reason"] = words
    frames["disposal_sites"]["name"] = words
    frames["receiving_waters"]["name"] = words
    for name in ("vaults", "plan_stops", "plan_jobs", "work_orders", "forecasts", "decisions"):
        frames[name]["vault_id"] = frames[name]["vault_id"].replace({"SM-1010": words})
    frames["traces"]["vault_id"] = frames["traces"]["vault_id"].replace({"SM-1010": words})
    frames["rankings"]["vault_id"] = frames["rankings"]["vault_id"].replace({"SM-1010": words})
    return frames


@pytest.fixture(scope="session")
def node() -> Callable[..., Any]:
    """Return what runs a script of tests/node on files and hands back what it prints."""
    held = all((NODE / "node_modules" / name).exists() for name in ("@mapbox", "ical.js"))
    if not (held and shutil.which("node")):
        words = "node or its packages are missing: npm install in tests/node"
        if os.environ.get("VAULTPLAN_REQUIRE_ALL") == "1":
            pytest.fail(words)
        pytest.skip(words)

    def run(script: str, *paths: Path) -> Any:
        command = ["node", str(NODE / script), *map(str, paths)]
        return json.loads(subprocess.run(command, check=True, capture_output=True).stdout)

    return run
