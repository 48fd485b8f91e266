"""How much dirtier vaults were seen than vaults of their kind are, whatever the effort.

References
----------
J. C. Kleinman (1973), Proportions with extraneous variance: single and independent samples, Journal
of the American Statistical Association 68(341):46-54, doi:10.1080/01621459.1973.10481332.
R. M. Assuncao, E. A. Reis (1999), A new proposal to adjust Moran's I for population density,
Statistics in Medicine 18(16):2147-2162.
R. J. Marshall (1991), Mapping disease and mortality rates using empirical Bayes estimators, Journal
of the Royal Statistical Society C 40(2):283-294, doi:10.2307/2347593.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt
import pandas as pd

Floats = npt.NDArray[np.float64]

_STEPS, _LEAST_SHARE, _SMALL_STEP = 25, 1e-3, 1e-8
_MOST_CORRELATION: Final = 0.95


@dataclass(frozen=True, slots=True)
class Fit:
    """A ridge logistic regression: ``weight`` of each of ``names``, and ``base`` for none."""

    names: tuple[str, ...]
    weight: Floats
    base: float

    def share(self, columns: Floats) -> Floats:
        """Return the expected share of each row."""
        share: Floats = 1.0 / (1.0 + np.exp(-(self.base + columns @ self.weight)))
        return share


def columns_of(vaults: pd.DataFrame, names: Sequence[str]) -> tuple[Floats, tuple[str, ...]]:
    """Return columns of 0 and 1, one per word of each column, and what each says.

    A blank is a word of its own: not known is a kind too. Numbers are cut into quarters.

    >>> lids = pd.DataFrame({"lid": ["slotted", None]})
    >>> columns_of(lids, ["lid"])[1]
    ('lid not known', 'lid slotted')
    """
    found: list[Floats] = []
    said: list[str] = []
    for name in names:
        values = vaults[name]
        is_number = pd.api.types.is_float_dtype(values)
        kinds = pd.qcut(values, 4, duplicates="drop") if is_number else values
        words = kinds.astype("str").where(values.notna(), "not known").fillna("not known")
        for word in sorted(words.unique()):
            found.append(np.asarray(words.eq(word), dtype=np.float64))
            said.append(f"{name.replace('_', ' ')} {word}")
    blank: Floats = np.zeros((len(vaults), 0))
    return (np.column_stack(found) if found else blank), tuple(said)


def fitted(
    columns: Floats, names: Sequence[str], dirty: Floats, looked: Floats, ridge: float
) -> Fit:
    """Return the regression of the dirty share on columns, weights drawn toward 0 by ``ridge``.

    Each vault counts as one, however often it was looked at: its looks hang together.

    Notes
    -----
    Newton's steps on the penalised likelihood of ``dirty / looked``; the base is not penalised.
    """
    weight = np.zeros(columns.shape[1] + 1)
    full = np.column_stack([np.ones(len(columns)), columns])
    told = np.divide(dirty, looked, out=np.zeros_like(dirty), where=looked > 0)
    once = (looked > 0).astype(float)
    penalty = np.diag([1e-9, *[ridge] * columns.shape[1]])
    for _ in range(_STEPS):
        share = 1.0 / (1.0 + np.exp(-(full @ weight)))
        curve = once * np.maximum(share * (1.0 - share), _LEAST_SHARE**2)
        slope = full.T @ (once * (told - share)) - penalty @ weight
        step = np.linalg.solve((full * curve[:, None]).T @ full + penalty, slope)
        weight += step
        if np.abs(step).max(initial=0.0) < _SMALL_STEP:
            break
    return Fit(tuple(names), weight[1:], float(weight[0]))


def correlation(dirty: Floats, looked: Floats, share: Floats) -> float:
    """Return how much looks at one vault hang together, from 0 (not at all) to 1 (one look is all).

    By moments: ``(sum (x - n p)^2 - sum n p q) / sum n (n - 1) p q``.

    >>> correlation(np.array([0.0, 4.0]), np.array([4.0, 4.0]), np.array([0.5, 0.5]))
    0.95
    >>> correlation(np.array([2.0, 2.0]), np.array([4.0, 4.0]), np.array([0.5, 0.5]))
    0.0
    """
    spread = share * (1.0 - share)
    room = float((looked * (looked - 1.0) * spread).sum())
    if room <= 0.0:
        return 0.0
    found = (float(((dirty - looked * share) ** 2).sum()) - float((looked * spread).sum())) / room
    return float(np.clip(found, 0.0, _MOST_CORRELATION))


def excess(dirty: Floats, looked: Floats, share: Floats, together: float) -> tuple[Floats, Floats]:
    """Return dirty looks above what is expected, and their variance where nothing is odd.

    ``x - n p`` and ``n p q (1 + (n - 1) r)``: of a vault looked at ten times the tenth look tells
    less than the first, and one never looked at tells nothing.
    """
    spread = share * (1.0 - share)
    return dirty - looked * share, looked * spread * (1.0 + np.maximum(looked - 1.0, 0) * together)
