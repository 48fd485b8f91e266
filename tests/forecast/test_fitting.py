import dataclasses

import numpy as np
import pandas as pd
import pytest

from vaultplan.errors import SchemaError
from vaultplan.forecast.fitting import fit_water, refit
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
