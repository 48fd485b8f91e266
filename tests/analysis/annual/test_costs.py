"""Costs against a baseline: by hand, nothing where nothing changed, and an interval that holds."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from vaultplan.analysis.annual.costs import Prices, costs_of_year, prices_of
from vaultplan.settings import ReportSettings, ScheduleSettings

PRICES = Prices(120.0, 180.0, 0.5, "stated here")
#: Every range of one point, so that the middle and all draws have the same prices.
EXACT = ReportSettings(
    crew_minutes=(30.0, 30.0),
    vacuum_minutes=(60.0, 60.0),
    sock_usd=(100.0, 100.0),
    price_spread_frac=0.0,
)
SCHEDULE = ScheduleSettings(pump_gpm=100.0, sock_gpm=100.0, socks_per_job=1)


def pump_outs(*rows):
    """Rows of week, grade, method, gallons, and how many."""
    told = [
        (week, grade, method, tenths)
        for week, grade, method, gal, count in rows
        for tenths in [None if gal is None else gal * 10] * count
    ]
    frame = pd.DataFrame(told, columns=["week", "grade", "method", "tenths"])
    return frame.astype({"tenths": "Int64"})


def test_by_hand():
    # A vacuum job of 1,000 gal: 60 + 10 min at 3 USD, and 500 USD to dispose of: 710 USD.
    # To the drain: 30 + 10 min at 2 USD: 80 USD. Through a sock 100 USD more.
    now = pump_outs((1, "clear", "storm_drain", 1000, 10))
    before = pump_outs((9, "clear", "vacuum_truck", 10, 1), (9, "clear", "storm_drain", 10, 1))
    found = costs_of_year(now, before, PRICES, EXACT, SCHEDULE)
    assert found.spent[1] == pytest.approx(800.0)
    assert found.before[1] == pytest.approx(5 * 710 + 5 * 80)
    assert found.saved[1] == pytest.approx(5 * 710 + 5 * 80 - 800)
    # One week on either side: drawing it anew changes nothing.
    assert found.saved[0] == pytest.approx(found.saved[2]) == pytest.approx(found.saved[1])
    assert found.is_told_apart


def test_socks_where_nobody_sent_a_vacuum_truck_save_nothing():
    """Gallons in socks times the price of a vacuum truck would be a great sum."""
    now = pump_outs((1, "light", "filter_sock", 2000, 400))
    before = pump_outs((9, "light", "filter_sock", 500, 30), (10, "heavy", "vacuum_truck", 500, 9))
    found = costs_of_year(now, before, PRICES, ReportSettings(), SCHEDULE)
    assert found.saved == pytest.approx((0.0, 0.0, 0.0), abs=1e-6)
    assert not found.is_told_apart


def test_what_the_baseline_never_had_is_on_neither_side():
    now = pump_outs(
        (1, "clear", "storm_drain", 100, 4),
        (1, "heavy", "vacuum_truck", 100, 3),
        (1, "clear", "unknown", 100, 2),
    )
    before = pump_outs((9, "clear", "storm_drain", 100, 5))
    found = costs_of_year(now, before, PRICES, EXACT, SCHEDULE)
    assert (found.events, found.left_out) == (4, 5)
    assert costs_of_year(now, before.iloc[:0], PRICES, EXACT, SCHEDULE) is None


def test_unknown_gallons_get_the_usual_of_their_grade():
    now = pump_outs((1, "clear", "storm_drain", 1000, 1), (1, "clear", "storm_drain", None, 1))
    before = pump_outs((9, "clear", "storm_drain", 1, 1))
    found = costs_of_year(now, before, PRICES, EXACT, SCHEDULE)
    assert found.spent[1] == pytest.approx(160.0)
    assert found.without_gallons == 1


def test_the_interval_holds_the_true_difference_about_as_often_as_it_says():
    """Weeks of both spans are drawn from known shares; of 60 fleets, 90 % +- chance are held."""
    rng = np.random.default_rng(4)
    held = 0
    settings = EXACT.model_copy(update={"draws": 400})

    def weeks(share: float) -> pd.DataFrame:
        counts = rng.poisson(20, 52)
        week = np.repeat(np.arange(52), counts)
        vacuum = rng.random(len(week)) < share
        frame = pd.DataFrame({"week": week, "grade": "clear", "tenths": 10_000})
        frame["method"] = np.where(vacuum, "vacuum_truck", "storm_drain")
        return frame.astype({"tenths": "Int64"})

    for _ in range(60):
        found = costs_of_year(weeks(0.05), weeks(0.25), PRICES, settings, SCHEDULE)
        true = 52 * 20 * 0.20 * (710 - 80)
        held += found.saved[0] <= true <= found.saved[2]
    # Binomial(60, 0.9): 46 or fewer has a chance below 0.3 %.
    assert held >= 47


def test_prices_are_the_trucks_own_where_they_state_them():
    trucks = pd.DataFrame(
        {"kind": ["crew", "crew", "vacuum"], "usd_per_hour": [100.0, 140.0, None]}
    )
    sites = pd.DataFrame({"usd_per_gal": [0.4, None]})
    told = prices_of(trucks, sites, ScheduleSettings(vacuum_usd_per_hour=222.0))
    assert (told.crew_usd_per_hour, told.vacuum_usd_per_hour) == (120.0, 222.0)
    assert told.disposal_usd_per_gal == 0.4
    assert "assumed vacuum price" in told.source
