"""What the values of a foreign column tell: how well they fit, in which words and unit."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final, NamedTuple

import numpy as np
import pandas as pd

from vaultplan.columns import Column, Table
from vaultplan.intake.recipes.guess_forms import day_share, fraction_share, numbers_of
from vaultplan.intake.recipes.guess_lexicon import lexicon
from vaultplan.intake.words import simple, word_list

_CLOCK: Final = re.compile(r"([01]?\d|2[0-3]):[0-5]\d(:00(\.0*)?)?")
_CLOCK_SAID: Final = re.compile(r"(\d{1,2})[:.h]?([0-5]\d)?\s*([ap])\.?m?\.?", re.IGNORECASE)
_CLOCK_DIGITS: Final = re.compile(r"([01]?\d|2[0-3])([0-5]\d)")
_TRUTH: Final = frozenset({"true", "yes", "1", "y", "false", "no", "0", "n"})
_SEVERAL: Final = re.compile(r"\s*[;,/|+]\s*|\s+(?:and|&)\s+|\s+")
_LETTER: Final = r"[^\W\d_]"


class Fit(NamedTuple):
    """Share of values that fit a column; ``is_telling`` if a random column's would not."""

    share: float
    is_telling: bool
    why: str


@dataclass(frozen=True, slots=True)
class UnitSign:
    """A unit told by size: beyond ``least`` (or under it) values cannot be in the column's own."""

    unit: str
    least: float
    most: float
    why: str


_INSIDE: Final = (
    UnitSign("in", 24, 180, "half of them are above 24, too much for feet"),
    UnitSign("cm", 180, 900, "half of them are above 180, too much for feet or inches"),
    UnitSign("mm", 900, np.inf, "half of them are above 900, too much for feet or inches"),
)
#: Bounds on the middle value (of rain: of wet days), assumed; where none holds, nothing is told.
_SIGNS: Final[dict[tuple[str, str], tuple[UnitSign, ...]]] = {
    ("vaults", "length_ft"): _INSIDE,
    ("vaults", "width_ft"): _INSIDE,
    ("vaults", "depth_ft"): _INSIDE,
    ("visits", "depth_in"): (
        UnitSign("mm", 150, np.inf, "half of the depths are above 150, too much for inches"),
    ),
    ("drain_pipes", "diameter_in"): (
        UnitSign("m", 0, 1, "half of the pipes are under 1, too little for inches or feet"),
        UnitSign("ft", 1, 5, "half of the pipes are under 5, too little for inches"),
        UnitSign("mm", 150, np.inf, "half of the pipes are above 150, too much for inches"),
    ),
    ("rainfall", "rain_in"): (
        UnitSign("mm", 2.5, np.inf, "half of the wet days are above 2.5, too much for inches"),
    ),
}


def fit_of(declared: Table, column: Column, values: pd.Series[Any]) -> Fit:
    """Return how well a sample of tidy values, blanks left out, fits a column."""
    if not len(values):
        return Fit(1.0, False, "it is blank in the rows looked at")
    if column.type in ("real", "integer"):
        # "Dry" or "n/m" among depths is for the findings; it makes the column no other.
        words = values.map(simple).isin(word_list().blank | word_list().dry)
        numbers = numbers_of(values[~words] if 2 * int(words.sum()) < len(values) else values)
        share = float(numbers.notna().mean())
        if column.type == "integer":
            whole = numbers.dropna()
            share *= float((whole == whole.round()).mean()) if len(whole) else 0.0
        share *= _within(column, numbers.dropna())
        return Fit(share, False, f"{share:.0%} of its values are numbers")
    if column.type == "boolean":
        share = float(values.map(lambda v: _truth(v) is not None).mean())
        return Fit(share, True, f"{share:.0%} of its values say yes or no")
    if column.type in ("date", "time"):
        share = day_share(values)
        return Fit(share, True, f"{share:.0%} of its values are days or times")
    if column.type == "clock":
        share = float(values.map(lambda v: clock_meant(v) is not None).mean())
        return Fit(share, True, f"{share:.0%} of its values are times of day")
    if column.allowed:
        share = float(values.map(word_meanings(declared, column, values)).notna().mean())
        return Fit(share, True, f"{share:.0%} of its words are known")
    return _fit_of_text(declared, column, values)


