"""Text files with delimiters, read in a stream, every value as text."""

from __future__ import annotations

import csv
import io
import os
import re
from collections import Counter
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.csv

from vaultplan.errors import SchemaError, SettingsError
from vaultplan.intake.files.chunk import Chunk
from vaultplan.intake.files.letters import check_text, guess_letters, stated_or_marked

__all__ = ["count", "guess_delimiter", "guess_letters", "read"]

_DELIMITERS = (",", ";", "\t", "|")
_SAMPLE_LETTERS = 1 << 16
_BLOCK_BYTES = 1 << 23
#: Rows and letters that may fit the header nowhere before the file is given up; assumed.
_MOST_MISFITS = 500_000
_MOST_MISFIT_LETTERS = 1 << 28

Misfit = tuple[int, str, str]


def read(
    path: Path, chunk_rows: int, *, encoding: str | None, delimiter: str | None
) -> Iterator[Chunk]:
    """Return the rows of a text file in chunks of at most ``chunk_rows``."""
    letters = stated_or_marked(path, encoding)
    check_text(path, letters)
    mark = delimiter or guess_delimiter(path, letters)
    _check_mark(mark)
    names = _header(path, letters, mark)
    return _chunks(path, chunk_rows, letters, mark, names)


def count(path: Path) -> int:
    """Return the lines after the header."""
    feeds, returns, last = 0, 0, b""
    with path.open("rb") as file:
        while block := file.read(_BLOCK_BYTES):
            feeds += block.count(b"\n")
            returns += block.count(b"\r")
            last = block.rstrip(b"\0")[-1:]
    return max(0, (feeds or returns) - (last in (b"\n", b"\r")))


def guess_delimiter(path: Path, letters: str) -> str:
    """Return what most likely parts the columns of a text file, one of ``, ; tab |``.

    It is the one by which most of the first rows have as many values as the header.
    """
    if path.suffix.lower() == ".tsv":
        return "\t"
    with path.open(encoding=letters, errors="replace", newline="") as file:
        sample = file.read(_SAMPLE_LETTERS)
    return max(_DELIMITERS, key=lambda mark: _fit(sample.lstrip("\ufeff"), mark))


def _chunks(
    path: Path, chunk_rows: int, letters: str, mark: str, names: list[str]
) -> Iterator[Chunk]:
    ragged = _Ragged(mark)
    next_row = 2
    columns = [name.strip() or f"(column {at})" for at, name in enumerate(names, start=1)]
    none_yet, last_row, last = True, 1, None
    try:
        for batch in _open(path, letters, mark, names, ragged):
            misfits = ragged.within(next_row, batch.num_rows)
            rows, next_row = _number(next_row, batch.num_rows, misfits)
            if len(rows):
                last_row, last = rows[-1], batch.column(batch.num_columns - 1)[-1].as_py()
            whole = batch.to_pandas(types_mapper=_as_str)
            whole.columns = pd.Index(columns)
            whole.index = pd.Index(rows, name="row")
            is_blank = whole.isna().all(axis=1)
            told, empty = _told(misfits, mark)
            for at in range(0, max(1, len(whole)), chunk_rows):
                part, gone = whole.iloc[at : at + chunk_rows], is_blank.iloc[at : at + chunk_rows]
                none_yet = False
                yield _chunk(path, part[~gone], told, int(gone.sum()) + empty)
                told, empty = (), 0
    except (pa.ArrowInvalid, UnicodeError) as error:
        raise SchemaError(ragged.complaint(path) or _why_unreadable(path, str(error))) from error
    _check_end(path, letters, mark, ragged.last_text if ragged.last_row > last_row else None, last)
    if none_yet or ragged.waiting:
        told, empty = _told(sorted(ragged.waiting), mark)
        named = {name: pd.Series([], dtype="str") for name in columns}
        yield _chunk(path, pd.DataFrame(named), told, empty)


def _chunk(path: Path, frame: pd.DataFrame, misfits: tuple[Misfit, ...], blank: int) -> Chunk:
    size = len(frame) + len(misfits) + blank
    return Chunk(path, frame, size=size, misfits=misfits, blank=blank)


class _Ragged:
    """Rows set aside while Arrow reads, as they have more or fewer values than the header.

    Arrow parses one block ahead of the batch that it hands out, and hands out no batch for a block
    in which no row fits; so rows wait here until their turn comes.
    """

    def __init__(self, mark: str) -> None:
        self._mark = mark
        self._letters = 0
        self.waiting: list[Misfit] = []
        self.last_row, self.last_text = 0, ""

    def set_aside(self, row: pyarrow.csv.InvalidRow) -> str:
        """Keep a row; stop the reading if hardly any fits."""
        why = f"the row has {row.actual_columns} values, the header {row.expected_columns}"
        self.last_row, self.last_text = int(row.number or 0), str(row.text)
        self.waiting.append((self.last_row, self.last_text, why))
        self._letters += len(self.last_text)
        return "error" if self._too_many() else "skip"

    def within(self, first: int, count: int) -> list[Misfit]:
        """Take out the misfits among the next ``count`` rows, and those that follow at once."""
        self.waiting.sort()
        end, taken = first + count, 0
        while taken < len(self.waiting) and self.waiting[taken][0] <= end:
            taken += 1
            end += 1
        misfits = self.waiting[:taken]
        del self.waiting[:taken]
        self._letters -= sum(len(text) for _, text, _ in misfits)
        return misfits

    def complaint(self, path: Path) -> str | None:
        """Return why the reading was stopped, if it was for these rows."""
        if not self._too_many():
            return None
        row, _, why = min(self.waiting)
        return (
            f"{path} has {len(self.waiting):,} rows and more that do not fit its header (from row "
            f"{row}: {why}); mend the header, or state the delimiter (now {self._mark!r})"
        )

    def _too_many(self) -> bool:
        return len(self.waiting) > _MOST_MISFITS or self._letters > _MOST_MISFIT_LETTERS


