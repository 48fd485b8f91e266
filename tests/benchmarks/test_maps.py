"""How large the map pages are and how soon a browser shows them, from the town to a whole fleet.

Off by default; run

    python -m pytest tests/benchmarks/test_maps.py -m benchmark_run

The demo's pages are of its whole week, planned here. The others are of invented frames: the small
week of ``tests/outputs/conftest.py`` among so many more vaults, in forty towns, each with a
forecast, a traced end and 12.5 visits since 2017 on average. First paint is the browser's own
first contentful paint; ready is when the page says that every layer is drawn, both since the
navigation began. Each page is opened ``TIMES`` times in a fresh context, and the median told.
Writes ``.benchmarks/maps.json``.
"""

from __future__ import annotations

import importlib.metadata
import importlib.util
import json
import platform
import statistics
import sys
import time
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely

from vaultplan import pipeline, schema
from vaultplan.outputs.maps.write import write_map
from vaultplan.settings import Settings

pytestmark = [pytest.mark.benchmark_run, pytest.mark.timeout(0)]

AUDIENCES = ("week", "watch", "dirty")
#: Name, vaults added to the week's forty, most points on a page.
SIZES = (("50,000 points", 50_000, 60_000), ("50,000 vaults", 50_000, 10_000),
         ("400,000 vaults", 400_000, 10_000))  # fmt: skip
VISITS_EACH = 12.5
TIMES = 5
CHROMIUM = "/usr/bin/chromium"
FLAGS = ["--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run"]
SCREENS = {"desk": {"width": 1360, "height": 860}, "phone": {"width": 390, "height": 844}}


def _week():
    path = Path(__file__).parents[1] / "outputs" / "conftest.py"
    spec = importlib.util.spec_from_file_location("small_week", path)
    module = importlib.util.module_from_spec(spec)
    sys.modules["small_week"] = module
    spec.loader.exec_module(module)
    return module


def _joined(name, frame, more):
    both = pd.concat([pd.DataFrame(frame), pd.DataFrame(more)], ignore_index=True)
    if "geometry" in both:
        both = gpd.GeoDataFrame(both, geometry="geometry", crs=frame.crs)
    return schema.table(name).conform(both)


def _streets(rng, centres, count):
    """Return named streets, 25 blocks each, about the towns."""
    at = centres[rng.integers(0, len(centres), count)] + rng.normal(0, 2_500, (count, 2))
    step = np.where(rng.random((count, 1)) < 0.5, (100.0, 0.0), (0.0, 100.0))
    steps = at[:, None, :] + np.arange(26)[None, :, None] * step[:, None, :]
    return pd.DataFrame(
        {
            "road_id": [f"R{k}" for k in range(count)],
            "name": [f"Row {k}" for k in range(count)],
            "geometry": shapely.linestrings(steps),
        }
    )


def fleet(count, seed=1):
    """Return the small week's frames among ``count`` more vaults."""
    made = _week()
    frames, rng = made._build(), np.random.default_rng(seed)
    centres = made.ORIGIN + rng.uniform((-40_000, 2_000), (40_000, 60_000), (40, 2))
    at = centres[rng.integers(0, 40, count)] + rng.normal(0, 2_500, (count, 2))
    ids = np.array([f"V-{k:06d}" for k in range(count)])
    base = frames["vaults"].iloc[np.arange(count) % 40].reset_index(drop=True)
    streets = rng.integers(0, 3_000, count)
    frames["vaults"] = _joined(
        "vaults",
        frames["vaults"],
        base.assign(
            vault_id=ids,
            address=[f"{k % 900} Row {street}" for k, street in enumerate(streets)],
            geometry=shapely.points(at),
        ),
    )
    dirt = rng.dirichlet((3.0, 2.0, 1.0), count)
    gal = rng.lognormal(5.5, 0.9, count)
    day = frames["forecasts"]["on"].min()
    first = frames["forecasts"][frames["forecasts"]["on"].eq(day)]
    bands = {f"volume_gal_p{p}": gal * by for p, by in ((10, 0.5), (50, 0.9), (90, 1.7))}
    frames["forecasts"] = _joined(
        "forecasts",
        frames["forecasts"],
        first.iloc[np.arange(count) % len(first)].assign(
            vault_id=ids, **bands, volume_gal_mean=gal, capacity_gal=4 * gal,
            **{f"prob_{grade}": dirt[:, k] for k, grade in enumerate(schema.GRADES)},
            reason=[f"{readings} readings, last 2025-{day % 12 + 1:02d}-{day % 28 + 1:02d}; "
                    f"graded {graded} times"
                    for readings, day, graded in rng.integers(1, (25, 2_000, 20), (count, 3))],
        ),
    )  # fmt: skip
    traced = pd.DataFrame(frames["traces"]).query("trace_status == 'complete'")
    frames["traces"] = _joined(
        "traces",
        frames["traces"],
        traced.iloc[np.arange(count) % len(traced)].assign(
            vault_id=ids, geometry=None, inlet_id=[f"I{k}" for k in rng.integers(0, count, count)]
        ),
    )
    number = int(count * VISITS_EACH)
    who = rng.integers(0, count, number)
    grade = (rng.random(number)[:, None] > np.cumsum(dirt[who], axis=1)[:, :2]).sum(axis=1)
    seconds = rng.integers(0, 9 * 365 * 86_400, number)
    word = pd.Series(np.array([*schema.GRADES, None], dtype=object)[
        np.where(rng.random(number) < 0.15, 3, grade)])  # fmt: skip
    visits = pd.DataFrame(
        {
            "visit_id": pd.RangeIndex(number).astype(str),
            "vault_id": ids[who],
            "visited_at": pd.Timestamp("2017-02-20", tz="UTC") + pd.to_timedelta(seconds, unit="s"),
            "grade": word,
            "finding": word.notna().map({True: "wet", False: "dry"}),
        }
    )
    frames["visits"] = _joined("visits", frames["visits"], visits)
    frames["roads"] = _joined("roads", frames["roads"], _streets(rng, centres, 4_000))
    return frames


