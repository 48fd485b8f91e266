"""Places around which vaults were seen dirtier than chance would have it.

References
----------
J. K. Ord, A. Getis (1995), Local spatial autocorrelation statistics: distributional issues and an
application, Geographical Analysis 27(4):286-306, doi:10.1111/j.1538-4632.1995.tb00912.x.
L. Anselin (1995), Local indicators of spatial association - LISA, Geographical Analysis
27(2):93-115, doi:10.1111/j.1538-4632.1995.tb00338.x.
M. Caldas de Castro, B. H. Singer (2006), Controlling the false discovery rate: a new application to
account for multiple and dependent tests in local statistics of spatial association, Geographical
Analysis 38(2):180-208, doi:10.1111/j.0016-7363.2006.00682.x.
"""

from __future__ import annotations

from typing import Final

import numpy as np
import numpy.typing as npt
from scipy import sparse, stats
from scipy.sparse import csgraph
from scipy.spatial import cKDTree

Floats = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]
Ints = npt.NDArray[np.int64]

#: A place has at most so many neighbours: the nearest.
MOST_NEIGHBOURS: Final = 20


def near_each_other(points: Floats, reach: float, most: int = MOST_NEIGHBOURS) -> sparse.csr_matrix:
    """Return which places are neighbours: the nearest within reach, each the other's.

    A matrix of 0 and 1 without the place itself; ``points`` is (places, 2).
    """
    count = len(points)
    # The tree leaves out what lies at the bound itself.
    bound = np.nextafter(reach, np.inf)
    _, found = cKDTree(points).query(points, k=min(most + 1, count), distance_upper_bound=bound)
    found = np.asarray(found).reshape(count, -1)
    rows = np.repeat(np.arange(count), found.shape[1])
    columns = found.ravel()
    kept = (columns < count) & (columns != rows)
    near = sparse.csr_matrix(
        (np.ones(int(kept.sum())), (rows[kept], columns[kept])), shape=(count, count)
    )
    return sparse.csr_matrix(near.maximum(near.T))


def getis_ord_star(values: Floats, near: sparse.csr_matrix) -> Floats:
    """Return Gi*, the standardised sum of each place and its neighbours (Ord and Getis 1995)."""
    count = len(values)
    size = np.asarray(near.sum(axis=1)).ravel() + 1.0
    deviation = values.std()
    bottom = deviation * np.sqrt(np.maximum(count * size - size**2, 0.0) / (count - 1))
    top = near @ values + values - size * values.mean()
    with np.errstate(divide="ignore", invalid="ignore"):
        star: Floats = np.where(bottom > 0, top / bottom, 0.0)
    return star


def local_moran(values: Floats, near: sparse.csr_matrix) -> Floats:
    """Return local Moran's I, neighbours averaged, the variance over ``n - 1`` (Anselin 1995)."""
    z = values - values.mean()
    size = np.asarray(near.sum(axis=1)).ravel()
    around = np.divide(near @ z, size, out=np.zeros_like(z), where=size > 0)
    variance = float(z @ z) / max(len(z) - 1, 1)
    local: Floats = z * around / variance if variance > 0 else np.zeros_like(z)
    return local


def chance_of_sums(
    values: Floats, near: sparse.csr_matrix, *, permutations: int, seed: int
) -> Floats:
    """Return the share of random maps in which a place's neighbours come to as much or more.

    The place keeps its own value, the others' are dealt out anew (Anselin's conditional
    permutation); the same for Gi* and local Moran of a place above the mean.

    Notes
    -----
    Where values are dealt out at random, the sum over neighbours hangs on nothing but how many
    there are. One set of deals serves all places with as many neighbours, so that a hundred
    thousand random maps of 400,000 places take seconds. A deal may hold the place itself, which in
    large fleets does not show.
    """
    size = np.asarray(near.sum(axis=1)).ravel().astype(np.int64)
    sums = near @ values
    rng = np.random.default_rng(seed)
    dealt = rng.choice(values, (permutations, int(size.max(initial=0))))
    chance = np.ones(len(values))
    total = np.zeros(permutations)
    for count in range(1, dealt.shape[1] + 1):
        total += dealt[:, count - 1]
        mine = size == count
        if mine.any():
            ranked = np.sort(total)
            as_strong = permutations - np.searchsorted(ranked, sums[mine] - 1e-9, side="left")
            chance[mine] = (1.0 + as_strong) / (1.0 + permutations)
    return chance


def stand_out(chance: Floats, tested: Flags, rate: float) -> Flags:
    """Return which places stand out, of which at most ``rate`` do so by chance.

    Benjamini and Hochberg's procedure over the places tested; for local statistics of neighbours,
    which hang together, see Caldas de Castro and Singer (2006).
    """
    out = np.zeros(len(chance), dtype=bool)
    if tested.any():
        out[tested] = stats.false_discovery_control(chance[tested]) <= rate
    return out


def joined(places: Flags, near: sparse.csr_matrix) -> Ints:
    """Return the number of each place's cluster, neighbours that stand out; -1 for all others."""
    numbers = np.full(len(places), -1, dtype=np.int64)
    at = np.flatnonzero(places)
    if len(at):
        _, label = csgraph.connected_components(near[at][:, at], directed=False)
        numbers[at] = label
    return numbers
