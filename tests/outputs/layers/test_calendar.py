"""The calendar, parsed by icalendar: times, places, ids that stay."""

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


def test_hostile_texts_stay_in_their_event(week_frames, tmp_path, hostile):
    frames = spoiled(week_frames, hostile)
    _, events = events_of(frames, tmp_path / "week.ics", "Etc/GMT+10")
    assert len(events) == len(frames["plan_stops"])
    lines = (tmp_path / "week.ics").read_bytes().split(b"\r\n")
    assert max(map(len, lines)) <= 75  # octets: RFC 5545, section 3.1
