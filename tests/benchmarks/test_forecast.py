"""How good the forecast is on invented fleets of five climates, and how fast at fleet size.

Off by default; run

    python -m pytest tests/benchmarks/test_forecast.py -m benchmark_run

Writes ``.benchmarks/forecast_skill.json`` and ``.benchmarks/forecast_speed.json``. The fleets are
those of ``tests/forecast/worlds.py``, whose water follows richer laws than the model: two stores a
vault, clogging lids, broken irrigation, frost, wrong entries. Each share is of the rival's score
on the same points; below 1 is better than the rival.
"""

from __future__ import annotations

import importlib.metadata
import importlib.util
import json
import os
import platform
import resource
import sys
import time
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest

from vaultplan.forecast import rivals
from vaultplan.forecast.draws import draw_volumes
from vaultplan.forecast.fitting import fit_water, refit
from vaultplan.forecast.forecasts import forecast_vaults
from vaultplan.forecast.grade import fit_grades
from vaultplan.forecast.grade_rivals import class_grades, last_grade
from vaultplan.forecast.refill import refill_hours
from vaultplan.forecast.scores import pinball, ranked_probability
from vaultplan.schema import GRADES
from vaultplan.settings import Settings

pytestmark = [pytest.mark.benchmark_run, pytest.mark.timeout(0)]

LEVELS = np.arange(1, 20) / 20
REFILL_LEVELS = np.array([0.1, 0.5, 0.9])
SEEDS = (1, 2, 3, 4, 5, 6)
VAULTS, YEARS, LOOKS = 300, 6, 3
SETTINGS = Settings()


def _worlds():
    path = Path(__file__).parents[1] / "forecast" / "worlds.py"
    spec = importlib.util.spec_from_file_location("worlds", path)
    module = importlib.util.module_from_spec(spec)
    sys.modules["worlds"] = module
    spec.loader.exec_module(module)
    return module


def _crps(found, quantiles):
    return 2.0 * pinball(found, quantiles, LEVELS).mean(axis=1)


def _water(world, model, rng):
    """Return a row per job 1 to 90 days ahead: scores of the model and of its rivals, and PIT."""
    count = len(world.room_in)
    vault, lead = np.repeat(np.arange(count), LOOKS), rng.integers(1, 91, count * LOOKS)
    points = pd.DataFrame(
        {
            "vault_id": world.frames["vaults"]["vault_id"].to_numpy()[vault],
            "on": world.as_of + pd.to_timedelta(lead, "D"),
        }
    )
    row, day = model.locate(points)
    room = model.site.depth_in[row]
    found = np.minimum(world.ahead_in[vault, lead - 1].astype(float), room)
    found = np.where(found < 1.0, 0.0, np.where(found >= 0.95 * room, room, found))
    water = model.distribution(points)
    scores = {"model": _crps(found, np.stack([water.quantile(at) for at in LEVELS], axis=1))}
    for name, rival in rivals.RIVALS.items():
        scores[name] = _crps(found, rival(model, row, day, LEVELS) * room[:, None])
    chance = rng.random(len(found))
    pit = np.where(
        found == 0.0,
        chance * water.prob_dry,
        np.where(found == room, 1.0 - chance * water.prob_full, water.chance_at(found)),
    )
    return pd.DataFrame({**scores, "pit": pit, "visits": model.readings.visit_count[row]})


def _refill(world, model, rng):
    points = pd.DataFrame({"vault_id": world.frames["vaults"]["vault_id"], "on": world.as_of})
    band = refill_hours(model, points).to_numpy()
    deep = world.emptied_in[:, :90] >= SETTINGS.forecast.working_depth_in
    back = np.where(deep.any(axis=1), deep.argmax(axis=1) + 1, 90) * 24.0
    usual = np.tile(np.quantile(back, REFILL_LEVELS), (len(back), 1))
    within = np.where(back < 2160.0, back - 24.0 * rng.random(len(back)), 2160.0)
    inside = (within >= band[:, 0]) & ((within <= band[:, 2]) | (band[:, 2] >= 2159.9))
    return pd.DataFrame(
        {
            "model": pinball(back, band, REFILL_LEVELS).mean(axis=1),
            "climatology": pinball(back, usual, REFILL_LEVELS).mean(axis=1),
            "inside": inside,
        }
    )


