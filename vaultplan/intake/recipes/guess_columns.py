"""Which column of a foreign file is which of the table: each at most once, best fits first."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final, Literal

import numpy as np
import pandas as pd
from scipy.optimize import linear_sum_assignment

from vaultplan.columns import Column, Table
from vaultplan.intake.recipes.guess_names import (
    OWN,
    QUALIFIED,
    SHORTENED,
    USUAL,
    NameFit,
    NameReader,
)
from vaultplan.intake.recipes.guess_values import Fit, fit_of

Certainty = Literal["sure", "likely", "unsure"]

#: Below this a column is left alone; assumed, like the numbers below.
_LEAST: Final = 0.55
_TELLING: Final = 0.1
_CLOSE: Final = 0.06
_LOOKED_AT: Final = 2_000


@dataclass(frozen=True, slots=True)
class Choice:
    """A column of the file for one of the table, why, how sure, and the unit in its name."""

    source: str
    why: str
    certainty: Certainty
    unit: str | None = None
    is_own_name: bool = False


@dataclass(frozen=True, slots=True)
class _Candidate:
    name: NameFit
    fit: Fit
    score: float


def choose_columns(
    reader: NameReader, frame: pd.DataFrame, *, given: Collection[str], taken: Collection[str]
) -> dict[str, Choice]:
    """Return the choice for each column of the table that the file seems to provide.

    ``given`` are columns of the table that need none, ``taken`` columns of the file not to be had.
    """
    declared = reader.declared
    columns = [c for c in declared.columns if c.type != "geometry" and c.name not in given]
    sources = [str(name) for name in frame.columns if name not in taken]
    found = {
        (column.name, source): candidate
        for source in sources
        for column in columns
        if (candidate := _candidate(reader, declared, column, source, frame[source])) is not None
    }
    chosen = _assign([c.name for c in columns], sources, found)
    return {
        column.name: _choice(column, chosen, found, declared)
        for column in columns
        if column.name in chosen
    }


def _candidate(
    reader: NameReader, declared: Table, column: Column, source: str, written: pd.Series[Any]
) -> _Candidate | None:
    name = reader.judge(source, column)
    if name is None:
        return None
    fit = fit_of(declared, column, _some(written))
    if name.score >= SHORTENED:
        return _Candidate(name, fit, name.score)
    score = name.score * min(1.0, 0.4 + 0.7 * fit.share)
    if fit.is_telling and fit.share >= 0.9 and score < USUAL:
        score += _TELLING
    if column.required and column.allowed and name.score >= QUALIFIED:
        # Words that nobody knows are better shown one by one than a column called missing.
        score = max(score, _LEAST)
    return _Candidate(name, fit, score) if score >= _LEAST else None


def _some(written: pd.Series[Any]) -> pd.Series[Any]:
    """Return tidy values from all over a column, blanks left out."""
    trimmed = written.dropna().str.strip()
    values = trimmed[trimmed != ""]
    return values.iloc[:: max(1, len(values) // _LOOKED_AT)]


def _assign(
    columns: Sequence[str], sources: Sequence[str], found: Mapping[tuple[str, str], _Candidate]
) -> dict[str, str]:
    worth = np.zeros((len(columns), len(sources)))
    for (column, source), candidate in found.items():
        at = columns.index(column), sources.index(source)
        # The power keeps one good fit ahead of two poor ones; of equals the first in order wins.
        worth[at] = candidate.score**4 - 1e-9 * (at[0] * len(sources) + at[1])
    rows, places = linear_sum_assignment(worth, maximize=True)
    return {
        columns[row]: sources[place]
        for row, place in zip(rows.tolist(), places.tolist(), strict=True)
        if (columns[row], sources[place]) in found
    }


def _choice(
    column: Column,
    chosen: Mapping[str, str],
    found: Mapping[tuple[str, str], _Candidate],
    declared: Table,
) -> Choice:
    source = chosen[column.name]
    candidate = found[column.name, source]
    is_own = candidate.name.score >= SHORTENED
    why = candidate.name.why
    if candidate.name.score < OWN:
        why += f'; it means "{column.meaning}"; {candidate.fit.why}'
    near = candidate.score - _CLOSE
    others = [
        other
        for (name, other), rival in found.items()
        if name == column.name and other not in chosen.values() and rival.score >= near
    ]
    meanings = [
        name
        for (name, other), rival in found.items()
        if other == source and name not in chosen and rival.score >= near
    ]
    certainty: Certainty = "unsure"
    if others or meanings:
        rivals = [*others, *(f"{declared.name}.{name}" for name in meanings)]
        tail = "may be meant as well" if others else "may be what it means"
        why += f"; {', '.join(rivals)} {tail}"
        certainty = "likely" if is_own and candidate.score == OWN and not others else "unsure"
    elif is_own or candidate.score >= USUAL * 0.98:
        certainty = "sure"
    elif candidate.score >= 0.75:
        certainty = "likely"
    return Choice(source, why, certainty, candidate.name.unit, is_own)
