"""Quickest ways between many nodes of a large graph, searched by several processes at once.

scipy's search holds the interpreter, so threads would not help.
"""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
from pathlib import Path
from typing import Any, Final

import numpy as np
import numpy.typing as npt
from scipy import sparse
from scipy.sparse import csgraph

from vaultplan.errors import ScheduleError

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

#: Starts that are searched in one go; keeps 200,000 nodes within some 35 MB.
CHUNK: Final = 20
#: A process takes a second to start: fewer starts times nodes than this are searched here.
_MANY: Final = 30_000_000
_MOST_PROCESSES: Final = 4
_PROCESS: Final = "import sys; from vaultplan.schedule.search import serve; serve(*sys.argv[1:])"


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
    ScheduleError
        If a process that searches dies.
    """
    count = min(os.cpu_count() or 1, _MOST_PROCESSES)
    if count == 1 or len(starts) * minutes.shape[0] < _MANY:
        return _searched(minutes, starts, ends)
    with tempfile.TemporaryDirectory(prefix="vaultplan-search-") as folder:
        place = Path(folder)
        sparse.save_npz(place / "minutes.npz", sparse.csr_matrix(minutes), compressed=False)
        np.save(place / "ends.npy", ends)
        parts = np.array_split(starts, count)
        running = []
        for number, part in enumerate(parts):
            np.save(place / f"starts{number}.npy", part)
            command = [sys.executable, "-c", _PROCESS, folder, str(number)]
            running.append(subprocess.Popen(command))
        ended = [process.wait() for process in running]
        if any(ended):
            raise ScheduleError("a search along the streets ended early; is there memory enough?")
        found = [np.load(place / f"found{number}.npy") for number in range(count)]
    return np.concatenate(found)


def _searched(minutes: Any, starts: Ints, ends: Ints) -> Floats:
    found = np.empty((len(starts), len(ends)))
    for begin in range(0, len(starts), CHUNK):
        rows = slice(begin, begin + CHUNK)
        found[rows] = csgraph.dijkstra(minutes, indices=starts[rows])[:, ends]
    return found


def serve(folder: str, number: str) -> None:
    """Search the ways of one share of the starts; the work of a process."""
    place = Path(folder)
    minutes = sparse.load_npz(place / "minutes.npz")
    starts, ends = np.load(place / f"starts{number}.npy"), np.load(place / "ends.npy")
    np.save(place / f"found{number}.npy", _searched(minutes, starts, ends))
