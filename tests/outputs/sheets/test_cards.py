"""Cards of stops: half a page each, a code that can be read, notices, loads of a vacuum truck."""

import subprocess
from urllib.parse import parse_qs

import pandas as pd
import pytest
import zxingcpp
from PIL import Image

from vaultplan.outputs.labels import load_labels
from vaultplan.outputs.sheets.codes import code_text
from vaultplan.outputs.sheets.reasons import why
from vaultplan.outputs.sheets.week import gather_week
from vaultplan.outputs.sheets.write import write_sheets
from vaultplan.schema import table

MONDAY = pd.Timestamp("2026-03-02")


def text_of(pdf):
    told = subprocess.run(["pdftotext", "-raw", str(pdf), "-"], check=True, capture_output=True)
    return " ".join(told.stdout.decode().split())


def pages_of(pdf):
    told = subprocess.run(["pdfinfo", str(pdf)], check=True, capture_output=True).stdout.decode()
    return int(next(line for line in told.splitlines() if line.startswith("Pages")).split()[1])


def pictures_of(pdf, folder):
    command = ["pdftoppm", "-r", "150", "-png", str(pdf), str(folder / "page")]
    subprocess.run(command, check=True, capture_output=True)
    return [Image.open(path) for path in sorted(folder.glob("page-*.png"))]


def only(frames, truck, day=MONDAY):
    stops = frames["plan_stops"]
    return {**frames, "plan_stops": stops[(stops["truck_id"] == truck) & (stops["on"] == day)]}


def test_the_code_of_each_stop_is_read_from_paper_by_a_reader(week_frames, week_settings, tmp_path):
    """ISO/IEC 18004 symbols, read by ZXing at 150 dots an inch: an office printer's draft."""
    frames = only(week_frames, "CREW-A")
    (pdf,) = write_sheets(frames, tmp_path, settings=week_settings)
    read = [
        code.text
        for picture in pictures_of(pdf, tmp_path)
        for code in zxingcpp.read_barcodes(picture)
    ]
    stops = frames["plan_stops"].astype(object).where(frames["plan_stops"].notna(), None)
    assert sorted(read) == sorted(code_text(stop) for stop in stops.to_dict("records"))
    assert {parse_qs(text)["vault"][0] for text in read} == {"SM-1010", "SM-1003"}


def test_ids_of_any_letters_come_back_from_the_code():
    stop = {"vault_id": "Nº 7 & 8/\u05d0", "site_id": None, "order_id": "=A1", "plan_id": "P"}
    told = parse_qs(code_text(stop))
    assert told == {"vault": ["Nº 7 & 8/\u05d0"], "order": ["=A1"], "plan": ["P"]}


def test_a_card_of_many_rules_still_is_half_a_page_and_counts_what_it_leaves_out(
    week_frames, week_settings, tmp_path
):
    rules = " ".join(
        f"Reason {n} of the made-up kind that takes a good part of a line to tell: filter sock."
        for n in range(30)
    )
    week_frames["decisions"]["reason"] = rules
    week_frames["plan_jobs"]["reason"] = rules
    frames = only(week_frames, "CREW-A")
    (pdf,) = write_sheets(frames, tmp_path, settings=week_settings)
    assert pages_of(pdf) == 2
    text = text_of(pdf)
    assert text.count("Reason 0 of the made-up") == 2
    assert "more, in plan.xlsx." in text


def test_rules_that_decide_lead_and_each_shorter_text_counts_one_more(week_frames, week_settings):
    week = gather_week(only(week_frames, "CREW-A"), week_settings)
    decision = {
        "method": "vacuum_truck",
        "reason": "It reaches a beach: filter sock. It is heavy: vacuum truck. Rain is likely.",
    }
    told = why(week, {"method": "vacuum_truck"}, decision)
    assert told[0].startswith("It is heavy: vacuum truck. ")
    assert [text.count("more") for text in told] == [0, 1, 1]
    assert "And 2 more" in told[2]
    assert "beach" not in told[2]
    assert why(week, {}, {}) == [""]


def test_notices_stand_on_the_card_of_the_discharge_that_asks_for_them(
    week_frames, week_settings, tmp_path
):
    asked = {
        "vault_id": "SM-1010", "on": MONDAY, "water": "Sallow Lagoon", "why": "protected",
        "due_on": MONDAY - pd.Timedelta(days=2),
    }  # fmt: skip
    frames = {**only(week_frames, "CREW-A"), "notices": pd.DataFrame([asked])}
    (pdf,) = write_sheets(frames, tmp_path, settings=week_settings)
    text = text_of(pdf)
    assert text.count("Notice: due Sat 28 Feb for Sallow Lagoon (protected).") == 1
    assert text.count(load_labels("en")["notice_given"]) == 1


def test_the_vacuum_truck_is_told_the_weight_and_risk_the_plan_reckoned_with(
    week_frames, week_settings, tmp_path
):
    day = pd.Timestamp("2026-03-03")
    shared = {"plan_id": week_frames["plans"]["plan_id"].iloc[0], "truck_id": "VAC-1", "on": day}
    rows = [
        {"item": "vacuum_load", "trip": 1, "quantity": 100.0, "prob_short": 0.02},
        {"item": "vacuum_weight", "trip": 1, "quantity": 23456.0, "prob_short": 0.04},
    ]
    loads = table("plan_loads").conform(pd.DataFrame([shared | row for row in rows]))
    frames = {**only(week_frames, "VAC-1", day), "plan_loads": loads}
    (pdf,) = write_sheets(frames, tmp_path, settings=week_settings)
    text = text_of(pdf)
    assert "23,460" in text
    assert " 4 % " in text


@pytest.mark.parametrize("paper", ["us-letter", "a4"])
def test_all_sheets_of_a_yards_day_are_one_more_file_with_pages_counted_by_truck(
    week_frames, week_settings, tmp_path, paper
):
    written = write_sheets(week_frames, tmp_path, settings=week_settings, paper=paper)
    (all_of_day,) = [p for p in written if p.name.startswith("2026-03-03_yard-")]
    trucks = week_frames["trucks"].set_index("truck_id")["depot_id"]
    yard = all_of_day.stem.removeprefix("2026-03-03_yard-")
    mine = {truck.lower() for truck, depot in trucks.items() if depot.lower() == yard}
    single = [p for p in written if p.stem.removeprefix("2026-03-03_") in mine]
    assert len(single) > 1
    assert pages_of(all_of_day) == sum(map(pages_of, single))
    text = text_of(all_of_day)
    for path in single:
        last = f"page {pages_of(path)} of {pages_of(path)}"
        assert last in text
        assert last in text_of(path)
