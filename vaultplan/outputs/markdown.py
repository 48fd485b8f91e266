"""Markdown that reads well as plain text too: tables, numbers and dates in words."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from typing import Any, Final

import pandas as pd

_MARKUP: Final = re.compile(r"([\\`*\[\]|~])|(?<![0-9A-Za-z])(_)|(_)(?![0-9A-Za-z])")
_ENTITY: Final = re.compile(r"&(?=#?\w+;)")


def safe(cell: Any) -> str:
    r"""Return text that Markdown shows as it is: no tag, link, table cell or line break.

    >>> safe("Light & Line <b> | a_b _c_")
    'Light & Line &lt;b> \\| a_b \\_c\\_'
    """
    if cell is None or cell is pd.NaT or (not isinstance(cell, str) and pd.isna(cell)):
        return ""
    text = _ENTITY.sub("&amp;", " ".join(str(cell).split())).replace("<", "&lt;")
    return _MARKUP.sub(r"\\\g<0>", text)


def stated(value: Any) -> str:
    """Return the value as safe text, ``not stated`` when it is blank."""
    return "not stated" if pd.isna(value) else safe(value)


def table(heads: Sequence[str], rows: Iterable[Sequence[Any]], without: str) -> list[str]:
    """Return the lines of a table, or the sentence ``without`` when it has no row."""
    lines = [f"| {' | '.join(safe(cell) for cell in row)} |" for row in rows]
    if not lines:
        return [without]
    return [f"| {' | '.join(heads)} |", "|" + "---|" * len(heads), *lines]


def day(on: Any) -> str:
    """Return a date as ``Mon 2 Nov``, blank when it is missing."""
    return "" if pd.isna(on) else f"{on:%a} {on.day} {on:%b}"


def days(dates: Iterable[Any]) -> str:
    """Return dates as one phrase, each month named once.

    >>> days(pd.to_datetime(["2026-11-02", "2026-11-03", "2026-12-01"]))
    'Mon 2, Tue 3 Nov and Tue 1 Dec'
    """
    listed = sorted(set(dates))
    words = [
        day(on) if nxt is None or nxt.month != on.month else f"{on:%a} {on.day}"
        for on, nxt in zip(listed, [*listed[1:], None], strict=True)
    ]
    return joined(words)


def joined(words: Sequence[str]) -> str:
    """Return words as a phrase: commas, and ``and`` before the last."""
    return " and ".join(part for part in (", ".join(words[:-1]), *words[-1:]) if part)


def number(value: Any, decimals: int = 0) -> str:
    """Return a number with thousands set off, blank when it is missing."""
    return "" if value is None or pd.isna(value) else f"{value:,.{decimals}f}"


def about(value: float) -> str:
    """Return a number to three figures, as one says it aloud.

    >>> about(47338), about(86.2)
    ('47,300', '86')
    """
    places = max(len(f"{abs(value):.0f}") - 3, 0)
    return f"{round(value, -places):,.0f}"


def count(how_many: int, thing: str) -> str:
    """Return a count with its thing, in the plural where it needs one."""
    return f"{how_many:,} {thing}{'' if how_many == 1 else 's'}"
