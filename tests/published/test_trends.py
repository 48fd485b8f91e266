"""Trends held to published examples and to a reference library."""

from __future__ import annotations

import numpy as np
import pymannkendall
import pytest
from scipy import stats

from vaultplan.analysis.trends import kendall_score, score_variance, trend_of


def test_the_example_of_epas_guidance():
    """EPA QA/G-9S (EPA/240/B-06/003, 2006), p. 109: S 22, variance 155.33, Z 1.685.

    The digits are those of a help page that quotes the guidance.
    """
    values = np.array([10, 10, 10, 5, 10, 20, 18, 17, 15, 24, 15], dtype=float)
    assert kendall_score(values) == 22
    assert score_variance(values) == pytest.approx(155.33, abs=0.005)
    found = trend_of(values, np.arange(11.0))
    assert (found.score - 1) / np.sqrt(found.variance) == pytest.approx(1.685, abs=0.0005)
    assert found.chance == pytest.approx(0.0920, abs=0.0001)
    assert found.slope == pytest.approx(1.0)


def test_ties_in_three_groups():
    """14 three times, 17 twice, 39 four times: S 7, variance 111.6667 (reference run)."""
    values = np.array([17, 14, 39, 16, 39, 14, 14, 39, 17, 39], dtype=float)
    assert kendall_score(values) == 7
    assert score_variance(values) == pytest.approx(111.6667, abs=5e-5)


@pytest.mark.parametrize("seed", range(10))
def test_plain_and_seasonal_are_those_of_the_library(seed):
    rng = np.random.default_rng(seed)
    years = np.repeat(np.arange(12.0), 4)
    season = np.tile(np.arange(4), 12)
    values = np.round(rng.normal(season * 2 + 0.1 * years, 1.0), 1)
    plain = trend_of(values, np.arange(48.0))
    theirs = pymannkendall.original_test(values)
    assert (plain.score, plain.variance) == pytest.approx((theirs.s, theirs.var_s))
    assert (plain.chance, plain.slope) == pytest.approx((theirs.p, theirs.slope))
    seasonal = trend_of(values, years + season / 4, season)
    theirs = pymannkendall.seasonal_test(values, period=4)
    assert (seasonal.score, seasonal.variance) == pytest.approx((theirs.s, theirs.var_s))
    assert (seasonal.chance, seasonal.slope) == pytest.approx((theirs.p, theirs.slope))
    dependent = trend_of(values, years + season / 4, season, is_dependent=True)
    theirs = pymannkendall.correlated_seasonal_test(values, period=4)
    assert dependent.variance == pytest.approx(theirs.var_s)


def test_the_interval_of_a_slope_covers_it_as_often_as_it_says():
    rng = np.random.default_rng(5)
    times = np.arange(20.0)
    inside = 0
    for _ in range(500):
        found = trend_of(0.3 * times + rng.standard_t(4, 20), times)
        inside += found.slope_low <= 0.3 <= found.slope_high
    assert inside / 500 >= 0.93


def test_a_season_is_no_trend():
    """Values that only follow the season: without seasons a late winter would look like a rise."""
    times = np.arange(10) / 4
    season = np.arange(10) % 4
    values = season.astype(float)
    assert trend_of(values, times, season).score == 0
    assert trend_of(values, times).score > 0


def test_too_few_values_say_nothing():
    found = trend_of(np.array([1.0, np.nan, 2.0]), np.arange(3.0))
    assert found.count == 2 and np.isnan(found.chance) and found.slope == pytest.approx(0.5)
    assert np.isnan(trend_of(np.array([1.0]), np.array([0.0])).slope)


def test_many_trends_are_adjusted_as_benjamini_and_hochberg_did():
    """JRSS B 57:289-300 (1995), sect. 4: of 15 chances 4 stand at 0.05 (from memory)."""
    chances = [0.0001, 0.0004, 0.0019, 0.0095, 0.0201, 0.0278, 0.0298, 0.0344, 0.0459, 0.3240]
    chances += [0.4262, 0.5719, 0.6528, 0.7590, 1.0]
    adjusted = stats.false_discovery_control(chances)
    assert int((adjusted <= 0.05).sum()) == 4
    assert adjusted[:5] == pytest.approx([0.0015, 0.0030, 0.0095, 0.035625, 0.0603])
