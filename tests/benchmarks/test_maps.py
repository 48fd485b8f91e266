"""How large the map pages are and how soon a browser shows them, from the town to a whole fleet.

Off by default; run

    python -m pytest tests/benchmarks/test_maps.py -m benchmark_run

The demo's pages are of its whole week, planned here. The others are of invented frames: the small
week of ``tests/outputs/conftest.py`` among so many more vaults, in forty towns, each with a
forecast, a traced end and 12.5 visits since 2017 on average, and 400 more orders planned. First
paint is the browser's own first contentful paint, which may be the margin alone; all drawn is when
the page says that every layer of the map is there; both since the navigation began. Everything in
view is one drawing of all layers with the whole fleet in sight. Each page is opened ``TIMES`` times
in a fresh context without a network, and the median told. Writes ``.benchmarks/maps.json``.
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

from vaultplan import schema
from vaultplan.discharge.rules import load_rules
from vaultplan.outputs.maps.write import write_map
from vaultplan.pipeline import run_demo
from vaultplan.settings import Settings, load_settings

pytestmark = [pytest.mark.benchmark_run, pytest.mark.timeout(0)]

AUDIENCES = ("week", "watch", "dirty")
#: Name, vaults added to the week's forty, most points on a page.
SIZES = (("50,000 points", 50_000, 60_000), ("50,000 vaults", 50_000, 10_000),
         ("400,000 vaults", 400_000, 10_000))  # fmt: skip
VISITS_EACH = 12.5
ORDERS = 400
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


def _busy(made, frames, rng):
    """Add orders for vaults here and there to the week: stops, jobs, routes and drawn paths."""
    vaults = frames["vaults"].sample(ORDERS, random_state=1).reset_index(drop=True)
    k = np.arange(ORDERS)
    own = {"order_id": [f"X-{n}" for n in k], "vault_id": vaults["vault_id"]}
    placed = own | {"geometry": vaults.geometry.to_numpy()}
    trucks = np.array([f"CREW-{n % 12}" for n in k])
    days = np.array(made.DAYS)[k // 12 % 3]
    cloned = {
        "work_orders": own,
        "plan_jobs": placed | {"reason": _reasons(frames, own["vault_id"])},
        "plan_stops": placed | {"truck_id": trucks, "on": days, "stop_number": 1 + k // 36},
    }
    for name, columns in cloned.items():
        rows = pd.DataFrame(frames[name])
        if name == "plan_stops":
            rows = rows[rows["kind"].eq("pump_out")]
        rows = rows.iloc[k % len(rows)].reset_index(drop=True).assign(**columns)
        frames[name] = _joined(name, frames[name], rows)
    xy = shapely.get_coordinates(vaults.geometry)
    walks = xy[:, None, :] + np.cumsum(rng.normal(0, 90, (ORDERS, 15, 2)), axis=1)
    traces = frames["traces"].set_index("vault_id")
    traces.loc[vaults["vault_id"], "geometry"] = list(shapely.linestrings(walks))
    frames["traces"] = traces.reset_index()
    routes = pd.DataFrame({"truck_id": trucks, "on": days, "x": xy[:, 0], "y": xy[:, 1]})
    rows = [
        {"plan_id": made.PLAN, "truck_id": truck, "on": on, "stop_count": len(mine),
         "drive_minutes": 90.0, "drive_mi": 30.0,
         "geometry": shapely.LineString(mine[["x", "y"]].to_numpy().repeat(8, axis=0)
                                        + rng.normal(0, 200, (8 * len(mine), 2)))}
        for (truck, on), mine in routes.groupby(["truck_id", "on"])
    ]  # fmt: skip
    frames["routes"] = _joined("routes", frames["routes"], pd.DataFrame(rows))


def _reasons(frames, vault_ids):
    decided = frames["decisions"].drop_duplicates("vault_id").set_index("vault_id")["reason"]
    return "much water; likely dirty; " + decided.reindex(vault_ids).to_numpy(object)


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
            vault_id=ids,
            geometry=None,
            inlet_id=(inlets := np.char.add("I", rng.integers(0, count, count).astype(str))),
            trace_status=np.where(rng.random(count) < 0.9, "complete", "loop"),
            reason=[
                f"Comes to node N{inlet}, where the pipes run in a circle. From inlet {inlet}, "
                "on its side of the street as far as known; straight gutter run."
                for inlet in inlets
            ],
        ),
    )
    words = [rule.words for rule in load_rules(None).rules]
    said = [" ".join(rng.choice(words, rng.integers(1, 7), replace=False)) for _ in range(600)]
    decided = frames["decisions"][frames["decisions"]["on"].eq(day)]
    frames["decisions"] = _joined(
        "decisions",
        frames["decisions"],
        decided.iloc[np.arange(count) % len(decided)].assign(
            vault_id=ids, reason=np.array(said)[(600 * rng.random(count) ** 2).astype(int)]
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
    _busy(made, frames, rng)
    return frames


@pytest.fixture(scope="module")
def browser():
    from playwright.sync_api import sync_playwright

    with sync_playwright() as started:
        running = started.chromium.launch(executable_path=CHROMIUM, args=FLAGS)
        yield running
        running.close()


def _opened(browser, path, screen):
    """Return ms to first paint and to all drawn, of the slowest pan step and of all in view."""
    context = browser.new_context(viewport=SCREENS[screen], offline=True)
    page = context.new_page()
    page.goto(path.as_uri())
    page.wait_for_selector("html[data-ready]", timeout=120_000)
    told = page.evaluate(
        """async () => {
        // A browser may put strokes off; asking for a pixel has them drawn now.
        const drawn = () => {
            for (const canvas of document.querySelectorAll('[data-layer] canvas')) {
                canvas.getContext('2d').getImageData(0, 0, 1, 1);
            }
            return performance.now();
        };
        const ready = drawn();
        await new Promise((done) => requestAnimationFrame(() => setTimeout(done, 50)));
        const paint = performance.getEntriesByName('first-contentful-paint')[0].startTime;
        let slowest = 0;
        for (let k = 0; k < 12; k += 1) {
            const begun = performance.now();
            map_week.panBy([120, 40], { animate: false });
            vaultplan.repaint();
            await new Promise(requestAnimationFrame);
            slowest = Math.max(slowest, drawn() - begun);
        }
        const { vaults, latLng } = { ...vaultplan, ...vaultplan.data };
        map_week.fitBounds(vaults.x.map((x, i) => latLng(x, vaults.y[i])), { animate: false });
        const begun = performance.now();
        vaultplan.repaint();
        return [paint, ready, slowest, drawn() - begun];
    }"""
    )
    context.close()
    return told


def _measure(browser, frames, settings, folder, limit):
    found = {}
    for audience in AUDIENCES:
        path, begun = folder / f"{audience}.html", time.monotonic()
        write_map(frames, path, settings=settings, audience=audience, detail_limit=limit)
        found[audience] = {"write, s": round(time.monotonic() - begun, 1),
                           "size, MB": round(path.stat().st_size / 1e6, 2)}  # fmt: skip
        for screen in SCREENS:
            opened = [_opened(browser, path, screen) for _ in range(TIMES)]
            paint, ready, pan, everything = (
                round(statistics.median(each)) for each in zip(*opened, strict=True)
            )
            found[audience][screen] = {"first paint, ms": paint, "all drawn, ms": ready,
                                       "slowest pan step, ms": pan,
                                       "everything in view, ms": everything}  # fmt: skip
    return found


def test_demo(browser, tmp_path) -> None:
    planned, settings = run_demo(tmp_path), load_settings(Path("data/demo/vaultplan.toml"))
    _write("demo", _measure(browser, planned.frames, settings, tmp_path, 10_000))


@pytest.mark.parametrize(("name", "count", "limit"), SIZES)
def test_fleets(browser, tmp_path, name, count, limit) -> None:
    _write(name, _measure(browser, fleet(count), Settings(), tmp_path, limit))


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
