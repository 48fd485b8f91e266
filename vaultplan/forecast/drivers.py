"""What is left, on any day, of all the rain and all the seasons that drove water in."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from vaultplan.forecast.weather import (
    SEASON_RUN_IN_DAYS,
    TAUS_DAYS,
    Rain,
    fading_sum,
    runoff_in,
    season_drivers,
)
from vaultplan.settings import ForecastSettings

Floats = npt.NDArray[np.float64]

#: Ways in which rain drives water in: off the street at once, through ground that stays wet for
#: weeks, and through ground that stays wet for months.
SERIES: Final = ("runoff", "wet_ground", "deep_ground")
GROUND_DAYS: Final = (40.0, 150.0)  # how long wet and deep ground keep feeding a vault; assumed
#: Paved streets have 98, with open ditches 92 to 93 (TR-55 table 2-2, from memory); assumed.
STREET_CURVE_NUMBER: Final = 98.0


@dataclass(frozen=True, slots=True)
class Drivers:
    """Fading sums of rain and season for every residence time, up to the as-of day.

    ``rain`` is (taus, series, gauges, days); ``season`` is (taus, 3, days); ``ground`` are the
    sums of the wet and the deep ground on the as-of day, (2, gauges).
    """

    source: Rain
    rain: Floats
    season: Floats
    ground: Floats
    first_day: int


@dataclass(frozen=True, slots=True)
class Ahead:
    """The same sums running on from the as-of day.

    ``rain`` is (taus, series, gauges, days from the as-of day, members); ``season`` runs from the
    first day of the record.
    """

    rain: Floats
    season: Floats
    as_of_day: int

    @property
    def members(self) -> int:
        """How many futures there are."""
        return int(self.rain.shape[-1])


def build_drivers(rain: Rain, settings: ForecastSettings) -> Drivers:
    """Return the fading sums of the rain record."""
    series, ground = _series(rain.rain_in, None)
    return Drivers(
        source=rain,
        rain=np.stack([fading_sum(series, tau) for tau in TAUS_DAYS]),
        season=_season(rain.first_day, rain.as_of_day, settings),
        ground=ground,
        first_day=rain.first_day,
    )


def run_ahead(drivers: Drivers, until_day: int, settings: ForecastSettings) -> Ahead:
    """Return the fading sums of every rain member from the as-of day to ``until_day``."""
    source = drivers.source
    days = max(until_day - source.as_of_day, 0)
    future = source.ahead(days)
    members = future.shape[1]
    now = np.repeat(drivers.rain[:, :, :, -1:], members, axis=3)
    sums = np.empty((*now.shape[:3], days + 1, members))
    sums[:, :, :, 0] = now
    if days:
        series, _ = _series(future, np.repeat(drivers.ground[:, :, None], members, axis=2))
        for k, tau in enumerate(TAUS_DAYS):
            sums[k, :, :, 1:] = fading_sum(series, tau, now[k]).transpose(0, 1, 3, 2)
    season = _season(drivers.first_day, max(until_day, source.as_of_day), settings)
    return Ahead(sums, season, source.as_of_day)


def _series(rain_in: Floats, before: Floats | None) -> tuple[Floats, Floats]:
    """Return the series of daily rain along the last axis, and the ground's state at its end."""
    ground = [
        fading_sum(rain_in, days, None if before is None else before[place])
        for place, days in enumerate(GROUND_DAYS)
    ]
    fed = [state / days for state, days in zip(ground, GROUND_DAYS, strict=True)]
    series = np.stack([runoff_in(rain_in, STREET_CURVE_NUMBER), *fed])
    return series, np.stack([state[..., -1] for state in ground])


def _season(first_day: int, last_day: int, settings: ForecastSettings) -> Floats:
    days = np.arange(first_day - SEASON_RUN_IN_DAYS, last_day + 1)
    series = season_drivers(days, settings.irrigation_from, settings.irrigation_to)
    sums = np.stack([fading_sum(series, tau, np.zeros(3)) for tau in TAUS_DAYS])
    return np.ascontiguousarray(sums[:, :, SEASON_RUN_IN_DAYS:])
