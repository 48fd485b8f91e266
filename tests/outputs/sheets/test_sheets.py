"""Route sheets: what stands on them, for whom, on which paper; nothing typed in can run."""

import re
import shutil
import subprocess
import time
import tomllib
from importlib.resources import files

import geopandas as gpd
import pandas as pd
import pytest

from vaultplan import schema
from vaultplan.errors import CRSError, OutputError
from vaultplan.outputs.labels import load_labels
from vaultplan.outputs.sheets.cover import wet_day_chance
from vaultplan.outputs.sheets.week import gather_week
from vaultplan.outputs.sheets.write import write_sheets
from vaultplan.schema import table
from vaultplan.settings import Settings

MONDAY = "2026-03-02"
needs_poppler = pytest.mark.skipif(
    shutil.which("pdftotext") is None, reason="pdftotext (poppler-utils) is not installed"
)


def run(*command):
    return subprocess.run(command, check=True, capture_output=True).stdout.decode()


def text_of(pdf):
    """Text in reading order, every run of white space as one blank."""
    return " ".join(run("pdftotext", "-raw", str(pdf), "-").split())


def facts_of(pdf):
    lines = run("pdfinfo", str(pdf)).splitlines()
    return {key: value.strip() for key, _, value in (line.partition(":") for line in lines)}


def speaking(settings, **changes):
    outputs = settings.outputs.model_copy(update=changes)
    return settings.model_copy(update={"outputs": outputs})


def only(frames, truck, day=MONDAY):
    """The week with one truck's day left in it."""
    stops = frames["plan_stops"]
    held = stops[(stops["truck_id"] == truck) & (stops["on"] == pd.Timestamp(day))]
    return {**frames, "plan_stops": held}


def long_day(frames, count):
    """CREW-A's Monday with ``count`` stops at as many vaults."""
    first = only(frames, "CREW-A")["plan_stops"].iloc[0].to_dict()
    vaults = frames["vaults"]
    rows = []
    for at in range(count):
        vault = vaults.iloc[at % len(vaults)]
        moments = {
            name: first[name] + pd.Timedelta(minutes=9 * at)
            for name in ("arrive_at", "start_at", "leave_at")
        }
        here = {"vault_id": vault["vault_id"], "geometry": vault["geometry"], **moments}
        rows.append({**first, "stop_number": at + 1, **here})
    stops = gpd.GeoDataFrame(rows, geometry="geometry", crs=vaults.crs)
    return {**frames, "plan_stops": schema.table("plan_stops").conform(stops)}


def test_one_file_per_truck_and_day(week_frames, week_settings, tmp_path):
    told = []
    written = write_sheets(
        week_frames, tmp_path, settings=week_settings, on_progress=lambda *n: told.append(n)
    )
    stops = week_frames["plan_stops"]
    days = sorted(
        {
            (f"{on:%Y-%m-%d}", truck.lower())
            for on, truck in zip(stops["on"], stops["truck_id"], strict=True)
        }
    )
    yards = {row["truck_id"].lower(): row["depot_id"] for row in
             week_frames["trucks"].to_dict("records")}  # fmt: skip
    homes = [(day, yards[truck].lower()) for day, truck in days]
    several = list(dict.fromkeys(home for home in homes if homes.count(home) > 1))
    assert [path.name for path in written] == [
        *(f"{day}_{truck}.pdf" for day, truck in days),
        *(f"{day}_yard-{yard}.pdf" for day, yard in several),
    ]
    assert several
    assert sorted((tmp_path / "sheets").iterdir()) == sorted(written)
    assert all(path.read_bytes().startswith(b"%PDF-") for path in written)
    assert told == [(n + 1, len(written)) for n in range(len(written))]


@needs_poppler
def test_crew_sheet_holds_stops_in_order_cautions_and_fields(week_frames, week_settings, tmp_path):
    (pdf,) = write_sheets(only(week_frames, "CREW-A"), tmp_path, settings=week_settings)
    text, t = text_of(pdf), load_labels("en")
    cards = text[text.index(t["in_order"]) :]
    assert cards.index("1 08:10 SM-1010") < cards.index("2 10:20 SM-1003")
    assert "Monday 2 March 2026" in text
    assert "Ropewalk yard" in text
    assert "Duty desk, radio 4" in text
    assert "4 filter socks (2 planned + 2 spare)" in text
    assert "08:10 \u2013 09:23" in text
    assert "page 1 of 2" in text
    assert "page 2 of 2" in text
    for fact in ("PLAN-2026-03-02", "2026-02-27", "3f9a61c2"):
        assert text.count(fact) >= 2
    for label in ("caution_space_text", "caution_live_text", "caution_traffic_text"):
        assert t[label] in text
    for label in ("caution_hose_text", "caution_water_text", "disclaimer"):
        assert t[label] in text
    assert text.count(t["disclaimer_short"]) == 2
    for field in [key for key in t if key.startswith("field_")]:
        is_vacuum_only = field.split("_", 1)[1] in (
            "ticket", "pounds", "profile", "tank_gauge", "rejected",
        )  # fmt: skip
        assert text.count(t[field]) >= (0 if is_vacuum_only else 2), field


