"""How much a filter sock takes out, from results before and after it, non-detects included."""

from __future__ import annotations

from typing import Final

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy import stats

Floats = npt.NDArray[np.float64]

#: What a pair of results tells of the share removed.
EXACT, AT_LEAST, AT_MOST, CANNOT_TELL = "exact", "at least", "at most", "cannot tell"
COVERAGE: Final = 0.95


def removals(results: pd.DataFrame) -> pd.DataFrame:
    """Return the share removed of each pair of results before and after a sock.

    Parameters
    ----------
    results
        ``visit_id``, ``characteristic``, ``stage`` (raw, filtered), ``value`` (the limit where
        ``is_below``), ``is_below``, ``unit``; one row of a kind per visit and stage.

    Returns
    -------
    pandas.DataFrame
        ``visit_id``, ``characteristic``, ``unit``, ``raw``, ``raw_is_below``, ``filtered``,
        ``filtered_is_below``, ``tells``, and ``least_frac`` and ``most_frac``, between which the
        removed share lies; more came out than went in where it is below 0.

    Notes
    -----
    Of ``1 - after / before``: a result after the sock that is below a limit says the share is at
    least ``1 - limit / before``; one before it that is below a limit says at most
    ``1 - after / limit``; both say nothing.

    Examples
    --------
    >>> pair = pd.DataFrame({"visit_id": ["v", "v"], "characteristic": "Zinc", "unit": "ug/L",
    ...     "stage": ["raw", "filtered"], "value": [50.0, 5.0], "is_below": [False, True]})
    >>> removals(pair)[["tells", "least_frac", "most_frac"]].values.tolist()
    [['at least', 0.9, 1.0]]
    """
    key = ["visit_id", "characteristic", "unit"]
    sides = [
        results.loc[results["stage"] == stage, [*key, "value", "is_below"]].rename(
            columns={"value": stage, "is_below": f"{stage}_is_below"}
        )
        for stage in ("raw", "filtered")
    ]
    pairs = sides[0].merge(sides[1], on=key, validate="one_to_one")
    raw, filtered = pairs["raw"].to_numpy(float), pairs["filtered"].to_numpy(float)
    before, after = (pairs[f"{s}_is_below"].to_numpy(bool) for s in ("raw", "filtered"))
    with np.errstate(divide="ignore", invalid="ignore"):
        share = np.where(raw > 0, 1.0 - filtered / raw, np.nan)
    unknown = (before & after) | ~(raw > 0)
    tells = np.select([unknown, after, before], [CANNOT_TELL, AT_LEAST, AT_MOST], default=EXACT)
    least = np.where(before, -np.inf, share)
    most = np.where(after, 1.0, share)
    return pairs.assign(
        tells=tells,
        least_frac=np.where(unknown, -np.inf, least),
        most_frac=np.where(unknown, 1.0, most),
    )


def typical_removal(pairs: pd.DataFrame) -> dict[str, object]:
    """Return the median share removed, its interval, and what was removed of all that came in.

    Parameters
    ----------
    pairs
        As :func:`removals` returns them, of one characteristic.

    Returns
    -------
    dict
        ``pair_count``, ``exact_count``, ``at_least_count``, ``at_most_count``,
        ``cannot_tell_count``, ``worse_count`` (more came out than went in, surely);
        ``median_least_frac`` and ``median_most_frac``, between which the median lies whatever the
        non-detects were; ``low_frac`` and ``high_frac``, its interval of 95 % (NaN with fewer than
        six pairs); ``load_least_frac`` and ``load_most_frac``: one less the sum after over the sum
        before.

    Notes
    -----
    The interval is that of order statistics, which supposes no shape (Conover 1999, Practical
    Nonparametric Statistics, 3rd ed., sect. 3.2): its low end is taken among the least and its high
    end among the greatest the shares can be, so that it covers at least as often as it says.
    """
    least, most = pairs["least_frac"].to_numpy(float), pairs["most_frac"].to_numpy(float)
    raw, filtered = pairs["raw"].to_numpy(float), pairs["filtered"].to_numpy(float)
    before = np.where(pairs["raw_is_below"], 0.0, raw).sum(), raw.sum()
    after = np.where(pairs["filtered_is_below"], 0.0, filtered).sum(), filtered.sum()
    low, high = median_interval(least, most)
    counts = pairs["tells"].value_counts()
    return {
        "pair_count": len(pairs),
        **{
            f"{word.replace(' ', '_')}_count": int(counts.get(word, 0))
            for word in (EXACT, AT_LEAST, AT_MOST, CANNOT_TELL)
        },
        "worse_count": int((most < 0).sum()),
        "median_least_frac": _middle(least),
        "median_most_frac": _middle(most),
        "low_frac": low,
        "high_frac": high,
        "load_least_frac": 1.0 - after[1] / before[0] if before[0] > 0 else -np.inf,
        "load_most_frac": 1.0 - after[0] / before[1] if before[1] > 0 else np.nan,
    }


def _middle(share: Floats) -> float:
    """Return the median; the mean of -inf and a share is -inf."""
    return float(np.median(share)) if len(share) else float("nan")


def median_interval(least: Floats, most: Floats, coverage: float = COVERAGE) -> tuple[float, float]:
    """Return an interval for the median of values that lie between ``least`` and ``most``.

    NaN at both ends where there are too few values for the coverage.

    >>> median_interval(np.arange(1.0, 11.0), np.arange(1.0, 11.0))
    (2.0, 9.0)
    """
    count = len(least)
    # The greatest rank r with at most half the rest of the chance that fewer than r lie below.
    rank = int(stats.binom.ppf((1.0 - coverage) / 2.0, count, 0.5))
    if count == 0 or stats.binom.cdf(rank, count, 0.5) > (1.0 - coverage) / 2.0:
        rank -= 1
    if rank < 0 or count == 0:
        return float("nan"), float("nan")
    return float(np.sort(least)[rank]), float(np.sort(most)[count - 1 - rank])
