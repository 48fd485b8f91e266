"""Laboratory results brought to one unit, with what cannot be used named; pairs by hand."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from vaultplan.analysis.removal import median_interval, removals, typical_removal
from vaultplan.analysis.samples import BELOW, characteristics, pairs_of, results_of, usable
from vaultplan.analysis.wqx import COLUMNS, REQUIRED, wqx_rows
from vaultplan.schema import table

ZINC = "Zinc"


def frames_of(*rows):
    """Rows of visit_id, stage, characteristic, value, unit, condition, limit; days after."""
    names = ["visit_id", "stage", "characteristic", "result_value", "result_unit"]
    names += ["detection_condition", "reporting_limit", "analyzed_on"]
    samples = pd.DataFrame([(*row, *[None] * (8 - len(row))) for row in rows], columns=names)
    samples["sample_id"] = [f"s{number}" for number in range(len(samples))]
    visits = pd.DataFrame({"visit_id": sorted(set(samples["visit_id"]))})
    visits["vault_id"] = [f"V-{visit}" for visit in visits["visit_id"]]
    # Half past ten in the evening of the 4th, ten hours behind UTC.
    visits["visited_at"] = pd.Timestamp("2026-05-05T08:30Z")
    return {
        "samples": table("samples").conform(samples),
        "visits": table("visits").conform(visits),
    }


def test_results_come_to_the_unit_most_of_them_have():
    frames = frames_of(
        ("a", "raw", ZINC, 5.0, "ug/L"),
        ("b", "raw", ZINC, 7.0, "ug/L"),
        ("c", "raw", ZINC, 0.02, "mg/L"),
        ("d", "raw", ZINC, None, "ppm", "Not Detected", 0.001),
        ("e", "raw", ZINC, 30.0, "NTU"),
    )
    found = results_of(frames, {})
    assert found["unit"].tolist() == ["ug/L"] * 5
    assert found["value"].tolist()[:4] == pytest.approx([5.0, 7.0, 20.0, 1.0])
    assert found["is_below"].tolist() == [False, False, False, True, False]
    assert found["trouble"].tolist()[:4] == [""] * 4
    assert "unit cannot be brought" in found["trouble"].iloc[4]
    assert len(usable(found)) == 4


@pytest.mark.parametrize(
    ("value", "condition", "limit", "words"),
    [
        (1.0, "Not Detected", 2.0, "a value and a detection condition"),
        (None, None, 2.0, "neither"),
        (None, "Present Above Quantification Limit", 2.0, "tells no limit"),
        (None, "Not Detected", None, "limit that is not given"),
        (None, "Not Detected", 0.0, "not above 0"),
        (-1.0, None, None, "below 0"),
    ],
)
def test_what_cannot_be_used_is_named_and_left_out(value, condition, limit, words):
    frames = frames_of(("a", "raw", ZINC, value, "ug/L", condition, limit))
    found = results_of(frames, {})
    assert words in found["trouble"].iloc[0]
    assert usable(found).empty


def test_conditions_are_those_of_wqx_and_read_in_any_letters():
    """WQX 3.0 result detection conditions (npm wqx 3.0.209, values/ResultDetectionCondition)."""
    rows = [("a", "raw", ZINC, None, "ug/L", name.upper(), 2.0) for name in BELOW]
    found = results_of(frames_of(*rows), {})
    assert found["is_below"].all() and found["trouble"].eq("").all()


def test_held_too_long_counts_from_the_local_day():
    """Taken on the 4th of May by local time; seven days end on the 11th."""
    rows = [("a", "raw", ZINC, 1.0, "ug/L", None, None, f"2026-05-{day}") for day in (11, 12)]
    rows += [
        ("a", "raw", ZINC, 1.0, "ug/L"),
        ("a", "raw", "Lead", 1.0, "ug/L", None, None, "2026-07-01"),
    ]
    found = results_of(frames_of(*rows), {ZINC: 7.0}, "Etc/GMT+10")
    assert found["held_too_long"].tolist()[:2] == [False, True]
    assert found["held_too_long"].isna().tolist()[2:] == [True, True]
    assert len(usable(found, with_held_too_long=False)) == 3


def test_no_result_at_all_is_no_fault():
    found = results_of(frames_of(), {})
    assert found.empty and characteristics(found).empty
    pairs, removed = pairs_of(found)
    assert pairs.empty and removed.empty


def test_pairs_tell_what_they_can():
    frames = frames_of(
        ("a", "raw", ZINC, 50.0, "ug/L"),
        ("a", "filtered", ZINC, 5.0, "ug/L"),
        ("b", "raw", ZINC, 50.0, "ug/L"),
        ("b", "filtered", ZINC, None, "ug/L", "Not Detected", 5.0),
        ("c", "raw", ZINC, None, "ug/L", "Not Detected", 10.0),
        ("c", "filtered", ZINC, 20.0, "ug/L"),
        ("d", "raw", ZINC, None, "ug/L", "Not Detected", 10.0),
        ("d", "filtered", ZINC, None, "ug/L", "Not Detected", 10.0),
        ("e", "raw", ZINC, 3.0, "ug/L"),
    )
    pairs, removed = pairs_of(usable(results_of(frames, {})))
    assert pairs["tells"].tolist() == ["exact", "at least", "at most", "cannot tell"]
    assert pairs["least_frac"].tolist() == pytest.approx([0.9, 0.9, -np.inf, -np.inf])
    assert pairs["most_frac"].tolist() == pytest.approx([0.9, 1.0, -1.0, 1.0])
    (row,) = removed.to_dict("records")
    assert (row["pair_count"], row["worse_count"], row["cannot_tell_count"]) == (4, 1, 1)
    # All that came in: 100 to 120; all that went out: 25 to 40.
    assert row["load_least_frac"] == pytest.approx(1 - 40 / 100)
    assert row["load_most_frac"] == pytest.approx(1 - 25 / 120)


# Ranks of the interval for a median, 95 %: Conover (1999), Practical Nonparametric Statistics, by
# the binomial; n = 10 gives the 2nd and 9th, n = 20 the 6th and 15th (from memory).
@pytest.mark.parametrize(("count", "low", "high"), [(10, 2, 9), (20, 6, 15), (6, 1, 6)])
def test_the_interval_of_a_median_is_that_of_ranks(count, low, high):
    values = np.arange(1.0, count + 1)
    assert median_interval(values, values) == (low, high)
    assert np.isnan(median_interval(values[:5], values[:5])).all()


def test_the_interval_covers_the_median_as_often_as_it_says():
    rng = np.random.default_rng(1)
    inside = 0
    for _ in range(2000):
        values = rng.exponential(1.0, 15)
        low, high = median_interval(values, values)
        inside += low <= np.log(2.0) <= high
    assert inside / 2000 >= 0.94


shares = st.lists(
    st.tuples(st.floats(0.1, 100), st.booleans(), st.floats(0.1, 100), st.booleans()),
    min_size=1,
    max_size=20,
)


@given(shares)
def test_whatever_the_non_detects_were_the_truth_lies_within_the_bounds(drawn):
    """The true values are anywhere below the limits: every figure's bounds hold them."""
    before = np.array([raw for raw, *_ in drawn])
    after = np.array([filtered for *_, filtered, _ in drawn])
    rows = []
    for number, (raw, raw_below, filtered, filtered_below) in enumerate(drawn):
        rows.append((f"v{number}", "raw", raw * 1.5 if raw_below else raw, raw_below))
        limit = filtered * 1.5 if filtered_below else filtered
        rows.append((f"v{number}", "filtered", limit, filtered_below))
    results = pd.DataFrame(rows, columns=["visit_id", "stage", "value", "is_below"])
    pairs = removals(results.assign(characteristic=ZINC, unit="ug/L"))
    order = pairs["visit_id"].str[1:].astype(int).to_numpy()
    share = (1.0 - after / before)[order]
    assert (pairs["least_frac"] <= share + 1e-9).all()
    assert (pairs["most_frac"] >= share - 1e-9).all()
    found = typical_removal(pairs)
    assert found["median_least_frac"] - 1e-9 <= np.median(share)
    assert found["median_most_frac"] + 1e-9 >= np.median(share)
    load = 1.0 - after.sum() / before.sum()
    assert found["load_least_frac"] - 1e-9 <= load <= found["load_most_frac"] + 1e-9


