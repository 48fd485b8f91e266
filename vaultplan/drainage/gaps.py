"""Small gaps in the drawn network, bridged: a pipe that ends a few feet from the next."""

from __future__ import annotations

import numpy as np
from scipy.spatial import cKDTree

from vaultplan.drainage.follow import BoolArray, FloatArray, IntArray

_NEIGHBOURS = 6
_TABLE = 4_194_301  # a prime


def bridges(
    receiver: IntArray,
    places: FloatArray,
    is_loose: BoolArray,
    goes_on: BoolArray,
    max_gap: float,
) -> tuple[IntArray, IntArray, FloatArray]:
    """Return nodes whose water is taken to cross a gap, the nodes it comes to, and the gaps.

    Parameters
    ----------
    receiver
        Next node of each node as far as pipes tell; itself where they end.
    places
        Where each node lies, in units of the map; not a number where nobody knows.
    is_loose
        Nodes that pipes or inlets come to and nothing leads on from.
    goes_on
        Nodes that a pipe leaves or that are an outfall.
    max_gap
        Widest gap, in units of the map; nothing is bridged if it is 0.

    Notes
    -----
    The nearest node that goes on is taken, unless its own water ends at the loose node: that
    would close a circle. Of several equally near, the first in the order of nodes.
    """
    none = np.empty(0, dtype=np.int64)
    placed = np.isfinite(places).all(axis=1)
    loose, onward = np.flatnonzero(is_loose & placed), np.flatnonzero(goes_on & placed)
    if max_gap <= 0 or not len(loose) or not len(onward):
        return none, none, np.empty(0)
    onward = onward[_is_near(places[onward], places[loose], max_gap)]
    if not len(onward):
        return none, none, np.empty(0)
    ranks = min(_NEIGHBOURS, len(onward))
    far, which = cKDTree(places[onward]).query(
        places[loose], k=list(range(1, ranks + 1)), distance_upper_bound=max_gap * (1 + 1e-9)
    )
    found = np.isfinite(far)
    to = onward[np.where(found, which, 0)]
    found &= _end_of(receiver, to) != loose[:, None]
    far = np.where(found, far, np.inf)
    order = np.lexsort((to, far), axis=-1)[:, :1]
    gap = np.take_along_axis(far, order, axis=1)[:, 0]
    target = np.take_along_axis(to, order, axis=1)[:, 0]
    spanned = np.isfinite(gap)
    return loose[spanned], target[spanned], gap[spanned]


def _end_of(receiver: IntArray, nodes: IntArray) -> IntArray:
    """Return where the paths of some nodes end, walked step by step: they are few."""
    here = receiver[nodes]
    while True:
        onward = receiver[here]
        if np.array_equal(onward, here):
            return here
        here = onward


def _is_near(points: FloatArray, others: FloatArray, reach: float) -> BoolArray:
    """Return which points lie in a square of the grid with, or next to, one of the others'."""
    low = others.min(axis=0) - 2.0 * reach
    wide = int((others[:, 0].max() - low[0]) / reach) + 4
    fits = (points >= low).all(axis=1) & (points <= others.max(axis=0) + 2.0 * reach).all(axis=1)
    own = np.floor((others - low) / reach).astype(np.int64)
    around = np.array([dx + dy * wide for dx in (-1, 0, 1) for dy in (-1, 0, 1)])
    cells = np.unique((own[:, 0] + own[:, 1] * wide)[:, None] + around)
    rows = np.flatnonzero(fits)
    at = np.floor((points[rows] - low) / reach).astype(np.int64)
    code = at[:, 0] + at[:, 1] * wide
    # A table of remainders leaves few to look up exactly: sorting a million codes takes longer.
    taken = np.zeros(_TABLE, dtype=bool)
    taken[cells % _TABLE] = True
    maybe = np.flatnonzero(taken[code % _TABLE])
    near = np.zeros(len(points), dtype=bool)
    near[rows[maybe[np.isin(code[maybe], cells)]]] = True
    return near