@needs_poppler
def test_the_cover_tells_the_break(week_frames, week_settings, tmp_path):
    frames = only(week_frames, "CREW-A")
    frames["trucks"] = frames["trucks"].assign(
        break_minutes=30.0, break_from="11:00", break_to="13:30"
    )
    (pdf,) = write_sheets(frames, tmp_path, settings=week_settings)
    assert "Break: 30 min, starting 11:00" in text_of(pdf)
    frames["trucks"]["break_to"] = None
    (pdf,) = write_sheets(frames, tmp_path, settings=week_settings)
    assert "Break: 30 min Crew skills" in text_of(pdf)


@needs_poppler
def test_the_load_list_takes_what_the_plan_reckoned_with(week_frames, week_settings, tmp_path):
    stop = week_frames["plan_stops"].query("truck_id == 'CREW-A'").iloc[0]
    rows = [
        {"item": "filter_sock", "quantity": 3.0, "spare": 4.0},
        {"item": "drum", "quantity": 2.0, "spare": 0.0},
    ]
    shared = {"plan_id": stop["plan_id"], "truck_id": "CREW-A", "on": stop["on"], "trip": 0}
    loads = table("plan_loads").conform(pd.DataFrame([shared | row for row in rows]))
    frames = {**only(week_frames, "CREW-A"), "plan_loads": loads}
    (pdf,) = write_sheets(frames, tmp_path, settings=week_settings)
    text = text_of(pdf)
    assert "7 filter socks (2 planned + 5 spare)" in text
    assert "2 drum(s) with lid" in text


@needs_poppler
def test_card_tells_band_path_rules_and_last_visits(week_frames, week_settings, tmp_path):
    (pdf,) = write_sheets(only(week_frames, "CREW-A"), tmp_path, settings=week_settings)
    text = text_of(pdf)
    forecast = week_frames["forecasts"].query("vault_id == 'SM-1010'").iloc[0]
    low, high = forecast["volume_gal_p10"], forecast["volume_gal_p90"]
    assert f"{round(low, -1):,.0f} \u2013 {round(high, -1):,.0f} gal" in text
    assert "outfall OF-4 \u2192 Sallow Lagoon \u2192 Longreach Bay" in text
    assert "the drain ends in a protected water, so at least a sock" in text
    assert text.index("2025-09-22") < text.index("2025-05-25") < text.index("2025-01-25")
    assert "clear 80%" in text
    assert "Stop and call if sheen" in text


@needs_poppler
def test_vacuum_sheet_tells_loads_weights_dumps_and_who_follows(
    week_frames, week_settings, tmp_path
):
    written = write_sheets(week_frames, tmp_path, settings=week_settings)
    (pdf,) = [path for path in written if path.name == "2026-03-03_vac-1.pdf"]
    frames = only(week_frames, "VAC-1", "2026-03-03")
    text, t = text_of(pdf), load_labels("en")
    load = frames["plan_stops"].query("kind == 'dump'")["load_gal"].iloc[-1]
    assert f"{round(load * 8.34, -1):,.0f}" in text
    assert f"{100 * load / 3000:.0f} %" in text
    assert "Upland treatment works" in text
    assert "open 07:00 to 16:00" in text
    assert "oily water, sediment" in text
    assert "Crew CREW-A follows at 09:40; must start by 13:00." in text
    for field in ("field_ticket", "field_pounds", "field_profile", "field_rejected"):
        assert t[field] in text
    assert t["field_socks"] not in text


@needs_poppler
def test_crew_is_told_when_the_vacuum_truck_has_been(week_frames, week_settings, tmp_path):
    written = write_sheets(week_frames, tmp_path, settings=week_settings)
    (pdf,) = [path for path in written if path.name == "2026-03-03_crew-a.pdf"]
    assert "Vacuum truck VAC-1 empties it 08:25 to 09:00. Start by 13:00" in text_of(pdf)


