"""A book of what was found in one file: every rule is counted, the first of each are kept."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any, Final

import numpy as np
import pandas as pd

from vaultplan.errors import BadRow, BadRowsError
from vaultplan.intake.rules import RULES

WHOLE_FILE: Final = 0
_SHOWN_LETTERS: Final = 80
#: Columns of the tables that a book hands out.
FINDINGS: Final = (
    *("rule", "severity", "row", "column", "value", "fault", "remedy", "proposal", "repaired"),
)
CHANGES: Final = ("row", "rule", "column", "before", "after")
SUMMARY: Final = ("rule", "severity", "column", "rows", "mendable", "repaired", "meaning", "repair")


@dataclass(slots=True)
class _Count:
    rows: int = 0
    mendable: int = 0
    repaired: int = 0


@dataclass(slots=True)
class FindingBook:
    """What is found in one file, and which repairs are made.

    ``apply`` names the rules whose repairs are asked for. A wrong unit can spoil five million
    rows, so at most ``kept`` rows of each kind of finding in each column are kept one by one; the
    rest are counted.
    """

    apply: frozenset[str] = frozenset()
    kept: int = 10_000
    _rows: list[tuple[Any, ...]] = field(default_factory=list)
    _counts: dict[tuple[str, str, str], _Count] = field(default_factory=dict)
    _remedies: dict[tuple[str, str, str], str] = field(default_factory=dict)
    _bad: list[pd.DataFrame] = field(default_factory=list)
    _changes: list[pd.DataFrame] = field(default_factory=list)
    _errors: int = 0
    _accepted: list[tuple[tuple[str, str, str], pd.Index[Any]]] = field(default_factory=list)
    _beyond: dict[str, list[pd.Index[Any]]] = field(default_factory=dict)
    _chunk_start: int = 0

    def __bool__(self) -> bool:
        """Whether anything keeps a row, or the whole file, out of its table."""
        return self._errors > 0

    def add(
        self,
        rule: str,
        column: str,
        values: pd.Series[Any],
        fault: str,
        remedy: str,
        *,
        details: Sequence[str] | None = None,
        repairs: pd.Series[Any] | None = None,
    ) -> pd.Series[Any]:
        """Write down one kind of finding and return the repairs to be made now.

        Parameters
        ----------
        rule
            One of ``rules.RULES``.
        values
            The values found, as written, indexed by their row.
        fault, remedy
            What is wrong and what to do about it; ``details`` takes the place of ``fault`` row by
            row where the wording differs.
        repairs
            Proposals for some or all of those rows, indexed alike.

        Returns
        -------
        pandas.Series
            The proposals of this rule if its repair is asked for, else none of them. Whoever calls
            puts them in place; they are already noted as changes.
        """
        nothing = values.iloc[:0]
        if not len(values):
            return nothing
        declared = RULES[rule]
        proposed = nothing if repairs is None else repairs.dropna()
        accepted = proposed if rule in self.apply else proposed.iloc[:0]
        self._note_rows(rule, column, values, fault, remedy, details, proposed)
        count = self._counts.setdefault((rule, column, fault), _Count())
        count.rows += len(values)
        count.mendable += len(proposed)
        count.repaired += len(accepted)
        self._remedies[rule, column, fault] = remedy
        if len(accepted):
            self._accepted.append(((rule, column, fault), accepted.index))
            changed = {
                "row": accepted.index.to_numpy(),
                "rule": rule,
                "column": column,
                "before": [_short(value, None) for value in values.loc[accepted.index]],
                "after": [_short(value, None) for value in accepted],
            }
            self._changes.append(pd.DataFrame(changed))
        if declared.severity == "error":
            left = values.index.difference(accepted.index)
            self._errors += len(left)
            if len(left):
                self._bad.append(pd.DataFrame({"row": left.to_numpy(np.int64), "rule": rule}))
        return accepted

    def change(self, rule: str, column: str, before: pd.Series[Any], after: pd.Series[Any]) -> None:
        """Note a change in a further column that goes with an accepted repair."""
        if len(after):
            self._changes.append(
                pd.DataFrame(
                    {
                        "row": after.index.to_numpy(),
                        "rule": rule,
                        "column": column,
                        "before": [_short(value, None) for value in before.loc[after.index]],
                        "after": [_short(value, None) for value in after],
                    }
                )
            )

    def add_whole(self, rule: str, column: str, fault: str, remedy: str) -> None:
        """Write down a fault that the file as a whole has: nothing of it can be loaded."""
        self._errors += 1
        self._counts.setdefault((rule, column, fault), _Count()).rows += 1
        self._remedies[rule, column, fault] = remedy
        self._rows.append((rule, "error", WHOLE_FILE, column, "", fault, remedy, "", False))

    def take_chunk(self) -> tuple[pd.DataFrame, pd.DataFrame]:
        """Return errors left (``row``, ``rule``) and changes made since the last call.

        Both are forgotten here then. Changes in rows that have errors left are not made after all.
        """
        nothing = pd.DataFrame({"row": pd.Series([], dtype="int64"), "rule": []})
        bad = pd.concat(self._bad, ignore_index=True) if self._bad else nothing
        blank = pd.DataFrame(columns=list(CHANGES)).astype({"row": "int64"})
        changes = pd.concat(self._changes) if self._changes else blank
        lost = set(bad["row"].tolist())
        for kind, rows in self._accepted:
            self._counts[kind].repaired -= int(rows.isin(lost).sum())
        # A repair in a row that has another error left is not made after all.
        for at in range(self._chunk_start, len(self._rows)):
            if self._rows[at][-1] and self._rows[at][2] in lost:
                self._rows[at] = (*self._rows[at][:-1], False)
        self._chunk_start = len(self._rows)
        self._bad.clear()
        self._changes.clear()
        self._accepted.clear()
        return bad, changes[~changes["row"].isin(bad["row"])].reset_index(drop=True)

    def set_beyond(self, column: str, rows: pd.Index[Any]) -> None:
        """Note rows in which a repair sets a column that the file may say nothing of."""
        if len(rows):
            self._beyond.setdefault(column, []).append(rows)

    def take_beyond(self) -> dict[str, pd.Index[Any]]:
        """Return the rows of :meth:`set_beyond` since the last call, by column."""
        found = {name: pd.Index(np.unique(np.concatenate(r))) for name, r in self._beyond.items()}
        self._beyond.clear()
        return found

    def repaired_in_chunk(self, rule: str) -> pd.Index[Any]:
        """Return the rows of this chunk in which a rule's repair was made."""
        rows = [part["row"] for part in self._changes if (part["rule"] == rule).all()]
        found: pd.Index[Any] = pd.Index(np.unique(np.concatenate([np.empty(0, np.int64), *rows])))
        return found

    def findings(self) -> pd.DataFrame:
        """Return the findings that were kept, by row: ``FINDINGS``; row 0 is the whole file."""
        frame = pd.DataFrame(self._rows, columns=list(FINDINGS))
        return frame.sort_values("row", kind="stable", ignore_index=True)

    def summary(self) -> pd.DataFrame:
        """Return a line per rule and column: ``SUMMARY``, gravest and most frequent first."""
        lines: dict[tuple[str, str], _Count] = {}
        for (rule, column, _fault), count in self._counts.items():
            line = lines.setdefault((rule, column), _Count())
            line.rows += count.rows
            line.mendable += count.mendable
            line.repaired += count.repaired
        rows = []
        for (name, column), count in lines.items():
            declared = RULES[name]
            numbers = (count.rows, count.mendable, count.repaired)
            told = (declared.meaning, declared.repair)
            rows.append((name, declared.severity, column, *numbers, *told))
        frame = pd.DataFrame(rows, columns=list(SUMMARY))
        grave = frame["severity"].map({"error": 0, "warning": 1, "note": 2})
        order = frame.assign(grave=grave).sort_values(["grave", "rows"], ascending=[True, False])
        return order.drop(columns="grave").reset_index(drop=True)

    def faults(self) -> tuple[BadRow, ...]:
        """Return the errors, those of the whole file first, then by row."""
        shown = [
            BadRow(row, column, value, fault, remedy)
            for _rule, severity, row, column, value, fault, remedy, _, repaired in self._rows
            if severity == "error" and not repaired
        ]
        overflow = [
            BadRow(
                WHOLE_FILE,
                column,
                "",
                f"{fault}, in {count.rows - self.kept:,} more rows than are listed",
                self._remedies[rule, column, fault],
            )
            for (rule, column, fault), count in self._counts.items()
            if count.rows > self.kept and RULES[rule].severity == "error"
        ]
        return tuple(sorted([*overflow, *shown], key=lambda fault: fault.row))

    def raise_if_any(self, file: str, table: str) -> None:
        """Raise ``BadRowsError`` with every error in the book, or do nothing if there is none."""
        if self:
            raise BadRowsError(file, table, self.faults())

    def _note_rows(
        self,
        rule: str,
        column: str,
        values: pd.Series[Any],
        fault: str,
        remedy: str,
        details: Sequence[str] | None,
        proposed: pd.Series[Any],
    ) -> None:
        before = self._counts.get((rule, column, fault), _Count()).rows
        room = max(0, self.kept - before)
        if not room:
            return
        severity = RULES[rule].severity
        wording = [fault] * len(values) if details is None else details
        said = proposed.reindex(values.index[:room]) if len(proposed) else None
        proposals = [""] * room if said is None else [_proposal(value) for value in said]
        asked = rule in self.apply
        for row, value, words, proposal in zip(
            values.index[:room], values.iloc[:room], wording[:room], proposals, strict=False
        ):
            told = (rule, severity, int(row), column, _short(value), words, remedy, proposal)
            self._rows.append((*told, asked and proposal != ""))


def _proposal(value: object) -> str:
    return "(blank)" if isinstance(value, str) and value == "" else _short(value)


def _short(value: object, letters: int | None = _SHOWN_LETTERS) -> str:
    if value is None or value is pd.NA or value != value:
        return ""
    text = str(value)
    return text if letters is None or len(text) <= letters else text[: letters - 3] + "..."
