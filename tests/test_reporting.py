"""The demo's yearly report: it adds up, repeats to the byte, and names what a correction moved."""

from __future__ import annotations

import shutil
import subprocess
from decimal import Decimal
from pathlib import Path

import openpyxl
import pandas as pd
import pikepdf
import pytest
from typer.testing import CliRunner

from vaultplan import loading, reporting
from vaultplan.analysis.annual.reconcile import recounted
from vaultplan.cli import app
from vaultplan.errors import OutputError, SchemaError
from vaultplan.schema import table
from vaultplan.settings import ReportSettings, Settings
from vaultplan.store.database import open_database
from vaultplan.store.read import read_table
from vaultplan.store.write import upsert

SETTINGS = Settings(report=ReportSettings(baseline_years=(2024,), signer="R. Ito"))


def report(location: object, out: Path, **more: object) -> reporting.Reported:
    return reporting.report(
        str(location), **{"year": 2025, "out": out, "settings": SETTINGS, **more}
    )


def words_of(pdf: Path) -> str:
    told = subprocess.run(["pdftotext", "-layout", str(pdf), "-"], check=True, capture_output=True)
    return " ".join(told.stdout.decode().split())


@pytest.fixture(scope="module")
def first(demo_file, tmp_path_factory) -> tuple[reporting.Reported, Path]:
    out = tmp_path_factory.mktemp("reports") / "report_2025"
    return report(demo_file, out), out


def test_the_sums_are_those_of_the_visits_in_the_database(demo_file, first):
    """Added up here from the stored visits, as decimals, by month and method."""
    found, _ = first
    with open_database(str(demo_file)) as database:
        visits = read_table(database, "visits")
    local = visits["visited_at"].dt.tz_convert("Etc/GMT+10")
    visits = visits[local.dt.year.eq(2025) & visits["disposal"].isin(
        ["storm_drain", "filter_sock", "vacuum_truck"])]  # fmt: skip
    lines = found.frames["lines"].set_index(["breakdown", "key"])
    assert found.facts.visits == int(local.dt.year.eq(2025).sum())
    assert lines.loc[("all", "all"), "events"] == len(visits)
    month = local[visits.index].dt.month
    for (number, method), part in visits.groupby([month, "disposal"]):
        line = lines.loc[("month and method", f"{number:02d} / {method}")]
        gallons = sum(Decimal(str(value)) for value in part["volume_gal"].dropna())
        assert line["tenths"] == gallons * 10
        assert line["unknown_events"] == part["volume_gal"].isna().sum()


def test_a_run_again_gives_the_same_bytes(demo_file, first, tmp_path):
    _, out = first
    again = report(demo_file, tmp_path / "again")
    assert {path.name for path in again.written} == {
        *("visits_2025.csv", "lines_2025.csv", "report_2025.xlsx", "report_2025.pdf"),
    }
    for path in again.written:
        assert path.read_bytes() == (out / path.name).read_bytes(), path.name


def test_a_corrected_visit_changes_the_report_and_the_changed_line_is_named(
    town_file, first, tmp_path
):
    before, out = first
    with open_database(town_file) as database:
        visits = read_table(database, "visits")
        local = visits["visited_at"].dt.tz_convert("Etc/GMT+10")
        mine = visits[
            local.dt.year.eq(2025)
            & visits["disposal"].eq("filter_sock")
            & visits["volume_gal"].gt(1)
        ].head(1)
        corrected = mine.assign(volume_gal=mine["volume_gal"] + 12.3)
        with database.writing() as connection:
            upsert(connection, "visits", corrected)
    found = report(town_file, tmp_path / "after", before=out)
    (visit_id,) = mine["visit_id"]
    changed = found.frames["changed_visits"]
    assert changed[["visit_id", "column"]].values.tolist() == [[visit_id, "volume_gal"]]
    moved = found.frames["changed_lines"].set_index(["breakdown", "key", "sum"])
    whole = moved.loc[("all", "all", "tenths")]
    assert whole["after"] - whole["before"] == 123
    assert whole["visits"] == visit_id
    assert ("method", "filter_sock", "tenths") in moved.index
    assert visit_id in words_of(tmp_path / "after" / "report_2025.pdf").replace("\u200b", "")
    assert (tmp_path / "after" / "changed_lines_2025.csv").is_file()
    assert before.frames["changed_lines"].empty


def test_the_workbook_has_every_line_and_visit(first):
    found, out = first
    book = openpyxl.load_workbook(out / "report_2025.xlsx", read_only=True)
    lines = list(book["Lines"].iter_rows(min_row=2, values_only=True))
    assert len(lines) == len(found.frames["lines"])
    assert lines[0][2] == found.frames["lines"]["events"].iloc[0]
    visits = list(book["Visits"].iter_rows(min_row=2, values_only=True))
    assert len(visits) == found.facts.visits
    gallons = sum(row[9] for row in visits if row[5] == "pump-out" and row[9] is not None)
    assert round(gallons * 10) == found.frames["lines"]["tenths"].iloc[0]


