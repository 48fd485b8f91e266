"""Two runs of one year: every changed cell, every moved line, and the visits that moved it."""

from __future__ import annotations

from tests.analysis.annual.test_lines import reported
from vaultplan.analysis.annual.changes import changed_lines, changed_visits
from vaultplan.analysis.annual.rows import line_keys

DRAIN = {"disposal": "storm_drain", "volume_gal": 10.0, "inlet_id": "I1"}


def compared(old, new):
    _, rows_before, before = reported(old)
    _, rows_after, after = reported(new)
    visits = changed_visits(rows_before, rows_after)
    keys = line_keys(rows_before), line_keys(rows_after)
    return visits, changed_lines(before, after, visits, *keys)


def test_the_same_run_changes_nothing():
    visits, lines = compared([DRAIN], [DRAIN])
    assert visits.empty
    assert lines.empty


def test_corrected_gallons_are_named_in_every_line_they_are_in():
    visits, lines = compared([DRAIN, DRAIN], [DRAIN, {**DRAIN, "volume_gal": 12.5}])
    (cell,) = visits.to_dict("records")
    assert (cell["visit_id"], cell["column"]) == ("v1", "volume_gal")
    assert (cell["before"], cell["after"]) == ("10.0", "12.5")
    whole = lines[lines["breakdown"].eq("all") & lines["sum"].eq("tenths")].iloc[0]
    assert (whole["before"], whole["after"]) == (200, 225)
    assert set(lines["visits"]) == {"v1"}
    assert set(lines["sum"]) == {"tenths", "unstated_tenths"}


def test_a_visit_moved_to_another_water_is_named_in_both_lines():
    _, lines = compared([DRAIN], [{**DRAIN, "inlet_id": "I2"}])
    moved = lines[lines["breakdown"].eq("water") & lines["sum"].eq("tenths")].set_index("key")
    assert moved.loc["Minnow Cut", ["before", "after", "visits"]].tolist() == [100, 0, "v0"]
    assert moved.loc["sewer", ["before", "after", "visits"]].tolist() == [0, 100, "v0"]


def test_visits_that_came_and_went():
    visits, lines = compared([DRAIN, DRAIN], [DRAIN])
    assert visits[["visit_id", "column", "before", "after"]].values.tolist() == [
        ["v1", "visit", "went out", ""]
    ]
    events = lines[lines["breakdown"].eq("all") & lines["sum"].eq("events")].iloc[0]
    assert (events["before"], events["after"]) == (2, 1)
