"""Text files with delimiters, read in a stream, every value as text."""

from __future__ import annotations

import codecs
import csv
import os
from collections import Counter
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.csv

from vaultplan.errors import SchemaError, SettingsError
from vaultplan.intake.chunk import Chunk

_DELIMITERS = (",", ";", "\t", "|")
_SAMPLE_BYTES = 1 << 16
_BLOCK_BYTES = 1 << 23
_UTF8 = "utf8"
_MARKS = ((codecs.BOM_UTF16_LE, "utf-16"), (codecs.BOM_UTF16_BE, "utf-16"))


def read(
    path: Path, chunk_rows: int, *, encoding: str | None, delimiter: str | None
) -> Iterator[Chunk]:
    """Return the rows of a text file in chunks of at most ``chunk_rows``."""
    letters = encoding or _encoding(path)
    _check_letters(letters)
    if letters == _UTF8:
        _check_utf8(path)
    mark = delimiter or _delimiter(path, letters)
    names = _header(path, letters, mark)
    return _chunks(path, chunk_rows, letters, mark, names)


def count(path: Path) -> int:
    """Return the lines after the header."""
    lines, last = 0, b""
    with path.open("rb") as file:
        while block := file.read(_BLOCK_BYTES):
            lines += block.count(b"\n")
            last = block[-1:]
    return max(0, lines - (last == b"\n"))


def _chunks(
    path: Path, chunk_rows: int, letters: str, mark: str, names: list[str]
) -> Iterator[Chunk]:
    ragged: list[pyarrow.csv.InvalidRow] = []
    next_row = 2
    try:
        none_yet, last = True, None
        for batch in _open(path, letters, mark, names, ragged):
            misfits = _within(next_row, batch.num_rows, ragged)
            if batch.num_rows:
                last = batch.column(batch.num_columns - 1)[-1].as_py()
            rows, next_row = _number(next_row, batch.num_rows, misfits)
            frame = batch.to_pandas(types_mapper=_as_str)
            frame.columns = pd.Index([name.strip() for name in names])
            frame.index = pd.Index(rows, name="row")
            frame = frame.loc[:, [name != "" for name in frame.columns]]
            for at in range(0, max(1, len(frame)), chunk_rows):
                part = frame.iloc[at : at + chunk_rows]
                told = _told(misfits) if at == 0 else ()
                filled = part[~part.isna().all(axis=1)]
                none_yet = False
                yield Chunk(path, filled, size=len(part) + len(told), misfits=told)
        _check_end(path, letters, last)
        if none_yet or ragged:
            told = _told(sorted(ragged, key=_number_of))
            named = {name.strip(): pd.Series([], dtype="str") for name in names if name.strip()}
            yield Chunk(path, pd.DataFrame(named), size=len(told), misfits=told)
    except (pa.ArrowInvalid, UnicodeError) as error:
        raise SchemaError(_why_unreadable(path, letters, str(error))) from error


def _open(
    path: Path, letters: str, mark: str, names: list[str], ragged: list[pyarrow.csv.InvalidRow]
) -> pyarrow.csv.CSVStreamingReader:
    def set_aside(row: pyarrow.csv.InvalidRow) -> str:
        ragged.append(row)
        return "skip"

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
            invalid_row_handler=set_aside,
        ),
        convert_options=pyarrow.csv.ConvertOptions(
            column_types={name: pa.string() for name in names},
            strings_can_be_null=True,
            quoted_strings_can_be_null=True,
            null_values=[""],
        ),
    )


def _header(path: Path, letters: str, mark: str) -> list[str]:
    try:
        with _open(path, letters, mark, [], []) as reader:
            names = list(reader.schema.names)
    except (pa.ArrowInvalid, UnicodeError) as error:
        raise SchemaError(_why_unreadable(path, letters, str(error))) from error
    found = Counter(name.strip() for name in names if name.strip())
    twice = [name for name, times in found.items() if times > 1]
    if twice:
        raise SchemaError(f"{path} has two columns named {', '.join(twice)}; rename one of each")
    if not found:
        raise SchemaError(f"{path} has no header; its first row must name the columns")
    return names


def _within(
    first: int, count: int, ragged: list[pyarrow.csv.InvalidRow]
) -> list[pyarrow.csv.InvalidRow]:
    """Take out the misfits among the next ``count`` rows, and those that follow at once.

    Arrow parses one block ahead of the batch it hands out, so later ones may be there already.
    """
    ragged.sort(key=_number_of)
    end, taken = first + count, 0
    while taken < len(ragged) and _number_of(ragged[taken]) <= end:
        taken += 1
        end += 1
    misfits = ragged[:taken]
    del ragged[:taken]
    return misfits


