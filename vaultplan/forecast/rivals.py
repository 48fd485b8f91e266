"""Simpler forecasts of the depth, to measure the real one against.

Each takes what the fleet's model knows and answers with quantiles of the filled share. The first
four are dressed: their point forecast is given the spread of the errors it made in the past.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

import numpy as np
import numpy.typing as npt
import pandas as pd

from vaultplan.errors import MissingExtraError
from vaultplan.forecast.features import elapsed_days
from vaultplan.forecast.readings import NEVER
from vaultplan.forecast.volume import WaterModel
from vaultplan.forecast.weather import TAUS_DAYS, season_drivers

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Rival = Callable[[WaterModel, Ints, Ints, Floats], Floats]

CLASS: Final = ("kind", "lid", "soil_group")
LEAST_OF_CLASS: Final = 30
LONGEST_LEAD_DAYS: Final = 90
MOST_TAUGHT: Final = 200_000
SEED: Final = 20_261


def last_reading(model: WaterModel, vault: Ints, day: Ints, levels: Floats) -> Floats:  # noqa: ARG001
    """Return (points, levels): as full as it was found last."""
    fill, owner = _fills(model)
    before = _before(owner)
    errors = (fill - np.append(fill, np.nan)[before])[before >= 0]
    last = np.append(fill, np.nan)[_last_row(model)]
    return _dressed(last[vault], errors, fill, levels)


def own_mean(model: WaterModel, vault: Ints, day: Ints, levels: Floats) -> Floats:  # noqa: ARG001
    """Return (points, levels): as full as it was found on average."""
    fill, owner = _fills(model)
    _, total, count = _running(model, fill, owner)
    errors = (fill - total / np.maximum(count, 1))[count > 0]
    rows = np.diff(model.readings.start)
    sums = np.bincount(owner, fill, minlength=len(rows))
    mean = np.where(rows > 0, sums / np.maximum(rows, 1), np.nan)
    return _dressed(mean[vault], errors, fill, levels)


def class_climatology(model: WaterModel, vault: Ints, day: Ints, levels: Floats) -> Floats:  # noqa: ARG001
    """Return (points, levels): as full as vaults of the same kind, lid and soil were found."""
    fill, owner = _fills(model)
    named = [model.classes[name].astype("str").fillna("") for name in CLASS]
    code = pd.factorize(named[0] + "/" + named[1] + "/" + named[2], sort=True)[0]
    found = np.tile(_quantiles(fill, levels), (code.max(initial=0) + 1, 1))
    for group in range(len(found)):
        mine = fill[code[owner] == group]
        if len(mine) >= LEAST_OF_CLASS:
            found[group] = np.quantile(mine, levels)
    answer: Floats = found[code[vault]]
    return answer


def exponential_refill(model: WaterModel, vault: Ints, day: Ints, levels: Floats) -> Floats:
    """Return (points, levels): each vault's own curve ``rest * (1 - exp(-D / tau))``.

    Fitted by least squares over the grid of residence times, rest level pulled to the fleet's by
    one reading's weight.
    """
    readings = model.readings
    fill, owner = _fills(model)
    n = len(readings.start) - 1
    elapsed = elapsed_days(readings.day, readings.since)
    left = readings.left_in / model.site.depth_in[owner]
    ahead = elapsed_days(day, readings.last_since[vault])
    left_now = readings.last_left_in[vault] / model.site.depth_in[vault]
    best, fitted = np.full(n, np.inf), np.zeros(len(fill))
    answer = np.zeros(len(vault))
    usual = float(fill.mean()) if len(fill) else 0.3
    for tau in TAUS_DAYS:
        fallen = np.exp(-elapsed / tau)
        x, y = 1.0 - fallen, fill - left * fallen
        xx = np.bincount(owner, x * x, minlength=n) + 1.0
        rest = (np.bincount(owner, x * y, minlength=n) + usual) / xx
        miss = np.bincount(owner, (y - rest[owner] * x) ** 2, minlength=n)
        better = miss < best
        best = np.where(better, miss, best)
        # Held-out errors of a ridge fit with one coefficient, in closed form.
        held_out = (y - rest[owner] * x) / np.maximum(1.0 - x * x / xx[owner], 0.05)
        fitted = np.where(better[owner], held_out, fitted)
        kept = np.exp(-ahead / tau)
        answer = np.where(better[vault], rest[vault] * (1.0 - kept) + left_now * kept, answer)
    seen = np.diff(readings.start)[vault] > 0
    return _dressed(np.where(seen, answer, np.nan), fitted, fill, levels)


def boosted_trees(model: WaterModel, vault: Ints, day: Ints, levels: Floats) -> Floats:
    """Return (points, levels): gradient-boosted trees per quantile, with rain features.

    They learn from every past reading as though it had been forecast some days ahead, at most
    ``LONGEST_LEAD_DAYS`` and never from before the vault's state became known; from a sample of
    ``MOST_TAUGHT`` readings where there are more.

    Raises
    ------
    MissingExtraError
        If scikit-learn is not installed.
    """
    try:
        from sklearn.ensemble import HistGradientBoostingRegressor
    except ImportError as error:
        raise MissingExtraError("scikit-learn", "test") from error
    fill, owner = _fills(model)
    readings = model.readings
    draw = np.random.default_rng(SEED)
    longest = np.minimum(elapsed_days(readings.day, readings.since), LONGEST_LEAD_DAYS)
    lead = 1 + (draw.random(len(fill)) * longest).astype(np.int64)
    before, total, count = _running(model, fill, owner)
    last = np.append(fill, np.nan)[before]
    mean = np.where(count > 0, total / np.maximum(count, 1), np.nan)
    use = np.sort(draw.permutation(len(fill))[:MOST_TAUGHT])
    taught = _tree_columns(
        model,
        owner[use],
        readings.day[use],
        readings.since[use],
        lead[use],
        readings.left_in[use],
        last[use],
        mean[use],
        count[use],
    )
    rows = np.diff(readings.start)
    sums = np.bincount(owner, fill, minlength=len(rows))
    own = np.where(rows > 0, sums / np.maximum(rows, 1), np.nan)
    asked = _tree_columns(
        model,
        vault,
        day,
        readings.last_since[vault],
        day - model.drivers.source.as_of_day,
        readings.last_left_in[vault],
        np.append(fill, np.nan)[_last_row(model)][vault],
        own[vault],
        rows[vault],
    )
    found = []
    for level in levels:
        trees = HistGradientBoostingRegressor(
            loss="quantile",
            quantile=float(level),
            max_iter=150,
            learning_rate=0.06,
            max_leaf_nodes=15,
            min_samples_leaf=30,
            random_state=SEED,
        )
        found.append(trees.fit(taught, fill[use]).predict(asked))
    answer: Floats = np.sort(np.clip(np.stack(found, axis=1), 0.0, 1.0), axis=1)
    return answer


RIVALS: Final[dict[str, Rival]] = {
    "last reading": last_reading,
    "own mean": own_mean,
    "class climatology": class_climatology,
    "exponential refill": exponential_refill,
    "boosted trees": boosted_trees,
}


def _tree_columns(
    model: WaterModel,
    vault: Ints,
    day: Ints,
    since: Ints,
    lead: Ints,
    left_in: Floats,
    last: Floats,
    mean: Floats,
    count: Ints,
) -> Floats:
    """Return the trees' columns; rain is known up to ``lead`` days before the day."""
    drivers, site, known = model.drivers, model.site, model.settings.forecast
    at = np.clip(day - lead - drivers.first_day, 0, drivers.rain.shape[2] - 1)
    gauge = site.gauge[0, vault]
    elapsed = np.where(since == NEVER, 2000.0, day - since)
    columns = [
        elapsed,
        np.where(since == NEVER, 1.0, 0.0),
        lead,
        left_in / site.depth_in[vault],
        last,
        mean,
        count,
        *season_drivers(day, known.irrigation_from, known.irrigation_to),
        *(drivers.rain[k, 0, gauge, at] for k in range(0, len(TAUS_DAYS), 2)),
        *(trait[vault] for trait in model.traits[1:]),
        site.area_sqft[vault],
        site.depth_in[vault],
    ]
    stacked: Floats = np.stack([np.asarray(column, float) for column in columns], axis=1)
    return stacked


