"""Parquet and GeoParquet, read back."""

from __future__ import annotations

import geopandas as gpd
import pandas as pd

from vaultplan.outputs.layers.parquet import write_parquet
from vaultplan.outputs.layers.week import week_layers

from .conftest import spoiled

ZONE = "Etc/GMT+10"


def test_tables_come_back_as_they_were(week_frames, tmp_path):
    written = write_parquet(week_frames, tmp_path, time_zone=ZONE)
    layers = week_layers(week_frames, ZONE)
    assert [path.stem for path in written] == [
        *("vaults", "planned_stops", "left_out", "discharge_paths", "plan_jobs", "plan_loads"),
    ]
    for name in ("vaults", "planned_stops", "left_out", "discharge_paths"):
        read = gpd.read_parquet(tmp_path / f"{name}.parquet")
        assert read.crs == week_frames["vaults"].crs
        meant = gpd.GeoDataFrame(layers[name])
        assert list(read.columns) == list(meant.columns)
        assert len(read) == len(meant) > 0
        for column in meant.columns.drop("geometry"):
            same = pd.Series(read[column].to_numpy()).isna() == meant[column].isna().to_numpy()
            assert same.all(), column
        assert read.geometry.geom_equals(meant.geometry.reset_index(drop=True)).all()
    loads = pd.read_parquet(tmp_path / "plan_loads.parquet")
    assert "prob_short" in loads.columns


def test_hostile_texts_come_back_as_they_are(week_frames, tmp_path, hostile):
    write_parquet(spoiled(week_frames, hostile), tmp_path, time_zone=ZONE)
    assert set(gpd.read_parquet(tmp_path / "vaults.parquet")["address"]) == {hostile}
