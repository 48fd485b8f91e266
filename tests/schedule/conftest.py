"""Made-up weeks around Saltmarrow for the schedule's tests."""

from __future__ import annotations

from datetime import date
from types import SimpleNamespace

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
from shapely import LineString, Point

from vaultplan.schema import table
from vaultplan.settings import ScheduleSettings

MONDAY = date(2026, 11, 2)
CRS = "EPSG:32606"
ZONE = "Pacific/Honolulu"
WORKDAYS = "mon;tue;wed;thu;fri"


def days(*names: str) -> str:
    order = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")
    return ";".join(f"2026-11-{2 + order.index(name):02d}" for name in names)


def frame(name: str, rows: list[dict]) -> pd.DataFrame:
    if not rows:
        return table(name).empty(CRS)
    plain = pd.DataFrame(rows)
    if "geometry" in plain:
        plain = gpd.GeoDataFrame(plain, geometry="geometry", crs=CRS)
    return table(name).conform(plain)


def job(number: int, x: float, y: float, **changes) -> dict:
    return {
        "plan_id": "p",
        "order_id": f"o{number}",
        "vault_id": f"v{number}",
        "task": "inspect",
        "skill": None,
        "priority": 3,
        "rank": number,
        "score": 50.0,
        "allowed_days": days("mon", "tue", "wed", "thu", "fri"),
        "window_from": None,
        "window_to": None,
        "method": "storm_drain",
        "gate": "go",
        "volume_gal_p50": 300.0,
        "volume_gal_p90": 500.0,
        "load_gal": 500.0,
        "setup_minutes": 10.0,
        "task_minutes": 20.0,
        "refill_minutes": 120.0,
        "rules_fired": "",
        "geometry": Point(x, y),
    } | changes


def crew(truck_id: str, **changes) -> dict:
    return {
        "truck_id": truck_id,
        "kind": "crew",
        "depot_id": "yard",
        "skills": "cable;splice",
        "shift_from": "07:00",
        "shift_to": "15:30",
        "days": WORKDAYS,
        "overtime_minutes": 60.0,
        "pump_gpm": 125.0,
        "sock_count": 9,
    } | changes


def vacuum(truck_id: str, **changes) -> dict:
    return {
        "truck_id": truck_id,
        "kind": "vacuum",
        "depot_id": "yard",
        "shift_from": "06:00",
        "shift_to": "15:00",
        "days": WORKDAYS,
        "overtime_minutes": 60.0,
        "pump_gpm": 100.0,
        "tank_gal": 3000.0,
        "payload_lb": 26000.0,
    } | changes


def site(site_id: str, x: float, y: float, **changes) -> dict:
    return {
        "site_id": site_id,
        "open_from": "06:00",
        "open_to": "16:00",
        "dump_minutes": 20.0,
        "geometry": Point(x, y),
    } | changes


def week_frames(jobs, trucks, sites=(), roads=(), yard=(0.0, 0.0)) -> dict[str, pd.DataFrame]:
    return {
        "plan_jobs": frame("plan_jobs", list(jobs)),
        "trucks": frame("trucks", list(trucks)),
        "depots": frame("depots", [{"depot_id": "yard", "geometry": Point(*yard)}]),
        "disposal_sites": frame("disposal_sites", list(sites)),
        "roads": frame("roads", list(roads)),
        "vaults": frame(
            "vaults",
            [
                {"vault_id": row["vault_id"], "status": "in_service", "geometry": row["geometry"]}
                for row in jobs
            ],
        ).drop_duplicates("vault_id"),
        "work_orders": frame(
            "work_orders",
            [
                {"order_id": row["order_id"], "vault_id": row["vault_id"], "status": "open"}
                for row in jobs
            ],
        ),
    }


def grid_roads(count: int, step: float, origin: float = 0.0) -> list[dict]:
    """Streets of a square grid, ``count`` blocks a side."""
    rows = []
    for i in range(count + 1):
        for j in range(count):
            a, b, c = origin + i * step, origin + j * step, origin + (j + 1) * step
            for kind, line in (("h", [(b, a), (c, a)]), ("v", [(a, b), (a, c)])):
                rows.append({"road_id": f"{kind}{i}-{j}", "geometry": LineString(line)})
    return rows


