"""GeoJSON held to RFC 7946 by three outside checkers, and read back by GDAL."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import geojson_validator
import geopandas as gpd
import pyogrio
import pytest
from geojson_pydantic import FeatureCollection
from shapely import LineString, Polygon

from vaultplan.outputs.layers import geojson
from vaultplan.outputs.layers.geojson import write_geojson
from vaultplan.outputs.layers.week import week_layers
from vaultplan.schema import table

from .conftest import spoiled

ZONE = "Etc/GMT+10"


def checked(path: Path, *, is_cut: bool = False) -> dict[str, Any]:
    """Return a file's content if both checkers take it.

    RFC 7946: section 3 (structure), 3.1.6 (rings closed, outer ones counter-clockwise), 3.1.9
    (antimeridian), 4 (no crs), 5 (bbox).
    """
    told: dict[str, Any] = json.loads(path.read_text(encoding="utf-8"))
    FeatureCollection(**told)
    assert geojson_validator.validate_structure(told) == {}
    found = geojson_validator.validate_geometries(told)
    assert found["invalid"] == {}
    forbidden = {"excessive_coordinate_precision", "outside_lat_lon_boundaries", "3d_coordinates"}
    if not is_cut:  # the checker takes a part that ends at 180 degrees for one that crosses
        forbidden.add("crosses_antimeridian")
    assert not forbidden & set(found["problematic"])
    assert "crs" not in told
    return told


def test_every_layer_but_the_streets_stands_the_checks(week_frames, tmp_path):
    written = write_geojson(week_frames, tmp_path, time_zone=ZONE)
    layers = week_layers(week_frames, ZONE)
    assert [path.stem for path in written] == [name for name in layers if name != "streets"]
    for path in written:
        told = checked(path)
        frame = layers[path.stem]
        assert len(told["features"]) == len(frame) > 0
        assert set(told["features"][0]["properties"]) == set(frame.columns) - {"geometry"}
        west, south, east, north = told["bbox"]
        read = pyogrio.read_dataframe(path)
        assert read.crs.to_epsg() == 4326
        assert read.total_bounds == pytest.approx([west, south, east, north], abs=1e-6)


def test_geojsonhint_finds_nothing(week_frames, tmp_path, node, hostile):
    """Also the right-hand rule of section 3.1.6, and members that are there twice."""
    written = write_geojson(spoiled(week_frames, hostile), tmp_path, time_zone=ZONE)
    found = node("geojsonhint.mjs", *written)
    assert found == {path.name: [] for path in written}


def test_geojsonhint_does_find_a_ring_that_runs_clockwise(tmp_path, node):
    ring = [[0, 0], [0, 1], [1, 1], [0, 0]]
    path = tmp_path / "wrong.geojson"
    path.write_text(json.dumps({"type": "Polygon", "coordinates": [ring]}), encoding="utf-8")
    assert "right-hand rule" in str(node("geojsonhint.mjs", path))


def test_places_come_back_within_a_foot_and_blanks_stay_blank(week_frames, tmp_path):
    write_geojson(week_frames, tmp_path, time_zone=ZONE)
    read = pyogrio.read_dataframe(tmp_path / "vaults.geojson").set_index("vault_id")
    vaults = gpd.GeoDataFrame(week_frames["vaults"]).set_index("vault_id")
    apart_m = read.to_crs(vaults.crs).geometry.distance(vaults.geometry)
    assert apart_m.max() < 0.3
    told = json.loads((tmp_path / "planned_stops.geojson").read_text(encoding="utf-8"))
    dump = next(f for f in told["features"] if f["properties"]["kind"] == "dump")
    assert dump["properties"]["vault_id"] is None
    stop = next(f for f in told["features"] if f["properties"]["vault_id"] == "SM-1010")
    assert stop["properties"]["start_local"] == "2026-03-02T08:10-10:00"
    assert stop["properties"]["on"] == "2026-03-02"


def test_features_are_named_by_what_stays_from_plan_to_plan(week_frames, tmp_path):
    def names(layer):
        told = json.loads((tmp_path / f"{layer}.geojson").read_text(encoding="utf-8"))
        named = [f["id"] for f in told["features"]]
        assert len(set(named)) == len(named)
        return named, [f["properties"] for f in told["features"]]

    for path in write_geojson(week_frames, tmp_path, time_zone=ZONE):
        names(path.stem)
    named, vaults = names("vaults")
    assert named == [vault["vault_id"] for vault in vaults]
    named, stops = names("planned_stops")
    assert named[0] == f"{stops[0]['order_id']} {stops[0]['kind']}"
    week_frames["plan_stops"] = week_frames["plan_stops"].iloc[1:]
    write_geojson(week_frames, tmp_path, time_zone=ZONE)
    assert names("planned_stops")[0] == named[1:]
    assert "CREW-A 2026-03-02" in names("routes")[0]


def test_of_a_large_fleet_only_the_weeks_vaults_are_written(week_frames, tmp_path, monkeypatch):
    monkeypatch.setattr(geojson, "MOST_VAULTS", 3)
    write_geojson(week_frames, tmp_path, time_zone=ZONE)
    told = json.loads((tmp_path / "vaults.geojson").read_text(encoding="utf-8"))
    stops, left = week_frames["plan_stops"], week_frames["plan_unserved"]
    assert {f["id"] for f in told["features"]} == {
        *stops["vault_id"].dropna(),
        *left["vault_id"],
    }


def test_rings_drawn_clockwise_and_lines_over_the_antimeridian_are_set_right(week_frames, tmp_path):
    """UTM zone 1 begins at 180 degrees: 60 km west of its middle meridian's 177 W lies beyond."""
    held = {
        name: frame.set_crs("EPSG:32601", allow_override=True)
        if isinstance(frame, gpd.GeoDataFrame)
        else frame
        for name, frame in week_frames.items()
    }
    areas = held["sensitive_areas"].iloc[:1].copy()
    ring = [(500_000, 4_200_000), (500_000, 4_201_000), (501_000, 4_201_000), (501_000, 4_200_000)]
    areas["geometry"] = gpd.GeoSeries([Polygon(ring)], crs=areas.crs, index=areas.index)
    routes = held["routes"].iloc[:1].copy()
    line = LineString([(200_000, 4_200_000), (260_000, 4_200_000)])
    routes["geometry"] = gpd.GeoSeries([line], crs=routes.crs, index=routes.index)
    held["sensitive_areas"] = table("sensitive_areas").conform(areas)
    held["routes"] = table("routes").conform(routes)
    write_geojson(held, tmp_path, time_zone=ZONE)
    checked(tmp_path / "sensitive_areas.geojson")
    # RFC 7946, section 5.2: such a box runs from a higher west to a lower east.
    with pytest.warns(UserWarning, match="crossing the Antimeridian"):
        told = checked(tmp_path / "routes.geojson", is_cut=True)
    (feature,) = told["features"]
    assert feature["geometry"]["type"] == "MultiLineString"
    ends = [x for part in feature["geometry"]["coordinates"] for x, _ in part]
    assert sorted(abs(x) for x in ends)[-2:] == [180, 180]
    assert min(ends) < 0 < max(ends)


def test_hostile_texts_come_back_as_they_are(week_frames, tmp_path, hostile):
    write_geojson(spoiled(week_frames, hostile), tmp_path, time_zone=ZONE)
    for path in tmp_path.glob("*.geojson"):
        checked(path)
    told = json.loads((tmp_path / "vaults.geojson").read_text(encoding="utf-8"))
    address = told["features"][0]["properties"]["address"]
    assert address == hostile.replace("\x00", "")


def test_layers_without_rows_are_there_and_sound(week_frames, tmp_path, node):
    few = {name: week_frames[name] for name in ("plans", "vaults")}
    written = write_geojson(few, tmp_path, time_zone=ZONE)
    assert len(written) == 8
    for path in written[1:]:
        assert json.loads(path.read_text(encoding="utf-8"))["features"] == []
    assert node("geojsonhint.mjs", *written) == {path.name: [] for path in written}
