"""All that a plan gives out: the same bytes for the same plan, every column explained."""

from __future__ import annotations

import time
from pathlib import Path

import pytest

from vaultplan.outputs.layers.week import week_layers
from vaultplan.outputs.publish import check_folder, write_dictionary, write_outputs


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


def test_every_column_of_every_layer_is_in_the_dictionary(week_frames, tmp_path):
    write_dictionary(tmp_path / "d.md")
    text = (tmp_path / "d.md").read_text(encoding="utf-8")
    for name, frame in week_layers(week_frames, None).items():
        for column in frame.columns:
            assert column == "geometry" or f"| {column} |" in text, f"{name}.{column}"


def test_a_folder_that_is_a_file_is_refused(tmp_path):
    from vaultplan.errors import OutputError

    (tmp_path / "file").write_text("", encoding="utf-8")
    with pytest.raises(OutputError, match="is a file"):
        check_folder(tmp_path / "file")
