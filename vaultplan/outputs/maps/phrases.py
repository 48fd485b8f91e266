"""Sentences that many reasons share, kept once, so that a map file stays small."""

from __future__ import annotations

import re
from collections.abc import Iterable
from typing import Final

_ENDS: Final = re.compile(r"(?<=[.;:,]) ")


class Phrases:
    """A list of phrases, and texts as the numbers of theirs.

    The page puts a text together again by joining its phrases with blanks.

    Examples
    --------
    >>> phrases = Phrases()
    >>> phrases.pack(["Rain is likely. Hold.", "Hold.", ""])
    [[0, 1], [1], []]
    >>> phrases.told
    ['Rain is likely.', 'Hold.']
    """

    def __init__(self) -> None:
        self._number: dict[str, int] = {}

    @property
    def told(self) -> list[str]:
        """The phrases in the order of their numbers."""
        return list(self._number)

    def pack(self, texts: Iterable[str]) -> list[list[int]]:
        """Return each text as the numbers of its phrases."""
        return [
            [self._number.setdefault(phrase, len(self._number)) for phrase in _ENDS.split(text)]
            if text
            else []
            for text in texts
        ]
