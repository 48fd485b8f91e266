"""Which vaults of a small town are neighbours, straight, along streets and along drains."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
from shapely.geometry import LineString, Point

from vaultplan.errors import SchemaError
from vaultplan.neighbours import neighbours_of, overview
from vaultplan.schema import table
from vaultplan.settings import Settings

CRS = "EPSG:32606"
FT = 0.3048


def settings(reach_ft: float) -> Settings:
    return Settings.model_validate({"hotspots": {"reach_ft": reach_ft}})


@pytest.fixture
def frames() -> dict[str, pd.DataFrame]:
    """Two streets 100 ft apart that meet 500 ft to the east; a vault at each west end, one 200 ft
    along the first. A and C drain to one pipe of 300 ft, B to nothing."""

    def at(x: float, y: float) -> Point:
        return Point(500_000 + x * FT, 4_200_000 + y * FT)

    places = gpd.GeoDataFrame(
        {"vault_id": ["A", "B", "C"]}, geometry=[at(0, 0), at(0, 100), at(200, 0)], crs=CRS
    )
    corner = at(500, 0), at(500, 100)
    lines = [
        LineString([at(0, 0), corner[0]]),
        LineString([at(0, 100), corner[1]]),
        LineString(corner),
    ]
    roads = gpd.GeoDataFrame({"road_id": ["r1", "r2", "r3"]}, geometry=lines, crs=CRS)
    inlets = gpd.GeoDataFrame(
        {"inlet_id": ["I1", "I2"], "node_id": ["n1", "n2"]},
        geometry=[at(0, 0), at(300, 0)],
        crs=CRS,
    )
    pipes = gpd.GeoDataFrame(
        {"pipe_id": ["p1"], "from_node": ["n2"], "to_node": ["n1"], "length_ft": [300.0]},
        geometry=[LineString([at(300, 0), at(0, 0)])],
        crs=CRS,
    )
    return {
        "places": places,
        "roads": table("roads").conform(roads),
        "inlets": table("inlets").conform(inlets),
        "drain_pipes": table("drain_pipes").conform(pipes),
        "outfalls": table("outfalls").empty(CRS),
        "traces": pd.DataFrame({"vault_id": ["A", "B", "C"], "inlet_id": ["I1", None, "I2"]}),
    }


def pairs(frames, along: str, reach_ft: float) -> set[str]:
    places = gpd.GeoDataFrame(frames["places"])
    near = neighbours_of(places, "vault", along, frames, settings(reach_ft)).tocoo()
    ids = places["vault_id"].to_numpy()
    return {"".join(sorted((ids[a], ids[b]))) for a, b in zip(near.row, near.col, strict=True)}


def test_straight_goes_across_and_streets_go_around(frames):
    assert pairs(frames, "straight", 210.0) == {"AB", "AC"}
    assert pairs(frames, "streets", 210.0) == {"AC"}
    # Around the corner: 500 + 100 + 500 from A to B, 300 + 100 + 500 from C to B.
    assert pairs(frames, "streets", 899.0) == {"AC"}
    assert pairs(frames, "streets", 901.0) == {"AC", "BC"}
    assert pairs(frames, "streets", 1101.0) == {"AC", "AB", "BC"}


def test_streets_are_gone_both_ways_however_fast_they_are_driven(frames):
    roads = frames["roads"].assign(one_way=True, minutes=99.0)
    assert pairs({**frames, "roads": roads}, "streets", 210.0) == {"AC"}


def test_drains_join_vaults_of_one_pipe(frames):
    # C is 100 ft from its inlet: 300 ft of pipe and 100 ft.
    assert pairs(frames, "drains", 399.0) == set()
    assert pairs(frames, "drains", 401.0) == {"AC"}
    # A pipe is not shorter than the straight way, whatever the table says.
    short = frames["drain_pipes"].assign(length_ft=5.0)
    assert pairs({**frames, "drain_pipes": short}, "drains", 399.0) == set()


def test_nothing_to_measure_along_is_told(frames):
    for along, name in (("streets", "roads"), ("drains", "drain_pipes")):
        without = {**frames, name: frames[name].iloc[:0]}
        with pytest.raises(SchemaError, match="to measure along"):
            pairs(without, along, 500.0)


def test_the_fleet_in_hexagons_tells_hot_from_not_known():
    rng = np.random.default_rng(1)
    xy = rng.random((3000, 2)) * 2000
    state = np.where(xy[:, 0] < 500, "hot", np.where(xy[:, 1] < 500, "not_known", "not_hot"))
    places = gpd.GeoDataFrame(
        {"state": state}, geometry=gpd.points_from_xy(*(xy.T + 500_000)), crs=CRS
    )
    cells = overview(places)
    assert cells["places"].sum() == 3000
    assert cells["hot"].sum() == (state == "hot").sum()
    assert set(cells["state"]) >= {"many_hot", "none_hot", "not_known"}
    assert len(cells) <= 2500
    joined = gpd.sjoin(places, cells[["geometry"]], predicate="within")
    assert len(joined) == 3000
