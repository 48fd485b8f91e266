import numpy as np
import pytest
from scipy.special import expit, logit

from vaultplan.forecast.logistic import PULL, fit_logistic


def test_without_rows_the_odds_are_left_alone():
    found = fit_logistic(np.zeros((0, 2)), np.zeros(0), np.zeros(0, bool))
    offset = np.array([-1.0, 0.0, 2.0])
    assert found.chance(np.ones((3, 2)), offset) == pytest.approx(expit(offset))


def test_a_shift_alone_solves_its_own_equation():
    # 30 of 100 at even odds, no columns: sum(y - p) = shift, the pull of one grading's worth.
    happened = np.arange(100) < 30
    found = fit_logistic(np.zeros((100, 0)), np.zeros(100), happened)
    assert 30 - 100 * expit(found.shift) == pytest.approx(found.shift)
    assert found.shift == pytest.approx(logit(0.3), abs=0.06)


def test_a_slope_solves_its_own_equation():
    draw = np.random.default_rng(4)
    x = draw.normal(size=(400, 1))
    offset = draw.normal(size=400)
    happened = draw.random(400) < expit(offset + 1.5 * x[:, 0])
    found = fit_logistic(x, offset, happened)
    standard = (x[:, 0] - x.mean()) / x.std()
    missed = (standard * (happened - found.chance(x, offset))).sum()
    assert missed == pytest.approx(PULL * found.slopes[0], abs=1e-6)
    assert found.slopes[0] / x.std() == pytest.approx(1.5, abs=0.4)


def test_a_column_that_never_varies_corrects_nothing():
    draw = np.random.default_rng(5)
    x = np.column_stack([np.ones(50), draw.normal(size=50)])
    found = fit_logistic(x, np.zeros(50), draw.random(50) < 0.5)
    assert found.slopes[0] == 0.0
