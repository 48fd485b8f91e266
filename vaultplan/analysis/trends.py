"""Whether something rises or falls over the years, by ranks: no shape of the data is supposed.

References
----------
H. B. Mann (1945), Nonparametric tests against trend, Econometrica 13(3):245-259.
R. M. Hirsch, J. R. Slack, R. A. Smith (1982), Techniques of trend analysis for monthly water
quality data, Water Resources Research 18(1):107-121, doi:10.1029/WR018i001p00107.
R. M. Hirsch, J. R. Slack (1984), A nonparametric trend test for seasonal data with serial
dependence, Water Resources Research 20(6):727-732, doi:10.1029/WR020i006p00727.
R. O. Gilbert (1987), Statistical Methods for Environmental Pollution Monitoring, ch. 16 and 17.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt
from scipy import stats

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

#: Fewer values than this say nothing by the normal approximation (Gilbert 1987, sect. 16.4.2).
LEAST_VALUES: Final = 10
COVERAGE: Final = 0.95


@dataclass(frozen=True, slots=True)
class Trend:
    """A trend, how sure it is and how steep.

    ``score`` is Kendall's S, ``variance`` its variance where there is none, ``chance`` the
    two-sided chance of a score as far from 0. ``slope`` is Sen's, in units of the value a year,
    ``slope_low`` and ``slope_high`` its interval of 95 %. NaN where there are too few values.
    """

    count: int
    score: float
    variance: float
    chance: float
    slope: float
    slope_low: float
    slope_high: float


def kendall_score(values: Floats) -> float:
    """Return Kendall's S: later values above earlier ones, less those below.

    >>> kendall_score(np.array([1.0, 3.0, 2.0]))
    1.0
    """
    first, second = np.triu_indices(len(values), 1)
    return float(np.sign(values[second] - values[first]).sum())


def score_variance(values: Floats) -> float:
    """Return the variance of Kendall's S where there is no trend, equal values reckoned with.

    ``(n (n - 1) (2 n + 5) - sum t (t - 1) (2 t + 5)) / 18`` over groups of ``t`` equal values.
    """
    count = len(values)
    _, ties = np.unique(values, return_counts=True)

    whole, equal = (
        float((number * (number - 1) * (2 * number + 5)).sum())
        for number in (np.array([count]), ties.astype(np.int64))
    )
    return (whole - equal) / 18.0


def trend_of(
    values: Floats, times: Floats, season: Ints | None = None, *, is_dependent: bool = False
) -> Trend:
    """Return the trend of values, which may have seasons.

    Parameters
    ----------
    values
        One per time; NaN is left out.
    times
        Years, rising, with their fractions.
    season
        Number of each value's season: only values of one season are compared, so that a wet
        winter is no trend. None compares all.
    is_dependent
        Whether values of one year hang together: the covariance of the seasons is then added to
        the variance (Hirsch and Slack 1984). Years with a season missing are ranked in the middle.

    Notes
    -----
    Z is ``(S -+ 1) / sqrt(variance)``. The slope is the median of the slopes of all pairs compared;
    its interval takes the slopes of ranks ``(N -+ C) / 2`` with ``C = z sqrt(variance)``.
    """
    is_known = ~np.isnan(values)
    values, times = values[is_known], times[is_known]
    seasons = np.zeros(len(values), dtype=np.int64) if season is None else season[is_known]
    count = len(values)
    if count < 2:
        blank = float("nan")
        return Trend(count, 0.0, 0.0, blank, blank, blank, blank)
    score = variance = 0.0
    slopes = []
    for number in np.unique(seasons):
        mine = seasons == number
        score += kendall_score(values[mine])
        variance += score_variance(values[mine])
        slopes.append(_slopes(values[mine], times[mine]))
    if is_dependent:
        variance += _covariance(values, np.floor(times + 1e-9), seasons)
    z = (score - np.sign(score)) / np.sqrt(variance) if variance > 0 else 0.0
    is_enough = count >= LEAST_VALUES
    chance = float(2.0 * stats.norm.sf(abs(z))) if is_enough else float("nan")
    ranked = np.sort(np.concatenate(slopes))
    low, high = _slope_interval(ranked, variance) if is_enough else (np.nan, np.nan)
    slope = float(np.median(ranked)) if len(ranked) else float("nan")
    return Trend(count, score, variance, chance, slope, low, high)


def _slopes(values: Floats, times: Floats) -> Floats:
    first, second = np.triu_indices(len(values), 1)
    apart = times[second] - times[first]
    slopes: Floats = (values[second] - values[first])[apart > 0] / apart[apart > 0]
    return slopes


def _slope_interval(ranked: Floats, variance: float) -> tuple[float, float]:
    reach = stats.norm.ppf((1.0 + COVERAGE) / 2.0) * np.sqrt(variance)
    low, high = (len(ranked) - reach) / 2.0, (len(ranked) + reach) / 2.0 + 1.0
    place = np.arange(1, len(ranked) + 1)
    ends = np.interp([low, high], place, ranked, left=-np.inf, right=np.inf)
    return float(ends[0]), float(ends[1])


def _covariance(values: Floats, years: Floats, seasons: Ints) -> float:
    """Return what the seasons' dependence adds to the variance of the score (Hirsch, Slack 1984).

    For seasons g and h over n years: ``(K + 4 sum R_g R_h - n (n + 1)^2) / 3``, K the sum over
    pairs of years of the sign of the product of their differences, R the ranks.
    """
    every_year, at_year = np.unique(years, return_inverse=True)
    every_season, at_season = np.unique(seasons, return_inverse=True)
    grid = np.full((len(every_year), len(every_season)), np.nan)
    grid[at_year, at_season] = values
    count = len(every_year)
    ranks = np.empty_like(grid)
    for column in range(grid.shape[1]):
        known = ~np.isnan(grid[:, column])
        ranks[known, column] = stats.rankdata(grid[known, column])
        ranks[~known, column] = (known.sum() + 1) / 2.0
    first, second = np.triu_indices(count, 1)
    signs = np.nan_to_num(np.sign(grid[second] - grid[first]))
    pairs = signs.T @ signs
    filled = (~np.isnan(grid)).sum(axis=0)
    product = 4.0 * ranks.T @ ranks - count * np.outer(filled + 1, filled + 1)
    both = (pairs + product) / 3.0
    return float(both.sum() - np.trace(both))
