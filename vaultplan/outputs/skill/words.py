"""What scores of past forecasts mean, in words a planner can act on."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final

import pandas as pd

#: A row of a table, by the names of its columns.
Told = Mapping[Any, Any]

#: Fewer looks than this say little: no judgement is printed; assumed.
LEAST_TO_JUDGE: Final = 100
#: Nearer than this to what was stated is right for every practical end; assumed.
SLACK: Final = 0.04
TOO_FEW: Final = "too few looks to tell"


def share_word(told: Told) -> str:
    """Return whether the forecast is better than a rule, from its share of the rule's error."""
    if told["points"] < LEAST_TO_JUDGE or not math.isfinite(told["low"]):
        return TOO_FEW
    if told["high"] < 1.0:
        return "better"
    return "worse" if told["low"] > 1.0 else "no clear difference"


def band_word(told: Told, stated: float = 0.8) -> str:
    """Return whether bands hold as many looks as they say."""
    if told["points"] < LEAST_TO_JUDGE:
        return TOO_FEW
    inside = told["low"] <= stated <= told["high"] if math.isfinite(told["low"]) else False
    if inside or abs(told["value"] - stated) <= SLACK:
        return "about right"
    return (
        "too narrow: more surprises than stated" if told["value"] < stated else "wider than needed"
    )


def chance_word(event: Told) -> str:
    """Return whether an event happened as often as it was given a chance of."""
    if event["points"] < LEAST_TO_JUDGE:
        return TOO_FEW
    allowed = max(SLACK, 1.5 * event["calibration_error_by_chance"])
    gap = event["forecast_frac"] - event["happened_frac"]
    if event["calibration_error"] <= allowed:
        return "as often as stated"
    if abs(gap) > SLACK:
        return "less often than stated" if gap > 0 else "more often than stated"
    return "right on the whole, but some chances are off"


def percent(value: float, low: float = math.nan, high: float = math.nan) -> str:
    """Return a share as a percentage, with its interval if there is one.

    >>> percent(0.807, 0.777, 0.837), percent(float("nan"))
    ('81 % (78 to 84)', '')
    """
    if not math.isfinite(value):
        return ""
    word = f"{100 * value:.0f} %"
    return f"{word} ({100 * low:.0f} to {100 * high:.0f})" if math.isfinite(low) else word


def ratio(value: float, low: float = math.nan, high: float = math.nan) -> str:
    """Return a number to two decimals, with its interval if there is one."""
    if not math.isfinite(value):
        return ""
    return f"{value:.2f} ({low:.2f} to {high:.2f})" if math.isfinite(low) else f"{value:.2f}"


@dataclass(frozen=True, slots=True)
class SkillFacts:
    """What a page about forecast skill says of the test itself."""

    name: str
    as_of: pd.Timestamp
    origins: tuple[pd.Timestamp, ...]
    horizon_days: int
    methods: tuple[str, ...]
    points: int
    looked_at: int
    vaults: int
    working_depth_in: float


def first_row(frame: pd.DataFrame) -> Told:
    """Return the first row of a table."""
    return frame.iloc[0].to_dict()


def picked(scores: pd.DataFrame, **where: str) -> pd.DataFrame:
    """Return the rows of ``scores`` whose columns have these values."""
    chosen = pd.Series(True, scores.index)
    for name, value in where.items():
        chosen &= scores[name].eq(value)
    return scores[chosen]


def group_name(told: Told) -> str:
    """Return a group as a phrase: ``5+ looks before``, ``lid slotted``."""
    by, group = str(told["by"]), str(told["group"]).replace("_", " ")
    if by == "looks before":
        return f"{group} before"
    if by == "days ahead":
        return f"{group} ahead"
    return f"{group} confidence" if by == "confidence" else f"{by.replace('_', ' ')} {group}"


def percent_of(told: Told) -> str:
    """Return a row's value with its interval, as :func:`percent` does."""
    return percent(told["value"], told["low"], told["high"])


def ratio_of(told: Told) -> str:
    """Return a row's value with its interval, as :func:`ratio` does."""
    return ratio(told["value"], told["low"], told["high"])
