"""Gutters, grates and curb openings against the worked examples of HEC-22, and hose friction.

HEC-22: U.S. Federal Highway Administration (2024), Urban Drainage Design Manual, Hydraulic
Engineering Circular 22, 4th ed., FHWA-HIF-24-006. Its examples print two or three digits.
"""

import numpy as np
import pytest

from vaultplan.discharge.gutter import (
    CFS_PER_GPM,
    K_V,
    TO_FLOW,
    TO_VELOCITY,
    composite_flow_cfs,
    composite_spread_ft,
    curb_opening_ft,
    frontal_share,
    grate_intake_cfs,
    gutter_flow_cfs,
    gutter_spread_ft,
    gutter_velocity_fps,
    mean_velocity_fps,
    sag_weir_cfs,
    side_share,
)
from vaultplan.discharge.hose import friction_psi
from vaultplan.errors import SettingsError

N = 0.016


def test_triangular_gutter():
    """HEC-22 example 5.1: SL 0.010, Sx 0.020, n 0.016."""
    assert gutter_spread_ft(1.8, 0.02, 0.01, N) == pytest.approx(9.0, rel=0.01)
    assert gutter_flow_cfs(8.2, 0.02, 0.01, N) == pytest.approx(1.4, rel=0.01)


COMPOSITE = {"cross_slope": 0.02, "slope": 0.01, "width_ft": 2.0, "depressed_in": 2.0, "n": N}


def test_composite_gutter():
    """HEC-22 example 5.2: W 2 ft, a 2 in. (A) T 8.2 ft: Qs 0.66, Eo 0.70, Q 2.3; (B) Q 4.2: T 11.1,
    Qs 1.85, Eo 0.56."""
    flow, beyond, share = composite_flow_cfs(np.asarray(8.2), **COMPOSITE)
    assert (float(beyond), float(share), float(flow)) == (
        pytest.approx(0.66, rel=0.01), pytest.approx(0.70, rel=0.02), pytest.approx(2.3, rel=0.01)
    )  # fmt: skip
    spread = composite_spread_ft(4.2, **COMPOSITE)
    assert spread == pytest.approx(11.1, rel=0.01)
    _, beyond, share = composite_flow_cfs(np.asarray(spread), **COMPOSITE)
    assert float(beyond) == pytest.approx(1.85, rel=0.01)
    assert float(share) == pytest.approx(0.56, rel=0.01)


def test_flow_time_in_a_gutter():
    """HEC-22 example 5.6: spread 3.28 to 9.84 ft, SL 0.03, Sx 0.02, 330 ft: KG 0.79, 3.22 ft/s,
    1.7 min."""
    kg = K_V / N * 0.03**TO_FLOW * 0.02**TO_VELOCITY / 1.11
    assert kg == pytest.approx(0.79, rel=0.01)
    velocity = mean_velocity_fps(3.28, 9.84, cross_slope=0.02, slope=0.03, n=N)
    assert velocity == pytest.approx(3.22, rel=0.01)
    assert 330.0 / velocity / 60.0 == pytest.approx(1.7, rel=0.01)


@pytest.mark.parametrize(
    ("length_ft", "front_taken", "rs", "intake"),
    [(2.0, 1.0, 0.038, 3.15), (2.0, 0.88, 0.038, 2.80), (4.0, 1.0, 0.163, 3.60)],
)
def test_grate_on_a_slope(length_ft, front_taken, rs, intake):
    """HEC-22 example 7.1: T 9.84, SL 0.04, Sx 0.025, W 2 ft: Q 6.62, Eo 0.45, V 5.4 ft/s; P-1-7/8
    2 x 2 takes 3.15 cfs, reticuline 2 x 2 (Rf 0.88) 2.80, both 2 x 4 3.60."""
    flow = float(gutter_flow_cfs(9.84, 0.025, 0.04, N))
    share = float(frontal_share(np.asarray(9.84), 2.0))
    velocity = float(gutter_velocity_fps(np.asarray(9.84), 0.025, 0.04, N))
    assert (flow, share, velocity) == (
        pytest.approx(6.62, rel=0.01), pytest.approx(0.45, rel=0.02), pytest.approx(5.4, rel=0.01)
    )  # fmt: skip
    side = side_share(velocity, 0.025, length_ft)
    assert side == pytest.approx(rs, rel=0.02)
    assert grate_intake_cfs(flow, share, front_taken, side) == pytest.approx(intake, rel=0.01)


def test_curb_opening():
    """HEC-22 example 7.3: Q 2.26, SL 0.01, Sx 0.02, a 2 in on 2 ft, Eo 0.70: Se 0.078, LT 11.7."""
    equal = 0.02 + 2.0 / 12.0 / 2.0 * 0.70
    assert equal == pytest.approx(0.078, rel=0.01)
    assert curb_opening_ft(2.26, 0.01, equal, N) == pytest.approx(11.7, rel=0.01)


