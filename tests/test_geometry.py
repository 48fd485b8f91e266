"""CRS: projected only, its foot named, and one for all tables."""

from __future__ import annotations

import geopandas as gpd
import pytest
from shapely import Point

from vaultplan.errors import CRSError
from vaultplan.geometry import (
    feet_per_unit,
    foot_of,
    projected_crs,
    require_same_crs,
    srid_of,
)


def points(crs: str | None) -> gpd.GeoDataFrame:
    return gpd.GeoDataFrame(geometry=[Point(0, 0)], crs=crs)


@pytest.mark.parametrize(
    ("code", "foot", "per_unit"),
    [
        ("EPSG:2227", "US survey foot", 1.0),  # California zone 3, US survey feet
        ("EPSG:2222", "international foot", 1.0),  # Arizona East, international feet
        ("EPSG:32606", "international foot", 1 / 0.3048),  # UTM, metres
    ],
)
def test_the_foot_of_a_crs(code, foot, per_unit):
    found = foot_of(projected_crs(code))
    assert found.name == foot
    assert found.per_unit == pytest.approx(per_unit, rel=1e-15)
    assert feet_per_unit(points(code)) == found.per_unit


def test_srid():
    assert srid_of(projected_crs("EPSG:32606")) == 32606


@pytest.mark.parametrize(
    ("code", "why"),
    [
        ("EPSG:4326", "not projected"),
        ("EPSG:999999", "not a known CRS"),
        ("harbour grid", "not a known CRS"),
        ("+proj=tmerc +lon_0=-147 +k=0.99 +ellps=GRS80", "no EPSG number"),
        ("EPSG:3078+EPSG:5703", "EPSG"),  # horizontal and vertical joined: no single number
    ],
)
def test_a_crs_that_will_not_do(code, why):
    with pytest.raises(CRSError, match=why):
        projected_crs(code)


def test_a_crs_in_neither_feet_nor_metres():
    with pytest.raises(CRSError, match="not feet or metres"):
        projected_crs("EPSG:24370")  # India zone 0, Indian yards


def test_lengths_need_a_projected_crs():
    with pytest.raises(CRSError, match="no CRS"):
        feet_per_unit(points(None))
    with pytest.raises(CRSError, match="not projected"):
        feet_per_unit(points("EPSG:4326"))


def test_tables_must_share_one_crs():
    assert require_same_crs(vaults=points("EPSG:2227"), inlets=points("EPSG:2227")) == "EPSG:2227"
    with pytest.raises(CRSError, match="inlets not in the CRS of vaults"):
        require_same_crs(vaults=points("EPSG:2227"), inlets=points("EPSG:32606"))
    with pytest.raises(CRSError, match="no CRS in: inlets"):
        require_same_crs(vaults=points("EPSG:2227"), inlets=points(None))
