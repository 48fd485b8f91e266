"""Gradings by vault and time, and what had been done with the water before each."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import pandas as pd

from vaultplan.forecast.readings import sorted_visits
from vaultplan.schema import GRADES, METHODS

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Flags = npt.NDArray[np.bool_]

NO_DAY: Final = -(10**6)
#: A vault not known to have been cleaned (or pumped) counts as cleaned so long before the fleet's
#: first grading; dirt builds up as log(1 + days / LONG_DAYS); both assumed.
UNSEEN_DAYS: Final = 365.0
LONG_DAYS: Final = 180.0
MOST_CREWS: Final = 40
LEAST_OF_CREW: Final = 20  # gradings from which a crew's eye can be told; assumed


@dataclass(frozen=True, slots=True)
class Past:
    """What is known of some vaults before some days, one entry each.

    ``cleaned_day`` and ``pumped_day`` are those of the last vacuum truck and of the last pump-out
    of any kind, or ``NO_DAY``; ``had_sheen`` what the last visit that looked for sheen found.
    """

    day: Ints
    cleaned_day: Ints
    pumped_day: Ints
    had_sheen: Flags
    first_day: int

    def grown(self) -> Floats:
        """Return how far dirt has built up since cleaning, and since pumping: (2, entries).

        Notes
        -----
        ``log(1 + days / LONG_DAYS)``: fast at first, ever slower.
        """
        found = np.empty((2, len(self.day)))
        for row, done in zip(found, (self.cleaned_day, self.pumped_day), strict=True):
            never = np.maximum(self.day - self.first_day, 0) + UNSEEN_DAYS
            days = np.where(done == NO_DAY, never, np.maximum(self.day - done, 0))
            row[:] = np.log1p(days / LONG_DAYS)
        return found

    def on(self, day: Ints) -> Past:
        """Return the same as known on other days."""
        return replace(self, day=day)

    def taken(self, rows: Ints) -> Past:
        """Return some of the entries."""
        return Past(
            self.day[rows],
            self.cleaned_day[rows],
            self.pumped_day[rows],
            self.had_sheen[rows],
            self.first_day,
        )

    def spliced(self, rows: Ints, other: Past) -> Past:
        """Return this with some of the entries replaced."""
        parts: dict[str, Any] = {}
        for name in ("day", "cleaned_day", "pumped_day", "had_sheen"):
            parts[name] = getattr(self, name).copy()
            parts[name][rows] = getattr(other, name)
        return replace(self, **parts)


@dataclass(frozen=True, slots=True)
class GradeHistory:
    """Gradings sorted by vault and time; rows ``start[v]:start[v + 1]`` are those of vault v.

    ``crew`` is a crew's number or -1, ``was_raining`` how it was; ``before`` what was known before
    each grading, ``now`` what is known of each vault on the as-of day. ``wet_count`` are visits
    per vault that found water and gave no grade. ``crews`` are the names of the numbered crews.
    """

    start: Ints
    owner: Ints
    day: Ints
    grade: Ints
    crew: Ints
    was_raining: Flags
    before: Past
    now: Past
    wet_count: Ints
    crews: tuple[str, ...] = ()

    @property
    def count(self) -> Ints:
        """Gradings per vault."""
        counts: Ints = np.diff(self.start)
        return counts


def read_history(
    visits: pd.DataFrame,
    vault_ids: pd.Index[str],
    *,
    as_of_day: int,
    time_zone: str,
    crews: tuple[str, ...] | None = None,
    first_day: int | None = None,
) -> GradeHistory:
    """Return the gradings in schema table ``visits`` up to the as-of day.

    Crews are numbered as in ``crews``, and time is counted from ``first_day``, where the gradings
    belong to a history that was read before; else both are found in the visits.
    """
    visits = visits.reset_index(drop=True)
    seen, owner, day = sorted_visits(visits, vault_ids, as_of_day=as_of_day, time_zone=time_zone)
    at = seen.index.to_numpy()
    grade = np.full(len(seen), -1, np.int64)
    for code, name in enumerate(GRADES):
        grade[_true(seen["grade"].eq(name))] = code
    is_wet = _true(seen["finding"].isin(["wet", "full"])) & (grade < 0)
    cleaned = _true(seen["disposal"].eq("vacuum_truck"))
    pumped = _true(seen["disposal"].isin(METHODS))
    del seen
    sheen = visits["has_sheen"].iloc[at]
    told, found = _true(sheen.notna()), _true(sheen)
    rows, vaults = np.flatnonzero(grade >= 0), len(vault_ids)
    if first_day is None:
        first_day = int(day[rows].min(initial=as_of_day))
    came = visits["crew"].iloc[at[rows]]
    crews = _busiest(came) if crews is None else crews
    bounds = np.searchsorted(owner, np.arange(vaults + 1))

    def known(upto: Ints, owner: Ints, day: Ints) -> Past:
        first = bounds[owner]
        return Past(
            day,
            _last(cleaned, visit_day, NO_DAY, upto, first),
            _last(pumped, visit_day, NO_DAY, upto, first),
            _last(told, found.astype(np.int64), 0, upto, first) > 0,
            first_day,
        )

    # Of several visits on a day none knew what the others did.
    visit_day = day
    is_first = np.append(True, (np.diff(owner) != 0) | (np.diff(day) != 0))
    morning = np.maximum.accumulate(np.where(is_first[: len(day)], np.arange(len(day)), 0))
    return GradeHistory(
        start=np.searchsorted(owner[rows], np.arange(vaults + 1)).astype(np.int64),
        owner=owner[rows],
        day=day[rows],
        grade=grade[rows],
        crew=pd.Index(crews).get_indexer(pd.Index(came)).astype(np.int64),
        was_raining=_true(visits["was_raining"].iloc[at[rows]]),
        before=known(morning[rows], owner[rows], day[rows]),
        now=known(bounds[1:], np.arange(vaults), np.full(vaults, as_of_day)),
        wet_count=np.bincount(owner[is_wet], minlength=vaults),
        crews=crews,
    )


def _last(happened: Flags, value: Ints, never: int, upto: Ints, first: Ints) -> Ints:
    """Return the value at the last visit of ``first:upto`` at which something happened."""
    at = np.append(-1, np.maximum.accumulate(np.where(happened, np.arange(len(value)), -1)))[upto]
    found: Ints = np.where(at >= first, np.append(value, never)[at], never)
    return found


def _busiest(crew: pd.Series[str]) -> tuple[str, ...]:
    """Return the crews that graded most, in falling order."""
    code, names = pd.factorize(crew)
    count = np.bincount(code[code >= 0], minlength=len(names))
    many = [(-int(number), str(name)) for number, name in zip(count, names, strict=True)]
    return tuple(name for number, name in sorted(many) if -number >= LEAST_OF_CREW)[:MOST_CREWS]


def _true(flags: pd.Series[Any]) -> Flags:
    return flags.fillna(False).to_numpy(bool)
