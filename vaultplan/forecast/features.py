"""What drives the water in a vault, turned into columns of a linear model."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy.spatial import cKDTree

from vaultplan.forecast.readings import NEVER, Readings
from vaultplan.forecast.weather import (
    SEASON_RUN_IN_DAYS,
    SOIL_DAYS,
    TAUS_DAYS,
    Rain,
    fading_sum,
    season_drivers,
)
from vaultplan.settings import ForecastSettings
from vaultplan.units import in_from_ft

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

TERMS: Final = ("seepage", "rain", "wet_ground", "irrigation", "cosine", "sine")
USUAL_AREA_SQFT: Final = 60.0  # only sets the scale of the rain coefficients
NEVER_EMPTIED_DAYS: Final = 4000.0  # time for which such a vault is taken to have filled; assumed
#: Share of the scatter that is there at once (reading error, uneven floors); the rest builds up
#: with time since the last known state, as scatter in a linear reservoir does; assumed.
SCATTER_AT_ONCE: Final = 0.15
NEIGHBOURS: Final = 8
CLASSES: Final = ("kind", "setting", "shape", "lid", "soil_group", "land_use")
MOST_LEVELS = 10


@dataclass(frozen=True, slots=True)
class Site:
    """What each vault is to the model: gauge row, depth, net area, share irrigated."""

    gauge: Ints
    depth_in: Floats
    area_sqft: Floats
    irrigated: Floats

    def part(self, rows: slice) -> Site:
        """Return some of the vaults."""
        return Site(
            self.gauge[rows], self.depth_in[rows], self.area_sqft[rows], self.irrigated[rows]
        )


@dataclass(frozen=True, slots=True)
class Drivers:
    """Fading sums of rain and season for every residence time, up to the as-of day.

    ``rain`` and ``ground`` are (taus, gauges, days); ``season`` is (taus, 3, days) and runs on
    past the as-of day as far as asked for.
    """

    source: Rain
    rain: Floats
    ground: Floats
    season: Floats
    first_day: int


@dataclass(frozen=True, slots=True)
class Ahead:
    """The same sums running on from the as-of day: (taus, gauges, members, days from as-of)."""

    rain: Floats
    ground: Floats
    season: Floats
    as_of_day: int

    @property
    def members(self) -> int:
        """How many futures there are."""
        return int(self.rain.shape[2])


def build_drivers(rain: Rain, settings: ForecastSettings) -> Drivers:
    """Return the fading sums of the rain record."""
    wet = fading_sum(rain.rain_in, SOIL_DAYS) / SOIL_DAYS
    return Drivers(
        source=rain,
        rain=np.stack([fading_sum(rain.rain_in, tau) for tau in TAUS_DAYS]),
        ground=np.stack([fading_sum(wet, tau) for tau in TAUS_DAYS]),
        season=_season(rain.first_day, rain.as_of_day, settings),
        first_day=rain.first_day,
    )


def run_ahead(drivers: Drivers, until_day: int, settings: ForecastSettings) -> Ahead:
    """Return the fading sums of every rain member from the as-of day to ``until_day``."""
    source = drivers.source
    future = source.ahead(max(until_day - source.as_of_day, 0))
    members = future.shape[1]
    wet_now = fading_sum(source.rain_in, SOIL_DAYS)[:, -1]
    wet = fading_sum(future, SOIL_DAYS, _spread(wet_now, members)) / SOIL_DAYS
    sums = []
    for past, series in ((drivers.rain, future), (drivers.ground, wet)):
        now = past[:, :, -1]
        taus = [
            fading_sum(series, tau, _spread(now[k], members)) for k, tau in enumerate(TAUS_DAYS)
        ]
        start = np.broadcast_to(now[:, :, None, None], (*now.shape, members, 1))
        sums.append(np.concatenate([start, np.stack(taus)], axis=3))
    season = _season(drivers.first_day, max(until_day, source.as_of_day), settings)
    return Ahead(sums[0], sums[1], season, source.as_of_day)


def elapsed_days(day: Ints, since: Ints) -> Floats:
    """Return days since the last known state; ``NEVER_EMPTIED_DAYS`` where there is none."""
    return np.where(since == NEVER, NEVER_EMPTIED_DAYS, day - since)


def scatter(elapsed: Floats, tau_days: float) -> Floats:
    """Return how large the variance of a reading is against that long after an emptying.

    Notes
    -----
    A linear reservoir fed by white noise has variance ``1 - exp(-2 D / tau)`` of its final one
    after D days; ``SCATTER_AT_ONCE`` of the whole is taken to be there from the start.
    """
    grown: Floats = 1.0 - np.exp(-2.0 * elapsed / tau_days)
    return SCATTER_AT_ONCE + (1.0 - SCATTER_AT_ONCE) * grown


def past_columns(
    drivers: Drivers, k: int, site: Site, vault: Ints, day: Ints, since: Ints
) -> tuple[Floats, Floats]:
    """Return the model's columns (p, rows) for past readings, and what is left of old water.

    The second array is ``exp(-D / tau)``, by which the depth at the last known state has fallen.
    """
    at = np.clip(day - drivers.first_day, 0, drivers.rain.shape[2] - 1)
    gauge = site.gauge[vault]
    now = (
        drivers.rain[k, gauge, at],
        drivers.ground[k, gauge, at],
        drivers.season[k][:, at],
    )
    return _columns(drivers, k, site, vault, elapsed_days(day, since), since, now)


def ahead_columns(
    drivers: Drivers,
    ahead: Ahead,
    k: int,
    member: int,
    site: Site,
    vault: Ints,
    day: Ints,
    since: Ints,
) -> tuple[Floats, Floats]:
    """Return the columns for days to come under one rain member; see :func:`past_columns`."""
    step = day - ahead.as_of_day
    gauge = site.gauge[vault]
    now = (
        ahead.rain[k, gauge, member, step],
        ahead.ground[k, gauge, member, step],
        ahead.season[k][:, day - drivers.first_day],
    )
    return _columns(drivers, k, site, vault, elapsed_days(day, since), since, now)


def _columns(
    drivers: Drivers,
    k: int,
    site: Site,
    vault: Ints,
    elapsed: Floats,
    since: Ints,
    now: tuple[Floats, Floats, Floats],
) -> tuple[Floats, Floats]:
    tau = TAUS_DAYS[k]
    fallen = np.exp(-elapsed / tau)
    never = since == NEVER
    at = np.clip(since - drivers.first_day, 0, drivers.rain.shape[2] - 1)
    gauge = site.gauge[vault]
    carry = np.where(never, 0.0, fallen)
    season = now[2] - carry * drivers.season[k][:, at]
    per_inch = USUAL_AREA_SQFT / (site.area_sqft[vault] * site.depth_in[vault])
    columns = np.empty((len(TERMS), len(elapsed)))
    columns[0] = 1.0 - fallen
    columns[1] = (now[0] - carry * drivers.rain[k, gauge, at]) * per_inch
    columns[2] = (now[1] - carry * drivers.ground[k, gauge, at]) * per_inch
    columns[3] = season[0] * site.irrigated[vault] / site.depth_in[vault]
    columns[4] = season[1] / tau
    columns[5] = season[2] / tau
    return columns, fallen


def traits(vaults: pd.DataFrame, rooms: pd.DataFrame, readings: Readings) -> Floats:
    """Return the vaults' static columns (q, vaults), standardised, the first one constant.

    Parameters
    ----------
    vaults
        Schema table ``vaults``, sorted by ``vault_id``.
    rooms
        From :func:`vaultplan.forecast.vaults.vault_rooms`, same rows.
    readings
        Readings of those vaults; they enter only as the mean fill of each vault's nearest
        neighbours, without its own.

    Notes
    -----
    A blank value lies at the mean of its column (0 after standardising): it says nothing.
    """
    columns = [np.ones(len(vaults))]
    depth = rooms["depth_in"].to_numpy(float)
    groundwater = depth - in_from_ft(vaults["water_table_ft"].to_numpy(float))
    numbers = [
        np.log(rooms["area_sqft"].to_numpy(float)),
        np.log(depth),
        np.log1p(vaults["water_table_ft"].to_numpy(float)),
        np.clip(groundwater / depth, 0.0, 1.0),
        vaults["rim_elev_ft"].to_numpy(float),
        vaults["has_irrigation"].astype("Float64").to_numpy(float, na_value=np.nan),
        _neighbour_fill(vaults, depth, readings),
    ]
    columns += [_standard(number) for number in numbers]
    for name in CLASSES:
        values = vaults[name]
        counts = values.value_counts()
        levels = sorted(counts[counts >= max(0.01 * len(values), 5)].index)[:MOST_LEVELS]
        for level in levels[1:]:
            dummy = values.eq(level).astype(float).to_numpy()
            columns.append(_standard(np.where(values.isna(), np.nan, dummy)))
    return np.stack(columns)


def _neighbour_fill(vaults: pd.DataFrame, depth: Floats, readings: Readings) -> Floats:
    """Return the mean fill of the readings at the nearest visited vaults, the own left out."""
    count = np.diff(readings.start)
    owner = np.repeat(np.arange(len(vaults)), count)
    total = np.bincount(owner, readings.depth_in / depth[owner], minlength=len(vaults))
    blank = np.full(len(vaults), np.nan)
    if "geometry" not in vaults:
        return blank
    placed = vaults.geometry.notna().to_numpy(bool)
    visited = np.flatnonzero((count > 0) & placed)
    if len(visited) < 2:
        return blank
    where = np.full((len(vaults), 2), np.nan)
    where[placed, 0] = vaults.geometry[placed].x
    where[placed, 1] = vaults.geometry[placed].y
    asked = np.flatnonzero(placed)
    near = min(NEIGHBOURS + 1, len(visited))
    found = visited[cKDTree(where[visited]).query(where[asked], k=near)[1]]
    other = found != asked[:, None]
    other[:, -1] &= ~other[:, :-1].all(axis=1) | (near <= NEIGHBOURS)
    overall = total.sum() / count.sum()
    rows = np.where(other, count[found], 0).sum(axis=1)
    fill = np.where(other, total[found], 0.0).sum(axis=1)
    blank[asked] = (fill + 3.0 * overall) / (rows + 3.0)
    return blank


def _standard(values: Floats) -> Floats:
    known = values[np.isfinite(values)]
    spread = known.std() if len(known) else 0.0
    if spread < 1e-9:
        return np.zeros(len(values))
    return np.where(np.isfinite(values), (values - known.mean()) / spread, 0.0)


def _spread(values: Floats, members: int) -> Floats:
    return np.repeat(values[..., None], members, axis=-1)


def _season(first_day: int, last_day: int, settings: ForecastSettings) -> Floats:
    days = np.arange(first_day - SEASON_RUN_IN_DAYS, last_day + 1)
    series = season_drivers(days, settings.irrigation_from, settings.irrigation_to)
    sums = np.stack([fading_sum(series, tau, np.zeros(3)) for tau in TAUS_DAYS])
    return np.ascontiguousarray(sums[:, :, SEASON_RUN_IN_DAYS:])
