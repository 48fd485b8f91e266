import geopandas as gpd
import numpy as np
import pandas as pd
import pytest

from vaultplan.forecast.grade_columns import class_columns, fit_backdrop
from vaultplan.forecast.grade_history import read_history
from vaultplan.schema import GRADES, table


def fleet(count, **columns):
    vaults = gpd.GeoDataFrame(
        {"vault_id": [f"V{i:04d}" for i in range(count)], **columns},
        geometry=gpd.points_from_xy(range(count), [0] * count),
        crs="EPSG:32606",
    )
    return table("vaults").conform(vaults)


def learned(vaults, vault, grade, **columns):
    """Return the backdrop of gradings on successive days."""
    at = pd.Timestamp("2020-01-01 09:00", tz="UTC") + pd.to_timedelta(np.arange(len(vault)), "D")
    visits = pd.DataFrame(
        {
            "visit_id": [f"S{i:05d}" for i in range(len(vault))],
            "vault_id": vaults["vault_id"].to_numpy()[vault],
            "visited_at": at,
            "finding": "wet",
            "grade": np.array(GRADES)[grade],
            **columns,
        }
    )
    history = read_history(
        table("visits").conform(visits),
        pd.Index(vaults["vault_id"]),
        as_of_day=30_000,
        time_zone="UTC",
    )
    return fit_backdrop(vaults, history, np.arange(len(vault))), history


def test_a_blank_lies_at_the_mean_of_its_column_and_rare_classes_have_none():
    lids = ["sealed"] * 6 + ["slotted"] * 12 + ["vented"] * 4 + [None] * 2
    depth = [4.0] * 12 + [8.0] * 10 + [np.nan] * 2
    found = class_columns(fleet(24, lid=lids, depth_ft=depth))
    slotted, sealed = found[:2]
    assert slotted[[0, 6, 18, 22]] == pytest.approx([0, 1, 0, 12 / 22])
    assert sealed[[0, 6, 18, 22]] == pytest.approx([1, 0, 0, 6 / 22])
    # Behind the two lids: elevation, groundwater, depth, irrigation, and room for the neighbours.
    assert len(found) == 2 + 3 + 1 + 1
    assert found[4, [0, 23]] == pytest.approx([4.0, (12 * 4 + 10 * 8) / 22])
    assert not found[-1].any()


def scores(draw, level):
    score = level + draw.normal(size=len(level))
    return np.searchsorted([-0.4, 0.6], score)


def test_a_crew_with_a_harsher_eye_does_not_make_its_vaults_dirtier():
    draw = np.random.default_rng(7)
    vault = draw.permutation(np.repeat(np.arange(400), 4))
    crew = np.where(vault < 200, draw.random(1600) < 0.8, draw.random(1600) < 0.2).astype(int)
    grade = scores(draw, 0.8 * crew)
    found, _ = learned(
        fleet(400, rim_elev_ft=np.repeat([10.0, 20.0], 200)),
        vault,
        grade,
        crew=np.array(["mild", "harsh"])[crew],
    )
    both = dict(zip(range(2), found.crew, strict=True))
    assert abs(both[1] - both[0]) == pytest.approx(0.8, abs=0.2)
    assert abs(found.level[:200].mean() - found.level[200:].mean()) < 0.15
    assert found.circumstance == pytest.approx(0.16, abs=0.08)


def test_rain_during_past_visits_is_taken_off_what_is_expected():
    draw = np.random.default_rng(8)
    raining = draw.random(1500) < 0.3
    grade = scores(draw, 0.7 * raining)
    found, history = learned(fleet(300), draw.integers(0, 300, 1500), grade, was_raining=raining)
    assert found.raining[1] == pytest.approx(0.7, abs=0.2)
    rows = np.arange(len(history.day))
    then = found.expected_then(history, rows) - found.expected(history.owner, history.day)
    # Over all visits nothing is added on average: a forecast is of a usual visit.
    assert then.mean() == pytest.approx(0.0, abs=1e-9)


def test_classes_and_season_are_found_again():
    draw = np.random.default_rng(9)
    use = np.repeat(["homes", "industry"], 300)
    vault = draw.integers(0, 600, 3000)
    turn = 2 * np.pi * (np.arange(3000) + 18262) / 365.25  # from 2020-01-01
    grade = scores(draw, 0.9 * (vault >= 300) + 0.5 * np.cos(turn))
    found, _ = learned(fleet(600, land_use=use), vault, grade)
    gap = found.level[300:].mean() - found.level[:300].mean()
    assert gap == pytest.approx(0.9, abs=0.15)
    assert found.season == pytest.approx([0.5, 0.0], abs=0.12)


def test_a_class_that_was_never_graded_is_expected_like_all():
    use = np.repeat(["homes", "industry", "park"], [20, 20, 10])
    draw = np.random.default_rng(10)
    vault = draw.integers(0, 40, 300)
    found, _ = learned(fleet(50, land_use=use), vault, scores(draw, 1.0 * (vault >= 20)))
    homes, industry, park = found.level[0], found.level[30], found.level[45]
    assert homes < park < industry
