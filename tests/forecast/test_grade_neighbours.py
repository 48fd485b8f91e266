import geopandas as gpd
import numpy as np
import pytest

from vaultplan.forecast import grade_neighbours
from vaultplan.forecast.grade_neighbours import Field, place_dirt


def vaults(x, y=None):
    return gpd.GeoDataFrame(
        geometry=gpd.points_from_xy(x, np.zeros(len(x)) if y is None else y), crs="EPSG:32606"
    )


@pytest.fixture
def known_field(monkeypatch):
    monkeypatch.setattr(grade_neighbours, "_likeness", lambda *_: Field(0.5, 100.0))


@pytest.mark.usefixtures("known_field")
def test_one_neighbour_in_reach_is_solved_by_hand():
    # The others lie a hundred reaches away: they say nothing.
    found = place_dirt(
        vaults([0, 50, 10_000, 20_000]), np.array([0, 0.8, 1, -1]), np.array([0, 2.0, 1, 1])
    )
    shared = 0.5 * np.exp(-0.5)
    assert found[0] == pytest.approx(shared / (0.5 + 1 / 2) * 0.8, abs=1e-9)
    assert found[1] == pytest.approx(0.0, abs=1e-9)


@pytest.mark.usefixtures("known_field")
def test_own_gradings_are_left_out():
    draw = np.random.default_rng(1)
    where, dirt = draw.uniform(0, 500, (2, 40)), draw.normal(size=40)
    found = place_dirt(vaults(*where), dirt, np.ones(40))
    dirt[7] = 50.0
    again = place_dirt(vaults(*where), dirt, np.ones(40))
    assert again[7] == pytest.approx(found[7], abs=1e-3)
    assert np.abs(again - found).max() > 1.0


def test_dirty_quarters_are_found():
    draw = np.random.default_rng(2)
    where = draw.uniform(0, 1000, (2, 300))
    quarter = np.where(where[0] < 500, 0.8, -0.8)
    count = np.where(np.arange(300) % 3 == 0, 0.0, 2.0)
    dirt = np.where(count > 0, quarter + draw.normal(0, 0.6, 300), 0.0)
    found = place_dirt(vaults(*where), dirt, count)
    inside = np.abs(where[0] - 500) > 80
    assert (found * quarter > 0)[inside].mean() > 0.97


def test_where_neighbours_are_not_alike_they_say_little():
    draw = np.random.default_rng(3)
    where = draw.uniform(0, 1000, (2, 400))
    found = place_dirt(vaults(*where), draw.normal(size=400), np.ones(400))
    assert np.abs(found).mean() < 0.15


def test_vaults_without_a_place_and_fleets_without_gradings_get_nothing():
    fleet = vaults([0, 10, 20, 30, 40])
    fleet.loc[1, "geometry"] = None
    found = place_dirt(fleet, np.array([2.0, 2, 2, 2, 2]), np.ones(5))
    assert found[1] == 0.0
    assert found[0] > 0.0
    assert not place_dirt(fleet, np.zeros(5), np.zeros(5)).any()
    assert not place_dirt(vaults([3, 3, 3]), np.ones(3), np.ones(3)).any()
