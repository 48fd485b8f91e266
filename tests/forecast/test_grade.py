import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from vaultplan.forecast.grade import counted, fit_grades
from vaultplan.forecast.grade_history import known_before, read_history
from vaultplan.forecast.weather import day_number
from vaultplan.schema import GRADES, table
from vaultplan.settings import Settings

AS_OF = pd.Timestamp("2026-06-30")
CHANCES = ["prob_clear", "prob_light", "prob_heavy"]


def model_of(rows, count=3, use="industry", as_of=AS_OF, shuffle=None):
    vaults = table("vaults").conform(
        gpd.GeoDataFrame(
            {"vault_id": [f"V{i}" for i in range(count)], "district": "North", "land_use": use},
            geometry=gpd.points_from_xy(range(count), [0] * count),
            crs="EPSG:32606",
        )
    )
    visits = pd.DataFrame(rows, columns=["vault_id", "on", "finding", "grade"])
    visits["visited_at"] = pd.to_datetime(visits["on"]).dt.tz_localize("UTC")
    visits["visit_id"] = [f"S{i}" for i in range(len(visits))]
    frames = {"vaults": vaults, "visits": table("visits").conform(visits)}
    if shuffle is not None:
        frames = {name: rows.sample(frac=1, random_state=shuffle) for name, rows in frames.items()}
    return fit_grades(frames, as_of=as_of, settings=Settings())


def chances(model, vault="V0", on=AS_OF):
    return model.chances(pd.DataFrame({"vault_id": [vault], "on": [on]}))


def known(model, vault=0, on=AS_OF):
    day = day_number(pd.DatetimeIndex([on]))
    return known_before(
        model.history,
        np.array([vault]),
        day,
        model.history.start[[vault + 1]],
        model.half_life_days,
        model.alike,
    )


def test_a_grading_counts_half_after_a_half_life():
    half_life = Settings().forecast.grade_half_life_days
    old = AS_OF - pd.Timedelta(days=half_life)
    model = model_of([("V0", AS_OF, "wet", "heavy"), ("V0", old, "wet", "clear")])
    assert known(model).own[0] == pytest.approx([0.5, 0.0, 1.0])
    assert known(model, on=AS_OF + pd.Timedelta(days=half_life)).own[0] == pytest.approx(
        [0.25, 0.0, 0.5]
    )
    assert known(model).last.tolist() == [2]
    assert known(model).gap_days.tolist() == [0]
    assert known(model, vault=1).last.tolist() == [-1]


def test_counts_are_pulled_to_the_likes():
    shares = counted(np.array([[3.0, 0.0, 1.0]]), np.array([[0.5, 0.25, 0.25]]), 4.0)
    assert shares[0] == pytest.approx([5 / 8, 1 / 8, 2 / 8])


def test_likes_leave_out_the_vaults_own_gradings():
    rows = [("V0", AS_OF, "wet", "heavy")] * 5 + [("V1", AS_OF, "wet", "clear")] * 5
    model = model_of(rows)
    # What V0's likes show is V1's five clear and the first count of one each; see GROUP_WEIGHT.
    fleet = np.array([6.0, 1.0, 1.0]) / 8
    by_use = (np.array([5.0, 0, 0]) + 20 * fleet) / 25
    by_district = (np.array([5.0, 0, 0]) + 20 * by_use) / 25
    # V1 is its only graded neighbour and counts as one, however often it was graded.
    assert model.alike[0] == pytest.approx((np.array([1.0, 0, 0]) + 10 * by_district) / 11)
    assert model.alike[2] == pytest.approx([0.475, 0.05, 0.475], abs=0.06)


def test_time_since_a_vacuum_truck_is_the_vaults_own():
    visits = pd.DataFrame(
        {"grade": [None, "heavy", "clear"], "disposal": ["none", "vacuum_truck", "storm_drain"]}
    )
    history = read_history(visits, np.array([0, 1, 1]), np.array([5, 10, 40]), 3)
    asked = np.array([0, 1, 2])
    found = known_before(
        history, asked, np.full(3, 50), history.start[1:], 1000.0, np.full((3, 3), 1 / 3)
    )
    assert found.clean_days[1] == 40
    assert np.isnan(found.clean_days[[0, 2]]).all()
    # A visit of the same day has not cleaned it before that day.
    same = known_before(
        history, asked, np.full(3, 10), history.start[1:], 1000.0, np.full((3, 3), 1 / 3)
    )
    assert np.isnan(same.clean_days).all()


def test_blank_dry_and_never_visited_are_told_apart_and_none_is_clear():
    rows = [("V0", AS_OF, "wet", None), ("V1", AS_OF, "dry", None)]
    model = model_of([*rows, ("V2", AS_OF, "wet", "light")], count=4)
    assert [known(model, vault).own.sum() for vault in (0, 1, 3)] == [0, 0, 0]
    found = [chances(model, f"V{i}") for i in range(4)]
    assert [frame["grade_reason"].iloc[0] for frame in found] == [
        "water seen but never graded",
        "water never graded",
        "graded 1 time",
        "water never graded",
    ]
    assert [frame["grade_known_frac"].iloc[0] > 0 for frame in found] == [False, False, True, False]
    same = chances(model, "V0")[CHANCES].to_numpy()
    assert same == pytest.approx(chances(model, "V3")[CHANCES].to_numpy(), abs=0.02)
    assert same[0].argmax() == GRADES.index("light")


def test_gradings_after_the_as_of_day_are_not_read():
    rows = [("V0", AS_OF, "wet", "light")]
    later = [("V0", AS_OF + pd.Timedelta(days=1), "wet", "heavy")]
    assert chances(model_of(rows)).equals(chances(model_of(rows + later)))


def test_no_gradings_at_all_leave_everything_possible():
    found = chances(model_of([]))[CHANCES].to_numpy()[0]
    assert found == pytest.approx([1 / 3] * 3)


@settings(max_examples=25, deadline=None)
@given(
    st.lists(
        st.tuples(
            st.sampled_from(["V0", "V1", "V2"]),
            st.dates(pd.Timestamp("2015-01-01").date(), AS_OF.date()),
            st.sampled_from(["wet", "full"]),
            st.sampled_from([*GRADES, None]),
        ),
        max_size=30,
    )
)
def test_chances_sum_to_one_whatever_was_seen_in_whatever_order(rows):
    asked = pd.DataFrame({"vault_id": ["V0", "V1", "V2"], "on": AS_OF})
    found = model_of(rows).chances(asked)[CHANCES]
    assert found.sum(axis=1).to_numpy() == pytest.approx(np.ones(3), abs=1e-12)
    assert (found > 0).all(axis=None)
    again = model_of(rows, shuffle=3).chances(asked)[CHANCES]
    assert again.to_numpy() == pytest.approx(found.to_numpy(), abs=1e-12)
