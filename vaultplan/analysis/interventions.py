"""Whether vaults became cleaner after something was done to them, beside like vaults left alone.

References
----------
E. A. Stuart (2010), Matching methods for causal inference: a review and a look forward, Statistical
Science 25(1):1-21, doi:10.1214/09-STS313.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy.spatial import cKDTree

Floats = npt.NDArray[np.float64]

#: Vaults that are to be like in all of these; assumed.
ALIKE: Final = ("kind", "lid", "land_use", "has_irrigation")
#: Fewer vaults with looks before and after say nothing.
LEAST_VAULTS: Final = 10
_CONTROLS, _DRAWS, _COVERAGE = 5, 2000, 0.95


@dataclass(frozen=True, slots=True)
class Change:
    """The change of the dirty share after something was done, less that of like vaults.

    ``vaults`` has a row per vault and event: ``vault_id``, ``on``, ``before_frac``, ``after_frac``,
    ``control_count``, ``control_change_frac`` and ``change_frac``, the difference of the two
    changes. ``change_frac`` is its mean, ``low_frac`` and ``high_frac`` an interval of 95 % over
    vaults; NaN, with ``why``, where there are too few.
    """

    vaults: pd.DataFrame
    change_frac: float
    low_frac: float
    high_frac: float
    why: str = ""


def change_after(
    events: pd.DataFrame,
    looks: pd.DataFrame,
    vaults: pd.DataFrame,
    *,
    window_days: int = 730,
    seed: int = 1,
) -> Change:
    """Return how the share of dirty looks changed after the events.

    Parameters
    ----------
    events
        ``vault_id``, ``on`` (day it was done); of several at one vault the first counts.
    looks
        ``vault_id``, ``on`` (local day), ``is_dirty``: graded visits.
    vaults
        ``vault_id`` and the columns of ``ALIKE`` that are known.
    window_days
        Days before and after an event that count; the day itself does not.

    Notes
    -----
    Controls are vaults without an event, alike in ``ALIKE``, of which the five with the nearest
    share and number of looks before the same day are taken, looks after it required. Vaults are
    chosen for cleaning because they were found dirty, and then look cleaner by chance alone; a
    control that was as dirty before shares that fall back to the usual, so the difference of the
    two changes does not hold it. The interval draws vaults with replacement.
    """
    events = events.sort_values("on").drop_duplicates("vault_id")
    alike = [name for name in ALIKE if name in vaults]
    classes = vaults.set_index("vault_id")[alike].astype("str").fillna("").agg("|".join, axis=1)
    treated = set(events["vault_id"])
    by_class = classes[~classes.index.isin(treated)].groupby(classes).groups
    sides = _Sides(looks)
    rows = []
    for vault, on in events[["vault_id", "on"]].itertuples(index=False):
        before, after = sides.around([vault], on, window_days)
        others = list(by_class.get(classes.get(vault, ""), []))
        if np.isnan(before[0, 0]) or np.isnan(after[0, 0]) or not others:
            continue
        was, became = sides.around(others, on, window_days)
        known = ~np.isnan(was[:, 0]) & ~np.isnan(became[:, 0])
        if not known.any():
            continue
        near = _nearest(before[0], was[known])
        control = (became[known, 0] - was[known, 0])[near].mean()
        rows.append((vault, on, before[0, 0], after[0, 0], len(near), control))
    columns = ["vault_id", "on", "before_frac", "after_frac", "control_count"]
    told = pd.DataFrame(rows, columns=[*columns, "control_change_frac"])
    told["change_frac"] = told["after_frac"] - told["before_frac"] - told["control_change_frac"]
    if len(told) < LEAST_VAULTS:
        words = f"{len(told)} vaults have looks before and after it and like vaults beside them; "
        blank = float("nan")
        return Change(told, blank, blank, blank, f"{words}{LEAST_VAULTS} are needed")
    change = told["change_frac"].to_numpy(float)
    rng = np.random.default_rng(seed)
    means = change[rng.integers(0, len(change), (_DRAWS, len(change)))].mean(axis=1)
    low, high = np.quantile(means, [(1 - _COVERAGE) / 2, (1 + _COVERAGE) / 2])
    return Change(told, float(change.mean()), float(low), float(high))


def _nearest(own: Floats, others: Floats) -> npt.NDArray[np.int64]:
    """Return which of the others are nearest in share, then in the logarithm of looks."""
    tree = cKDTree(np.column_stack([others[:, 0], 0.25 * np.log(others[:, 1])]))
    _, near = tree.query([own[0], 0.25 * np.log(own[1])], k=min(_CONTROLS, len(others)))
    return np.atleast_1d(near)


class _Sides:
    """Dirty looks of each vault, summed up by day, so that any span is one subtraction."""

    def __init__(self, looks: pd.DataFrame) -> None:
        ordered = looks.sort_values(["vault_id", "on"])
        place, names = pd.factorize(ordered["vault_id"])
        self.names = pd.Index(names)
        self.day = ordered["on"].to_numpy("datetime64[D]").astype(np.int64)
        self.key = place.astype(np.int64) * 10_000_000 + self.day
        self.dirty = np.append(0, np.cumsum(ordered["is_dirty"].to_numpy(np.int64)))

    def around(self, vault_ids: list[str], on: pd.Timestamp, days: int) -> tuple[Floats, Floats]:
        """Return share and number of looks of each vault before and after a day; NaN without."""
        number = self.names.get_indexer(pd.Index(vault_ids)).astype(np.int64)
        day = int(np.datetime64(on, "D").astype(np.int64))
        base = number * 10_000_000 + day
        sides = []
        for low, high in ((-days, -1), (1, days)):
            first = np.searchsorted(self.key, base + low, side="left")
            last = np.searchsorted(self.key, base + high, side="right")
            count = np.where(number < 0, 0, last - first).astype(float)
            with np.errstate(invalid="ignore", divide="ignore"):
                share = (self.dirty[last] - self.dirty[first]) / count
            sides.append(np.column_stack([np.where(count > 0, share, np.nan), count]))
        return sides[0], sides[1]