def _grades(world, rng):
    ids = world.frames["vaults"]["vault_id"]
    vault, lead = np.repeat(np.arange(len(ids)), LOOKS), rng.integers(1, 91, len(ids) * LOOKS)
    points = pd.DataFrame(
        {"vault_id": ids.to_numpy()[vault], "on": world.as_of + pd.to_timedelta(lead, "D")}
    )
    found = world.ahead_grade[vault, lead - 1].astype(np.int64)
    model = fit_grades(world.frames, as_of=world.as_of, settings=SETTINGS)
    chance = model.chances(points)[[f"prob_{grade}" for grade in GRADES]].to_numpy()
    past = world.frames["visits"].dropna(subset="grade").sort_values(["vault_id", "visited_at"])
    owner = pd.Index(ids).get_indexer(pd.Index(past["vault_id"])).astype(np.int64)
    grade = past["grade"].map(GRADES.index).to_numpy(np.int64)
    use = world.frames["vaults"]["land_use"]
    parts = {"model": chance, "class": class_grades(owner, grade, use, vault)}
    parts["last grade"] = last_grade(owner, grade, vault)
    scores = {name: ranked_probability(found, part) for name, part in parts.items()}
    cells = np.minimum((chance * 10).astype(int), 9)
    hit = np.arange(len(GRADES)) == found[:, None]
    error = (
        sum(abs(chance[cells == cell].sum() - hit[cells == cell].sum()) for cell in range(10))
        / chance.size
    )
    return pd.DataFrame(scores), float(error)


def _sums(world, model, rng):
    """Return where the true gallons of ten-stop routes fall among joint and separate draws."""
    ids = world.frames["vaults"]["vault_id"].to_numpy()
    together, apart = [], []
    for lead in (7, 30, 60):
        points = pd.DataFrame({"vault_id": ids, "on": world.as_of + pd.Timedelta(days=lead)})
        truth = np.clip(world.ahead_in[:, lead - 1] / world.room_in, 0, 1) * world.capacity_gal
        joint = draw_volumes(model, points, count=400, seed=1)
        mixed = np.stack([rng.permutation(column) for column in joint.T], axis=1)
        for _ in range(40):
            route = rng.choice(len(ids), 10, replace=False)
            for draws, kept in ((joint, together), (mixed, apart)):
                kept.append(float((draws[:, route].sum(axis=1) < truth[route].sum()).mean()))
    return {"together": np.array(together), "apart": np.array(apart)}


def _write(name: str, found: dict) -> None:
    out = Path(".benchmarks")
    out.mkdir(exist_ok=True)
    versions = {one: importlib.metadata.version(one) for one in ("numpy", "scipy", "pandas")}
    head = {
        "machine": f"{os.cpu_count()} cores, {platform.machine()}, {platform.system()}",
        "versions": {"python": platform.python_version(), **versions},
    }
    (out / name).write_text(json.dumps({**head, **found}, indent=2) + "\n", encoding="utf-8")


def test_skill_on_five_climates() -> None:
    worlds = _worlds()
    by_climate, every, groups = {}, [], []
    routes: dict[str, list] = {"together": [], "apart": []}
    for climate in worlds.CLIMATES:
        water, refill, grades, errors = [], [], [], []
        for seed in SEEDS:
            world = worlds.make_world(climate, seed, vaults=VAULTS, years=YEARS)
            model = fit_water(world.frames, as_of=world.as_of, settings=SETTINGS)
            rng = np.random.default_rng(seed)
            water.append(_water(world, model, rng))
            refill.append(_refill(world, model, rng))
            scores, error = _grades(world, rng)
            grades.append(scores)
            errors.append(error)
            for name, places in _sums(world, model, rng).items():
                routes[name].append(places)
        depth, back, look = (pd.concat(part) for part in (water, refill, grades))
        never = depth[depth["visits"] == 0]
        by_climate[climate] = {
            "crps_in": depth["model"].mean(),
            "share_of": {
                name: depth["model"].mean() / depth[name].mean() for name in rivals.RIVALS
            },
            "never_visited_share_of_class": never["model"].mean()
            / never["class climatology"].mean(),
            "pit_inside_10_90": depth["pit"].between(0.1, 0.9).mean(),
            "above_p90": (depth["pit"] > 0.9).mean(),
            "refill_inside_80_band": back["inside"].mean(),
            "refill_pinball_skill": 1.0 - back["model"].mean() / back["climatology"].mean(),
            "grade_rps_share_of_class": look["model"].mean() / look["class"].mean(),
            "grade_rps_share_of_last": look["model"].mean() / look["last grade"].mean(),
            "grade_calibration_error": float(np.mean(errors)),
        }
        every.append(depth)
    pooled = pd.concat(every)
    for name, least, most in (("none", 0, 0), ("1-4", 1, 4), ("5+", 5, 10**6)):
        part = pooled[pooled["visits"].between(least, most)]
        groups.append((name, part["pit"].between(0.1, 0.9).mean()))
    rounded = json.loads(
        json.dumps(by_climate, default=float), parse_float=lambda text: round(float(text), 3)
    )
    names = list(rivals.RIVALS)
    mean_share = {
        name: round(float(np.mean([one["share_of"][name] for one in by_climate.values()])), 3)
        for name in names
    }
    inside = {
        name: round(float(((at := np.concatenate(parts)) > 0.1).mean() - (at > 0.9).mean()), 3)
        for name, parts in routes.items()
    }
    _write(
        "forecast_skill.json",
        {
            "fleets": f"{len(SEEDS)} a climate, {VAULTS} vaults, {YEARS} years",
            "climates": rounded,
            "mean_share_of": mean_share,
            "pit_inside_10_90_by_visits": {name: round(float(part), 3) for name, part in groups},
            "pit_histogram": np.round(
                np.histogram(pooled["pit"], 10, (0, 1))[0] / len(pooled), 3
            ).tolist(),
            "ten_stop_sums_inside_80_band": inside,
        },
    )
    assert len(by_climate) == len(worlds.CLIMATES)


