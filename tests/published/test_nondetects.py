"""Results below a limit, held to published data sets and to a reference library."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats
from statsmodels.imputation.ros import impute_ros

from vaultplan.analysis.nondetects import (
    filled_by_order,
    kaplan_meier,
    likeliest_lognormal,
    summarized,
)

# Arsenic in water of Oahu, Helsel, "Nondetects and Data Analysis" (Wiley 2005), as statsmodels
# 0.15 carries it (imputation/tests/test_ros.py): value or limit, and those below a limit.
OAHU = np.array([3.2, 2.8, *[2.0] * 8, 1.7, 1.5, *[1.0] * 4, 0.9, 0.9, 0.7, 0.7, 0.6, *[0.5] * 3])
OAHU_BELOW = np.array([False] * 2 + [True] * 8 + [False] * 2 + [True] * 4 + [False, True])
OAHU_BELOW = np.append(OAHU_BELOW, [False] * 6)
# Helsel and Cohn, Water Resources Research 24(12):1997-2004 (1988), appendix B, from the same file.
APPENDIX_B = np.array([*[1.0] * 6, *[10.0] * 3, 3, 7, 9, 12, 15, 20, 27, 33, 50])
APPENDIX_B_BELOW = np.array([True] * 9 + [False] * 9)


@pytest.mark.parametrize(
    ("value", "is_below", "expected"),
    [
        (
            OAHU,
            OAHU_BELOW,
            "0.35 0.41 0.46 0.57 0.58 0.61 0.68 0.76 0.81 0.95 0.98 1.14 1.42",
        ),
        (APPENDIX_B, APPENDIX_B_BELOW, "0.47 0.85 1.11 1.27 1.76 2.34 2.50 3.03 4.80"),
    ],
)
def test_order_statistics_give_the_published_values(value, is_below, expected):
    filled = filled_by_order(value, is_below)
    published = [float(number) for number in expected.split()]
    assert sorted(filled[is_below]) == pytest.approx(published, abs=0.0095)
    assert (filled[~is_below] == value[~is_below]).all()


def test_means_of_order_statistics_are_those_of_the_library():
    """Means by statsmodels 0.15: appendix B 10.788166, Oahu 0.972463 (run, printed nowhere)."""
    assert filled_by_order(APPENDIX_B, APPENDIX_B_BELOW).mean() == pytest.approx(10.788166, 1e-6)
    assert filled_by_order(OAHU, OAHU_BELOW).mean() == pytest.approx(0.972463, abs=1e-6)


@pytest.mark.parametrize("seed", range(20))
def test_order_statistics_are_the_librarys_on_any_results(seed):
    rng = np.random.default_rng(seed)
    value = np.exp(rng.normal(0.0, 1.0, 40))
    limit = rng.choice([0.5, 1.0, 2.0], 40)
    is_below = value < limit
    value = np.where(is_below, limit, value)
    order = np.lexsort((value, ~is_below))
    value, is_below = value[order], is_below[order]
    theirs = np.asarray(impute_ros(value, is_below), dtype=float)
    assert sorted(filled_by_order(value, is_below)) == pytest.approx(sorted(theirs), rel=1e-9)


def test_kaplan_meier_of_oahu():
    """Median 0.7 and mean 0.948958 (run with a reference library, printed nowhere)."""
    steps = kaplan_meier(OAHU, OAHU_BELOW)
    assert steps.quantile(0.5) == pytest.approx(0.7)
    assert steps.mean_bounds()[1] == pytest.approx(0.948958, abs=1e-6)


@pytest.mark.parametrize("seed", range(20))
def test_kaplan_meier_is_scipys_turned_round(seed):
    """scipy.stats.ecdf takes values censored on the right: M - x makes them so."""
    rng = np.random.default_rng(seed)
    value, is_below = rng.integers(1, 12, 30).astype(float), rng.random(30) < 0.4
    steps = kaplan_meier(value, is_below)
    turned = 100.0 - value
    found = stats.ecdf(stats.CensoredData(uncensored=turned[~is_below], right=turned[is_below])).sf
    # The chance of less than x is that of more than M - x.
    theirs = found.evaluate(100.0 - steps.at)
    ours = np.append(steps.below, steps.chance[:-1])
    assert ours == pytest.approx(theirs, abs=1e-12)


# The example of scipy's documentation of stats.ecdf, times of death or loss from sight.
TIMES = [24, 3, 11, 19, 24, 13, 14, 2, 18, 17, 24, 21, 12, 1, 10, 23, 6, 5, 9, 17]
DIED = [0, 1, 0, 0, 0, 0, 1, 0, 0, 0, 0, 0, 0, 1, 0, 1, 0, 1, 0, 1]
SURVIVE = {1: 0.95, 3: 0.8972, 5: 0.8444, 14: 0.76, 17: 0.6756, 23: 0.5067}


def test_kaplan_meier_gives_the_documented_curve():
    turned = 100.0 - np.array(TIMES, dtype=float)
    steps = kaplan_meier(turned, np.array(DIED) == 0)
    below = dict(zip((100.0 - steps.at).tolist(), [steps.below, *steps.chance[:-1]], strict=True))
    assert {time: below[time] for time in SURVIVE} == pytest.approx(SURVIVE, abs=5e-5)


def test_the_likeliest_lognormal_finds_what_made_the_results():
    rng = np.random.default_rng(4)
    value = np.exp(rng.normal(1.2, 0.8, 20_000))
    limit = rng.choice([1.0, 3.0], len(value))
    is_below = value < limit
    mean, deviation = likeliest_lognormal(np.where(is_below, limit, value), is_below)
    assert (mean, deviation) == pytest.approx((1.2, 0.8), abs=0.03)


def test_no_mean_is_told_of_results_nearly_all_below():
    value, is_below = np.array([1.0] * 9 + [4.0]), np.array([True] * 9 + [False])
    found = summarized(value, is_below)
    assert np.isnan(found.mean_low) and np.isnan(found.mean_order) and "no mean" in found.why
    assert np.isnan(found.median) and found.least_detected == 4.0
