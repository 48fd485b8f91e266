"""What is missing or unlikely in loaded tables, counted on rows solved by hand."""

from __future__ import annotations

import geopandas as gpd
import pandas as pd
import pytest
from shapely import LineString, Point

from vaultplan.intake import check_frames
from vaultplan.intake.drain_rules import drain_faults
from vaultplan.intake.plausible import RULES
from vaultplan.intake.quality import field_quality, row_findings, rule_words
from vaultplan.schema import LOADABLE, table


def frame(name: str, **columns: list[object]) -> pd.DataFrame:
    declared = table(name)
    given = pd.DataFrame(columns)
    for column in declared.columns:
        if column.required and column.name not in given and column.type != "geometry":
            fill = {"date": "2024-01-01", "time": "2024-01-01T00:00Z", "clock": "08:00"}
            other = {"integer": 1, "real": 1.0}
            given[column.name] = fill.get(column.type, other.get(column.type, "x"))
    if declared.geometry is not None:
        given = gpd.GeoDataFrame(given, geometry=[Point(0, 0)] * len(given), crs="EPSG:32606")
    return declared.conform(given)


def found(report: pd.DataFrame, name: str, finding: str, column: str | None = None) -> int:
    rows = report[(report["table"] == name) & (report["finding"] == finding)]
    if column is not None:
        rows = rows[rows["column"] == column]
    return int(rows["rows"].sum())


def test_no_tables_at_all_is_a_report_too():
    report = check_frames({})
    assert sorted(report["table"]) == sorted(LOADABLE)
    assert set(report["finding"]) == {"no rows"}
    assert report["share"].isna().all()
    assert report["remedy"].ne("").tolist() == report["severity"].eq("warning").tolist()
    assert report["severity"].iloc[0] == "warning"
    assert {"vaults", "outfalls"} <= set(report.loc[report["rule"] == "no_rows", "table"])


def test_blanks_and_rows_are_counted_with_their_share():
    report = check_frames(
        {"vaults": frame("vaults", vault_id=list("ABCD"), lid=["sealed"] + [None] * 3)}
    )
    assert found(report, "vaults", "rows") == 4
    line = report.query("table == 'vaults' and column == 'lid' and finding == 'blank'").iloc[0]
    assert (line["rows"], line["share"]) == (3, 0.75)
    assert found(report, "vaults", "blank", "vault_id") == 0


def test_words_ranges_references_and_doubles():
    report = check_frames(
        {
            "vaults": frame("vaults", vault_id=["A", "B", "B"], gear_frac=[0.2, 1.5, None]),
            "visits": frame(
                "visits",
                visit_id=["1", "2", "3"],
                vault_id=["A", "B", "Z"],
                grade=["clear", "murky", None],
            ),
        }
    )
    assert found(report, "vaults", "not between 0 and 1", "gear_frac") == 1
    assert found(report, "vaults", "key stands in an earlier row too", "vault_id") == 1
    assert found(report, "visits", "not one of the allowed words", "grade") == 1
    assert found(report, "visits", "not known in vaults", "vault_id") == 1


def test_trucks_without_depots():
    trucks = frame("trucks", truck_id=["C1", "V1"], kind=["crew", "vacuum"], depot_id=["D1", "D9"])
    report = check_frames({"trucks": trucks, "depots": frame("depots", depot_id=["D1"])})
    assert found(report, "trucks", "not known in depots") == 1
    assert found(report, "trucks", "vacuum truck without the size of its tank") == 1
    assert found(report, "trucks", "no days of work") == 2


VAULTS = {
    "vault_id": ["A", "B", "C"],
    "status": ["in_service", "retired", None],
    "shape": ["rectangular", "round", "round"],
    "length_ft": [6.0, 4.0, 4.0],
    "width_ft": [None, None, None],
    "depth_ft": [5.0, 5.0, None],
}
VISITS = {
    "visit_id": list("123456"),
    "vault_id": ["A", "A", "A", "B", "B", "C"],
    "visited_at": [
        "2024-01-01T00:00Z",
        "2024-01-01T00:00Z",
        "2024-01-03T00:00Z",
        "2024-01-04T00:00Z",
        "2024-01-05T00:00Z",
        "2024-01-06T00:00Z",
    ],
    "finding": ["dry", "wet", "wet", "dry", "full", None],
    "depth_in": [3.0, 10.0, 70.0, 0.0, 60.0, None],
    "left_depth_in": [0.0, 12.0, 0.0, None, 0.0, None],
    "volume_gal": [None, 50.0, None, 0.0, 9.0, None],
    "grade": [None, "clear", None, None, "heavy", None],
}
PIPES = {
    "pipe_id": list("123"),
    "from_node": ["n1", "n2", "n5"],
    "to_node": ["n2", "out", "n5"],
}


