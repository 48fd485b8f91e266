import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from vaultplan.forecast.peeks import worth_of_a_look
from vaultplan.settings import ForecastSettings

PRICES = ForecastSettings(
    second_trip_usd=400.0, wasted_vacuum_usd=600.0, wasted_crew_usd=100.0, look_usd=90.0
)


def looked(dry, clear, light, heavy, settings=PRICES):
    frame = pd.DataFrame(
        {
            "vault_id": ["V0"],
            "on": pd.to_datetime(["2026-07-01"]),
            "prob_dry": dry,
            "prob_clear": clear,
            "prob_light": light,
            "prob_heavy": heavy,
        }
    )
    return worth_of_a_look(frame, settings).iloc[0]


def test_a_sure_thing_is_not_worth_a_look():
    found = looked(0.0, 0.0, 0.0, 1.0)
    assert (found["send"], found["expected_loss_usd"]) == ("vacuum_truck", 0.0)
    assert found["look_worth_usd"] == -90.0


@pytest.mark.parametrize(("heavy", "send"), [(0.61, "vacuum_truck"), (0.59, "filter_sock")])
def test_a_vacuum_truck_is_booked_from_the_break_even_on(heavy, send):
    # waste / (waste + second trip) = 600 / 1000.
    found = looked(0.0, 0.0, 1 - heavy, heavy)
    assert found["send"] == send
    expected = 600 * (1 - heavy) if send == "vacuum_truck" else 400 * heavy
    assert found["expected_loss_usd"] == pytest.approx(expected)
    assert found["look_worth_usd"] == pytest.approx(expected - 90)


def test_a_vault_that_is_surely_dry_gets_nothing():
    assert looked(0.95, 1.0, 0.0, 0.0)["send"] == "nothing"


def test_the_most_worth_comes_first():
    frame = pd.DataFrame(
        {
            "vault_id": ["A", "B"],
            "on": pd.Timestamp("2026-07-01"),
            "prob_dry": 0.0,
            "prob_clear": [1.0, 0.0],
            "prob_light": [0.0, 0.4],
            "prob_heavy": [0.0, 0.6],
        }
    )
    assert worth_of_a_look(frame, PRICES)["vault_id"].tolist() == ["B", "A"]


@given(st.floats(0, 1), st.floats(0, 1), st.floats(0, 1))
def test_a_look_never_saves_more_than_the_dearest_mistake(dry, clear, split):
    light = (1 - clear) * split
    found = looked(dry, clear, light, 1 - clear - light)
    assert -1e-9 <= found["expected_loss_usd"] <= 400
    needed = [f"prob_{name}" for name in ("nothing", "storm_drain", "filter_sock", "vacuum_truck")]
    assert found[needed].sum() == pytest.approx(1.0)
