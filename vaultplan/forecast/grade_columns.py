"""What all but its own gradings says of a vault's dirt: its class, its place, season, who looked.

The slopes are learned from gradings; those of a vault that was graded often count for less each.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import pandas as pd

from vaultplan.forecast.grade_history import GradeHistory
from vaultplan.forecast.grade_neighbours import place_dirt
from vaultplan.forecast.grade_ordinal import between, ends, fit_ordinal
from vaultplan.forecast.weather import YEAR_DAYS

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

CLASSES: Final = ("land_use", "lid", "setting", "soil_group", "kind", "district")
NUMBERS: Final = ("rim_elev_ft", "water_table_ft", "depth_ft")
MOST_LEVELS: Final = 12
LEAST_OF_LEVEL: Final = 5
FURTHEST: Final = 3.0  # standard deviations at which a column is cut off
PULL: Final = 20.0  # how strongly slopes are pulled to 0; assumed
#: Likeness of the gradings of a vault by which the next one tells less than the first; assumed.
ALIKE: Final = 0.35
SEASON_COLUMNS: Final = 2


@dataclass(frozen=True, slots=True)
class Backdrop:
    """What a vault's score is expected to be, were it never graded; its variance is 1.

    ``level`` is the part of the vault's class and place, ``season`` the slopes of cosine and sine
    of the year. ``crew`` and ``raining`` (no, yes) are what those add to a past score, ``usual``
    what they add on average and ``circumstance`` the variance that they add while unknown.
    """

    cuts: Floats
    level: Floats
    season: Floats
    crew: Floats
    raining: Floats
    usual: float
    circumstance: float

    def expected(self, vault: Ints, day: Ints) -> Floats:
        """Return the score expected of some vaults on some days, whoever comes."""
        turn = 2.0 * np.pi * day / YEAR_DAYS
        found: Floats = (
            self.level[vault] + self.season[0] * np.cos(turn) + self.season[1] * np.sin(turn)
        )
        return found

    def expected_then(self, history: GradeHistory, rows: Ints) -> Floats:
        """Return the score expected of past gradings, of who came and in what weather."""
        met = np.append(self.crew, 0.0)[history.crew[rows]] - self.usual
        met = met + self.raining[history.was_raining[rows].astype(np.int64)]
        found: Floats = self.expected(history.owner[rows], history.day[rows]) + met
        return found


def fit_backdrop(vaults: pd.DataFrame, history: GradeHistory, rows: Ints) -> Backdrop:
    """Return what class, place, season, crew and rain say, learned from some gradings.

    Parameters
    ----------
    vaults
        Schema table ``vaults``, sorted by ``vault_id``.
    history
        All gradings up to the as-of day.
    rows
        Gradings to learn from: whole vaults.

    Notes
    -----
    Fitted twice: what is left unexplained the first time tells how dirty each vault's neighbours
    are for their class, which is a column the second time. A vault's own gradings never enter
    that column.
    """
    owner, grade = history.owner[rows], history.grade[rows]
    weight = _weights(history)
    taught = np.bincount(owner, weight[rows], minlength=len(vaults)).astype(np.float64)
    then = _circumstances(history, rows)
    usual = then.mean(axis=0) if len(rows) else np.zeros(then.shape[1])
    turn = 2.0 * np.pi * history.day[rows] / YEAR_DAYS
    rest = np.concatenate([np.stack([np.cos(turn), np.sin(turn)], axis=1), then - usual], axis=1)
    static = class_columns(vaults)
    for column in static:
        column[:] = _scaled(column, taught)

    def learn() -> Backdrop:
        x = np.concatenate([static[:, owner].T, rest], axis=1)
        cuts, slopes = fit_ordinal(x, grade, weight[rows], np.full(x.shape[1], PULL))
        level = np.zeros(len(vaults))
        for column, slope in zip(static, slopes, strict=False):
            level += slope * column
        season, met = np.split(slopes[len(static) :], [SEASON_COLUMNS])
        return Backdrop(
            cuts=cuts,
            level=level,
            season=season,
            crew=met[:-1],
            raining=np.array([0.0, met[-1]]),
            usual=float(usual @ met),
            circumstance=float(np.square((then - usual) @ met).mean()) if len(rows) else 0.0,
        )

    # The last column is that of the neighbours, who are heard once the classes are known.
    static[-1] = _scaled(place_dirt(vaults, *_left_over(history, learn(), weight)), taught)
    return learn()


def _weights(history: GradeHistory) -> Floats:
    """Return what each grading counts for: those of a vault are partly the same news."""
    counted: Floats = 1.0 / (1.0 + ALIKE * (history.count[history.owner].astype(np.float64) - 1.0))
    return counted


def _left_over(history: GradeHistory, known: Backdrop, weight: Floats) -> tuple[Floats, Floats]:
    """Return how much dirtier each vault was than expected, and what that counts for."""
    expected = known.expected_then(history, np.arange(len(history.day)))
    low, high = ends(known.cuts, history.grade, expected, np.ones(len(expected)))
    vaults = len(known.level)
    count = np.bincount(history.owner, weight, minlength=vaults).astype(np.float64)
    total = np.bincount(history.owner, weight * between(low, high).mean, minlength=vaults)
    return total / np.where(count > 0, count, 1.0), count


def _circumstances(history: GradeHistory, rows: Ints) -> Floats:
    """Return who came and whether it rained as columns of 0 and 1, a crew a column."""
    crews = int(history.crew.max(initial=-1)) + 1
    seen = np.zeros((len(rows), crews + 1))
    for crew in range(crews):
        seen[:, crew] = history.crew[rows] == crew
    seen[:, -1] = history.was_raining[rows]
    return seen


def class_columns(vaults: pd.DataFrame) -> Floats:
    """Return what vaults are like on paper as columns (p + 1, vaults); the last one is empty.

    Blanks lie at the mean of their column: they say nothing.
    """
    columns = []
    for name in CLASSES:
        values = vaults[name]
        counts = values.value_counts()
        counts = counts[counts >= max(0.01 * len(values), LEAST_OF_LEVEL)]
        levels = sorted(counts.index, key=lambda level: (-counts[level], level))[:MOST_LEVELS]
        blank = values.isna().to_numpy(bool)
        for level in levels:
            columns.append(_filled(values.eq(level).fillna(False).to_numpy(np.float64), blank))
    for name in NUMBERS:
        number = vaults[name].to_numpy(np.float64)
        columns.append(_filled(number, np.isnan(number)))
    watered = vaults["has_irrigation"]
    columns.append(
        _filled(watered.fillna(False).to_numpy(np.float64), watered.isna().to_numpy(bool))
    )
    found = np.zeros((len(columns) + 1, len(vaults)))
    for row, column in zip(found, columns, strict=False):
        row[:] = column
    return found


def _filled(values: npt.NDArray[Any], blank: npt.NDArray[np.bool_]) -> Floats:
    known = values[~blank]
    return np.where(blank, known.mean() if len(known) else 0.0, values)


def _scaled(column: Floats, count: Floats) -> Floats:
    """Return a column with mean 0 and spread 1 over the gradings learned from.

    One that never varied among the graded says nothing of the others: it is 0.
    """
    total = count.sum()
    mean = float((count * column).sum() / total) if total else 0.0
    spread = float(np.sqrt((count * np.square(column - mean)).sum() / total)) if total else 0.0
    if spread < 1e-9:
        return np.zeros(len(column))
    return np.clip((column - mean) / spread, -FURTHEST, FURTHEST)
