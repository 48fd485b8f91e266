"""How long a vault stays workable after it was pumped dry."""

from __future__ import annotations

from typing import Final

import numpy as np
import numpy.typing as npt
import pandas as pd

from vaultplan.errors import SchemaError
from vaultplan.forecast.distribution import student_chance
from vaultplan.forecast.drivers import SERIES, Ahead
from vaultplan.forecast.features import RAIN_TERMS, SCATTER_AT_ONCE, TERMS, scatter
from vaultplan.forecast.posterior import Posterior
from vaultplan.forecast.volume import Batch, WaterModel
from vaultplan.forecast.weather import TAUS_DAYS

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

#: Days after pumping at which the water is looked at: often while crews may still be coming.
STEPS_DAYS: Final = (
    *(0.25, 0.5, 1.0, 2.0, 3.0, 4.0, 5.0, 6.0, 8.0, 10.0),
    *(13.0, 16.0, 20.0, 25.0, 32.0, 42.0, 56.0, 72.0, 90.0),
)
LONGEST_DAYS: Final = STEPS_DAYS[-1]
HOURS_PER_DAY: Final = 24.0
LEVELS: Final = (0.1, 0.5, 0.9)
MOST_FUTURES: Final = 10  # of the rain ahead that are followed; more change the hours by little
LEAST_WEIGHT: Final = 0.03  # residence times less likely than this are left out


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
    The vault's own posterior run forward from empty under futures of the rain, ``STEPS_DAYS`` at a
    time: working depth is back by day D if on any step up to D the water stands that deep. What
    readings stray by, and what is not known of the vault, is taken to stay the same all along one
    future, so that the chance of being back is that of its worst moment so far.
    """
    vault, day = model.locate(points)
    ahead = model.ahead(day, int(LONGEST_DAYS))
    hours = np.zeros((len(LEVELS), len(day)))
    work = model.each_batch(vault, day, lambda batch: refill_of_batch(model, batch, ahead))
    for at, found in work:
        hours[:, at] = found
    return as_columns(hours, points.index)


def prob_workable(model: WaterModel, points: pd.DataFrame) -> pd.Series[float]:
    """Return the chance that a vault is still shallow enough to work in some hours after pumping.

    Parameters
    ----------
    model
        From :func:`vaultplan.forecast.volume.fit_water`.
    points
        ``vault_id``, ``on`` (day it is pumped dry) and ``hours`` from then to the crew's entry.

    Returns
    -------
    pandas.Series
        Chance that less than working depth is back, 0 to 1, in the order given.

    Raises
    ------
    SchemaError
        If a column is missing, or hours are blank, negative or beyond ``LONGEST_DAYS``.
    """
    if "hours" not in points:
        raise SchemaError("points lack the column hours: from the pumping to the entry")
    hours = points["hours"].to_numpy(float)
    bad = ~((hours >= 0.0) & (hours <= LONGEST_DAYS * HOURS_PER_DAY))
    if bad.any():
        named = ", ".join(points["vault_id"][bad].astype(str).iloc[:5])
        raise SchemaError(
            f"{int(bad.sum())} point(s) have no hours from 0 to {LONGEST_DAYS * HOURS_PER_DAY:g} "
            f"({named}); ask for an entry in that time"
        )
    vault, day = model.locate(points)
    ahead = model.ahead(day, int(LONGEST_DAYS))
    chance = np.ones(len(day))
    work = model.each_batch(vault, day, lambda batch: chance_back(model, batch, ahead))
    for at, back in work:
        chance[at] = 1.0 - _at_hours(back, hours[at])
    return pd.Series(chance, points.index, name="prob_workable")


def as_columns(hours: Floats, index: pd.Index[int]) -> pd.DataFrame:
    """Return hours (levels, points) as the columns of table ``forecasts``."""
    names = [f"refill_hours_p{round(100 * level)}" for level in LEVELS]
    return pd.DataFrame(dict(zip(names, hours, strict=True)), index=index)


def refill_of_batch(model: WaterModel, batch: Batch, ahead: Ahead) -> Floats:
    """Return hours until working depth is back, (levels, points of the batch)."""
    back = chance_back(model, batch, ahead)
    return np.stack([_when(back, level) for level in LEVELS])


def chance_back(model: WaterModel, batch: Batch, ahead: Ahead) -> Floats:
    """Return the chance that working depth is back by each step: (steps, points of the batch)."""
    back = np.zeros((len(STEPS_DAYS), len(batch.day)))
    counted = np.zeros(len(batch.day))
    for part in batch.strands:
        likely = np.flatnonzero(part.weight >= LEAST_WEIGHT)
        if len(likely):
            use, weight = part.use[likely], part.weight[likely]
            vault, day, posterior = batch.vault[use], batch.day[use], part.posterior.take(likely)
            back[:, use] += weight * _chance_back(model, part.k, vault, day, posterior, ahead)
            counted[use] += weight
    return back / counted


def _chance_back(
    model: WaterModel, k: int, vault: Ints, day: Ints, posterior: Posterior, ahead: Ahead
) -> Floats:
    """Return the chance of one residence time that working depth was reached by each step."""
    site = model.site
    room = site.depth_in[vault]
    scale = model.priors[k].scale
    wanted = model.settings.forecast.working_depth_in / room
    members = np.unique(
        np.linspace(0, ahead.members - 1, min(ahead.members, MOST_FUTURES)).round().astype(int)
    )
    days_asked, day_row = np.unique(day, return_inverse=True)
    per_inch = site.per_inch(vault)
    pull = posterior.mean[RAIN_TERMS] * per_inch / scale[RAIN_TERMS][:, None]
    shares = [share[vault] for share in site.share]
    columns = [gauge[vault] * len(days_asked) + day_row for gauge in site.gauge]
    nearest = np.full((len(members), len(vault)), np.inf)
    chance = np.empty((len(STEPS_DAYS), len(vault)))
    x = np.zeros((len(TERMS), len(vault)))
    for place, days in enumerate(STEPS_DAYS):
        rain = _rain_since(ahead, k, days_asked - ahead.as_of_day, days)[..., members]
        # A future a row, so that every step below runs along memory.
        by_future = np.ascontiguousarray(rain.reshape(len(SERIES), -1, len(members)).swapaxes(1, 2))
        season = _season_since(model, ahead, k, days_asked, days)[:, day_row]
        x[0] = 1.0 - np.exp(-days / TAUS_DAYS[k])
        x[-3] = season[0] * site.irrigated[vault] / room
        x[-2:] = season[1:] / TAUS_DAYS[k]
        base = np.zeros(len(vault))
        for term in (0, -3, -2, -1):
            base += posterior.mean[term] * x[term] / scale[term]
        mu = np.repeat(base[None], len(members), axis=0)
        for series in range(len(SERIES)):
            fallen = np.zeros((len(members), len(vault)))
            for share, column in zip(shares, columns, strict=True):
                fallen += share * by_future[series].take(column, axis=1)
            x[RAIN_TERMS.start + series] = fallen.mean(axis=0) * per_inch
            fallen *= pull[series]
            mu += fallen
        grown = scatter(np.array(days), TAUS_DAYS[k]) - SCATTER_AT_ONCE
        unsure = posterior.variance_factor(x / scale[:, None])
        sd = np.sqrt(posterior.scale / posterior.shape * (grown + unsure))
        np.subtract(wanted, mu, out=mu)
        mu /= sd
        np.minimum(nearest, mu, out=nearest)
        below = student_chance(nearest, 2.0 * posterior.shape)
        total = np.zeros(len(vault))
        for future in below:
            total += future
        chance[place] = 1.0 - total / len(members)
    return np.where(wanted <= 1.0, np.clip(chance, 0.0, 1.0), 0.0)


def _rain_since(ahead: Ahead, k: int, step: Ints, days: float) -> Floats:
    """Return fading sums over the days after each step: (series, gauges, steps asked, members)."""
    whole = max(int(days), 1)
    part = min(days, 1.0)  # rain of the first day comes evenly over the day
    fallen = np.exp(-whole / TAUS_DAYS[k])
    rain: Floats = (ahead.rain[k][:, :, step + whole] - fallen * ahead.rain[k][:, :, step]) * part
    return rain


def _season_since(model: WaterModel, ahead: Ahead, k: int, day: Ints, days: float) -> Floats:
    whole, part = max(int(days), 1), min(days, 1.0)
    at = day - model.drivers.first_day
    fallen = np.exp(-whole / TAUS_DAYS[k])
    season: Floats = (ahead.season[k][:, at + whole] - fallen * ahead.season[k][:, at]) * part
    return season


def _at_hours(back: Floats, hours: Floats) -> Floats:
    """Return the chance of being back by each point's own hours."""
    points = np.arange(back.shape[1])
    steps = HOURS_PER_DAY * np.array([0.0, *STEPS_DAYS])
    chance = np.concatenate([np.zeros((1, back.shape[1])), back])
    upper = np.clip(np.searchsorted(steps, hours), 1, len(steps) - 1)
    share = (hours - steps[upper - 1]) / (steps[upper] - steps[upper - 1])
    low, high = chance[upper - 1, points], chance[upper, points]
    reached: Floats = low + (high - low) * share
    return reached


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
