"""Parquet and GeoParquet, read back."""

from __future__ import annotations

import geopandas as gpd
import pandas as pd
from geopandas.testing import assert_geodataframe_equal

from vaultplan.outputs.layers.parquet import write_parquet
from vaultplan.outputs.layers.week import week_layers
from vaultplan.outputs.plan_view import part

from .conftest import spoiled

ZONE = "Etc/GMT+10"


def in_milliseconds(frame):
    """Return the frame with dates as Parquet keeps them: it has no unit of a second."""
    seconds = frame.columns[frame.dtypes.map(str) == "datetime64[s]"]
    return frame.astype(dict.fromkeys(seconds, "datetime64[ms]"))


def test_tables_come_back_as_they_were(week_frames, tmp_path):
    written = write_parquet(week_frames, tmp_path, time_zone=ZONE)
    layers = week_layers(week_frames, ZONE)
    assert [path.stem for path in written] == [
        *("vaults", "planned_stops", "left_out", "discharge_paths", "plan_jobs", "plan_loads"),
    ]
    for name in ("vaults", "planned_stops", "left_out", "discharge_paths"):
        read = gpd.read_parquet(tmp_path / f"{name}.parquet")
        meant = gpd.GeoDataFrame(layers[name], geometry="geometry", crs=read.crs)
        assert read.crs == week_frames["vaults"].crs
        assert len(read) > 0
        assert_geodataframe_equal(read, in_milliseconds(meant.reset_index(drop=True)))
    jobs = gpd.read_parquet(tmp_path / "plan_jobs.parquet")
    meant = gpd.GeoDataFrame(part(week_frames, "plan_jobs"), geometry="geometry")
    assert_geodataframe_equal(jobs, in_milliseconds(meant.set_crs(jobs.crs)))
    loads = pd.read_parquet(tmp_path / "plan_loads.parquet")
    assert "prob_short" in loads.columns


def test_hostile_texts_come_back_as_they_are(week_frames, tmp_path, hostile):
    write_parquet(spoiled(week_frames, hostile), tmp_path, time_zone=ZONE)
    assert set(gpd.read_parquet(tmp_path / "vaults.parquet")["address"]) == {
        hostile.replace("\x00", "")
    }
