"""An invented fleet whose water obeys richer physics than the model knows."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest

from vaultplan.schema import table

CRS = "EPSG:32606"
LAST_DAY = pd.Timestamp("2026-06-30")


@dataclass(frozen=True)
class Fleet:
    """Tables of an invented fleet, and the true depth of every vault on every day."""

    frames: dict[str, pd.DataFrame]
    first_day: pd.Timestamp
    truth_in: np.ndarray  # vaults x days, without any further pump-out after the last visit
    dry_rate: np.ndarray


def simulate(
    *, vaults: int = 240, years: int = 6, seed: int = 1, climate: str = "wet", unseen: float = 0.1
) -> Fleet:
    """Return a seeded fleet: thresholded runoff, non-linear drainage, tides of groundwater."""
    rng = np.random.default_rng(seed)
    days = years * 365
    first = LAST_DAY - pd.Timedelta(days=days - 1)
    dates = pd.date_range(first, LAST_DAY)
    yearday = dates.day_of_year.to_numpy()
    wetness = {"wet": 0.38, "dry": 0.13, "summer": 0.3}[climate]
    phase = {"wet": 15, "dry": 30, "summer": 200}[climate]
    season = np.cos(2 * np.pi * (yearday - phase) / 365.25)
    spell = np.zeros(days)
    for t in range(1, days):
        spell[t] = 0.75 * spell[t - 1] + rng.normal(0, 0.66)
    chance = np.clip(wetness * (1 + 0.8 * season) + 0.16 * spell, 0, 1)
    rains = rng.random((3, days)) < chance
    rains[1:] = np.where(rng.random((2, days)) < 0.85, rains[0], rains[1:])
    storm = rng.gamma(0.7, 0.55, days)
    rain = rains * storm * rng.gamma(9, 1 / 9, (3, days))

    xy = rng.uniform(0, 8000, (vaults, 2))
    low_ground = np.exp(-((xy[:, 0] - 2500) ** 2 + (xy[:, 1] - 5000) ** 2) / 2.2e6)
    gauges_xy = np.array([[1000.0, 1000.0], [4000.0, 6500.0], [7000.0, 2500.0]])
    near = np.argmin(((xy[:, None] - gauges_xy) ** 2).sum(2), axis=1)
    shape = np.where(rng.random(vaults) < 0.25, "round", "rectangular")
    length = rng.choice([4.0, 5.0, 6.0, 8.0, 10.0, 14.0], vaults)
    width = np.where(shape == "round", np.nan, np.maximum(4, length - rng.integers(0, 4, vaults)))
    depth_ft = rng.choice([4.0, 6.0, 7.0, 8.0, 10.0], vaults)
    gear = rng.choice([0.05, 0.15, 0.3], vaults)
    gross = np.where(shape == "round", np.pi / 4 * length**2, length * np.nan_to_num(width))
    area, room = gross * (1 - gear), depth_ft * 12
    lid = rng.choice(["sealed", "vented", "slotted"], vaults, p=[0.4, 0.35, 0.25])
    soil = rng.choice(["A", "B", "C", "D"], vaults)
    table_ft = np.clip(14 - 11 * low_ground + rng.normal(0, 1.5, vaults), 1, 30)
    sprinkled = rng.random(vaults) < 0.35
    use = rng.choice(["residential", "commercial", "industrial"], vaults, p=[0.5, 0.3, 0.2])

    leak = np.exp(rng.normal(0, 0.9, vaults)) * np.select(
        [lid == "slotted", lid == "vented"], [55.0, 16.0], 4.0
    )
    leak = leak / area
    onset = np.where(rng.random(vaults) < 0.06, rng.integers(days // 3, days, vaults), 0)
    drain = np.exp(rng.normal(0, 1.1, vaults)) * np.select(
        [soil == "A", soil == "B", soil == "C"], [0.03, 0.014, 0.006], 0.003
    )
    seep = np.exp(rng.normal(0, 0.5, vaults)) * 0.02
    spray = np.where(sprinkled, np.exp(rng.normal(-1.6, 0.8, vaults)), 0.0) * 60 / area
    cap = np.where(rng.random(vaults) < 0.08, rng.uniform(0.3, 0.8, vaults), 1.0) * room
    watered = (yearday >= 105) & (yearday <= 288)

    mean_gap = np.exp(rng.normal(np.log(170), 0.6, vaults))
    next_visit = rng.exponential(mean_gap).astype(int) + 1
    next_visit[rng.random(vaults) < unseen] = days + 1
    dirt = rng.normal(0, 0.8, vaults) + np.select(
        [use == "industrial", use == "commercial"], [1.3, 0.4], -0.5
    )
    dirt += 1.1 * low_ground
    level = rng.uniform(0, 0.5, vaults) * room
    ground = np.zeros(3)
    slow = np.zeros(vaults)
    truth = np.empty((vaults, days), np.float32)
    rows = []
    for t in range(days):
        ground = ground * 0.985 + rain[:, t]
        slow = 0.97 * slow + rng.normal(0, 0.05, vaults)
        runoff = np.maximum(rain[near, t] - 0.12, 0) * (1 + 0.6 * (rain[near, t] > 1.0))
        head = room - 12 * table_ft + 1.1 * (ground[near] - 6) + 7 * season[t]
        gap = level - np.maximum(head, 0)
        flow = np.where(gap > 0, drain * np.maximum(gap, 0) ** 1.15, -seep * np.abs(gap) ** 0.9)
        wet_days = np.where(t >= onset, 1.0, 0.12)
        gain = leak * wet_days * runoff * np.exp(slow) + 0.8 * spray * watered[t]
        level = np.clip(level + gain - np.where(gap > 0, np.minimum(flow, gap), flow), 0, cap)
        truth[:, t] = level
        for v in np.flatnonzero(next_visit == t):
            found = level[v]
            next_visit[v] = t + 1 + int(rng.exponential(mean_gap[v]))
            if rng.random() < 0.03:
                rows.append((v, t, "not_seen", np.nan, np.nan, None, "none", np.nan))
                continue
            read = float(np.clip(round(found + rng.normal(0, 0.6)), 0, room[v]))
            if rng.random() < 0.01:
                read = float(round(rng.uniform(0, room[v])))
            if read < 1:
                rows.append((v, t, "dry", 0.0, np.nan, None, "none", np.nan))
                continue
            full = read >= 0.95 * room[v]
            noise = dirt[v] + rng.logistic(0, 0.7)
            grade = ("clear", "light", "heavy")[int(noise > 0) + int(noise > 1.5)]
            pumped = rng.random() < 0.85
            left = 0.0
            if pumped and rng.random() < 0.06:
                left = 0.5 * found
            gal = np.nan if not pumped else (found - left) / 12 * area[v] * 1728 / 231
            gal = gal * (1 + rng.normal(0, 0.05))
            rows.append(
                (
                    v,
                    t,
                    "full" if full else "wet",
                    read,
                    np.nan,
                    grade,
                    "filter_sock" if pumped else "none",
                    gal,
                )
            )
            if pumped:
                level[v] = left
    ids = np.array([f"V{v:05d}" for v in range(vaults)])
    frame = pd.DataFrame(
        rows,
        columns=[
            "v",
            "t",
            "finding",
            "depth_in",
            "left_depth_in",
            "grade",
            "disposal",
            "volume_gal",
        ],
    )
    frame["visit_id"] = [f"S{i:06d}" for i in range(len(frame))]
    frame["vault_id"] = ids[frame["v"].to_numpy(int)]
    frame["visited_at"] = (
        first + pd.to_timedelta(frame["t"], "D") + pd.Timedelta("18h")
    ).dt.tz_localize("UTC")
    origin = np.array([400_000.0, 4_200_000.0])
    blank = rng.random(vaults) < 0.04
    frames = {
        "vaults": gpd.GeoDataFrame(
            {
                "vault_id": ids,
                "kind": "vault",
                "status": "in_service",
                "shape": shape,
                "length_ft": np.where(blank, np.nan, length),
                "width_ft": width,
                "depth_ft": depth_ft,
                "gear_frac": gear,
                "lid": lid,
                "soil_group": soil,
                "water_table_ft": np.where(rng.random(vaults) < 0.1, np.nan, table_ft.round()),
                "has_irrigation": sprinkled,
                "land_use": use,
                "setting": "street",
                "district": np.where(xy[:, 0] < 4000, "West", "East"),
                "gauge_id": np.where(rng.random(vaults) < 0.5, None, [f"G{i}" for i in near]),
            },
            geometry=gpd.points_from_xy(*(xy + origin).T),
            crs=CRS,
        ),
        "visits": frame,
        "gauges": gpd.GeoDataFrame(
            {"gauge_id": ["G0", "G1", "G2"]},
            geometry=gpd.points_from_xy(*(gauges_xy + origin).T),
            crs=CRS,
        ),
        "rainfall": pd.DataFrame(
            {
                "gauge_id": np.repeat(["G0", "G1", "G2"], days),
                "fell_on": np.tile(dates, 3),
                "rain_in": rain.ravel().round(2),
            }
        ).sample(frac=0.99, random_state=seed),
        "rain_outlook": table("rain_outlook").empty(),
    }
    shaped = {name: table(name).conform(rows) for name, rows in frames.items()}
    return Fleet(shaped, first, truth, drain)


@pytest.fixture(scope="session")
def make_fleet() -> Callable[..., Fleet]:
    return simulate


@pytest.fixture(scope="session")
def fleet() -> Fleet:
    return simulate()
