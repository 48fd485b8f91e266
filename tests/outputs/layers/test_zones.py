"""A zone's rules, held to an example of the standard and to the zone itself."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest

from vaultplan.outputs.layers.zones import zone_rules


def lines_of(rules):
    return rules.to_ical().decode().split("\r\n")


def test_new_york_is_stated_as_in_the_standard():
    """RFC 5545, section 3.6.5: from 2007 EDT begins 20070311T020000, EST 20071104T020000."""
    lines = lines_of(
        zone_rules(ZoneInfo("America/New_York"), "America/New_York", range(2007, 2008))
    )
    told = [line for line in lines if line.startswith(("DTSTART", "TZOFFSET", "TZNAME"))]
    at = told.index("DTSTART:20070311T020000")
    assert set(told[at : at + 4]) == {
        *("DTSTART:20070311T020000", "TZNAME:EDT", "TZOFFSETFROM:-0500", "TZOFFSETTO:-0400"),
    }
    at = told.index("DTSTART:20071104T020000")
    assert set(told[at : at + 4]) == {
        *("DTSTART:20071104T020000", "TZNAME:EST", "TZOFFSETFROM:-0400", "TZOFFSETTO:-0500"),
    }
    assert sum(line.startswith("DTSTART") for line in lines) == 3


def test_a_zone_that_never_changes_has_one_component():
    lines = lines_of(zone_rules(ZoneInfo("Etc/GMT+10"), "Etc/GMT+10", range(2025, 2028)))
    assert [line for line in lines if line.startswith("BEGIN")] == [
        "BEGIN:VTIMEZONE",
        "BEGIN:STANDARD",
    ]
    assert "TZOFFSETTO:-1000" in lines


@pytest.mark.parametrize(
    "name",
    [
        *("America/Los_Angeles", "Australia/Lord_Howe", "Africa/Casablanca", "Asia/Kolkata"),
        *("Europe/Dublin", "America/Santiago", "Pacific/Apia", "Etc/GMT+10"),
    ],
)
def test_every_half_hour_of_a_year_is_the_same_by_the_rules_as_by_the_zone(name):
    zone = ZoneInfo(name)
    rules = zone_rules(zone, name, range(2025, 2028))
    observances = sorted(
        (each["DTSTART"].dt - each["TZOFFSETFROM"].td, each["TZOFFSETTO"].td)
        for each in rules.subcomponents
    )
    at = datetime(2026, 1, 1, tzinfo=UTC)
    while at.year == 2026:
        mine = [offset for since, offset in observances if since <= at.replace(tzinfo=None)][-1]
        assert mine == at.astimezone(zone).utcoffset(), at
        at += timedelta(minutes=30)
