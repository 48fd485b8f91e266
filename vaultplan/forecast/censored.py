"""Expected values of readings that only say "less than" or "at least"."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy.special import log_ndtr

Floats = npt.NDArray[np.float64]

MOST_FRAC = 2.0  # an imputed full vault is never more than twice its depth; assumed
LEAST_FRAC = -1.0  # an imputed dry vault is never less than minus its depth; assumed


def mean_above(mu: Floats, sd: Floats, bound: Floats) -> Floats:
    """Return E[y | y > bound] of a normal y, at most ``MOST_FRAC``.

    Notes
    -----
    ``mu + sd * phi(z) / (1 - Phi(z))`` with ``z = (bound - mu) / sd`` (mean of a truncated
    normal), worked in logarithms so that far tails stay finite.

    >>> mean_above(np.array([0.0]), np.array([1.0]), np.array([0.0])).round(4)
    array([0.7979])
    """
    z = (bound - mu) / sd
    mills = np.exp(_log_density(z) - log_ndtr(-z))
    capped: Floats = np.minimum(mu + sd * mills, np.maximum(MOST_FRAC, bound))
    return capped


def mean_below(mu: Floats, sd: Floats, bound: Floats) -> Floats:
    """Return E[y | y < bound] of a normal y, at least ``LEAST_FRAC``."""
    z = (bound - mu) / sd
    mills = np.exp(_log_density(z) - log_ndtr(z))
    capped: Floats = np.maximum(mu - sd * mills, np.minimum(LEAST_FRAC, bound))
    return capped


def _log_density(z: Floats) -> Floats:
    density: Floats = -0.5 * z * z - 0.5 * np.log(2.0 * np.pi)
    return density
