"""Text of a file as days and moments; what cannot be read becomes a finding."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Final, cast

import pandas as pd

from vaultplan.columns import FRAME_DTYPES, Column
from vaultplan.intake.findings import FindingBook
from vaultplan.intake.reading import Reading

# [0-9] and not \d, [ ] and not \s: so Arrow runs them itself, whatever letters there are.
_DAY: Final = r"[0-9]{4}[-/][0-9]{2}[-/][0-9]{2}"
_MIDNIGHT: Final = _DAY + r"[T ]00:00(:00(\.0*)?)?(Z|[+-]00:?(00)?)?"
_TIME: Final = _DAY + r"[T ][0-9]{2}:[0-9]{2}(:[0-9]{2}(\.[0-9]{1,9})?)?"
_OFFSET: Final = r"[ ]?(Z|[+-][0-9]{2}(:?[0-9]{2})?)"
_SERIAL: Final = r"[0-9]{5}(\.[0-9]*)?"
#: Serial numbers that stand for days from 1954 to 2118; others are no days of a vault.
_LEAST_SERIAL, _MOST_SERIAL = 20_000, 80_000
#: A spreadsheet's day 0, so that day 60 and later fall right (it knows a 29 February 1900).
_SERIAL_EPOCH: Final = pd.Timestamp("1899-12-30")
_DAY_FORMS: Final = (
    *("%Y-%m-%d", "%Y/%m/%d", "%Y%m%d", "%m/%d/%Y", "%d/%m/%Y", "%m-%d-%Y", "%d-%m-%Y"),
    *("%m/%d/%y", "%d.%m.%Y", "%d-%b-%Y", "%d-%b-%y", "%d %b %Y", "%b %d, %Y", "%B %d, %Y"),
    *("%d %B %Y",),
)
_CLOCK_FORMS: Final = ("%H:%M", "%H:%M:%S", "%I:%M %p", "%I:%M:%S %p", "%I:%M%p")
_TIME_FORMS: Final = tuple(
    f"{day}{part}{clock}" for day in _DAY_FORMS for part in (" ", "T") for clock in _CLOCK_FORMS
)


def read_days(
    column: Column, raw: pd.Series[Any], reading: Reading, book: FindingBook
) -> pd.Series[Any]:
    """Return text as local days; what is none is blank and in the book."""
    days = _days(raw, reading)
    unread = raw.notna() & days.isna()
    if not unread.any():
        return days
    moments = unread & raw.str.fullmatch(_TIME + _OFFSET).fillna(value=False).astype(bool)
    if reading.date_format is None:
        what = "is a moment within a day, not a day"
        remedy = f"give the day alone, as YYYY-MM-DD in {reading.local_zone}"
        local = _iso(raw[moments]).dt.tz_convert(reading.local_zone).dt.tz_localize(None)
        days = _put(
            days,
            book.add(
                "not_a_day", column.name, raw[moments], what, remedy, repairs=_day_text(local)
            ),
        )
        unread &= ~moments
    wrong = raw[unread]
    what, remedy = (
        "is not a day",
        ("write YYYY-MM-DD, or state date_format in the column map, e.g. %m/%d/%Y"),
    )
    if reading.date_format is not None:
        what = "is not a day of the stated form"
        remedy = f"correct it, or date_format = {reading.date_format!r} in the column map"
    repairs = _day_text(_other_form(wrong, _DAY_FORMS))
    accepted = book.add("not_a_day", column.name, wrong, what, remedy, repairs=repairs)
    return _put(days, accepted)


def _put(days: pd.Series[Any], repairs: pd.Series[Any]) -> pd.Series[Any]:
    if not len(repairs):
        return days
    mended = days.copy()
    mended.loc[repairs.index] = pd.to_datetime(repairs).astype(days.dtype)
    return mended


def _days(raw: pd.Series[Any], reading: Reading) -> pd.Series[Any]:
    """Return the days that are written as they should be, the others blank."""
    dtype = cast(Any, FRAME_DTYPES["date"])
    serial = _serials(raw).dt.normalize() if reading.excel_days else None
    if reading.date_format is not None:
        days = pd.to_datetime(raw, format=reading.date_format, errors="coerce").dt.normalize()
        return _filled(days, serial).astype(dtype)
    plain = raw.str.fullmatch(_DAY) | raw.str.fullmatch(_MIDNIGHT)
    text = raw.where(plain).str.slice(0, 10).str.replace("/", "-", regex=False)
    days = pd.to_datetime(text, format="%Y-%m-%d", errors="coerce")
    moments = raw.notna() & ~plain.fillna(value=False).astype(bool)
    moments &= raw.str.fullmatch(_TIME + _OFFSET).fillna(value=False).astype(bool)
    if moments.any():
        local = _iso(raw.where(moments)).dt.tz_convert(reading.local_zone).dt.tz_localize(None)
        days = days.mask(moments & (local == local.dt.normalize()), local)
    return _filled(days, serial).astype(dtype)


def read_times(
    column: Column, raw: pd.Series[Any], reading: Reading, book: FindingBook
) -> pd.Series[Any]:
    """Return text as moments in UTC; what is none is blank and in the book."""
    dtype = cast(Any, FRAME_DTYPES["time"])
    form = reading.time_format
    if form is not None and "%z" in form:
        times = pd.to_datetime(raw, format=form, errors="coerce", utc=True)
        naive = pd.Series(pd.NaT, index=raw.index, dtype="datetime64[ns]")
    else:
        fixed = raw.str.fullmatch(_TIME + _OFFSET).fillna(value=False).astype(bool)
        times = _iso(raw.where(fixed)) if form is None else _iso(raw.where(raw.isna()))
        naive = _naive(raw, reading)
    unread = raw[raw.notna() & times.isna() & naive.isna()]
    if len(unread):
        meant = _other_form(unread, (*_TIME_FORMS, *_DAY_FORMS[:2]))
        what, remedy = (
            "is not a time",
            (
                "write YYYY-MM-DDTHH:MM:SS with an offset such as -07:00 or Z, or state "
                "time_format in the column map"
            ),
        )
        if form is not None:
            what = "is not a time of the stated form"
            remedy = f"correct it, or time_format = {form!r} in the column map"
        with_offset = _iso(unread.where(unread.str.fullmatch(_TIME + _OFFSET)))
        text = _time_text(meant).fillna(with_offset.dt.strftime("%Y-%m-%dT%H:%M:%SZ"))
        repairs = text.where(text.notna()).astype("str")
        accepted = book.add("not_a_time", column.name, unread, what, remedy, repairs=repairs)
        if len(accepted):
            naive = naive.astype("datetime64[ns]")
            naive.loc[accepted.index] = meant.loc[accepted.index]
            aware = with_offset.loc[accepted.index].dropna()
            times.loc[aware.index] = aware
    if naive.notna().any():
        times = times.fillna(_from_local(column, raw, naive, reading, book))
    return times.astype(dtype)


def _naive(raw: pd.Series[Any], reading: Reading) -> pd.Series[Any]:
    """Return the moments written as they should be, but without an offset."""
    if reading.time_format is not None:
        found = pd.to_datetime(raw, format=reading.time_format, errors="coerce")
    else:
        written = raw.str.fullmatch(_TIME).fillna(value=False).astype(bool)
        found = _iso(raw.where(written)).dt.tz_localize(None)
    return _filled(found, _serials(raw) if reading.excel_days else None)


def _filled(found: pd.Series[Any], others: pd.Series[Any] | None) -> pd.Series[Any]:
    return found if others is None else found.astype("datetime64[ns]").fillna(others)


def _serials(raw: pd.Series[Any]) -> pd.Series[Any]:
    """Return numbers that a spreadsheet keeps for days and times as moments, to the second."""
    numbers = pd.to_numeric(raw.where(raw.str.fullmatch(_SERIAL)), errors="coerce")
    numbers = numbers.where(numbers.between(_LEAST_SERIAL, _MOST_SERIAL)).astype("float64")
    seconds = (numbers * 86_400.0).round()
    return _SERIAL_EPOCH + pd.to_timedelta(seconds, unit="s")


def _iso(text: pd.Series[Any]) -> pd.Series[Any]:
    dashed = text.str.replace("/", "-", regex=False)
    return pd.to_datetime(dashed, format="ISO8601", errors="coerce", utc=True)


def _other_form(wrong: pd.Series[Any], forms: Sequence[str]) -> pd.Series[Any]:
    """Return the moment each text means in the one form that fits it.

    Blank where none fits, or where two forms make two different moments of it, such as 3/4/2025.
    """
    found = _serials(wrong).astype("datetime64[ns]")
    unsure = pd.Series(data=False, index=wrong.index)
    for form in forms:
        meant = pd.to_datetime(wrong, format=form, errors="coerce").astype("datetime64[ns]")
        # Years of two digits end here: 2068 would be a visit yet to come, 1969 before the fleet.
        meant = meant.where(meant.dt.year.between(1950, 2100))
        unsure |= found.notna() & meant.notna() & (found != meant)
        found = found.fillna(meant)
    return found.mask(unsure)


def _day_text(days: pd.Series[Any]) -> pd.Series[Any]:
    text: pd.Series[Any] = days.dt.strftime("%Y-%m-%d").astype("str")
    return text


def _time_text(moments: pd.Series[Any]) -> pd.Series[Any]:
    text: pd.Series[Any] = moments.dt.strftime("%Y-%m-%dT%H:%M:%S").astype("str")
    return text


def _from_local(
    column: Column,
    raw: pd.Series[Any],
    local: pd.Series[Any],
    reading: Reading,
    book: FindingBook,
) -> pd.Series[Any]:
    """Return moments without an offset as moments in UTC, by the zone that they are told in."""
    zone = reading.file_zone
    if zone is None:
        known = local.notna()
        assumed = _aware(local, reading.local_zone)
        accepted = book.add(
            "no_time_zone",
            column.name,
            raw[known],
            "has no time zone",
            "write an offset such as -07:00 or Z behind it, or state time_zone in the column map, "
            f'e.g. time_zone = "{reading.local_zone}"',
            repairs=assumed[known].dt.strftime("%Y-%m-%dT%H:%M:%SZ").astype("str"),
        )
        taken = pd.Series(local.index.isin(accepted.index), index=local.index)
        return assumed.where(taken)
    aware = _aware(local, zone)
    book.add(
        "clock_change",
        column.name,
        raw[local.notna() & aware.isna()],
        f"happens twice or never in {zone}, as clocks change that night",
        "write it with its offset, e.g. -07:00",
    )
    return aware


def _aware(local: pd.Series[Any], zone: str) -> pd.Series[Any]:
    aware = local.dt.tz_localize(zone, ambiguous="NaT", nonexistent="NaT")
    fixed: pd.Series[Any] = aware.dt.tz_convert("UTC")
    return fixed
