"""The chance that a vault's water, if there is any, is clear, light or heavy."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy.special import logit, ndtr

from vaultplan.errors import SchemaError
from vaultplan.forecast.grade_columns import Backdrop, fit_backdrop
from vaultplan.forecast.grade_correction import Correction, fit_correction
from vaultplan.forecast.grade_filter import Standing, Unlike, follow, likeliest
from vaultplan.forecast.grade_history import NO_DAY, GradeHistory, Past, read_history
from vaultplan.forecast.weather import day_number
from vaultplan.schema import GRADES, Frames
from vaultplan.settings import Settings

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

MOST_GRADINGS: Final = 60_000  # enough to learn some sixty slopes
MOST_SEARCHED: Final = 15_000  # enough to learn five numbers
LEAST_CHANCE: Final = 0.005  # no grade is ever ruled out, nor sure; assumed
SURE: Final = 5.0  # standard deviations from a cut beyond which its logit does not grow


@dataclass(frozen=True, slots=True)
class GradeModel:
    """What gradings up to the as-of day say of every vault; from :func:`fit_grades`.

    ``growth_mean`` is the usual build-up since cleaning and since pumping. ``graded_count`` and
    ``wet_count`` are visits that gave a grade, and that found water but gave none.
    """

    as_of: pd.Timestamp
    vault_ids: pd.Index[str]
    backdrop: Backdrop
    unlike: Unlike
    standing: Standing
    now: Past
    growth_mean: Floats
    correction: Correction
    graded_count: Ints
    wet_count: Ints
    crews: tuple[str, ...] = ()

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

        Raises
        ------
        SchemaError
            If a vault is not in the vaults table.

        Notes
        -----
        What is not known is told beside the chances, not as a fourth grade: all water has one of
        the three, and that there may be none to grade is ``prob_dry``, which the depth tells. A
        fourth chance would have to be taken off the others and say nothing a crew could find.
        ``grade_known_frac`` is the share of what vaults of a class differ by (its variance) that
        the vault's own gradings have told by that day: 0 where there is none, ever less as they
        age; what is left rests on its likes. Blank grades and dry visits add nothing to it and
        are never read as clear.
        """
        vault = self.vault_ids.get_indexer(pd.Index(points["vault_id"])).astype(np.int64)
        if (vault < 0).any():
            raise SchemaError("points name vaults that are not in the vaults table")
        day = day_number(pd.to_datetime(points["on"]))
        own, variance = self.standing.own(vault, day, self.unlike)
        past = self.now.taken(vault).on(day)
        grown = past.grown()
        middle = self.backdrop.expected(vault, day) + own
        middle = middle + _built_up(self.unlike, grown, self.growth_mean)
        spread = np.sqrt(variance + self.unlike.scatter + self.backdrop.circumstance)
        x = columns(middle, spread, self.graded_count[vault], past, grown)
        chance = self.correction.chances(x, logits(middle, spread, self.backdrop.cuts))
        frame = pd.DataFrame(
            LEAST_CHANCE + (1.0 - len(GRADES) * LEAST_CHANCE) * chance,
            columns=[f"prob_{grade}" for grade in GRADES],
            index=points.index,
        )
        most = self.unlike.lasting + self.unlike.passing
        known = np.where(self.graded_count[vault] > 0, 1.0 - variance / most, 0.0) if most else 0.0
        frame["grade_known_frac"] = np.clip(known, 0.0, 1.0)
        frame["grade_reason"] = _reasons(self.graded_count, self.wet_count)[vault]
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
    A grade is a step of a hidden score. Class, place, season, the crew and rain during the visit
    say what to expect of a vault never graded (``grade_columns``). Its own gradings then move two
    parts of its score, one that lasts and one that fades (``grade_filter``); how large they are,
    how fast the second fades and how dirt builds up since the last cleaning is what foresaw the
    fleet's gradings best, each from those before it. Last, the chances so given to past gradings
    are held against what was found and corrected (``grade_correction``). Rain to come is not
    looked at: by the day of the visit nobody knows it, and that of today is long gone.
    """
    vaults = frames["vaults"].sort_values("vault_id", ignore_index=True)
    vault_ids = pd.Index(vaults["vault_id"])
    as_of = pd.Timestamp(as_of).normalize()
    history = read_history(
        frames["visits"],
        vault_ids,
        as_of_day=int(day_number(pd.DatetimeIndex([as_of]))[0]),
        time_zone=settings.time_zone,
    )
    learned = _whole_vaults(history, MOST_GRADINGS)
    backdrop = fit_backdrop(vaults, history, learned)
    searched = _whole_vaults(history, MOST_SEARCHED)
    unlike = likeliest(
        _starts(history.owner[searched], len(vaults)),
        history.before.taken(searched),
        history.grade[searched],
        backdrop.expected_then(history, searched),
        backdrop.cuts,
        settings.forecast.grade_half_life_days,
    )
    grown = history.before.grown()
    usual = grown[:, searched].mean(axis=1) if len(searched) else np.zeros(2)
    every = np.arange(len(history.day))
    offset = backdrop.expected_then(history, every) + _built_up(unlike, grown, usual)
    followed = follow(history.start, history.day, history.grade, offset, backdrop.cuts, unlike)
    middle, spread = followed.middle[learned], followed.spread[learned]
    turn = learned - history.start[history.owner[learned]]
    x = columns(middle, spread, turn, history.before.taken(learned), grown[:, learned])
    return GradeModel(
        as_of=as_of,
        vault_ids=vault_ids,
        backdrop=backdrop,
        unlike=unlike,
        standing=followed.standing,
        now=history.now,
        growth_mean=usual,
        correction=fit_correction(x, logits(middle, spread, backdrop.cuts), history.grade[learned]),
        graded_count=history.count,
        wet_count=history.wet_count,
        crews=history.crews,
    )


def regrade(
    model: GradeModel,
    frames: Frames,
    *,
    vault_ids: Sequence[str],
    as_of: pd.Timestamp,
    settings: Settings,
) -> GradeModel:
    """Return the model with what was graded since, without learning from the whole fleet anew.

    Parameters
    ----------
    model
        From :func:`fit_grades`, or from here.
    frames
        ``visits``: all visits, old and new, of the vaults in ``vault_ids`` and maybe of others.
    vault_ids
        Vaults with new or changed visits; all others stay as they were.
    as_of, settings
        As for :func:`fit_grades`; the day is that of the model.

    Raises
    ------
    SchemaError
        If a vault is not in the model, or the day is another.

    Notes
    -----
    What gradings of the fleet teach (what class, place, crew and weather say, how dirt builds up,
    the correction) stays as it was at the last full fit.
    """
    if pd.Timestamp(as_of).normalize() != model.as_of:
        raise SchemaError(f"the model is of {model.as_of:%Y-%m-%d}: fit anew for another day")
    at = np.sort(model.vault_ids.get_indexer(pd.Index(sorted(set(vault_ids)))).astype(np.int64))
    if (at < 0).any():
        raise SchemaError("a vault with new visits is not in the model: fit anew to take it in")
    own = model.vault_ids[at]
    visits = frames["visits"]
    history = read_history(
        visits[visits["vault_id"].isin(own)],
        own,
        as_of_day=int(day_number(pd.DatetimeIndex([model.as_of]))[0]),
        time_zone=settings.time_zone,
        crews=model.crews,
        first_day=model.now.first_day,
    )
    backdrop = replace(model.backdrop, level=model.backdrop.level[at])
    every = np.arange(len(history.day))
    offset = backdrop.expected_then(history, every)
    offset = offset + _built_up(model.unlike, history.before.grown(), model.growth_mean)
    followed = follow(
        history.start, history.day, history.grade, offset, backdrop.cuts, model.unlike
    )
    return replace(
        model,
        standing=model.standing.spliced(at, followed.standing),
        now=model.now.spliced(at, history.now),
        graded_count=_spliced(model.graded_count, at, history.count),
        wet_count=_spliced(model.wet_count, at, history.wet_count),
    )


def _spliced(old: Ints, at: Ints, new: Ints) -> Ints:
    whole = old.copy()
    whole[at] = new
    return whole


def logits(middle: Floats, spread: Floats, cuts: Floats) -> Floats:
    """Return the log odds of "light or heavy" and of "heavy" for scores so spread, (2, rows)."""
    beyond = [np.clip((middle - cut) / spread, -SURE, SURE) for cut in cuts]
    found: Floats = logit(ndtr(np.stack(beyond)))
    return found


def columns(middle: Floats, spread: Floats, count: Ints, past: Past, grown: Floats) -> Floats:
    """Return what the correction looks at, (rows, columns)."""
    wide = [
        middle / spread,
        spread,
        count == 0,
        np.log1p(count),
        past.cleaned_day == NO_DAY,
        *grown,
        past.had_sheen,
    ]
    return np.stack([np.asarray(column, float) for column in wide], axis=1)


def _built_up(unlike: Unlike, grown: Floats, usual: Floats) -> Floats:
    """Return what build-up since cleaning and pumping adds to a score."""
    cleaned, pumped = unlike.growth
    found: Floats = cleaned * (grown[0] - usual[0]) + pumped * (grown[1] - usual[1])
    return found


def _whole_vaults(history: GradeHistory, most: int) -> Ints:
    """Return the gradings of vaults spread evenly over the fleet, about so many at most."""
    total = len(history.owner)
    every = -(-total // most) if total else 1
    return np.flatnonzero(history.owner % every == 0)


def _starts(owner: Ints, vaults: int) -> Ints:
    return np.searchsorted(owner, np.arange(vaults + 1)).astype(np.int64)


def _reasons(graded: Ints, wet: Ints) -> npt.NDArray[np.object_]:
    """Return in words what the chances of each vault rest on."""
    words = np.where(wet > 0, "water seen but never graded", "water never graded").astype(object)
    for count in np.unique(graded[graded > 0]).tolist():
        words[graded == count] = f"graded {count} time{'s' if count > 1 else ''}"
    return words
