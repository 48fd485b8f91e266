"""All that a plan gives out: the same bytes for the same plan, every column explained."""

from __future__ import annotations

import sqlite3
import time
from contextlib import closing
from pathlib import Path

import pandas as pd
import pyarrow.parquet
import pytest

from vaultplan.outputs.layers.geopackage import write_layers
from vaultplan.outputs.layers.parquet import write_parquet
from vaultplan.outputs.publish import check_folder, write_dictionary, write_outputs
from vaultplan.outputs.tables import write_plan_csv


def content(folder: Path) -> dict[str, bytes]:
    return {
        str(path.relative_to(folder)): path.read_bytes()
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }


def test_the_same_plan_gives_the_same_bytes_at_another_time_and_place(
    week_frames, week_settings, tmp_path, monkeypatch
):
    told: list[tuple[str, int, int]] = []
    written = write_outputs(
        week_frames,
        tmp_path / "1",
        settings=week_settings,
        on_step=lambda *step: told.append(step),
    )
    monkeypatch.setenv("TZ", "Pacific/Auckland")
    time.tzset()
    time.sleep(1.1)  # some formats keep the second at which they were written
    write_outputs(week_frames, tmp_path / "2", settings=week_settings, on_step=lambda *_: None)
    monkeypatch.undo()
    time.tzset()
    first, again = content(tmp_path / "1"), content(tmp_path / "2")
    assert set(first) == {str(path.relative_to(tmp_path / "1")) for path in written}
    assert [name for name in first if first[name] != again[name]] == []
    assert told[-1][1] == told[-1][2]


def test_every_column_of_every_file_is_in_the_dictionary(week_frames, tmp_path):
    write_dictionary(tmp_path / "d.md")
    write_layers(week_frames, tmp_path / "l.gpkg")
    write_plan_csv(week_frames, tmp_path / "plan.csv")
    columns = {("plan.csv", name) for name in pd.read_csv(tmp_path / "plan.csv", nrows=0)}
    for path in write_parquet(week_frames, tmp_path):
        columns |= {(path.name, name) for name in pyarrow.parquet.read_schema(path).names}
    with closing(sqlite3.connect(tmp_path / "l.gpkg")) as layers:
        for (layer,) in layers.execute("SELECT table_name FROM gpkg_geometry_columns").fetchall():
            told = layers.execute(f'PRAGMA table_info("{layer}")')
            columns |= {(layer, row[1]) for row in told}
    text = (tmp_path / "d.md").read_text(encoding="utf-8")
    assert {name for _, name in columns} >= {"lon", "fid", "geom", "bbox", "arrive_local"}
    assert sorted(each for each in columns if f"| {each[1]} |" not in text) == []


def test_a_folder_that_is_a_file_is_refused(tmp_path):
    from vaultplan.errors import OutputError

    (tmp_path / "file").write_text("", encoding="utf-8")
    with pytest.raises(OutputError, match="is a file"):
        check_folder(tmp_path / "file")
