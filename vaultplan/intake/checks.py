"""Checks of typed rows against what the schema declares for them."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
import pandera.pandas as pa
from pandera.errors import SchemaErrors

from vaultplan.columns import Column, Table
from vaultplan.intake.faults import FaultBook
from vaultplan.intake.keys import SeenKeys, key_hashes, text_hashes

Texts = Mapping[str, "pd.Series[Any]"]


def frame_schema(declared: Table) -> pa.DataFrameSchema:
    """Return the pandera schema of a table: blanks, allowed words and ranges of its columns.

    Examples
    --------
    >>> from vaultplan.schema import table
    >>> frame_schema(table("depots")).columns["depot_id"].nullable
    False
    """
    return pa.DataFrameSchema(
        {
            column.name: pa.Column(
                None, _column_checks(column), nullable=not column.required, required=False
            )
            for column in declared.columns
            if column.type != "geometry"
        }
    )


def _column_checks(column: Column) -> list[pa.Check]:
    checks = []
    if column.allowed and column.type == "text":
        checks.append(pa.Check.isin(column.allowed, name="words"))
    if column.least is not None:
        checks.append(pa.Check.ge(column.least, name="least"))
    if column.most is not None:
        checks.append(pa.Check.le(column.most, name="most"))
    return checks


def check_rows(
    declared: Table, schema: pa.DataFrameSchema, frame: pd.DataFrame, text: Texts, book: FaultBook
) -> None:
    """Write every fault of the rows into the book.

    ``text`` holds what the user wrote; a value that could not be read is already in the book and is
    not called blank here.
    """
    for column in declared.columns:
        if column.name not in frame:
            continue
        written = text[column.name]
        if column.type == "words" and column.allowed:
            _check_each_word(column, written, frame[column.name], book)
        if column.name in declared.key and column.type == "text":
            odd = written[written.str.contains(r"[\x00-\x1f]", na=False)]
            book.add(column.name, odd, "has a line break or control sign in it", "take it out")
    try:
        schema.validate(frame, lazy=True)
    except SchemaErrors as error:
        _write_down(declared, error.failure_cases, text, book)


def _write_down(declared: Table, failures: pd.DataFrame, text: Texts, book: FaultBook) -> None:
    for (name, check), group in failures.groupby(["column", "check"], sort=True):
        column = declared.column(str(name))
        rows = pd.Index(group["index"].astype("int64"))
        written = text[column.name].loc[rows]
        if check == "not_nullable":
            fault, remedy = "is blank", f"every row of {declared.name} needs it: {column.meaning}"
            written = written[written.isna()]
        elif column.allowed:
            fault = "is not one of the allowed words"
            remedy = f"use {', '.join(column.allowed)}, or map it under [values.{column.name}]"
        else:
            fault = f"is not {range_text(column)}"
            remedy = f"correct it, or state its unit under [units] {column.name}"
        book.add(column.name, written, fault, remedy)


def range_text(column: Column) -> str:
    """Return the range a column's numbers lie in, in words."""
    # A unit such as "share 0-1" tells the range over again.
    unit = f" {column.unit}" if column.unit and not column.unit[-1].isdigit() else ""
    if column.most is None:
        return f"{column.least:g}{unit} or more"
    if column.least is None:
        return f"{column.most:g}{unit} or less"
    return f"between {column.least:g} and {column.most:g}{unit}"


def _check_each_word(
    column: Column, written: pd.Series[Any], values: pd.Series[Any], book: FaultBook
) -> None:
    strange = {
        value
        for value in values.dropna().unique()
        if not set(str(value).split(";")) <= set(column.allowed)
    }
    book.add(
        column.name,
        written[values.isin(strange)],
        "holds a word that is not allowed",
        f"use {', '.join(column.allowed)} with ; between them",
    )


@dataclass(slots=True)
class KeyChecks:
    """Doubles and references of one file, remembered across its chunks.

    ``known`` leads from ``table.column`` to the values there are; references to other columns are
    not checked. A table that refers to itself is checked when the whole file is read.
    """

    declared: Table
    known: Mapping[str, Collection[str]] = field(default_factory=dict)
    _seen: SeenKeys = field(default_factory=SeenKeys)
    _targets: dict[str, SeenKeys] = field(default_factory=dict)
    _waiting: list[tuple[Column, pd.Series[Any]]] = field(default_factory=list)

    def check(self, frame: pd.DataFrame, text: Texts, book: FaultBook) -> None:
        """Write doubles and references that lead nowhere into the book."""
        key = [name for name in self.declared.key if name in frame]
        if len(key) == len(self.declared.key):
            self._check_doubles(frame.dropna(subset=key), key, text, book)
        for column in self.declared.columns:
            if column.refers_to and column.name in frame:
                self._check_reference(column, frame[column.name].dropna(), book)

    def finish(self, book: FaultBook) -> None:
        """Check the references of the table to itself."""
        for column, values in self._waiting:
            found = self._seen.earlier(text_hashes(values)) > 0
            self._blame_reference(column, values[~found], book)

    def _check_doubles(
        self, keyed: pd.DataFrame, key: list[str], text: Texts, book: FaultBook
    ) -> None:
        hashes = key_hashes(keyed, key)
        rows = keyed.index.to_numpy(dtype=np.int64)
        earlier = self._seen.earlier(hashes)
        repeated = pd.Series(hashes).duplicated().to_numpy()
        if repeated.any():
            first = dict(zip(hashes[::-1].tolist(), rows[::-1].tolist(), strict=True))
            inside = [first[value] for value in hashes[repeated].tolist()]
            earlier[repeated] = np.where(earlier[repeated] == 0, inside, earlier[repeated])
        again = earlier > 0
        shown = _joined(keyed.loc[again], key, text)
        book.add(
            ", ".join(key),
            shown,
            "the key stands in an earlier row too",
            "keep one of the two, or give one a key of its own",
            details=[f"the key stands in row {row} too" for row in earlier[again]],
        )
        self._seen.add(hashes[~again], rows[~again])

    def _check_reference(self, column: Column, values: pd.Series[Any], book: FaultBook) -> None:
        table, _, target = column.refers_to.partition(".")
        if column.refers_to in self.known:
            values = values[~self._among(column.refers_to, values)]
        elif table != self.declared.name:
            return
        if table == self.declared.name and self.declared.key == (target,):
            self._waiting.append((column, values))
            return
        self._blame_reference(column, values, book)

    def _among(self, target: str, values: pd.Series[Any]) -> npt.NDArray[np.bool_]:
        if target not in self._targets:
            known = SeenKeys()
            hashes = text_hashes(pd.Series(list(self.known[target]), dtype="str"))
            known.add(hashes, np.ones(len(hashes), dtype=np.int64))
            self._targets[target] = known
        return self._targets[target].earlier(text_hashes(values)) > 0

    def _blame_reference(self, column: Column, values: pd.Series[Any], book: FaultBook) -> None:
        table = column.refers_to.partition(".")[0]
        book.add(
            column.name,
            values,
            f"is not known in {table}",
            f"load {table} first, or correct it",
        )


def _joined(rows: pd.DataFrame, key: list[str], text: Texts) -> pd.Series[Any]:
    shown = text[key[0]].loc[rows.index].astype("str")
    for name in key[1:]:
        shown = shown.str.cat(text[name].loc[rows.index].astype("str"), sep=", ")
    return shown
