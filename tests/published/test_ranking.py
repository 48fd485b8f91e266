"""Weights from pairwise judgements, against a published worked example."""

from __future__ import annotations

import numpy as np
import pytest

from vaultplan.ranking.weights import eigen_weights


def test_what_people_drink():
    """Saaty, T. L. (2008), Decision making with the analytic hierarchy process, International
    Journal of Services Sciences 1(1), 83-98: coffee, wine, tea, beer, sodas, milk, water; weights
    .177 .019 .042 .116 .190 .129 .327, consistency ratio .022 (values from memory)."""
    rows = """
        1    9    5    2    1    1    1/2
        1/9  1    1/3  1/9  1/9  1/9  1/9
        1/5  3    1    1/3  1/4  1/3  1/9
        1/2  9    3    1    1/2  1    1/3
        1    9    4    2    1    2    1/2
        1    9    3    1    1/2  1    1/3
        2    9    9    3    2    3    1
    """
    matrix = np.array(
        [
            [
                float(word.split("/")[0]) / float((word + "/1").split("/")[1])
                for word in line.split()
            ]
            for line in rows.strip().splitlines()
        ]
    )
    weights, ratio = eigen_weights(matrix)
    expected = [0.177, 0.019, 0.042, 0.116, 0.190, 0.129, 0.327]
    assert weights == pytest.approx(expected, abs=0.0006)
    assert ratio == pytest.approx(0.022, abs=0.0006)