def test_a_fleet_of_400_000() -> None:
    """One invented town, repeated side by side; its visits are read from memory."""
    copies = int(os.environ.get("VAULTPLAN_COPIES", "400"))
    world = _worlds().make_world("oceanic", 1, vaults=1000, years=8)
    vaults, visits = world.frames["vaults"], world.frames["visits"]
    frames = dict(world.frames)
    place = np.repeat(np.arange(copies), len(vaults))
    x = np.tile(vaults.geometry.x, copies) + place % 20 * 9000
    y = np.tile(vaults.geometry.y, copies) + place // 20 * 7000
    frames["vaults"] = gpd.GeoDataFrame(
        _repeated(vaults.drop(columns="geometry"), copies, ["vault_id"]),
        geometry=gpd.points_from_xy(x, y),
        crs=vaults.crs,
    )
    frames["visits"] = _repeated(visits, copies, ["vault_id", "visit_id"])
    ids = frames["vaults"]["vault_id"]
    points = pd.DataFrame({"vault_id": ids, "on": world.as_of + pd.Timedelta(days=3)})
    steps: dict[str, float] = {}

    def timed(name, work):
        begun, cpu = time.perf_counter(), time.process_time()
        found = work()
        steps[f"{name}, s"] = round(time.perf_counter() - begun, 1)
        steps[f"{name}, processor s"] = round(time.process_time() - cpu, 1)
        return found

    whole = timed(
        "fit and forecast of one day",
        lambda: forecast_vaults(frames, points, as_of=world.as_of, settings=SETTINGS),
    )
    assert whole["volume_gal_p50"].notna().all()
    steps["peak memory, MB"] = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss // 1024
    model = fit_water(frames, as_of=world.as_of, settings=SETTINGS)
    some = ids.iloc[:: len(ids) // 500].head(500)
    fresh = frames["visits"][frames["visits"]["vault_id"].isin(some)]
    later = world.as_of + pd.Timedelta(days=1)
    again = timed(
        "refit of 500 vaults",
        lambda: refit(model, {**frames, "visits": fresh}, vault_ids=list(some), as_of=later),
    )
    asked = pd.DataFrame({"vault_id": some, "on": later + pd.Timedelta(days=2)})
    timed("forecast of those 500", lambda: again.forecast(asked))
    _write("forecast_speed.json", {"vaults": len(ids), "visits": len(frames["visits"]), **steps})


def _repeated(frame: pd.DataFrame, copies: int, keys: list[str]) -> pd.DataFrame:
    """Return a table repeated, with the number of the copy before its keys."""
    found = {}
    for name in frame.columns:
        if name in keys:
            number = np.repeat([f"{k:03d}-" for k in range(copies)], len(frame))
            own = np.char.add(number, np.tile(frame[name].to_numpy(str), copies))
            found[name] = pd.Series(own, dtype="str")
        else:
            found[name] = pd.concat([frame[name]] * copies, ignore_index=True)
    return pd.DataFrame(found)