@pytest.fixture(scope="module")
def browser():
    from playwright.sync_api import sync_playwright

    with sync_playwright() as started:
        running = started.chromium.launch(executable_path=CHROMIUM, args=FLAGS)
        yield running
        running.close()


def _opened(browser, path, screen):
    """Return ms to first contentful paint and to all drawn, and of the slowest pan step."""
    context = browser.new_context(viewport=SCREENS[screen], offline=True)
    page = context.new_page()
    page.goto(path.as_uri())
    page.wait_for_selector("html[data-ready]", timeout=120_000)
    told = page.evaluate(
        """async () => {
        const ready = performance.now();
        await new Promise((done) => requestAnimationFrame(() => setTimeout(done, 50)));
        const paint = performance.getEntriesByName('first-contentful-paint')[0].startTime;
        let slowest = 0;
        for (let k = 0; k < 12; k += 1) {
            const begun = performance.now();
            map_week.panBy([120, 40], { animate: false });
            vaultplan.repaint();
            await new Promise(requestAnimationFrame);
            slowest = Math.max(slowest, performance.now() - begun);
        }
        return [paint, ready, slowest];
    }"""
    )
    context.close()
    return told


def _measure(browser, frames, folder, limit):
    found = {}
    for audience in AUDIENCES:
        path, begun = folder / f"{audience}.html", time.monotonic()
        write_map(frames, path, settings=Settings(), audience=audience, detail_limit=limit)
        found[audience] = {"write, s": round(time.monotonic() - begun, 1),
                           "size, MB": round(path.stat().st_size / 1e6, 2)}  # fmt: skip
        for screen in SCREENS:
            opened = [_opened(browser, path, screen) for _ in range(TIMES)]
            paint, ready, pan = (
                round(statistics.median(each)) for each in zip(*opened, strict=True)
            )
            found[audience][screen] = {"first paint, ms": paint, "all drawn, ms": ready,
                                       "slowest pan step, ms": pan}  # fmt: skip
    return found


def test_demo(browser, demo_file, tmp_path) -> None:
    town = tmp_path / "town.gpkg"
    town.write_bytes(demo_file.read_bytes())
    planned = pipeline.plan(str(town), out=tmp_path / "out", settings=Settings())
    _write("demo", _measure(browser, planned.frames, tmp_path, 10_000))


@pytest.mark.parametrize(("name", "count", "limit"), SIZES)
def test_fleets(browser, tmp_path, name, count, limit) -> None:
    _write(name, _measure(browser, fleet(count), tmp_path, limit))


def _write(name, found) -> None:
    for audience, row in found.items():
        assert row["size, MB"] > 0.2, f"{audience} of {name} is empty"
        assert row["desk"]["first paint, ms"] > 0
    path = Path(".benchmarks/maps.json")
    path.parent.mkdir(exist_ok=True)
    told = json.loads(path.read_text()) if path.exists() else {}
    told["machine"] = f"2 cores, {platform.machine()}, {platform.system()}"
    told["versions"] = {"python": platform.python_version(),
                        "playwright": importlib.metadata.version("playwright")}  # fmt: skip
    told[name] = found
    path.write_text(json.dumps(told, indent=2) + "\n")
