"""Volumes, recovery and scores against values from outside this project."""

import numpy as np
import pandas as pd
import pytest
import scoringrules

from vaultplan.forecast.recovery import fit_recovery
from vaultplan.forecast.scores import (
    brier,
    crps_of_ensemble,
    crps_of_quantiles,
    ranked_probability,
)
from vaultplan.forecast.vaults import gallons, vault_rooms
from vaultplan.units import GAL_PER_CUFT, cuft_from_gal, gal_from_cuft


def rooms(**columns):
    base = {"vault_id": ["A"], "kind": ["vault"], "gear_frac": [0.0], "width_ft": [np.nan]}
    return vault_rooms(pd.DataFrame(base | columns), gear_frac=0.15)


def test_a_gallon_is_231_cubic_inches():
    # NIST Handbook 44, Appendix C, General Tables of Units of Measurement: 1 US gallon = 231 in3
    # exactly; 1 ft3 = 7.481 gal (4 digits as printed).
    assert GAL_PER_CUFT == 1728 / 231
    assert gal_from_cuft(1.0) == pytest.approx(7.481, abs=0.0005)
    assert cuft_from_gal(gal_from_cuft(3.25)) == pytest.approx(3.25, rel=1e-15)


def test_round_and_square_rooms_one_foot_deep():
    # Arithmetic from the gallon above, not a published example: a 4 ft cylinder holds
    # pi * 2^2 * 1728 / 231 = 94.0030 gal a foot, a 48 x 48 in box 16 ft3 = 119.6883 gal.
    cylinder = rooms(shape=["round"], length_ft=[4.0], depth_ft=[1.0])
    box = rooms(shape=["rectangular"], length_ft=[4.0], width_ft=[4.0], depth_ft=[1.0])
    assert cylinder["capacity_gal"].iloc[0] == pytest.approx(94.0030, abs=5e-5)
    assert box["capacity_gal"].iloc[0] == pytest.approx(119.6883, abs=5e-5)
    half = gallons(np.array([6.0]), np.array([12.0]), box["capacity_gal"].to_numpy())
    assert half[0] == pytest.approx(119.6883 / 2, abs=5e-5)


def test_recovery_of_a_bored_hole():
    # Data: falling-head test, ECW 5001 assignment (university exercise on a document-sharing
    # site, no answer printed): 20 cm boring, 5.2 cm casing, seconds and metres. The fitted values
    # are a least-squares line worked out independently: slope -0.0031667 1/s, intercept -0.018;
    # through the origin -0.0032120 1/s, T0 = 311.3 s (Hvorslev's basic time lag).
    seconds = [0, 22, 43, 65, 92, 134, 167, 225, 263, 298, 350, 415, 472, 542, 628]
    metres = [0.600, 0.550, 0.510, 0.475, 0.436, 0.387, 0.344, 0.298, 0.258, 0.228, 0.192, 0.156,
              0.134, 0.104, 0.082]  # fmt: skip
    found = fit_recovery(np.array(seconds, float), np.array(metres))
    assert found.slope == pytest.approx(-0.0031667, abs=5e-8)
    assert found.intercept == pytest.approx(-0.018, abs=5e-4)
    assert found.slope_through_start == pytest.approx(-0.0032120, abs=5e-8)
    assert found.time_constant == pytest.approx(311.3, abs=0.05)


def test_scores_have_their_closed_forms():
    # CRPS of N(0, 1) at 0 is (sqrt(2) - 1) / sqrt(pi) (Gneiting and Raftery 2007, J. Am. Stat.
    # Assoc. 102:359-378, closed form); the quantile form nears it as levels grow.
    from scipy.stats import norm

    levels = (np.arange(4000) + 0.5) / 4000
    crps = crps_of_quantiles(np.array([0.0]), norm.ppf(levels)[None], levels)[0]
    assert crps == pytest.approx((np.sqrt(2) - 1) / np.sqrt(np.pi), abs=2e-6)
    # Worked by hand: mean |x| = 1, mean |x - x'| / 2 = 0.625.
    members = np.array([[-1.0, 0.0, 1.0, 2.0]])
    assert crps_of_ensemble(np.array([0.0]), members)[0] == pytest.approx(0.375, abs=1e-15)
    # Worked by hand: (0.3^2 + 0.3^2) / 2.
    score = brier(np.array([True, False]), np.array([0.7, 0.3]))
    assert score.mean() == pytest.approx(0.09)
    # Worked by hand: (0.2 - 1)^2 + (0.7 - 1)^2.
    rps = ranked_probability(np.array([0]), np.array([[0.2, 0.5, 0.3]]))[0]
    assert rps == pytest.approx(0.73)


def test_scores_agree_with_scoringrules():
    # scoringrules 0.8+ as reference; its RPS counts categories from 1.
    draw = np.random.default_rng(4)
    members, observed = draw.normal(size=(50, 21)), draw.normal(size=50)
    assert crps_of_ensemble(observed, members) == pytest.approx(
        scoringrules.crps_ensemble(observed, members), abs=1e-12
    )
    shares = draw.dirichlet([1, 2, 1], 50)
    seen = draw.integers(0, 3, 50)
    assert ranked_probability(seen, shares) == pytest.approx(
        scoringrules.rps_score(seen + 1, shares), abs=1e-12
    )
