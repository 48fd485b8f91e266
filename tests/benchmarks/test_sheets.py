"""How long forty route sheets of twelve stops take, and how large they are.

Off by default; run

    python -m pytest tests/benchmarks/test_sheets.py -m benchmark_run

The week is the small one of ``tests/outputs/conftest.py``, its trucks and stops multiplied. Written
are forty sheets, one per truck and day, and one file per yard and day with all of them. Writes
``.benchmarks/sheets.json``.
"""

from __future__ import annotations

import importlib.metadata
import importlib.util
import json
import platform
import resource
import subprocess
import sys
import time
from pathlib import Path

import geopandas as gpd
import pandas as pd
import pytest

from vaultplan import schema
from vaultplan.outputs.sheets.write import OF_YARD, write_sheets
from vaultplan.settings import Settings

pytestmark = [pytest.mark.benchmark_run, pytest.mark.timeout(0)]

TRUCKS, DAYS, STOPS = 8, 5, 12


def _busy_week():
    """Return the small week with eight crews of twelve stops on each of five days."""
    path = Path(__file__).parents[1] / "outputs" / "conftest.py"
    spec = importlib.util.spec_from_file_location("small_week", path)
    module = importlib.util.module_from_spec(spec)
    sys.modules["small_week"] = module
    spec.loader.exec_module(module)
    frames = module._build()
    pattern = frames["plan_stops"].query("kind == 'pump_out'").iloc[0].to_dict()
    vaults = frames["vaults"]
    monday = pd.Timestamp(frames["plans"]["week_of"].iloc[0])
    rows = []
    for truck in range(TRUCKS):
        for day in range(DAYS):
            for number in range(STOPS):
                vault = vaults.iloc[(truck * 7 + day * 3 + number) % len(vaults)]
                later = pd.Timedelta(days=day, minutes=35 * number)
                moments = {n: pattern[n] + later for n in ("arrive_at", "start_at", "leave_at")}
                here = {"vault_id": vault["vault_id"], "geometry": vault["geometry"]}
                who = {"truck_id": f"C{truck + 1:02d}", "on": monday + pd.Timedelta(days=day)}
                rows.append({**pattern, **moments, **here, **who, "stop_number": number + 1})
    stops = gpd.GeoDataFrame(rows, geometry="geometry", crs=vaults.crs)
    frames["plan_stops"] = schema.table("plan_stops").conform(stops)
    return frames


def test_forty_sheets_of_twelve_stops(tmp_path) -> None:
    frames, begun = _busy_week(), time.monotonic()
    written = write_sheets(frames, tmp_path, settings=Settings())
    seconds = time.monotonic() - begun
    whole = [path for path in written if OF_YARD in path.name]
    single = [path for path in written if path not in whole]
    assert len(single) == TRUCKS * DAYS and len(whole) == DAYS
    told = subprocess.run(["pdfinfo", whole[0]], capture_output=True, text=True, check=True).stdout
    pages = int(next(line for line in told.splitlines() if line.startswith("Pages")).split()[1])
    assert pages == TRUCKS * (1 + STOPS // 2)
    found = {
        "machine": f"2 cores, {platform.machine()}, {platform.system()}",
        "versions": {
            "python": platform.python_version(),
            "typst": importlib.metadata.version("typst"),
        },
        "sheets": len(single),
        "stops each": STOPS,
        "seconds, the files of yards included": round(seconds, 1),
        "MB of all single sheets": round(sum(p.stat().st_size for p in single) / 1e6, 2),
        "MB of the largest file": round(max(p.stat().st_size for p in written) / 1e6, 2),
        "peak memory, MB": round(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024),
    }
    path = Path(".benchmarks/sheets.json")
    path.parent.mkdir(exist_ok=True)
    path.write_text(json.dumps(found, indent=2) + "\n")
