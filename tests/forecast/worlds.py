"""Invented fleets in five climates, whose water obeys richer rules than the model knows.

None of the numbers here is known to the package, and none was chosen by how the model does on it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import geopandas as gpd
import numpy as np
import pandas as pd

from vaultplan.schema import table

CRS: Final = "EPSG:32606"
GAUGES: Final = 5
AHEAD_DAYS: Final = 130
START: Final = pd.Timestamp("2018-01-01")
GRADES: Final = np.array(["clear", "light", "heavy"])


@dataclass(frozen=True)
class Climate:
    """Rain a year (in), its wettest day of the year and swing, storminess, and watering."""

    year_in: float
    peak: int
    swing: float
    wet_frac: float
    shape: float
    evaporation_in: float
    watered_from: int
    watered_to: int
    watered_frac: float
    frost: bool = False


CLIMATES: Final = {
    "oceanic": Climate(44, 350, 0.45, 0.42, 0.75, 0.05, 160, 250, 0.15),
    "mediterranean": Climate(19, 15, 0.95, 0.20, 0.60, 0.11, 100, 300, 0.45),
    "arid": Climate(9, 210, 0.60, 0.07, 0.55, 0.15, 60, 330, 0.60),
    "monsoon": Climate(55, 205, 0.90, 0.36, 0.50, 0.10, 20, 130, 0.20),
    "snow": Climate(34, 190, 0.25, 0.33, 0.70, 0.07, 140, 250, 0.25, frost=True),
}


@dataclass(frozen=True)
class World:
    """Tables as known on ``as_of``, and what happens after it if nobody comes.

    ``ahead_in[v, d]`` is the depth d + 1 days after ``as_of``; ``emptied_in`` the same with every
    vault emptied at the end of ``as_of``. ``ahead_grade`` is the grade a crew would write down.
    """

    frames: dict[str, pd.DataFrame]
    as_of: pd.Timestamp
    ahead_in: np.ndarray
    emptied_in: np.ndarray
    ahead_grade: np.ndarray
    room_in: np.ndarray
    capacity_gal: np.ndarray


def make_world(climate: str, seed: int, *, vaults: int = 1000, years: float = 7.0) -> World:
    """Return a seeded world; same arguments, same bits."""
    rng = np.random.default_rng([seed, sorted(CLIMATES).index(climate)])
    weather = CLIMATES[climate]
    days = int(years * 365.25) + int(rng.integers(0, 330))
    total = days + AHEAD_DAYS
    dates = pd.date_range(START, periods=total)
    yearday = dates.day_of_year.to_numpy()
    rain = _rain(rng, weather, yearday)
    town = _town(rng, vaults, weather)
    water = _Water(rng, weather, town, rain, yearday)
    visits = _Visits(rng, town, days)
    ahead = np.empty((vaults, AHEAD_DAYS), np.float32)
    emptied = np.empty((vaults, AHEAD_DAYS), np.float32)
    twin = None
    for t in range(total):
        if t == days:
            twin = np.zeros(vaults)
        drive = water.drive(t, yearday[t])
        water.level = water.step(water.level, drive)
        visits.soil(drive)
        if t < days:
            visits.visit(t, water, rain[town["gauge"].to_numpy(), t])
        else:
            twin = water.step(twin, drive)
            ahead[:, t - days], emptied[:, t - days] = water.level, twin
    grades = np.stack([visits.grade(np.arange(vaults)) for _ in range(AHEAD_DAYS)], axis=1)
    return World(
        frames=_frames(rng, town, visits.rows, rain[:, :days], dates[:days]),
        as_of=dates[days - 1],
        ahead_in=ahead,
        emptied_in=emptied,
        ahead_grade=grades,
        room_in=town["room"].to_numpy(),
        capacity_gal=(town["area"] * town["room"] / 231 * 144).to_numpy(),
    )


def _rain(rng: np.random.Generator, weather: Climate, yearday: np.ndarray) -> np.ndarray:
    days = len(yearday)
    season = 1 + weather.swing * np.cos(2 * np.pi * (yearday - weather.peak) / 365.25)
    year = np.exp(rng.normal(0, 0.25, days // 365 + 2))[np.arange(days) // 365]
    spell, slow = np.zeros(days), np.zeros(days)
    for t in range(1, days):
        spell[t] = 0.7 * spell[t - 1] + rng.normal(0, 0.71)
        slow[t] = 0.98 * slow[t - 1] + rng.normal(0, 0.2)
    chance = weather.wet_frac * season * np.exp(0.25 * slow) * np.sqrt(year)
    cut = np.quantile(spell, np.clip(1 - chance, 0.02, 0.995))
    local = 0.85 * spell + np.sqrt(1 - 0.85**2) * rng.normal(size=(GAUGES, days))
    wet = local > cut
    storm = rng.gamma(weather.shape, 1.0, days) * rng.gamma(6, 1 / 6, (GAUGES, days))
    rain = wet * storm * np.sqrt(season * year)
    return rain * weather.year_in * days / 365.25 / rain.sum(axis=1).mean()


def _town(rng: np.random.Generator, n: int, weather: Climate) -> pd.DataFrame:
    x, y = rng.uniform(0, 9000, n), rng.uniform(0, 7000, n)
    gauge_x, gauge_y = (
        np.array([900, 4500, 8200, 2300, 6700]),
        np.array([900, 3600, 1500, 6100, 6200]),
    )
    gauge = np.argmin((x[:, None] - gauge_x) ** 2 + (y[:, None] - gauge_y) ** 2, axis=1)
    low = np.exp(-(((x - 6500) / 2200) ** 2) - ((y - 2000) / 1500) ** 2)
    low += 0.8 * np.exp(-(((x - 1500) / 900) ** 2) - ((y - 5500) / 2500) ** 2)
    kind = rng.choice(["vault", "manhole", "handhole"], n, p=[0.6, 0.25, 0.15])
    is_round = (kind == "manhole") & (rng.random(n) < 0.7)
    size = {"vault": (6, 16), "manhole": (4, 8), "handhole": (2, 4)}
    length = np.array([rng.integers(*size[k]) + 0.5 * rng.integers(0, 2) for k in kind])
    width = np.where(is_round, length, np.maximum(2, length - rng.integers(0, 5, n)))
    depth_ft = np.where(
        kind == "handhole",
        rng.choice([2.5, 3.0, 4.0], n),
        rng.choice([5.0, 6.5, 8.0, 9.0, 12.0], n),
    )
    gear = rng.beta(2, 9, n)
    area = np.where(is_round, np.pi / 4, 1.0) * length * width * (1 - gear)
    old = rng.beta(2, 2, n)
    lid = np.where(rng.random(n) < 0.35 + 0.3 * old, "slotted", rng.choice(["vented", "sealed"], n))
    soil = np.array(list("ABCD"))[
        np.clip(np.floor(4 * (0.5 * low + 0.7 * rng.random(n))), 0, 3).astype(int)
    ]
    use = np.where(
        low > 0.5,
        rng.choice(["industrial", "commercial", "residential"], n, p=[0.5, 0.3, 0.2]),
        rng.choice(
            ["industrial", "commercial", "residential", "open_space"], n, p=[0.08, 0.25, 0.55, 0.12]
        ),
    )
    table_ft = np.exp(rng.normal(2.3 - 1.7 * low, 0.35))
    setting = rng.choice(["street", "sidewalk", "parkway", "easement"], n, p=[0.5, 0.25, 0.15, 0.1])
    sprinkled = rng.random(n) < weather.watered_frac * np.where(setting == "parkway", 1.6, 0.8)
    return pd.DataFrame({
        "x": x, "y": y, "gauge": gauge, "low": low, "kind": kind, "round": is_round,
        "length": length,
        "width": width, "depth_ft": depth_ft, "room": 12 * depth_ft, "gear": gear, "area": area,
        "old": old, "lid": lid, "soil": soil, "use": use, "table_ft": table_ft, "setting": setting,
        "sprinkled": sprinkled, "rim": 60 - 45 * low + rng.normal(0, 3, n),
        "never": rng.random(n) < 0.15,
    })  # fmt: skip


def _warmth(yearday: np.ndarray | int) -> np.ndarray:
    return np.asarray(0.5 - 0.5 * np.cos(2 * np.pi * (yearday - 20) / 365.25))


def _ground(
    weather: Climate, rain: np.ndarray, yearday: np.ndarray
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return water that reaches the ground, and a fast and a slow store of it: gauges x days."""
    warm = _warmth(yearday)
    wet, fast, slow = rain.copy(), np.zeros(rain.shape), np.zeros(rain.shape)
    snow, now_fast, now_slow = np.zeros((3, GAUGES))
    for turn in range(2):  # the first is only to fill the stores
        for t in range(len(yearday)):
            if weather.frost:
                frozen = warm[t] < 0.18
                snow = snow + rain[:, t] * frozen
                melt = np.minimum(snow, 0.0 if frozen else 0.25 + 0.5 * warm[t])
                snow = snow - melt
                wet[:, t] = rain[:, t] * (not frozen) + melt
            used = weather.evaporation_in * (0.3 + 1.4 * warm[t])
            soak = np.maximum(wet[:, t] - used, 0) * 0.6
            now_fast = now_fast * np.exp(-1 / 18) + soak
            now_slow = now_slow * np.exp(-1 / 160) + soak
            if turn:
                fast[:, t], slow[:, t] = now_fast, now_slow
    return wet, fast, slow


