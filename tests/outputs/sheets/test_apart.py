"""Many sheets are set by other processes, to the same bytes."""

from __future__ import annotations

import pytest

from vaultplan.errors import OutputError
from vaultplan.outputs.sheets import write


@pytest.fixture
def three(monkeypatch):
    monkeypatch.setattr(write, "MANY_SHEETS", 0)
    monkeypatch.setattr(write, "processes", lambda: 3)


def test_progress_is_told_file_by_file(week_frames, week_settings, tmp_path, three):
    told = []
    with write.setting_sheets(
        week_frames, tmp_path / "there", settings=week_settings,
        on_progress=lambda *pair: told.append(pair),
    ) as there:  # fmt: skip
        pass
    assert told == [(n + 1, len(there)) for n in range(len(there))]


def test_here_and_there_are_alike(week_frames, week_settings, tmp_path, three, monkeypatch):
    there = write.write_sheets(week_frames, tmp_path / "there", settings=week_settings)
    monkeypatch.setattr(write, "MANY_SHEETS", 1000)
    here = write.write_sheets(week_frames, tmp_path / "here", settings=week_settings)
    assert [path.name for path in there] == [path.name for path in here]
    assert [path.read_bytes() for path in there] == [path.read_bytes() for path in here]


def test_a_fault_in_a_process_is_told_as_one_here(week_frames, week_settings, tmp_path, three):
    sheets = tmp_path / "sheets"
    sheets.mkdir()
    names = [
        path.name for path in write.write_sheets(week_frames, tmp_path, settings=week_settings)
    ]
    for name in names:
        (sheets / name).unlink()
        (sheets / name).mkdir()
    with pytest.raises((OutputError, OSError)):
        write.write_sheets(week_frames, tmp_path, settings=week_settings)