@pytest.mark.parametrize(
    ("finding", "rows"),
    [
        (("vaults", "no full set of inside dimensions"), 2),  # A lacks width, C depth
        (("vaults", "never visited"), 0),
        (("visits", "found dry, yet depth or volume is given"), 1),
        (("visits", "more water left than found"), 1),
        (("visits", "deeper than the vault"), 1),  # 70 in in 5 ft; 60 in is just full
        (("visits", "another visit to the vault at the same moment"), 2),
        (("visits", "water, but no grade"), 1),
        (("samples", "a result and a detection condition, or neither"), 2),
        (("gauges", "no rainfall"), 1),
        (("inlets", "on no pipe and at no outfall"), 1),
        (("outfalls", "no pipe leads there"), 1),
        (("drain_pipes", "ends where no pipe goes on and no outfall is"), 0),
        (("drain_pipes", "ends where it begins"), 1),
        (("drain_pipes", "leads in a circle"), 0),
        (("inlets", "its water never reaches an outfall"), 0),
        (("outfalls", "its receiving water is not named"), 2),
        (("work_orders", "open order at a vault retired or of another owner"), 1),
        (("work_orders", "no truck's crew has the skill"), 1),
        (("work_orders", "due before it may begin"), 1),
        (("work_orders", "window ends before it begins"), 1),
        (("trucks", "shift ends before it begins"), 1),
        (("trucks", "vacuum truck without the size of its tank"), 1),
        (("trucks", "no days of work"), 1),
        (("disposal_sites", "closes before it opens"), 1),
    ],
)
def test_each_rule_of_the_trade_by_hand(finding, rows):
    frames = {
        "vaults": frame("vaults", **VAULTS),
        "visits": frame("visits", **VISITS),
        "samples": frame(
            "samples",
            sample_id=["1", "2", "3"],
            result_value=[1.0, 1.0, None],
            detection_condition=[None, "Not Detected", None],
        ),
        "gauges": frame("gauges", gauge_id=["G1", "G2"]),
        "rainfall": frame("rainfall", gauge_id=["G1"]),
        "inlets": frame("inlets", inlet_id=["1", "2", "3"], node_id=["n1", "out", "far"]),
        "outfalls": frame("outfalls", outfall_id=["1", "2"], node_id=["out", "lost"]),
        "drain_pipes": frame("drain_pipes", **PIPES),
        "work_orders": frame(
            "work_orders",
            order_id=["1", "2", "3"],
            vault_id=["B", "B", "A"],
            status=["open", "done", "open"],
            skill=["splice", "fly", None],
            earliest_on=["2024-01-02", None, "2024-01-02"],
            due_on=["2024-01-01", "2024-01-01", "2024-01-02"],
            window_from=["10:00", None, "08:00"],
            window_to=["09:00", "09:00", "12:00"],
        ),
        "trucks": frame(
            "trucks",
            truck_id=["C", "V"],
            kind=["crew", "vacuum"],
            skills=["inspect;splice", None],
            days=["mon", None],
            shift_from=["07:00", "22:00"],
            shift_to=["15:00", "06:00"],
        ),
        "disposal_sites": frame(
            "disposal_sites",
            site_id=["1", "2"],
            open_from=["07:00"] * 2,
            open_to=["17:00", "06:00"],
        ),
    }
    name, words = finding
    assert found(check_frames(frames), name, words) == rows


def test_the_rules_above_are_all_the_rules():
    tested = test_each_rule_of_the_trade_by_hand.pytestmark[0].args[1]
    words = {(rule.table, rule.finding) for rule in RULES}
    frames = {
        name: frame(name, **{table(name).key[0]: ["x"]})
        for name in ("drain_pipes", "inlets", "outfalls")
    }
    words |= {(fault.table, fault.finding) for fault in drain_faults(frames)}
    assert words == {finding for finding, _ in tested}


