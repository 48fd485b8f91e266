"""In which form a file writes its numbers and days: told by a sample of its values."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Final, NamedTuple

import pandas as pd

_NUMBER: Final = r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d{1,3})?"
_COMMA_NUMBER: Final = r"[+-]?\d*,\d+"
_GROUPED: Final = {
    ",": r"[+-]?\d{1,3}(,\d{3})+(\.\d*)?",
    ".": r"[+-]?\d{1,3}(\.\d{3})+(,\d*)?",
    "'": r"[+-]?\d{1,3}('\d{3})+([.,]\d*)?",
    " ": r"[+-]?\d{1,3}( \d{3})+([.,]\d*)?",
}
#: Forms in which only a comma before decimals makes sense: 2,5 and 1.234,5 and 0,125.
_SURE_COMMA: Final = r"[+-]?(\d*,\d{1,2}|\d*,\d{4,}|0\d*,\d+|\d{4,},\d+|\d{1,3}([. ']\d{3})+,\d+)"
#: Forms in which the point comes before decimals: 2.5 and 1,234.5.
_SURE_POINT: Final = (
    r"[+-]?(\d*\.\d{1,2}|\d*\.\d{4,}|0\d*\.\d+|\d{4,}\.\d+|\d{1,3}([, ']\d{3})+\.\d*)"
)
_SERIAL: Final = r"\d{5}(\.\d*)?"
_LEAST_SERIAL, _MOST_SERIAL = 20_000, 80_000
_ISO_DAY: Final = r"\d{4}[-/]\d{2}[-/]\d{2}"
_ISO_MIDNIGHT: Final = _ISO_DAY + r"([T ]00:00(:00(\.0*)?)?(Z|[+-]00:?(00)?)?)?"
_ISO_TIME: Final = _ISO_DAY + r"[T ]\d{2}:\d{2}(:\d{2}(\.\d{1,9})?)?(\s?(Z|[+-]\d{2}(:?\d{2})?))?"
_OFFSET: Final = r".*(Z|[+-]\d{2}(:?\d{2})?)"
_DAY_FORMS: Final = (
    *("%m/%d/%Y", "%d/%m/%Y", "%m-%d-%Y", "%d-%m-%Y", "%d.%m.%Y", "%m.%d.%Y"),
    *("%m/%d/%y", "%d/%m/%y", "%Y%m%d", "%d-%b-%Y", "%d-%b-%y", "%d %b %Y", "%b %d, %Y"),
    *("%B %d, %Y", "%d %B %Y", "%Y-%m-%d", "%Y/%m/%d"),
)
_CLOCK_FORMS: Final = (
    *("", " %H:%M", " %H:%M:%S", " %I:%M %p", " %I:%M:%S %p", " %I:%M%p", "T%H:%M:%S"),
    *(" %H%M", " %H:%M:%S.%f"),
)
_FORMS: Final = tuple(day + clock for clock in _CLOCK_FORMS for day in _DAY_FORMS)
_TRIED: Final = 400
_ENOUGH: Final = 0.8


class Marks(NamedTuple):
    """Marks in a file's numbers; ``is_sure`` unless 1,234 could be read in two ways."""

    thousands: str | None
    decimal: str
    is_sure: bool


class DayForm(NamedTuple):
    """How days or times are written: by a format, as a spreadsheet's days, or plainly (ISO).

    ``is_sure`` is false where the month may as well be the day.
    """

    form: str | None
    is_serial: bool
    share: float
    is_sure: bool


def marks_of(samples: Sequence[pd.Series[Any]]) -> Marks:
    """Return the marks that the numbers of a file bear.

    Examples
    --------
    >>> marks_of([pd.Series(["1.234,5", "12"])])
    Marks(thousands='.', decimal=',', is_sure=True)
    """
    values = pd.concat([pd.Series([], dtype="str"), *samples]).dropna().astype("str")
    commas = int(values.str.fullmatch(_SURE_COMMA).sum())
    points = int(values.str.fullmatch(_SURE_POINT).sum())
    grouped = {mark: int(values.str.fullmatch(form).sum()) for mark, form in _GROUPED.items()}
    decimal = "," if commas > points else "."
    # With a decimal point, 1.234 is a number with three decimals, and with a comma 1,234 is one.
    del grouped[decimal]
    thousands = max(grouped, key=lambda mark: grouped[mark])
    if grouped[thousands] == 0:
        return Marks(None, decimal, True)
    twice = rf"[+-]?\d{{1,3}}(\{thousands}\d{{3}}){{2,}}.*"
    is_sure = thousands in "' " or bool(commas or points or values.str.fullmatch(twice).any())
    return Marks(thousands, decimal, is_sure)


