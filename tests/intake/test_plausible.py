"""Tables whose ids are numbered once, and what each rule of the trade makes of blanks."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from vaultplan.intake import rules
from vaultplan.intake.plausible import (
    RULES,
    WHOLE_RULES,
    Linked,
    broken_rules,
    is_among,
    severity_of,
    true_in,
)
from vaultplan.schema import table

IDS = st.sampled_from(["a", "b", "c", "é", ""])


def texts(values):
    return pd.Series(values, dtype="str")


def visits(**columns):
    count = len(next(iter(columns.values())))
    rows = {
        "visit_id": [f"{n}" for n in range(count)],
        "vault_id": ["A"] * count,
        "visited_at": [f"2024-01-{n + 1:02d}T00:00Z" for n in range(count)],
    }
    return table("visits").conform(pd.DataFrame({**rows, **columns}))


def broken(name, frames):
    found = {each.rule: each.where.tolist() for each in broken_rules(Linked(frames), name)}
    assert all(len(where) == len(frames[name]) for where in found.values())
    return found


@given(
    asked=st.lists(st.none() | IDS, max_size=12),
    known=st.lists(st.none() | IDS, max_size=12),
)
def test_rows_of_are_the_first_rows_with_the_id(asked, known):
    frames = {
        "here": pd.DataFrame({"id": texts(asked)}),
        "there": pd.DataFrame({"id": texts(known)}),
    }
    rows = Linked(frames).rows_of("here", "id", "there", "id")
    expected = [-1 if one is None else known.index(one) if one in known else -2 for one in asked]
    assert rows.tolist() == expected


@given(values=st.lists(st.none() | IDS, max_size=9), known=st.sets(IDS))
def test_is_among_says_what_pandas_says(values, known):
    found = is_among(texts(values), pd.Index(sorted(known), dtype="str"))
    assert found.tolist() == [value in known for value in values]


def test_numbers_taken_from_another_table_are_blank_where_it_has_no_such_row():
    linked = Linked({"there": pd.DataFrame({"depth": [3.0, np.nan]})})
    taken = linked.taken("there", "depth", np.array([0, 1, -1, -2]))
    assert taken[0] == 3.0 and np.isnan(taken[1:]).all()


def test_what_is_not_known_does_not_hold():
    unsure = pd.array([True, None, False], dtype="boolean")
    assert true_in(pd.Series(unsure)).tolist() == [True, False, False]


def test_blanks_alone_break_no_rule_about_visits():
    found = broken("visits", {"visits": visits(notes=[None, "dry"])})
    assert not any(any(where) for where in found.values())


def test_a_visit_to_an_unknown_vault_is_not_too_deep():
    vaults = pd.DataFrame({"vault_id": texts(["A"]), "depth_ft": [5.0]})
    frames = {
        "vaults": vaults,
        "visits": visits(vault_id=["A", "A", "Z"], depth_in=[61.0, 61.5, 99.0]),
    }
    assert broken("visits", frames)["too_deep"] == [False, True, False]


def test_two_visits_to_one_vault_at_one_moment():
    at = ["2024-01-01T00:00Z", "2024-01-01T00:00Z", "2024-01-01T00:00Z", "2024-01-01T00:01Z"]
    frames = {"visits": visits(vault_id=["A", "B", "A", "A"], visited_at=at)}
    assert broken("visits", frames)["visit_twice"] == [True, False, True, False]


def test_an_order_whose_status_is_blank_counts_as_open():
    orders = pd.DataFrame(
        {
            "order_id": ["1", "2", "3"],
            "vault_id": ["A", "A", "B"],
            "status": [None, "cancelled", "open"],
        }
    )
    vaults = pd.DataFrame(
        {"vault_id": texts(["A", "B"]), "status": texts(["retired", "in_service"])}
    )
    frames = {"vaults": vaults, "work_orders": table("work_orders").conform(orders)}
    assert broken("work_orders", frames)["order_at_idle"] == [True, False, False]


@pytest.mark.parametrize("name", sorted({rule.table for rule in RULES}))
def test_rules_hold_for_a_table_alone(name):
    declared = table(name)
    frame = declared.empty("EPSG:32606") if declared.geometry else declared.empty()
    assert all(each.where.shape == (0,) for each in broken_rules(Linked({name: frame}), name))


def test_every_rule_has_a_gravity_and_no_name_means_two_things():
    assert not set(rules.RULES) & set(WHOLE_RULES)
    for rule in RULES:
        assert severity_of(rule.name) in ("error", "warning", "note")
    assert severity_of("no_visit") == "note" and severity_of("key_twice") == "error"