def test_grate_in_a_low_point():
    """HEC-22 example 7.5, Cw 0.37: P 7.66 ft for Q 6.71 at d 0.44, to 1.5 % (its d is rounded)."""
    assert sag_weir_cfs(7.66, 0.44, 0.37) == pytest.approx(6.71, rel=0.015)
    assert sag_weir_cfs(8.0, 0.43, 0.37) == pytest.approx(6.71, rel=0.015)


def test_inlet_spacing():
    """HEC-22 example 7.9: 0.64 ac, C 0.73, 7.1 in/h: 3.32 cfs; Sx 0.04, SL 0.03: T 5.99 ft; a 2 x 3
    grate: Eo 0.66, V 4.61, Rs 0.18, takes 2.39, passes on 0.93. (Its "(1.83)^0.67" in V is a value
    left over in metres; 4.61 follows from T = 5.99.)"""
    flow = 0.73 * 7.1 * 0.64
    assert flow == pytest.approx(3.32, rel=0.01)
    spread = gutter_spread_ft(3.32, 0.04, 0.03, N)
    assert spread == pytest.approx(5.99, rel=0.01)
    share = float(frontal_share(np.asarray(5.99), 2.0))
    velocity = float(gutter_velocity_fps(np.asarray(5.99), 0.04, 0.03, N))
    side = side_share(velocity, 0.04, 3.0)
    taken = grate_intake_cfs(3.32, share, 1.0, side)
    assert (share, velocity, side) == (
        pytest.approx(0.66, rel=0.01), pytest.approx(4.61, rel=0.01), pytest.approx(0.18, rel=0.03)
    )  # fmt: skip
    assert taken == pytest.approx(2.39, rel=0.01)
    assert 3.32 - taken == pytest.approx(0.93, rel=0.02)


def test_the_next_inlet_takes_what_was_passed_on():
    """HEC-22 example 7.9, next inlet: 1.81 + 0.93 = 2.74 cfs; takes 2.05, passes on 0.69 (what is
    left of two rounded figures: to 0.015 cfs)."""
    flow = 1.81 + 0.93
    spread = gutter_spread_ft(np.asarray(flow), 0.04, 0.03, N)
    share = float(frontal_share(spread, 2.0))
    side = side_share(float(gutter_velocity_fps(spread, 0.04, 0.03, N)), 0.04, 3.0)
    taken = grate_intake_cfs(flow, share, 1.0, side)
    assert taken == pytest.approx(2.05, rel=0.01)
    assert flow - taken == pytest.approx(0.69, abs=0.015)


@pytest.mark.parametrize(
    ("gpm", "slope", "spread_ft"),
    [(100, 0.01, 4.12), (100, 0.005, 4.70), (150, 0.01, 4.80), (150, 0.005, 5.47)],
)
def test_what_a_vaults_pump_gives(gpm, slope, spread_ft):
    """Derived from the equation of example 5.1, not published: Sx 0.02, n 0.016."""
    assert gutter_spread_ft(gpm * CFS_PER_GPM, 0.02, slope, N) == pytest.approx(
        spread_ft, rel=0.003
    )


@pytest.mark.parametrize(
    ("diameter_in", "gpm", "length_ft", "psi"),
    [
        (2.0, 100, 100, 8.0), (2.0, 125, 100, 12.5), (2.0, 150, 100, 18.0), (2.0, 200, 100, 32.0),
        (2.5, 100, 100, 2.0), (2.5, 150, 100, 4.5), (2.5, 300, 100, 18.0),
        (1.75, 150, 200, 69.75),
    ],
)  # fmt: skip
def test_hose_friction(diameter_in, gpm, length_ft, psi):
    """Fire-service tables of FL = C (Q/100)^2 (L/100), as taught (edition from memory)."""
    assert friction_psi(diameter_in, gpm, length_ft) == pytest.approx(psi)


@pytest.mark.parametrize(("gpm", "psi"), [(100, 0.7), (150, 1.5)])
def test_friction_of_a_three_inch_hose(gpm, psi):
    """The same tables print one digit: 0.7 and 1.5 psi in 100 ft."""
    assert round(friction_psi(3.0, gpm, 100.0), 1) == psi


@pytest.mark.parametrize(
    ("diameter_in", "coefficient"),
    [
        (1.5, 24),
        (1.75, 15.5),
        (2.0, 8),
        (2.5, 2),
        (3.0, 0.677),
        (3.5, 0.34),
        (4.0, 0.2),
        (5.0, 0.08),
    ],
)
def test_coefficient_of_every_hose(diameter_in, coefficient):
    """The same tables: C is the loss at 100 gal/min in 100 ft."""
    assert friction_psi(diameter_in, 100, 100) == pytest.approx(coefficient)


def test_an_unknown_hose_is_refused():
    with pytest.raises(SettingsError, match="no friction is known"):
        friction_psi(2.2, 100, 100)
