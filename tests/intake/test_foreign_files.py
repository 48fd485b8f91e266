"""A file that no one here wrote, from the wheel of pyogrio: 177 countries of Natural Earth."""

from __future__ import annotations

from pathlib import Path

import geopandas as gpd
import pyogrio
import pyproj
import pytest

from vaultplan.intake import ColumnMap

SHAPEFILE = Path(pyogrio.__file__).parent / (
    "tests/fixtures/naturalearth_lowres/naturalearth_lowres.shp"
)
pytestmark = pytest.mark.skipif(not SHAPEFILE.exists(), reason="pyogrio came without fixtures")


def test_countries_stand_in_for_waters(load):
    given = ColumnMap(columns={"water_id": "name", "name": "name"})
    frame = load("receiving_waters", SHAPEFILE, crs="EPSG:8857", column_map=given)
    assert len(frame) == 177
    assert frame.crs == "EPSG:8857"
    # The target keeps areas, so they must be those on the ellipsoid; coarse outlines allow 1 %.
    outlines = gpd.read_file(SHAPEFILE, engine="pyogrio").geometry
    geod = pyproj.Geod(ellps="WGS84")
    on_earth = sum(abs(geod.geometry_area_perimeter(outline)[0]) for outline in outlines)
    assert frame.geometry.area.sum() == pytest.approx(on_earth, rel=0.01)


def test_its_double_country_codes_are_found(faults_of):
    given = ColumnMap(columns={"water_id": "iso_a3"})
    faults = faults_of("receiving_waters", SHAPEFILE, crs="EPSG:8857", column_map=given)
    assert {fault.value for fault in faults} == {"-99"}
    assert all(fault.fault == "the key stands in row 22 too" for fault in faults)
    assert len(faults) == 4
