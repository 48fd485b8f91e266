"""All that a plan gives out: the same bytes for the same plan, every column explained."""

from __future__ import annotations

import json
import os
import sqlite3
import time
from contextlib import closing, contextmanager
from pathlib import Path

import pandas as pd
import pyarrow.parquet
import pytest

from vaultplan.beside import beside
from vaultplan.outputs import publish
from vaultplan.outputs.layers.geopackage import write_layers
from vaultplan.outputs.layers.parquet import write_parquet
from vaultplan.outputs.publish import check_folder, write_dictionary, write_outputs
from vaultplan.outputs.tables import write_plan_csv


def content(folder: Path) -> dict[str, bytes]:
    return {
        str(path.relative_to(folder)): path.read_bytes()
        for path in sorted(folder.rglob("*"))
        if path.is_file() and path.name != ".written.json"
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


def test_maps_drawn_beside_have_the_same_bytes(week_frames, week_settings, tmp_path):
    here, there = tmp_path / "here", tmp_path / "there"
    for folder in (here, there):
        folder.mkdir()
    drawn = publish.write_maps(week_frames, here, week_settings)
    with beside(publish.write_maps, week_frames, there, week_settings) as work:
        assert [path.name for path in work.result()] == [path.name for path in drawn]
    assert content(here) == content(there)


@pytest.fixture
def quickly(monkeypatch):
    """Pages and sheets of one line: which are written is asked here, not what stands in them."""

    def one_line(_frames, path, **_more):
        path.write_text("one line", encoding="utf-8")

    @contextmanager
    def one_sheet(_frames, out, **_more):
        path = out / "sheets/2026-03-02_crew-a.pdf"
        path.parent.mkdir(exist_ok=True)
        path.write_bytes(b"sheet")
        yield [path]

    for name in ("write_map", "write_plan_xlsx", "write_week_chart", "write_layers"):
        monkeypatch.setattr(publish, name, one_line)
    monkeypatch.setattr(publish, "setting_sheets", one_sheet)


@pytest.mark.usefixtures("quickly")
def test_files_of_an_unchanged_week_stay(week_frames, week_settings, tmp_path):
    def write(frames=week_frames, settings=week_settings, program="v1", state=""):
        """Return the files that are written anew and those that stay."""
        before = content(tmp_path) if any(tmp_path.iterdir()) else {}
        for path in before:
            os.utime(tmp_path / path, ns=(1, 1 + (tmp_path / path).stat().st_mtime_ns))
        note = tmp_path / ".written.json"
        if note.exists():
            told = json.loads(note.read_text())
            for part in ("files", "fleet"):
                told[part] = {name: [size, at + 1] for name, (size, at) in told[part].items()}
            note.write_text(json.dumps(told))
        moments = {path: (tmp_path / path).stat().st_mtime_ns for path in before}
        kept = []
        written = write_outputs(
            frames,
            tmp_path,
            settings=settings,
            on_step=lambda *_: None,
            anew=False,
            program=program,
            state=state,
            on_kept=kept.extend,
        )
        assert {str(path.relative_to(tmp_path)) for path in written} == set(content(tmp_path))
        stayed = {p for p, moment in moments.items() if (tmp_path / p).stat().st_mtime_ns == moment}
        assert stayed == {str(path.relative_to(tmp_path)) for path in kept}
        return stayed

    assert write() == set()
    stayed = write()
    assert {"plan.csv", "plan.xlsx", "week.ics", "week.html"} < stayed
    assert {"sheets/2026-03-02_crew-a.pdf", "gpx/2026-03-02_crew-a.gpx"} < stayed
    assert not {"map.html", "map_dirty.html", "layers.gpkg", "summary.md"} & stayed
    every = set(content(tmp_path))
    assert write(state="one") == stayed
    assert write(state="one") == every
    assert write(state="two") == stayed
    (tmp_path / "map.html").write_bytes(b"spoiled")
    assert write(state="two") == stayed
    assert write(program="v2") == set()
    assert write() == set(), "what the other program wrote is not ours"
    (tmp_path / "sheets/2026-03-02_crew-a.pdf").write_bytes(b"spoiled")
    assert write() == set()
    visits = week_frames["visits"]
    served = set(week_frames["plan_stops"]["vault_id"])
    is_ours = visits["vault_id"].isin(served)
    assert is_ours.any()
    seen = {**week_frames, "visits": visits.assign(notes=visits["notes"].mask(is_ours, "a goose"))}
    assert write(frames=seen) == set()
    outputs = week_settings.outputs.model_copy(update={"contact": "Desk 9"})
    other = week_settings.model_copy(update={"outputs": outputs})
    assert write(frames=seen, settings=other) == set()
    assert write(frames=seen, settings=other) == stayed
