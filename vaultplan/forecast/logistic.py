"""Logistic regression that corrects given odds, and leaves them alone where it knows no better."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt
from scipy.special import expit

Floats = npt.NDArray[np.float64]

PULL: Final = 4.0  # how strongly coefficients of standardised columns are pulled to 0; assumed
MOST_STEPS: Final = 40
CLOSE_ENOUGH: Final = 1e-8


@dataclass(frozen=True, slots=True)
class Logistic:
    """``logit p = offset + shift + slopes . (x - mean) / spread``."""

    mean: Floats
    spread: Floats
    shift: float
    slopes: Floats

    def chance(self, x: Floats, offset: Floats) -> Floats:
        """Return the corrected chance of each row."""
        moved = offset + self.shift
        for column, mean, spread, slope in zip(
            x.T, self.mean, self.spread, self.slopes, strict=True
        ):
            moved = moved + slope * ((column - mean) / spread)
        chance: Floats = expit(moved)
        return chance


def fit_logistic(x: Floats, offset: Floats, happened: npt.NDArray[np.bool_]) -> Logistic:
    """Return the correction of log odds ``offset`` under which what happened is likeliest.

    Notes
    -----
    Penalised maximum likelihood by Newton's method (P. McCullagh and J. A. Nelder (1989),
    Generalized Linear Models, 2nd ed., ch. 4, from memory). Slopes are pulled to 0 by ``PULL``,
    the shift by one grading's worth; without rows there is no correction.
    """
    n, p = x.shape
    mean = x.mean(axis=0) if n else np.zeros(p)
    spread = x.std(axis=0) if n else np.ones(p)
    spread = np.where(spread > 1e-9, spread, 1.0)
    design = np.concatenate([np.ones((n, 1)), (x - mean) / spread], axis=1)
    pull = np.full(p + 1, PULL)
    pull[0] = 1.0
    slopes = np.zeros(p + 1)
    for _ in range(MOST_STEPS if n else 0):
        chance = expit(offset + design @ slopes)
        gradient = design.T @ (happened - chance) - pull * slopes
        steep = (design * (chance * (1.0 - chance))[:, None]).T @ design + np.diag(pull)
        step = np.linalg.solve(steep, gradient)
        slopes = slopes + step / max(1.0, float(np.abs(step).max()))
        if np.abs(step).max() < CLOSE_ENOUGH:
            break
    return Logistic(mean, spread, float(slopes[0]), slopes[1:])
