"""Scores of probability forecasts: each rewards an honest distribution and is best at zero.

References
----------
T. Gneiting and A. E. Raftery (2007), Strictly proper scoring rules, prediction, and estimation,
J. Am. Stat. Assoc. 102(477):359-378, doi:10.1198/016214506000001437.
E. S. Epstein (1969), A scoring system for probability forecasts of ranked categories,
J. Appl. Meteorol. 8(6):985-987.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]


def pinball(observed: Floats, quantiles: Floats, levels: Floats) -> Floats:
    """Return the pinball loss of each quantile, ``quantiles[i, j]`` at ``levels[j]``.

    >>> pinball(np.array([3.0]), np.array([[1.0, 4.0]]), np.array([0.1, 0.9])).round(3)
    array([[0.2, 0.1]])
    """
    miss = observed[:, None] - quantiles
    loss: Floats = np.maximum(levels * miss, (levels - 1.0) * miss) + 0.0  # no -0.0
    return loss


def crps_of_quantiles(observed: Floats, quantiles: Floats, levels: Floats) -> Floats:
    """Return the continuous ranked probability score of each row of quantiles.

    Notes
    -----
    CRPS is twice the integral of the pinball loss over the level (Gneiting and Raftery 2007,
    eq. 21 onwards); here the mean over ``levels``, which must be the middles of equal steps,
    such as 0.05, 0.15 ... 0.95.
    """
    score: Floats = 2.0 * pinball(observed, quantiles, levels).mean(axis=1)
    return score


def crps_of_ensemble(observed: Floats, members: Floats) -> Floats:
    """Return the continuous ranked probability score of each row of equally likely members.

    Notes
    -----
    ``E|X - y| - E|X - X'| / 2`` (Gneiting and Raftery 2007, eq. 21), X and X' two draws from the
    members; the second term by the sorted members, so cost and memory stay linear.

    >>> float(crps_of_ensemble(np.array([0.0]), np.array([[-1.0, 0.0, 1.0, 2.0]]))[0])
    0.375
    """
    count = members.shape[1]
    ranked = np.sort(members, axis=1)
    weight = 2.0 * np.arange(1, count + 1) - count - 1.0
    spread = (ranked * weight).sum(axis=1) / count**2
    score: Floats = np.abs(members - observed[:, None]).mean(axis=1) - spread
    return score


def brier(happened: npt.NDArray[np.bool_], probability: Floats) -> Floats:
    """Return the Brier score of each forecast of an event: its squared error, 0 to 1."""
    score: Floats = (probability - happened) ** 2
    return score


def ranked_probability(observed: npt.NDArray[np.int64], probabilities: Floats) -> Floats:
    """Return the ranked probability score of each row of ordered classes.

    ``observed`` counts classes from 0. The score is the sum of squared errors of the cumulated
    probabilities (Epstein 1969), not divided by the number of classes.

    >>> float(ranked_probability(np.array([0]), np.array([[0.2, 0.5, 0.3]])).round(6)[0])
    0.73
    """
    steps = np.arange(probabilities.shape[1])
    reached = (steps >= observed[:, None]).astype(float)
    score: Floats = ((probabilities.cumsum(axis=1) - reached) ** 2).sum(axis=1)
    return score


def log_loss(observed: npt.NDArray[np.int64], probabilities: Floats) -> Floats:
    """Return minus the natural logarithm of what each observed class was given.

    ``observed`` counts classes from 0; a class given no chance at all costs infinity.

    >>> float(log_loss(np.array([1]), np.array([[0.2, 0.5, 0.3]])).round(6)[0])
    0.693147
    """
    given = probabilities[np.arange(len(observed)), observed]
    with np.errstate(divide="ignore"):
        score: Floats = -np.log(given)
    return score
