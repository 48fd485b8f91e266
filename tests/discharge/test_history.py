import pandas as pd
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from vaultplan.discharge.history import odd_water, water_history

UNTIL = pd.Timestamp("2026-11-03", tz="UTC")


@pytest.fixture
def history(make):
    """Give rows of (vault, day, grade, sheen)."""

    def run(*rows):
        visits = make.frame(
            "visits",
            *(
                {
                    "visit_id": f"x{n}",
                    "vault_id": vault,
                    "visited_at": f"2026-{day}T12:00:00Z",
                    "grade": grade,
                    "has_sheen": sheen,
                }
                for n, (vault, day, grade, sheen) in enumerate(rows)
            ),
        )
        asked = pd.Series(["v", "w", "x", "never seen"], dtype="str")
        return water_history(visits, asked, known_until=UNTIL).set_index("vault_id")

    return run


def test_the_latest_grade_and_how_many_in_a_row_were_heavy(history):
    found = history(
        ("v", "03-01", "heavy", False),
        ("v", "01-01", "clear", False),
        ("v", "02-01", "heavy", False),
        ("w", "01-01", "heavy", False),
        ("w", "02-01", "light", False),
        ("x", "01-01", "heavy", False),
    )
    assert found["last_grade"].to_dict() == {"v": "heavy", "w": "light", "x": "heavy"}
    assert found["heavy_in_a_row"].to_dict() == {"v": 2, "w": 0, "x": 1}
    assert found.loc["v", "last_graded_at"] == pd.Timestamp("2026-03-01T12:00Z")


def test_a_visit_without_a_grade_does_not_break_the_row(history):
    found = history(
        ("v", "01-01", "heavy", False), ("v", "02-01", None, None), ("v", "03-01", "heavy", False)
    )
    assert found.loc["v", "heavy_in_a_row"] == 2


def test_sheen_is_that_of_the_latest_look_and_blank_where_it_was_not_noted(history):
    found = history(
        ("v", "01-01", "clear", False),
        ("v", "02-01", None, True),
        ("v", "03-01", None, None),
        ("w", "01-01", "light", True),
        ("w", "02-01", "light", None),
    )
    assert bool(found.loc["v", "last_has_sheen"])
    assert pd.isna(found.loc["w", "last_has_sheen"])


def test_a_vault_whose_water_nobody_looked_at_is_absent(history):
    assert history(("v", "01-01", None, None)).empty
    assert history().empty


def test_what_came_later_is_not_looked_at(history):
    found = history(("v", "11-02", "clear", False), ("v", "11-03", "heavy", True))
    assert found.loc["v", "last_grade"] == "clear"


def test_visits_to_vaults_that_nobody_asked_about_are_passed_over(history):
    assert history(("other", "01-01", "heavy", True), ("v", "01-01", "clear", None)).index == ["v"]


@settings(
    max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(
    seen=st.lists(
        st.tuples(
            st.sampled_from(["v", "w"]),
            st.sampled_from([None, "clear", "heavy"]),
            st.sampled_from([None, True, False]),
        ),
        max_size=12,
    )
)
def test_random_histories_agree_with_a_plain_walk_through_the_visits(history, seen):
    found = history(*((v, f"01-{n + 1:02d}", g, s) for n, (v, g, s) in enumerate(seen)))
    for vault in ("v", "w"):
        grades = [g for v, g, _ in seen if v == vault and g]
        looked = [s for v, g, s in seen if v == vault and (g or s is not None)]
        assert (vault in found.index) == bool(looked)
        if looked:
            sheen = found.loc[vault, "last_has_sheen"]
            assert (None if pd.isna(sheen) else bool(sheen)) == looked[-1]
        if grades:
            in_a_row = next(
                (n for n, g in enumerate(reversed(grades)) if g == "clear"), len(grades)
            )
            assert found.loc[vault, "heavy_in_a_row"] == in_a_row
            assert found.loc[vault, "last_grade"] == grades[-1]


def test_row_order_does_not_matter_even_at_one_moment(history):
    rows = [("v", "01-01", "clear", False), ("v", "01-01", "heavy", False)]
    assert history(*rows).loc["v", "last_grade"] == "heavy"


def test_odd_signs_are_those_of_the_latest_look_and_ph_the_last_measured(make):
    def visit(n, day, **noted):
        row = {"visit_id": f"x{n}", "vault_id": "v", "visited_at": f"2026-{day}T12:00:00Z"}
        return row | noted

    visits = make.frame(
        "visits",
        visit(1, "01-01", grade="light", odor="fuel", color="none", has_foam=True, ph=9.5),
        visit(2, "02-01", grade="clear", odor="None", color="tea brown"),
        visit(3, "03-01", finding="dry"),
        visit(4, "12-01", grade="clear", odor="sewage"),
    )
    asked = pd.Series(["v", "never"], dtype="str")
    (row,) = odd_water(visits, asked, known_until=UNTIL).to_dict("records")
    assert (row["last_odd_odor"], row["last_odd_color"]) == (False, True)
    assert pd.isna(row["last_has_foam"])
    assert row["last_ph"] == 9.5


def test_bad_gradings_in_a_row_count_light_ones_too(history):
    found = history(
        ("v", "01-01", "clear", False),
        ("v", "02-01", "light", False),
        ("v", "03-01", "heavy", False),
        ("w", "01-01", "heavy", False),
        ("w", "02-01", "clear", False),
    )
    assert found["bad_in_a_row"].to_dict() == {"v": 2, "w": 0}
    assert found["heavy_in_a_row"].to_dict() == {"v": 1, "w": 0}