class _Water:
    """Depths of all vaults, a day at a time."""

    def __init__(
        self,
        rng: np.random.Generator,
        weather: Climate,
        town: pd.DataFrame,
        rain: np.ndarray,
        yearday: np.ndarray,
    ) -> None:
        n, total = len(town), len(yearday)
        self.wet, fast, slow = _ground(weather, rain, yearday)
        self.fast = fast - fast.mean()
        self.slow = slow - slow.mean()
        self.rng, self.weather, self.town = rng, weather, town
        self.room = town["room"].to_numpy()
        self.gauge = town["gauge"].to_numpy()
        slot = town["lid"].map({"slotted": 1.0, "vented": 0.0, "sealed": -1.6}).to_numpy()
        street = (town["setting"] == "street").to_numpy()
        gal_in = np.exp(rng.normal(2.4 + slot + 0.5 * street + town["old"], 0.9))
        self.leak = gal_in * 1.604 * 12 / town["area"].to_numpy() / 12
        self.threshold = rng.gamma(2, 0.08, n)
        self.power = rng.uniform(0.8, 1.25, n)
        self.change_day = np.where(rng.random(n) < 0.06, rng.integers(0, total, n), total)
        self.change = np.exp(rng.normal(0.4, 1.0, n))
        perm = town["soil"].map({"A": 1.2, "B": 0.4, "C": -0.5, "D": -1.4}).to_numpy()
        self.seep_in = np.exp(rng.normal(-3.6 + 0.5 * perm + town["old"], 0.7))
        self.seep_out = np.exp(rng.normal(-4.2 + perm, 1.0))
        self.crack_in = rng.beta(1.2, 2.5, n) * self.room
        self.crack_out = np.where(rng.random(n) < 0.4, rng.beta(1, 3, n), 0.0) * self.room
        self.duct = np.where(rng.random(n) < 0.12, rng.uniform(0.35, 0.95, n), 1.0) * self.room
        self.head_0 = self.room - 12 * town["table_ft"].to_numpy()
        self.head_fast = rng.gamma(3, 1.0, n) * (0.3 + town["low"].to_numpy())
        self.head_slow = rng.gamma(3, 1.5, n)
        self.spray = town["sprinkled"] * np.exp(rng.normal(0.9, 0.9, n)) / town["area"] * 4
        self.spray = self.spray.to_numpy() * np.where(town["lid"] == "sealed", 0.3, 1.0)
        self.clog = np.zeros(n)
        self.level = rng.uniform(0, 0.6, n) * self.room

    def drive(self, t: int, yearday: int) -> tuple[np.ndarray, np.ndarray]:
        """Return inflow (in) and head (in) of a day."""
        rng, weather = self.rng, self.weather
        self.clog = 0.985 * self.clog + rng.normal(0, 0.08, len(self.room))
        mine = self.wet[self.gauge, t]
        over = np.maximum(mine - self.threshold, 0)
        lid = self.leak * np.where(t >= self.change_day, self.change, 1.0)
        inflow = lid * over**self.power * np.where(mine > 1.2, 1.5, 1.0) * np.exp(self.clog)
        inflow *= np.exp(rng.normal(0, 0.3, len(inflow)))
        if weather.watered_from <= yearday <= weather.watered_to and rng.random() < 0.7:
            inflow += self.spray * (mine < 0.15) * (0.4 + _warmth(yearday))
        burst = rng.random(len(inflow)) < 0.015 / 365
        inflow += burst * rng.uniform(10, 60, len(inflow))
        tide = 3 * np.cos(2 * np.pi * (yearday - 60) / 365.25)
        head = self.head_0 + tide + self.head_fast * self.fast[self.gauge, t] * 3
        head = head + self.head_slow * self.slow[self.gauge, t]
        return inflow, head

    def step(self, level: np.ndarray, drive: tuple[np.ndarray, np.ndarray]) -> np.ndarray:
        """Return the depths a day later."""
        inflow, head = drive
        up = np.maximum(head - np.maximum(level, self.crack_in), 0)
        floor = np.maximum(np.maximum(head, 0), self.crack_out)
        down = np.maximum(level - floor, 0)
        out = np.minimum(self.seep_out * down**1.25, down)
        level = level + inflow + np.minimum(self.seep_in * up**0.9, up) - out
        return np.clip(level, 0, np.minimum(self.duct, self.room))


