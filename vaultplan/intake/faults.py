"""A book of the faults found in one file: every kind is counted, the first of each are kept."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import pandas as pd

from vaultplan.errors import BadRow, BadRowsError

WHOLE_FILE = 0
_SHOWN_LETTERS = 80


@dataclass(slots=True)
class FaultBook:
    """Faults of one file as they are found.

    A wrong unit can spoil five million rows, so at most ``kept`` rows of each kind of fault in
    each column are kept one by one; the rest are counted and told in one line.
    """

    kept: int = 10_000
    _rows: list[BadRow] = field(default_factory=list)
    _counts: dict[tuple[str, str], int] = field(default_factory=dict)
    _remedies: dict[tuple[str, str], str] = field(default_factory=dict)

    def __bool__(self) -> bool:
        """Whether anything is wrong."""
        return bool(self._rows)

    def add(
        self,
        column: str,
        values: pd.Series[Any],
        fault: str,
        remedy: str,
        *,
        details: Sequence[str] | None = None,
    ) -> None:
        """Write down one kind of fault; ``values`` are the faulty ones, indexed by their row.

        ``details`` takes the place of ``fault`` row by row where the wording differs.
        """
        if not len(values):
            return
        kind = (column, fault)
        before = self._counts.get(kind, 0)
        self._counts[kind] = before + len(values)
        self._remedies[kind] = remedy
        room = max(0, self.kept - before)
        wording = [fault] * len(values) if details is None else details
        self._rows.extend(
            BadRow(int(row), column, _short(value), words, remedy)
            for row, value, words in zip(
                values.index[:room], values.iloc[:room], wording[:room], strict=False
            )
        )

    def add_whole(self, column: str, fault: str, remedy: str) -> None:
        """Write down a fault of the file as a whole."""
        self._rows.append(BadRow(WHOLE_FILE, column, "", fault, remedy))

    def faults(self) -> tuple[BadRow, ...]:
        """Return all faults, those of the whole file first, then by row."""
        overflow = [
            BadRow(
                WHOLE_FILE,
                column,
                "",
                f"{fault}, in {count - self.kept:,} more rows than are listed",
                self._remedies[column, fault],
            )
            for (column, fault), count in self._counts.items()
            if count > self.kept
        ]
        return tuple(sorted([*overflow, *self._rows], key=lambda fault: fault.row))

    def raise_if_any(self, file: str, table: str) -> None:
        """Raise ``BadRowsError`` with everything in the book, or do nothing if it is empty."""
        if self:
            raise BadRowsError(file, table, self.faults())


def _short(value: object) -> str:
    if value is None or value is pd.NA or value != value:
        return ""
    text = str(value)
    return text if len(text) <= _SHOWN_LETTERS else text[: _SHOWN_LETTERS - 3] + "..."
