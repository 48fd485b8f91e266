"""How much dirtier the vaults around each vault are than their classes would show.

References
----------
N. Cressie (1993), Statistics for Spatial Data, rev. ed., ch. 3: kriging (from memory).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy.spatial import cKDTree

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

NEIGHBOURS: Final = 8
#: Ranges tried, in distances between neighbours: from dirt of one street to dirt of a quarter.
RANGES: Final = (0.5, 1.0, 2.0, 4.0, 8.0)
MOST_COMPARED: Final = 30_000  # vaults with their neighbours, enough to learn two numbers
CHUNK: Final = 4_000
STRIP: Final = 4.0  # vaults are taken strip by strip, so that those looked up lie close in memory
OWN_DOUBT: Final = 1e6  # variance of a vault's own figure, so that it does not count
LEAST_PLACED: Final = 3


@dataclass(frozen=True, slots=True)
class Field:
    """Likeness of places: covariance ``variance * exp(-distance / reach)``, reach in map units."""

    variance: float
    reach: float


def place_dirt(vaults: pd.DataFrame, dirt: Floats, count: Floats) -> Floats:
    """Return what the nearest graded vaults say of each vault's dirt, its own gradings left out.

    Parameters
    ----------
    vaults
        Schema table ``vaults``; those without a place get 0.
    dirt, count
        Per vault: how much dirtier it was than its class, on average, in standard deviations of
        the score; and what that average counts for, in independent gradings (0: never graded).

    Notes
    -----
    Simple kriging from ``NEIGHBOURS`` vaults; an average of n gradings has variance 1 / n of its
    own. Without likeness between neighbours all is 0.
    """
    answer = np.zeros(len(vaults))
    if "geometry" not in vaults:
        return answer
    placed = np.flatnonzero(vaults.geometry.notna().to_numpy(bool))
    known = placed[count[placed] > 0]
    if len(known) < LEAST_PLACED:
        return answer
    where = np.full((len(vaults), 2), np.nan)
    where[placed, 0] = vaults.geometry.iloc[placed].x
    where[placed, 1] = vaults.geometry.iloc[placed].y
    tree, near = cKDTree(where[known]), min(NEIGHBOURS + 1, len(known))
    field = _likeness(tree, where[known], dirt[known], count[known], near)
    if field.variance <= 0.0:
        return answer
    placed = placed[np.lexsort((where[placed, 1], where[placed, 0] // (STRIP * field.reach)))]
    for begin in range(0, len(placed), CHUNK):
        asked = placed[begin : begin + CHUNK]
        distance, found = tree.query(where[asked], k=near)
        other = known[found]
        is_own = other == asked[:, None]
        x, y = where[other, 0], where[other, 1]
        apart = np.sqrt((x[:, :, None] - x[:, None]) ** 2 + (y[:, :, None] - y[:, None]) ** 2)
        joint = field.variance * np.exp(-apart / field.reach)
        diagonal = np.arange(near)
        joint[:, diagonal, diagonal] += np.where(is_own, OWN_DOUBT, 1.0 / count[other])
        shared = np.where(is_own, 0.0, field.variance * np.exp(-distance / field.reach))
        weight = np.linalg.solve(joint, shared[:, :, None])[:, :, 0]
        total = np.zeros(len(asked))
        for column in range(near):
            total += weight[:, column] * np.where(is_own, 0.0, dirt[other])[:, column]
        answer[asked] = total
    return answer


def _likeness(tree: cKDTree, where: Floats, dirt: Floats, count: Floats, near: int) -> Field:
    """Return the field whose covariances are nearest to the products of neighbours' dirt."""
    asked = np.arange(0, len(where), -(-len(where) // MOST_COMPARED))
    distance, other = tree.query(where[asked], k=near)
    row = np.repeat(asked, near)
    other, apart = np.asarray(other).ravel(), np.asarray(distance).ravel()
    pair = other != row
    row, other, apart = row[pair], other[pair], apart[pair]
    usual = float(np.median(apart)) if len(apart) else 0.0
    if usual <= 0.0:
        return Field(0.0, 1.0)
    product, weight = dirt[row] * dirt[other], count[row] * count[other]
    best, least = Field(0.0, usual), np.inf
    for wide in RANGES:
        shape = np.exp(-apart / (wide * usual))
        variance = max(float((weight * product * shape).sum() / (weight * shape**2).sum()), 0.0)
        missed = float((weight * (product - variance * shape) ** 2).sum())
        if missed < least:
            best, least = Field(variance, wide * usual), missed
    return best
