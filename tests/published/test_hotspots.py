"""Local statistics held to published values and to what the reference library carries."""

from __future__ import annotations

from contextlib import closing

import libpysal
import numpy as np
import pytest
from scipy import sparse

from vaultplan.analysis.hotspots import getis_ord_star, local_moran, near_each_other

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