class _Visits:
    """Who came when, what they saw, how dirty it was."""

    def __init__(self, rng: np.random.Generator, town: pd.DataFrame, days: int) -> None:
        n = len(town)
        self.rng, self.town = rng, town
        self.room, self.area = town["room"].to_numpy(), town["area"].to_numpy()
        gap = np.exp(rng.normal(np.log(260), 0.8, n))
        self.rate = np.where(town["never"], 0.0, 1 / gap)
        self.stormy = rng.random(n) < 0.3
        dirty = town["use"].map({"industrial": 1.0, "commercial": 0.3}).fillna(-0.3).to_numpy()
        self.dirt = rng.normal(0, 0.8, n) + dirty + 0.9 * town["low"].to_numpy() - 0.3
        self.dirt += 0.6 * (town["lid"] == "slotted").to_numpy()
        self.drift = np.zeros(n)
        self.silt = rng.gamma(2, 0.3, n)
        self.silt_rate = rng.gamma(1.5, 0.0006, n)
        self.fresh = np.zeros(n)
        self.crew_bias = rng.normal(0, 0.25, 6)
        self.rows: list[tuple[object, ...]] = []

    def soil(self, drive: tuple[np.ndarray, np.ndarray]) -> None:
        """Let silt settle and dirt drift for a day."""
        self.drift = 0.997 * self.drift + self.rng.normal(0, 0.04, len(self.drift))
        self.silt += self.silt_rate
        self.fresh = 0.8 * self.fresh + np.minimum(drive[0], 3) * 0.1

    def grade(self, at: np.ndarray, crew: int = 0) -> np.ndarray:
        """Return the grade a crew writes down, 0 to 2."""
        score = self.dirt[at] + self.drift[at] + 0.6 * np.log1p(self.silt[at]) + self.fresh[at]
        score = score + self.crew_bias[crew] + self.rng.logistic(0, 0.45, len(at))
        return (score > 0.45).astype(int) + (score > 1.9)

    def visit(self, t: int, water: _Water, rain: np.ndarray) -> None:
        """Send crews out on a day."""
        rng = self.rng
        push = np.where(self.stormy & (rain > 0.4), 6.0, 0.9) if t % 7 < 5 else 0.1
        came = np.flatnonzero(rng.random(len(self.room)) < self.rate * push)
        crew = int(rng.integers(0, 6))
        grade = self.grade(came, crew)
        for v, g in zip(came, grade, strict=True):
            self._one(t, v, int(g), f"C{crew}", water, float(rain[v]))

    def _one(self, t: int, v: int, g: int, crew: str, water: _Water, rain: float) -> None:
        rng, room = self.rng, self.room[v]
        level = float(water.level[v])
        if rng.random() < 0.03:
            self.rows.append((v, t, "not_seen", None, None, None, "none", None, crew, rain > 0.1))
            return
        step = 1.0 if rng.random() < 0.7 else 3.0
        read = float(np.clip(step * round((level + rng.normal(0, 0.8)) / step), 0, room))
        if rng.random() < 0.015:
            read = (
                float(round(rng.uniform(0, room)))
                if rng.random() < 0.6
                else float(round(read / 12))
            )
        if read < 1:
            self.rows.append((v, t, "dry", 0.0, None, None, "none", None, crew, rain > 0.1))
            return
        full = read >= 0.95 * room
        pumped, left, gal = rng.random() < (0.9 if read > 4 else 0.3), None, None
        kept = level
        how = "none"
        if pumped:
            kept = level * rng.uniform(0.2, 0.7) if rng.random() < 0.07 else 0.0
            left = (
                round(kept, 1)
                if kept and rng.random() < 0.5
                else (0.0 if rng.random() < 0.4 else None)
            )
            gal = (level - kept) * self.area[v] / 12 * 7.48 * np.exp(rng.normal(0, 0.12))
            gal = round(gal, -1) if rng.random() < 0.8 else None
            how = ("storm_drain", "filter_sock", "vacuum_truck")[g]
            if how == "vacuum_truck":
                self.silt[v] *= 0.15
        depth = None if (full and rng.random() < 0.5) else read
        said = GRADES[g] if rng.random() < 0.92 else None
        word = "full" if full else "wet"
        self.rows.append((v, t, word, depth, left, said, how, gal, crew, rain > 0.1))
        water.level[v] = kept


