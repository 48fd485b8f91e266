import numpy as np
import pandas as pd
import pytest

from vaultplan.forecast.grade_history import NO_DAY, UNSEEN_DAYS, read_history
from vaultplan.schema import table

FIRST = pd.Timestamp("2024-01-01")
DAY = 19723  # of FIRST, since 1970


def history(rows, vaults=3, as_of=400):
    names = ["vault_id", "day", "finding", "grade", "disposal", "has_sheen", "crew"]
    visits = pd.DataFrame(rows, columns=names)
    at = FIRST + pd.to_timedelta(visits["day"].astype(float), "D") + pd.Timedelta("9h")
    visits["visited_at"] = at.dt.tz_localize("UTC")
    visits["visit_id"] = [f"S{i:03d}" for i in range(len(visits))]
    return read_history(
        table("visits").conform(visits),
        pd.Index([f"V{i}" for i in range(vaults)]),
        as_of_day=DAY + as_of,
        time_zone="UTC",
    )


def test_what_was_done_before_each_grading_is_the_vaults_own():
    found = history(
        [
            ("V0", 0, "wet", "heavy", "vacuum_truck", None, None),
            ("V1", 10, "wet", "clear", "storm_drain", None, None),
            ("V0", 30, "wet", "light", "filter_sock", True, None),
            ("V0", 50, "dry", None, "none", None, None),
            ("V0", 90, "wet", "light", "none", False, None),
            ("V0", 401, "wet", "heavy", "vacuum_truck", True, None),
        ]
    )
    assert found.start.tolist() == [0, 3, 4, 4]
    assert found.grade.tolist() == [2, 1, 1, 0]
    never = NO_DAY
    assert found.before.cleaned_day.tolist() == [never, DAY, DAY, never]
    assert found.before.pumped_day.tolist() == [never, DAY, DAY + 30, never]
    assert found.before.had_sheen.tolist() == [False, False, True, False]
    assert found.now.cleaned_day.tolist() == [DAY, never, never]
    assert found.now.pumped_day.tolist() == [DAY + 30, DAY + 10, never]
    assert found.now.had_sheen.tolist() == [False, False, False]
    assert found.now.day.tolist() == [DAY + 400] * 3


def test_visits_of_one_day_do_not_know_of_one_another():
    found = history(
        [
            ("V0", 5, "wet", "heavy", "vacuum_truck", None, None),
            ("V0", 5, "wet", "light", "none", None, None),
        ]
    )
    assert found.before.cleaned_day.tolist() == [NO_DAY, NO_DAY]
    assert found.now.cleaned_day[0] == DAY + 5


def test_dirt_builds_up_from_the_last_cleaning_or_from_before_the_record():
    found = history(
        [
            ("V0", 0, "wet", "heavy", "vacuum_truck", None, None),
            ("V1", 400, "wet", "clear", "none", None, None),
        ]
    )
    cleaned, pumped = found.now.grown()
    never = np.log1p((400 + UNSEEN_DAYS) / 180)
    assert cleaned == pytest.approx([np.log1p(400 / 180), never, never])
    assert pumped == pytest.approx(cleaned)
    later = found.now.on(found.now.day + 20).grown()[0]
    assert later[0] == pytest.approx(np.log1p(420 / 180))


def test_water_seen_but_not_graded_is_counted_apart_from_dry():
    found = history(
        [
            ("V0", 0, "wet", None, "none", None, None),
            ("V0", 1, "full", None, "none", None, None),
            ("V1", 0, "dry", None, "none", None, None),
            ("V2", 0, "wet", "clear", "none", None, None),
        ]
    )
    assert found.wet_count.tolist() == [2, 0, 0]
    assert found.count.tolist() == [0, 0, 1]


def test_only_crews_that_graded_often_have_an_eye_of_their_own():
    rows = [("V0", day, "wet", "clear", "none", None, "often") for day in range(20)]
    rows += [("V1", day, "wet", "clear", "none", None, "seldom") for day in range(19)]
    rows += [("V2", 0, "wet", "clear", "none", None, None)]
    found = history(rows)
    assert found.crew.tolist() == [0] * 20 + [-1] * 20
