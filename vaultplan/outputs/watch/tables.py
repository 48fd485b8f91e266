"""The tables of the watch-list's page, which become cards on a phone."""

from __future__ import annotations

import html
from collections.abc import Iterable, Mapping, Sequence
from typing import Any, Final
from zoneinfo import ZoneInfo

import pandas as pd

from vaultplan.outputs.plan_view import likeliest_grade
from vaultplan.outputs.watch.map import glyph
from vaultplan.outputs.watch.words import (
    METHOD_WORDS,
    chances,
    day_word,
    gallons,
    path_words,
)

_HEADS: Final = (
    *("When", "Truck, order", "Vault", "Method, gate", "Gallons: likely (low to high)"),
    *("Clear / light / heavy", "Outfall and way", "Path", "Rules"),
)


def glyph_svg(grade: str) -> str:
    """Return a grade's mark as a picture in a line of text."""
    return inline_svg(glyph(grade, 8.5, 8.5, 6))


def inline_svg(mark: str) -> str:
    """Return a mark drawn in a field of 17 by 17 as a picture in a line of text."""
    return f'<svg class="glyph" viewBox="0 0 17 17" aria-hidden="true">{mark}</svg>'


def short(text: str) -> str:
    """Return text that is not broken into lines."""
    return f'<span class="short">{html.escape(text)}</span>'


def small(text: str) -> str:
    """Return text as a second, smaller line; nothing for no text."""
    return f'<span class="small">{html.escape(text)}</span>' if text else ""


def cards(
    heads: Sequence[str], rows: Iterable[tuple[str, Sequence[str]]], numbers: Sequence[int] = ()
) -> str:
    """Return a table of ready HTML cells that stands as cards on a phone.

    Each row is its own attributes and its cells; columns in ``numbers`` stand to the right.
    """
    tops = [_cell("th", html.escape(head), at in numbers, "") for at, head in enumerate(heads)]
    lines = []
    for more, cells in rows:
        told = [
            _cell("td" if at else "th", text, at in numbers, heads[at])
            for at, text in enumerate(cells)
        ]
        lines.append(f"<tr{more}>{''.join(told)}</tr>")
    body = "\n".join(lines)
    top = "".join(tops)
    return (
        f'<div class="wide" tabindex="0"><table class="cards"><thead><tr>{top}</tr></thead>\n'
        f"<tbody>{body}</tbody></table></div>"
    )


def _cell(tag: str, text: str, is_number: bool, head: str) -> str:
    style = ' class="number"' if is_number else ""
    scope = (' scope="row"' if head else ' scope="col"') if tag == "th" else ""
    label = f' data-head="{html.escape(head)}"' if head else ""
    return f"<{tag}{style}{scope}{label}>{_whole(text)}</{tag}>"


def _whole(text: str) -> str:
    """Return a cell's content as one thing, so that a card can set it beside its heading."""
    return f"<span>{text}</span>"


def discharge_table(rows: pd.DataFrame, time_zone: str, numbers: Mapping[str, int]) -> str:
    """Return planned discharges, one a row; ``numbers`` leads from a rule to its number."""
    grades = likeliest_grade(rows)
    zone = ZoneInfo(time_zone)
    told = []
    for row, grade in zip(rows.to_dict("records"), grades, strict=True):
        start = pd.Timestamp(row["start_at"]).tz_convert(zone)
        on = f"{row['on']:%Y-%m-%d}"
        told.append((f' data-on="{on}"', _discharge(row, str(grade), start, numbers)))
    return cards(_HEADS, told)


def _discharge(
    row: Mapping[Any, Any], grade: str, start: pd.Timestamp, numbers: Mapping[str, int]
) -> list[str]:
    band = (row[f"volume_gal_p{percent}"] for percent in (10, 50, 90))
    said = row["reason"] if isinstance(row["reason"], str) else ""
    lowered = _lowered(said)
    alarm = f'<span class="alarm">{html.escape(row["changed"])}</span>' if row["changed"] else ""
    past = "" if row["is_ahead"] else "day is over; gallons as planned"
    return [
        f'<span class="short">{day_word(row["on"])} {start:%H:%M}</span>{small(past)}',
        _text(row["truck_id"]) + small(_plain(row["order_id"])),
        f'<span class="short">{glyph_svg(grade)}{_text(row["vault_id"])}</span>'
        + small(_plain(row["address"])),
        html.escape(METHOD_WORDS.get(row["method"], "not known"))
        + small(_plain(row["gate"]))
        + alarm,
        html.escape(gallons(*band)),
        html.escape(chances(row["prob_clear"], row["prob_light"], row["prob_heavy"])),
        _outfall(row),
        html.escape(path_words(row["trace_status"], row["length_ft"], row["trace_confidence"])),
        html.escape(_rules(row["rules_fired"], numbers)) + small(lowered),
    ]


def _outfall(row: Mapping[Any, Any]) -> str:
    """Return the outfall, by way of which water, and how, where that is not simply all of it."""
    via = row["enters_water"]
    through = f"into {via}" if isinstance(via, str) and via != row["water"] else ""
    others = _plain(row["other_outfalls"]).replace(";", ", ")
    way = _plain(row["way"]) if row["way"] != "main path" else ""
    also = f"also {others}" if others else ""
    grade = _plain(row["sensitivity_reckoned"])
    place = f"the rules take this place as {grade}" if grade not in ("", row["sensitivity"]) else ""
    return (_text(row["outfall_id"]) or "not known") + "".join(
        small(part) for part in (through, way, also, place)
    )


def _rules(fired: Any, numbers: Mapping[str, int]) -> str:
    mine = sorted(numbers[rule] for rule in _plain(fired).split(";") if rule in numbers)
    return ", ".join(str(number) for number in mine) or "none"


def _lowered(reason: str) -> str:
    """Return the sentences of a decision that tell of an override; blank if none does."""
    marks = [reason.find(f"{ladder} lowered from ") for ladder in ("Method", "Gate")]
    found = [at for at in marks if at >= 0]
    return reason[min(found) :] if found else ""


def _plain(value: Any) -> str:
    return "" if pd.isna(value) else str(value)


def _text(value: Any) -> str:
    return html.escape(_plain(value))