def test_the_paper_can_be_read_and_is_signed_by_a_person(first):
    found, out = first
    words = words_of(out / "report_2025.pdf")
    for said in (
        "Water removed from vaults in 2025",
        "Checked and signed by R. Ito",
        "it certifies nothing",
        "not an authorisation to discharge",
        "Costs beside those of the ways before",
        found.facts.file_hash[:12],
    ):
        assert said in words
    with pikepdf.open(out / "report_2025.pdf") as document:
        assert document.Root.MarkInfo.Marked


def test_without_a_baseline_no_saving_is_claimed(demo_file, tmp_path):
    found = report(demo_file, tmp_path / "plain", settings=Settings())
    assert found.facts.costs is None
    assert "no saving is claimed" in words_of(tmp_path / "plain" / "report_2025.pdf")


def test_a_year_that_is_not_over_says_so(demo_file, tmp_path):
    found = report(demo_file, tmp_path / "part", year=2026, as_of=pd.Timestamp("2026-06-30"))
    assert found.facts.is_partial
    days = pd.read_csv(tmp_path / "part" / "visits_2026.csv")["on"]
    assert days.max() <= "2026-06-30"
    assert "The year is not over in these data" in words_of(tmp_path / "part" / "report_2026.pdf")


def test_what_is_locked_is_said(demo_file, first, tmp_path):
    assert "No part of the year is locked" in words_of(first[1] / "report_2025.pdf")
    town = shutil.copy(demo_file, tmp_path / "town.gpkg")
    spans = {"L2": ("2025-07-01", "2025-12-31"), "L1": ("2024-12-01", "2025-06-30"),
             "other": ("2024-01-01", "2024-11-30")}  # fmt: skip
    rows = [
        {"lock_id": name, "who": "M. Abe", "why": "handed in", "locked_at": pd.Timestamp.now("UTC"),
         "first_on": pd.Timestamp(first_on), "last_on": pd.Timestamp(last_on)}
        for name, (first_on, last_on) in spans.items()
    ]  # fmt: skip
    with open_database(str(town)) as database, database.writing() as connection:
        upsert(connection, "locked_periods", table("locked_periods").conform(pd.DataFrame(rows)))
    report(town, tmp_path / "locked")
    said = (
        "2024-12-01 to 2025-06-30, by M. Abe: handed in; 2025-07-01 to 2025-12-31, by M. Abe: "
        "handed in."
    )
    assert said in words_of(tmp_path / "locked" / "report_2025.pdf")
    book = openpyxl.load_workbook(tmp_path / "locked" / "report_2025.xlsx", read_only=True)
    assert any(
        said in str(cell) for sheet in book for row in sheet.iter_rows(values_only=True)
        for cell in row
    )  # fmt: skip


def test_what_cannot_be_reported_is_refused(demo_file, first, tmp_path):
    _, out = first
    with pytest.raises(SchemaError, match="no visit in 1999"):
        report(demo_file, tmp_path / "none", year=1999)
    with pytest.raises(OutputError, match="is the database"):
        report(demo_file, Path(demo_file))
    with pytest.raises(OutputError, match="to compare with"):
        report(demo_file, tmp_path / "a", before=tmp_path)
    with pytest.raises(OutputError, match="compare reports of 2024"):
        report(demo_file, tmp_path / "a", year=2024, before=out / "visits_2025.csv")


def test_a_wrong_sum_stops_the_report(demo_file, tmp_path, monkeypatch):
    def one_more(rows):
        sums = recounted(rows)
        sums["all", "all"]["tenths"] += 1
        return sums

    monkeypatch.setattr(reporting, "recounted", one_more)
    with pytest.raises(OutputError, match="does not add up: all all: tenths"):
        report(demo_file, tmp_path / "wrong")
    assert not list((tmp_path / "wrong").glob("report*"))


def test_text_that_a_spreadsheet_would_run_is_harmless_and_still_adds_up(town_file, tmp_path):
    rows = tmp_path / "visits.csv"
    rows.write_text(
        "visit_id,vault_id,visited_at,finding,disposal,volume_gal,crew\n"
        "=1+1,SM-0001,2025-03-03T10:00-10:00,wet,storm_drain,12.5,@SUM(A1)\n",
        encoding="utf-8",
    )
    loading.load(town_file, "visits", rows)
    report(town_file, tmp_path / "odd")
    told = pd.read_csv(tmp_path / "odd" / "visits_2025.csv", dtype="str").set_index("visit_id")
    assert told.loc["'=1+1", ["volume_gal", "crew"]].tolist() == ["12.5", "'@SUM(A1)"]


def test_the_command_tells_what_it_wrote(demo_file, tmp_path):
    told = CliRunner().invoke(
        app,
        ["report", "--year", "2025", "--db", str(demo_file), "--out", str(tmp_path / "out"),
         "--baseline", "2024", "--baseline", "2023"],
    )  # fmt: skip
    assert told.exit_code == 0, told.output
    words = " ".join(told.output.split())
    assert "Reckoned against the ways of 2023, 2024" in words
    assert "report_2025.pdf" in words