def generated_week(
    seed: int,
    count: int,
    *,
    crews: int = 8,
    vacuums: int = 3,
    vacuum_share: float = 0.3,
    width_m: float = 20_000.0,
    roads=(),
) -> dict[str, pd.DataFrame]:
    """An invented week: clustered vaults, mixed days, windows, skills, methods and loads."""
    rng = np.random.default_rng(seed)
    middle = rng.uniform(0.15, 0.85, (8, 2)) * width_m
    near = middle[rng.integers(0, 8, count)] + rng.normal(0, width_m / 20, (count, 2))
    anywhere = rng.uniform(0, width_m, (count, 2))
    at = np.clip(np.where(rng.random((count, 1)) < 0.75, near, anywhere), 0, width_m)
    names = np.array(["mon", "tue", "wed", "thu", "fri"])
    jobs = []
    for n in range(count):
        method = rng.choice(
            ["vacuum_truck", "filter_sock", "storm_drain"],
            p=[vacuum_share, 0.3, 0.7 - vacuum_share],
        )
        typical = 1100.0 if method == "vacuum_truck" else 450.0
        load = float(np.clip(rng.lognormal(np.log(typical), 0.55), 60, 2800).round(1))
        allowed = names[int(rng.integers(0, 2)) if rng.random() < 0.3 else 0 :]
        if rng.random() < 0.3:
            allowed = allowed[: int(rng.integers(2, 5))]
        if len(allowed) > 2 and rng.random() < 0.15:
            allowed = np.delete(allowed, 1)
        draw = rng.random()
        window = (None, None)
        if draw < 0.3:
            window = ("07:00", "11:00") if draw < 0.15 else ("12:00", "16:00")
        jobs.append(
            job(
                n,
                *at[n],
                rank=n + 1,
                score=float(np.round(100 * (1 - n / count), 1)),
                priority=int(rng.choice([1, 2, 3, 4, 5])),
                method=str(method),
                load_gal=load,
                task_minutes=float(rng.choice([15, 20, 25, 30, 45])),
                allowed_days=days(*allowed),
                window_from=window[0],
                window_to=window[1],
                skill=rng.choice([None, "splice", "cable"], p=[0.7, 0.2, 0.1]),
                refill_minutes=float(rng.integers(60, 241)),
            )
        )
    skills = ("", "", "splice", "splice", "splice", "splice;cable", "splice;cable", "cable")
    rates = (80.0, 80.0, 80.0, 100.0, 125.0, 125.0, 150.0, 150.0)
    trucks = [
        crew(f"crew{i:02d}", skills=skills[i % 8], pump_gpm=rates[i % 8]) for i in range(crews)
    ] + [vacuum(f"vac{i}") for i in range(vacuums)]
    sites = [
        site("north", 0.85 * width_m, 0.8 * width_m),
        site("south", 0.15 * width_m, 0.2 * width_m),
    ]
    yard = (0.5 * width_m, 0.45 * width_m)
    return week_frames(jobs, trucks, sites, roads, yard)


def bound_week(seed: int, count: int, **more) -> dict[str, pd.DataFrame]:
    """A generated week in which every other limit holds for some of the jobs and trucks."""
    frames = generated_week(seed, count, **more)
    rng = np.random.default_rng(seed + 1)
    jobs, trucks = frames["plan_jobs"], frames["trucks"]
    rows = len(jobs)
    jobs["no_work_hours"] = np.where(rng.random(rows) < 0.2, "07:00-09:00;15:30-18:00", None)
    jobs["daylight_only"] = pd.array(np.where(rng.random(rows) < 0.2, True, None), dtype="boolean")
    out = rng.random(rows) < 0.1
    day = jobs["allowed_days"].str[-10:]
    jobs["outage_from"] = pd.to_datetime(day.where(out) + "T18:00Z", utc=True)
    jobs["outage_to"] = pd.to_datetime(day.where(out) + "T23:00Z", utc=True)
    jobs["waste_profile"] = rng.choice(["sediment", "oily", "unknown"], rows, p=[0.6, 0.25, 0.15])
    jobs["outfall_id"] = rng.choice(["f1", "f2", "f3"], rows)
    jobs["daily_cap_gal"] = jobs["outfall_id"].map({"f1": 1500.0, "f2": 4000.0})
    pairs = rng.permutation(rows)[: 2 * (rows // 8)]
    jobs["pair_id"] = None
    for number, both in enumerate(pairs.reshape(-1, 2)):
        jobs.loc[both, "pair_id"] = f"pair{number}"
        jobs.loc[both, ["allowed_days", "skill"]] = [jobs["allowed_days"].iloc[both[0]], None]
    edited = rng.permutation(rows)[:4]
    crews = trucks.loc[trucks["kind"] == "crew", "truck_id"].tolist()
    jobs["kept_to"] = jobs["barred_from"] = None
    for at, column, word in zip(
        edited,
        ("kept_to", "kept_to", "barred_from", "barred_from"),
        (f"{crews[0]}@*", "*@2026-11-04", "*@2026-11-02", f"{crews[-1]}@*"),
        strict=False,
    ):
        jobs.loc[at, column] = word
    is_crew = trucks["kind"] == "crew"
    trucks["break_minutes"] = 30.0
    trucks["break_from"], trucks["break_to"] = "11:00", "13:00"
    trucks["pump_count"] = np.where(is_crew & (np.arange(len(trucks)) == 1), 0, 1)
    frames["disposal_sites"]["takes"] = ["sediment;oily;unknown", "sediment"]
    frames["plan_jobs"] = table("plan_jobs").conform(jobs)
    frames["trucks"] = table("trucks").conform(trucks)
    return frames


@pytest.fixture
def settings() -> ScheduleSettings:
    return ScheduleSettings(iterations=150)


@pytest.fixture(scope="session")
def made() -> SimpleNamespace:
    """The makers above, for tests to call."""
    return SimpleNamespace(
        MONDAY=MONDAY,
        CRS=CRS,
        ZONE=ZONE,
        days=days,
        frame=frame,
        job=job,
        crew=crew,
        vacuum=vacuum,
        site=site,
        week_frames=week_frames,
        grid_roads=grid_roads,
        generated_week=generated_week,
        bound_week=bound_week,
    )
