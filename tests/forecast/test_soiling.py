import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pydantic import ValidationError

from vaultplan.forecast.soiling import soiling
from vaultplan.settings import ForecastSettings, Settings
from vaultplan.units import LB_PER_GAL_MG_L

SETTINGS = Settings(
    forecast=ForecastSettings(
        solids_mg_l=(1.0, 10.0, 100.0, 1000.0), oil_mg_l=(1.0, 10.0, 100.0, 1000.0)
    )
)
SOLIDS = [f"solids_lb_p{percent}" for percent in (10, 50, 90)]
OIL = [f"oil_gal_p{percent}" for percent in (10, 50, 90)]


def amounts(volumes, chance, told=SETTINGS):
    row = dict(zip(["volume_gal_p10", "volume_gal_p50", "volume_gal_p90"], volumes, strict=True))
    row |= dict(zip(["prob_clear", "prob_light", "prob_heavy"], chance, strict=True))
    return soiling(pd.DataFrame([row]), settings=told).iloc[0]


def test_a_milligram_per_litre_in_a_million_gallons_weighs_eight_pounds():
    # A gallon is 3.785411784 l exactly, so that many kg; a pound is 0.45359237 kg exactly.
    expected = pytest.approx(3.785411784 / 0.45359237, rel=1e-12)
    assert expected == LB_PER_GAL_MG_L * 1e6


def test_a_known_volume_of_light_water_is_solved_by_hand():
    # From 10 to 100 mg/l, every factor as likely: 10^1.1, 10^1.5 and 10^1.9.
    found = amounts([1000.0] * 3, [0.0, 1.0, 0.0])
    expected = 1000 * LB_PER_GAL_MG_L * 10 ** np.array([1.1, 1.5, 1.9])
    assert found[SOLIDS].to_numpy() == pytest.approx(expected)
    assert found[OIL].to_numpy() == pytest.approx(expected / SETTINGS.forecast.oil_lb_per_gal)


def test_grades_are_mixed_by_their_chances():
    # Half clear, a quarter each of the others: the 10th percentile lies at a fifth of clear's
    # range, the 50th at its end, the 90th at three fifths of heavy's.
    found = amounts([100.0] * 3, [0.5, 0.25, 0.25])
    expected = 100 * LB_PER_GAL_MG_L * 10 ** np.array([0.2, 1.0, 2.6])
    assert found[SOLIDS].to_numpy() == pytest.approx(expected)


def test_a_vault_that_may_be_dry_may_hold_nothing():
    # Volumes 0, 0, 0, 50, 100, equally likely. A share t of the range of 100 gal is t + log10(2)
    # of that of 50 gal; 0.9 = 0.6 + 0.2 t + 0.2 (t + log10(2)).
    found = amounts([0.0, 0.0, 100.0], [1.0, 0.0, 0.0])
    assert found[SOLIDS[:2]].tolist() == [0.0, 0.0]
    expected = 100 * LB_PER_GAL_MG_L * 10 ** (0.75 - np.log10(2) / 2)
    assert found[SOLIDS[2]] == pytest.approx(expected)
    assert amounts([0.0] * 3, [0.0, 0.0, 1.0])[SOLIDS + OIL].tolist() == [0.0] * 6


def test_a_sock_holds_its_share_of_both():
    found = amounts([100.0, 300.0, 500.0], [0.3, 0.4, 0.3])
    for name in (*SOLIDS, *OIL):
        held = name.replace("_lb", "_held_lb").replace("_gal", "_held_gal")
        assert found[held] == pytest.approx(0.9 * found[name])


def test_dirtier_water_must_hold_more_by_the_settings_too():
    with pytest.raises(ValidationError, match="greater than the one before"):
        ForecastSettings(solids_mg_l=(5.0, 50.0, 50.0, 500.0))


def test_blank_forecasts_stay_blank_and_rows_keep_their_index():
    rows = pd.DataFrame(
        {
            "volume_gal_p10": [np.nan, 10.0],
            "volume_gal_p50": [20.0, 20.0],
            "volume_gal_p90": [30.0, 30.0],
            "prob_clear": [0.2, 0.2],
            "prob_light": [0.3, 0.3],
            "prob_heavy": [0.5, 0.5],
        },
        index=[7, 3],
    )
    found = soiling(rows, settings=Settings())
    assert found.index.tolist() == [7, 3]
    assert found.loc[7].isna().all()
    assert found.loc[3].notna().all()
    assert soiling(rows.iloc[:0], settings=Settings()).shape == (0, 12)


GALLONS = st.floats(0.0, 20_000.0)
SHARE = st.floats(0.0, 1.0)


@settings(max_examples=150, deadline=None)
@given(st.tuples(GALLONS, GALLONS, GALLONS), SHARE, SHARE, st.floats(0.0, 500.0), SHARE)
def test_more_water_and_dirtier_water_hold_no_less(volumes, first, second, more, worse):
    volumes = np.sort(volumes)
    low, high = min(first, second), max(first, second)
    chance = np.array([low, high - low, 1.0 - high])
    moved = chance[0] * worse
    dirtier = np.array([chance[0] - moved, chance[1] + moved * 0.5, chance[2] + moved * 0.5])
    names = SOLIDS + OIL
    found = amounts(volumes, chance, Settings())[names].to_numpy()
    assert (found >= 0).all()
    assert (np.diff(found[:3]) >= 0).all()
    assert (np.diff(found[3:]) >= 0).all()
    slack = 1e-9 * (1.0 + found)
    assert (amounts(volumes + more, chance, Settings())[names] >= found - slack).all()
    assert (amounts(volumes, dirtier, Settings())[names] >= found - slack).all()
