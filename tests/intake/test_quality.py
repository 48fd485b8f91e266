"""What is missing or unlikely in loaded tables, counted on rows solved by hand."""

from __future__ import annotations

import geopandas as gpd
import pandas as pd
import pytest
from shapely import Point

from vaultplan.intake import check_frames
from vaultplan.intake.plausible import RULES
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
    assert report["table"].tolist() == list(LOADABLE)
    assert set(report["finding"]) == {"no rows"}
    assert report["share"].isna().all()


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
    assert {(rule.table, rule.finding) for rule in RULES} == {finding for finding, _ in tested}


def test_rules_do_without_the_other_tables():
    for name in LOADABLE:
        row = frame(name, **{table(name).key[0]: ["x"]})
        report = check_frames({name: row})
        assert found(report, name, "rows") == 1
