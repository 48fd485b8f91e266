"""What first looks at vaults say of vaults that nobody has looked into yet."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

KNOTS: Final = np.linspace(0.0, 1.0, 21)
MOST_CLASSES, LEAST_IN_CLASS = 5, 80
PULL: Final = 40.0  # looks that "as forecast" counts for in each class; assumed
GOLDEN: Final = 0.6180339887498949


@dataclass(frozen=True, slots=True)
class FirstLooks:
    """How often first looks found no more than the forecast gave a chance of, by expected fill.

    ``edges`` part the classes of expected filled share; ``found`` is (classes, knots).
    """

    edges: Floats
    found: Floats

    def corrected(self, chance: Floats, expected: Floats) -> Floats:
        """Return chances (rungs, points) as first looks would have had them."""
        row = np.searchsorted(self.edges, expected, side="right")
        at = np.clip(chance, 0.0, 1.0) * (len(KNOTS) - 1)
        low = np.minimum(at.astype(np.int64), len(KNOTS) - 2)
        rest = at - low
        better: Floats = self.found[row, low] * (1.0 - rest) + self.found[row, low + 1] * rest
        return better


def learn(chance_to: Floats, chance_from: Floats, expected: Floats) -> FirstLooks:
    """Return how first looks came out against what was forecast from paper alone.

    Parameters
    ----------
    chance_to, chance_from
        Forecast chance of no more, and of less, than what was found: they differ where a vault
        was dry or full.
    expected
        Filled share expected of each.

    Notes
    -----
    The probability integral transform of the looks, read as a correction (A. P. Dawid (1984),
    J. R. Stat. Soc. A 147(2):278-292, from memory); between ``chance_from`` and ``chance_to`` it
    is spread evenly over the looks. Each class is pulled to "as forecast" by ``PULL`` looks.
    """
    count = len(expected)
    even = (np.arange(count) * GOLDEN) % 1.0
    reached = chance_from + even * (chance_to - chance_from)
    classes = int(np.clip(count // LEAST_IN_CLASS, 1, MOST_CLASSES))
    edges = np.quantile(expected, np.arange(1, classes) / classes) if classes > 1 else np.zeros(0)
    row = np.searchsorted(edges, expected, side="right")
    found = np.empty((classes, len(KNOTS)))
    for place in range(classes):
        mine = np.sort(reached[row == place])
        share = np.searchsorted(mine, KNOTS, side="right") / max(len(mine), 1)
        found[place] = (len(mine) * share + PULL * KNOTS) / (len(mine) + PULL)
    found[:, 0], found[:, -1] = 0.0, 1.0
    return FirstLooks(edges, np.maximum.accumulate(found, axis=1))
