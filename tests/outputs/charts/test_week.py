"""The week's chart: bars where the plan's times are, links, holds, words for who cannot see it."""

from __future__ import annotations

import re
from html.parser import HTMLParser
from xml.etree import ElementTree

import pandas as pd
import pytest

from vaultplan.outputs.charts.week import WIDE, day_chart, write_week_chart
from vaultplan.schema import table

SVG = "{http://www.w3.org/2000/svg}"


def stop(number, kind, start, leave, **more):
    told = {
        "stop_number": number, "kind": kind, "method": "filter_sock", "order_id": f"O{number}",
        "vault_id": "V", "site_name": None, "arrive": start, "start": start, "leave": leave,
        "drive_minutes": 0.0, "start_at": pd.Timestamp("2026-03-02", tz="UTC"),
    }  # fmt: skip
    return told | more


def drawn(rows, trucks=None, holds=None):
    return ElementTree.fromstring(day_chart(rows, trucks or {}, holds or {}))


def written(frames, settings, path):
    write_week_chart(frames, path, settings=settings)
    return path.read_text(encoding="utf-8")


def test_a_bar_begins_and_ends_with_its_stop():
    """Shift 07:00 to 15:00, so the axis runs 07:00 to 16:00 over 1120 - 92 - 26 = 1002 points."""
    shift = {"C": {"shift_from": "07:00", "shift_to": "15:00"}}
    tree = drawn({"C": [stop(1, "pump_out", 8.0, 9.5, arrive=7.75, drive_minutes=15.0)]}, shift)
    (bar,) = [each for each in tree.iter(f"{SVG}rect") if "stop" in each.get("class", "")]
    per_hour = (WIDE - 92 - 26) / 9
    assert float(bar.get("x")) == pytest.approx(92 + per_hour, abs=0.06)
    assert float(bar.get("width")) == pytest.approx(1.5 * per_hour, abs=0.06)
    paths = {each.get("class"): each.get("d") for each in tree.iter(f"{SVG}path")}
    drive = [float(n) for n in re.findall(r"[\d.]+", paths["drive"])]
    assert drive[0] == pytest.approx(92 + 0.5 * per_hour, abs=0.06)
    assert drive[2] == pytest.approx(92 + 0.75 * per_hour, abs=0.06)
    wait = [float(n) for n in re.findall(r"[\d.]+", paths["wait"])]
    assert (wait[0], wait[2]) == (drive[2], pytest.approx(92 + per_hour, abs=0.06))


def test_vacuum_truck_and_crew_are_joined_and_the_hold_is_marked():
    start = pd.Timestamp("2026-03-02T18:00Z")
    rows = {
        "C": [stop(1, "work", 8.0, 9.0, order_id="O", start_at=start)],
        "X": [stop(1, "vacuum", 7.0, 7.5, order_id="O")],
    }
    tree = drawn(rows, holds={"O": start + pd.Timedelta(hours=2)})
    kinds = [each.get("class") for each in tree.iter(f"{SVG}path")]
    assert kinds.count("link") == 1
    (hold,) = [each for each in tree.iter(f"{SVG}path") if each.get("class") == "hold"]
    bars = [e for e in tree.iter(f"{SVG}rect") if "work" in e.get("class", "")]
    per_hour = float(bars[0].get("width"))
    at = float(re.match(r"M([\d.]+)", hold.get("d"))[1])
    assert at == pytest.approx(float(bars[0].get("x")) + 2 * per_hour, abs=0.2)


def test_a_bar_says_its_grade_by_a_glyph_too():
    rows = {"C": [stop(1, "pump_out", 8.0, 10.0), stop(2, "work", 10.0, 12.0)]}
    texts = [each.text for each in drawn(rows).iter(f"{SVG}text")]
    assert "\u25a0 1" in texts
    assert "2" in texts


class _Texts(HTMLParser):
    def __init__(self):
        super().__init__()
        self.texts, self.tags = [], []

    def handle_data(self, data):
        self.texts.append(data)

    def handle_starttag(self, tag, attrs):
        self.tags.append((tag, dict(attrs)))


def test_the_page_has_a_chart_and_a_table_per_day(week_frames, week_settings, tmp_path):
    text = written(week_frames, week_settings, tmp_path / "week.html")
    days = sorted(set(week_frames["plan_stops"]["on"]))
    assert text.count("<svg xmlns") == len(days)
    told = _Texts()
    told.feed(text)
    words = " ".join(" ".join(told.texts).split())
    stops = week_frames["plan_stops"]
    rows = [tag for tag, attrs in told.tags if tag == "tr"]
    assert len(rows) == len(stops) + len(days)
    assert "CREW-A 1 08:10 - 09:23 SM-1010 pump out, then work" in words
    left = week_frames["plan_unserved"]["outcome"].value_counts()
    assert f"{left.iloc[0]} {left.index[0].replace('_', ' ')}" in words
    assert "not an entry permit" in words
    assert not [attrs for tag, attrs in told.tags if tag == "script"]


def test_hostile_names_are_text(week_frames, week_settings, tmp_path):
    bad = '<script>a()</script>"&\u202e' + "x" * 200
    for name in ("plan_stops", "trucks", "routes"):
        week_frames[name]["truck_id"] = week_frames[name]["truck_id"].replace({"CREW-A": bad})
    week_frames["vaults"]["vault_id"] = week_frames["vaults"]["vault_id"].replace({"SM-1010": bad})
    week_frames["plan_stops"]["vault_id"] = week_frames["plan_stops"]["vault_id"].replace(
        {"SM-1010": bad}
    )
    text = written(week_frames, week_settings, tmp_path / "week.html")
    told = _Texts()
    told.feed(text)
    assert not [tag for tag, _ in told.tags if tag == "script"]
    for svg in re.findall(r"<svg xmlns.*?</svg>", text, re.DOTALL):
        ElementTree.fromstring(svg)


def test_same_plan_same_bytes_and_no_stop_is_a_page_too(week_frames, week_settings, tmp_path):
    first = written(week_frames, week_settings, tmp_path / "1.html")
    assert first == written(week_frames, week_settings, tmp_path / "2.html")
    week_frames["plan_stops"] = table("plan_stops").empty(week_frames["vaults"].crs)
    assert "No stop is planned." in written(week_frames, week_settings, tmp_path / "3.html")
