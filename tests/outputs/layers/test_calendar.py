"""The calendar, parsed by icalendar and by ical.js: times, places, ids that stay."""

from __future__ import annotations

import pandas as pd
import pytest
from icalendar import Calendar

from vaultplan.outputs.cautions import CAUTIONS
from vaultplan.outputs.layers.calendar import write_calendar

from .conftest import spoiled


def events_of(frames, path, zone):
    write_calendar(frames, path, time_zone=zone)
    calendar = Calendar.from_ical(path.read_bytes())
    return calendar, list(calendar.walk("VEVENT"))


@pytest.mark.parametrize("zone", ["Etc/GMT+10", "America/Los_Angeles", "Asia/Kolkata", "UTC"])
def test_events_are_the_stops_at_their_times_in_any_zone(week_frames, tmp_path, zone):
    calendar, events = events_of(week_frames, tmp_path / "week.ics", zone)
    stops = week_frames["plan_stops"].sort_values(["on", "truck_id", "stop_number"])
    assert len(events) == len(stops)
    for event, stop in zip(events, stops.to_dict("records"), strict=True):
        assert pd.Timestamp(event["DTSTART"].dt) == stop["start_at"].floor("s")
        assert pd.Timestamp(event["DTEND"].dt) == stop["leave_at"].floor("s")
        assert str(event["SUMMARY"]).startswith(f"{stop['truck_id']} stop {stop['stop_number']} ")
        assert all(caution in event["DESCRIPTION"] for caution in CAUTIONS)
    zones = [str(each["TZID"]) for each in calendar.walk("VTIMEZONE")]
    assert zones == ([] if zone == "UTC" else [zone])


@pytest.mark.parametrize(
    ("zone", "days"),
    [
        ("Etc/GMT+10", 0),
        ("America/Los_Angeles", 0),
        ("America/Los_Angeles", 4),  # clocks go forward on Sunday, 8 March 2026
        ("America/Los_Angeles", 7),
        ("Australia/Lord_Howe", 31),  # by half an hour, on 5 April 2026
    ],
)
def test_another_reader_finds_the_same_moments(week_frames, tmp_path, node, zone, days):
    stops = week_frames["plan_stops"]
    stops["on"] += pd.Timedelta(days=days)
    for moment in ("arrive_at", "start_at", "leave_at"):
        stops[moment] += pd.Timedelta(days=days)
    write_calendar(week_frames, tmp_path / "week.ics", time_zone=zone)
    events = node("calendar.mjs", tmp_path / "week.ics")
    stops = stops.sort_values(["on", "truck_id", "stop_number"])
    assert [event["start"] for event in events] == [t.timestamp() // 1 for t in stops["start_at"]]
    assert [event["end"] for event in events] == [t.timestamp() // 1 for t in stops["leave_at"]]
    assert {event["zone"] for event in events} == {zone}


def test_an_event_says_what_a_crew_asks_first(week_frames, tmp_path):
    _, events = events_of(week_frames, tmp_path / "week.ics", "Etc/GMT+10")
    first = events[0]
    assert first["SUMMARY"] == "CREW-A stop 1 SM-1010, filter sock"
    assert first["LOCATION"] == "140 Ropewalk"
    told = str(first["DESCRIPTION"])
    assert told.startswith("Pump out, then work, filter sock, 1,210 \u2013 ")
    assert " gal expected, planned to go ahead. Plan " in told
    places = week_frames["plan_stops"].set_crs(week_frames["vaults"].crs, allow_override=True)
    place = places.to_crs("EPSG:4326").geometry.iloc[0]
    assert (first["GEO"].longitude, first["GEO"].latitude) == pytest.approx(
        (place.x, place.y), abs=1e-6
    )


def test_an_order_keeps_its_event_when_it_moves(week_frames, tmp_path):
    _, before = events_of(week_frames, tmp_path / "1.ics", "UTC")
    stops = week_frames["plan_stops"]
    for moment in ("arrive_at", "start_at", "leave_at"):
        stops[moment] += pd.Timedelta(hours=1)
    stops["truck_id"] = stops["truck_id"].replace({"CREW-A": "CREW-Z"})
    week_frames["plans"]["plan_id"] = stops["plan_id"] = "PLAN-LATER"
    week_frames["plan_jobs"]["plan_id"] = "PLAN-LATER"
    _, after = events_of(week_frames, tmp_path / "2.ics", "UTC")
    is_dump = stops["kind"].eq("dump").sum()
    kept = {str(event["UID"]) for event in before} & {str(event["UID"]) for event in after}
    assert len(kept) >= len(before) - is_dump
    assert len({str(event["UID"]) for event in after}) == len(after)


def test_hostile_texts_stay_in_their_event(week_frames, tmp_path, node, hostile):
    frames = spoiled(week_frames, hostile)
    _, events = events_of(frames, tmp_path / "week.ics", "Etc/GMT+10")
    assert len(events) == len(frames["plan_stops"])
    lines = (tmp_path / "week.ics").read_bytes().split(b"\r\n")
    assert max(map(len, lines)) <= 75  # octets: RFC 5545, section 3.1
    read = node("calendar.mjs", tmp_path / "week.ics")
    assert [each["location"] for each in read] == [
        str(e.get("LOCATION", "")) or None for e in events
    ]
    assert [each["description"] for each in read] == [str(e["DESCRIPTION"]) for e in events]
