"""Speed and memory of taking in a fleet, beside bare reads of the same files in the same run.

Off by default: name a folder that ``scripts/make_fleet.py`` wrote and run

    VAULTPLAN_FLEET=DIR python -m pytest tests/benchmarks/test_intake.py -m benchmark_run

Each step is a process of its own; seconds (wall and processor) and peak memory are written to
``.benchmarks/intake.json`` with the machine and the versions.
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

pytestmark = pytest.mark.benchmark_run

HEAD = """
import resource, sys, time
from pathlib import Path
import numpy, pandas as pd, pyogrio, sqlite3
import vaultplan.loading
folder, work = Path(sys.argv[1]), Path(sys.argv[2])
begun, cpu = time.perf_counter(), time.process_time()
"""
TAIL = """
import json
print(json.dumps({
    "seconds": round(time.perf_counter() - begun, 1),
    "cpu_seconds": round(time.process_time() - cpu, 1),
    "peak_mb": round(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024),
    "rows": rows,
}))
"""
STEPS = {
    # What a script would do: read both files whole.
    "bare read": """
vaults = pyogrio.read_dataframe(folder / "spatial.gpkg", layer="vaults")
visits = pd.read_csv(folder / "visits.csv", dtype={"visit_id": "str", "vault_id": "str"})
rows = len(vaults) + len(visits)
""",
    # The same, with every value put into a table of SQLite by executemany.
    "bare read and insert": """
rows = 0
with sqlite3.connect(work / "bare.db") as store:
    vaults = pyogrio.read_dataframe(folder / "spatial.gpkg", layer="vaults")
    for name, frame in (
        ("vaults", pd.DataFrame(vaults.assign(geometry=vaults.geometry.to_wkb()))),
        ("visits", pd.read_csv(folder / "visits.csv", dtype={"visit_id": "str"})),
    ):
        names = ", ".join(frame.columns)
        store.execute(f"CREATE TABLE {name} (fid INTEGER PRIMARY KEY, {names})")
        marks = ", ".join("?" * len(frame.columns))
        plain = frame.astype(object).where(frame.notna(), None)
        store.executemany(
            f"INSERT INTO {name} ({names}) VALUES ({marks})", plain.itertuples(index=False)
        )
        store.execute(f"CREATE UNIQUE INDEX {name}_key ON {name} ({frame.columns[0]})")
        rows += len(frame)
""",
    # Every row read, recognised, checked against all rules; nothing written.
    "read and check": """
from vaultplan.intake.around import Around, vault_facts
from vaultplan.intake.keys import KnownIds
from vaultplan.intake.load import open_intake
rows, facts, ids = 0, [], KnownIds()
job = open_intake("vaults", folder / "spatial.gpkg", crs="EPSG:32606", time_zone="Etc/GMT+10")
job.look_through()
for part in job.chunks():
    rows += part.size
    facts.append(vault_facts(part.frame))
    ids.add(part.frame["vault_id"])
around = Around({"vaults.vault_id": ids}, pd.concat(facts), now=pd.Timestamp.now("UTC"))
job = open_intake(
    "visits", folder / "visits.csv", crs="EPSG:32606", time_zone="Etc/GMT+10", around=around
)
for part in job.chunks():
    rows += part.size
""",
    # The same through the command's own function, into an embedded database, in transactions.
    "load": """
from vaultplan import loading
location = str(work / "fleet.gpkg")
loading.new(location, "EPSG:32606", time_zone="Etc/GMT+10")
rows = 0
for name, file in (("vaults", "spatial.gpkg"), ("visits", "visits.csv")):
    outcome = loading.load(location, name, folder / file).outcome
    assert outcome["quarantined"].sum() == 0
    rows += int(outcome["rows_in"].sum())
""",
}


def test_taking_in_a_fleet(tmp_path: Path) -> None:
    fleet = os.environ.get("VAULTPLAN_FLEET")
    if not fleet:
        pytest.skip("name a folder of scripts/make_fleet.py in VAULTPLAN_FLEET")
    found: dict[str, dict[str, float]] = {}
    for name, body in STEPS.items():
        work = tmp_path / name.replace(" ", "-")
        work.mkdir()
        command = [sys.executable, "-c", HEAD + body + TAIL, fleet, str(work)]
        done = subprocess.run(command, check=False, stdout=subprocess.PIPE, text=True)
        assert done.returncode == 0, name
        found[name] = json.loads(done.stdout.splitlines()[-1])
    counts = {name: step["rows"] for name, step in found.items()}
    assert len(set(counts.values())) == 1, counts
    versions = {name: importlib.metadata.version(name) for name in ("pandas", "pyogrio", "pyarrow")}
    report = {
        "machine": f"{os.cpu_count()} cores, {platform.machine()}, {platform.system()}",
        "versions": {"python": platform.python_version(), **versions},
        "steps": found,
    }
    out = Path(".benchmarks")
    out.mkdir(exist_ok=True)
    (out / "intake.json").write_text(json.dumps(report, indent=2) + "\n", encoding="utf-8")
