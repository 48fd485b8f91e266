"""Keys met so far in a file, and ids that tables hold: for doubles and lost references."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import pandas as pd

Hashes = npt.NDArray[np.uint64]
Rows = npt.NDArray[np.int64]

#: Beyond this many ids (visits, not vaults) nobody is told what an unknown id may have meant.
_MOST_ALIKE: Final = 2_000_000


@dataclass(slots=True)
class SeenKeys:
    """Keys of all rows so far, as 64-bit hashes with their rows: 16 bytes each.

    Two different keys among five million share a hash about once in 1.5 million files; such a
    file would have one of them quarantined with both rows named.
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


@dataclass(slots=True)
class KnownIds:
    """Ids that a column holds, in the database and in what was loaded since."""

    _seen: SeenKeys = field(default_factory=SeenKeys)
    _texts: list[pd.Series[Any]] = field(default_factory=list)
    _count: int = 0
    _by_spelling: dict[str, str] | None = None

    @classmethod
    def of(cls, values: Iterable[str]) -> KnownIds:
        """Return the given ids as known ones."""
        known = cls()
        known.add(pd.Series(list(values), dtype="str"))
        return known

    def __len__(self) -> int:
        return self._count

    def add(self, values: pd.Series[Any]) -> None:
        """Take in more ids; blanks are passed over."""
        given = values.dropna()
        hashes = text_hashes(given)
        self._seen.add(hashes, np.ones(len(hashes), dtype=np.int64))
        self._count += len(given)
        self._by_spelling = None
        if self._count <= _MOST_ALIKE:
            self._texts.append(given)
        else:
            self._texts.clear()

    def take(self, other: KnownIds) -> None:
        """Take in all that another one knows."""
        for hashes, rows in other._seen._runs:
            self._seen.add(hashes, rows)
        self._count += other._count
        self._by_spelling = None
        self._texts = [*self._texts, *other._texts] if self._count <= _MOST_ALIKE else []

    def has(self, values: pd.Series[Any]) -> npt.NDArray[np.bool_]:
        """Return which values are known."""
        return self._seen.earlier(text_hashes(values)) > 0

    def alike(self, values: pd.Series[Any]) -> pd.Series[Any]:
        """Return for each value the one known id spelled alike, blank if none or several are.

        Capitals, blanks, dashes and leading zeros do not count.

        Examples
        --------
        >>> KnownIds.of(["SM-0012", "SM-0120"]).alike(pd.Series(["sm 12", "SM-13"])).tolist()
        ['SM-0012', nan]
        """
        if self._by_spelling is None:
            self._by_spelling = {}
            for text in pd.concat(self._texts).unique() if self._texts else ():
                spelled = spelling(text)
                other = self._by_spelling.setdefault(spelled, str(text))
                if other != text:
                    self._by_spelling[spelled] = ""
        meant = {text: self._by_spelling.get(spelling(text)) or None for text in values.unique()}
        return values.map(meant).astype("str")


def spelling(text: object) -> str:
    """Return an id without what people get wrong in it: capitals, separators, leading zeros.

    >>> spelling("sm 0012-b")
    'SM|12|B'
    """
    parts = re.findall(r"\d+|[^\W\d_]+", str(text).upper())
    return "|".join(part.lstrip("0") or "0" if part[0].isdigit() else part for part in parts)


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
