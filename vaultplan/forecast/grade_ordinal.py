"""Ordered classes as steps of one hidden score: how likely each is, and what it says of the score.

A grade is what a score with normal scatter comes to between two cuts: clear below the first, light
between them, heavy above the second.

References
----------
P. McCullagh (1980), Regression models for ordinal data, J. R. Stat. Soc. B 42(2):109-142 (from
memory).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt
from scipy.special import ndtr

from vaultplan.schema import GRADES

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

BEYOND: Final = 30.0  # standard deviations behind which nothing lies
FIRST_COUNT: Final = 1.0  # gradings of each kind before anything was seen; assumed
FIRST_CUTS: Final = (-0.43, 0.43)  # three grades equally likely; where Newton's method starts
MOST_STEPS: Final = 40
CLOSE_ENOUGH: Final = 1e-8
SMALLEST_STEP: Final = 1e-6
TINY: Final = 1e-300


def density(x: Floats) -> Floats:
    """Return the standard normal density."""
    found: Floats = np.exp(-0.5 * x * x) / np.sqrt(2.0 * np.pi)
    return found


@dataclass(frozen=True, slots=True)
class Between:
    """A standard normal variable known to lie between two ends.

    ``chance`` that it does, its ``mean`` then, and by how much its variance is ``less`` than 1.
    """

    chance: Floats
    mean: Floats
    less: Floats


def between(low: Floats, high: Floats) -> Between:
    """Return chance, mean and lost variance of a standard normal variable between two ends.

    Notes
    -----
    With ``Z = Phi(high) - Phi(low)`` the mean is ``m = (phi(low) - phi(high)) / Z`` and the
    variance ``1 + (low phi(low) - high phi(high)) / Z - m^2``.

    >>> half = between(np.array([0.0]), np.array([BEYOND]))
    >>> [round(float(part[0]), 4) for part in (half.chance, half.mean, half.less)]
    [0.5, 0.7979, 0.6366]
    """
    # In the upper tail differences of Phi lose their digits; mirrored they do not.
    is_upper = low > 0
    chance = ndtr(np.where(is_upper, -low, high)) - ndtr(np.where(is_upper, -high, low))
    chance = np.maximum(chance, TINY)
    at_low, at_high = density(low), density(high)
    mean = (at_low - at_high) / chance
    return Between(chance, mean, mean * mean - (low * at_low - high * at_high) / chance)


def ends(cuts: Floats, grade: Ints, middle: Floats, spread: Floats) -> tuple[Floats, Floats]:
    """Return the standardised ends of each grade for scores of that middle and spread."""
    at = np.array([-np.inf, cuts[0], cuts[1], np.inf])
    low = np.clip((at[grade] - middle) / spread, -BEYOND, BEYOND)
    return low, np.clip((at[grade + 1] - middle) / spread, -BEYOND, BEYOND)


def fit_ordinal(x: Floats, grade: Ints, weight: Floats, pull: Floats) -> tuple[Floats, Floats]:
    """Return the cuts and slopes under which the grades were likeliest.

    Parameters
    ----------
    x
        Columns (rows, p).
    grade, weight
        Per row: 0 to 2, and what it counts for.
    pull
        How strongly each slope is pulled to 0.

    Notes
    -----
    Cumulative probit, penalised, by Newton's method with halved steps: the log likelihood is
    concave. A grading of each kind is added at x = 0, so cuts are finite whatever was seen.
    """
    kinds = len(GRADES)
    x = np.concatenate([x, np.zeros((kinds, x.shape[1]))])
    grade = np.concatenate([grade, np.arange(kinds)])
    weight = np.concatenate([weight, np.full(kinds, FIRST_COUNT)])
    penalty = np.concatenate([np.zeros(2), pull])
    # Derivatives by the cuts are those by the ends: a row's ends are the cuts around its grade.
    lower = np.stack([grade == 1, grade == 2], axis=1).astype(float)
    upper = np.stack([grade == 0, grade == 1], axis=1).astype(float)
    theta = np.concatenate([FIRST_CUTS, np.zeros(x.shape[1])])

    def worth(theta: Floats) -> tuple[float, Floats, Floats, Between]:
        low, high = ends(theta[:2], grade, x @ theta[2:], np.ones(len(x)))
        found = between(low, high)
        log = (weight * np.log(found.chance)).sum() - 0.5 * (penalty * theta * theta).sum()
        return float(log), low, high, found

    value, low, high, found = worth(theta)
    for _ in range(MOST_STEPS):
        by_low = -density(low) / found.chance
        by_high = density(high) / found.chance
        low_low = -low * by_low - by_low * by_low
        high_high = -high * by_high - by_high * by_high
        low_high = -by_low * by_high
        by_cuts = lower * by_low[:, None] + upper * by_high[:, None]
        by_score = -weight * (by_low + by_high)
        gradient = np.concatenate([weight @ by_cuts, by_score @ x]) - penalty * theta
        bend = np.diag(penalty)
        bend[2:, 2:] -= (x * (weight * (low_low + high_high + 2.0 * low_high))[:, None]).T @ x
        mixed = lower * (low_low + low_high)[:, None] + upper * (high_high + low_high)[:, None]
        bend[:2, 2:] += (mixed * weight[:, None]).T @ x
        bend[2:, :2] = bend[:2, 2:].T
        both = (lower * (weight * low_high)[:, None]).T @ upper
        bend[:2, :2] -= (lower * (weight * low_low)[:, None]).T @ lower + both + both.T
        bend[:2, :2] -= (upper * (weight * high_high)[:, None]).T @ upper
        step = np.linalg.solve(bend, gradient)
        size = 1.0
        while size > SMALLEST_STEP:
            tried = theta + size * step
            if tried[1] > tried[0]:
                new = worth(tried)
                if new[0] >= value:
                    theta, (value, low, high, found) = tried, new
                    break
            size *= 0.5
        if size <= SMALLEST_STEP or np.abs(size * step).max() < CLOSE_ENOUGH:
            break
    return theta[:2], theta[2:]
