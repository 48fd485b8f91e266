"""How long a vault stays workable after it was pumped dry."""

from __future__ import annotations

from typing import Final

import numpy as np
import numpy.typing as npt
import pandas as pd

from vaultplan.forecast.distribution import student_chance
from vaultplan.forecast.features import SCATTER_AT_ONCE, TERMS, USUAL_AREA_SQFT, Ahead, scatter
from vaultplan.forecast.posterior import Posterior
from vaultplan.forecast.volume import Batch, WaterModel
from vaultplan.forecast.weather import TAUS_DAYS

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

#: Days after pumping at which the chance of being wet again is worked out.
STEPS_DAYS: Final = (0.25, 0.5, 1.0, 2.0, 3.0, 5.0, 7.0, 10.0, 14.0, 21.0, 30.0, 45.0, 60.0, 90.0)
LONGEST_DAYS: Final = STEPS_DAYS[-1]
HOURS_PER_DAY: Final = 24.0
LEVELS: Final = (0.1, 0.5, 0.9)


def refill_hours(model: WaterModel, points: pd.DataFrame) -> pd.DataFrame:
    """Return the time until working depth is back in vaults emptied on the points' days.

    Parameters
    ----------
    model
        From :func:`vaultplan.forecast.volume.fit_water`.
    points
        ``vault_id``, ``on``: the day the vault is pumped dry.

    Returns
    -------
    pandas.DataFrame
        ``refill_hours_p10``, ``_p50``, ``_p90``. 2,160 h (90 days) means "90 days or more": no
        plan looks further. Water back sooner than the p10 has a chance of one in ten.

    Notes
    -----
    The vault's own posterior run forward from empty under every rain member. The chance that
    working depth is back after D days is taken as the highest chance of standing that deep on any
    day up to D, which is a little late where a vault only brushes the depth between two looks.
    """
    vault, day = model.locate(points)
    ahead = model.ahead(day, int(LONGEST_DAYS))
    hours = np.zeros((len(LEVELS), len(day)))
    work = model.each_batch(vault, day, lambda batch: refill_of_batch(model, batch, ahead))
    for at, found in work:
        hours[:, at] = found
    return as_columns(hours, points.index)


def as_columns(hours: Floats, index: pd.Index[int]) -> pd.DataFrame:
    """Return hours (levels, points) as the columns of table ``forecasts``."""
    names = [f"refill_hours_p{round(100 * level)}" for level in LEVELS]
    return pd.DataFrame(dict(zip(names, hours, strict=True)), index=index)


def refill_of_batch(model: WaterModel, batch: Batch, ahead: Ahead) -> Floats:
    """Return hours until working depth is back, (levels, points of the batch)."""
    back = np.zeros((len(STEPS_DAYS), len(batch.day)))
    for k, weight, posterior in batch.taus:
        use = np.flatnonzero(weight)
        if len(use):
            vault, day = batch.vault[use], batch.day[use]
            chance = _chance_back(model, k, vault, day, posterior.take(use), ahead)
            back[:, use] += weight[use] * np.maximum.accumulate(chance, axis=0)
    return np.stack([_when(back, level) for level in LEVELS])


def _chance_back(
    model: WaterModel, k: int, vault: Ints, day: Ints, posterior: Posterior, ahead: Ahead
) -> Floats:
    """Return the chance of standing at working depth after each step: (steps, points)."""
    site, settings = model.site, model.settings.forecast
    room = site.depth_in[vault]
    per_inch = USUAL_AREA_SQFT / (site.area_sqft[vault] * room)
    scale = model.priors[k].scale[:, None]
    wanted = settings.working_depth_in / room
    pairs, pair = np.unique(np.stack([site.gauge[vault], day]), axis=1, return_inverse=True)
    chance = np.zeros((len(STEPS_DAYS), len(vault)))
    for step, days in enumerate(STEPS_DAYS):
        rain = _rain_since(ahead, k, pairs[0], pairs[1] - ahead.as_of_day, days)
        season = _season_since(model, ahead, k, pairs[1], days)
        x = np.empty((len(TERMS), len(vault)))
        x[0] = 1.0 - np.exp(-days / TAUS_DAYS[k])
        x[1] = rain[0].mean(axis=1)[pair] * per_inch
        x[2] = rain[1].mean(axis=1)[pair] * per_inch
        x[3] = season[0][pair] * site.irrigated[vault] / room
        x[4], x[5] = season[1][pair] / TAUS_DAYS[k], season[2][pair] / TAUS_DAYS[k]
        x /= scale
        mu = np.zeros(len(vault))
        for column, coefficient in zip(x, posterior.mean, strict=True):
            mu += column * coefficient
        by_rain = posterior.mean[1] * per_inch / scale[1]
        by_ground = posterior.mean[2] * per_inch / scale[2]
        spread = [(part - part.mean(axis=1, keepdims=True)) for part in rain]
        weather = (
            by_rain**2 * (spread[0] ** 2).mean(axis=1)[pair]
            + 2.0 * by_rain * by_ground * (spread[0] * spread[1]).mean(axis=1)[pair]
            + by_ground**2 * (spread[1] ** 2).mean(axis=1)[pair]
        )
        grown = scatter(np.array(days), TAUS_DAYS[k]) - SCATTER_AT_ONCE
        own = posterior.scale / posterior.shape * (grown + posterior.variance_factor(x))
        sd = np.sqrt(own + weather)
        chance[step] = 1.0 - student_chance((wanted - mu) / sd, 2.0 * posterior.shape)
    return np.where(wanted <= 1.0, chance, 0.0)


def _rain_since(
    ahead: Ahead, k: int, gauge: Ints, step: Ints, days: float
) -> tuple[Floats, Floats]:
    """Return fading sums of rain and wet ground over the days after ``step``: (pairs, members)."""
    whole = max(int(days), 1)
    part = min(days, 1.0)  # rain of the first day comes evenly over the day
    fallen = np.exp(-whole / TAUS_DAYS[k])
    rain, ground = (
        (series[k, gauge, :, step + whole] - fallen * series[k, gauge, :, step]) * part
        for series in (ahead.rain, ahead.ground)
    )
    return rain, ground


def _season_since(model: WaterModel, ahead: Ahead, k: int, day: Ints, days: float) -> Floats:
    whole, part = max(int(days), 1), min(days, 1.0)
    at = day - model.drivers.first_day
    fallen = np.exp(-whole / TAUS_DAYS[k])
    season: Floats = (ahead.season[k][:, at + whole] - fallen * ahead.season[k][:, at]) * part
    return season


def _when(back: Floats, level: float) -> Floats:
    """Return the hours at which the chance of being back reaches the level, at most 90 days."""
    points = np.arange(back.shape[1])
    days = np.array([0.0, *STEPS_DAYS])
    chance = np.concatenate([np.zeros((1, back.shape[1])), back])
    below = (chance < level).sum(axis=0)
    upper = np.clip(below, 1, len(days) - 1)
    low, high = chance[upper - 1, points], chance[upper, points]
    share = np.clip((level - low) / np.maximum(high - low, 1e-12), 0.0, 1.0)
    inside = days[upper - 1] + share * (days[upper] - days[upper - 1])
    hours: Floats = np.where(below == len(days), LONGEST_DAYS, inside) * HOURS_PER_DAY
    return hours
