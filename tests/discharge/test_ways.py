"""Of all ways the water may take, the strictest counts."""

import pandas as pd
import pytest

from vaultplan.discharge.reached import FLAGS
from vaultplan.discharge.ways import ENDS, feet_to_sensitive, ways_of, ways_out
from vaultplan.schema import table

GRADES = pd.DataFrame(
    {"outfall_id": ["calm", "high", "odd"], "sensitivity": ["ordinary", "high", "unknown"]}
)


def _reached():
    frame = pd.DataFrame({"outfall_id": ["calm", "high", "odd"]})
    for name in FLAGS:
        frame[name] = pd.array([False, False, False], dtype="boolean")
    frame.loc[1, "reaches_intake"] = True
    frame.loc[2, "reaches_beach"] = pd.NA
    frame["daily_cap_gal"] = [None, 5000.0, 800.0]
    return frame


def _ways(**trace):
    row = {"vault_id": "v", "trace_status": "complete", "outfall_id": "calm"} | trace
    traces = table("traces").conform(pd.DataFrame([row]))
    return ways_of(traces, GRADES, _reached()).iloc[0]


def test_one_calm_way():
    row = _ways()
    assert row["sensitivity"] == "ordinary"
    assert not row[[*ENDS, *FLAGS, "parts_elsewhere"]].any()
    assert pd.isna(row["daily_cap_gal"])


@pytest.mark.parametrize(
    "trace",
    [
        {"second_status": "complete", "second_outfall_id": "high"},
        {"part_outfalls": "high=0.02"},
        {"part_outfalls": "calm=0.30;high=0.02"},
    ],
)
def test_a_second_inlet_or_a_part_may_reach_a_stricter_place(trace):
    row = _ways(**trace)
    assert row["sensitivity"] == "high"
    assert row["reaches_intake"]
    assert row["parts_elsewhere"]
    assert row["daily_cap_gal"] == 5000.0


def test_a_second_inlet_to_the_same_outfall_changes_nothing():
    row = _ways(second_status="complete", second_outfall_id="calm")
    assert not row["parts_elsewhere"]
    assert row["sensitivity"] == "ordinary"


@pytest.mark.parametrize(
    ("trace", "fact"),
    [
        ({"second_status": "loop"}, "end_unknown"),
        ({"part_ends": "no_outfall"}, "end_unknown"),
        ({"part_ends": "private;sewer"}, "ends_in_sewer"),
        ({"trace_status": "sewer_plant"}, "ends_in_sewer"),
        ({"part_ends": "private"}, "ends_private"),
        ({"second_status": "dry_well"}, "ends_in_ground"),
        ({"trace_status": "pump_station"}, "ends_at_pump"),
    ],
)
def test_any_way_that_ends_badly_is_told(trace, fact):
    assert _ways(**trace)[fact]


def test_one_blank_among_false_is_blank_and_true_wins():
    row = _ways(part_outfalls="odd=0.5")
    assert pd.isna(row["reaches_beach"])
    assert row["sensitivity"] == "unknown"
    assert _ways(part_outfalls="odd=0.5;high=0.2")["reaches_intake"]


def test_no_outfall_at_all_is_unknown():
    row = _ways(outfall_id=None, trace_status="no_outfall")
    assert row["sensitivity"] == "unknown"
    assert row[list(FLAGS)].isna().all()


@pytest.mark.parametrize(
    "trace",
    [
        {"second_status": "complete", "second_outfall_id": "calm", "second_parts": "high=0.10"},
        {"second_parts": "calm=0.50;high=0.10"},
    ],
)
def test_what_splits_off_behind_a_second_inlet_counts(trace):
    row = _ways(**trace)
    assert (row["sensitivity"], bool(row["parts_elsewhere"])) == ("high", True)
    assert _ways(second_part_ends="dry_well")["ends_in_ground"]
    assert _ways(second_part_ends="loop;sewer")["ends_in_sewer"]
    assert _ways(part_ends="no_water")["end_unknown"]


def test_every_way_out_with_its_share():
    row = {"vault_id": "v", "outfall_id": "calm", "main_share": 0.7, "part_outfalls": "odd=0.3"}
    row |= {"trace_status": "complete"}
    row |= {"second_outfall_id": "high", "second_parts": "odd=0.20;calm=0.80"}
    found = ways_out(
        table("traces").conform(pd.DataFrame([row, {"vault_id": "w", "trace_status": "no_inlet"}]))
    )
    assert found[["vault_id", "outfall_id", "way", "share"]].values.tolist() == [
        ["v", "calm", "main", 0.7],
        ["v", "odd", "split", 0.3],
        ["v", "high", "second", 1.0],
        ["v", "odd", "second", 0.2],
    ]


def test_feet_of_flow_to_the_first_sensitive_water():
    """300 ft to the outfall; the lagoon begins 500 ft down, the bay 900; both ask for care."""
    row = {"vault_id": "v", "trace_status": "complete", "outfall_id": "calm", "length_ft": 300.0}
    told = ["creek=0;lagoon=500;bay=900", "creek=0;lagoon=500;bay=900", "creek=0", None]
    rows = [row | {"vault_id": f"v{n}", "waters_ft": words} for n, words in enumerate(told)]
    rows[1]["part_outfalls"] = "high=0.2"
    traces = table("traces").conform(pd.DataFrame(rows))
    ways = ways_of(traces, GRADES, _reached())
    feet = feet_to_sensitive(traces, frozenset({"lagoon", "bay"}), ways)
    assert feet.tolist() == pytest.approx([800.0, float("nan")] + 2 * [float("nan")], nan_ok=True)
    ways["near_sensitive"] = pd.array([False, False, True, True], dtype="boolean")
    feet = feet_to_sensitive(traces, frozenset({"lagoon"}), ways)
    assert feet.tolist()[2:] == [300.0, 300.0]
    assert feet_to_sensitive(traces.head(0), frozenset({"lagoon"}), ways.head(0)).empty
