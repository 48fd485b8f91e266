"""A draw by lot: chances kept exactly, spread over the map, replacements in order."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from vaultplan.analysis.draw import (
    allocate,
    draw_sample,
    frame_version,
    local_pivotal,
    spread_of,
    voronoi_variance,
)
from vaultplan.errors import SettingsError


def grid(side: int, stratum: str = "all") -> pd.DataFrame:
    """Vaults at the corners of square blocks: every distance is a tie."""
    x, y = (part.ravel() for part in np.meshgrid(np.arange(side), np.arange(side)))
    ids = [f"{stratum}-{number:05d}" for number in range(side * side)]
    return pd.DataFrame(
        {"vault_id": ids, "stratum": stratum, "x": x.astype(float), "y": y.astype(float)}
    )


def too_far(share: np.ndarray, chance: np.ndarray, count: int) -> np.ndarray:
    """Shares that lie more than 4.5 standard errors from their chance: 1 in 150,000 by accident."""
    error = np.sqrt(chance * (1.0 - chance) / count)
    return np.abs(share - chance) > 4.5 * error


@pytest.mark.parametrize("twins", [False, True])
def test_shares_of_ten_thousand_draws_are_the_chances_stated(twins) -> None:
    draws, whole = 10_000, 15
    mass = np.array([1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 2, 3])  # in all 4 of 15 fifteenths
    points = np.random.default_rng(5).uniform(0, 100, (len(mass), 2))
    if twins:
        points[:6] = points[0]
    drawn = local_pivotal(
        np.tile(points, (draws, 1)),
        np.tile(mass, draws),
        whole,
        np.random.default_rng(11),
        np.repeat(np.arange(draws), len(mass)),
    ).reshape(draws, len(mass))
    assert (drawn.sum(axis=1) == 4).all()
    assert not too_far(drawn.mean(axis=0), mass / whole, draws).any()


def test_neighbours_are_seldom_drawn_together() -> None:
    # Two pairs of neighbours far apart, two drawn of four: always one of each pair.
    points = np.array([[0.0, 0.0], [1.0, 0.0], [100.0, 0.0], [101.0, 0.0]])
    for seed in range(50):
        drawn = local_pivotal(points, np.full(4, 2), 4, np.random.default_rng(seed))
        assert drawn[:2].sum() == drawn[2:].sum() == 1


def test_samples_and_replacements_of_a_whole_draw_have_the_chances_stated() -> None:
    # As many strata as draws, each the same seven vaults: three samples, two replacements.
    draws = 800
    one = pd.DataFrame({"x": [0.0, 1, 1, 5, 9, 9, 30], "y": [0.0, 0, 2, 5, 9, 9, 1]})
    frame = pd.concat([one] * draws, ignore_index=True)
    frame["stratum"] = np.repeat([f"{number:05d}" for number in range(draws)], len(one))
    frame["vault_id"] = frame["stratum"] + "-" + np.tile(list("abcdefg"), draws)
    drawn = draw_sample(frame, count=3 * draws, seed=3, reserve_frac=0.5)
    assert len(drawn) == 5 * draws
    which = drawn["vault_id"].str[-1]
    for role, stated in (("sample", 3 / 7), ("replacement", 5 / 7 - 3 / 7)):
        share = which[drawn["role"] == role].value_counts() / draws
        assert len(share) == 7
        assert not too_far(share.to_numpy(), np.full(7, stated), draws).any()
    assert set(drawn["inclusion_prob"]) == {3 / 7}
    assert set(drawn["listed_prob"]) == {5 / 7}
    first = which[(drawn["role"] == "replacement") & (drawn["number"] == 1)].value_counts() / draws
    assert not too_far(first.to_numpy(), np.full(7, 1 / 7), draws).any()


def test_a_draw_is_spread_better_than_lots_alone() -> None:
    frame = grid(30)
    own, by_lot = np.mean(
        [
            spread_of(frame, draw_sample(frame, count=30, seed=seed), seed=seed, trials=3)
            for seed in range(25)
        ],
        axis=0,
    )
    assert own < 0.5 * by_lot


def test_any_number_of_replacements_is_spread_too() -> None:
    frame = grid(24)
    chance, evenness = np.full(len(frame), 8 / 576), {"ours": [], "lots": []}
    rng = np.random.default_rng(1)
    for seed in range(40):
        drawn = draw_sample(frame, count=16, seed=seed, reserve_frac=2.0)
        used = drawn.loc[(drawn["role"] == "replacement") & (drawn["number"] <= 8), "vault_id"]
        assert len(used) == 8
        mine = frame["vault_id"].isin(used).to_numpy()
        lots = np.isin(np.arange(576), rng.choice(576, 8, replace=False))
        points = frame[["x", "y"]].to_numpy()
        evenness["ours"].append(voronoi_variance(points, chance, mine))
        evenness["lots"].append(voronoi_variance(points, chance, lots))
    assert np.mean(evenness["ours"]) < 0.7 * np.mean(evenness["lots"])


def test_the_unevenness_by_hand() -> None:
    # Six lids in a row, chance 1/3 each; drawn are the 1st and 4th, which stand for 2/3 and 4/3
    # (the 3rd lies nearer to the 4th).
    points = np.column_stack([np.arange(6.0), np.zeros(6)])
    drawn = np.array([True, False, False, True, False, False])
    value = voronoi_variance(points, np.full(6, 1 / 3), drawn)
    assert value == pytest.approx(((2 / 3 - 1) ** 2 + (4 / 3 - 1) ** 2) / 2)
    # Two of the drawn at one place stand for half of what lies nearest to it, each.
    points[3] = points[0]
    value = voronoi_variance(points, np.full(6, 1 / 3), drawn)
    assert value == pytest.approx(0.0)


def test_the_same_seed_gives_the_same_draw_whatever_the_order_of_rows() -> None:
    frame = pd.concat([grid(9, "a"), grid(7, "b")], ignore_index=True)
    drawn = draw_sample(frame, count=20, seed=4)
    shuffled = frame.sample(frac=1.0, random_state=1)
    pd.testing.assert_frame_equal(drawn, draw_sample(shuffled, count=20, seed=4))
    assert frame_version(frame) == frame_version(shuffled)
    other = draw_sample(frame, count=20, seed=5)
    assert set(other["vault_id"]) != set(drawn["vault_id"])
    # A stratum that stays is drawn as before when another one changes.
    fewer = frame[frame["stratum"].eq("a") | frame["x"].lt(6)]
    kept = draw_sample(fewer, count=20, seed=4)
    counts = drawn.loc[drawn["stratum"] == "a", "stratum_samples"].iloc[0]
    assert frame_version(fewer) != frame_version(frame)
    if kept.loc[kept["stratum"] == "a", "stratum_samples"].iloc[0] == counts:
        pd.testing.assert_frame_equal(kept[kept["stratum"] == "a"], drawn[drawn["stratum"] == "a"])


@settings(max_examples=40)
@given(
    sizes=st.lists(st.integers(1, 25), min_size=1, max_size=6),
    reserve=st.sampled_from([0.0, 0.5, 1.0, 3.0]),
    equal=st.booleans(),
    data=st.data(),
)
def test_every_draw_holds_what_it_says(sizes, reserve, equal, data) -> None:
    stratum = np.repeat([f"s{number}" for number in range(len(sizes))], sizes)
    rng = np.random.default_rng(sum(sizes))
    place = rng.integers(0, 4, (len(stratum), 2)).astype(float)  # many lids at one place
    frame = pd.DataFrame({"stratum": stratum, "x": place[:, 0], "y": place[:, 1]})
    frame["vault_id"] = [f"v{number:03d}" for number in range(len(frame))]
    least = data.draw(st.integers(sum(min(size, 2) for size in sizes), sum(sizes)))
    drawn = draw_sample(frame, count=least, seed=1, reserve_frac=reserve, equal=equal)
    assert drawn["vault_id"].is_unique
    samples = drawn[drawn["role"] == "sample"]
    assert len(samples) == least
    # The weights of a stratum's samples add up to its vaults.
    sums = samples.groupby("stratum")["weight"].sum()
    assert np.allclose(sums, pd.Series(stratum).value_counts().reindex(sums.index))
    home = frame.set_index("vault_id")["stratum"]
    assert (drawn["vault_id"].map(home) == drawn["stratum"]).all()
    for _, part in drawn.groupby(["stratum", "role"]):
        assert list(part["number"]) == list(range(1, len(part) + 1))


def test_allocation_by_hand() -> None:
    sizes = pd.Series({"a": 70, "b": 27, "c": 3})
    assert allocate(sizes, 10, least=1, equal=False).tolist() == [7, 2, 1]
    assert allocate(sizes, 9, least=2, equal=True).tolist() == [3, 3, 3]
    assert allocate(sizes, 12, least=2, equal=True).tolist() == [5, 4, 3]
    assert allocate(sizes, 100, least=2, equal=False).tolist() == [70, 27, 3]


def test_what_cannot_be_drawn_is_refused() -> None:
    sizes = pd.Series({"a": 7, "b": 2})
    with pytest.raises(SettingsError, match="9 can be drawn"):
        allocate(sizes, 10, least=1, equal=False)
    with pytest.raises(SettingsError, match="need 4, not 3"):
        allocate(sizes, 3, least=2, equal=False)
    with pytest.raises(SettingsError, match="no vault can be drawn"):
        draw_sample(grid(2).head(0), count=1, seed=1)
    with pytest.raises(SettingsError, match="whole number"):
        local_pivotal(np.zeros((2, 2)), np.array([1, 1]), 3, np.random.default_rng(1))
    with pytest.raises(SettingsError, match="between 0 and 1"):
        local_pivotal(np.zeros((1, 2)), np.array([6]), 3, np.random.default_rng(1))
