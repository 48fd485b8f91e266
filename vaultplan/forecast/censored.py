"""Expected values of readings that only say "less than" or "at least"."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy.special import log_ndtr

Floats = npt.NDArray[np.float64]

MOST_FRAC = 2.0  # a full vault is not imputed to more than twice its depth; assumed
LEAST_FRAC = -1.0  # a dry vault is not imputed to less than minus its depth; assumed


def above(mu: Floats, sd: Floats, bound: Floats) -> tuple[Floats, Floats]:
    """Return mean and variance of a normal y known to exceed the bound.

    The mean is at most ``MOST_FRAC``, unless mu itself is more.

    Notes
    -----
    With ``z = (bound - mu) / sd`` and ``m = phi(z) / (1 - Phi(z))`` the mean is ``mu + sd * m`` and
    the variance ``sd^2 * (1 + z m - m^2)`` (moments of a truncated normal), worked in logarithms
    so that far tails stay finite.

    >>> mean, variance = above(np.array([0.0]), np.array([1.0]), np.array([0.0]))
    >>> mean.round(4), variance.round(4)
    (array([0.7979]), array([0.3634]))
    """
    z = (bound - mu) / sd
    mills = np.exp(_log_density(z) - log_ndtr(-z))
    mean: Floats = np.minimum(mu + sd * mills, np.maximum(np.maximum(MOST_FRAC, bound), mu))
    return mean, sd * sd * np.clip(1.0 + z * mills - mills * mills, 0.0, 1.0)


def below(mu: Floats, sd: Floats, bound: Floats) -> tuple[Floats, Floats]:
    """Return mean and variance of a normal y known to lie below the bound; see :func:`above`."""
    z = (bound - mu) / sd
    mills = np.exp(_log_density(z) - log_ndtr(z))
    mean: Floats = np.maximum(mu - sd * mills, np.minimum(np.minimum(LEAST_FRAC, bound), mu))
    return mean, sd * sd * np.clip(1.0 - z * mills - mills * mills, 0.0, 1.0)


def _log_density(z: Floats) -> Floats:
    density: Floats = -0.5 * z * z - 0.5 * np.log(2.0 * np.pi)
    return density
