from __future__ import annotations

import sqlite3
from contextlib import closing
from pathlib import Path

import geopandas as gpd
import pandas as pd
import pyogrio
import pytest

from vaultplan.errors import CRSError
from vaultplan.outputs.layers.geopackage import write_layers

from .conftest import spoiled

ZONE = "Etc/GMT+10"
LAYERS = [
    "vaults",
    "planned_stops",
    "left_out",
    "routes",
    "discharge_paths",
    "outfalls",
    "receiving_waters",
    "sensitive_areas",
    "streets",
]


def layers_in(path: Path) -> list[str]:
    return [name for name, kind in pyogrio.list_layers(path) if kind is not None]


def rows_of(path: Path, query: str) -> list[tuple[object, ...]]:
    with closing(sqlite3.connect(path)) as connection:
        return connection.execute(query).fetchall()


@pytest.fixture(scope="module")
def written(_week: dict[str, pd.DataFrame], tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The week's layers, written once and only read by the tests."""
    path = tmp_path_factory.mktemp("layers") / "layers.gpkg"
    write_layers({name: frame.copy() for name, frame in _week.items()}, path, time_zone=ZONE)
    return path


def test_every_layer_has_rows_a_crs_and_one_default_style(written: Path) -> None:
    assert layers_in(written) == LAYERS
    for layer in LAYERS:
        frame = pyogrio.read_dataframe(written, layer=layer)
        assert frame.crs.to_epsg() == 32606, layer
        assert len(frame) > 0, layer
    styled = rows_of(written, "SELECT f_table_name, f_geometry_column FROM layer_styles")
    assert sorted(styled) == sorted((layer, "geom") for layer in LAYERS)
    assert rows_of(
        written, "SELECT data_type FROM gpkg_contents WHERE table_name = 'layer_styles'"
    ) == [("attributes",)]


def test_geometry_columns_are_where_the_styles_say(written: Path) -> None:
    assert set(rows_of(written, "SELECT column_name FROM gpkg_geometry_columns")) == {("geom",)}


def test_styles_name_columns_that_exist(written: Path) -> None:
    for layer, column in (
        ("vaults", "grade_likeliest"),
        ("planned_stops", "method"),
        ("left_out", "outcome"),
    ):
        (style,) = rows_of(
            written, f"SELECT styleQML FROM layer_styles WHERE f_table_name = '{layer}'"
        )
        assert f'attr="{column}"' in str(style[0])
        assert column in pyogrio.read_info(written, layer=layer)["fields"]


def test_vaults_hold_the_first_planned_days_forecast(
    week_frames: dict[str, pd.DataFrame], written: Path
) -> None:
    vaults = pyogrio.read_dataframe(written, layer="vaults").set_index("vault_id")
    assert len(vaults) == 40
    forecasts = week_frames["forecasts"].set_index(["vault_id", "on"])
    forecast = forecasts.loc[("SM-1010", pd.Timestamp("2026-03-02"))]
    assert vaults.loc["SM-1010", "volume_gal_p50"] == forecast["volume_gal_p50"]
    assert vaults.loc["SM-1010", "grade_likeliest"] == "clear"
    assert vaults.loc["SM-1004", "grade_likeliest"] == "unknown"
    assert vaults.loc["SM-1033", "trace_status"] == "no_inlet"


def test_stops_keep_local_time_with_offset_utc_and_dates(written: Path) -> None:
    stops = pyogrio.read_dataframe(written, layer="planned_stops")
    first = stops.query("truck_id == 'CREW-A' and stop_number == 1").iloc[0]
    assert first["arrive_local"] == "2026-03-02T08:10-10:00"
    assert first["arrive_at"] == pd.Timestamp("2026-03-02T18:10Z")
    info = pyogrio.read_info(written, layer="planned_stops")
    kinds = dict(zip(info["fields"], info["dtypes"], strict=True))
    assert kinds["on"] == "datetime64[D]"


def test_every_column_is_explained(written: Path) -> None:
    explained = set(rows_of(written, "SELECT table_name, column_name FROM gpkg_data_columns"))
    held = {
        (layer, field)
        for layer in LAYERS
        for field in pyogrio.read_info(written, layer=layer)["fields"]
    }
    assert explained == held


def test_missing_tables_are_empty_layers_with_a_crs(
    week_frames: dict[str, pd.DataFrame], tmp_path: Path
) -> None:
    few = {name: week_frames[name] for name in ("plans", "vaults")}
    write_layers(few, tmp_path / "few.gpkg")
    assert layers_in(tmp_path / "few.gpkg") == LAYERS
    for layer in LAYERS[1:]:
        info = pyogrio.read_info(tmp_path / "few.gpkg", layer=layer)
        assert (info["features"], info["crs"]) == (0, "EPSG:32606")


def test_the_same_plan_gives_the_same_bytes(
    week_frames: dict[str, pd.DataFrame], tmp_path: Path, written: Path
) -> None:
    write_layers(week_frames, tmp_path / "again.gpkg", time_zone=ZONE)
    assert (tmp_path / "again.gpkg").read_bytes() == written.read_bytes()


def test_unequal_and_missing_crs_are_refused(
    week_frames: dict[str, pd.DataFrame], tmp_path: Path
) -> None:
    roads = gpd.GeoDataFrame(week_frames["roads"])
    with pytest.raises(CRSError, match="roads not in the CRS of vaults"):
        write_layers({**week_frames, "roads": roads.to_crs(4326)}, tmp_path / "a.gpkg")
    bare = roads.set_crs(None, allow_override=True)
    with pytest.raises(CRSError, match="roads has no CRS"):
        write_layers({**week_frames, "roads": bare}, tmp_path / "a.gpkg")
    with pytest.raises(CRSError, match="no layer to write"):
        write_layers({"plans": week_frames["plans"]}, tmp_path / "a.gpkg")
    assert not list(tmp_path.iterdir())


def test_the_file_is_a_geopackage_as_the_standard_has_it(written: Path) -> None:
    """OGC 12-128r19: requirements 2 (application id), 3 (version), 11 (reference systems)."""
    assert rows_of(written, "PRAGMA application_id") == [(0x47504B47,)]
    ((version,),) = rows_of(written, "PRAGMA user_version")
    assert 10200 <= int(str(version)) < 20000
    assert rows_of(written, "PRAGMA integrity_check") == [("ok",)]
    assert rows_of(written, "PRAGMA foreign_key_check") == []
    systems = {row[0] for row in rows_of(written, "SELECT srs_id FROM gpkg_spatial_ref_sys")}
    assert {-1, 0, 4326, 32606} <= systems
    stored = {row[0] for row in rows_of(written, "SELECT table_name FROM gpkg_contents")}
    assert set(LAYERS) <= stored
    tables = {row[0] for row in rows_of(written, "SELECT name FROM sqlite_master")}
    assert {f"rtree_{layer}_geom" for layer in LAYERS} <= tables
    assert {"gpkg_geometry_columns", "gpkg_extensions", "gpkg_data_columns"} <= tables
    titled = rows_of(
        written, "SELECT title FROM gpkg_data_columns WHERE column_name = 'prob_heavy'"
    )
    assert {row[0] for row in titled} == {"prob heavy"}


def test_hostile_texts_come_back_as_they_are(
    week_frames: dict[str, pd.DataFrame], tmp_path: Path, hostile: str
) -> None:
    write_layers(spoiled(week_frames, hostile), tmp_path / "h.gpkg", time_zone=ZONE)
    assert layers_in(tmp_path / "h.gpkg") == LAYERS
    vaults = pyogrio.read_dataframe(tmp_path / "h.gpkg", layer="vaults")
    assert set(vaults["address"]) == {hostile.replace("\x00", "")}
    assert rows_of(tmp_path / "h.gpkg", "PRAGMA integrity_check") == [("ok",)]