def _frames(
    rng: np.random.Generator,
    town: pd.DataFrame,
    rows: list[tuple[object, ...]],
    rain: np.ndarray,
    dates: pd.DatetimeIndex,
) -> dict[str, pd.DataFrame]:
    n = len(town)
    ids = np.array([f"W{v:05d}" for v in range(n)])
    names = ["v", "t", "finding", "depth_in", "left_depth_in", "grade", "disposal", "volume_gal"]
    seen = pd.DataFrame(rows, columns=[*names, "crew", "was_raining"])
    seen["visit_id"] = [f"S{i:06d}" for i in range(len(seen))]
    seen["vault_id"] = ids[seen["v"].to_numpy(int)]
    hour = pd.to_timedelta(rng.uniform(8, 16, len(seen)).round(2), "h")
    seen["visited_at"] = (dates[seen["t"].to_numpy(int)] + hour).tz_localize("UTC")
    blank = rng.random((5, n))
    unsure = np.where(
        rng.random(n) < 0.06, rng.choice(["sealed", "vented", "slotted"], n), town["lid"]
    )
    table_ft = (town["table_ft"] * np.exp(rng.normal(0, 0.25, n))).round()
    gauge_x, gauge_y = (
        np.array([900, 4500, 8200, 2300, 6700]),
        np.array([900, 3600, 1500, 6100, 6200]),
    )
    codes = [f"G{i}" for i in range(GAUGES)]
    vaults = gpd.GeoDataFrame(
        {
            "vault_id": ids,
            "kind": town["kind"],
            "status": "in_service",
            "shape": np.where(town["round"], "round", "rectangular"),
            "length_ft": town["length"].where(blank[0] > 0.03),
            "width_ft": town["width"].mask(town["round"]),
            "depth_ft": town["depth_ft"].where(blank[0] > 0.03),
            "gear_frac": town["gear"].round(2).where(blank[1] > 0.5),
            "rim_elev_ft": town["rim"],
            "lid": pd.Series(unsure).where(blank[2] > 0.05),
            "soil_group": town["soil"].where(blank[3] > 0.05),
            "water_table_ft": table_ft.where(blank[4] > 0.2),
            "has_irrigation": town["sprinkled"],
            "land_use": town["use"],
            "setting": town["setting"],
            "district": np.where(town["x"] < 4500, "West", "East"),
            "gauge_id": np.where(rng.random(n) < 0.7, [codes[i] for i in town["gauge"]], None),
        },
        geometry=gpd.points_from_xy(town["x"] + 400_000, town["y"] + 4_200_000),
        crs=CRS,
    )
    frames: dict[str, pd.DataFrame] = {
        "vaults": vaults,
        "visits": seen.astype({"depth_in": float, "left_depth_in": float, "volume_gal": float}),
        "gauges": gpd.GeoDataFrame(
            {"gauge_id": codes},
            geometry=gpd.points_from_xy(gauge_x + 400_000, gauge_y + 4_200_000),
            crs=CRS,
        ),
        "rainfall": pd.DataFrame(
            {
                "gauge_id": np.repeat(codes, len(dates)),
                "fell_on": np.tile(dates, GAUGES),
                "rain_in": rain.ravel().round(2),
            }
        ).sample(frac=0.99, random_state=1),
        "rain_outlook": table("rain_outlook").empty(),
    }
    return {name: table(name).conform(rows) for name, rows in frames.items()}
