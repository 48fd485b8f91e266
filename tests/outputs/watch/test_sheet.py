"""The watch-list on paper: what is due, what reaches each water, and that nothing typed in runs."""

from __future__ import annotations

import subprocess

import pytest

from vaultplan.errors import OutputError
from vaultplan.outputs.labels import load_labels
from vaultplan.outputs.watch.sheet import MOST_KEPT, write_watch_sheet
from vaultplan.outputs.watch.words import outfall_checks
from vaultplan.settings import OutputSettings

from .conftest import facts, watched

MARKUP = '#panic() $x$ *b* <script>a()</script> "q" =HYPERLINK("u") \u05d0\u05d1 \U0001f30a'


def text_of(pdf):
    told = subprocess.run(["pdftotext", "-raw", str(pdf), "-"], check=True, capture_output=True)
    return " ".join(told.stdout.decode().split())


def written(frames, path, bad="", **settings):
    write_watch_sheet(path, facts(bad), watched(frames, bad), OutputSettings(**settings))
    return text_of(path)


@pytest.mark.parametrize("paper", ["us-letter", "a4"])
def test_the_sheet_tells_notices_waters_caps_and_what_is_kept_back(week_frames, tmp_path, paper):
    text = written(week_frames, tmp_path / "w.pdf", paper=paper, utility="Saltmarrow Light & Line")
    t = load_labels("en")
    assert "week of Monday 2 March 2026" in text
    assert "Mon 2 Mar OVERDUE by 1 day Sallow Lagoon" in text
    assert "OF-5, Mon 2 Mar: 300 (100 \u2013 1,240) gal, cap 500 gal; may go above" in text
    assert "WO-510, SM-1020: held" in text
    assert "SM-1003: gate lowered to go" in text
    assert "Mon 2 Mar 08:10 SM-1010 CREW-A" in text
    assert "The rules changed." in text
    for words in (t["watch_told"], t["watch_seen"], t["disclaimer"], "rules 3f9a61c2"):
        assert words in text
    for lines in outfall_checks().values():
        assert all(line in text for line in lines)


def test_the_sheet_speaks_spanish(week_frames, tmp_path):
    text = written(week_frames, tmp_path / "w.pdf", language="es")
    assert "Lista de vigilancia" in text
    assert load_labels("es")["disclaimer"] in text
    for lines in outfall_checks("es").values():
        assert all(line in text for line in lines)


def test_markup_of_any_kind_is_printed_as_typed(week_frames, tmp_path):
    text = written(week_frames, tmp_path / "w.pdf", MARKUP)
    assert '#panic() $x$ *b* <script>a()</script> "q" =HYPERLINK("u")' in text


def test_same_tables_give_the_same_bytes(week_frames, tmp_path):
    for name in ("1.pdf", "2.pdf"):
        written(week_frames, tmp_path / name)
    assert (tmp_path / "1.pdf").read_bytes() == (tmp_path / "2.pdf").read_bytes()


def test_more_kept_back_orders_than_fit_are_counted(week_frames, tmp_path):
    frames = watched(week_frames)
    kept = frames["kept_back"]
    frames["kept_back"] = kept.loc[kept.index.repeat(MOST_KEPT + 3)].reset_index(drop=True)
    write_watch_sheet(tmp_path / "w.pdf", facts(), frames, OutputSettings())
    text = text_of(tmp_path / "w.pdf")
    assert text.count("WO-510, SM-1020: held") == MOST_KEPT
    assert "and 3 more; see the page" in text


def test_a_week_without_discharges_is_a_sheet_too(week_frames, tmp_path):
    frames = watched(week_frames)
    emptied = {
        name: frames[name].iloc[:0]
        for name in ("discharges", "notices", "outfall_days", "kept_back", "overrides", "totals")
    }
    write_watch_sheet(tmp_path / "w.pdf", facts(), {**frames, **emptied}, OutputSettings())
    assert load_labels("en")["watch_none_due"] in text_of(tmp_path / "w.pdf")


def test_a_folder_that_is_not_there_is_refused(week_frames, tmp_path):
    with pytest.raises(OutputError, match="no folder"):
        written(week_frames, tmp_path / "nowhere" / "w.pdf")
