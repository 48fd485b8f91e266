"""Time and memory of forecast, trace and rules on a cluster, beside one process on the same fleet.

Off by default: name a folder that ``scripts/make_fleet.py`` wrote and run

    VAULTPLAN_FLEET=DIR python -m pytest tests/benchmarks/test_cluster.py -m benchmark_run

Every vault is forecast for a day, traced and judged: by one process, and by 1 and 2 workers on this
machine (``VAULTPLAN_WORKERS=1,2,4`` for others), each case in a process begun for it. Writes
``.benchmarks/cluster.json``: seconds, peak memory of this process and of the largest worker, and
whether the results are the same bytes.
"""

from __future__ import annotations

import hashlib
import importlib.metadata
import json
import os
import platform
import subprocess
import sys
import time
from pathlib import Path

import pandas as pd
import pytest

from vaultplan import loading, spread, week
from vaultplan.settings import load_settings
from vaultplan.spread.cluster import peak_mb

pytestmark = [pytest.mark.benchmark_run, pytest.mark.timeout(0)]

CRS = "EPSG:32606"


def _hash(frame: pd.DataFrame) -> str:
    """Return a hash of all values, in their order and to the last bit."""
    plain = pd.DataFrame(frame)
    if "geometry" in frame:
        plain = plain.assign(geometry=frame.geometry.to_wkb(hex=True).astype("str"))
    rows = pd.util.hash_pandas_object(plain, index=False).to_numpy()
    return hashlib.sha256(rows.tobytes()).hexdigest()[:16]


def measure(location: str, fleet: str, address: str | None) -> dict[str, object]:
    """Return seconds by step, peaks and hashes of one case."""
    settings = load_settings(Path(fleet) / "vaultplan.toml")
    ahead = week.open_week(location, None, None, settings, loading.silent)
    frames, settings = dict(ahead.frames), ahead.settings
    points = week.cross(frames["vaults"]["vault_id"], ahead.days[:1])
    drawn = list(frames["vaults"]["vault_id"].iloc[::50])
    seconds: dict[str, float] = {}
    read_mb = peak_mb()
    begun = time.perf_counter()

    def lap(name: str) -> None:
        nonlocal begun
        seconds[name] = round(time.perf_counter() - begun, 2)
        begun = time.perf_counter()

    with spread.cluster_at(address) as cluster:
        lap("start")
        frames["forecasts"] = week.forecast_points(
            frames, points, ahead.as_of, settings, loading.silent
        )
        lap("forecast")
        frames["traces"] = week.trace_paths(frames, settings, loading.silent, with_geometry=drawn)
        lap("trace")
        frames["decisions"] = spread.decide_discharges(
            frames, as_of=ahead.as_of, settings=settings, rules=ahead.rules
        )
        lap("rules")
        peaks = list(cluster.peaks_mb().values()) if cluster is not None else []
    return {
        "vaults": len(points),
        "seconds": seconds,
        "peak memory once read, MB": read_mb,
        "peak memory, MB": peak_mb(),
        "peak memory of the largest worker, MB": max(peaks, default=None),
        "hashes": {name: _hash(frames[name]) for name in ("forecasts", "traces", "decisions")},
    }


def test_a_fleet_by_one_process_and_by_workers(tmp_path: Path) -> None:
    fleet = os.environ.get("VAULTPLAN_FLEET")
    if not fleet:
        pytest.skip("name a folder of scripts/make_fleet.py in VAULTPLAN_FLEET")
    location = str(tmp_path / "fleet.gpkg")
    settings = load_settings(Path(fleet) / "vaultplan.toml")
    loading.new(location, CRS, name="Fleet", time_zone=settings.time_zone)
    loading.load(location, "all", Path(fleet))
    counts = os.environ.get("VAULTPLAN_WORKERS", "1,2").split(",")
    found = {}
    for name in ("one process", *(f"local:{count}" for count in counts)):
        words = [sys.executable, __file__, location, fleet, *([name] if ":" in name else [])]
        done = subprocess.run(words, capture_output=True, text=True, check=False)
        assert done.returncode == 0, done.stderr[-2000:]
        found[name] = json.loads(done.stdout.splitlines()[-1])
    alone = found["one process"]["hashes"]
    told = {
        "machine": f"{os.cpu_count()} cores, {platform.machine()}, {platform.system()}",
        "versions": {"python": platform.python_version()}
        | {name: importlib.metadata.version(name) for name in ("numpy", "pandas", "distributed")},
        "cases": found,
        "the same bytes": all(case["hashes"] == alone for case in found.values()),
    }
    path = Path(".benchmarks/cluster.json")
    path.parent.mkdir(exist_ok=True)
    path.write_text(json.dumps(told, indent=2) + "\n")
    assert told["the same bytes"]


if __name__ == "__main__":
    place, folder, *rest = sys.argv[1:]
    sys.stdout.write(json.dumps(measure(place, folder, rest[0] if rest else None)) + "\n")
