"""Messy files against outside data: the two feet, the world's countries, GDAL's own formats.

Values: NAD83 / California zone 3 at 37.75 N 122.4 W is E 6012378.893, N 2101130.042 US survey feet
in EPSG:2227 and E 1832576.7517, N 640425.7176 m in EPSG:26943; taken for international feet it
lies 12.024 ft west and 4.202 ft south of its place. They were reckoned with PROJ (a reference
library, not a publication); the feet are those of NIST Handbook 44, Appendix C.
"""

from __future__ import annotations

from importlib.util import find_spec
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio
import pyproj
import pytest
from shapely import Point

from vaultplan import loading, mending
from vaultplan.store.database import open_database
from vaultplan.store.read import read_table

NOW = pd.Timestamp("2026-10-31T00:00:00Z")
FTUS = (6012378.893, 2101130.042)
METRES = (1832576.7517, 640425.7176)
SHIFT_FT = (12.024, 4.202)
INTERNATIONAL = (
    "+proj=lcc +lat_0=36.5 +lon_0=-120.5 +lat_1=38.4333333333333 "
    "+lat_2=37.0666666666667 +x_0=2000000 +y_0=500000 +ellps=GRS80 +units=ft +no_defs"
)


def made(folder: Path, crs: str) -> str:
    location = str(folder / "fleet.gpkg")
    loading.new(location, crs, time_zone="America/Los_Angeles")
    return location


def rows_of(location: str, name: str) -> gpd.GeoDataFrame:
    with open_database(location) as database:
        return read_table(database, name)


