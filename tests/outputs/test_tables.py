from __future__ import annotations

import csv
import zipfile
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import geopandas as gpd
import openpyxl
import pandas as pd
import pyogrio
import pytest
from hypothesis import given
from hypothesis import strategies as st
from shapely.geometry import LineString, Point

from vaultplan.errors import CRSError, OutputError
from vaultplan.outputs.tables import harmless, write_plan_csv, write_plan_xlsx, write_table
from vaultplan.schema import table

from .layers.conftest import HOSTILE, spoiled

ZONE = "Etc/GMT+10"
HYPERLINK = '=HYPERLINK("file:///x","click")'


def read_rows(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8", newline="") as lines:
        return list(csv.DictReader(lines))


@pytest.fixture
def mixed() -> gpd.GeoDataFrame:
    return gpd.GeoDataFrame(
        {
            "vault_id": ["SM-1", "=1+1", None],
            "on": pd.to_datetime(["2026-03-02", None, "2026-03-04"]).astype("datetime64[s]"),
            "made_at": pd.to_datetime(
                ["2026-03-02T08:00-10:00", None, "2026-03-02T18:00Z"], utc=True
            ),
            "has_irrigation": pd.array([True, None, False], dtype="boolean"),
            "stops": pd.array([1, None, -3], dtype="Int64"),
            "volume_gal": [0.1, None, -2.5],
        },
        geometry=[Point(500000, 4206000), None, Point(500100.12345, 4206000)],
        crs="EPSG:32606",
    )


def test_csv_holds_dates_times_blanks_and_places(mixed: gpd.GeoDataFrame, tmp_path: Path) -> None:
    write_table(mixed, tmp_path / "t.csv")
    first, second, third = read_rows(tmp_path / "t.csv")
    assert first["on"] == "2026-03-02"
    assert first["made_at"] == "2026-03-02T18:00:00Z"
    assert (first["has_irrigation"], second["has_irrigation"], third["has_irrigation"]) == (
        "true",
        "",
        "false",
    )
    assert (first["stops"], second["stops"], third["stops"]) == ("1", "", "-3")
    assert (first["volume_gal"], third["volume_gal"]) == ("0.1", "-2.5")
    assert third["vault_id"] == ""
    assert third["geometry"] == "POINT (500100.123 4206000)"
    assert float(first["lon"]) == pytest.approx(-147.0, abs=1e-7)
    assert float(first["lat"]) == pytest.approx(38.0, abs=0.01)
    assert second["lon"] == second["geometry"] == ""


def test_csv_defuses_formulas_in_text_and_leaves_numbers(
    mixed: gpd.GeoDataFrame, tmp_path: Path
) -> None:
    write_table(mixed, tmp_path / "t.csv")
    assert read_rows(tmp_path / "t.csv")[1]["vault_id"] == "'=1+1"


@given(st.text(max_size=20))
def test_no_text_begins_like_a_formula(cell: str) -> None:
    safe = harmless(pd.Series([cell], dtype="str"))[0]
    assert not safe.startswith(("=", "+", "-", "@", "\t", "\r", "\n"))
    assert safe in (cell, "'" + cell)


def test_lines_have_no_lon_lat(tmp_path: Path) -> None:
    frame = gpd.GeoDataFrame(
        {"a": [1]}, geometry=[LineString([(500000, 0), (500001, 1)])], crs="EPSG:32606"
    )
    write_table(frame, tmp_path / "t.csv")
    assert list(read_rows(tmp_path / "t.csv")[0]) == ["a", "geometry"]


@pytest.mark.parametrize("ending", ["parquet", "gpkg"])
def test_places_and_text_survive(mixed: gpd.GeoDataFrame, tmp_path: Path, ending: str) -> None:
    path = tmp_path / f"t.{ending}"
    write_table(mixed, path)
    back = gpd.read_parquet(path) if ending == "parquet" else pyogrio.read_dataframe(path)
    assert back.crs == mixed.crs
    assert list(back["vault_id"])[:2] == ["SM-1", "=1+1"]
    assert back.geometry.iloc[0].equals(mixed.geometry.iloc[0])
    assert back["stops"].isna().tolist() == [False, True, False]


def test_a_plain_table_goes_into_a_geopackage(tmp_path: Path) -> None:
    write_table(
        pd.DataFrame({"order_id": ["WO-1"], "rank": [1]}), tmp_path / "r.gpkg", layer="rank"
    )
    assert pyogrio.read_dataframe(tmp_path / "r.gpkg", layer="rank")["rank"].tolist() == [1]


def test_other_endings_and_missing_folders_are_refused(
    mixed: gpd.GeoDataFrame, tmp_path: Path
) -> None:
    with pytest.raises(OutputError, match=r"\.csv, \.parquet or \.gpkg"):
        write_table(mixed, tmp_path / "t.doc")
    with pytest.raises(OutputError, match="no folder"):
        write_table(mixed, tmp_path / "none" / "t.csv")


@pytest.mark.parametrize("ending", ["csv", "gpkg"])
def test_places_without_a_crs_are_refused_and_the_old_file_stays(
    mixed: gpd.GeoDataFrame, tmp_path: Path, ending: str
) -> None:
    path = tmp_path / f"t.{ending}"
    write_table(mixed, path)
    before = path.read_bytes()
    with pytest.raises(CRSError, match="no CRS"):
        write_table(mixed.set_crs(None, allow_override=True), path)
    assert path.read_bytes() == before
    assert [file.name for file in tmp_path.iterdir()] == [path.name]


def test_plan_csv_lists_stops_then_orders_left_out(
    week_frames: dict[str, pd.DataFrame], tmp_path: Path
) -> None:
    write_plan_csv(week_frames, tmp_path / "plan.csv", time_zone=ZONE)
    rows = read_rows(tmp_path / "plan.csv")
    assert [row["outcome"] for row in rows] == ["planned"] * 15 + [
        "held",
        "referred",
        "not_scheduled",
    ]
    first = rows[0]
    assert (first["on"], first["truck_id"], first["stop_number"]) == ("2026-03-02", "CREW-A", "1")
    assert first["arrive_local"] == "2026-03-02T08:10-10:00"
    assert first["arrive_at"] == "2026-03-02T18:10:00Z"
    assert first["address"] == "140 Ropewalk"
    assert rows[-1]["reason"].startswith("no crew with the fiber skill")
    assert rows[-1]["geometry"].startswith("POINT (")


def test_an_order_never_offered_shows_the_first_days_water(
    week_frames: dict[str, pd.DataFrame], tmp_path: Path
) -> None:
    jobs = week_frames["plan_jobs"]
    week_frames["plan_jobs"] = jobs[jobs["order_id"] != "WO-511"]
    write_plan_csv(week_frames, tmp_path / "plan.csv")
    (row,) = [row for row in read_rows(tmp_path / "plan.csv") if row["order_id"] == "WO-511"]
    assert (row["gate"], row["method"]) == ("refer", "vacuum_truck")
    forecast = week_frames["forecasts"].query("vault_id == 'SM-1017'").iloc[0]
    assert float(row["volume_gal_p50"]) == pytest.approx(forecast["volume_gal_p50"], abs=0.05)
    assert row["volume_gal_p50"] == f"{forecast['volume_gal_p50']:.1f}"


def test_plan_csv_of_an_empty_week_has_its_columns(
    week_frames: dict[str, pd.DataFrame], tmp_path: Path
) -> None:
    write_plan_csv({"plans": week_frames["plans"]}, tmp_path / "plan.csv")
    text = (tmp_path / "plan.csv").read_text(encoding="utf-8")
    assert text.startswith("outcome,on,truck_id,") and text.count("\n") == 1


def test_workbook_has_its_sheets_filters_and_local_times(
    week_frames: dict[str, pd.DataFrame], tmp_path: Path
) -> None:
    write_plan_xlsx(week_frames, tmp_path / "plan.xlsx", time_zone=ZONE)
    book = openpyxl.load_workbook(tmp_path / "plan.xlsx")
    sheets = ["Stops", "Jobs", "Left out", "Ranking", "Loads", "Changes", "Columns explained"]
    assert book.sheetnames == sheets
    for sheet in book:
        assert str(sheet.freeze_panes).endswith("2") and sheet.auto_filter.ref.startswith("A1:")
    stops = book["Stops"]
    assert stops.freeze_panes == "D2"
    assert stops.auto_filter.ref == "A1:V16"
    headings = [cell.value for cell in stops[1]]
    first = dict(zip(headings, (cell.value for cell in stops[2]), strict=True))
    assert first["Arrive"] == "08:10"
    assert first["Day"] == pd.Timestamp("2026-03-02")
    assert first["Vault"] == "SM-1010"
    assert first["Water low (P10), gal"] == pytest.approx(1208.612655)
    assert [row[0].value for row in book["Left out"].iter_rows(min_row=2)] == [
        "held",
        "referred",
        "not scheduled",
    ]
    assert first["What is done"] == "pump out" and first["Method"] == "filter sock"
    explained = {
        (row[0].value, row[1].value): row[3].value
        for row in book["Columns explained"].iter_rows(min_row=2)
    }
    for sheet in book.sheetnames[:-1]:
        for cell in book[sheet][1]:
            assert explained[sheet, cell.value]
    assert "not an entry permit" in " ".join(str(row[3].value) for row in book["Columns explained"])


def test_workbook_prints_across_one_landscape_page_and_wraps(
    week_frames: dict[str, pd.DataFrame], tmp_path: Path
) -> None:
    rules = "light_water;path_doubtful;protected_not_clear;suspect_ground;wet_day"
    week_frames["plan_jobs"]["rules_fired"] = rules
    write_plan_xlsx(week_frames, tmp_path / "plan.xlsx", time_zone=ZONE)
    book = openpyxl.load_workbook(tmp_path / "plan.xlsx")
    for sheet in book:
        assert sheet.page_setup.orientation == "landscape"
        assert sheet.sheet_properties.pageSetUpPr.fitToPage
        assert (sheet.page_setup.fitToWidth or 1, sheet.page_setup.fitToHeight) == (1, 0)
        assert sheet.print_title_rows == "$1:$1"
        assert "not an entry permit" in sheet.oddFooter.left.text
        assert all(cell.alignment.wrap_text for cell in sheet[1])
    wide = sum(part.width * (part.max - part.min + 1) for part in _parts(book["Stops"]))
    assert wide < 290
    jobs = book["Jobs"]
    (place,) = [cell.column for cell in jobs[1] if cell.value == "Rules that apply"]
    cell = jobs.cell(2, place)
    assert cell.value == rules.replace("_", " ").replace(";", "; ")
    assert cell.alignment.wrap_text


def _parts(sheet: Any) -> list[Any]:
    return list(sheet.column_dimensions.values())


def test_stops_show_the_water_of_their_own_day(
    week_frames: dict[str, pd.DataFrame], tmp_path: Path
) -> None:
    forecasts = week_frames["forecasts"]
    monday = pd.Timestamp("2026-03-02")
    ours = forecasts["vault_id"] == "SM-1010"
    assert set(forecasts.loc[ours, "on"]) > {monday}
    band = ["volume_gal_p10", "volume_gal_p50", "volume_gal_p90"]
    week_frames["plan_jobs"][band] = [100.0, 200.0, 300.0]
    forecasts.loc[ours & (forecasts["on"] == monday), band] = [1.0, 2.0, 3.0]

    def told() -> list[float]:
        write_plan_csv(week_frames, tmp_path / "plan.csv")
        rows = read_rows(tmp_path / "plan.csv")
        (row,) = [row for row in rows if row["vault_id"] == "SM-1010" and row["kind"] == "pump_out"]
        return [float(row[name]) for name in band]

    assert told() == [1.0, 2.0, 3.0]
    week_frames["forecasts"] = forecasts[~ours]
    assert told() == [100.0, 200.0, 300.0]


def test_workbook_runs_no_formula(week_frames: dict[str, pd.DataFrame], tmp_path: Path) -> None:
    vaults = week_frames["vaults"]
    vaults["address"] = HYPERLINK
    jobs = week_frames["plan_jobs"]
    jobs["task"] = "=1+1"
    jobs["reason"] = "{=SUM(A1)}"
    write_plan_xlsx(week_frames, tmp_path / "plan.xlsx")
    book = openpyxl.load_workbook(tmp_path / "plan.xlsx")
    cells = [cell for sheet in book for row in sheet.iter_rows() for cell in row]
    assert HYPERLINK in {cell.value for cell in cells}
    assert not [cell.coordinate for cell in cells if cell.data_type == "f"]
    assert not [cell.coordinate for cell in cells if cell.hyperlink]


def test_the_same_plan_gives_the_same_bytes(
    week_frames: dict[str, pd.DataFrame], tmp_path: Path
) -> None:
    for name in ("one", "two"):
        write_plan_xlsx(week_frames, tmp_path / f"{name}.xlsx")
        write_plan_csv(week_frames, tmp_path / f"{name}.csv")
    assert (tmp_path / "one.xlsx").read_bytes() == (tmp_path / "two.xlsx").read_bytes()
    assert (tmp_path / "one.csv").read_bytes() == (tmp_path / "two.csv").read_bytes()


def test_workbook_shows_loads_and_changes_with_local_times(
    week_frames: dict[str, pd.DataFrame], tmp_path: Path
) -> None:
    stop = week_frames["plan_stops"].iloc[0]
    load = {"plan_id": stop["plan_id"], "truck_id": stop["truck_id"], "on": stop["on"], "trip": 0}
    load |= {"item": "filter_sock", "quantity": 4.0, "unit": "count", "spare": 1.0}
    change = {"plan_id": stop["plan_id"], "order_id": stop["order_id"], "what": "moved"}
    change |= {"call_by": pd.Timestamp("2026-03-02T15:30Z"), "reason": "its truck is gone"}
    frames = {
        **week_frames,
        "plan_loads": table("plan_loads").conform(pd.DataFrame([load])),
        "plan_changes": table("plan_changes").conform(pd.DataFrame([change])),
    }
    write_plan_xlsx(frames, tmp_path / "plan.xlsx", time_zone=ZONE)
    book = openpyxl.load_workbook(tmp_path / "plan.xlsx")
    loads = [cell.value for cell in book["Loads"][2]]
    assert loads[2:7] == ["filter sock", 0, 4, "count", 1]
    local = pd.Timestamp("2026-03-02T15:30Z").tz_convert(ZONE).strftime("%a %d %b %H:%M")
    assert [cell.value for cell in book["Changes"][2]][6:] == [local, "its truck is gone"]


@pytest.mark.parametrize("words", HOSTILE)
def test_hostile_texts_leave_workbook_and_csv_readable(
    week_frames: dict[str, pd.DataFrame], tmp_path: Path, words: str
) -> None:
    frames = spoiled(week_frames, words)
    write_plan_xlsx(frames, tmp_path / "plan.xlsx", time_zone=ZONE)
    write_plan_csv(frames, tmp_path / "plan.csv", time_zone=ZONE)
    book = openpyxl.load_workbook(tmp_path / "plan.xlsx")
    with zipfile.ZipFile(tmp_path / "plan.xlsx") as parts:
        for name in parts.namelist():
            ElementTree.fromstring(parts.read(name))
    cells = [cell for sheet in book for row in sheet.iter_rows() for cell in row]
    assert not [cell.coordinate for cell in cells if cell.data_type == "f" or cell.hyperlink]
    stops = frames["plan_stops"]
    assert book["Stops"].max_row == 1 + len(stops)
    rows = read_rows(tmp_path / "plan.csv")
    assert len(rows) == len(stops) + len(frames["plan_unserved"])
    (defused,) = harmless(pd.Series([words]))
    assert defused in {row["address"] for row in rows}
