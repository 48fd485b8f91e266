"""Booking a vacuum truck beforehand: by hand, by expected costs, and by playing it out."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from vaultplan.errors import ScheduleError
from vaultplan.schedule.vacuum_choice import break_even, vacuum_choice
from vaultplan.settings import ScheduleSettings

PLAIN = ScheduleSettings(
    vacuum_usd_per_hour=240,
    crew_usd_per_hour=180,
    disposal_usd_per_gal=0.2,
    repeat_minutes=80,
)


def jobs(*rows: dict) -> pd.DataFrame:
    usual = {
        "method": "filter_sock",
        "prob_dry": 0.0,
        "prob_heavy": 0.3,
        "volume_gal_p50": 500.0,
        "vacuum_minutes": 40.0,
        "pump_minutes": 5.0,
        "setup_minutes": 10.0,
        "drive_minutes": 15.0,
    }
    return pd.DataFrame([usual | {"order_id": f"o{n}"} | row for n, row in enumerate(rows)])


def test_one_job_by_hand():
    """Waste and repeat of one job.

    Waste: 55 min at 4 USD + 500 gal at 0.20 - 5 min at 3 USD = 220 + 100 - 15 = 305 USD.
    Repeat: (10 + 15 + 80) min at 3 USD = 315 USD. Break-even 305 / 620 = 0.49194.
    At 0.3: 0.3 * 315 - 0.7 * 305 = -119 USD; at 0.6: 189 - 122 = 67 USD.
    """
    told = vacuum_choice(jobs({}, {"prob_heavy": 0.6}), settings=PLAIN)
    assert told["waste_usd"].tolist() == pytest.approx([305.0, 305.0])
    assert told["repeat_usd"].tolist() == pytest.approx([315.0, 315.0])
    assert told["break_even_prob"].tolist() == pytest.approx([305 / 620] * 2)
    assert told["prebook"].tolist() == [False, True]
    assert told["saving_usd"].tolist() == pytest.approx([-119.0, 67.0])
    assert told["reason"].tolist() == [
        "needs a vacuum truck with 30.0%, booking pays above 49.2%: do not book it, that would "
        "cost 119 USD on average",
        "needs a vacuum truck with 60.0%, booking pays above 49.2%: book it, 67 USD saved on "
        "average",
    ]


def test_a_vault_that_may_be_dry_needs_no_truck_then():
    told = vacuum_choice(jobs({"prob_heavy": 0.6, "prob_dry": 0.5}), settings=PLAIN)
    assert told["prob_vacuum"].tolist() == pytest.approx([0.3])
    assert not told["prebook"].any()


def test_a_rule_that_demands_the_truck_is_no_matter_of_money():
    told = vacuum_choice(
        jobs({"method": "vacuum_truck", "prob_heavy": 0.0}, {"method": "storm_drain"}, {}),
        settings=PLAIN,
    )
    assert told["order_id"].tolist() == ["o1", "o2"]
    assert vacuum_choice(jobs({"method": "vacuum_truck"}), settings=PLAIN).empty


def test_own_prices_count_and_blanks_are_the_settings():
    """At 6 USD a minute: 330 + 100 - 15 = 415 USD; at 0.5 USD a gallon: 220 + 250 - 15 = 455."""
    told = vacuum_choice(
        jobs({"vacuum_usd_per_hour": 360.0}, {"disposal_usd_per_gal": 0.5}, {}), settings=PLAIN
    )
    assert told["waste_usd"].tolist() == pytest.approx([415.0, 455.0, 305.0])
    crew = vacuum_choice(jobs({"crew_usd_per_hour": 60.0}), settings=PLAIN)
    assert crew["waste_usd"].tolist() == pytest.approx([315.0])
    assert crew["repeat_usd"].tolist() == pytest.approx([105.0])


def test_pumping_dearer_than_the_truck_is_no_waste():
    told = vacuum_choice(jobs({"pump_minutes": 500.0, "prob_heavy": 0.01}), settings=PLAIN)
    assert told["waste_usd"].tolist() == [0.0]
    assert told["prebook"].tolist() == [True]
    never = vacuum_choice(jobs({"pump_minutes": 500.0, "prob_heavy": 0.0}), settings=PLAIN)
    assert never["prebook"].tolist() == [False]


@pytest.mark.parametrize("column", ["prob_dry", "prob_heavy", "volume_gal_p50", "drive_minutes"])
def test_a_blank_is_refused_with_its_order(column):
    with pytest.raises(ScheduleError, match=f"1 job.* lack {column} .*: o1"):
        vacuum_choice(jobs({}, {column: None}), settings=PLAIN)


def test_impossible_costs_are_refused_and_free_ones_never_booked():
    with pytest.raises(ScheduleError, match="0 or more"):
        break_even(-1.0, 10.0)
    with pytest.raises(ScheduleError, match="0 or more"):
        break_even(1.0, np.nan)
    assert break_even(0.0, 0.0) == 1.0
    assert break_even([0.0, 5.0], [5.0, 0.0]).tolist() == [0.0, 1.0]


usd = st.floats(0.01, 1e5)


@given(usd, usd)
def test_at_the_break_even_both_ways_cost_the_same(waste, repeat):
    at = float(break_even(waste, repeat))
    assert 0.0 <= at <= 1.0
    assert (1 - at) * waste == pytest.approx(at * repeat)


@given(usd, usd, st.floats(1.01, 10.0))
def test_dearer_waste_books_later_and_dearer_repeats_sooner(waste, repeat, factor):
    at = break_even(waste, repeat)
    assert break_even(waste * factor, repeat) >= at >= break_even(waste, repeat * factor)


@given(st.floats(0.0, 1.0), st.floats(0.0, 1.0), st.floats(0.0, 3000.0), st.floats(1.0, 120.0))
def test_what_is_chosen_is_never_dearer(dry, heavy, gallons, drive):
    row = {
        "prob_dry": dry, "prob_heavy": heavy, "volume_gal_p50": gallons, "drive_minutes": drive
    }  # fmt: skip
    told = vacuum_choice(jobs(row), settings=PLAIN).iloc[0]
    booked = (1 - told["prob_vacuum"]) * told["waste_usd"]
    not_booked = told["prob_vacuum"] * told["repeat_usd"]
    chosen, other = (booked, not_booked) if told["prebook"] else (not_booked, booked)
    assert chosen <= other + 1e-6
    assert told["saving_usd"] == pytest.approx(not_booked - booked)


@pytest.mark.parametrize("heavy", [0.1, 0.3, 0.45, 0.65, 0.9])
def test_playing_it_out_comes_to_the_same_choice(heavy):
    """Every event is paid for as it happens: visits, pumping, disposal, lost visits.

    The saving must lie within 4 standard errors of 40,000 played jobs.
    """
    rng = np.random.default_rng(20261102)
    count, dry = 40_000, 0.1
    is_heavy = (rng.random(count) >= dry) & (rng.random(count) < heavy)
    truck = (40 + 15) * 4.0 + 500 * 0.2
    pumping, lost = 5 * 3.0, (10 + 15 + 80) * 3.0
    booked = np.full(count, truck)
    not_booked = np.where(is_heavy, lost + truck, pumping)
    gain = not_booked - booked
    told = vacuum_choice(jobs({"prob_heavy": heavy, "prob_dry": dry}), settings=PLAIN).iloc[0]
    error = gain.std() / np.sqrt(count)
    assert told["saving_usd"] == pytest.approx(gain.mean(), abs=4 * error)
    assert told["prebook"] == (booked.mean() < not_booked.mean())
