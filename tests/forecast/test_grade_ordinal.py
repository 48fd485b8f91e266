import numpy as np
import pytest
from scipy.stats import norm, truncnorm

from vaultplan.forecast.grade_ordinal import BEYOND, between, ends, fit_ordinal


@pytest.mark.parametrize(
    ("low", "high"), [(-1.0, 2.0), (0.0, 0.1), (-BEYOND, -0.5), (6.0, 7.0), (-7.0, -6.0)]
)
def test_a_score_between_two_ends_has_the_moments_of_a_truncated_normal(low, high):
    found = between(np.array([low]), np.array([high]))
    mean, variance = truncnorm.stats(low, high, moments="mv")
    assert found.chance[0] == pytest.approx(norm.cdf(high) - norm.cdf(low), rel=1e-6)
    assert found.mean[0] == pytest.approx(mean, rel=1e-6)
    assert 1.0 - found.less[0] == pytest.approx(variance, rel=1e-5, abs=1e-7)


def test_ends_of_the_outer_grades_are_open():
    low, high = ends(np.array([0.0, 1.0]), np.arange(3), np.full(3, 0.5), np.full(3, 0.5))
    assert low.tolist() == [-BEYOND, -1.0, 1.0]
    assert high.tolist() == [-1.0, 1.0, BEYOND]


def test_cuts_alone_give_the_shares_that_were_counted():
    # 29, 19 and 49 gradings and the first one of each kind: shares of 0.3, 0.2 and 0.5.
    grade = np.repeat([0, 1, 2], [29, 19, 49])
    cuts, slopes = fit_ordinal(np.zeros((97, 0)), grade, np.ones(97), np.zeros(0))
    assert cuts == pytest.approx(norm.ppf([0.3, 0.5]), abs=1e-6)
    assert len(slopes) == 0


def test_without_rows_each_grade_is_as_likely():
    cuts, slopes = fit_ordinal(np.zeros((0, 2)), np.zeros(0, int), np.zeros(0), np.ones(2))
    assert cuts == pytest.approx(norm.ppf([1 / 3, 2 / 3]), abs=1e-6)
    assert slopes.tolist() == [0.0, 0.0]


def test_one_grade_alone_leaves_finite_cuts():
    cuts, _ = fit_ordinal(np.zeros((500, 0)), np.full(500, 2), np.ones(500), np.zeros(0))
    assert cuts == pytest.approx(norm.ppf([1 / 503, 2 / 503]), abs=1e-6)


def test_a_slope_is_found_again_and_a_pull_makes_it_smaller():
    draw = np.random.default_rng(3)
    x = draw.normal(size=(4000, 1))
    grade = np.searchsorted([-0.5, 0.8], 0.7 * x[:, 0] + draw.normal(size=4000))
    cuts, slopes = fit_ordinal(x, grade, np.ones(4000), np.array([1.0]))
    assert cuts == pytest.approx([-0.5, 0.8], abs=0.08)
    assert slopes[0] == pytest.approx(0.7, abs=0.06)
    _, pulled = fit_ordinal(x, grade, np.ones(4000), np.array([1e4]))
    assert 0.0 < pulled[0] < 0.3


def test_a_row_of_weight_two_counts_as_two_rows():
    draw = np.random.default_rng(4)
    x, grade = draw.normal(size=(60, 2)), draw.integers(0, 3, 60)
    twice = fit_ordinal(x, grade, np.full(60, 2.0), np.ones(2))
    doubled = fit_ordinal(np.tile(x, (2, 1)), np.tile(grade, 2), np.ones(120), np.ones(2))
    assert np.concatenate(twice) == pytest.approx(np.concatenate(doubled), abs=1e-7)