@needs_poppler
@pytest.mark.parametrize(
    ("paper", "size"), [("us-letter", "612 x 792"), ("a4", "595.276 x 841.89")]
)
def test_paper_is_the_one_asked_for(week_frames, week_settings, tmp_path, paper, size):
    frames = only(week_frames, "CREW-A")
    (by_argument,) = write_sheets(frames, tmp_path / "1", settings=week_settings, paper=paper)
    (by_settings,) = write_sheets(
        frames, tmp_path / "2", settings=speaking(week_settings, paper=paper)
    )
    assert facts_of(by_argument)["Page size"].startswith(size)
    assert by_argument.read_bytes() == by_settings.read_bytes()


@needs_poppler
def test_sheet_is_tagged_titled_and_needs_no_font_of_the_system(
    week_frames, week_settings, tmp_path
):
    (pdf,) = write_sheets(only(week_frames, "CREW-A"), tmp_path, settings=week_settings)
    facts = facts_of(pdf)
    assert facts["Tagged"] == "yes"
    assert facts["Title"] == "Route sheet of CREW-A, Monday 2 March 2026"
    assert facts["Author"] == "Saltmarrow Light & Line"
    fonts = run("pdffonts", str(pdf)).splitlines()[2:]
    assert fonts
    assert all("DejaVuSans" in line for line in fonts)
    shape_of_tags = run("pdfinfo", "-struct", str(pdf))
    assert shape_of_tags.count("Figure") == 5  # the day, and map and code of two stops
    assert "<rdf:li>en</rdf:li>" in run("pdfinfo", "-meta", str(pdf))


def test_same_frames_same_bytes_in_any_time_zone(week_frames, week_settings, tmp_path, monkeypatch):
    first = write_sheets(week_frames, tmp_path / "1", settings=week_settings)
    monkeypatch.setenv("TZ", "Pacific/Auckland")
    time.tzset()
    again = write_sheets(week_frames, tmp_path / "2", settings=week_settings)
    monkeypatch.undo()
    time.tzset()
    assert [path.read_bytes() for path in first] == [path.read_bytes() for path in again]


@needs_poppler
def test_markup_of_any_kind_is_printed_as_typed(week_frames, week_settings, tmp_path):
    address = (
        '#set page(fill: red) <script>a()</script> $x^2$ *b* _i_ `r` @ref \\ "q" =HYPERLINK("u")'
    )
    week_frames["vaults"]["address"] = address
    week_frames["vaults"]["access_notes"] = "]] #panic() // [[ \x00\x1b\u202edor"
    week_frames["work_orders"]["task"] = "= Heading #sys.inputs"
    (pdf,) = write_sheets(only(week_frames, "CREW-A"), tmp_path, settings=week_settings)
    text = text_of(pdf)
    assert (
        text.count('#set page(fill: red) <script>a()</script> $x^2$ *b* _i_ `r` @ref \\ "q"') == 4
    )
    assert "]] #panic() // [[ dor" in text
    assert "= Heading #sys.inputs" in text


@needs_poppler
def test_long_and_foreign_strings_leave_the_page_whole(week_frames, week_settings, tmp_path):
    week_frames["vaults"]["address"] = "X" * 200
    week_frames["vaults"]["access_notes"] = "\u0634\u0627\u0631\u0639 12 \U0001f30a " * 30
    (pdf,) = write_sheets(only(week_frames, "CREW-A"), tmp_path, settings=week_settings)
    words = run("pdftotext", "-bbox", str(pdf), "-")
    right = [float(x) for x in re.findall(r'xMax="([\d.]+)"', words)]
    assert max(right) <= 612 - 36 + 1
    assert text_of(pdf).replace("\u200b", "").replace(" ", "").count("X" * 200) == 2


@needs_poppler
def test_spanish_labels(week_frames, week_settings, tmp_path):
    spanish = speaking(week_settings, language="es")
    (pdf,) = write_sheets(only(week_frames, "CREW-A"), tmp_path, settings=spanish)
    text, t = text_of(pdf), load_labels("es")
    assert "Lunes 2 de marzo de 2026" in text
    assert t["disclaimer"] in text
    assert "manga filtrante" in text
    assert "p\u00e1gina 1 de 2" in text
    assert "Stop and call" not in text
    assert "<rdf:li>es</rdf:li>" in run("pdfinfo", "-meta", str(pdf))


