"""Weights of the four aims from judgements of each against another.

References
----------
Saaty, T. L. (1977), A scaling method for priorities in hierarchical structures, Journal of
Mathematical Psychology 15(3), 234-281, doi:10.1016/0022-2496(77)90033-5: the principal eigenvector
of a reciprocal matrix, and its consistency.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from itertools import combinations
from typing import Final

import numpy as np
import numpy.typing as npt

from vaultplan.errors import SettingsError
from vaultplan.settings import RankingSettings

Floats = npt.NDArray[np.float64]

#: What an order is worth doing for, in the order of the weights.
AIMS: Final = ("volume", "contamination", "sensitivity", "urgency")
#: Mean consistency index of random matrices, by their size (Saaty 1980).
RANDOM_INDEX: Final = {
    1: 0.0,
    2: 0.0,
    3: 0.58,
    4: 0.90,
    5: 1.12,
    6: 1.24,
    7: 1.32,
    8: 1.41,
}
#: Judgements are to be looked at again above this ratio (Saaty 1980).
CONSISTENT: Final = 0.10
_MOST: Final = 9.0


@dataclass(frozen=True, slots=True)
class Judged:
    """Weights that sum to 1, by aim, and how consistent the judgements behind them are."""

    weights: Mapping[str, float]
    consistency_ratio: float

    @property
    def array(self) -> Floats:
        """The weights in the order of the aims."""
        return np.array([self.weights[aim] for aim in AIMS])

    @property
    def is_consistent(self) -> bool:
        """Whether the ratio is no more than 0.10."""
        return self.consistency_ratio <= CONSISTENT


def weights_of(settings: RankingSettings) -> Judged:
    """Return the weights that count: of the judgements if there are any, else those set.

    Raises
    ------
    SettingsError
        If all weights are zero, or as :func:`judged_weights`.
    """
    if settings.comparisons:
        return judged_weights(settings.comparisons)
    weights = {aim: float(getattr(settings, f"weight_{aim}")) for aim in AIMS}
    total = sum(weights.values())
    if total <= 0:
        raise SettingsError("ranking: at least one of the four weights must be above zero")
    return Judged({aim: weight / total for aim, weight in weights.items()}, 0.0)


def judged_weights(comparisons: Mapping[str, float]) -> Judged:
    """Return the weights that pairwise judgements give.

    Parameters
    ----------
    comparisons
        Every pair of aims once, as ``"contamination over volume" = 3``: how many times as much the
        first matters as the second, from 1/9 to 9.

    Raises
    ------
    SettingsError
        If a pair is missing, stands twice, names an unknown aim or has a value out of range.

    Examples
    --------
    >>> even = {f"{one} over {other}": 1.0 for one, other in combinations(AIMS, 2)}
    >>> judged_weights(even).weights["urgency"]
    0.25
    """
    matrix = np.eye(len(AIMS))
    known: dict[frozenset[str], str] = {}
    for words, value in comparisons.items():
        first, over, second = words.partition(" over ")
        first, second = first.strip(), second.strip()
        if not over or first not in AIMS or second not in AIMS or first == second:
            raise SettingsError(
                f"ranking.comparisons: {words!r} is no pair of aims; write it as "
                f'"{AIMS[1]} over {AIMS[0]}" with two of: {", ".join(AIMS)}'
            )
        pair = frozenset((first, second))
        if pair in known:
            raise SettingsError(
                f"ranking.comparisons: {words!r} and {known[pair]!r} compare the same two aims; "
                "keep one"
            )
        if not 1.0 / _MOST - 1e-9 <= value <= _MOST + 1e-9:
            raise SettingsError(
                f"ranking.comparisons: {words!r} is {value:g}; a judgement lies from 1/9 to 9"
            )
        known[pair] = words
        row, column = AIMS.index(first), AIMS.index(second)
        matrix[row, column], matrix[column, row] = value, 1.0 / value
    missing = [f"{b} over {a}" for a, b in combinations(AIMS, 2) if frozenset((a, b)) not in known]
    if missing:
        raise SettingsError(f"ranking.comparisons lacks: {', '.join(missing)}")
    weights, ratio = eigen_weights(matrix)
    return Judged(dict(zip(AIMS, weights.tolist(), strict=True)), ratio)


def eigen_weights(matrix: Floats) -> tuple[Floats, float]:
    """Return the principal eigenvector of a reciprocal matrix, summing to 1, and its consistency.

    Notes
    -----
    ``CI = (lambda - n) / (n - 1)`` with the greatest eigenvalue, ``CR = CI / RI`` with the mean CI
    of random matrices of that size; 0 for one or two aims, which cannot disagree.
    """
    values, vectors = np.linalg.eig(matrix)
    at = int(np.argmax(values.real))
    vector = np.abs(vectors[:, at].real)
    count = len(matrix)
    index = (float(values[at].real) - count) / max(count - 1, 1)
    random = RANDOM_INDEX[count]
    return vector / vector.sum(), max(0.0, index / random) if random else 0.0
