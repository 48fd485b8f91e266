"""How far each reading is believed: it may be a wrong entry, or from before the vault changed."""

from __future__ import annotations

from typing import Final

import numpy as np
import numpy.typing as npt
from scipy.special import gammaln

from vaultplan.forecast.posterior import Posterior, segment_sum

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

WRONG_SHARE: Final = 0.02  # of readings are wrong, anywhere between floor and roof; assumed
CHANGED_SHARE: Final = 0.05  # of vaults change for good within their record; assumed
CHANGE_SD: Final = 2.0  # usual size of such a change, in standard deviations of a reading; assumed
LEAST_TRUST: Final = 1e-3
MOST_SD: Final = 4.0  # a reading further off than this says no more about a change
_FIXED = 2.0**24  # sums along a vault's readings in whole numbers: bits do not hang on its company


def trust_in(
    x: Floats, y: Floats, weight: Floats, start: Ints, owner: Ints, posterior: Posterior
) -> Floats:
    """Return the chance, per reading, that it is right and still says something about the vault.

    Notes
    -----
    A reading is right with odds of its Student-t density against a level density over the room
    (mixture model for outliers: G. E. P. Box and G. C. Tiao (1968), Biometrika 55(1):119-129, from
    memory). The vault may have changed once, before any of its readings, by a normal step in the
    mean of its standardised misfits; the chance of each place of change follows in closed form
    (A. F. M. Smith (1975), Biometrika 62(2):407-416, from memory), and a reading still holds with
    the chance that no change came after it.
    """
    mu = np.zeros(len(y))
    for column, coefficient in zip(x, posterior.mean, strict=True):
        mu += column * coefficient[owner]
    variance = (posterior.scale / posterior.shape)[owner] / weight
    misfit = (y - mu) / np.sqrt(variance)
    right = _chance_right(misfit, variance, 2.0 * posterior.shape[owner])
    holds = _chance_still_holds(misfit, right, start, owner)
    trust: Floats = np.maximum(right * holds, LEAST_TRUST)
    return trust


def _chance_right(misfit: Floats, variance: Floats, freedom: Floats) -> Floats:
    log_density = (
        gammaln((freedom + 1.0) / 2.0)
        - gammaln(freedom / 2.0)
        - 0.5 * np.log(freedom * np.pi * variance)
        - (freedom + 1.0) / 2.0 * np.log1p(misfit * misfit / freedom)
    )
    density = (1.0 - WRONG_SHARE) * np.exp(log_density)
    right: Floats = density / (density + WRONG_SHARE)
    return right


def _chance_still_holds(misfit: Floats, right: Floats, start: Ints, owner: Ints) -> Floats:
    """Return the chance that no lasting change came after each reading."""
    off = np.clip(misfit, -MOST_SD, MOST_SD)
    count, total = _running(right), _running(right * off)
    here, first, last = np.arange(len(off)), start[owner], start[owner + 1]
    before, after = count[here] - count[first], count[last] - count[here]
    is_place = (before > 0.5) & (after > 0.5)
    mean_before = (total[here] - total[first]) / np.maximum(before, 0.5)
    mean_after = (total[last] - total[here]) / np.maximum(after, 0.5)
    size = before * after / np.maximum(before + after, 0.5)
    step = (mean_after - mean_before) ** 2
    wide = CHANGE_SD**2 * size
    log_odds = 0.5 * (size * step * wide / (1.0 + wide) - np.log1p(wide))
    places = np.maximum(last - first - 1, 1)
    odds = np.where(is_place, CHANGED_SHARE / places * np.exp(np.minimum(log_odds, 50.0)), 0.0)
    chance = odds / (1.0 - CHANGED_SHARE + segment_sum(odds, start))[owner]
    changed = _running(chance)
    holds: Floats = 1.0 - np.clip(changed[last] - changed[here + 1], 0.0, 1.0)
    return holds


def _running(values: Floats) -> Floats:
    """Return running sums in whole steps of 2**-24, from 0."""
    whole = np.append(0, np.cumsum(np.round(values * _FIXED).astype(np.int64)))
    summed: Floats = whole / _FIXED
    return summed
