"""Local statistics held to published values and to what the reference library carries."""

from __future__ import annotations

import warnings
from contextlib import closing

import esda
import libpysal
import numpy as np
import pytest
from scipy import sparse

from vaultplan.analysis.hotspots import (
    chance_of_sums,
    getis_ord_star,
    local_moran,
    near_each_other,
)

# Six points of esda's own test (esda 2.9.0, tests/test_getisord.py, BSD-3), neighbours within 15;
# Gi* by the closed form of Ord and Getis (1995).
POINTS = np.array([(10, 10), (20, 10), (40, 10), (15, 20), (30, 20), (30, 30)], dtype=float)
VALUES = np.array([2, 3, 3.2, 5, 8, 7])
STAR = [-1.397276, -0.289178, 0.650650, -0.289178, 1.234521, 2.024243]


def test_gi_star_of_six_points():
    near = near_each_other(POINTS, 15.0)
    assert getis_ord_star(VALUES, near) == pytest.approx(STAR, abs=1e-6)


def test_local_moran_of_ten_points():
    """libpysal's desmith example with its own weights, row-standardised (esda 2.9.0, run)."""
    with closing(libpysal.io.open(libpysal.examples.get_path("desmith.txt"))) as table:
        values = np.array(table.by_col["z"], dtype=float)
    with closing(libpysal.io.open(libpysal.examples.get_path("desmith.gal"))) as file:
        near = sparse.csr_matrix(file.read().sparse)
    published = (
        "-.114093 -.199405 -.133514 -.517704 .480950 .122081 1.191483 -.581443 .071014 .343143"
    )
    expected = [float(number) for number in published.split()]
    assert local_moran(values, near) == pytest.approx(expected, abs=1e-6)


@pytest.fixture(scope="module")
def random_map():
    """200 places at random with a dirty corner, and esda's weights of the same neighbours."""
    rng = np.random.default_rng(12)
    points = rng.random((200, 2)) * 100.0
    values = rng.gamma(2.0, 1.0, 200) + 3.0 * (points.sum(axis=1) < 60)
    near = near_each_other(points, 12.0)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        weights = libpysal.weights.WSP(near).to_W(silence_warnings=True)
    return values, near, weights


def test_gi_star_is_that_of_the_reference_library(random_map):
    """esda 2.9.0, G_Local with binary weights and the place itself among them."""
    values, near, weights = random_map
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        theirs = esda.G_Local(values, weights, transform="B", star=True, permutations=0)
    has_neighbours = np.asarray(near.sum(axis=1)).ravel() > 0
    ours = getis_ord_star(values, near)
    assert has_neighbours.sum() > 150
    assert ours[has_neighbours] == pytest.approx(theirs.Zs[has_neighbours], abs=1e-9)


def test_local_moran_and_its_random_maps_are_those_of_the_reference_library(random_map):
    """esda 2.9.0, Moran_Local with conditional permutation, which tells the smaller tail.

    Both are random: shares of 9,999 maps differ by some 0.005 at most in the middle. Its
    statistic divides by the sum of squares over n - 1 places, as ours does.
    """
    values, near, weights = random_map
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        theirs = esda.Moran_Local(
            values, weights, transformation="r", permutations=9999, seed=5, n_jobs=1
        )
    size = np.asarray(near.sum(axis=1)).ravel()
    held = size > 0
    assert local_moran(values, near)[held] == pytest.approx(theirs.Is[held], abs=1e-9)
    # A place above the mean: as much around it as much I. There both ask the same.
    above = held & (values > values.mean())
    ours = chance_of_sums(values, near, permutations=9999, seed=6)
    assert above.sum() > 40
    # Ours deals from all values, theirs leaves the place's own out: 1 of 200.
    assert np.abs(np.minimum(ours, 1.0 - ours)[above] - theirs.p_sim[above]).max() < 0.035
