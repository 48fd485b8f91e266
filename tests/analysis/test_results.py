"""Results beside the plan, each difference by a visit that shows it and one that does not."""

from __future__ import annotations

import pandas as pd
import pytest

from vaultplan.analysis.results import against_plan

PLANNED = {
    "order_id": "O1", "plan_id": "P1", "vault_id": "A", "method": "filter_sock", "gate": "go",
    "volume_gal_p10": 50.0, "volume_gal_p90": 200.0,
}  # fmt: skip
AS_PLANNED = {
    "visit_id": "v", "vault_id": "A", "order_id": "O1", "finding": "wet", "grade": "light",
    "disposal": "filter_sock", "volume_gal": 100.0,
}  # fmt: skip


def compared(planned=None, **seen):
    visits = pd.DataFrame([{**AS_PLANNED, **seen}]).astype(
        {"disposal": "str", "grade": "str", "finding": "str", "volume_gal": "float"}
    )
    return against_plan(visits, pd.DataFrame([{**PLANNED, **(planned or {})}])).iloc[0]


def test_what_went_as_planned_differs_in_nothing():
    row = compared()
    assert row["differs"] == ""
    assert row["in_band"]


@pytest.mark.parametrize(
    ("seen", "words"),
    [
        ({"disposal": "vacuum_truck"}, "done: vacuum truck"),
        ({"grade": "heavy"}, "dirtier than planned for: heavy"),
        ({"grade": "clear"}, "cleaner than planned for: clear"),
        ({"volume_gal": 200.1}, "more water than expected"),
        ({"volume_gal": 49.9}, "less water than expected"),
        ({"vault_id": "B"}, "another vault than the order's"),
        ({"finding": "dry", "disposal": None, "grade": None, "volume_gal": None}, "dry"),
    ],
)
def test_each_difference_is_said_alone(seen, words):
    assert compared(**seen)["differs"] == words


@pytest.mark.parametrize("gate", ["hold", "refer"])
def test_a_discharge_that_was_held_or_referred_is_said(gate):
    assert compared({"gate": gate})["differs"] == "discharged though it was held or referred"
    hauled = compared({"gate": gate, "method": "vacuum_truck"}, disposal="vacuum_truck")
    assert "discharged" not in hauled["differs"]


def test_gallons_are_held_to_the_band_where_they_are_known():
    assert pd.isna(compared(volume_gal=None)["in_band"])
    assert not compared(volume_gal=500.0)["in_band"]
    dry = {"finding": "dry", "volume_gal": None}
    assert not compared(**dry)["in_band"]
    assert compared({"volume_gal_p10": 0.0}, **dry)["in_band"]
    assert pd.isna(compared(finding="dry", volume_gal=900.0)["in_band"])


def test_visits_without_a_planned_order_are_passed_over():
    assert against_plan(
        pd.DataFrame([AS_PLANNED]), pd.DataFrame([{**PLANNED, "order_id": "X"}])
    ).empty
