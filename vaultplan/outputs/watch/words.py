"""What the watch-list says in words: the checks at an outfall, gallons, chances and paths."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final

import pandas as pd

from vaultplan.outputs.labels import from_to, load_labels, whole

METHOD_WORDS: Final[Mapping[str, str]] = {
    "storm_drain": "storm drain",
    "filter_sock": "filter sock",
    "vacuum_truck": "vacuum truck",
}
STATUS_WORDS: Final[Mapping[str, str]] = {
    "complete": "followed to the water",
    "by_area": "by drainage area only",
    "no_inlet": "no inlet near enough",
    "no_outfall": "ends without an outfall",
    "no_water": "the outfall names no listed water",
    "loop": "runs in a circle",
    "sewer": "enters a combined or sanitary sewer",
    "private": "enters a private drain",
    "dry_well": "ends in a dry well",
    "pump_station": "ends in a pump station",
    "sewer_plant": "ends in a sewage plant",
}


@dataclass(frozen=True, slots=True)
class WatchFacts:
    """What a watch-list says of itself: where and when it holds, and by what rules."""

    name: str
    plan_id: str
    week_of: pd.Timestamp
    as_of: pd.Timestamp
    time_zone: str
    notice_days: int
    contact: str
    rules_version: str
    rule_words: Mapping[str, str]
    warnings: tuple[str, ...]


def outfall_checks(language: str = "en") -> dict[str, tuple[str, ...]]:
    """Return what to look at where the drain ends, by when. Common practice, no source.

    >>> list(outfall_checks("es"))[-1]
    'Si ve algo'
    """
    t = load_labels(language)
    parts = ("before", "during", "after", "if")
    return {
        t[f"check_{part}"]: tuple(
            words for key, words in t.items() if key.startswith(f"check_{part}_")
        )
        for part in parts
    }


def day_word(on: Any) -> str:
    """Return a day as ``Mon 2 Nov``; blank where there is none.

    >>> day_word(pd.Timestamp("2026-11-02")), day_word(pd.NaT)
    ('Mon 2 Nov', '')
    """
    return "" if pd.isna(on) else f"{on:%a} {on.day} {on:%b}"


def gallons(low: Any, likely: Any, high: Any) -> str:
    """Return gallons with their band of 80 %.

    >>> gallons(118.0, 300.0, 1236.0).replace(chr(0x2013), "-")
    '300 (120 - 1,240)'
    >>> gallons(None, None, None)
    'not known'
    """
    if pd.isna(likely):
        return "not known"
    if pd.isna(low) or pd.isna(high):
        return whole(float(likely))
    return f"{whole(float(likely))} ({from_to(whole(float(low)), whole(float(high)))})"


def chances(clear: Any, light: Any, heavy: Any) -> str:
    """Return the chances of clear, light and heavy water in percent.

    >>> chances(0.612, 0.3, 0.088), chances(None, None, None)
    ('61 / 30 / 9 %', 'not known')
    """
    each = (clear, light, heavy)
    if any(pd.isna(chance) for chance in each):
        return "not known"
    return " / ".join(f"{100 * chance:.0f}" for chance in each) + " %"


def path_words(status: Any, length_ft: Any, confidence: Any) -> str:
    """Return how far the path runs and how far to trust it.

    >>> path_words("complete", 1234.0, "high")
    '1,230 ft, trust high'
    >>> path_words("loop", None, "low")
    'length not known, trust low; runs in a circle'
    """
    run = "length not known" if pd.isna(length_ft) else f"{whole(float(length_ft))} ft"
    trust = "not known" if pd.isna(confidence) else str(confidence)
    told = f"{run}, trust {trust}"
    if status == "complete":
        return told
    return f"{told}; {'not traced' if pd.isna(status) else STATUS_WORDS.get(status, status)}"
