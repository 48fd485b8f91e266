"""The chance that a vault's water, if there is any, is clear, light or heavy."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy.special import gammaln

from vaultplan.errors import SchemaError
from vaultplan.forecast.readings import sorted_visits
from vaultplan.forecast.weather import day_number
from vaultplan.schema import GRADES, Frames
from vaultplan.settings import Settings

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

#: Gradings that a wider group of vaults counts for against a narrower one's own; assumed.
GROUP_WEIGHT: Final = 20.0
#: One grading of each kind before anything was seen: nothing is ever impossible; assumed.
FIRST_COUNT: Final = 1.0
#: What the vault's likes may count for, in gradings; the fleet's own counts choose among them.
POOLED_WEIGHTS: Final = (0.5, 1.0, 2.0, 3.0, 4.0, 6.0, 8.0, 12.0, 16.0, 24.0, 40.0, 80.0)


@dataclass(frozen=True, slots=True)
class GradeModel:
    """Gradings per vault as known on the as-of day; from :func:`fit_grades`.

    ``own`` (vaults, grades) are gradings that fade with age, ``alike`` the shares of the vault's
    likes without its own, ``pooled_weight`` what those count for, ``graded_count`` and
    ``wet_count`` how many visits gave a grade and how many found water but gave none.
    """

    as_of: pd.Timestamp
    vault_ids: pd.Index[str]
    own: Floats
    alike: Floats
    pooled_weight: float
    half_life_days: float
    graded_count: Ints
    wet_count: Ints

    def chances(self, points: pd.DataFrame) -> pd.DataFrame:
        """Return ``prob_clear``, ``prob_light``, ``prob_heavy`` and ``grade_reason`` per point.

        Parameters
        ----------
        points
            ``vault_id``, ``on``.

        Notes
        -----
        Mean of a Dirichlet-multinomial posterior: ``(own + w * alike) / (sum(own) + w)``. Blank
        grades and dry visits add nothing to ``own``; they are never read as clear.
        """
        vault = self.vault_ids.get_indexer(pd.Index(points["vault_id"])).astype(np.int64)
        if (vault < 0).any():
            raise SchemaError("points name vaults that are not in the vaults table")
        later = day_number(pd.to_datetime(points["on"])) - int(
            day_number(pd.DatetimeIndex([self.as_of]))[0]
        )
        fade = np.exp2(-np.maximum(later, 0) / self.half_life_days)
        counts = self.own[vault] * fade[:, None] + self.pooled_weight * self.alike[vault]
        shares = counts / (counts[:, :1] + counts[:, 1:2] + counts[:, 2:3])
        frame = pd.DataFrame(shares, columns=[f"prob_{g}" for g in GRADES], index=points.index)
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
        Schema tables ``vaults`` (``district``, ``land_use``) and ``visits``.
    as_of, settings
        Last day known; ``time_zone`` and ``forecast.grade_half_life_days``.

    Notes
    -----
    A grading of age a counts ``2 ** (-a / half-life)``. A vault's likes are those of its district
    and land use, shrunk to all of its land use, shrunk to the fleet, its own gradings left out.
    How much they count is the weight under which the fleet's counts are likeliest
    (Dirichlet-multinomial; J. E. Mosimann (1962), Biometrika 49(1/2):65-82, from memory).
    """
    vaults = frames["vaults"].sort_values("vault_id", ignore_index=True)
    vault_ids = pd.Index(vaults["vault_id"])
    as_of = pd.Timestamp(as_of).normalize()
    as_of_day = int(day_number(pd.DatetimeIndex([as_of]))[0])
    visits, owner, day = sorted_visits(
        frames["visits"], vault_ids, as_of_day=as_of_day, time_zone=settings.time_zone
    )
    half_life = settings.forecast.grade_half_life_days
    grade = pd.Categorical(visits["grade"], categories=list(GRADES)).codes.astype(np.int64)
    is_graded = grade >= 0
    weight = np.exp2(-(as_of_day - day) / half_life)
    cell = owner[is_graded] * len(GRADES) + grade[is_graded]
    size = len(vaults) * len(GRADES)
    faded: Floats = np.bincount(cell, weight[is_graded], minlength=size).astype(np.float64)
    own = faded.reshape(-1, len(GRADES))
    is_wet = visits["finding"].isin(["wet", "full"]).to_numpy(bool) & ~is_graded
    alike = _alike(vaults, own)
    return GradeModel(
        as_of=as_of,
        vault_ids=vault_ids,
        own=own,
        alike=alike,
        pooled_weight=_likeliest_weight(own, alike),
        half_life_days=half_life,
        graded_count=np.bincount(owner[is_graded], minlength=len(vaults)),
        wet_count=np.bincount(owner[is_wet], minlength=len(vaults)),
    )


def _alike(vaults: pd.DataFrame, own: Floats) -> Floats:
    fleet = own.sum(axis=0) - own + FIRST_COUNT
    share: Floats = fleet / fleet.sum(axis=1, keepdims=True)
    use = vaults["land_use"].fillna("").astype(str)
    within = use + "\x1f" + vaults["district"].fillna("").astype(str)
    for group, blank in ((use, vaults["land_use"].isna()), (within, vaults["district"].isna())):
        codes, names = pd.factorize(group, sort=True)
        total = np.stack(
            [np.bincount(codes, column, minlength=len(names)) for column in own.T], axis=1
        )
        others = np.maximum(total[codes] - own, 0.0) + GROUP_WEIGHT * share
        narrower = others / others.sum(axis=1, keepdims=True)
        share = np.where(blank.to_numpy(bool)[:, None], share, narrower)
    return share


def _likeliest_weight(own: Floats, alike: Floats) -> float:
    graded = own.sum(axis=1) > 0
    if not graded.any():
        return 4.0
    counts, shares = own[graded], alike[graded]
    total = counts.sum(axis=1)
    likelihood = []
    for weight in POOLED_WEIGHTS:
        prior = weight * shares
        terms = (gammaln(counts + prior) - gammaln(prior)).sum(axis=1)
        likelihood.append(float((terms + gammaln(weight) - gammaln(total + weight)).sum()))
    return POOLED_WEIGHTS[int(np.argmax(likelihood))]


def _reason(graded: int, wet: int) -> str:
    if graded:
        return f"graded {graded} time{'s' if graded > 1 else ''}"
    if wet:
        return "water seen but never graded"
    return "water never graded"
