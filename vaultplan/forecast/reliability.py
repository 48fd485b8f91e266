"""How chances of an event came out: as often as stated, and how far apart they told cases.

References
----------
A. H. Murphy (1973), A new vector partition of the probability score, J. Appl. Meteorol.
12(4):595-600.
E. B. Wilson (1927), Probable inference, the law of succession, and statistical inference,
J. Am. Stat. Assoc. 22(158):209-212, doi:10.1080/01621459.1927.10502953.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt
import pandas as pd

Floats = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]

BINS: Final = 10
#: Normal quantile of the 90 % intervals beside observed shares.
Z_90: Final = 1.6448536269514722


def reliability_table(happened: Flags, chance: Floats, bins: int = BINS) -> pd.DataFrame:
    """Return how often an event happened where it was given about the same chance.

    Returns
    -------
    pandas.DataFrame
        A row per equal step of chance that has points: ``from_frac``, ``to_frac``, ``points``,
        ``forecast_frac`` (mean chance given), ``happened_frac`` and its 90 % interval
        ``low_frac``, ``high_frac`` (Wilson 1927).

    Examples
    --------
    >>> found = reliability_table(np.array([True, False, True]), np.array([0.8, 0.84, 0.1]), 5)
    >>> found[["points", "forecast_frac", "happened_frac"]].round(2).to_numpy().tolist()
    [[1.0, 0.1, 1.0], [2.0, 0.82, 0.5]]
    """
    row = np.minimum((chance * bins).astype(np.int64), bins - 1)
    points = np.bincount(row, minlength=bins)
    used = points > 0
    count = points[used]
    share = np.bincount(row, happened.astype(float), minlength=bins)[used] / count
    low, high = wilson(share, count)
    step = np.flatnonzero(used)
    return pd.DataFrame(
        {
            "from_frac": step / bins,
            "to_frac": (step + 1) / bins,
            "points": count,
            "forecast_frac": np.bincount(row, chance, minlength=bins)[used] / count,
            "happened_frac": share,
            "low_frac": low,
            "high_frac": high,
        }
    )


def wilson(share: Floats, count: npt.NDArray[np.int64]) -> tuple[Floats, Floats]:
    """Return the ends of the 90 % interval of a share seen in so many independent cases."""
    z2 = Z_90**2
    middle = (share + z2 / (2 * count)) / (1 + z2 / count)
    half = Z_90 * np.sqrt(share * (1 - share) / count + z2 / (4 * count**2)) / (1 + z2 / count)
    return np.maximum(middle - half, 0.0), np.minimum(middle + half, 1.0)


def calibration_error(happened: Flags, chance: Floats, bins: int = BINS) -> float:
    """Return the expected calibration error: mean distance of stated and observed share.

    Notes
    -----
    ``sum over bins of n / N * |mean chance - share happened|``; chance alone makes it larger than
    zero, by about :func:`calibration_error_by_chance`.
    """
    table = reliability_table(happened, chance, bins)
    gap = (table["forecast_frac"] - table["happened_frac"]).abs()
    return float((gap * table["points"]).sum() / max(len(chance), 1))


def calibration_error_by_chance(chance: Floats, bins: int = BINS) -> float:
    """Return the calibration error that a perfectly honest forecast of these chances has.

    Notes
    -----
    The count that happens in a bin has variance ``sum p (1 - p)``; the mean distance of a normal
    variable from its mean is ``sqrt(2 / pi)`` of its standard deviation.
    """
    row = np.minimum((chance * bins).astype(np.int64), bins - 1)
    variance = np.bincount(row, chance * (1.0 - chance), minlength=bins)
    return float(np.sqrt(2.0 / np.pi * variance).sum() / max(len(chance), 1))


@dataclass(frozen=True, slots=True)
class BrierParts:
    """The Brier score taken apart (Murphy 1973): ``reliability - resolution + uncertainty``."""

    reliability: float
    resolution: float
    uncertainty: float

    @property
    def score(self) -> float:
        """The Brier score."""
        return self.reliability - self.resolution + self.uncertainty

    @property
    def skill(self) -> float:
        """Share by which the score is better than that of the event's frequency, at most 1."""
        if self.uncertainty == 0.0:
            return float("nan")
        return (self.resolution - self.reliability) / self.uncertainty


def brier_parts(happened: Flags, chance: Floats) -> BrierParts:
    """Return the parts of the Brier score; each distinct chance is a group of its own.

    >>> parts = brier_parts(np.array([True, False]), np.array([0.7, 0.3]))
    >>> round(parts.reliability, 4), parts.resolution, parts.uncertainty, round(parts.score, 4)
    (0.09, 0.25, 0.25, 0.09)
    """
    given, row = np.unique(chance, return_inverse=True)
    count = np.bincount(row)
    share = np.bincount(row, happened.astype(float)) / count
    weight = count / max(len(chance), 1)
    usual = float(happened.mean()) if len(happened) else 0.0
    return BrierParts(
        reliability=float((weight * (given - share) ** 2).sum()),
        resolution=float((weight * (share - usual) ** 2).sum()),
        uncertainty=usual * (1.0 - usual),
    )


@dataclass(frozen=True, slots=True)
class Warned:
    """How a yes-or-no warning came out: four counts, and the usual scores of them."""

    hits: int
    false_alarms: int
    misses: int
    quiet: int

    @property
    def accuracy(self) -> float:
        """Share of all cases that were told right."""
        right = self.hits + self.quiet
        return _share(right, right + self.false_alarms + self.misses)

    @property
    def bias(self) -> float:
        """Warned over events."""
        return _share(self.hits + self.false_alarms, self.hits + self.misses)

    @property
    def hit_rate(self) -> float:
        """Share of the events that were warned of."""
        return _share(self.hits, self.hits + self.misses)

    @property
    def false_alarm_ratio(self) -> float:
        """Share of the warnings that nothing came of."""
        return _share(self.false_alarms, self.hits + self.false_alarms)

    @property
    def threat_score(self) -> float:
        """Hits among all cases that were warned of or happened."""
        return _share(self.hits, self.hits + self.false_alarms + self.misses)

    @property
    def hanssen_kuipers(self) -> float:
        """Hit rate less the share of the quiet cases that were warned of."""
        return self.hit_rate - _share(self.false_alarms, self.false_alarms + self.quiet)


def warnings_given(happened: Flags, warned: Flags) -> Warned:
    """Return how warnings came out, case by case.

    >>> warnings_given(np.array([True, True, False]), np.array([True, False, False]))
    Warned(hits=1, false_alarms=0, misses=1, quiet=1)
    """
    return Warned(
        hits=int((happened & warned).sum()),
        false_alarms=int((~happened & warned).sum()),
        misses=int((happened & ~warned).sum()),
        quiet=int((~happened & ~warned).sum()),
    )


def _share(part: int, whole: int) -> float:
    return part / whole if whole else float("nan")
