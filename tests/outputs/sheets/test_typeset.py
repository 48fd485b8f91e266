"""Many sheets are set by processes of their own, to the same bytes."""

import os
import signal
import subprocess

import pytest

from vaultplan.errors import OutputError
from vaultplan.outputs.sheets import write
from vaultplan.outputs.sheets.typeset import typesetters


@pytest.fixture
def payload(week_frames, week_settings):
    week = write.gather_week(week_frames, week_settings)
    (day, truck), stops = next(iter(week.stops.groupby(["on", "truck_id"], sort=True)))
    sheet = write._sheet(week, str(truck), day, write._rows(stops))
    return write._payload(week, [sheet], sheet["title"], "a4")


@pytest.fixture
def started(monkeypatch):
    """Every process that is started."""
    processes, start = [], subprocess.Popen

    def remember(*args, **more):
        processes.append(start(*args, **more))
        return processes[-1]

    monkeypatch.setattr(subprocess, "Popen", remember)
    return processes


def test_processes_give_the_same_bytes(week_frames, week_settings, tmp_path, monkeypatch):
    here = write.write_sheets(week_frames, tmp_path / "here", settings=week_settings)
    monkeypatch.setattr(write, "MANY_SHEETS", 0)
    asked = []
    monkeypatch.setattr(
        write, "typesetters", lambda name, count: asked.append(count) or typesetters(name, 2)
    )
    with write.setting_sheets(week_frames, tmp_path / "there", settings=week_settings) as there:
        assert [path.name for path in there] == [path.name for path in here]
    assert asked == [min(os.cpu_count() or 1, write.MOST_HELPERS)]
    assert [path.read_bytes() for path in there] == [path.read_bytes() for path in here]


def test_a_fault_in_a_process_is_told_as_one_here(payload, tmp_path):
    path = tmp_path / "no folder" / "sheet.pdf"
    told = []
    for count in (0, 1):
        with (
            pytest.raises((OutputError, OSError)) as fault,
            typesetters("sheets/sheet.typ", count) as typeset,
        ):
            typeset([(payload, path)])
        told.append(str(fault.value))
    assert told[0] == told[1]
    with (
        pytest.raises(OutputError, match="no paper"),
        typesetters("sheets/sheet.typ", 1) as typeset,
    ):
        typeset([({**payload, "paper": "a5"}, path)])


def test_a_process_that_dies_is_told(payload, tmp_path, started):
    with (
        pytest.raises(OutputError, match="has died"),
        typesetters("sheets/sheet.typ", 1) as typeset,
    ):
        started[0].send_signal(signal.SIGKILL)
        typeset([(payload, tmp_path / "sheet.pdf")])
    assert list(tmp_path.iterdir()) == []


def test_no_process_is_left_where_the_rest_fails(payload, tmp_path, started):
    with (
        pytest.raises(ZeroDivisionError),
        typesetters("sheets/sheet.typ", 2) as typeset,
    ):
        for number in range(30):
            typeset([(payload, tmp_path / f"{number}.pdf")])
        raise ZeroDivisionError
    assert [process.poll() for process in started] == [0, 0]
    assert len(list(tmp_path.iterdir())) < 30, "what was not begun is left"
