"""Water in the vaults, day by day: richer on purpose than any forecast model should assume.

Rain must pass a threshold that falls as the soil fills; groundwater follows a season and slow
memory; leakage is a power of depth in some vaults and two outlets in others; ducts cap the level;
lids start to leak; gardens are watered in summer.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from fleet.ground import Array
from fleet.rain import Rain
from fleet.vaults import Vaults


@dataclass
class Rounds:
    """Visits in order of day: vault and day number, true depth found and left, what was done."""

    vault: Any
    day: Any
    found_in: Array
    left_in: Array
    pumped: Any
    seen: Any
    since_pumped: Array


def plan_rounds(vaults: Vaults, days: Any, rng: np.random.Generator) -> tuple[Any, Any]:
    """Return vault and day of every visit: irregular, on weekdays, more to bad vaults."""
    n, span = len(vaults.xy), len(days)
    rate = rng.gamma(3.5, 1 / 3.5, n) * np.exp(0.22 * vaults.wet + 0.18 * vaults.dirt)
    rate *= 14.3 * span / 2922 / rate.mean()
    rate = np.minimum(rate, 45.0)
    rate[(vaults.table["status"] != "in_service").to_numpy()] *= 0.35
    rate[rng.random(n) < 0.065] = 0.0
    count = rng.poisson(rate)
    vault = np.repeat(np.arange(n), count)
    day = np.floor(rng.random(len(vault)) * span).astype(int)
    again = rng.random(len(vault)) < 0.10
    day = np.where(again, np.roll(day, 1) + rng.integers(2, 40, len(vault)), day) % span
    weekday = (days[day].astype("datetime64[D]").astype(int) + 3) % 7
    weekend = (weekday >= 5) & (rng.random(len(vault)) < 0.93)
    day = np.where(
        weekend, np.maximum(0, day - rng.integers(1, 6, len(vault)) - (weekday == 6)), day
    )
    key = np.unique(day * n + vault)
    return key % n, key // n


def simulate(
    vaults: Vaults,
    gauge: Any,
    rain: Rain,
    vault: Any,
    day: Any,
    rng: np.random.Generator,
    watch: Any = None,
) -> tuple[Rounds, Array]:
    """Return what every visit found, and the daily levels of the ``watch`` vaults (inches)."""
    p = _traits(vaults, rng)
    n, span = len(vaults.xy), len(rain.days)
    runoff, soak, ground, watering = _weather(rain)
    code = np.array(["A", "B", "C", "D"])
    soil = np.searchsorted(code, vaults.size["soil_group"].to_numpy().astype(str))
    slot = gauge * 4 + soil
    rows = len(vault)
    skip = rng.random(rows) < 0.025
    eager = rng.random(rows) < 0.94
    clean = rng.random(rows) < 0.80
    left_share = np.where(clean, 0.0, rng.beta(1.2, 4.0, rows)).astype("f4")
    film = rng.exponential(0.4, rows).astype("f4")
    found, left = np.zeros(rows, "f4"), np.zeros(rows, "f4")
    pumped, since = np.zeros(rows, bool), np.zeros(rows, "f4")
    last = np.full(n, -400.0, "f4") - rng.exponential(500, n).astype("f4")
    starts = np.searchsorted(day, np.arange(span + 1))
    h = (p["H"] * rng.beta(0.8, 2.0, n)).astype("f4")
    seen_levels = np.zeros((0 if watch is None else len(watch), span), "f4")
    for t in range(span):
        catch = np.where(t >= p["fails"], p["catch_bad"], p["catch"])
        head = np.maximum(p["gw_base"] + p["gw_swing"] * ground[gauge, t], 0)
        inflow = (
            catch * runoff[slot, t] + p["duct"] * soak[slot, t] + p["water"] * watering[gauge, t]
        )
        share = h / p["H"]
        power = p["k_power"] * h * np.sqrt(share)
        outlets = p["k_low"] * h + p["k_high"] * np.maximum(h - p["crack"], 0)
        leak = np.where(head > h, 0, power + outlets)
        h = h + inflow + p["seep"] * np.maximum(head - h, 0) - leak
        h = np.clip(h, 0, p["cap"]).astype("f4")
        a, b = starts[t], starts[t + 1]
        if b > a:
            at = vault[a:b]
            now = h[at]
            found[a:b] = now
            do = ~skip[a:b] & (now > 2.0) & eager[a:b]
            rest = np.minimum(np.where(do, left_share[a:b] * now + film[a:b], now), now)
            left[a:b], pumped[a:b] = rest, do
            since[a:b] = t - last[at]
            h[at] = rest
            last[at[do]] = t
        if watch is not None:
            seen_levels[:, t] = h[watch]
    return Rounds(vault, day, found, left, pumped, ~skip, since), seen_levels


def floor_area_sqft(size: pd.DataFrame) -> Array:
    """Return the plan area of the water, less gear."""
    length, width = size["length_ft"].to_numpy(), size["width_ft"].to_numpy()
    plan = np.where(np.isnan(width), np.pi / 4 * length**2, length * width)
    return np.asarray(plan * (1 - size["gear_frac"].to_numpy()))


def _traits(vaults: Vaults, rng: np.random.Generator) -> dict[str, Array]:
    size, n, wet = vaults.size, len(vaults.xy), vaults.wet
    roof = size["depth_ft"].to_numpy() * 12
    area = floor_area_sqft(size)
    tight = np.where(rng.random(n) < 0.18, 0.06, 1.0)
    lid = size["lid"].map({"sealed": 0.30, "vented": 2.0, "slotted": 5.5}).to_numpy()
    catch = lid * np.exp(rng.normal(0, 0.8, n) + 0.5 * wet) * tight * np.sqrt(40 / area)
    fails = np.where(rng.random(n) < 0.08, rng.integers(300, 2700, n), 10**6)
    cover = 20.0
    head0 = roof + cover - size["water_table_ft"].to_numpy() * 12
    capped = np.where(rng.random(n) < 0.12, rng.uniform(0.35, 0.8, n), 1.0) * roof
    two = rng.random(n) < 0.5
    slow = np.exp(rng.normal(0.5, 1.1, n) - 0.35 * wet) * np.where(tight < 1, 0.1, 1.0)
    soil_leak = size["soil_group"].map({"A": 1.8, "B": 1.2, "C": 0.7, "D": 0.4}).to_numpy()
    traits = {
        "H": roof,
        "catch": catch,
        "catch_bad": catch * 3 + 0.4 * np.sqrt(40 / area),
        "fails": fails,
        "duct": np.exp(rng.normal(-1.6, 1.3, n) + 0.6 * wet) * tight,
        "water": np.where(
            vaults.table["has_irrigation"].fillna(False).to_numpy(bool),
            np.exp(rng.normal(-1.6, 0.8, n)),
            0.0,
        )
        * tight,
        "gw_base": head0,
        "gw_swing": rng.uniform(5, 30, n),
        "seep": np.exp(rng.normal(-2.5, 1.1, n)) * tight,
        "k_power": np.where(two, 0, 0.008) * slow * soil_leak,
        "k_low": np.where(two, 0.0015, 0.0003) * slow * soil_leak,
        "k_high": np.where(two, 0.02, 0.0) * slow,
        "crack": roof * rng.uniform(0.25, 0.7, n),
        "cap": capped,
    }
    return {name: values.astype("f4") for name, values in traits.items()}


def _weather(rain: Rain) -> tuple[Array, Array, Array, Array]:
    """Return runoff and soak by gauge and soil, groundwater and watering by gauge, each per day."""
    gauges, span = rain.rain_in.shape
    rise = np.array([2.6, 2.1, 1.7, 1.4])
    drain = np.array([0.90, 0.94, 0.965, 0.98])
    first_in = np.array([0.30, 0.20, 0.12, 0.08])
    day = (rain.days - rain.days.astype("datetime64[Y]").astype("datetime64[D]")).astype(int)
    thirst = 0.10 - 0.06 * np.cos(2 * np.pi * (day - 15) / 365.25)
    summer = (day > 110) & (day < 285)
    moist = np.full((gauges, 4), 0.5)
    slow = np.full(gauges, 0.085)
    runoff, soak = np.zeros((gauges, 4, span), "f4"), np.zeros((gauges, 4, span), "f4")
    ground, watering = np.zeros((gauges, span), "f4"), np.zeros((gauges, span), "f4")
    dry_days = np.zeros(gauges)
    for t in range(span):
        p = rain.rain_in[:, t]
        share = moist / rise
        loss = first_in * (1.6 - 1.4 * share)
        runoff[:, :, t] = np.maximum(p[:, None] - loss, 0)
        moist = np.clip(moist * drain + p[:, None] - thirst[t] * share, 0, rise)
        soak[:, :, t] = np.maximum(moist / rise - 0.45, 0) * 2
        slow += (p - slow) / 75
        ground[:, t] = (slow - 0.085) / 0.075 + 0.3 * np.cos(2 * np.pi * (day[t] - 60) / 365.25)
        dry_days = np.where(p > 0.1, 0, dry_days + 1)
        watering[:, t] = summer[t] * (dry_days > 2) * (t % 3 != 0)
    return runoff.reshape(-1, span), soak.reshape(-1, span), ground, watering