def test_every_label_speaks_both_languages_with_the_same_blanks():
    source = files("vaultplan.outputs").joinpath("labels.toml").read_text(encoding="utf-8")
    for key, words in tomllib.loads(source).items():
        assert set(words) == {"en", "es"}, key
        blanks = [sorted(re.findall(r"\{(\w+)\}", words[language])) for language in ("en", "es")]
        assert blanks[0] == blanks[1], key


def test_every_way_a_path_may_end_has_words_on_sheet_and_map():
    words = load_labels("en")
    told = files("vaultplan.outputs").joinpath("maps/tell.js").read_text(encoding="utf-8")
    for status in schema.table("traces").column("trace_status").allowed:
        assert status == "complete" or f"trace_{status}" in words
        assert re.search(rf"^    {status}: \"", told, re.MULTILINE), status


@needs_poppler
@pytest.mark.parametrize("count", [1, 60])
def test_any_number_of_stops(week_frames, week_settings, tmp_path, count):
    (pdf,) = write_sheets(long_day(week_frames, count), tmp_path, settings=week_settings)
    text = text_of(pdf)
    assert text.count(load_labels("en")["stop_if_pump"]) == count
    assert int(facts_of(pdf)["Pages"]) <= 4 + count
    assert "Confined space." in run("pdftotext", "-l", "1", str(pdf), "-")


@needs_poppler
def test_ordinary_cards_stand_two_to_a_page(week_frames, week_settings, tmp_path):
    for paper in ("us-letter", "a4"):
        for language in ("en", "es"):
            folder = tmp_path / f"{paper}-{language}"
            chosen = speaking(week_settings, paper=paper, language=language)
            (pdf,) = write_sheets(long_day(week_frames, 12), folder, settings=chosen)
            assert int(facts_of(pdf)["Pages"]) == 1 + 6


def test_a_plan_without_stops_gives_no_file(week_frames, week_settings, tmp_path):
    week_frames["plan_stops"] = schema.table("plan_stops").empty(week_frames["vaults"].crs)
    assert write_sheets(week_frames, tmp_path, settings=week_settings) == []
    assert list(tmp_path.iterdir()) == []


def test_sheets_the_week_no_longer_has_are_removed(week_frames, week_settings, tmp_path):
    write_sheets(week_frames, tmp_path, settings=week_settings)
    other_week = tmp_path / "sheets" / "2026-03-09_crew-a.pdf"
    notes = tmp_path / "sheets" / "notes.pdf"
    other_week.write_bytes(b"")
    notes.write_bytes(b"")
    (kept,) = write_sheets(only(week_frames, "CREW-A"), tmp_path, settings=week_settings)
    assert sorted((tmp_path / "sheets").iterdir()) == sorted([kept, other_week, notes])


def test_truck_names_become_file_names_that_stay_apart(week_frames, week_settings, tmp_path):
    for name in ("plan_stops", "trucks"):
        names = {"CREW-A": "../\u00c9tang 7", "CREW-B": "etang_7"}
        week_frames[name]["truck_id"] = week_frames[name]["truck_id"].replace(names)
    written = write_sheets(week_frames, tmp_path, settings=week_settings)
    assert [path.name for path in written[:2]] == [
        "2026-03-02_etang-7.pdf",
        "2026-03-02_etang-7-2.pdf",
    ]
    assert {path.parent for path in written} == {tmp_path / "sheets"}


@needs_poppler
def test_what_is_not_known_is_said(week_frames, week_settings, tmp_path):
    needed = ("plans", "plan_stops", "vaults")
    bare = {name: only(week_frames, "CREW-A")[name] for name in needed}
    (pdf,) = write_sheets(bare, tmp_path, settings=Settings())
    text, t = text_of(pdf), load_labels("en")
    for label in ("no_forecast", "trace_unknown", "never_visited", "gate_unknown_text"):
        assert text.count(t[label]) == 2, label
    assert t["wet_unknown"] in text
    assert t["straight_lines"] in text
    assert t["call_unknown"] in text
    assert "18:10 \u2013 19:23" in text


@needs_poppler
def test_dry_unseen_grade_and_never_visited_are_three_things(week_frames, week_settings, tmp_path):
    visits, t = week_frames["visits"], load_labels("en")
    visits = visits[visits["vault_id"] != "SM-1003"].reset_index(drop=True)
    mine = visits.index[visits["vault_id"] == "SM-1010"]
    visits.loc[mine, ["grade", "volume_gal", "has_sheen"]] = None
    visits.loc[mine, "finding"] = ["dry", "wet", "not_seen"]
    visits.loc[mine, "depth_in"] = [0.0, 9.0, float("nan")]
    frames = {**only(week_frames, "CREW-A"), "visits": visits}
    (pdf,) = write_sheets(frames, tmp_path, settings=week_settings)
    text = text_of(pdf)
    assert "2025-09-22 not seen 2025-05-25 wet, 9 in 2025-01-25 dry, 0 in" in text
    assert text.count(t["never_visited"]) == 1


