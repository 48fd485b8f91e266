"""One cell of a spreadsheet as text that reads back as the same value."""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Mapping
from typing import Any, Literal

from openpyxl.cell.read_only import ReadOnlyCell
from openpyxl.styles.numbers import is_date_format, is_timedelta_format
from openpyxl.utils.datetime import from_excel

Kind = Literal["number", "date", "time", "datetime", "duration"]

#: Parts of a number format that are literal or tell colour, language or width.
_NO_PLACEHOLDER = re.compile(r'"[^"]*"|\\.|_.|\*.|\[(?!h+\]|m+\]|s+\])[^\]]*\]', re.IGNORECASE)
#: A sign that XML cannot hold, as spreadsheets write it: ``_x000D_``.
_CODED_SIGN = re.compile(r"_x00([01][0-9A-Fa-f])_")


def kind_of_format(number_format: str | None) -> Kind:
    """Return what a number format shows a number as.

    Examples
    --------
    >>> kind_of_format("dd/mm/yyyy"), kind_of_format("[h]:mm"), kind_of_format('0.0 "days"')
    ('date', 'duration', 'number')
    """
    if not is_date_format(number_format):
        return "number"
    if is_timedelta_format(number_format):
        return "duration"
    shown = _NO_PLACEHOLDER.sub("", str(number_format).split(";")[0]).lower()
    has_day = "d" in shown or "y" in shown
    if "h" in shown or "s" in shown:
        return "datetime" if has_day else "time"
    return "date"


class CellText:
    """Turns the cells of one sheet into text; remembers what each style shows numbers as."""

    def __init__(self, book: Any, sheet: Any) -> None:
        self._epoch, self._sheet = book.epoch, sheet
        self._kinds: dict[int, Kind] = {}

    def of(self, cell: Mapping[str, Any]) -> str | None:
        """Return the text of a cell as openpyxl parsed it, but with dates still numbers.

        Dates come as ``2024-01-02``, times of a day as ``2024-01-02T03:04:05`` without a zone,
        as a spreadsheet has none, and times alone as ``03:04``.
        """
        value = cell["value"]
        if isinstance(value, str):
            return _CODED_SIGN.sub(lambda coded: chr(int(coded[1], 16)), value) or None
        if value is None:
            return None
        if isinstance(value, bool):
            return "true" if value else "false"
        if isinstance(value, int | float):
            kind = self._kind(cell)
            return _number_text(value) if kind == "number" else self._when_text(value, kind)
        return _written(value, "datetime") or str(value)

    def _kind(self, cell: Mapping[str, Any]) -> Kind:
        style = int(cell["style_id"])
        if style not in self._kinds:
            self._kinds[style] = kind_of_format(ReadOnlyCell(self._sheet, **cell).number_format)
        return self._kinds[style]

    def _when_text(self, value: float, kind: Kind) -> str:
        if value < 0 and kind != "duration":
            return _number_text(value)
        try:
            when = from_excel(value, self._epoch, timedelta=kind == "duration")
        except (OverflowError, ValueError):
            return _number_text(value)
        return _written(when, kind) or _number_text(value)


def _written(when: object, kind: Kind) -> str | None:
    """Return a date or time as text; nothing if the format and the value disagree."""
    if isinstance(when, dt.datetime):
        if kind == "date" and when.time() == dt.time():
            return when.date().isoformat()
        return when.isoformat(timespec="milliseconds" if when.microsecond else "seconds")
    if isinstance(when, dt.date):
        return when.isoformat()
    if isinstance(when, dt.time) and kind != "date":
        exact = "milliseconds" if when.microsecond else "seconds" if when.second else "minutes"
        return when.isoformat(timespec=exact)
    if isinstance(when, dt.timedelta) and when >= dt.timedelta():
        minutes, seconds = divmod(round(when.total_seconds()), 60)
        rest = f":{seconds:02d}" if seconds else ""
        return f"{minutes // 60:02d}:{minutes % 60:02d}{rest}"
    return None


def _number_text(value: float) -> str:
    return repr(value).removesuffix(".0")