def grid(count: int, centre: tuple[float, float], step: float) -> gpd.GeoDataFrame:
    """Return vaults in rows and columns around a place."""
    side = int(np.sqrt(count))
    x, y = np.meshgrid(np.arange(side) - side // 2, np.arange(side) - side // 2)
    points = gpd.points_from_xy(centre[0] + step * x.ravel(), centre[1] + step * y.ravel())
    ids = [f"V{i:03d}" for i in range(side * side)]
    return gpd.GeoDataFrame({"vault_id": ids}, geometry=points, crs="EPSG:2227")


def test_the_published_place_in_feet_and_in_metres() -> None:
    moved = gpd.GeoSeries([Point(FTUS)], crs="EPSG:2227").to_crs("EPSG:26943").iloc[0]
    assert moved.distance(Point(METRES)) < 0.001


def test_feet_mixed_up_are_found_by_the_published_shift_and_mended(tmp_path: Path) -> None:
    location = made(tmp_path, "EPSG:2227")
    right = grid(49, FTUS, 200.0)
    right.to_file(tmp_path / "right.gpkg", layer="vaults", engine="pyogrio")
    assert loading.load(location, "vaults", tmp_path / "right.gpkg", now=NOW).findings.empty

    # The same places with their numbers in international feet, in a file that says US survey feet.
    numbers = right.to_crs(INTERNATIONAL).set_crs("EPSG:2227", allow_override=True)
    away = numbers.geometry.iloc[24].x - right.geometry.iloc[24].x
    along = numbers.geometry.iloc[24].y - right.geometry.iloc[24].y
    assert (away, along) == pytest.approx(SHIFT_FT, abs=0.001)
    numbers.to_file(tmp_path / "mixed.gpkg", layer="vaults", engine="pyogrio")
    found = loading.load(location, "vaults", tmp_path / "mixed.gpkg", now=NOW)
    assert found.findings.query("rule == 'mixed_feet'")["rows"].tolist() == [49]
    moved = rows_of(location, "vaults")
    assert moved.distance(right.geometry).median() == pytest.approx(np.hypot(*SHIFT_FT), abs=0.01)

    loading.load(location, "vaults", tmp_path / "right.gpkg", now=NOW)
    mended = loading.load(
        location, "vaults", tmp_path / "mixed.gpkg", apply=["mixed_feet"], now=NOW
    )
    assert mended.outcome["repaired"].item() == 49
    assert rows_of(location, "vaults").distance(right.geometry).max() < 0.001
    mending.undo(location, mended.outcome["load_id"].item(), now=NOW)
    back = rows_of(location, "vaults")
    assert back.distance(right.geometry).median() == pytest.approx(np.hypot(*SHIFT_FT), abs=0.01)


def test_metres_in_a_file_without_crs_are_told_from_feet(tmp_path: Path) -> None:
    """State-plane metres and feet of one place, in CSV files that say neither."""
    feet, metres = tmp_path / "feet.csv", tmp_path / "metres.csv"
    east, north = (float(value) for value in FTUS)
    lines = [f"F{i},{east + 50 * i:.3f},{north + 20 * i:.3f}" for i in range(30)]
    feet.write_text("STRUCT_NO,EASTING,NORTHING\n" + "\n".join(lines) + "\n", encoding="utf-8")
    east, north = METRES
    lines = [f"M{i},{east + 15 * i:.4f},{north + 6 * i:.4f}" for i in range(30)]
    metres.write_text("STRUCT_NO,EASTING,NORTHING\n" + "\n".join(lines) + "\n", encoding="utf-8")
    location = made(tmp_path, "EPSG:2227")
    known = grid(49, FTUS, 200.0)
    known.to_file(tmp_path / "known.gpkg", layer="vaults", engine="pyogrio")
    loading.load(location, "vaults", tmp_path / "known.gpkg", now=NOW)
    for path in (feet, metres):
        outcome = loading.load(location, "vaults", path, now=NOW).outcome
        assert outcome[["rows_in", "loaded"]].values.tolist() == [[30, 30]]
    vaults = rows_of(location, "vaults").set_index("vault_id").geometry
    assert vaults["F0"].distance(Point(FTUS)) < 0.001
    # A metre is 3937/1200 US survey feet, so four decimals of it are some 0.0003 ft.
    assert vaults["M0"].distance(Point(FTUS)) < 0.002


def test_the_countries_of_the_world_load_as_waters_with_their_crs(tmp_path: Path) -> None:
    """Natural Earth 1:110m countries (public domain), as pyogrio's test data carry them."""
    spec = find_spec("pyogrio")
    assert spec is not None
    assert spec.origin is not None
    source = Path(spec.origin).parent / "tests" / "fixtures" / "naturalearth_lowres"
    source = source / "naturalearth_lowres.shp"
    info = pyogrio.read_info(source)
    assert info["features"] == 177
    recipe = tmp_path / "waters.toml"
    recipe.write_text(
        '[columns]\nwater_id = "iso_a3"\nname = "name"\n[constants]\nkind = "sea"\n',
        encoding="utf-8",
    )
    # An equal-area grid of the whole world in metres (EASE-Grid 2.0).
    location = made(tmp_path, "EPSG:6933")
    loaded = loading.load(location, "receiving_waters", source, column_map=recipe, now=NOW)
    outcome = loaded.outcome.iloc[0]
    assert outcome["rows_in"] == 177
    assert outcome["loaded"] + outcome["quarantined"] == 177
    waters = rows_of(location, "receiving_waters").set_index("water_id")
    assert waters.crs == pyproj.CRS.from_epsg(6933)
    raw = pyogrio.read_dataframe(source)
    # Some countries share the code -99 there: one of them is loaded, the others are told.
    twice = raw["iso_a3"].duplicated().sum()
    codes = set(mending.quarantine(location)["why"].str.extract(r"\((.*)\)$")[0])
    assert codes <= {"-99"} | set(raw["iso_a3"])
    assert outcome["quarantined"] >= twice
    wanted = raw.drop_duplicates("iso_a3").set_index("iso_a3").to_crs(6933).geometry
    shared = waters.index.intersection(wanted.index)
    assert len(shared) == outcome["loaded"]
    sizes = waters.loc[shared].area / wanted.loc[shared].area
    assert sizes.between(1 - 1e-9, 1 + 1e-9).all()


@pytest.mark.parametrize(
    ("driver", "name"), [("ESRI Shapefile", "a.shp"), ("OpenFileGDB", "a.gdb")]
)
def test_files_that_gdal_wrote_load_with_their_long_and_short_names(
    tmp_path: Path, driver: str, name: str
) -> None:
    location = made(tmp_path, "EPSG:2227")
    vaults = grid(25, FTUS, 200.0).assign(
        kind="manhole", water_table_ft=12.5, has_irrigation="yes", depth_ft=7.0
    )
    path = tmp_path / name
    if driver == "ESRI Shapefile":  # which keeps ten letters of a name
        vaults = vaults.rename(columns=lambda column: column[:10])
    pyogrio.write_dataframe(vaults, path, driver=driver, layer="a")
    loaded = loading.load(location, "vaults", path, now=NOW)
    assert loaded.outcome[["rows_in", "loaded"]].values.tolist() == [[25, 25]]
    back = rows_of(location, "vaults")
    assert back["water_table_ft"].eq(12.5).all()
    assert back["has_irrigation"].all()
    assert back.distance(vaults.geometry).max() < 0.001
