import dataclasses

import numpy as np
import pandas as pd
import pytest

from vaultplan.errors import SchemaError
from vaultplan.forecast.fitting import fit_water, refit
from vaultplan.forecast.grade import fit_grades, regrade
from vaultplan.forecast.moved import what_moved
from vaultplan.settings import Settings

BEFORE, NOW = pd.Timestamp("2026-05-15"), pd.Timestamp("2026-06-30")


@pytest.fixture(scope="module")
def models(fleet):
    return [fit_water(fleet.frames, as_of=day, settings=Settings()) for day in (BEFORE, NOW)]


def asked(fleet):
    return pd.DataFrame({"vault_id": fleet.frames["vaults"]["vault_id"], "on": NOW})


def seen_between(fleet):
    visits = fleet.frames["visits"]
    return visits[visits["visited_at"] >= BEFORE.tz_localize("UTC") + pd.Timedelta(days=1)]


def test_a_refit_is_a_fit_with_the_fleets_lessons_of_the_day_before(fleet, models):
    before, now = models
    touched = sorted(set(seen_between(fleet)["vault_id"]))
    assert 5 < len(touched) < len(before.vault_ids)
    mine = fleet.frames["visits"]["vault_id"].isin(touched)
    frames = fleet.frames | {"visits": fleet.frames["visits"][mine].sample(frac=1, random_state=1)}
    found = refit(before, frames, vault_ids=touched, as_of=NOW)
    lessons = {
        name: getattr(before, name) for name in ("priors", "shares", "first_looks", "traits")
    }
    # Rooms of unmeasured depth stay as they were too.
    expected = dataclasses.replace(now, rooms=before.rooms, site=before.site, **lessons)
    points = asked(fleet)
    assert np.array_equal(found.distribution(points).chance, expected.distribution(points).chance)
    for name in ("start", "day", "depth_in", "last_since", "visit_count"):
        assert np.array_equal(getattr(found.readings, name), getattr(now.readings, name))


def test_a_refit_names_what_it_cannot_take_in(fleet, models):
    with pytest.raises(SchemaError, match="already knows 2026-06-30"):
        refit(models[1], fleet.frames, vault_ids=[], as_of=BEFORE)
    with pytest.raises(SchemaError, match="not in the model"):
        refit(models[0], fleet.frames, vault_ids=["nowhere"], as_of=NOW)


def test_what_moved_a_forecast_adds_up(fleet):
    found = what_moved(fleet.frames, asked(fleet), since=BEFORE, as_of=NOW, settings=Settings())
    moved = found["moved_by_rain_gal"] + found["moved_by_visits_gal"]
    change = found["volume_gal_p50"] - found["volume_gal_p50_before"]
    assert moved.to_numpy() == pytest.approx(change.to_numpy(), abs=1e-9)
    unseen = found["visits_since"] == 0
    assert (found.loc[unseen, "moved_by_visits_gal"] == 0).all()
    assert found["visits_since"].sum() == len(seen_between(fleet))
    assert (found.loc[~unseen, "moved_by_visits_gal"] != 0).any()
    assert "visit" in found.loc[~unseen, "reason"].iloc[0]


def test_gradings_taken_in_later_are_the_same_in_one_go_or_two(fleet):
    visits = fleet.frames["visits"]
    visits = visits.assign(crew=np.where(np.arange(len(visits)) % 3, "A", "B"))
    late = visits["visit_id"].isin(seen_between(fleet)["visit_id"])
    lessons = fit_grades(fleet.frames | {"visits": visits[~late]}, as_of=NOW, settings=Settings())
    assert lessons.crews == ("A", "B")
    touched = sorted(set(visits.loc[late, "vault_id"]))
    points = asked(fleet)

    def taken_in(model, frames, vault_ids):
        return regrade(model, frames, vault_ids=vault_ids, as_of=NOW, settings=Settings())

    all_frames = fleet.frames | {"visits": visits}
    as_they_were = fleet.frames | {"visits": visits[~late]}
    every = list(lessons.vault_ids)
    pd.testing.assert_frame_equal(
        taken_in(lessons, as_they_were, every).chances(points), lessons.chances(points)
    )
    at_once = taken_in(lessons, all_frames, every).chances(points)
    half = taken_in(lessons, all_frames, touched[::2])
    in_two = taken_in(half, all_frames, touched[1::2]).chances(points)
    pd.testing.assert_frame_equal(in_two, at_once)
    same = ~points["vault_id"].isin(touched)
    before = lessons.chances(points)
    pd.testing.assert_frame_equal(at_once[same.to_numpy()], before[same.to_numpy()])
    assert (at_once != before)[~same.to_numpy()].any(axis=None)


def test_gradings_of_an_unknown_vault_or_another_day_need_a_full_fit(fleet):
    lessons = fit_grades(fleet.frames, as_of=NOW, settings=Settings())
    with pytest.raises(SchemaError, match="not in the model"):
        regrade(lessons, fleet.frames, vault_ids=["nowhere"], as_of=NOW, settings=Settings())
    with pytest.raises(SchemaError, match="another day"):
        regrade(lessons, fleet.frames, vault_ids=[], as_of=BEFORE, settings=Settings())
