"""Scores of forecasts against a reference library and published values."""

import numpy as np
import pytest
import scoringrules
from scipy.special import ndtri

from vaultplan.forecast.reliability import brier_parts, warnings_given
from vaultplan.forecast.scores import (
    brier,
    crps_of_ensemble,
    crps_of_quantiles,
    log_loss,
    ranked_probability,
)


def test_crps_of_an_ensemble_is_the_reference_librarys():
    # scoringrules 0.10.0: E|X - y| - E|X - X'| / 2 over the members.
    draw = np.random.default_rng(1)
    members, found = draw.normal(size=(30, 12)), draw.normal(size=30)
    expected = scoringrules.crps_ensemble(found, members, estimator="nrg")
    assert crps_of_ensemble(found, members) == pytest.approx(expected)


def test_crps_of_a_standard_normal_at_its_middle():
    # Gneiting and Raftery (2007), J. Am. Stat. Assoc. 102(477), closed form for the normal:
    # (sqrt(2) - 1) / sqrt(pi) at 0.
    levels = (np.arange(4000) + 0.5) / 4000
    found = crps_of_quantiles(np.zeros(1), ndtri(levels)[None], levels)[0]
    assert found == pytest.approx((np.sqrt(2) - 1) / np.sqrt(np.pi), abs=2e-5)
    assert found == pytest.approx(scoringrules.crps_normal(0.0, 0.0, 1.0), abs=2e-5)


def test_brier_and_ranked_probability_are_the_reference_librarys():
    # scoringrules counts the observed class from 1.
    draw = np.random.default_rng(2)
    chance = draw.dirichlet(np.ones(3), 40)
    observed = draw.integers(0, 3, 40)
    expected = [
        scoringrules.rps_score(np.array(seen + 1), row)
        for seen, row in zip(observed, chance, strict=True)
    ]
    assert ranked_probability(observed, chance) == pytest.approx(np.array(expected, float))
    happened = observed == 2
    assert brier(happened, chance[:, 2]) == pytest.approx(
        np.asarray(scoringrules.brier_score(happened.astype(float), chance[:, 2]), float)
    )
    assert log_loss(observed, chance) == pytest.approx(-np.log(chance[np.arange(40), observed]))


def test_the_parts_of_the_brier_score_add_up_to_it():
    # Murphy (1973), J. Appl. Meteorol. 12(4):595-600: reliability - resolution + uncertainty, as
    # in the Finnish rain forecasts of 2003 on the verification pages of the Bureau of Meteorology
    # (0.144 = 0.025 - 0.060 + 0.179).
    assert pytest.approx(0.144) == 0.025 - 0.060 + 0.179
    draw = np.random.default_rng(3)
    chance = draw.choice([0.05, 0.25, 0.45, 0.65, 0.85], 500)
    happened = draw.random(500) < chance
    parts = brier_parts(happened, chance)
    total = parts.reliability - parts.resolution + parts.uncertainty
    assert total == pytest.approx(brier(happened, chance).mean(), abs=1e-9)


def test_finleys_tornado_warnings():
    # Finley (1884), as given with its scores on the same pages: 28 hits, 72 false alarms, 23
    # misses, 2,680 correct rejections; false alarms 72 %, threat score 23 %, Hanssen and Kuipers'
    # discriminant 52 %.
    happened = np.repeat([True, False, True, False], [28, 72, 23, 2680])
    warned = np.repeat([True, True, False, False], [28, 72, 23, 2680])
    found = warnings_given(happened, warned)
    assert found.false_alarm_ratio == pytest.approx(0.72, abs=0.005)
    assert found.threat_score == pytest.approx(0.23, abs=0.005)
    assert found.hanssen_kuipers == pytest.approx(0.52, abs=0.005)
    assert found.hit_rate == pytest.approx(28 / 51)
