"""Text of a file as values of the schema's types; what cannot be read becomes a fault."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, cast

import numpy as np
import pandas as pd
import pyarrow as pa

from vaultplan.columns import FRAME_DTYPES, Column
from vaultplan.intake.faults import FaultBook

_NUMBER = r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d{1,3})?"
_WHOLE = r"[+-]?\d{1,15}(\.0*)?"
_THOUSANDS = r"[+-]?\d{1,3}(,\d{3})+(\.\d*)?"
_COMMA = r"[+-]?\d*,\d+"
_CLOCK = r"([01]?\d|2[0-3]):[0-5]\d(:00(\.0*)?)?"
_DAY = r"\d{4}[-/]\d{2}[-/]\d{2}"
_MIDNIGHT = _DAY + r"[T ]00:00(:00(\.0*)?)?(Z|[+-]00:?(00)?)?"
_TIME = _DAY + r"[T ]\d{2}:\d{2}(:\d{2}(\.\d{1,9})?)?"
_OFFSET = r"\s?(Z|[+-]\d{2}(:?\d{2})?)"
_YES = ("true", "yes", "1", "y")
_NO = ("false", "no", "0", "n")


@dataclass(frozen=True, slots=True)
class Reading:
    """How dates and times of a file are to be read.

    ``file_zone`` is the zone of times without an offset (``None``: such times are faults),
    ``local_zone`` the zone whose days the database reckons in.
    """

    local_zone: str = "UTC"
    file_zone: str | None = None
    date_format: str | None = None
    time_format: str | None = None


def tidy(raw: pd.Series[Any]) -> pd.Series[Any]:
    """Return text without blanks around it; nothing left means blank."""
    trimmed = raw.str.strip()
    return trimmed.mask(trimmed == "")


def read_values(
    column: Column, raw: pd.Series[Any], reading: Reading, book: FaultBook
) -> pd.Series[Any]:
    """Return text values in the frame type of a column; unreadable ones blank and in the book."""
    if column.type == "real":
        return _real(column, raw, book)
    if column.type == "integer":
        return _integer(column, raw, book)
    if column.type == "boolean":
        return _boolean(column, raw, book)
    if column.type == "date":
        return _date(column, raw, reading, book)
    if column.type == "time":
        return _time(column, raw, reading, book)
    if column.type == "clock":
        return _clock(column, raw, book)
    if column.type == "words":
        return raw.str.replace(r"\s*;\s*", ";", regex=True).str.strip(";")
    return raw


def _real(column: Column, raw: pd.Series[Any], book: FaultBook) -> pd.Series[Any]:
    fits = raw.str.fullmatch(_NUMBER)
    values = _floats(raw.where(fits))
    endless = np.isinf(values)
    _blame_numbers(column, raw[raw.notna() & ~fits], book)
    book.add(column.name, raw[endless], "is too large to be a number here", "correct it")
    return values.mask(endless)


def _integer(column: Column, raw: pd.Series[Any], book: FaultBook) -> pd.Series[Any]:
    fits = raw.str.fullmatch(_WHOLE)
    values = _floats(raw.where(fits)).astype(cast(Any, FRAME_DTYPES["integer"]))
    wrong = raw[raw.notna() & ~fits]
    broken = wrong.str.fullmatch(_NUMBER)
    book.add(column.name, wrong[broken], "is not a whole number", "write a whole number")
    _blame_numbers(column, wrong[~broken], book)
    return values


def _floats(raw: pd.Series[Any]) -> pd.Series[Any]:
    # Arrow's cast gives the nearest double to what is written and knows no leading plus.
    plain = raw.str.removeprefix("+")
    numbers = pa.array(plain, type=pa.string(), from_pandas=True).cast(pa.float64())
    return pd.Series(numbers.to_numpy(zero_copy_only=False), index=raw.index, dtype="float64")


def _blame_numbers(column: Column, wrong: pd.Series[Any], book: FaultBook) -> None:
    thousands = wrong.str.fullmatch(_THOUSANDS)
    commas = wrong.str.fullmatch(_COMMA) & ~thousands
    unit = f" ({column.unit})" if column.unit else ""
    book.add(
        column.name,
        wrong[thousands],
        "has thousands separators",
        "take them out: 1234 instead of 1,234 (and a decimal point, if the comma was one)",
    )
    book.add(
        column.name, wrong[commas], "has a decimal comma", "write a decimal point: 2.5, not 2,5"
    )
    book.add(
        column.name,
        wrong[~thousands & ~commas],
        f"is not a number{unit}",
        "write digits only; a unit goes under [units], a word for blank under "
        f'[values.{column.name}] with "" as its meaning',
    )


def _boolean(column: Column, raw: pd.Series[Any], book: FaultBook) -> pd.Series[Any]:
    small = raw.str.lower()
    yes, no = small.isin(_YES), small.isin(_NO)
    known = yes.where(yes | no, None)
    values: pd.Series[Any] = known.astype(cast(Any, FRAME_DTYPES["boolean"]))
    book.add(
        column.name,
        raw[raw.notna() & ~yes & ~no],
        "is neither yes nor no",
        f"write {', '.join(_YES + _NO)} or leave it blank if it is not known",
    )
    return values


def _clock(column: Column, raw: pd.Series[Any], book: FaultBook) -> pd.Series[Any]:
    fits = raw.str.fullmatch(_CLOCK)
    book.add(
        column.name,
        raw[raw.notna() & ~fits],
        "is not a time of day",
        "write hours and minutes from 00:00 to 23:59, e.g. 07:30",
    )
    return raw.where(fits).str.replace(r"^(\d+:\d\d).*$", r"\1", regex=True).str.zfill(5)


def _date(column: Column, raw: pd.Series[Any], reading: Reading, book: FaultBook) -> pd.Series[Any]:
    dtype = cast(Any, FRAME_DTYPES["date"])
    if reading.date_format is not None:
        days = pd.to_datetime(raw, format=reading.date_format, errors="coerce")
        wrong = raw[raw.notna() & days.isna()]
        remedy = f"correct it, or date_format = {reading.date_format!r} in the column map"
        book.add(column.name, wrong, "is not a day of the stated form", remedy)
        return days.dt.normalize().astype(dtype)
    plain = raw.str.fullmatch(_DAY) | raw.str.fullmatch(_MIDNIGHT)
    moments = raw.str.fullmatch(_TIME + _OFFSET) & ~plain
    text = raw.where(plain).str.slice(0, 10).str.replace("/", "-", regex=False)
    days = pd.to_datetime(text, format="%Y-%m-%d", errors="coerce").astype(dtype)
    if moments.any():
        local = _iso(raw.where(moments)).dt.tz_convert(reading.local_zone).dt.tz_localize(None)
        at_midnight = moments & (local == local.dt.normalize())
        days = days.mask(at_midnight, local.astype(dtype))
        moments = moments & ~at_midnight
    book.add(
        column.name,
        raw[moments],
        "is a moment within a day, not a day",
        f"give the day alone, as YYYY-MM-DD in {reading.local_zone}",
    )
    book.add(
        column.name,
        raw[raw.notna() & days.isna() & ~moments],
        "is not a day",
        "write YYYY-MM-DD, or state date_format in the column map, e.g. %m/%d/%Y",
    )
    return days


def _time(column: Column, raw: pd.Series[Any], reading: Reading, book: FaultBook) -> pd.Series[Any]:
    dtype = cast(Any, FRAME_DTYPES["time"])
    if reading.time_format is not None:
        has_offset = "%z" in reading.time_format
        times = pd.to_datetime(raw, format=reading.time_format, errors="coerce", utc=has_offset)
        wrong = raw[raw.notna() & times.isna()]
        remedy = f"correct it, or time_format = {reading.time_format!r} in the column map"
        book.add(column.name, wrong, "is not a time of the stated form", remedy)
        times = times if has_offset else _from_local(column, raw, times, reading, book)
        return times.astype(dtype)
    fixed = raw.str.fullmatch(_TIME + _OFFSET)
    naive = raw.str.fullmatch(_TIME)
    times = _iso(raw.where(fixed))
    if naive.any():
        local = _iso(raw.where(naive)).dt.tz_localize(None)
        times = times.mask(naive, _from_local(column, raw, local, reading, book))
        naive = naive & local.notna()
    book.add(
        column.name,
        raw[raw.notna() & times.isna() & ~naive],
        "is not a time",
        "write YYYY-MM-DDTHH:MM:SS with an offset such as -07:00 or Z, or state time_format "
        "in the column map",
    )
    return times.astype(dtype)


def _iso(text: pd.Series[Any]) -> pd.Series[Any]:
    dashed = text.str.replace("/", "-", regex=False)
    return pd.to_datetime(dashed, format="ISO8601", errors="coerce", utc=True)


def _from_local(
    column: Column,
    raw: pd.Series[Any],
    local: pd.Series[Any],
    reading: Reading,
    book: FaultBook,
) -> pd.Series[Any]:
    if reading.file_zone is None:
        book.add(
            column.name,
            raw[local.notna()],
            "has no time zone",
            "write an offset such as -07:00 or Z behind it, or state time_zone in the column map, "
            f'e.g. time_zone = "{reading.local_zone}"',
        )
        unknown: pd.Series[Any] = pd.to_datetime(local.where(local.isna()), utc=True)
        return unknown
    aware = local.dt.tz_localize(reading.file_zone, ambiguous="NaT", nonexistent="NaT")
    book.add(
        column.name,
        raw[local.notna() & aware.isna()],
        f"happens twice or never in {reading.file_zone}, as clocks change that night",
        "write it with its offset, e.g. -07:00",
    )
    fixed: pd.Series[Any] = aware.dt.tz_convert("UTC")
    return fixed