def numbers_of(values: pd.Series[Any], marks: Marks | None = None) -> pd.Series[Any]:
    """Return values as numbers, with the marks given or else whichever they bear."""
    thousands, decimal, _ = marks or marks_of([values])
    text = values.astype("str")
    if thousands is not None:
        grouped = text.str.fullmatch(_GROUPED[thousands]).fillna(value=False).astype(bool)
        text = text.mask(grouped, text.str.replace(thousands, "", regex=False))
    if decimal == ",":
        pointed = text.str.fullmatch(_COMMA_NUMBER).fillna(value=False).astype(bool)
        text = text.mask(pointed, text.str.replace(",", ".", regex=False))
    fits = text.str.fullmatch(_NUMBER).fillna(value=False).astype(bool)
    return pd.to_numeric(text.where(fits), errors="coerce").astype("float64")


def fraction_share(values: pd.Series[Any]) -> float:
    """Return the share of values with a fraction, which no id has."""
    return float(values.str.fullmatch(r"[+-]?\d*\.\d*[1-9]\d*").mean()) if len(values) else 0.0


def day_share(values: pd.Series[Any]) -> float:
    """Return the share of values that the best form reads as days or times."""
    return day_form([values], with_times=True).share


def day_form(samples: Sequence[pd.Series[Any]], *, with_times: bool) -> DayForm:
    """Return the one form that reads most values of some columns of days, or of times.

    ``with_times`` asks for moments, so that a plain day needs a form too.
    """
    values = _spread(samples)
    if not len(values):
        return DayForm(None, False, 0.0, True)
    plain = _ISO_TIME if with_times else _ISO_MIDNIGHT
    iso = float(values.str.fullmatch(plain).mean())
    numbers = pd.to_numeric(values.where(values.str.fullmatch(_SERIAL)), errors="coerce")
    serial = float(numbers.between(_LEAST_SERIAL, _MOST_SERIAL).mean())
    if max(iso, serial) >= _ENOUGH:
        return DayForm(None, serial > iso, max(iso, serial), True)
    shares = {form: _share_read(values, form) for form in _FORMS}
    best = max(shares.values())
    if best < max(iso, serial) or best == 0:
        return DayForm(None, serial > iso, max(iso, serial), True)
    fitting = [form for form, share in shares.items() if share == best]
    # Month comes first among the forms but for those with points, as each is most often meant.
    return DayForm(fitting[0], False, best, not _is_swapped(fitting))


def has_offsets(values: pd.Series[Any]) -> bool:
    """Return whether most times state how far they are from UTC."""
    clocked = values[values.str.contains(":", regex=False)]
    return bool(len(clocked)) and float(clocked.str.fullmatch(_OFFSET).mean()) > 0.5


def _spread(samples: Sequence[pd.Series[Any]]) -> pd.Series[Any]:
    """Return distinct values from all over the samples; days after the 12th are kept in."""
    parts = []
    for sample in samples:
        distinct = pd.Series(sample.dropna().unique(), dtype="str")
        step = max(1, len(distinct) // _TRIED)
        parts.append(distinct.iloc[::step])
    return pd.concat(parts, ignore_index=True) if parts else pd.Series([], dtype="str")


def _share_read(values: pd.Series[Any], form: str) -> float:
    # pandas reads a year of two digits as one of four and blanks where none are.
    if not _looks_like(values, form):
        return 0.0
    read = pd.to_datetime(values, format=form, errors="coerce")
    sound = read.notna() & read.dt.year.between(1900, 2200)
    return float(sound.mean())


def _looks_like(values: pd.Series[Any], form: str) -> bool:
    """Return whether a few values have the form's signs at all: cheap, and saves most tries."""
    signs = [sign for sign in "/-.,:" if sign in form]
    few = values.iloc[: _TRIED // 8]
    return any(all(sign in text for sign in signs) for text in few)


def _is_swapped(forms: Sequence[str]) -> bool:
    turned = {form.replace("%m", "%?").replace("%d", "%m").replace("%?", "%d") for form in forms}
    return any(form in turned and "%m" in form and "%d" in form for form in forms)