def _number_of(row: pyarrow.csv.InvalidRow) -> int:
    return int(row.number or 0)


def _number(
    first: int, count: int, misfits: list[pyarrow.csv.InvalidRow]
) -> tuple[np.ndarray, int]:
    """Return row numbers of ``count`` rows that follow one another but for the misfits."""
    taken = np.array([row.number or 0 for row in misfits], dtype=np.int64)
    span = np.arange(first, first + count + len(taken), dtype=np.int64)
    rows = span[~np.isin(span, taken)][:count]
    return rows, first + count + len(taken)


def _told(misfits: list[pyarrow.csv.InvalidRow]) -> tuple[tuple[int, str, str], ...]:
    return tuple(
        (
            int(row.number or 0),
            str(row.text),
            f"the row has {row.actual_columns} values, the header {row.expected_columns}",
        )
        for row in misfits
    )


def _as_str(kind: pa.DataType) -> pd.StringDtype | None:
    return pd.StringDtype(na_value=np.nan) if pa.types.is_string(kind) else None


def _encoding(path: Path) -> str:
    with path.open("rb") as file:
        start = file.read(4)
    return next((name for mark, name in _MARKS if start.startswith(mark)), _UTF8)


def _check_letters(letters: str) -> None:
    try:
        codecs.lookup(letters)
    except LookupError as error:
        raise SettingsError(
            f"there is no encoding {letters!r}; try utf-8, cp1252 or utf-16"
        ) from error


def _check_utf8(path: Path) -> None:
    """Refuse other bytes before any row is read, as a row that Arrow cannot decode may be lost."""
    decoder = codecs.getincrementaldecoder("utf-8")()
    line = 1
    with path.open("rb") as file:
        more = True
        while more:
            block = file.read(_BLOCK_BYTES)
            more = bool(block)
            try:
                decoder.decode(block, final=not more)
            except UnicodeDecodeError as error:
                line += block.count(b"\n", 0, error.start)
                raise SchemaError(
                    f"{path} is not UTF-8 (first at line {line}); save it as UTF-8, or state its "
                    'letters in the column map, e.g. encoding = "cp1252"'
                ) from error
            if b"\0" in block:
                line += block.count(b"\n", 0, block.index(b"\0"))
                raise SchemaError(
                    f"{path} holds zero bytes (first at line {line}), which text never does; "
                    'export it again, or state encoding = "utf-16" in the column map if it is'
                )
            line += block.count(b"\n")


def _check_end(path: Path, letters: str, last: object) -> None:
    """Refuse a file whose last quotation mark is open: its rows have vanished into one value."""
    if not isinstance(last, str) or "\n" not in last:
        return
    with path.open("rb") as file:
        file.seek(-min(64, path.stat().st_size), os.SEEK_END)
        tail = file.read().decode(letters, errors="ignore")
    if not tail.rstrip().endswith('"'):
        start = last.split("\n", 1)[0][:80]
        raise SchemaError(
            f"{path} has a quotation mark that is opened and never closed, before {start!r}, so "
            "rows run together; close it, or take it out"
        )


def _delimiter(path: Path, letters: str) -> str:
    if path.suffix.lower() == ".tsv":
        return "\t"
    with path.open(encoding=letters, errors="replace", newline="") as file:
        sample = file.read(_SAMPLE_BYTES)
    return max(_DELIMITERS, key=lambda mark: _fit(sample.lstrip("\ufeff"), mark))


def _fit(sample: str, mark: str) -> tuple[int, int]:
    """Return how many of the first rows agree with the header, and how wide it is."""
    rows = []
    try:
        for row in csv.reader(sample.splitlines(keepends=True), delimiter=mark):
            rows.append(row)
            if len(rows) > 50:
                break
    except csv.Error:
        return (0, 0)
    width = len(rows[0]) if rows else 0
    if width < 2:
        return (0, width)
    return (sum(len(row) == width for row in rows), width)


def _why_unreadable(path: Path, letters: str, why: str) -> str:
    if "straddling" in why:
        return f"{path} has a row longer than 8 MB; look for a quotation mark left open"
    if letters != _UTF8:
        return f"{path} cannot be read in the letters {letters}: {why}; state the right encoding"
    return f"{path} cannot be read as text with columns: {why}"
