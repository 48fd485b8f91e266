"""The chance that a vault's water, if there is any, is clear, light or heavy."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy.special import logit

from vaultplan.errors import SchemaError
from vaultplan.forecast.grade_history import (
    LONG_DAYS,
    GradeHistory,
    Known,
    class_columns,
    known_before,
    likes,
    read_history,
)
from vaultplan.forecast.logistic import Logistic, fit_logistic
from vaultplan.forecast.readings import sorted_visits
from vaultplan.forecast.weather import YEAR_DAYS, day_number
from vaultplan.schema import GRADES, Frames
from vaultplan.settings import Settings

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

#: What the vault's likes may count for, in gradings; the fleet's own counts choose among them.
POOLED_WEIGHTS: Final = (0.5, 1.0, 2.0, 3.0, 4.0, 6.0, 8.0, 12.0, 16.0, 24.0, 40.0, 80.0)
USUAL_WEIGHT: Final = 4.0  # where nothing was ever graded
MOST_GRADINGS: Final = 60_000  # enough to learn some forty numbers twice
LEAST_CHANCE: Final = 0.005  # no grade is ever ruled out, nor sure; assumed


@dataclass(frozen=True, slots=True)
class GradeModel:
    """Gradings per vault as known on the as-of day; from :func:`fit_grades`.

    ``alike`` are the shares of the vault's likes without its own, ``pooled_weight`` what those
    count for, ``graded_count`` and ``wet_count`` how many visits gave a grade and how many found
    water but gave none. ``cloudy`` and ``worse`` correct the counted chances of "light or heavy",
    and of "heavy" among those.
    """

    as_of: pd.Timestamp
    vault_ids: pd.Index[str]
    history: GradeHistory
    alike: Floats
    classes: Floats
    pooled_weight: float
    half_life_days: float
    cloudy: Logistic
    worse: Logistic
    graded_count: Ints
    wet_count: Ints

    def chances(self, points: pd.DataFrame) -> pd.DataFrame:
        """Return the chance of each grade per point, and how far it is the vault's own.

        Parameters
        ----------
        points
            ``vault_id``, ``on``.

        Returns
        -------
        pandas.DataFrame
            ``prob_clear``, ``prob_light``, ``prob_heavy`` (of the water, if there is any; they sum
            to 1), ``grade_known_frac`` and ``grade_reason``.

        Notes
        -----
        What is not known is told beside the chances, not as a fourth grade: every water has one
        of the three, and ``grade_known_frac`` says what share of the evidence is the vault's own
        faded gradings; the rest is its likes'. Blank grades and dry visits add nothing to it and
        are never read as clear.
        """
        vault = self.vault_ids.get_indexer(pd.Index(points["vault_id"])).astype(np.int64)
        if (vault < 0).any():
            raise SchemaError("points name vaults that are not in the vaults table")
        day = day_number(pd.to_datetime(points["on"]))
        known = known_before(
            self.history,
            vault,
            day,
            self.history.start[vault + 1],
            self.half_life_days,
            self.alike,
        )
        shares = counted(known.own, self.alike[vault], self.pooled_weight)
        x = columns(shares, known, self.classes[vault], day)
        frame = pd.DataFrame(
            corrected(shares, x, self.cloudy, self.worse),
            columns=[f"prob_{grade}" for grade in GRADES],
            index=points.index,
        )
        own = known.own[:, 0] + known.own[:, 1] + known.own[:, 2]
        frame["grade_known_frac"] = own / (own + self.pooled_weight)
        frame["grade_reason"] = [
            _reason(graded, wet)
            for graded, wet in zip(
                self.graded_count[vault].tolist(), self.wet_count[vault].tolist(), strict=True
            )
        ]
        return frame


def fit_grades(frames: Frames, *, as_of: pd.Timestamp, settings: Settings) -> GradeModel:
    """Return what gradings up to the as-of day say about every vault.

    Parameters
    ----------
    frames
        Schema tables ``vaults`` and ``visits``.
    as_of, settings
        Last day known; ``time_zone`` and ``forecast.grade_half_life_days``.

    Notes
    -----
    First the gradings are counted, fading with age, and pulled to those of the vault's likes: the
    mean of a Dirichlet-multinomial, in which the likes count for what makes the fleet's gradings
    likeliest (J. E. Mosimann (1962), Biometrika 49(1/2):65-82, from memory). Then two logistic
    regressions correct the chance of "light or heavy" and that of "heavy" among those: by the last
    grade and its age, the time since a vacuum truck took the sediment out, season and class. They
    are learned on past gradings, each from what was known before it, and pulled to no correction.
    """
    vaults = frames["vaults"].sort_values("vault_id", ignore_index=True)
    vault_ids = pd.Index(vaults["vault_id"])
    as_of = pd.Timestamp(as_of).normalize()
    as_of_day = int(day_number(pd.DatetimeIndex([as_of]))[0])
    visits, owner, day = sorted_visits(
        frames["visits"], vault_ids, as_of_day=as_of_day, time_zone=settings.time_zone
    )
    half_life = settings.forecast.grade_half_life_days
    history = read_history(visits, owner, day, len(vaults))
    now = np.arange(len(vaults))
    today = np.full(len(vaults), as_of_day)
    level = np.full((len(vaults), len(GRADES)), 1.0 / len(GRADES))
    own = known_before(history, now, today, history.start[1:], half_life, level).own
    alike = likes(vaults, own)
    classes = class_columns(vaults)
    is_wet = visits["finding"].isin(["wet", "full"]).to_numpy(bool) & visits["grade"].isna()
    rows = _sample(history)
    known = known_before(history, history.owner[rows], history.day[rows], rows, half_life, alike)
    weight = _likeliest_weight(known.own, alike[history.owner[rows]], history.grade[rows])
    shares = counted(known.own, alike[history.owner[rows]], weight)
    x = columns(shares, known, classes[history.owner[rows]], history.day[rows])
    found = history.grade[rows]
    cloudy, worse = _offsets(shares)
    dirty = found > 0
    return GradeModel(
        as_of=as_of,
        vault_ids=vault_ids,
        history=history,
        alike=alike,
        classes=classes,
        pooled_weight=weight,
        half_life_days=half_life,
        cloudy=fit_logistic(x, cloudy, dirty),
        worse=fit_logistic(x[dirty], worse[dirty], found[dirty] == 2),
        graded_count=np.diff(history.start),
        wet_count=np.bincount(owner[is_wet], minlength=len(vaults)),
    )


def counted(own: Floats, alike: Floats, weight: float) -> Floats:
    """Return the shares of each grade: ``(own + weight * alike) / (sum(own) + weight)``."""
    counts = own + weight * alike
    shares: Floats = counts / (counts[:, :1] + counts[:, 1:2] + counts[:, 2:3])
    return shares


def columns(shares: Floats, known: Known, classes: Floats, day: Ints) -> Floats:
    """Return what the corrections look at, (rows, columns)."""
    cloudy, worse = _offsets(shares)
    never = known.last < 0
    old = np.log1p(np.where(never, 0.0, known.gap_days) / LONG_DAYS)
    fresh = np.exp(-np.where(never, 0.0, known.gap_days) / LONG_DAYS)
    uncleaned = np.isnan(known.clean_days)
    since = np.log1p(np.where(uncleaned, 0.0, known.clean_days) / LONG_DAYS)
    turn = 2.0 * np.pi * day / YEAR_DAYS
    many = np.log1p(known.own[:, 0] + known.own[:, 1] + known.own[:, 2])
    wide = [
        cloudy,
        worse,
        never,
        old,
        *((known.last == code) * part for code in (0, 2) for part in (1.0, fresh)),
        many,
        many * cloudy,
        many * worse,
        *known.dirt.T,
        uncleaned,
        since,
        np.cos(turn),
        np.sin(turn),
    ]
    stacked = np.stack([np.asarray(column, float) for column in wide], axis=1)
    return np.concatenate([stacked, classes], axis=1)


def corrected(shares: Floats, x: Floats, cloudy: Logistic, worse: Logistic) -> Floats:
    """Return the chances of clear, light and heavy after both corrections."""
    first, second = _offsets(shares)
    dirty, heavy = cloudy.chance(x, first), worse.chance(x, second)
    chances = np.stack([1.0 - dirty, dirty * (1.0 - heavy), dirty * heavy], axis=1)
    kept: Floats = LEAST_CHANCE + (1.0 - len(GRADES) * LEAST_CHANCE) * chances
    return kept


def _offsets(shares: Floats) -> tuple[Floats, Floats]:
    """Return the log odds of "light or heavy", and of "heavy" among those."""
    dirty = shares[:, 1] + shares[:, 2]
    return logit(dirty), logit(shares[:, 2] / dirty)


def _sample(history: GradeHistory) -> Ints:
    rows = np.arange(len(history.grade))
    if len(rows) <= MOST_GRADINGS:
        return rows
    return np.linspace(0, len(rows) - 1, MOST_GRADINGS).round().astype(np.int64)


def _likeliest_weight(own: Floats, alike: Floats, found: Ints) -> float:
    """Return the weight of the likes under which the next gradings were likeliest."""
    if not len(found):
        return USUAL_WEIGHT
    rows = np.arange(len(found))
    score = [
        float(np.log(counted(own, alike, weight)[rows, found]).sum()) for weight in POOLED_WEIGHTS
    ]
    return POOLED_WEIGHTS[int(np.argmax(score))]


def _reason(graded: int, wet: int) -> str:
    if graded:
        return f"graded {graded} time{'s' if graded > 1 else ''}"
    if wet:
        return "water seen but never graded"
    return "water never graded"
