"""Sheets of a workbook, read in a stream, every cell as text that reads back as its value."""

from __future__ import annotations

import csv
import io
import warnings
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import islice
from pathlib import Path
from typing import Any

import pandas as pd
from openpyxl.utils import get_column_letter
from openpyxl.worksheet._reader import FORMULA_TAG, WorkSheetParser

from vaultplan.errors import SchemaError, SettingsError
from vaultplan.intake.files.cells import CellText
from vaultplan.intake.files.chunk import Chunk
from vaultplan.intake.files.workbook_file import open_workbook

#: Last row that a spreadsheet can have.
_LAST_ROW = 1_048_576

_NEVER_RECKONED = object()

Row = tuple[int, dict[int, str]]


@dataclass(frozen=True, slots=True)
class _Header:
    """The row that names the columns, and the name of each column by its number."""

    row: int
    names: dict[int, str]

    @property
    def last(self) -> int:
        return max(self.names)


def sheets(path: Path) -> tuple[str, ...]:
    """Return the names of the sheets that hold anything."""
    with open_workbook(path) as book:
        return _filled(path, book)


def count(path: Path, sheet: str | None) -> int:
    """Return how many rows follow the header, by the sheet's own account if it gives one."""
    with open_workbook(path) as book:
        chosen = _choose(path, book, sheet)
        header = _header(path, chosen, _rows(path, book, chosen))
        told = int(chosen.max_row or 0)
        if header.row < told <= _LAST_ROW:
            return told - header.row
        return sum(number > header.row for number, cells in _rows(path, book, chosen) if cells)


def read(path: Path, chunk_rows: int, *, sheet: str | None) -> Iterator[Chunk]:
    """Return the rows of one sheet in chunks of at most ``chunk_rows``."""
    with open_workbook(path) as book:
        name = str(_choose(path, book, sheet).title)
    return _chunks(path, chunk_rows, name)


def _chunks(path: Path, chunk_rows: int, sheet: str) -> Iterator[Chunk]:
    with open_workbook(path) as book:
        rows = _rows(path, book, book[sheet])
        header = _header(path, book[sheet], rows)
        done, none_yet = header.row, True
        while some := list(islice(rows, chunk_rows)):
            chunk = _chunk(path, some, header, done)
            done, none_yet = some[-1][0], False
            yield chunk
        if none_yet:
            yield _chunk(path, [], header, done)


def _chunk(path: Path, rows: list[Row], header: _Header, done: int) -> Chunk:
    """Return rows that follow row ``done``, those between that are missing counted as blank."""
    numbers, values, misfits = [], [], []
    for number, cells in rows:
        if not cells:
            continue
        if (why := _why_no_fit(cells, header)) is not None:
            misfits.append((number, _line(cells), why))
            continue
        numbers.append(number)
        values.append([cells.get(column) for column in header.names])
    frame = pd.DataFrame(
        values, index=pd.Index(numbers, name="row", dtype="int64"), columns=[*header.names.values()]
    ).astype("str")
    size = rows[-1][0] - done if rows else 0
    blank = size - len(frame) - len(misfits)
    return Chunk(path, frame, size=size, misfits=tuple(misfits), blank=blank)


def _why_no_fit(cells: dict[int, str], header: _Header) -> str | None:
    beyond = [column for column in cells if column > header.last]
    if beyond:
        letter = get_column_letter(min(beyond))
        return f"the row has a value in column {letter}, beside the header"
    return None


def _line(cells: dict[int, str]) -> str:
    """Return a row as one line of comma-separated text."""
    line = io.StringIO()
    values = [cells.get(column, "") for column in range(1, max(cells) + 1)]
    csv.writer(line, lineterminator="").writerow(values)
    return line.getvalue()


def _filled(path: Path, book: Any) -> tuple[str, ...]:
    return tuple(
        str(sheet.title)
        for sheet in book.worksheets
        if any(cells for _, cells in _rows(path, book, sheet))
    )


def _choose(path: Path, book: Any, name: str | None) -> Any:
    if name is not None:
        for sheet in book.worksheets:
            if sheet.title == name:
                return sheet
        listed = ", ".join(_filled(path, book)) or "none with rows"
        raise SettingsError(f"{path} has no sheet {name!r}; it has {listed}")
    names = _filled(path, book)
    if not names:
        raise SchemaError(f"{path} has no sheet with rows; a header and rows are needed")
    if len(names) > 1:
        raise SettingsError(f"{path} has {len(names)} sheets; name one of: {', '.join(names)}")
    return book[names[0]]


def _header(path: Path, sheet: Any, rows: Iterator[Row]) -> _Header:
    """Return the first row with two values or more; titles stand above it."""
    for number, cells in rows:
        names = {column: text.strip() for column, text in cells.items() if text.strip()}
        if len(names) < 2:
            continue
        found = list(names.values())
        twice = sorted({name for name in found if found.count(name) > 1})
        if twice:
            raise SchemaError(
                f"{path}, sheet {sheet.title}: row {number} names two columns "
                f"{', '.join(twice)}; rename one of each"
            )
        every = range(1, max(names) + 1)
        told = {at: names.get(at, f"(column {get_column_letter(at)})") for at in every}
        return _Header(number, told)
    raise SchemaError(
        f"{path}, sheet {sheet.title}: no row has two values or more, so there is no header"
    )


def _rows(path: Path, book: Any, sheet: Any) -> Iterator[Row]:
    """Hand out the number and the filled cells of every row that is in the file.

    openpyxl's own rows are not used: they leave out a row that stands out of order, trust the
    sheet's account of its size, and fill any gap with as many rows as it claims.
    """
    texts = CellText(book, sheet)
    last = 0
    with sheet._get_source() as source:
        parser = _Parser(source, sheet._shared_strings, data_only=True, epoch=book.epoch)
        for number, cells in _unwarned(parser.parse()):
            if not last < number <= _LAST_ROW:
                raise SchemaError(
                    f"{path}, sheet {sheet.title}: row {number} follows row {last}, which no "
                    "spreadsheet does; open it in one and save it again"
                )
            last = number
            filled = {}
            for cell in cells:
                if cell["value"] is _NEVER_RECKONED:
                    raise SchemaError(
                        f"{path}, sheet {sheet.title}: the formula in "
                        f"{get_column_letter(cell['column'])}{number} has no stored value; open "
                        "the workbook in a spreadsheet and save it"
                    )
                if (text := texts.of(cell)) is not None:
                    filled[cell["column"]] = text
            yield number, filled


class _Parser(WorkSheetParser):  # type: ignore[misc]
    """openpyxl's parser, which else takes a formula that was never reckoned for a blank."""

    def parse_cell(self, element: Any) -> dict[str, Any]:
        cell: dict[str, Any] = super().parse_cell(element)
        if (
            cell["value"] is None
            and element.find(FORMULA_TAG) is not None
            and element.get("t") != "str"
        ):
            cell["value"] = _NEVER_RECKONED
        return cell


def _unwarned(rows: Iterator[tuple[int, list[dict[str, Any]]]]) -> Iterator[Any]:
    """Hand out rows without openpyxl's warnings on what is not data."""
    while True:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            some = list(islice(rows, 1000))
        if not some:
            return
        yield from some
