"""Text of a file as values of the schema's types; what cannot be read becomes a finding."""

from __future__ import annotations

import re
from typing import Any, Final, cast

import numpy as np
import pandas as pd
import pyarrow as pa

from vaultplan import units
from vaultplan.columns import FRAME_DTYPES, Column
from vaultplan.errors import SettingsError
from vaultplan.intake.findings import FindingBook
from vaultplan.intake.moments import read_days, read_times
from vaultplan.intake.reading import Reading
from vaultplan.intake.words import simple

_NUMBER: Final = r"[+-]?([0-9]+\.?[0-9]*|\.[0-9]+)([eE][+-]?[0-9]{1,3})?"
_WHOLE: Final = r"[+-]?[0-9]{1,15}(\.0*)?"
_THOUSANDS: Final = r"[+-]?\d{1,3}(,\d{3})+(\.\d*)?"
_COMMA: Final = r"[+-]?\d*,\d+"
_WITH_UNIT: Final = (
    r"^(?P<number>[+-]?(?:\d+\.?\d*|\.\d+))\s*(?P<unit>[A-Za-z/\"'\u201d\u2019]+)\.?$"
)
_FEET_INCHES: Final = (
    r"^(?P<feet>\d+)\s*(?:'|\u2019|ft\.?|feet)\s*-?\s*"
    r"(?P<inches>\d+(?:\.\d*)?)\s*(?:\"|\u201d|''|in\.?|inches)$"
)
_CLOCK: Final = r"([01]?[0-9]|2[0-3]):[0-5][0-9](:00(\.0*)?)?"
_YES: Final = ("true", "yes", "1", "y")
_NO: Final = ("false", "no", "0", "n")
_FORMULA_STARTS: Final = frozenset("=+-@\t\r\uff1d\uff0b\uff0d\uff20")
#: How people write the units of ``units.UNITS``.
_UNIT_WORDS: Final = {
    **dict.fromkeys(("in", "inch", "inches", '"', "\u201d", "''"), "in"),
    **dict.fromkeys(("ft", "feet", "foot", "'", "\u2019"), "ft"),
    **dict.fromkeys(("m", "meter", "meters", "metre", "metres"), "m"),
    **dict.fromkeys(("cm", "centimeter", "centimeters"), "cm"),
    **dict.fromkeys(("mm", "millimeter", "millimeters"), "mm"),
    **dict.fromkeys(("gal", "gals", "gallon", "gallons"), "gal"),
    **dict.fromkeys(("l", "liter", "liters", "litre", "litres"), "l"),
    **dict.fromkeys(("cuft", "cf"), "cuft"),
    **dict.fromkeys(("min", "mins", "minute", "minutes"), "min"),
    **dict.fromkeys(("h", "hr", "hrs", "hour", "hours"), "h"),
    **dict.fromkeys(("s", "sec", "secs", "seconds"), "s"),
    **dict.fromkeys(("lb", "lbs", "pound", "pounds"), "lb"),
    **dict.fromkeys(("kg",), "kg"),
    **dict.fromkeys(("gpm", "gal/min"), "gal/min"),
    **dict.fromkeys(("lpm", "l/min"), "l/min"),
}
#: Columns in which "dry" says how much water there was: none.
_WATER: Final = frozenset({"depth_in", "left_depth_in", "volume_gal"})


def tidy(raw: pd.Series[Any]) -> pd.Series[Any]:
    """Return text without blanks around it; nothing left means blank."""
    trimmed = raw.str.strip()
    empty = trimmed == ""
    return trimmed.mask(empty) if empty.any() else trimmed


def read_values(
    column: Column,
    raw: pd.Series[Any],
    reading: Reading,
    book: FindingBook,
    *,
    unit: str = "",
) -> pd.Series[Any]:
    """Return text values in the frame type of a column; unreadable ones blank and in the book.

    ``unit`` is the unit that the file's numbers are in; the column's own if not given. The values
    come back in that unit.
    """
    if column.type in ("real", "integer"):
        return _number(column, raw, reading, book, unit or column.unit)
    if column.type == "boolean":
        return _boolean(column, raw, book)
    if column.type == "date":
        return read_days(column, raw, reading, book)
    if column.type == "time":
        return read_times(column, raw, reading, book)
    if column.type == "clock":
        return _clock(column, raw, book)
    if column.type == "words":
        return raw.str.replace(r"\s*;\s*", ";", regex=True).str.strip(";")
    _note_formulas(column, raw, book)
    return raw