def test_every_line_names_a_rule_that_has_words():
    frames = _one_of_each_fault()
    words = rule_words().set_index("rule")
    assert words.index.is_unique
    for report in (check_frames(frames), row_findings(frames)):
        told = report[report["rule"] != ""]
        assert set(told["rule"]) <= set(words.index)
        graded = told[told["rule"] != "blank"]
        assert graded["severity"].tolist() == words.loc[graded["rule"], "severity"].tolist()


def _one_of_each_fault():
    return {
        "vaults": frame(
            "vaults",
            vault_id=["A", "B", "B"],
            district=["North", "South", None],
            gear_frac=[0.2, 1.5, None],
            gauge_id=["G9", None, None],
        ),
        "gauges": frame("gauges", gauge_id=["G1"]),
        "visits": frame(
            "visits",
            visit_id=["1", "2", "3", "4"],
            vault_id=["A", "B", "Z", "A"],
            visited_at=[f"2024-01-0{day}T00:00Z" for day in (1, 2, 3, 1)],
            finding=["dry", "wet", None, None],
            depth_in=[4.0, 5.0, None, None],
            grade=["clear", "murky", None, None],
        ),
        "trucks": frame("trucks", truck_id=["C"], kind=["crew"], days=["mon;noon"]),
    }


def test_faults_come_before_blanks_and_the_gravest_first():
    report = check_frames(_one_of_each_fault())
    is_blank = report["rule"].eq("blank") & report["severity"].ne("error")
    is_fault = report["severity"].ne("") & ~is_blank
    place = is_blank.astype(int) + 2 * report["severity"].eq("").astype(int)
    assert place.is_monotonic_increasing
    grave = report.loc[is_fault, "severity"].map({"error": 0, "warning": 1, "note": 2})
    assert grave.is_monotonic_increasing and set(grave) == {0, 1}
    faults = report[is_fault].set_index(["table", "rule"])["rows"]
    assert faults["vaults", "key_twice"] == 1
    assert faults["vaults", "lost_reference"] == 1
    assert faults["visits", "unknown_reference"] == 1
    assert faults["visits", "unknown_word"] == 1
    assert faults["trucks", "unknown_word"] == 1
    assert faults["vaults", "out_of_range"] == 1
    blanks = report[is_blank]
    costly = blanks["remedy"].str.contains("settings' share|stands for it")
    meant = blanks["remedy"].str.startswith("none needed")
    assert costly.any() and meant.any()
    assert blanks.index[costly].max() < blanks.index[meant].min()


def test_rows_are_told_one_by_one_with_their_key():
    told = row_findings(_one_of_each_fault())
    by_rule = told.set_index("rule")
    lost = by_rule.loc["unknown_reference"]
    assert lost[["table", "row_key", "column", "value"]].tolist() == [
        "visits",
        "3",
        "vault_id",
        "Z",
    ]
    same = told[told["rule"] == "visit_twice"]
    assert same["row_key"].tolist() == ["1", "4"]
    assert same["value"].tolist() == ["2024-01-01 00:00 UTC"] * 2
    assert by_rule.loc["out_of_range", "value"] == "1.5"
    grave = told["severity"].map({"error": 0, "warning": 1, "note": 2})
    assert grave.is_monotonic_increasing
    assert "blank" not in set(told["rule"])


def test_the_key_of_a_row_with_two_parts_is_a_list():
    rain = frame("rainfall", gauge_id=["G1", "G2"], fell_on=["2024-01-01", "2024-01-02"])
    rain["rain_in"] = [-1.0, 2.0]
    told = row_findings({"rainfall": rain})
    assert told["row_key"].tolist() == ['["G1", "2024-01-01"]']


def test_only_so_many_rows_are_listed_but_all_are_counted():
    vaults = frame("vaults", vault_id=[f"V{n}" for n in range(50)])
    told = row_findings({"vaults": vaults}, most=7)
    assert told["rule"].tolist() == ["size_missing"] * 7 + ["no_visit"] * 7
    assert found(check_frames({"vaults": vaults}), "vaults", "never visited") == 50


def field(report, name, column, district):
    at = (report["table"] == name) & (report["column"] == column) & (report["district"] == district)
    (row,) = report[at].itertuples()
    return row


