"""Hot spots of the demo, and of invented vaults with dirt planted, through the store."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pyogrio
import pytest
from typer.testing import CliRunner

from vaultplan import analysing, loading
from vaultplan.cli import app
from vaultplan.errors import SchemaError, SettingsError
from vaultplan.settings import Settings

PLACED = 400


@pytest.fixture(scope="module")
def planted(tmp_path_factory) -> str:
    """400 vaults, a hundred feet apart; in a corner slotted lids and dirt; 20 never seen."""
    folder = tmp_path_factory.mktemp("planted")
    rng = np.random.default_rng(4)
    x, y = (part.ravel() * 30.48 for part in np.meshgrid(np.arange(20), np.arange(20)))
    is_corner = (x < 170) & (y < 170)
    vaults = pd.DataFrame(
        {
            "vault_id": [f"V{n:03}" for n in range(PLACED)],
            "kind": "vault",
            "lid": np.where(is_corner, "slotted", rng.choice(["sealed", "vented"], PLACED)),
            "x": 500_000 + x,
            "y": 4_206_000 + y,
        }
    )
    share = np.where(is_corner, 0.9, 0.2)
    at = np.repeat(np.arange(PLACED - 20), 5)
    dirty = rng.random(len(at)) < share[at]
    moments = pd.date_range("2024-01-05T19:00Z", periods=len(at), freq="7h")
    visits = pd.DataFrame(
        {
            "visit_id": [f"N{n}" for n in range(len(at))],
            "vault_id": vaults["vault_id"].to_numpy()[at],
            "visited_at": rng.permutation(moments.strftime("%Y-%m-%dT%H:%MZ")),
            "finding": "wet",
            "grade": np.where(dirty, "heavy", "clear"),
        }
    )
    vaults.to_csv(folder / "vaults.csv", index=False)
    visits.to_csv(folder / "visits.csv", index=False)
    (folder / "vaults.toml").write_text('crs = "EPSG:32606"\nx = "x"\ny = "y"\n', encoding="utf-8")
    location = str(folder / "planted.gpkg")
    loading.new(location, "EPSG:32606")
    for name in ("vaults", "visits"):
        loading.load(location, name, folder / f"{name}.csv")
    return location


def hot(location: str, reach_ft: float = 250.0, **asked) -> analysing.HotSpots:
    settings = Settings.model_validate({"hotspots": {"reach_ft": reach_ft}})
    return analysing.hot_spots(location, settings=settings, **asked)


def test_the_dirty_corner_is_one_hot_spot_with_its_evidence(planted) -> None:
    found = hot(planted)
    (row,) = found.clusters.to_dict("records")
    corner = found.places[found.places["cluster"] == row["cluster"]]
    assert 25 <= row["vault_count"] == len(corner) <= 50
    assert row["looks"] == 5 * row["looked_vaults"] == corner["looks"].sum()
    assert row["dirty_looks"] == corner["dirty_looks"].sum()
    assert row["expected_looks"] == pytest.approx(corner["expected_looks"].sum())
    assert row["ratio"] > 2 and row["random_maps_frac"] < 0.001
    assert row["causes"].startswith("lid slotted")
    assert row["by_year"].startswith("2024: ") and "; 2025: " in row["by_year"]


def test_where_nobody_looked_it_is_not_known_and_not_clean(planted) -> None:
    found = hot(planted, reach_ft=50.0)
    unseen = found.places.tail(20)
    assert unseen["state"].eq("not_known").all()
    assert (unseen["looks"] == 0).all()
    assert found.places["state"].isin(["hot", "not_hot", "not_known"]).all()


def test_a_seed_gives_the_same_and_time_is_held_to(planted) -> None:
    first, second = hot(planted, seed=3), hot(planted, seed=3)
    assert first.places["chance"].equals(second.places["chance"])
    early = hot(planted, until=pd.Timestamp("2024-06-30"))
    assert 0 < early.places["looks"].sum() < first.places["looks"].sum()
    with pytest.raises(SettingsError, match="choose one of"):
        hot(planted, by="street")


def test_without_visits_nothing_is_known_and_without_vaults_that_is_told(planted, tmp_path) -> None:
    before_all = hot(planted, until=pd.Timestamp("2020-01-01"))
    assert before_all.places["state"].eq("not_known").all()
    assert before_all.clusters.empty
    empty = str(tmp_path / "empty.gpkg")
    loading.new(empty, "EPSG:32606")
    with pytest.raises(SchemaError, match="no vault has a place"):
        hot(empty)


@pytest.mark.parametrize("by", analysing.PLACES)
def test_every_look_of_the_demo_is_in_one_place(demo_file, tmp_path, by) -> None:
    told = CliRunner().invoke(
        app,
        ["hotspots", "--db", str(demo_file), "--by", by, "--permutations", "999",
         "--out", str(tmp_path / "hot.gpkg"), "--spots", str(tmp_path / "spots.csv")],
    )  # fmt: skip
    assert told.exit_code == 0, told.output
    spots = pd.read_csv(tmp_path / "spots.csv")
    assert {"by_year", "by_quarter", "expected_looks", "causes"} <= set(spots.columns)
    assert "no proof" in told.output
    places = pyogrio.read_dataframe(tmp_path / "hot.gpkg")
    whole = analysing.hot_spots(str(demo_file), permutations=99, settings=Settings()).places
    drained = places["looks"].sum() if by != "outfall" else None
    assert drained in (None, whole["looks"].sum())
    assert (places["dirty_looks"] <= places["looks"]).all()