def _fit_of_text(declared: Table, column: Column, values: pd.Series[Any]) -> Fit:
    if column.name.endswith(("_id", "_node")):
        # Ids nearly always hold a digit and no fraction; names of places hold none.
        digits = float(values.str.contains(r"\d", regex=True).mean())
        share = (0.6 + 0.4 * digits) * (1.0 - fraction_share(values))
        if declared.key != (column.name,):
            return Fit(share, False, "its values may be ids")
        once = values.nunique() / len(values)
        return Fit(share * once, False, f"{once:.0%} of its values stand there once")
    if column.name in ("crew", "step"):
        return Fit(1.0 - fraction_share(values), False, "its values may be names or numbers")
    lettered = float(values.str.contains(_LETTER, regex=True).mean())
    return Fit(0.3 + 0.7 * lettered, False, "its values are text")


def _within(column: Column, numbers: pd.Series[Any]) -> float:
    # Ranges without a unit (shares, priorities) cannot be a matter of conversion.
    if not len(numbers) or column.unit not in ("", "share 0-1"):
        return 1.0
    least = -np.inf if column.least is None else column.least
    most = np.inf if column.most is None else column.most
    return float(numbers.between(least, most).mean())


def word_meanings(declared: Table, column: Column, values: pd.Series[Any]) -> dict[str, str]:
    """Return the allowed words, or several with ``;`` between, that texts of a column stand for.

    Only whole texts are taken, by the schema's own words, by ``words.toml`` and ``names.toml``.
    """
    known = {
        simple(form): word
        for word, forms in lexicon().words.get(declared.name, {}).get(column.name, {}).items()
        for form in forms
    }
    known |= word_list().meanings.get((declared.name, column.name), {})
    known |= {simple(word): word for word in column.allowed}
    found = {}
    for text in sorted(values.unique()):
        meant = known.get(simple(text))
        if meant is None and column.type == "words":
            meant = _several(text, known, column.allowed)
        if meant is not None:
            found[text] = meant
    return found


def _several(text: str, known: dict[str, str], allowed: Sequence[str]) -> str | None:
    parts = [known.get(simple(part)) for part in _SEVERAL.split(text) if part]
    if not parts or None in parts:
        return None
    named = {word for part in parts for word in str(part).split(";")}
    return ";".join(word for word in allowed if word in named)


def foreign_words(declared: Table, column: Column, values: pd.Series[Any]) -> dict[str, str]:
    """Return the words of a file that the program would not read by itself, with their meaning."""
    if column.allowed:
        found = word_meanings(declared, column, values)
        return {text: word for text, word in found.items() if text != word}
    distinct = sorted(values.unique())
    if column.type == "boolean":
        truths = {text: _truth(text) for text in distinct if text.lower() not in _TRUTH}
        return {text: truth for text, truth in truths.items() if truth is not None}
    if column.type == "clock":
        clocks = {t: clock_meant(t) for t in distinct if not _CLOCK.fullmatch(t)}
        return {text: clock for text, clock in clocks.items() if clock is not None}
    if column.type == "words" and not values.str.contains(";", regex=False).any():
        listed = [text for text in distinct if re.search(r"[,|]", text)]
        return {text: ";".join(p for p in re.split(r"\s*[,|]\s*", text) if p) for text in listed}
    return {}


def _truth(text: str) -> str | None:
    small = simple(text)
    if small in _TRUTH:
        return "true" if small in ("true", "yes", "1", "y") else "false"
    return lexicon().booleans.get(small)


def clock_meant(text: str) -> str | None:
    """Return a time of day as HH:MM, or nothing if the text is none.

    >>> clock_meant("7:30 AM"), clock_meant("1530"), clock_meant("12 pm"), clock_meant("25:00")
    ('07:30', '15:30', '12:00', None)
    """
    plain = text.strip()
    if _CLOCK.fullmatch(plain):
        hour, minute = plain.split(":")[:2]
        return f"{int(hour):02d}:{minute}"
    if (said := _CLOCK_SAID.fullmatch(plain)) and 1 <= int(said[1]) <= 12:
        hours = int(said[1]) % 12 + (12 if said[3].lower() == "p" else 0)
        return f"{hours:02d}:{said[2] or '00'}"
    if len(plain) >= 3 and (digits := _CLOCK_DIGITS.fullmatch(plain)):
        return f"{int(digits[1]):02d}:{digits[2]}"
    return None


def unit_by_size(
    declared: Table, column: Column, numbers: pd.Series[Any]
) -> tuple[str, str] | None:
    """Return the unit that the size of the numbers tells, and why; nothing if they do not."""
    signs = _SIGNS.get((declared.name, column.name), ())
    counted = numbers[numbers > 0]
    if not signs or len(counted) < 3:
        return None
    middle = float(counted.median())
    for sign in signs:
        if sign.least < middle <= sign.most:
            return sign.unit, f"{sign.why} (the middle one is {middle:g})"
    return None
