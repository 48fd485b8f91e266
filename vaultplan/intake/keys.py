"""Keys met so far in a file, to find doubles and references across its chunks."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

Hashes = npt.NDArray[np.uint64]
Rows = npt.NDArray[np.int64]


@dataclass(slots=True)
class SeenKeys:
    """Keys of all rows so far, as 64-bit hashes with their rows: 16 bytes each.

    Two different keys among five million share a hash about once in 1.5 million files; such a
    file would be refused with both rows named.
    """

    _runs: list[tuple[Hashes, Rows]] = field(default_factory=list)

    def earlier(self, hashes: Hashes) -> Rows:
        """Return the row in which each key was seen before, 0 where it was not."""
        rows = np.zeros(len(hashes), dtype=np.int64)
        for known, known_rows in self._runs:
            at = np.minimum(np.searchsorted(known, hashes), len(known) - 1)
            rows = np.where((rows == 0) & (known[at] == hashes), known_rows[at], rows)
        return rows

    def add(self, hashes: Hashes, rows: Rows) -> None:
        """Take in new keys; sorted runs are merged as they grow alike, so few remain."""
        if not len(hashes):
            return
        run = _sorted(hashes, rows)
        while self._runs and len(self._runs[-1][0]) <= 2 * len(run[0]):
            last = self._runs.pop()
            run = _sorted(np.concatenate([last[0], run[0]]), np.concatenate([last[1], run[1]]))
        self._runs.append(run)


def key_hashes(frame: pd.DataFrame, key: Sequence[str]) -> Hashes:
    """Return one hash for the key of each row."""
    columns = frame[list(key)]
    hashes = pd.util.hash_pandas_object(columns, index=False, categorize=len(key) > 1)
    return np.asarray(hashes, dtype=np.uint64)


def text_hashes(values: pd.Series[Any]) -> Hashes:
    """Return the hash that :func:`key_hashes` gives a single-column key of the same text."""
    return key_hashes(values.to_frame("key"), ["key"])


def _sorted(hashes: Hashes, rows: Rows) -> tuple[Hashes, Rows]:
    order = np.argsort(hashes, kind="stable")
    return hashes[order], rows[order]
