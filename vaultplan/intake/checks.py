"""Checks of typed rows against what the schema declares for them."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import pandas as pd
import pandera.pandas as pa
from pandera.errors import SchemaErrors

from vaultplan.columns import Column, Table
from vaultplan.intake.findings import FindingBook
from vaultplan.intake.keys import Hashes, KnownIds, SeenKeys, key_hashes
from vaultplan.intake.words import WordList

_CONTROL: Final = r"[\x00-\x1f]"

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
    declared: Table,
    schema: pa.DataFrameSchema,
    frame: pd.DataFrame,
    text: Texts,
    book: FindingBook,
    words: WordList | None = None,
) -> pd.DataFrame:
    """Return the rows with repairs in place; every fault of theirs is in the book.

    ``text`` holds what the user wrote; a value that could not be read is already in the book and is
    not called blank here.
    """
    mended = frame.copy(deep=False)
    for column in declared.columns:
        if column.name not in frame:
            continue
        written = text[column.name]
        if column.type == "words" and column.allowed:
            _check_each_word(column, written, frame[column.name], book)
        if column.name in declared.key and column.type == "text":
            odd = written[written.str.contains(_CONTROL, na=False)]
            bare = odd.str.replace(_CONTROL, "", regex=True)
            what = "has a line break or control sign in it"
            accepted = book.add("odd_key", column.name, odd, what, "take it out", repairs=bare)
            mended[column.name] = _put(mended[column.name], accepted)
    try:
        schema.validate(frame, lazy=True)
    except SchemaErrors as error:
        for name, accepted in _write_down(declared, error.failure_cases, text, book, words):
            mended[name] = _put(mended[name], accepted)
    return mended


def _put(values: pd.Series[Any], accepted: pd.Series[Any]) -> pd.Series[Any]:
    if not len(accepted):
        return values
    mended = values.copy()
    mended.loc[accepted.index] = accepted
    return mended


def _write_down(
    declared: Table,
    failures: pd.DataFrame,
    text: Texts,
    book: FindingBook,
    words: WordList | None,
) -> Iterator[tuple[str, pd.Series[Any]]]:
    """Write down what pandera found; yield columns with the repairs to be made in them."""
    for (name, check), group in failures.groupby(["column", "check"], sort=True):
        column = declared.column(str(name))
        rows = pd.Index(group["index"].astype("int64"))
        written = text[column.name].loc[rows]
        if check == "not_nullable":
            fault, remedy = "is blank", f"every row of {declared.name} needs it: {column.meaning}"
            # A word for not measured may have been made blank by its repair just now.
            blanked = written.index.isin(book.repaired_in_chunk("word_for_blank"))
            book.add("blank", column.name, written[written.isna() | blanked], fault, remedy)
        elif column.allowed:
            fault = "is not one of the allowed words"
            remedy = f"use {', '.join(column.allowed)}, or map it under [values.{column.name}]"
            known = None if words is None else words.proposals(declared.name, column, written)
            yield (
                column.name,
                book.add("unknown_word", column.name, written, fault, remedy, repairs=known),
            )
        else:
            fault = f"is not {range_text(column)}"
            remedy = f"correct it, or state its unit under [units] {column.name}"
            book.add("out_of_range", column.name, written, fault, remedy)


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
    column: Column, written: pd.Series[Any], values: pd.Series[Any], book: FindingBook
) -> None:
    strange = {
        value
        for value in values.dropna().unique()
        if not set(str(value).split(";")) <= set(column.allowed)
    }
    book.add(
        "unknown_word",
        column.name,
        written[values.isin(strange)],
        "holds a word that is not allowed",
        f"use {', '.join(column.allowed)} with ; between them",
    )


@dataclass(slots=True)
class KeyChecks:
    """Doubles and references of one file, remembered across its chunks.

    ``known`` leads from ``table.column`` to the ids there are; references to other columns are
    not checked. A reference that may be blank is looked up only where any ids are known.
    """

    declared: Table
    known: Mapping[str, KnownIds] = field(default_factory=dict)
    _seen: SeenKeys = field(default_factory=SeenKeys)
    _contents: SeenKeys = field(default_factory=SeenKeys)

    def check(
        self, frame: pd.DataFrame, text: Texts, contents: Hashes, book: FindingBook
    ) -> tuple[pd.DataFrame, pd.Index[Any]]:
        """Return the frame with references mended, and the rows that only say a row over again.

        ``contents`` holds a hash of all that each row says.
        """
        mended = frame.copy(deep=False)
        for column in self.declared.columns:
            if column.refers_to in self.known and column.name in frame:
                values = frame[column.name].dropna()
                accepted = self._check_reference(column, values, book)
                mended[column.name] = _put(mended[column.name], accepted)
        key = [name for name in self.declared.key if name in frame]
        again = frame.index[:0]
        if len(key) == len(self.declared.key):
            again = self._check_doubles(mended, key, text, contents, book)
        return mended, again

    def _check_doubles(
        self,
        frame: pd.DataFrame,
        key: list[str],
        text: Texts,
        contents: Hashes,
        book: FindingBook,
    ) -> pd.Index[Any]:
        has_key = frame[key].notna().all(axis=1).to_numpy(dtype=bool)
        keyed, said = frame[has_key], contents[has_key]
        hashes = key_hashes(keyed, key)
        rows = keyed.index.to_numpy(dtype=np.int64)
        earlier = _first_seen(self._seen, hashes, rows)
        again = earlier > 0
        self._seen.add(hashes[~again], rows[~again])
        # The key is part of what a row says, so a row said before is one with the same key.
        same = again & (_first_seen(self._contents, said, rows) > 0) if again.any() else again
        self._contents.add(said[~same], rows[~same])
        if not again.any():
            return frame.index[:0]
        keyed, same, earlier = keyed[again], same[again], earlier[again]
        name, shown = ", ".join(key), _joined(keyed, key, text)
        details = np.array([f"the key stands in row {row} too" for row in earlier], dtype=object)
        other = ~same
        book.add(
            "key_twice",
            name,
            shown[other],
            "the key stands in an earlier row too",
            "keep one of the two, or give one a key of its own",
            details=list(details[other]),
        )
        accepted = book.add(
            "row_twice",
            name,
            shown[same],
            "the same row stands earlier in the file",
            "keep one of the two",
            details=list(details[same]),
            repairs=shown[same].map(lambda _: "kept once"),
        )
        return accepted.index

    def _check_reference(
        self, column: Column, values: pd.Series[Any], book: FindingBook
    ) -> pd.Series[Any]:
        known = self.known[column.refers_to]
        if not column.required and not len(known):
            return values.iloc[:0]
        lost = values[~known.has(values)]
        table = column.refers_to.partition(".")[0]
        return book.add(
            "unknown_reference" if column.required else "lost_reference",
            column.name,
            lost,
            f"is not known in {table}",
            f"load {table} first, or correct it",
            repairs=known.alike(lost) if len(lost) else None,
        )


def _first_seen(seen: SeenKeys, hashes: Hashes, rows: npt.NDArray[np.int64]) -> Any:
    """Return the row in which each key stood before, in this chunk or an earlier one, else 0."""
    earlier = seen.earlier(hashes)
    repeated = pd.Series(hashes).duplicated().to_numpy()
    if repeated.any():
        first = dict(zip(hashes[::-1].tolist(), rows[::-1].tolist(), strict=True))
        inside = [first[value] for value in hashes[repeated].tolist()]
        earlier[repeated] = np.where(earlier[repeated] == 0, inside, earlier[repeated])
    return earlier


def _joined(rows: pd.DataFrame, key: list[str], text: Texts) -> pd.Series[Any]:
    shown = text[key[0]].loc[rows.index].astype("str")
    for name in key[1:]:
        shown = shown.str.cat(text[name].loc[rows.index].astype("str"), sep=", ")
    return shown