def test_fields_by_district_solved_by_hand():
    report = field_quality(_one_of_each_fault())
    gear = field(report, "vaults", "gear_frac", "(all)")
    assert (gear.rows, gear.filled, gear.implausible) == (3, 2, 1)
    assert (gear.completeness, gear.plausibility) == (pytest.approx(2 / 3), 0.5)
    south = field(report, "vaults", "gear_frac", "South")
    assert (south.rows, south.filled, south.implausible, south.plausibility) == (1, 1, 1, 0.0)
    nobody = field(report, "vaults", "gear_frac", "")
    assert (nobody.rows, nobody.filled) == (1, 0)
    assert pd.isna(nobody.plausibility)
    # Visits count to their vault's district; Z is no vault, B stands first in South.
    finding = {d: field(report, "visits", "finding", d) for d in ("North", "South", "", "(all)")}
    assert {d: row.rows for d, row in finding.items()} == {
        **{"North": 2, "South": 1, "": 1, "(all)": 4}
    }
    assert (finding["North"].filled, finding["North"].implausible) == (1, 1)  # dry, 4 in of water
    grade = field(report, "visits", "grade", "South")
    assert (grade.filled, grade.implausible) == (1, 1)  # murky is no grade
    lost = field(report, "visits", "vault_id", "")
    assert (lost.filled, lost.implausible) == (1, 1)
    assert set(report.loc[report["table"] == "trucks", "district"]) == {"", "(all)"}


def test_blanks_that_may_be_meant_are_marked_and_counted_all_the_same():
    report = field_quality(_one_of_each_fault())
    every = report[report["district"] == "(all)"].set_index(["table", "column"])
    fine = every["blank_is_fine"]
    assert fine["vaults", "imputed"] and fine["visits", "notes"] and fine["vaults", "width_ft"]
    assert not (fine["vaults", "vault_id"] or fine["vaults", "gauge_id"] or fine["vaults", "lid"])
    assert every.loc[("vaults", "imputed"), "completeness"] == 0.0


def test_what_is_missing_elsewhere_does_not_make_a_value_implausible():
    report = field_quality({"vaults": frame("vaults", vault_id=["A"], depth_ft=[6.0])})
    # never visited, and without length and width: neither is the fault of these values
    assert field(report, "vaults", "vault_id", "(all)").plausibility == 1.0
    assert field(report, "vaults", "depth_ft", "(all)").plausibility == 1.0


def test_samples_and_drains_belong_to_a_district_too():
    vaults = frame("vaults", vault_id=["A", "B"], district=["North", "South"])
    vaults["geometry"] = [Point(0, 0), Point(10_000, 0)]
    inlets = frame("inlets", inlet_id=["near A", "near B", "far"], node_id=["1", "2", "3"])
    inlets["geometry"] = [Point(700, 0), Point(9_500, 0), Point(5_000, 0)]  # 0.5 mi is 805 m
    pipes = frame("drain_pipes", pipe_id=["p"], from_node=["1"], to_node=["2"])
    pipes["geometry"] = [LineString([(9_000, 300), (11_000, 300)])]
    report = field_quality(
        {
            "vaults": vaults,
            "inlets": inlets,
            "drain_pipes": pipes,
            "visits": frame("visits", visit_id=["1", "2"], vault_id=["B", "A"]),
            "samples": frame("samples", sample_id=["x", "y", "z"], visit_id=["1", "1", "9"]),
        }
    )

    def rows(name):
        told = report[(report["table"] == name) & (report["column"] == table(name).key[0])]
        return told.set_index("district")["rows"].to_dict()

    assert rows("inlets") == {"": 1, "North": 1, "South": 1, "(all)": 3}
    assert rows("drain_pipes") == {"South": 1, "(all)": 1}
    assert rows("samples") == {"": 1, "South": 2, "(all)": 3}


def test_no_rows_make_no_fields():
    assert field_quality({}).empty
    assert row_findings({}).empty
    assert set(field_quality({}).columns) >= {"table", "district", "column", "completeness"}


def test_rules_do_without_the_other_tables():
    for name in LOADABLE:
        row = frame(name, **{table(name).key[0]: ["x"]})
        report = check_frames({name: row})
        assert found(report, name, "rows") == 1
