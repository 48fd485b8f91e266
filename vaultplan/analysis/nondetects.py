"""Averages of laboratory results of which some lie below a limit and have no value.

Nothing is ever put in place of a non-detect in silence: three methods say what can be said, and
:class:`Summary` says which was used and what it supposes.

References
----------
D. R. Helsel (2012), Statistics for Censored Environmental Data Using Minitab and R, 2nd ed., Wiley.
D. R. Helsel, T. A. Cohn (1988), Estimation of descriptive statistics for multiply censored water
quality data, Water Resources Research 24(12):1997-2004, doi:10.1029/WR024i012p01997.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt
from scipy import stats

Floats = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]

#: Fewer different detected values do not carry a line through them.
LEAST_DETECTED: Final = 3
#: With more than this share below limits, only medians and shares are told (Helsel 2012, ch. 6).
MOST_BELOW_FRAC: Final = 0.8


@dataclass(frozen=True, slots=True)
class Steps:
    """An estimated distribution that rises in steps.

    ``at`` are the detected values, rising; ``chance`` that of no more than each; ``below`` that of
    less than the least of them, which lies somewhere between 0 and it.
    """

    at: Floats
    chance: Floats
    below: float

    @property
    def mass(self) -> Floats:
        """Chance of each of the values."""
        return np.diff(self.chance, prepend=self.below)

    def quantile(self, level: float) -> float:
        """Return the least value that ``level`` of the outcomes do not exceed.

        NaN where it lies below the least detected value: it is less than that, no more is known.
        """
        if level <= self.below or not len(self.at):
            return float("nan")
        reached = np.flatnonzero(self.chance >= level - 1e-12)
        return float(self.at[reached[0]] if len(reached) else self.at[-1])

    def mean_bounds(self) -> tuple[float, float]:
        """Return the mean with all that lies below the least detected value at 0, and at it."""
        known = float(self.mass @ self.at)
        least = float(self.at[0]) if len(self.at) else float("nan")
        return known, known + self.below * least


def kaplan_meier(value: Floats, is_below: Flags) -> Steps:
    """Return the distribution that supposes no shape.

    Parameters
    ----------
    value
        The detected value, or the limit that the result is below.
    is_below
        Whether it is below the limit.

    Notes
    -----
    Kaplan and Meier's product, turned round for values censored on the left: the chance of less
    than a detected value ``x`` is the product of ``(n - d) / n`` over the detected values from
    there up, ``n`` results being no more than each (limits counted) and ``d`` equal to it. A result
    below ``x`` itself counts as less than ``x``.

    References
    ----------
    E. L. Kaplan, P. Meier (1958), Nonparametric estimation from incomplete observations, Journal of
    the American Statistical Association 53(282):457-481, doi:10.1080/01621459.1958.10501452.

    Examples
    --------
    One of four is below 2: a quarter of all lies below the least detected value.

    >>> found = kaplan_meier(np.array([2.0, 3.0, 5.0, 9.0]), np.array([True, False, False, False]))
    >>> found.below, found.quantile(0.5), found.mean_bounds()
    (0.25, 3.0, (4.25, 5.0))
    """
    at, equal = np.unique(value[~is_below], return_counts=True)
    if not len(at):
        return Steps(at, at, 1.0)
    no_more = np.searchsorted(np.sort(value), at, side="right")
    falls = (no_more - equal) / no_more
    less = np.cumprod(falls[::-1])[::-1]
    return Steps(at, np.append(less[1:], 1.0), float(less[0]))


def filled_by_order(value: Floats, is_below: Flags) -> Floats:
    """Return the results in their order, those below a limit as a line through the others has them.

    Regression on order statistics, the robust form: detected values stay as they are; logarithms of
    the others are read off the straight line through the detected ones against normal scores.

    Raises
    ------
    ValueError
        With fewer than three different detected values, or one that is not above 0.

    Notes
    -----
    Plotting positions as in Helsel and Cohn (1988): with limits ``L`` rising, ``A`` detected values
    from one limit to the next and ``B`` results below it, the chance of exceeding a limit is
    ``p = p_next + A / (A + B) (1 - p_next)``; detected values divide the span between two such
    chances evenly, those below a limit the span below it.
    """
    detected = value[~is_below]
    if len(np.unique(detected)) < LEAST_DETECTED:
        raise ValueError(f"fewer than {LEAST_DETECTED} different detected values")
    if (detected <= 0).any():
        raise ValueError("a detected value is not above 0")
    limits = np.unique(value[is_below])
    from_limits = np.append(-np.inf, limits)
    exceed = np.append(np.zeros(len(from_limits)), 0.0)
    group = np.searchsorted(from_limits, value, side="right") - 1
    for number in range(len(from_limits) - 1, 0, -1):
        limit = from_limits[number]
        inside = int((~is_below & (group == number)).sum())
        below = int((is_below & (value <= limit)).sum() + (~is_below & (value < limit)).sum())
        exceed[number] = exceed[number + 1] + inside / (inside + below) * (1 - exceed[number + 1])
    exceed[0] = 1.0
    position = np.empty(len(value))
    for number in range(len(from_limits)):
        mine = ~is_below & (group == number)
        rank = stats.rankdata(value[mine], method="ordinal")
        span = exceed[number] - exceed[number + 1]
        position[mine] = 1.0 - exceed[number] + span * rank / (mine.sum() + 1)
        under = is_below & (group == number)
        order = np.arange(1, under.sum() + 1)
        position[under] = (1.0 - exceed[number]) * order / (under.sum() + 1)
    score = stats.norm.ppf(position)
    line = stats.linregress(score[~is_below], np.log(detected))
    filled = value.astype(np.float64)
    filled[is_below] = np.exp(line.intercept + line.slope * score[is_below])
    return filled


def likeliest_lognormal(value: Floats, is_below: Flags) -> tuple[float, float]:
    """Return mean and standard deviation of the logarithms that make the results likeliest.

    A result below a limit counts with the chance of less than the limit.

    Raises
    ------
    ValueError
        With fewer than three different detected values, or a value or limit that is not above 0.

    References
    ----------
    A. C. Cohen (1959), Simplified estimators for the normal distribution when samples are singly
    censored or truncated, Technometrics 1(3):217-237, doi:10.1080/00401706.1959.10489859.
    """
    if len(np.unique(value[~is_below])) < LEAST_DETECTED:
        raise ValueError(f"fewer than {LEAST_DETECTED} different detected values")
    if (value <= 0).any():
        raise ValueError("a value or limit is not above 0")
    logs = np.log(value)
    held = stats.CensoredData(uncensored=logs[~is_below], left=logs[is_below])
    mean, deviation = stats.norm.fit(held)
    return float(mean), float(deviation)


@dataclass(frozen=True, slots=True)
class Summary:
    """What is known of one kind of result.

    Means are NaN where a method does not carry: ``why`` says so. ``median`` and ``p90`` are Kaplan
    and Meier's, NaN where they lie below ``least_detected``; ``mean_low`` and ``mean_high`` bound
    the mean whatever lies below it; ``mean_order`` is by order statistics, ``mean_lognormal`` of
    the likeliest lognormal.
    """

    count: int
    below_count: int
    least_detected: float
    greatest_limit: float
    median: float
    p90: float
    mean_low: float
    mean_high: float
    mean_order: float
    mean_lognormal: float
    why: str


def summarized(value: Floats, is_below: Flags) -> Summary:
    """Return what the results of one kind come to."""
    steps = kaplan_meier(value, is_below)
    low, high = steps.mean_bounds()
    order, lognormal, why = float("nan"), float("nan"), ""
    if len(value) and is_below.mean() > MOST_BELOW_FRAC:
        why = f"more than {MOST_BELOW_FRAC:.0%} are below a limit: no mean is told"
        low = high = float("nan")
    else:
        try:
            order = float(filled_by_order(value, is_below).mean())
            mean, deviation = likeliest_lognormal(value, is_below)
            lognormal = float(np.exp(mean + deviation**2 / 2.0))
        except ValueError as error:
            why = str(error)
    return Summary(
        count=len(value),
        below_count=int(is_below.sum()),
        least_detected=float(steps.at[0]) if len(steps.at) else float("nan"),
        greatest_limit=float(value[is_below].max()) if is_below.any() else float("nan"),
        median=steps.quantile(0.5),
        p90=steps.quantile(0.9),
        mean_low=low,
        mean_high=high,
        mean_order=order,
        mean_lognormal=lognormal,
        why=why,
    )
