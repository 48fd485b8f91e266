import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from vaultplan.discharge.gutter import (
    composite_flow_cfs,
    composite_spread_ft,
    frontal_share,
    grate_intake_cfs,
    gutter_check,
    gutter_flow_cfs,
    gutter_spread_ft,
    gutter_velocity_fps,
    mean_velocity_fps,
    side_share,
)
from vaultplan.discharge.hose import friction_psi, longest_run_ft
from vaultplan.settings import DischargeSettings

N = 0.016
slopes = st.floats(0.001, 0.2)
flows = st.floats(0.01, 20.0)


def _check(along, across, *, inlet="i", gutter_ft=100.0):
    traces = pd.DataFrame({"vault_id": ["v"], "inlet_id": [inlet], "gutter_ft": [gutter_ft]})
    inlets = pd.DataFrame(
        {"inlet_id": ["i"], "gutter_slope_frac": [along], "cross_slope_frac": [across]}
    )
    return gutter_check(traces, inlets, DischargeSettings()).iloc[0]


def test_a_street_of_two_percent_carries_a_pump():
    """150 gal/min on SL 0.01, Sx 0.02 spreads 4.80 ft (the gutter equation by hand)."""
    found = _check(0.01, 0.02)
    assert found["gutter_spread_ft"] == pytest.approx(4.80, abs=0.01)
    assert not found["gutter_overflows"]
    assert not found["gutter_slope_assumed"]
    speed = 1.11 / 0.016 * 0.01**0.5 * 0.02**0.67 * 4.80**0.67
    assert found["gutter_minutes"] == pytest.approx(100.0 / speed / 60.0, rel=0.01)


def test_a_flat_street_does_not():
    assert _check(0.0005, 0.01)["gutter_overflows"]


@pytest.mark.parametrize("blank", [None, np.nan])
def test_a_slope_nobody_measured_is_taken_as_flat_and_told(blank):
    flat, known = _check(blank, blank), _check(0.003, 0.015)
    assert flat["gutter_slope_assumed"]
    assert not known["gutter_slope_assumed"]
    assert flat["gutter_spread_ft"] == known["gutter_spread_ft"]


@pytest.mark.parametrize(("along", "across"), [(0.0, 0.02), (0.01, 0.0), (0.0, 0.0), (-0.01, 0.02)])
def test_a_street_measured_flat_spreads_without_end(along, across):
    found = _check(along, across)
    assert found["gutter_overflows"]
    assert not found["gutter_slope_assumed"]
    assert found["gutter_minutes"] == np.inf


@given(st.floats(0.003, 0.2), st.floats(0.015, 0.2))
def test_a_blank_never_reads_better_than_a_street_as_steep_as_the_flat_one_or_steeper(
    along, across
):
    blank = _check(None, None)["gutter_spread_ft"]
    assert _check(along, None)["gutter_spread_ft"] <= blank + 1e-9
    assert _check(None, across)["gutter_spread_ft"] <= blank + 1e-9
    assert _check(along, across)["gutter_spread_ft"] <= blank + 1e-9


def test_the_second_inlets_gutter_counts_as_well():
    traces = pd.DataFrame(
        {"vault_id": ["v", "w"], "inlet_id": ["i", "i"], "gutter_ft": [100.0, 100.0]}
    ).assign(second_inlet_id=["flat", None])
    inlets = pd.DataFrame(
        {
            "inlet_id": ["i", "flat"],
            "gutter_slope_frac": [0.01, 0.0005],
            "cross_slope_frac": [0.02, None],
        }
    )
    found = gutter_check(traces, inlets, DischargeSettings())
    assert found["gutter_overflows"].tolist() == [True, False]
    assert found["gutter_slope_assumed"].tolist() == [True, False]


def test_water_within_the_depressed_width_is_a_triangle_of_its_slope():
    """W 2 ft, a 2 in on Sx 0.02: Sw 0.1033; T 1.5 ft carries 0.56/n Sw^1.67 SL^0.5 T^2.67."""
    section = {"cross_slope": 0.02, "slope": 0.01, "width_ft": 2.0, "depressed_in": 2.0, "n": N}
    flow, beyond, share = composite_flow_cfs(np.asarray(1.5), **section)
    by_hand = 0.56 / 0.016 * (0.02 + 1 / 12) ** 1.67 * 0.1 * 1.5**2.67
    assert (float(flow), float(beyond), float(share)) == (pytest.approx(by_hand), 0.0, 1.0)
    assert composite_spread_ft(by_hand, **section) == pytest.approx(1.5)


@given(st.floats(0.1, 20), st.floats(0.1, 20))
def test_a_wider_spread_carries_no_less(one, other):
    section = {"cross_slope": 0.02, "slope": 0.01, "width_ft": 2.0, "depressed_in": 2.0, "n": N}
    less, more = sorted((one, other))
    flows = [float(composite_flow_cfs(np.asarray(spread), **section)[0]) for spread in (less, more)]
    assert flows[0] <= flows[1] * (1 + 1e-9)


def test_the_mean_velocity_of_a_steady_spread_is_near_its_velocity():
    """Equal spreads: the fraction tends to 2.67/2, so the mean spread to 0.65 x 1.335^1.5 T."""
    same = mean_velocity_fps(5.0, 5.0, cross_slope=0.02, slope=0.01, n=N)
    near = mean_velocity_fps(4.99999, 5.0, cross_slope=0.02, slope=0.01, n=N)
    assert same == pytest.approx(near, rel=1e-4)
    at = float(gutter_velocity_fps(np.asarray(0.65 * 1.335**1.5 * 5.0), 0.02, 0.01, N))
    assert same == pytest.approx(at)


def test_without_an_inlet_nothing_is_known():
    found = _check(0.01, 0.02, inlet=None)
    assert pd.isna(found["gutter_overflows"])
    assert pd.isna(found["gutter_spread_ft"])


@given(flows, slopes, slopes)
def test_spread_and_flow_are_each_others_inverse(flow, across, along):
    spread = gutter_spread_ft(np.array([flow]), across, along, N)
    assert gutter_flow_cfs(spread, across, along, N) == pytest.approx(flow)


@given(flows, flows, slopes, slopes, slopes)
def test_more_flow_never_narrows_and_steeper_never_widens(one, other, across, along, steeper):
    less, more = sorted((one, other))
    assert gutter_spread_ft(less, across, along, N) <= gutter_spread_ft(more, across, along, N)
    flat, steep = sorted((along, steeper))
    assert gutter_spread_ft(one, across, steep, N) <= gutter_spread_ft(one, across, flat, N)


@given(st.floats(0.5, 30), st.floats(0.5, 6), st.floats(0.5, 12), st.floats(0.5, 6), slopes)
def test_a_grate_never_takes_more_than_comes(spread, width, speed, length, across):
    front = float(frontal_share(np.asarray(spread), width))
    assert 0.0 <= front <= 1.0
    side = side_share(speed, across, length)
    assert 0.0 <= grate_intake_cfs(3.0, front, 1.0, side) <= 3.0 + 1e-9


def test_the_longest_hose():
    """2 in at 150 gal/min loses 18 psi in 100 ft: 36 psi push it 200 ft; 20 ft up cost 8.66."""
    assert longest_run_ft(2.0, 150.0, 36.0) == pytest.approx(200.0)
    assert longest_run_ft(2.0, 150.0, 36.0, 20.0) == pytest.approx(200.0 * (36 - 8.66) / 36)
    assert longest_run_ft(2.0, 150.0, 8.0, 20.0) == 0.0
    assert friction_psi(2.0, 150.0, 200.0) == pytest.approx(36.0)