def put(values: pd.Series[Any], repairs: pd.Series[Any]) -> pd.Series[Any]:
    """Return values with repairs in place; a repair of empty text makes the value blank."""
    if not len(repairs):
        return values
    mended = values.copy()
    mended.loc[repairs.index] = repairs
    return tidy(mended)


def _number(
    column: Column, raw: pd.Series[Any], reading: Reading, book: FindingBook, unit: str
) -> pd.Series[Any]:
    text = plain_digits(raw, reading)
    form = _NUMBER if column.type == "real" else _WHOLE
    if reading.decimal != "." and reading.thousands != ".":
        pointed = raw[raw.str.contains(".", regex=False, na=False) & text.str.fullmatch(form)]
        what, remedy = (
            "has a point where the file's numbers have commas",
            'state thousands = "." in the column map if it parts thousands, or write a comma',
        )
        accepted = book.add("decimal_point", column.name, pointed, what, remedy, repairs=pointed)
        text = text.mask(text.index.isin(pointed.index.difference(accepted.index)))
    wrong = text[text.notna() & ~text.str.fullmatch(form).astype(bool)]
    if len(wrong):
        text = put(text, _blame(column, wrong, reading, book, unit))
        text = text.where(text.str.fullmatch(form))
    values = _floats(text)
    if column.type == "integer":
        return values.astype(cast(Any, FRAME_DTYPES["integer"]))
    endless = np.isinf(values)
    what = "is too large to be a number here"
    book.add("not_a_number", column.name, raw[endless], what, "correct it")
    return values.mask(endless)


def plain_digits(raw: pd.Series[Any], reading: Reading) -> pd.Series[Any]:
    """Return numbers as the recipe says that they are written, with a decimal point only."""
    if reading.thousands is None and reading.decimal == ".":
        return raw
    mark = "" if reading.thousands is None else rf"\{reading.thousands}"
    point = rf"\{reading.decimal}"
    if mark:
        grouped = raw.str.fullmatch(rf"[+-]?\d{{1,3}}({mark}\d{{3}})+({point}\d*)?")
        bare = raw.str.replace(mark, "", regex=True)
        raw = raw.mask(grouped.fillna(value=False).astype(bool), bare)
    if reading.decimal != ".":
        pointed = raw.str.fullmatch(rf"[+-]?\d*{point}\d+").fillna(value=False).astype(bool)
        raw = raw.mask(pointed, raw.str.replace(reading.decimal, ".", regex=False))
    return raw


def _floats(raw: pd.Series[Any]) -> pd.Series[Any]:
    # Arrow's cast gives the nearest double to what is written and knows no leading plus.
    plain = raw.str.removeprefix("+") if raw.str.startswith("+", na=False).any() else raw
    numbers = pa.array(plain, type=pa.string(), from_pandas=True).cast(pa.float64())
    return pd.Series(numbers.to_numpy(zero_copy_only=False), index=raw.index, dtype="float64")


