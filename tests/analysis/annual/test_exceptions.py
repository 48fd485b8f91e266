"""Every question of the report: a visit that raises it, and one just outside."""

from __future__ import annotations

import geopandas as gpd
import pandas as pd
import pytest
from shapely.geometry import Point

from tests.analysis.annual.conftest import ZONE, town
from vaultplan.analysis.annual.book import year_book
from vaultplan.analysis.annual.exceptions import (
    EXCEPTIONS,
    exception_counts,
    incidents_of_year,
    overrides_of_year,
    samples_of_year,
)
from vaultplan.geometry import feet_per_unit
from vaultplan.schema import table
from vaultplan.settings import SampleSettings

DRAIN = {"disposal": "storm_drain", "grade": "clear", "volume_gal": 10.0, "inlet_id": "I1"}
SOCK = {**DRAIN, "disposal": "filter_sock", "socks_used": 1}


@pytest.mark.parametrize(
    ("name", "raises", "outside"),
    [
        ("heavy_discharged", {**SOCK, "grade": "heavy"}, {**SOCK, "grade": "light"}),
        ("light_unfiltered", {**DRAIN, "grade": "light"}, {**SOCK, "grade": "light"}),
        ("sheen_discharged", {**SOCK, "has_sheen": True}, {**SOCK, "has_sheen": None}),
        ("foam_discharged", {**DRAIN, "has_foam": True}, {**DRAIN, "has_foam": False}),
        ("over_cap", {**DRAIN, "volume_gal": 100.1}, {**DRAIN, "volume_gal": 100.0}),
        ("in_rain", {**DRAIN, "was_raining": True}, {**DRAIN, "was_raining": False}),
        ("not_graded", {**DRAIN, "grade": None}, DRAIN),
        ("unknown_water", {**DRAIN, "inlet_id": "I9"}, DRAIN),
        ("no_water", {**DRAIN, "inlet_id": "I2"}, DRAIN),
        ("inlet_not_listed", {**DRAIN, "inlet_id": "I9"}, {**DRAIN, "inlet_id": None}),
        ("no_method", {"volume_gal": 5.0}, DRAIN),
        ("no_gallons", {**DRAIN, "volume_gal": None}, DRAIN),
        ("no_socks", {**SOCK, "socks_used": None}, SOCK),
        ("contradictory", {"disposal": "none", "volume_gal": 5.0}, {"disposal": "none"}),
        ("not_said", {}, {"finding": "dry"}),
    ],
)
def test_a_question_is_raised_and_not_by_what_lies_just_outside(booked, name, raises, outside):
    book = booked(raises)
    assert name in book["exceptions"].iloc[0].split(";")
    assert name not in booked(outside)["exceptions"].iloc[0].split(";")
    counts = exception_counts(book).set_index("exception")
    assert counts.loc[name, "visits"] == 1
    assert counts.loc[name, "words"] == EXCEPTIONS[name]


def test_hauled_water_raises_no_question_of_discharges(booked):
    worst = {"disposal": "vacuum_truck", "grade": "heavy", "has_sheen": True, "volume_gal": 9e3}
    assert booked(worst)["exceptions"].tolist() == [""]


def test_a_cap_is_for_all_discharges_of_a_day(booked):
    half = {**DRAIN, "volume_gal": 60.0}
    next_day = {**half, "visited_at": "2025-05-02T22:00Z"}
    assert booked(half, half)["exceptions"].tolist() == ["over_cap", "over_cap"]
    assert booked(half, next_day)["exceptions"].tolist() == ["", ""]


def incident(**more):
    row = {
        "incident_id": "E1",
        "kind": "spill",
        "happened_on": "2025-04-01",
        "cleared_on": "2025-04-10",
        "radius_ft": 300.0,
        **more,
    }
    frame = gpd.GeoDataFrame([row], geometry=[Point(0, 0)], crs="EPSG:32606")
    for name in ("happened_on", "cleared_on"):
        frame[name] = pd.to_datetime(frame[name])
    return table("incidents").conform(frame)


def test_an_incident_counts_near_it_and_in_its_time():
    # Cleared on 10 April, counting 30 days more: until 10 May. Vault B lies 900 units away.
    rows = [
        {**DRAIN, "visited_at": "2025-05-10T22:00Z"},
        {**DRAIN, "visited_at": "2025-05-11T22:00Z"},
        {**DRAIN, "visited_at": "2025-03-31T22:00Z"},
        {**DRAIN, "vault_id": "B"},
        {**DRAIN, "disposal": "vacuum_truck"},
    ]
    frames = town(*rows, incidents=incident())
    book = year_book(frames, year=2025, time_zone=ZONE)
    found, near = incidents_of_year(book, frames, year=2025, incident_days=30)
    row = found.iloc[0]
    assert (row["vaults"], row["pump_outs"], row["discharges"]) == (1, 2, 1)
    assert near == {"v0"}
    reach = 900 * feet_per_unit(gpd.GeoDataFrame(frames["vaults"]))
    wide = {**frames, "incidents": incident(radius_ft=reach)}
    assert "v3" in incidents_of_year(book, wide, year=2025, incident_days=30)[1]


@pytest.mark.parametrize(("cleared", "counts"), [("2024-12-02", 1), ("2024-12-01", 0), (None, 1)])
def test_an_incident_of_the_year_before_counts_while_it_lasts(cleared, counts):
    frames = town(DRAIN, incidents=incident(happened_on="2024-11-01", cleared_on=cleared))
    book = year_book(frames, year=2025, time_zone=ZONE)
    assert len(incidents_of_year(book, frames, year=2025, incident_days=30)[0]) == counts


def test_overrides_name_what_was_pumped_under_them(booked):
    overrides = table("overrides").conform(
        pd.DataFrame(
            {
                "override_id": ["o1", "o2", "o3"],
                "vault_id": ["A", "A", "B"],
                "ladder": "method",
                "step": "storm_drain",
                "who": "R. Ito",
                "why": "tested",
                "made_on": pd.to_datetime(["2025-05-01", "2025-05-02", "2023-01-01"]),
                "expires_on": pd.to_datetime(["2025-05-01", "2025-06-01", "2024-12-31"]),
            }
        )
    )
    book = booked(DRAIN, {**DRAIN, "volume_gal": None}, overrides=overrides)
    assert book["override_ids"].tolist() == ["o1", "o1"]
    found = overrides_of_year(book, overrides, year=2025).set_index("override_id")
    assert found.index.tolist() == ["o1", "o2"]
    assert found.loc["o1", ["pump_outs", "tenths", "unknown_events"]].tolist() == [2, 100, 1]
    assert found.loc["o2", "pump_outs"] == 0


def test_samples_count_non_detects_and_keep_the_highest_detected():
    samples = pd.DataFrame(
        {
            "sample_id": ["s0", "s1", "s2", "s3"],
            "visit_id": ["v0", "v0", "v0", "elsewhere"],
            "stage": ["raw", "raw", None, "raw"],
            "characteristic": "Zinc",
            "result_value": [5.0, None, 9.0, 99.0],
            "result_unit": "ug/L",
            "detection_condition": [None, "Not Detected", None, None],
            "reporting_limit": [None, 50.0, None, None],
        }
    )
    frames = town(DRAIN, samples=table("samples").conform(samples))
    book = year_book(frames, year=2025, time_zone=ZONE)
    found = samples_of_year(frames, book, SampleSettings(), ZONE).set_index("stage")
    raw = found.loc["raw"]
    assert (raw["results"], raw["visits"], raw["below"], raw["highest"]) == (2, 1, 1, 5.0)
    assert found.loc["not said", "results"] == 1
