"""What a yearly report says of itself, and its numbers and codes in words."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

import pandas as pd

from vaultplan.settings import OutputSettings, ReportSettings

METHOD_WORDS: Final[Mapping[str, str]] = {
    "storm_drain": "to the storm drain",
    "filter_sock": "through a filter sock",
    "vacuum_truck": "vacuum truck",
    "unknown": "method not known",
}
WAY_WORDS: Final[Mapping[str, str]] = {
    "inlet noted": "the visit names the inlet",
    "vault's path": "assumed: along the vault's path",
    "drainage area": "assumed: by the drainage area alone",
    "no discharge": "nothing discharged, or method not known",
}
SUM_WORDS: Final[Mapping[str, str]] = {
    "events": "pump-outs",
    "unknown_events": "pump-outs of unknown gallons",
    "tenths": "gallons",
    "measured_tenths": "gallons measured",
    "estimated_tenths": "gallons estimated",
    "unstated_tenths": "gallons, not said how known",
    "socks": "socks",
    "unknown_sock_events": "sock jobs that do not say how many",
}
MONTHS: Final = (
    *("January", "February", "March", "April", "May", "June", "July"),
    *("August", "September", "October", "November", "December"),
)
NOT_STATED: Final = "not stated"


@dataclass(frozen=True, slots=True)
class CostFacts:
    """Reckoned costs in low, middle and high USD, and what they rest on.

    ``shares`` has a row per grade: grade, events, vacuum_frac_now, events_before,
    vacuum_frac_before.
    """

    baseline_years: tuple[int, ...]
    spent: tuple[float, float, float]
    before: tuple[float, float, float]
    saved: tuple[float, float, float]
    is_told_apart: bool
    shares: pd.DataFrame
    events: int
    left_out: int
    without_gallons: int
    price_source: str


@dataclass(frozen=True, slots=True)
class AnnualFacts:
    """What a yearly report says of itself.

    ``file_hash`` is the SHA-256 of the visits file ``file_name``; ``drums`` the fewest and the most
    that the used socks fill; ``split_events`` the pump-outs at a drain that splits;
    ``compared_with`` the earlier run's name, empty if none; ``locked`` the periods whose visits
    nobody may change any more, in words.
    """

    name: str
    year: int
    as_of: pd.Timestamp
    time_zone: str
    visits: int
    file_name: str
    file_hash: str
    drums: tuple[int, int]
    drum_socks: int
    split_events: int
    compared_with: str
    locked: tuple[str, ...]
    specialists: tuple[str, ...]
    costs: CostFacts | None
    settings: ReportSettings
    outputs: OutputSettings

    @property
    def locked_words(self) -> str:
        """What of the year is locked, in a sentence."""
        if not self.locked:
            return "No part of the year is locked: its visits can still be corrected."
        return f"Locked, so that no visit comes in or changes: {'; '.join(self.locked)}."

    @property
    def is_partial(self) -> bool:
        """Whether the year had not ended when the last visit was known."""
        return bool(self.as_of < pd.Timestamp(self.year, 12, 31))


def gallons(tenths: int) -> str:
    """Return tenths of a gallon as gallons, exactly.

    >>> gallons(1234567), gallons(5)
    ('123,456.7', '0.5')
    """
    return f"{tenths // 10:,}.{tenths % 10}"


def key_words(breakdown: str, key: str) -> str:
    """Return the key of a line in words.

    >>> key_words("month and method", "03 / filter_sock")
    'March, through a filter sock'
    """
    kinds, parts = breakdown.split(" and "), []
    for kind, word in zip(kinds, key.rsplit(" / ", len(kinds) - 1), strict=False):
        if kind == "month":
            parts.append(MONTHS[int(word) - 1])
        elif kind == "method":
            parts.append(METHOD_WORDS.get(word, word))
        elif kind == "way":
            parts.append(WAY_WORDS.get(word, word))
        else:
            parts.append(word)
    return ", ".join(parts)