def _blame(
    column: Column, wrong: pd.Series[Any], reading: Reading, book: FindingBook, unit: str
) -> pd.Series[Any]:
    """Write down why texts are no numbers; return the repairs to be made."""
    made = []

    def take(rule: str, at: Any, what: str, remedy: str, repairs: Any = None) -> None:
        nonlocal wrong
        at = at.fillna(value=False).astype(bool)
        found = wrong[at]
        proposed = None if repairs is None else repairs(found)
        made.append(book.add(rule, column.name, found, what, remedy, repairs=proposed))
        wrong = wrong[~at]

    if column.type == "integer":
        broken = wrong.str.fullmatch(_NUMBER)
        take("not_a_number", broken, "is not a whole number", "write a whole number")
    take(
        "thousands_mark",
        wrong.str.fullmatch(_THOUSANDS),
        "has thousands separators",
        "take them out: 1234 instead of 1,234 (and a decimal point, if the comma was one), or "
        'state thousands = "," in the column map',
        lambda found: found.str.replace(",", "", regex=False),
    )
    take(
        "decimal_comma",
        wrong.str.fullmatch(_COMMA),
        "has a decimal comma",
        'write a decimal point: 2.5, not 2,5; or state decimal = "," in the column map',
        lambda found: found.str.replace(",", ".", regex=False),
    )
    plain = wrong.map(simple)
    if column.name in _WATER:
        take(
            "word_for_dry",
            plain.isin(reading.words.dry),
            "says that the vault was dry",
            "write 0, and dry under the finding",
            lambda found: found.mask(found.notna(), "0"),
        )
    take(
        "word_for_blank",
        wrong.map(simple).isin(reading.words.blank),
        "is a word for not measured",
        f'leave it blank, or give the word under [values.{column.name}] with "" as its meaning',
        lambda found: found.mask(found.notna(), ""),
    )
    told = f" ({column.unit})" if column.unit else ""
    if unit in units.UNITS:
        converted = _in_unit(wrong, unit)
        take(
            "unit_in_number",
            converted.notna(),
            f"is not a number{told} but has a unit behind it",
            f"write the number alone, in {unit}",
            lambda found: converted.loc[found.index],
        )
    every = pd.Series(data=True, index=wrong.index)
    take(
        "not_a_number",
        every,
        f"is not a number{told}",
        "write digits only; a unit goes under [units], a word for blank under "
        f'[values.{column.name}] with "" as its meaning',
    )
    joined: pd.Series[Any] = pd.concat(made)
    return joined


def _in_unit(written: pd.Series[Any], unit: str) -> pd.Series[Any]:
    """Return numbers that bear a unit as text in ``unit``; blank where they do not."""
    distinct = {text: _one_in_unit(str(text), unit) for text in written.unique()}
    converted: pd.Series[Any] = written.map(distinct).astype("str")
    return converted


def _one_in_unit(text: str, unit: str) -> str | None:
    both = re.match(_FEET_INCHES, text)
    single = re.match(_WITH_UNIT, text)
    if both is not None:
        value, given = 12.0 * float(both["feet"]) + float(both["inches"]), "in"
    elif single is not None and single["unit"].lower() in _UNIT_WORDS:
        value, given = float(single["number"]), _UNIT_WORDS[single["unit"].lower()]
    else:
        return None
    try:
        return repr(round(units.convert(value, given, unit), 9))
    except SettingsError:
        return None


def _boolean(column: Column, raw: pd.Series[Any], book: FindingBook) -> pd.Series[Any]:
    small = raw.str.lower()
    yes, no = small.isin(_YES), small.isin(_NO)
    known = yes.where(yes | no, None)
    values: pd.Series[Any] = known.astype(cast(Any, FRAME_DTYPES["boolean"]))
    book.add(
        "not_yes_no",
        column.name,
        raw[raw.notna() & ~yes & ~no],
        "is neither yes nor no",
        f"write {', '.join(_YES + _NO)} or leave it blank if it is not known",
    )
    return values


def _clock(column: Column, raw: pd.Series[Any], book: FindingBook) -> pd.Series[Any]:
    fits = raw.str.fullmatch(_CLOCK)
    wrong = raw[raw.notna() & ~fits.fillna(value=False).astype(bool)]
    repairs = book.add(
        "not_a_clock",
        column.name,
        wrong,
        "is not a time of day",
        "write hours and minutes from 00:00 to 23:59, e.g. 07:30",
        repairs=wrong.map(_clock_meant).astype("str") if len(wrong) else None,
    )
    text = put(raw.where(fits), repairs)
    return text.str.replace(r"^(\d+:\d\d).*$", r"\1", regex=True).str.zfill(5)


def _clock_meant(text: object) -> str | None:
    for form in ("%I:%M %p", "%I:%M%p", "%I %p", "%I%p", "%H%M", "%H.%M", "%H:%M:%S"):
        moment = pd.to_datetime(str(text), format=form, errors="coerce")
        if not pd.isna(moment):
            return f"{moment:%H:%M}"
    return None


def _note_formulas(column: Column, raw: pd.Series[Any], book: FindingBook) -> None:
    risky = raw.str.slice(0, 1).isin(_FORMULA_STARTS)
    if risky.any():
        book.add(
            "formula_text",
            column.name,
            raw[risky],
            "begins like a formula",
            "nothing to do: it is kept as text, and no output lets a spreadsheet run it",
        )