def test_wqx_rows_have_a_value_or_a_condition_and_what_wqx_requires():
    """Required columns of a result: json-schema/physical-chemistry.json of npm wqx 3.0.209."""
    frames = frames_of(
        ("a", "raw", ZINC, 5.25, "ug/L", None, 1.0, "2026-05-06"),
        ("a", "filtered", ZINC, None, "ug/L", "Not Detected", 1.0),
        ("b", None, ZINC, 1.0, "ug/L", "Not Detected", 1.0),
    )
    rows = wqx_rows(frames, time_zone="Pacific/Honolulu", project_id="P-1")
    assert tuple(rows.columns) == COLUMNS and set(REQUIRED) <= set(COLUMNS)
    assert rows["Activity ID"].tolist() == ["a-raw", "a-filtered"]
    assert rows["Result Value"].tolist() == ["5.25", ""]
    assert rows["Result Unit"].tolist() == ["ug/L", ""]
    assert rows["Result Detection Condition"].tolist() == ["", "Not Detected"]
    assert rows["Activity Start Date"].tolist() == ["2026-05-04"] * 2
    assert rows["Activity Start Time Zone"].tolist() == ["HST"] * 2
    assert rows["Analysis Start Date"].tolist() == ["2026-05-06", ""]
    assert (rows[list(REQUIRED)] != "").all(axis=None)
    plain = wqx_rows(frames, time_zone="Etc/GMT+10", project_id="P-1")
    assert plain["Activity Start Time"].tolist() == ["", ""], "a zone that WQX has no letters for"
