"""What bounds a job besides its days and hours."""

from __future__ import annotations

import pandas as pd
import pytest

from vaultplan.schedule.bounds import what_bounds
from vaultplan.schema import table

ORDERS = pd.DataFrame({"order_id": ["o1", "o2"], "vault_id": ["v1", "v2"]})


def _bounds(rules=("", ""), **frames):
    made = {name: table(name).conform(pd.DataFrame(rows)) for name, rows in frames.items()}
    found = what_bounds(ORDERS, pd.Series(rules, dtype="str"), made)
    return pd.DataFrame(found)


@pytest.mark.parametrize(
    ("rules", "waste"),
    [
        ("light_water", "sediment"),
        ("light_water;sheen_last_time", "oily"),
        ("pcb_possible;light_water", "unknown"),
        ("grade_unknown;sheen_last_time", "oily"),
        ("oil_and_pcb;sheen_last_time;pcb_possible", "pcb"),
        ("not_oil_and_pcb_at_all", "sediment"),
    ],
)
def test_the_rules_say_how_a_load_is_kept_apart(rules, waste):
    assert _bounds((rules, ""))["waste_profile"].tolist() == [waste, "sediment"]


def test_outfall_and_cap_come_by_the_trace():
    traces = [
        {"vault_id": "v1", "trace_status": "complete", "outfall_id": "f"},
        {"vault_id": "v2", "trace_status": "no_inlet"},
    ]
    falls = table("outfalls").empty("EPSG:32606")
    falls.loc[0, ["outfall_id", "daily_cap_gal"]] = ["f", 900.0]
    found = what_bounds(
        ORDERS,
        pd.Series(["", ""], dtype="str"),
        {"traces": table("traces").conform(pd.DataFrame(traces)), "outfalls": falls},
    )
    assert found["outfall_id"].tolist()[0] == "f"
    assert found["daily_cap_gal"].tolist()[0] == 900.0
    assert found["daily_cap_gal"].isna().tolist() == [False, True]


def test_edits_are_gathered_by_order():
    edits = [
        {"edit_id": "1", "order_id": "o1", "asks": "keep", "truck_id": "C1", "on": "2026-11-03"},
        {"edit_id": "2", "order_id": "o1", "asks": "bar", "on": "2026-11-04"},
        {"edit_id": "3", "order_id": "o1", "asks": "keep", "truck_id": "X1", "place": 2},
        {"edit_id": "4", "order_id": "o9", "asks": "bar", "truck_id": "C1"},
    ]
    found = _bounds(plan_edits=edits)
    assert found["kept_to"].tolist()[0] == "C1@2026-11-03;X1@*"
    assert found["barred_from"].tolist()[0] == "*@2026-11-04"
    assert found["place"].tolist()[0] == 2
    assert found[["kept_to", "barred_from", "place"]].iloc[1].isna().all()
