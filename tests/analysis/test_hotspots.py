"""Planted dirt is found, planted effort is not; rates by hand."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from vaultplan.analysis.hotspots import (
    chance_of_sums,
    getis_ord_star,
    joined,
    near_each_other,
    stand_out,
)
from vaultplan.analysis.rates import columns_of, correlation, excess, fitted

SIDE = 30
GRID = np.array([(x, y) for x in range(SIDE) for y in range(SIDE)], dtype=float)
NEAR = near_each_other(GRID, 2.3)
INSIDE = np.hypot(*(GRID - 8.0).T) <= 3.0


def test_neighbours_are_mutual_and_within_reach():
    points = np.array([(0.0, 0.0), (1.0, 0.0), (3.0, 0.0), (9.0, 9.0)])
    near = near_each_other(points, 2.0).toarray()
    assert near.tolist() == [[0, 1, 0, 0], [1, 0, 1, 0], [0, 1, 0, 0], [0, 0, 0, 0]]


def test_random_maps_are_those_of_all_deals():
    """Three values and one neighbour: the chance of as much is that of a value drawn at random."""
    points = np.array([(0.0, 0.0), (1.0, 0.0), (50.0, 0.0), (51.0, 0.0)])
    near = near_each_other(points, 2.0)
    values = np.array([0.0, 3.0, 1.0, 2.0])
    found = chance_of_sums(values, near, permutations=40_000, seed=1)
    assert found == pytest.approx([0.25, 1.0, 0.5, 0.75], abs=0.01)


def test_clusters_are_neighbours_that_stand_out():
    near = near_each_other(np.array([(float(x), 0.0) for x in range(6)]), 1.5)
    numbers = joined(np.array([True, True, False, True, False, True]), near)
    assert numbers.tolist() == [0, 0, -1, 1, -1, 2]


def fleet(seed, *, dirt=1.0, effort=1.0):
    """Return kinds, dirty looks and looks of vaults on a grid, each of its own dirt.

    In the disc they have ``dirt`` times the odds and ``effort`` times the visits; everywhere the
    dirtier are visited more, up to twice as often.
    """
    rng = np.random.default_rng(seed)
    kind = rng.random(len(GRID)) < 0.3
    odds = np.where(kind, 0.8, 0.3) * np.where(INSIDE, dirt, 1.0)
    mean = odds / (1 + odds)
    share = rng.beta(2.0 * mean, 2.0 * (1 - mean))
    visits = rng.poisson(4.0 * np.where(INSIDE, effort, 1.0) * (1.0 + share))
    return (
        pd.DataFrame({"kind": np.where(kind, "manhole", "vault")}),
        rng.binomial(visits, share),
        visits,
    )


def found(seed, rate=0.05, **planted):
    vaults, dirty, looked = fleet(seed, **planted)
    dirty, looked = dirty.astype(float), looked.astype(float)
    columns, names = columns_of(vaults, ["kind"])
    share = fitted(columns, names, dirty, looked, 1.0).share(columns)
    above, variance = excess(dirty, looked, share, correlation(dirty, looked, share))
    values = np.divide(above, np.sqrt(variance), out=np.zeros_like(above), where=variance > 0)
    chance = chance_of_sums(values, NEAR, permutations=20_000, seed=seed)
    return stand_out(chance, np.ones(len(values), dtype=bool), rate), values


def test_planted_dirt_is_found():
    """Six times the odds in a disc of 29 of 900 vaults: in at least eight fleets of ten."""
    hits = [bool(found(seed, dirt=6.0)[0][INSIDE].any()) for seed in range(40)]
    assert np.mean(hits) >= 0.8


def test_no_more_is_found_by_chance_than_is_said():
    """Of fleets with nothing planted, at most one in twenty may show anything at all."""
    shown = sum(bool(found(100 + seed)[0].any()) for seed in range(100))
    assert shown <= stats.binom.ppf(0.99, 100, 0.05)


def test_a_place_that_is_only_visited_more_is_not_found():
    shown = sum(bool(found(300 + seed, effort=6.0)[0][INSIDE].any()) for seed in range(60))
    assert shown <= stats.binom.ppf(0.99, 60, 0.05)


def test_gi_star_is_great_where_dirt_was_planted():
    _, values = found(1, dirt=6.0)
    assert getis_ord_star(values, NEAR)[INSIDE].mean() > 2.5


def test_a_vault_looked_at_ten_times_is_one_place():
    """All looks at a vault alike: ten weigh as one, by hand n p q (1 + 9 r) with r = 1."""
    above, variance = excess(np.array([10.0]), np.array([10.0]), np.array([0.5]), 1.0)
    assert (above[0], variance[0]) == (5.0, 25.0)
    assert above[0] / np.sqrt(variance[0]) == 1.0


def test_rates_of_kinds_come_back_and_rare_kinds_are_drawn_in():
    rng = np.random.default_rng(2)
    kind = np.array(["a"] * 4000 + ["b"] * 4000 + ["c"] * 2)
    true = {"a": 0.2, "b": 0.5, "c": 1.0}
    looked = np.full(len(kind), 3.0)
    dirty = rng.binomial(3, [true[name] for name in kind]).astype(float)
    columns, names = columns_of(pd.DataFrame({"lid": kind}), ["lid"])
    share = fitted(columns, names, dirty, looked, 1.0).share(columns)
    assert share[0] == pytest.approx(0.2, abs=0.02)
    assert share[4000] == pytest.approx(0.5, abs=0.02)
    assert 0.2 < share[-1] < 0.8
