"""Every line is the sum of its visits, whatever they say; another way of counting agrees."""

from __future__ import annotations

import io

import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.analysis.annual.conftest import ZONE, town
from vaultplan.analysis.annual.book import year_book
from vaultplan.analysis.annual.lines import SUMS, drums_of, lines_of, part_of
from vaultplan.analysis.annual.reconcile import recounted, recounted_lines, unreconciled
from vaultplan.analysis.annual.rows import BREAKDOWNS, check_rows, drill_down, line_keys
from vaultplan.errors import OutputError

VISIT = st.fixed_dictionaries(
    {
        "vault_id": st.sampled_from(["A", "B"]),
        "visited_at": st.sampled_from(["2025-01-05T22:00Z", "2025-07-01T22:00Z"]),
        "finding": st.sampled_from(["wet", "dry", "full", "not_seen"]),
        "grade": st.sampled_from([None, "clear", "light", "heavy"]),
        "disposal": st.sampled_from([None, "none", "storm_drain", "filter_sock", "vacuum_truck"]),
        "volume_gal": st.one_of(st.none(), st.floats(0, 30_000).map(lambda x: round(x, 2))),
        "volume_basis": st.sampled_from([None, "measured", "estimated"]),
        "socks_used": st.one_of(st.none(), st.integers(0, 6)),
        "inlet_id": st.sampled_from([None, "I1", "I2", "I9"]),
    }
)


def reported(rows):
    book = year_book(town(*rows), year=2025, time_zone=ZONE).assign(exceptions="", override_ids="")
    told = drill_down(book)
    return book, told, lines_of(book, line_keys(told))


@settings(max_examples=30)
@given(st.lists(VISIT, min_size=1, max_size=25))
def test_lines_are_the_exact_sums_of_their_visits(rows):
    book, told, lines = reported(rows)
    # Through the text of a file and back, as a reader of the drill-down would add it up.
    again = pd.read_csv(
        io.StringIO(told.to_csv(index=False)), dtype="str", keep_default_na=False
    ).to_dict("records")
    assert unreconciled(lines, recounted(again)) == []
    whole = part_of(lines, "all").iloc[0]
    assert whole["events"] == book["counted"].eq("pump-out").sum()
    assert whole["tenths"] == book["tenths"].sum()
    assert whole["unknown_events"] + book["tenths"].notna().sum() == whole["events"]
    parts = whole["measured_tenths"] + whole["estimated_tenths"] + whole["unstated_tenths"]
    assert parts == whole["tenths"]


@settings(max_examples=20)
@given(st.lists(VISIT, min_size=1, max_size=12), st.data())
def test_a_changed_figure_does_not_reconcile(rows, data):
    _, told, lines = reported(rows)
    at = data.draw(st.sampled_from(range(len(lines))))
    name = data.draw(st.sampled_from(SUMS))
    spoiled = lines.copy()
    spoiled.loc[at, name] += 1
    assert unreconciled(spoiled, recounted(told.to_dict("records")))


def test_a_line_without_visits_and_visits_without_a_line_are_told():
    _, told, lines = reported([{"disposal": "storm_drain", "volume_gal": 5.0}])
    short = lines[lines["key"].ne("Minnow Cut")]
    words = unreconciled(short, recounted(told.to_dict("records")))
    assert any("water Minnow Cut: visits without a line" in line for line in words)


def test_by_hand():
    rows = [
        {"disposal": "storm_drain", "volume_gal": 100.25, "volume_basis": "measured"},
        {"disposal": "filter_sock", "volume_gal": 50.0, "socks_used": 2, "inlet_id": "I2"},
        {"disposal": "filter_sock", "volume_basis": "estimated"},
        {"disposal": "vacuum_truck", "volume_gal": 7.0, "volume_basis": "estimated"},
        {"finding": "dry"},
    ]
    _, _, lines = reported(rows)
    whole = part_of(lines, "all").iloc[0]
    assert [int(whole[name]) for name in SUMS] == [4, 1, 1573, 1003, 70, 500, 2, 1]
    waters = part_of(lines, "water").set_index("key")["tenths"]
    assert waters.to_dict() == {"Minnow Cut": 1003, "hauled away": 70, "sewer": 500}
    months = part_of(lines, "month")
    assert months["key"].tolist() == [f"{month:02d}" for month in range(1, 13)]
    assert months["events"].tolist() == [0, 0, 0, 0, 4, 0, 0, 0, 0, 0, 0, 0]
    outfalls = part_of(lines, "outfall").set_index("key")["events"]
    assert outfalls.to_dict() == {"O1": 2, "hauled away": 1, "no outfall known": 1}


def test_lines_of_counts_are_as_the_report_has_them():
    _, told, lines = reported([{"disposal": "storm_drain", "volume_gal": 5.0}])
    counted = recounted_lines(recounted(told.to_dict("records")))
    assert set(counted["breakdown"]) == set(BREAKDOWNS)
    both = counted.merge(lines, on=["breakdown", "key", *SUMS])
    assert len(both) == len(counted)


def test_drums_hold_the_socks_of_oily_water():
    book = pd.DataFrame(
        {
            "counted": ["pump-out"] * 4,
            "socks_used": [5, 2, 3, 9],
            "has_sheen": pd.array([True, True, None, False], dtype="boolean"),
        }
    )
    assert drums_of(book, 4) == (2, 3)


def test_a_file_that_is_no_drill_down_is_refused():
    _, told, _ = reported([{"disposal": "storm_drain"}])
    check_rows(told, "visits.csv", 2025)
    with pytest.raises(OutputError, match=r"it lacks way"):
        check_rows(told.drop(columns="way"), "visits.csv", 2025)
    with pytest.raises(OutputError, match="v0 twice"):
        check_rows(pd.concat([told, told]), "visits.csv", 2025)
    with pytest.raises(OutputError, match="compare reports of 2024"):
        check_rows(told, "visits.csv", 2024)
