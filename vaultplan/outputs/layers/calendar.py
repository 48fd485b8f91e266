"""The week's stops as a calendar."""

from __future__ import annotations

from pathlib import Path
from uuid import UUID, uuid5

import geopandas as gpd
from icalendar import Calendar, Event

from vaultplan import schema
from vaultplan.geometry import LONLAT
from vaultplan.outputs.cautions import CAUTIONS
from vaultplan.outputs.files import whole_file
from vaultplan.outputs.labels import printable
from vaultplan.outputs.layers.telling import method_words, stop_key, stop_name, stop_words
from vaultplan.outputs.layers.zones import zone_rules
from vaultplan.outputs.plan_view import crs_of, plan_of, stops_in_full, time_zone_of

_OURS = UUID("6f0c0c4e-6a51-5b0e-9f43-6d1f1f9f4b11")


def write_calendar(frames: schema.Frames, path: Path, *, time_zone: str | None = None) -> None:
    """Write the week's stops as an iCalendar file, an event each, from start to end of service.

    An order keeps its event's id from plan to plan, so that a calendar that takes in a newer plan
    moves the event instead of adding another.

    Parameters
    ----------
    frames
        Tables of the plan, of ``schema.TABLES``.
    path
        File to write; one that is there is replaced, whole or not at all.
    time_zone
        Zone of the local times; the database's when not given.

    Raises
    ------
    OutputError
        If the folder does not exist or there is not exactly one plan.

    Notes
    -----
    RFC 5545; the zone's rules stand in the file.
    """
    zone, plan = time_zone_of(frames, time_zone), plan_of(frames)
    calendar = Calendar()
    calendar.add("prodid", "-//vaultplan//week//EN")
    calendar.add("version", "2.0")
    calendar.add("name", f"Vaults, week of {plan['week_of']:%Y-%m-%d}")
    stops = gpd.GeoDataFrame(stops_in_full(frames, zone), geometry="geometry")
    if stops.crs is None and crs_of(frames) is not None:
        stops = stops.set_crs(crs_of(frames))
    placed = stops.to_crs(LONLAT) if stops.crs is not None else stops
    events = []
    for stop in placed.to_dict("records"):
        event = Event()
        event.add("uid", f"{uuid5(_OURS, stop_key(stop))}@vaultplan")
        event.add("dtstamp", plan["made_at"].to_pydatetime())
        event.add("dtstart", stop["start_at"].tz_convert(zone).to_pydatetime())
        event.add("dtend", stop["leave_at"].tz_convert(zone).to_pydatetime())
        truck = printable(stop["truck_id"], 40, may_break=False)
        done = "dump" if stop["kind"] == "dump" else method_words(stop)
        event.add("summary", f"{truck} stop {stop_name(stop)}, {done}")
        address = printable(stop["address"], 240, may_break=False)
        if address:
            event.add("location", address)
        if stop["geometry"] is not None and not stop["geometry"].is_empty:
            event.add("geo", (round(stop["geometry"].y, 6), round(stop["geometry"].x, 6)))
        plan_id = printable(plan["plan_id"], 60, may_break=False)
        told = [stop_words(stop).capitalize(), f"Plan {plan_id}", " ".join(CAUTIONS)]
        event.add("description", ". ".join(told))
        events.append(event)
    named = next((each["dtstart"].params.get("tzid") for each in events), None)
    if named:
        year = plan["week_of"].year
        calendar.add_component(zone_rules(zone, named, range(year - 1, year + 2)))
    for event in events:
        calendar.add_component(event)
    with whole_file(path) as unfinished:
        unfinished.write_bytes(calendar.to_ical())
