"""Speed and memory of both stores, beside bare reads and writes of the same rows in the same run.

Off by default: name a folder that ``scripts/make_fleet.py`` wrote and run

    VAULTPLAN_FLEET=DIR python -m pytest tests/benchmarks/test_store.py -m benchmark_run

Vaults and visits are loaded as the command does it (read, checked against every rule, written) and,
beside that, only written from frames in memory. The bare steps read the same files whole with
pyogrio and pandas and put every value into a table, with a unique index on its key, one on the
visits' vault and one on the vaults' places; SQLite takes them by executemany, PostGIS by COPY. The
server is one of ``scripts/postgis`` that keeps what is committed. Each step is a process of its
own, pyogrio's above all, which must not open a file that is in use; seconds (wall and processor)
and peak memory are written to ``.benchmarks/store.json`` with machine, versions, rows and ratios.
"""

from __future__ import annotations

import importlib.metadata
import json
import os
import platform
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

pytestmark = [pytest.mark.benchmark_run, pytest.mark.timeout(0)]

ROOT = Path(__file__).parents[2]
HEAD = """
import io, json, resource, sqlite3, statistics, sys, time
from pathlib import Path
import numpy as np, pandas as pd, psycopg, pyogrio, shapely
import vaultplan.loading
from vaultplan import loading
from vaultplan.schema import STORED
from vaultplan.store.bulk import filling
from vaultplan.store.database import create_database, open_database
from vaultplan.store.read import read_table
from vaultplan.store.write import insert
folder, place = Path(sys.argv[1]), sys.argv[2]
told = {}
def read_files():
    vaults = pyogrio.read_dataframe(folder / "spatial.gpkg", layer="vaults")
    visits = pd.read_csv(folder / "visits.csv", dtype={"visit_id": "str", "vault_id": "str"})
    return {"vaults": vaults, "visits": visits}
def start():
    global begun, cpu
    begun, cpu = time.perf_counter(), time.process_time()
start()
"""
TAIL = """
print(json.dumps({
    "seconds": round(time.perf_counter() - begun, 3),
    "cpu_seconds": round(time.process_time() - cpu, 3),
    "peak_mb": round(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024),
    "rows": rows,
    **told,
}))
"""
BARE_INSERT = """
rows, files = 0, read_files()
told["seconds_reading"] = round(time.perf_counter() - begun, 3)
with sqlite3.connect(place + ".bare") as store:
    for name, frame in files.items():
        if "geometry" in frame:
            frame = pd.DataFrame(frame.assign(geometry=frame.geometry.to_wkb()))
        names = ", ".join(frame.columns)
        store.execute(f"CREATE TABLE {name} (fid INTEGER PRIMARY KEY, {names})")
        marks = ", ".join("?" * len(frame.columns))
        plain = frame.astype(object).where(frame.notna(), None)
        store.executemany(
            f"INSERT INTO {name} ({names}) VALUES ({marks})", plain.itertuples(index=False)
        )
        store.execute(f"CREATE UNIQUE INDEX {name}_key ON {name} ({frame.columns[0]})")
        rows += len(frame)
    store.execute("CREATE INDEX visits_vault ON visits (vault_id)")
"""
BARE_COPY = """
files = {}
for name, frame in read_files().items():
    if "geometry" in frame:
        shapes = shapely.to_wkb(shapely.set_srid(frame.geometry.array, 32606), hex=True,
                                include_srid=True)
        frame = pd.DataFrame(frame).assign(geometry=shapes)
    files[name] = (frame.columns, frame.dtypes, frame.to_csv(index=False, header=False), len(frame))
kinds = {"geometry": "geometry(Point, 32606)", "visited_at": "timestamptz"}
def kind_of(column, dtype):
    if column in kinds:
        return kinds[column]
    return {"f": "double precision", "i": "bigint", "b": "boolean"}.get(dtype.kind, "text")
told["seconds_reading"] = round(time.perf_counter() - begun, 3)
rows = 0
with psycopg.connect(place) as store:
    store.execute("CREATE SCHEMA bare")
    store.execute("SET search_path = bare, public")
    for name, (columns, dtypes, text, size) in files.items():
        made = ", ".join(f'"{c}" {kind_of(c, t)}' for c, t in zip(columns, dtypes))
        store.execute(f"CREATE TABLE {name} (fid BIGINT GENERATED ALWAYS AS IDENTITY, {made})")
        names = ", ".join(f'"{c}"' for c in columns)
        with store.cursor() as cursor, cursor.copy(f"COPY {name} ({names}) FROM STDIN CSV") as copy:
            copy.write(text)
        rows += size
    store.execute("CREATE UNIQUE INDEX vaults_key ON vaults (vault_id)")
    store.execute("CREATE INDEX vaults_places ON vaults USING gist (geometry)")
    store.execute("CREATE UNIQUE INDEX visits_key ON visits (visit_id)")
    store.execute("CREATE INDEX visits_vault ON visits (vault_id)")
"""
LOAD = """
loading.new(place, "EPSG:32606", time_zone="Etc/GMT+10")
rows = 0
for name, file in (("vaults", "spatial.gpkg"), ("visits", "visits.csv")):
    outcome = loading.load(place, name, folder / file).outcome
    assert outcome["quarantined"].sum() == 0
    rows += int(outcome["rows_in"].sum())
"""
# The loaded rows, from frames in memory into an empty database: what the store alone takes.
WRITE = """
source, target = place.split(" ")
with open_database(source) as database:
    frames = {name: read_table(database, name) for name in ("vaults", "visits")}
with create_database(target, "EPSG:32606") as database:
    start()
    with database.writing() as connection:
        for name, frame in frames.items():
            with filling(connection, name):
                insert(connection, name, frame)
rows = sum(map(len, frames.values()))
"""
READ = """
with open_database(place) as database:
    rows = sum(len(read_table(database, name)) for name in ("vaults", "visits"))
"""
READ_PYOGRIO = """
rows = sum(len(pyogrio.read_dataframe(place, layer=name)) for name in ("vaults", "visits"))
"""
# Boxes around vaults at even steps through the table, each grown until it holds some 500.
WINDOWS = """
rng, times, counts = np.random.default_rng(1), [], []
with open_database(place) as database:
    at = shapely.get_coordinates(read_table(database, "vaults", columns=["geometry"]).geometry)
    boxes = []
    for x, y in at[rng.integers(len(at), size=60)]:
        near = np.sort(np.maximum(abs(at[:, 0] - x), abs(at[:, 1] - y)))
        half = near[min(500, len(near) - 1)]
        boxes.append((x - half, y - half, x + half, y + half))
    start()
    for box in boxes:
        since = time.perf_counter()
        counts.append(len(read_table(database, "vaults", bbox=box)))
        times.append(1000 * (time.perf_counter() - since))
rows = int(np.median(counts))
told["windows"] = len(times)
told["median_ms"] = round(statistics.median(times), 2)
told["p95_ms"] = round(float(np.quantile(times, 0.95)), 2)
"""


