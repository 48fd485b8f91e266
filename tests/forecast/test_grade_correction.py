import numpy as np
import pytest
from scipy.special import expit, logit

from vaultplan.forecast.grade_correction import PULL, fit_correction


def test_without_rows_the_chances_are_left_alone():
    found = fit_correction(np.zeros((0, 2)), np.zeros((2, 0)), np.zeros(0, int))
    logits = logit(np.array([[0.6, 0.9], [0.2, 0.5]]))
    chances = found.chances(np.ones((2, 2)), logits)
    assert chances == pytest.approx(np.array([[0.4, 0.4, 0.2], [0.1, 0.4, 0.5]]))


def test_shifts_alone_solve_their_own_equations():
    # 50 clear, 30 light, 20 heavy at even odds of both events: sum(y - p) = 2 shift.
    grade = np.repeat([0, 1, 2], [50, 30, 20])
    found = fit_correction(np.zeros((100, 0)), np.zeros((2, 100)), grade)
    for shift, happened in zip(found.shift, (50, 20), strict=True):
        assert happened - 100 * expit(shift) == pytest.approx(2 * shift, abs=1e-7)


def test_a_slope_solves_its_own_equation():
    draw = np.random.default_rng(4)
    x = draw.normal(size=(600, 1)).clip(-3, 3)
    cuts = np.array([0.5, -1.0])
    score = 1.2 * x[:, 0] + draw.logistic(size=600)
    grade = (score > -cuts[0]).astype(int) + (score > -cuts[1])
    logits = np.tile(cuts[:, None], 600)
    found = fit_correction(x, logits, grade)
    chances = found.chances(x, logits)
    missed = (grade > 0) - (1 - chances[:, 0]) + (grade > 1) - chances[:, 2]
    standard = (x[:, 0] - x.mean()) / x.std()
    assert (standard * missed).sum() == pytest.approx(PULL * found.slopes[0], abs=1e-5)
    assert 0.8 < found.slopes[0] / x.std() < 1.3


def test_chances_never_turn_negative_where_the_corrections_cross():
    draw = np.random.default_rng(5)
    grade = np.where(draw.random(400) < 0.5, 2, 0)
    found = fit_correction(np.zeros((400, 0)), np.tile([[2.0], [-3.0]], 400), grade)
    chances = found.chances(np.zeros((5, 0)), np.tile([[0.0], [-0.1]], 5))
    assert (chances >= 0).all()
    assert chances.sum(axis=1) == pytest.approx(np.ones(5))