@needs_poppler
def test_held_stop_and_unknown_end_are_loud(week_frames, week_settings, tmp_path):
    week_frames["plan_jobs"]["gate"] = "hold"
    week_frames["traces"]["trace_status"] = "no_outfall"
    (pdf,) = write_sheets(only(week_frames, "CREW-A"), tmp_path, settings=week_settings)
    text, t = text_of(pdf), load_labels("en")
    assert "Call first at stop 1, 2" in text
    assert text.count(t["gate_hold_text"]) == 2
    assert text.count(t["trace_no_outfall"]) == 2


def test_wet_day_chance_counts_members_of_the_latest_outlook(week_frames, week_settings):
    def outlook(gauge, issued, *rain):
        return [
            {
                "gauge_id": gauge,
                "issued_at": pd.Timestamp(issued, tz="UTC"),
                "falls_on": pd.Timestamp(MONDAY),
                "member": member,
                "rain_in": inches,
            }
            for member, inches in enumerate(rain)
        ]

    rows = [
        *outlook("G-1", "2026-02-26", 1.0, 1.0, 1.0, 1.0),
        *outlook("G-1", "2026-02-27", 0.0, 0.1, 0.3, 0.0),
        *outlook("G-9", "2026-02-27", 2.0, 2.0, 2.0, 2.0),
    ]
    week_frames["vaults"]["gauge_id"] = "G-1"
    week_frames["rain_outlook"] = schema.table("rain_outlook").conform(pd.DataFrame(rows))
    week = gather_week(only(week_frames, "CREW-A"), week_settings)
    stops = week.stops.to_dict("records")
    assert wet_day_chance(week, pd.Timestamp(MONDAY), stops) == 0.5
    assert wet_day_chance(week, pd.Timestamp("2026-03-05"), stops) is None


@needs_poppler
def test_vacuum_truck_of_the_day_before_is_told_with_its_day(week_frames, week_settings, tmp_path):
    stops = week_frames["plan_stops"]
    is_vacuum = (stops["truck_id"] == "VAC-1") & (stops["on"] == "2026-03-03")
    for moment in ("arrive_at", "start_at", "leave_at"):
        stops.loc[is_vacuum, moment] -= pd.Timedelta(days=1)
    stops.loc[is_vacuum, "on"] = pd.Timestamp(MONDAY)
    written = write_sheets(week_frames, tmp_path, settings=week_settings)
    (pdf,) = [path for path in written if path.name == "2026-03-03_crew-a.pdf"]
    assert "empties it 03-02 08:25 to 03-02 09:00. Start by 03-02 13:00" in text_of(pdf)


def test_two_plans_at_once_are_refused(week_frames, week_settings, tmp_path):
    stops = week_frames["plan_stops"]
    stops.loc[stops.index[0], "plan_id"] = "PLAN-OTHER"
    with pytest.raises(OutputError, match="PLAN-OTHER"):
        write_sheets(week_frames, tmp_path, settings=week_settings)


@needs_poppler
def test_a_vault_id_is_never_cut_short(week_frames, week_settings, tmp_path):
    long_id = "NORTH HARBOUR " + "/".join(f"{n:04d}" for n in range(14))
    for frame in week_frames.values():
        if "vault_id" in frame:
            frame["vault_id"] = frame["vault_id"].replace({"SM-1010": long_id})
    (pdf,) = write_sheets(only(week_frames, "CREW-A"), tmp_path, settings=week_settings)
    packed = text_of(pdf).replace("\u200b", "").replace(" ", "")
    assert packed.count(long_id.replace(" ", "")) == 2


def test_tables_in_different_systems_are_refused(week_frames, week_settings, tmp_path):
    week_frames["roads"] = week_frames["roads"].to_crs("EPSG:32607")
    with pytest.raises(CRSError, match="roads"):
        write_sheets(week_frames, tmp_path, settings=week_settings)
    assert list(tmp_path.iterdir()) == []


def test_unknown_paper_is_refused(week_frames, week_settings, tmp_path):
    with pytest.raises(OutputError, match="a4"):
        write_sheets(week_frames, tmp_path, settings=week_settings, paper="a5")