def _open(
    path: Path, letters: str, mark: str, names: list[str], ragged: _Ragged
) -> pyarrow.csv.CSVStreamingReader:
    return pyarrow.csv.open_csv(
        str(path),
        # Row numbers of misfits are known only when one thread reads.
        read_options=pyarrow.csv.ReadOptions(
            use_threads=False, block_size=_BLOCK_BYTES, encoding=letters
        ),
        parse_options=pyarrow.csv.ParseOptions(
            delimiter=mark,
            newlines_in_values=True,
            ignore_empty_lines=False,
            invalid_row_handler=ragged.set_aside,
        ),
        convert_options=pyarrow.csv.ConvertOptions(
            column_types={name: pa.string() for name in names},
            strings_can_be_null=True,
            quoted_strings_can_be_null=True,
            null_values=[""],
        ),
    )


def _header(path: Path, letters: str, mark: str) -> list[str]:
    ragged = _Ragged(mark)
    try:
        with _open(path, letters, mark, [], ragged) as reader:
            names = list(reader.schema.names)
    except (pa.ArrowInvalid, UnicodeError) as error:
        raise SchemaError(ragged.complaint(path) or _why_unreadable(path, str(error))) from error
    found = Counter(name.strip() for name in names if name.strip())
    twice = [name for name, times in found.items() if times > 1]
    if twice:
        raise SchemaError(f"{path} has two columns named {', '.join(twice)}; rename one of each")
    if not found:
        raise SchemaError(f"{path} has no header; its first row must name the columns")
    return names


def _number(first: int, count: int, misfits: list[Misfit]) -> tuple[np.ndarray, int]:
    """Return row numbers of ``count`` rows that follow one another but for the misfits."""
    taken = np.array([row for row, _, _ in misfits], dtype=np.int64)
    span = np.arange(first, first + count + len(taken), dtype=np.int64)
    rows = span[~np.isin(span, taken)][:count]
    return rows, first + count + len(taken)


def _told(misfits: list[Misfit], mark: str) -> tuple[tuple[Misfit, ...], int]:
    """Return the misfits that hold anything, and how many are delimiters only."""
    told = tuple(misfit for misfit in misfits if misfit[1].strip(mark + '"\r\n'))
    return told, len(misfits) - len(told)


def _as_str(kind: pa.DataType) -> pd.StringDtype | None:
    return pd.StringDtype(na_value=np.nan) if pa.types.is_string(kind) else None


def _check_mark(mark: str) -> None:
    if len(mark) != 1 or not mark.isascii() or mark in '"\r\n\0':
        raise SettingsError(f"the delimiter {mark!r} cannot be meant; it is one sign, such as ;")


def _check_end(path: Path, letters: str, mark: str, misfit: str | None, value: object) -> None:
    """Refuse a file whose last quotation mark is open: its rows have vanished into one value.

    ``misfit`` is the text of the last row if it does not fit the header, ``value`` the last value
    of the last row that does.
    """
    if misfit is not None:
        if "\n" not in misfit.rstrip("\r\n") or not _is_open(misfit, mark):
            return
        start = misfit
    elif isinstance(value, str) and ("\n" in value or "\r" in value):
        with path.open("rb") as file:
            file.seek(-min(64, path.stat().st_size), os.SEEK_END)
            tail = file.read().decode(letters, errors="ignore")
        if tail.rstrip("\0 \t\r\n").endswith('"'):
            return
        start = value
    else:
        return
    raise SchemaError(
        f"{path} has a quotation mark that is opened and never closed, before "
        f"{start.splitlines()[0][:80]!r}, so rows run together; close it, or take it out"
    )


def _is_open(row: str, mark: str) -> bool:
    """Return whether a value of this row begins with a quotation mark that is never closed."""
    unquoted = rf"[^{re.escape(mark)}\r\n]*+"
    value = re.compile(
        rf'(?:"[^"]*+(?:""[^"]*+)*+"{unquoted}|(?!"){unquoted})(?:{re.escape(mark)}|[\r\n]++|\Z)'
    )
    at = 0
    while at < len(row):
        found = value.match(row, at)
        if found is None:
            return True
        at = found.end()
    return False


def _fit(sample: str, mark: str) -> tuple[int, int]:
    """Return how many of the first rows agree with the header, and how wide it is."""
    rows = []
    try:
        for row in csv.reader(io.StringIO(sample, newline=""), delimiter=mark):
            rows.append(row)
            if len(rows) > 50:
                break
    except csv.Error:
        return (0, 0)
    width = len(rows[0]) if rows else 0
    if width < 2:
        return (0, width)
    return (sum(len(row) == width for row in rows), width)


def _why_unreadable(path: Path, why: str) -> str:
    if "straddling" in why:
        return f"{path} has a row longer than 8 MB; look for a quotation mark left open"
    return f"{path} cannot be read as text with columns: {why}"
