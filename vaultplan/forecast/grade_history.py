"""What gradings say of a vault's dirt on a day: what was known of it before that day."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy.spatial import cKDTree

from vaultplan.schema import GRADES

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

#: Gradings that a wider group of vaults counts for against a narrower one's own; assumed.
GROUP_WEIGHT: Final = 20.0
NEIGHBOUR_WEIGHT: Final = 10.0  # the same, for the nearest vaults against the group; assumed
#: One grading of each kind before anything was seen: nothing is ever impossible; assumed.
FIRST_COUNT: Final = 1.0
NEIGHBOURS: Final = 15
#: How many times faster than the half-life the averages fade: a vault's dirt drifts, and how fast
#: is learned from what follows; and how many gradings the likes count for in them; assumed.
FADINGS: Final = (4.0, 1.0, 0.25)
LIKES_COUNT: Final = 1.5
DAYS_APART: Final = 10**6  # more days than any two of a record lie apart
#: Days after which a gap, or a time since cleaning, counts as long; assumed.
LONG_DAYS: Final = 180.0
CLASSES: Final = ("land_use", "lid", "setting", "soil_group", "kind")
HEIGHTS: Final = ("rim_elev_ft", "water_table_ft")
MOST_LEVELS: Final = 8


@dataclass(frozen=True, slots=True)
class GradeHistory:
    """Gradings sorted by vault and day; rows ``start[v]:start[v + 1]`` are those of vault v.

    ``cleaned`` holds ``vault * DAYS_APART + day`` of the visits of a vacuum truck, sorted: it takes
    the sediment with the water.
    """

    start: Ints
    owner: Ints
    day: Ints
    grade: Ints
    cleaned: Ints


@dataclass(frozen=True, slots=True)
class Known:
    """What was known before each of some days: one entry per vault and day asked for.

    ``own`` (rows, grades) are gradings that fade with age, ``dirt`` (rows, fadings) how much
    dirtier than the likes they were on average, a grade apart being 1, ``last`` the last grade or
    -1, ``gap_days`` days since it, ``clean_days`` days since a vacuum truck was there (NaN if
    never).
    """

    own: Floats
    dirt: Floats
    last: Ints
    gap_days: Floats
    clean_days: Floats


def read_history(visits: pd.DataFrame, owner: Ints, day: Ints, vaults: int) -> GradeHistory:
    """Return the gradings in visits sorted by vault and time, as of ``readings.sorted_visits``."""
    code = pd.Categorical(visits["grade"], categories=list(GRADES)).codes.astype(np.int64)
    rows = np.flatnonzero(code >= 0)
    taken = np.flatnonzero(visits["disposal"].eq("vacuum_truck").fillna(False).to_numpy(bool))
    return GradeHistory(
        start=np.searchsorted(owner[rows], np.arange(vaults + 1)).astype(np.int64),
        owner=owner[rows],
        day=day[rows],
        grade=code[rows],
        cleaned=np.sort(owner[taken] * DAYS_APART + day[taken]),
    )


def known_before(
    history: GradeHistory, vault: Ints, day: Ints, upto: Ints, half_life_days: float, alike: Floats
) -> Known:
    """Return what the gradings before row ``upto`` of each vault said by a day.

    A grading of age a counts ``2 ** (-a / half-life)``; ``alike`` (vaults, grades) are the shares
    of the vault's likes.
    """
    usual = alike[vault, 1] + 2.0 * alike[vault, 2]
    dirt = []
    for faster in FADINGS:
        own = _faded(history, vault, day, upto, half_life_days / faster)
        count = own[:, 0] + own[:, 1] + own[:, 2]
        dirt.append((own[:, 1] + 2.0 * own[:, 2] - count * usual) / (count + LIKES_COUNT))
        if faster == 1.0:
            kept = own
    has_last = upto > history.start[vault]
    before = np.where(has_last, upto - 1, 0)
    padded_grade, padded_day = np.append(history.grade, -1), np.append(history.day, 0)
    last = np.where(has_last, padded_grade[before], -1)
    gap = np.where(has_last, np.maximum(day - padded_day[before], 0), np.nan)
    at = np.searchsorted(history.cleaned, vault * DAYS_APART + day) - 1
    cleaned = np.append(history.cleaned, -1)[at]
    is_own = (at >= 0) & (cleaned // DAYS_APART == vault)
    since = np.where(is_own, day - cleaned % DAYS_APART, np.nan)
    return Known(kept, np.stack(dirt, axis=1), last, gap, since)


def _faded(
    history: GradeHistory, vault: Ints, day: Ints, upto: Ints, half_life_days: float
) -> Floats:
    """Return the gradings of each kind before row ``upto``, each faded with its age by the day."""
    base = int(history.day.min(initial=0))
    grown = np.exp2((history.day - base) / half_life_days)
    own = np.empty((len(vault), len(GRADES)))
    for code in range(len(GRADES)):
        running = np.append(0.0, np.cumsum(np.where(history.grade == code, grown, 0.0)))
        own[:, code] = running[upto] - running[history.start[vault]]
    faded: Floats = np.maximum(own, 0.0) * np.exp2(-(day - base) / half_life_days)[:, None]
    return faded


def likes(vaults: pd.DataFrame, own: Floats) -> Floats:
    """Return the shares of each grade (vaults, grades) among a vault's likes, without its own.

    Those of its district and land use, shrunk to all of its land use, shrunk to the fleet; then
    the nearest vaults that were ever graded, shrunk to those.
    """
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
    return _with_neighbours(vaults, own, share)


def _with_neighbours(vaults: pd.DataFrame, own: Floats, share: Floats) -> Floats:
    graded = own.sum(axis=1) > 0
    if "geometry" not in vaults or not graded.any():
        return share
    placed = vaults.geometry.notna().to_numpy(bool)
    known, asked = np.flatnonzero(graded & placed), np.flatnonzero(placed)
    if len(known) < 2:
        return share
    where = np.column_stack([vaults.geometry[placed].x, vaults.geometry[placed].y])
    spots = where[np.searchsorted(asked, known)]
    near = min(NEIGHBOURS + 1, len(known))
    found = known[cKDTree(spots).query(where, k=near)[1]]
    counts = np.zeros((len(asked), own.shape[1]))
    for column in range(near):
        other = found[:, column] != asked
        # A vault that was never graded is not among its own neighbours: it leaves out the last.
        other &= (column < NEIGHBOURS) | graded[asked]
        # No one neighbour outweighs the others by having been graded often.
        heard = own[found[:, column]]
        heard = heard / np.maximum(heard.sum(axis=1, keepdims=True), 1.0)
        counts += np.where(other[:, None], heard, 0.0)
    near_share = share.copy()
    pulled = counts + NEIGHBOUR_WEIGHT * share[asked]
    near_share[asked] = pulled / pulled.sum(axis=1, keepdims=True)
    return near_share


def class_columns(vaults: pd.DataFrame) -> Floats:
    """Return the vaults' classes as columns of 0 and 1 (vaults, columns); blanks are all 0.

    Behind them how high the vault lies and how deep groundwater is, blanks at their mean.
    """
    columns: list[npt.NDArray[Any]] = []
    for name in CLASSES:
        values = vaults[name]
        counts = values.value_counts()
        levels = sorted(counts[counts >= max(0.01 * len(values), 5)].index)[:MOST_LEVELS]
        columns += [values.eq(level).fillna(False).to_numpy(bool) for level in levels[1:]]
    for name in HEIGHTS:
        height = vaults[name].to_numpy(float)
        known = height[np.isfinite(height)]
        columns.append(np.nan_to_num(height, nan=known.mean() if len(known) else 0.0))
    return np.stack(columns, axis=1).astype(float)