def _fills(model: WaterModel) -> tuple[Floats, Ints]:
    """Return the filled share of every reading, and the vault's row."""
    readings = model.readings
    owner = np.repeat(np.arange(len(readings.start) - 1), np.diff(readings.start))
    return readings.depth_in / model.site.depth_in[owner], owner


def _before(owner: Ints) -> Ints:
    """Return the row of the reading before each of the same vault, or -1."""
    rows = np.arange(len(owner)) - 1
    return np.where(owner == np.append(-1, owner[:-1]), rows, -1)


def _running(model: WaterModel, fill: Floats, owner: Ints) -> tuple[Ints, Floats, Ints]:
    """Return the row before, and sum and count of the vault's readings before each."""
    start = model.readings.start[owner]
    rows = np.arange(len(owner))
    total = np.append(0.0, np.cumsum(fill))
    return _before(owner), total[rows] - total[start], rows - start


def _last_row(model: WaterModel) -> Ints:
    """Return each vault's last reading, or -1."""
    start = model.readings.start
    return np.where(np.diff(start) > 0, start[1:] - 1, -1)


def _dressed(centre: Floats, errors: Floats, fill: Floats, levels: Floats) -> Floats:
    """Return the centre with the errors about it; all readings where there is no centre."""
    around = np.clip(centre[:, None] + _quantiles(errors, levels), 0.0, 1.0)
    answer: Floats = np.where(np.isnan(centre)[:, None], _quantiles(fill, levels), around)
    return answer


def _quantiles(values: Floats, levels: Floats) -> Floats:
    answer: Floats = np.quantile(values, levels) if len(values) else np.full(len(levels), 0.3)
    return answer
