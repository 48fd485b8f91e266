import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from vaultplan.discharge.gutter import (
    frontal_share,
    grate_intake_cfs,
    gutter_check,
    gutter_flow_cfs,
    gutter_spread_ft,
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
    assert not found["is_slope_assumed"]
    speed = 1.11 / 0.016 * 0.01**0.5 * 0.02**0.67 * 4.80**0.67
    assert found["gutter_minutes"] == pytest.approx(100.0 / speed / 60.0, rel=0.01)


def test_a_flat_street_does_not():
    assert _check(0.0005, 0.01)["gutter_overflows"]


@pytest.mark.parametrize("blank", [None, np.nan, 0.0])
def test_a_slope_nobody_measured_is_taken_as_flat_and_told(blank):
    flat, known = _check(blank, blank), _check(0.005, 0.015)
    assert flat["is_slope_assumed"]
    assert flat["gutter_spread_ft"] == known["gutter_spread_ft"]


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
