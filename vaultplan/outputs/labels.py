"""Words of the sheets in the crew's language, and texts made safe to print."""

from __future__ import annotations

import functools
import tomllib
import unicodedata
from collections.abc import Mapping
from datetime import date
from importlib.resources import files

from vaultplan.errors import OutputError

LANGUAGES = ("en", "es")


@functools.cache
def load_labels(language: str) -> Mapping[str, str]:
    """Return every label of the catalogue in one language.

    Raises
    ------
    OutputError
        If the catalogue does not speak the language.

    Examples
    --------
    >>> load_labels("es")["method_filter_sock"]
    'manga filtrante'
    """
    if language not in LANGUAGES:
        raise OutputError(f"sheets do not speak {language!r}; choose one of {LANGUAGES}")
    source = files("vaultplan.outputs").joinpath("labels.toml")
    catalogue = tomllib.loads(source.read_text(encoding="utf-8"))
    return {key: words[language] for key, words in catalogue.items()}


def date_in_words(day: date, labels: Mapping[str, str]) -> str:
    """Return a day as a person says it.

    >>> date_in_words(date(2026, 11, 2), load_labels("en"))
    'Monday 2 November 2026'
    >>> date_in_words(date(2026, 11, 2), load_labels("es"))
    'lunes 2 de noviembre de 2026'
    """
    return labels["date_words"].format(
        weekday=labels["weekdays"].split(",")[day.weekday()],
        day=day.day,
        month=labels["months"].split(",")[day.month - 1],
        year=day.year,
    )


def date_short(day: date, labels: Mapping[str, str]) -> str:
    """Return a day in few letters.

    >>> date_short(date(2026, 11, 2), load_labels("en"))
    'Mon 2 Nov'
    >>> date_short(date(2026, 11, 2), load_labels("es"))
    'lun 2 nov'
    """
    weekday = labels["weekdays"].split(",")[day.weekday()]
    month = labels["months"].split(",")[day.month - 1]
    return f"{weekday[:3]} {day.day} {month[:3]}"


def low_to_high(low: float, high: float) -> str:
    """Return a band as one text, each end rounded to what is worth saying.

    >>> low_to_high(118.0, 1236.0).split()
    ['120', '\u2013', '1,240']
    >>> low_to_high(6.2, 6.4)
    '6'
    """
    ends = [whole(low), whole(high)]
    return ends[0] if ends[0] == ends[1] else from_to(*ends)


def from_to(first: str, last: str) -> str:
    """Return two ends with a dash between."""
    return f"{first} \u2013 {last}"


def whole(value: float) -> str:
    """Return a number without decimals, to the nearest ten from a hundred up.

    >>> whole(87.4), whole(1236.0)
    ('87', '1,240')
    """
    return f"{round(value, -1 if abs(value) >= 100 else 0):,.0f}"


def printable(value: object, longest: int = 240, *, may_break: bool = True) -> str:
    """Return a user's text as one safe line; blank values give ``""``.

    Control characters, marks that turn the writing direction and characters that XML forbids are
    dropped, and a word too long for any line may break inside if ``may_break``. Nothing else
    changes: markup of any kind stays as it was typed and is printed, never run.

    >>> printable("  Quay #4 <b>")
    'Quay #4 <b>'
    >>> printable("x" * 300, longest=5)
    'xxxx…'
    """
    if value is None or value != value:
        return ""
    kept = str(value)
    if not (kept.isascii() and kept.isprintable()):
        kept = "".join(" " if c in "\t\r\n\v\f" else c for c in kept if _may_print(c))
    line = " ".join(kept.split())
    if len(line) > longest:
        line = line[: longest - 1] + "…"
    return " ".join(_breakable(word) for word in line.split(" ")) if may_break else line


def _may_print(character: str) -> bool:
    if character in "\t\r\n\v\f\u200c\u200d":
        return True
    return unicodedata.category(character) not in {"Cc", "Cf", "Cs", "Cn", "Co"}


def _breakable(word: str, longest: int = 24) -> str:
    if len(word) <= longest:
        return word
    return "\u200b".join(word[at : at + 12] for at in range(0, len(word), 12))
