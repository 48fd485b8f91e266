"""How many samples support which claim, by the exact binomial."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np
import pandas as pd
from scipy import stats

from vaultplan.errors import SettingsError

_MOST: Final = 1_000_000


def exact_interval(found: int, count: int, *, confidence: float = 0.95) -> tuple[float, float]:
    """Return the share that ``found`` of ``count`` samples stand for, at least and at most.

    Parameters
    ----------
    found, count
        Samples with the property looked for, and all of them.
    confidence
        Chance, at least, that such an interval holds the true share; each side may miss it with
        half of what is left.

    Raises
    ------
    SettingsError
        If ``found`` is not between 0 and ``count``, there is no sample, or the confidence is not
        between 0 and 1.

    Notes
    -----
    The ends are the shares under which as many as found, or as few, have a chance of half of
    1 - confidence: quantiles of beta distributions. The samples count as drawn each by itself from
    vaults without number; out of a finite fleet, without putting back, the interval is too wide
    rather than too narrow.

    References
    ----------
    Clopper, C. J., Pearson, E. S. (1934), The use of confidence or fiducial limits illustrated in
    the case of the binomial, Biometrika 26(4), 404-413, doi:10.1093/biomet/26.4.404.

    Examples
    --------
    >>> low, high = exact_interval(4, 20)
    >>> print(f"{low:.6f} {high:.6f}")
    0.057334 0.436614
    """
    _check(found, count, confidence)
    tail = (1.0 - confidence) / 2.0
    return _least(found, count, tail), _most(found, count, tail)


def at_most(found: int, count: int, *, confidence: float = 0.95) -> float:
    """Return the largest share of all vaults that ``found`` of ``count`` samples leave open.

    One-sided: with this confidence the true share is no larger. Parameters, errors and references
    are those of :func:`exact_interval`.

    >>> print(f"{at_most(0, 59):.4f}")
    0.0495
    """
    _check(found, count, confidence)
    return _most(found, count, 1.0 - confidence)


def samples_needed(share: float, *, found: int = 0, confidence: float = 0.95) -> int:
    """Return the least number of samples that support "at most this share" with so many found.

    Parameters
    ----------
    share
        Largest share that is to be claimed, between 0 and 1.
    found
        Samples that may have the property looked for.
    confidence
        As for :func:`at_most`.

    Raises
    ------
    SettingsError
        If share or confidence is not between 0 and 1, or more than a million would be needed.

    References
    ----------
    Wilks, S. S. (1941), Determination of sample sizes for setting tolerance limits, Annals of
    Mathematical Statistics 12(1), 91-96, doi:10.1214/aoms/1177731788.

    Examples
    --------
    >>> samples_needed(0.05), samples_needed(0.05, found=1)
    (59, 93)
    """
    if not 0.0 < share < 1.0:
        raise SettingsError(f"the share to be claimed must lie between 0 and 1, not {share:g}")
    if found < 0:
        raise SettingsError(f"no fewer than none can be found, not {found}")
    low, high = found, found + 1
    while at_most(found, high, confidence=confidence) > share:
        low, high = high, 2 * high
        if high > _MOST:
            raise SettingsError(
                f"more than {_MOST:,} samples would be needed; claim a larger share"
            )
    while high - low > 1:
        middle = (low + high) // 2
        enough = middle > 0 and at_most(found, middle, confidence=confidence) <= share
        low, high = (low, middle) if enough else (middle, high)
    return high


def claims(count: int, *, founds: Sequence[int] = (), confidence: float = 0.95) -> pd.DataFrame:
    """Return what a number of samples supports, by how many are found to have a property.

    Returns
    -------
    pandas.DataFrame
        found, count, share_frac (of the samples), at_most_frac (one-sided), low_frac and high_frac
        (both ends at once), for 0, 1, 2, 3, 5 and 10 found unless others are asked for.
    """
    asked = founds or (0, 1, 2, 3, 5, 10)
    rows = []
    for found in (number for number in asked if number <= count):
        low, high = exact_interval(found, count, confidence=confidence)
        most = at_most(found, count, confidence=confidence)
        rows.append((found, count, found / count, most, low, high))
    names = ["found", "count", "share_frac", "at_most_frac", "low_frac", "high_frac"]
    return pd.DataFrame(rows, columns=names)


def _least(found: int, count: int, tail: float) -> float:
    return 0.0 if found == 0 else float(stats.beta.ppf(tail, found, count - found + 1))


def _most(found: int, count: int, tail: float) -> float:
    if found == count:
        return 1.0
    if found == 0:
        return float(-np.expm1(np.log(tail) / count))
    return float(stats.beta.ppf(1.0 - tail, found + 1, count - found))


def _check(found: int, count: int, confidence: float) -> None:
    if count < 1:
        raise SettingsError("a claim needs at least one sample")
    if not 0 <= found <= count:
        raise SettingsError(f"{found} of {count} samples cannot be: give 0 to {count}")
    if not 0.0 < confidence < 1.0:
        raise SettingsError(f"the confidence must lie between 0 and 1, not {confidence:g}")
