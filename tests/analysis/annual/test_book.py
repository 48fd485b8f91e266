"""What a visit counts as and where its water went, case by case."""

from __future__ import annotations

from decimal import ROUND_HALF_UP, Decimal

import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.analysis.annual.conftest import ZONE, town
from vaultplan.analysis.annual.book import tenths_of, year_book


@given(st.lists(st.one_of(st.none(), st.floats(0, 2e6).map(lambda x: round(x, 3))), max_size=30))
def test_tenths_are_rounded_as_the_number_is_written(values):
    told = tenths_of(pd.Series(values, dtype="Float64"))
    for value, tenth in zip(values, told, strict=True):
        if value is None:
            assert pd.isna(tenth)
        else:
            exact = Decimal(repr(value)) * 10
            assert tenth == int(exact.to_integral_value(ROUND_HALF_UP))


@pytest.mark.parametrize(
    ("visit", "counted", "method"),
    [
        ({"disposal": "storm_drain", "volume_gal": 10.0}, "pump-out", "storm_drain"),
        ({"disposal": "vacuum_truck"}, "pump-out", "vacuum_truck"),
        ({"volume_gal": 10.0}, "pump-out", "unknown"),
        ({"socks_used": 1}, "pump-out", "unknown"),
        ({"pump_minutes": 5.0}, "pump-out", "unknown"),
        ({"disposal": "none", "volume_gal": 10.0}, "pump-out", "unknown"),
        ({"disposal": "none"}, "no water removed", None),
        ({"finding": "dry"}, "no water removed", None),
        ({"volume_gal": 0.0}, "not said whether water was removed", None),
        ({}, "not said whether water was removed", None),
        ({"finding": "not_seen"}, "nobody looked inside", None),
    ],
)
def test_a_visit_counts_as_what_it_says(booked, visit, counted, method):
    book = booked(visit)
    assert book["counted"].tolist() == [counted]
    told = book["method"].iloc[0]
    assert pd.isna(told) if method is None else told == method
    if method is None:
        assert book[["tenths", "basis", "water", "outfall_id"]].isna().all(axis=None)


def test_a_year_is_the_year_of_the_clocks_there():
    # Midnight ten hours behind UTC.
    before = {"visited_at": "2025-01-01T09:59:59Z"}
    first = {"visited_at": "2025-01-01T10:00Z"}
    last = {"visited_at": "2026-01-01T09:59:59Z"}
    after = {"visited_at": "2026-01-01T10:00Z"}
    book = year_book(town(before, first, last, after), year=2025, time_zone=ZONE)
    assert book["visit_id"].tolist() == ["v1", "v2"]
    assert book["month"].tolist() == [1, 12]
    assert book["at"].tolist() == ["00:00", "23:59"]


@pytest.mark.parametrize(
    ("visit", "water", "outfall", "way", "split"),
    [
        ({"disposal": "storm_drain", "inlet_id": "I1"}, "Minnow Cut", "O1", "inlet noted", True),
        ({"disposal": "storm_drain", "inlet_id": "I2"}, "sewer", None, "inlet noted", False),
        (
            {"disposal": "storm_drain", "inlet_id": "I9"},
            "unknown water",
            None,
            "inlet noted",
            False,
        ),
        ({"disposal": "filter_sock"}, "Minnow Cut", "O1", "vault's path", False),
        (
            {"disposal": "filter_sock", "vault_id": "B"},
            "unknown water",
            None,
            "vault's path",
            False,
        ),
        (
            {"disposal": "vacuum_truck", "inlet_id": "I1"},
            "hauled away",
            None,
            "no discharge",
            False,
        ),
        ({"volume_gal": 5.0, "inlet_id": "I1"}, "unknown water", None, "no discharge", False),
    ],
)
def test_water_went_where_the_inlet_or_the_path_leads(booked, visit, water, outfall, way, split):
    row = booked(visit).iloc[0]
    assert (row["water"], row["way"]) == (water, way)
    assert (None if pd.isna(row["outfall_id"]) else row["outfall_id"]) == outfall
    assert bool(row["is_split"]) is split


def test_a_path_by_drainage_area_is_said_to_be_one(booked):
    frames = town({})
    traces = frames["traces"].assign(trace_status="by_area")
    assert booked({"disposal": "storm_drain"}, traces=traces)["way"].tolist() == ["drainage area"]


def test_gallons_without_a_word_how_known_are_not_called_measured(booked):
    book = booked(
        {"disposal": "storm_drain", "volume_gal": 1.0, "volume_basis": "measured"},
        {"disposal": "storm_drain", "volume_gal": 1.0},
        {"disposal": "storm_drain", "volume_basis": "measured"},
    )
    assert book["basis"].tolist() == ["measured", "not stated", "unknown"]


def test_namesakes_are_two_waters(booked):
    ends = town({})["inlet_ends"].assign(
        water_id=["W1", "W2"], outfall_id=["O1", "O1"], status="complete"
    )
    waters = pd.DataFrame({"water_id": ["W1", "W2"], "name": ["Wick Brook", "Wick Brook"]})
    rows = [{"disposal": "storm_drain", "inlet_id": inlet} for inlet in ("I1", "I2")]
    book = booked(*rows, inlet_ends=ends, receiving_waters=waters)
    assert book["water"].tolist() == ["Wick Brook (W1)", "Wick Brook (W2)"]
