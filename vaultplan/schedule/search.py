"""Quickest ways between many nodes of a large graph, searched by several processes at once.

scipy's search holds the interpreter, so threads would not help.
"""

from __future__ import annotations

from contextlib import ExitStack
from typing import Any, Final

import numpy as np
import numpy.typing as npt
from scipy import sparse
from scipy.sparse import csgraph

from vaultplan.beside import Tell, beside, processes

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

#: Starts that are searched in one go; keeps 200,000 nodes within some 35 MB.
CHUNK: Final = 20
#: A process takes a second to start: fewer starts times nodes than this are searched here.
_MANY: Final = 30_000_000


def minutes_to(minutes: Any, starts: Ints, ends: Ints) -> Floats:
    """Return the minutes from each start to each end, (starts, ends); infinite where no way leads.

    Parameters
    ----------
    minutes
        Sparse matrix of minutes from node to node.
    starts, ends
        Numbers of nodes.

    Raises
    ------
    ProcessError
        If a process that searches dies.
    """
    many = len(starts) * minutes.shape[0] >= _MANY
    mine, *others = np.array_split(starts, processes() if many else 1)
    with ExitStack() as stack:
        searches = [
            stack.enter_context(beside(search, sparse.csr_matrix(minutes), part, ends))
            for part in others
        ]
        found = [search(minutes, mine, ends)]
        found += [one.result() for one in searches]
    return np.concatenate(found)


def search(minutes: Any, starts: Ints, ends: Ints, tell: Tell = lambda _word: None) -> Floats:
    """Return what :func:`minutes_to` does, searched by this process alone."""
    found = np.empty((len(starts), len(ends)))
    for begin in range(0, len(starts), CHUNK):
        rows = slice(begin, begin + CHUNK)
        found[rows] = csgraph.dijkstra(minutes, indices=starts[rows])[:, ends]
        tell(begin)
    return found
