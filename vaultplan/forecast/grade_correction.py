"""What followed on past chances of a grade corrects the next ones, where there is enough of it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt
from scipy.special import expit

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

#: How strongly slopes of standardised columns, and the two shifts, are pulled to 0; assumed.
PULL: Final = 40.0
SHIFT_PULL: Final = 2.0
MOST_STEPS: Final = 40
CLOSE_ENOUGH: Final = 1e-8
FURTHEST: Final = 4.0  # standard deviations at which a column is cut off


@dataclass(frozen=True, slots=True)
class Correction:
    """``logit p = logit + shift + slopes . (x - mean) / spread``.

    ``shift`` has two entries, for "light or heavy" and for "heavy"; the slopes serve both.
    """

    mean: Floats
    spread: Floats
    shift: Floats
    slopes: Floats

    def chances(self, x: Floats, logits: Floats) -> Floats:
        """Return the corrected chances of clear, light and heavy, (rows, 3).

        ``logits`` (2, rows) are those of "light or heavy" and of "heavy".
        """
        moved = logits + self.shift[:, None]
        for column, mean, spread, slope in zip(
            x.T, self.mean, self.spread, self.slopes, strict=True
        ):
            moved = moved + slope * np.clip((column - mean) / spread, -FURTHEST, FURTHEST)
        dirty = expit(moved[0])
        heavy = np.minimum(expit(moved[1]), dirty)
        return np.stack([1.0 - dirty, dirty - heavy, heavy], axis=1)


def fit_correction(x: Floats, logits: Floats, grade: Ints) -> Correction:
    """Return the correction under which the grades found were likeliest.

    Notes
    -----
    Two logistic regressions with the same slopes, penalised, by Newton's method (P. McCullagh and
    J. A. Nelder (1989), Generalized Linear Models, 2nd ed., ch. 4-5, from memory). Without rows
    there is no correction.
    """
    n, p = x.shape
    mean = x.mean(axis=0) if n else np.zeros(p)
    spread = x.std(axis=0) if n else np.ones(p)
    spread = np.where(spread > 1e-9, spread, 1.0)
    scaled = np.clip((x - mean) / spread, -FURTHEST, FURTHEST)
    ones, none = np.ones((n, 1)), np.zeros((n, 1))
    designs = [np.hstack([ones, none, scaled]), np.hstack([none, ones, scaled])]
    pull = np.concatenate([np.full(2, SHIFT_PULL), np.full(p, PULL)])
    theta = np.zeros(p + 2)
    for _ in range(MOST_STEPS if n else 0):
        gradient, bend = -pull * theta, np.diag(pull)
        for step, design in enumerate(designs):
            chance = expit(logits[step] + design @ theta)
            gradient = gradient + design.T @ ((grade > step) - chance)
            bend = bend + (design * (chance * (1.0 - chance))[:, None]).T @ design
        move = np.linalg.solve(bend, gradient)
        theta = theta + move / max(1.0, float(np.abs(move).max()))
        if np.abs(move).max() < CLOSE_ENOUGH:
            break
    return Correction(mean, spread, theta[:2], theta[2:])