@pytest.fixture
def server() -> Iterator[str]:
    """URL of a server that keeps what is committed, without the database's name."""
    process = subprocess.Popen(
        [sys.executable, ROOT / "scripts" / "postgis", "--while", str(os.getpid())],
        stdout=subprocess.PIPE,
        text=True,
        start_new_session=True,
    )
    assert process.stdout is not None
    url = process.stdout.readline().strip()
    yield url.rsplit("/", 1)[0]
    process.terminate()
    process.wait(timeout=60)
    process.stdout.close()


def test_both_stores(tmp_path: Path, server: str) -> None:
    import psycopg

    fleet = os.environ.get("VAULTPLAN_FLEET")
    if not fleet:
        pytest.skip("name a folder of scripts/make_fleet.py in VAULTPLAN_FLEET")
    with psycopg.connect(f"{server}/postgres", autocommit=True) as connection:
        for name in ("bare", "loaded", "written"):
            connection.execute(f"CREATE DATABASE {name} TEMPLATE vaultplan")
        (version,) = connection.execute("SHOW server_version").fetchone() or ("",)
    file, written = str(tmp_path / "loaded.gpkg"), str(tmp_path / "written.gpkg")
    steps = {
        "file: bare read and insert": (BARE_INSERT, file),
        "file: load": (LOAD, file),
        "file: write frames": (WRITE, f"{file} {written}"),
        "file: read by pyogrio": (READ_PYOGRIO, file),
        "file: read": (READ, file),
        "file: windows": (WINDOWS, file),
        "server: bare read and COPY": (BARE_COPY, f"{server}/bare"),
        "server: load": (LOAD, f"{server}/loaded"),
        "server: write frames": (WRITE, f"{server}/loaded {server}/written"),
        "server: read": (READ, f"{server}/loaded"),
        "server: windows": (WINDOWS, f"{server}/loaded"),
    }
    found: dict[str, dict[str, float]] = {}
    for name, (body, place) in steps.items():
        command = [sys.executable, "-c", HEAD + body + TAIL, fleet, place]
        done = subprocess.run(command, check=False, stdout=subprocess.PIPE, text=True)
        assert done.returncode == 0, name
        found[name] = json.loads(done.stdout.splitlines()[-1])
    counts = {name: step["rows"] for name, step in found.items() if "windows" not in name}
    assert len(set(counts.values())) == 1, counts
    assert found["file: windows"]["rows"] == found["server: windows"]["rows"]

    names = ("geopandas", "pandas", "psycopg", "pyarrow", "pyogrio", "sqlalchemy")
    versions = {name: importlib.metadata.version(name) for name in names}
    report = {
        "machine": f"{os.cpu_count()} cores, {platform.machine()}, {platform.system()}",
        "versions": {"python": platform.python_version(), "postgresql": version, **versions},
        "steps": found,
        "ratios": _ratios(found),
    }
    out = Path(".benchmarks")
    out.mkdir(exist_ok=True)
    (out / "store.json").write_text(json.dumps(report, indent=2) + "\n", encoding="utf-8")


def _ratios(found: dict[str, dict[str, float]]) -> dict[str, float]:
    """How many times as long our steps took as the bare ones."""
    ratios = {}
    for place, bare in (("file", "bare read and insert"), ("server", "bare read and COPY")):
        taken = found[f"{place}: {bare}"]
        only_written = taken["seconds"] - taken["seconds_reading"]
        ratios[f"{place}: load over {bare}"] = found[f"{place}: load"]["seconds"] / taken["seconds"]
        ratios[f"{place}: write frames over {bare.split()[-1]} alone"] = (
            found[f"{place}: write frames"]["seconds"] / only_written
        )
        ratios[f"{place}: read over pyogrio"] = (
            found[f"{place}: read"]["seconds"] / found["file: read by pyogrio"]["seconds"]
        )
    return {name: round(ratio, 2) for name, ratio in ratios.items()}
