"""Looks at the water that a forecast can be held against, and pump-outs that were looked at again.

What a visit found is known here to the end of the record: nothing of it may reach a forecast.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt
import pandas as pd

from vaultplan.forecast.readings import (
    DRY,
    DRY_IN,
    FULL,
    NEVER,
    read_visits,
    sorted_visits,
)
from vaultplan.forecast.vaults import no_shallower, vault_rooms
from vaultplan.schema import GRADES, Frames
from vaultplan.settings import Settings

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

NO_GRADE: Final = -1
#: No refill is forecast further than this.
LONGEST_LOOK_DAYS: Final = 90


@dataclass(frozen=True, slots=True)
class Looks:
    """Every look at the water up to a day, sorted by vault and time.

    ``vault`` is the row of the vault in the order of ``vault_id``; ``since`` the day of the last
    known state before, ``left_in`` the depth then; ``depth_in`` is 0 where the vault was dry and
    ``room_in``, the whole depth, where it was full; ``grade`` 0 to 2, or ``NO_GRADE``.
    ``was_dry_before`` marks looks before which the vault had been found dry, not pumped dry.
    ``graded_vault``, ``graded_day`` and ``graded`` are all gradings, also those without a depth.
    """

    vault: Ints
    day: Ints
    since: Ints
    left_in: Floats
    depth_in: Floats
    room_in: Floats
    grade: Ints
    was_dry_before: npt.NDArray[np.bool_]
    graded_vault: Ints
    graded_day: Ints
    graded: Ints

    def first_after(self, origin_day: int, until_day: int) -> Ints:
        """Return the rows of each vault's first look in ``origin_day < day <= until_day``.

        A vault that was pumped in between without a look at its water is left out: its state on
        the day of the look was not what a forecast of the origin day could know.
        """
        inside = (self.day > origin_day) & (self.day <= until_day)
        return np.flatnonzero(inside & (self.since <= origin_day))

    def after_pumping(
        self, origin_day: int, until_day: int, longest_days: int = LONGEST_LOOK_DAYS
    ) -> Ints:
        """Return the rows of looks at vaults pumped dry in ``origin_day < day <= until_day``.

        The look came at most ``longest_days`` after the pump-out.
        """
        chosen = (self.since > origin_day) & (self.since <= until_day)
        chosen &= (self.day - self.since <= longest_days) & (self.left_in < DRY_IN)
        return np.flatnonzero(chosen & ~self.was_dry_before)

    def known_after_pumping(self, origin_day: int) -> Ints:
        """Return the rows of looks up to the origin day at vaults that had been pumped dry."""
        rows = self.after_pumping(NEVER, origin_day)
        return rows[self.day[rows] <= origin_day]

    def gradings(self, until_day: int) -> tuple[Ints, Ints]:
        """Return vault and grade of every grading up to a day."""
        known = self.graded_day <= until_day
        return self.graded_vault[known], self.graded[known]


def looks_of(frames: Frames, *, until_day: int, settings: Settings) -> Looks:
    """Return the looks at the water in schema tables ``vaults`` and ``visits`` up to a day."""
    vaults = frames["vaults"].sort_values("vault_id", ignore_index=True)
    visits, owner, day = sorted_visits(
        frames["visits"],
        pd.Index(vaults["vault_id"]),
        as_of_day=until_day,
        time_zone=settings.time_zone,
    )
    deepest = np.zeros(len(vaults))
    np.maximum.at(deepest, owner, np.nan_to_num(visits["depth_in"].to_numpy(float)))
    rooms = no_shallower(vault_rooms(vaults, gear_frac=settings.forecast.gear_frac), deepest)
    room, area = rooms["depth_in"].to_numpy(float), rooms["area_sqft"].to_numpy(float)
    readings = read_visits(visits, owner, day, room_depth_in=room, area_sqft=area)
    vault = np.repeat(np.arange(len(vaults)), np.diff(readings.start))
    same = np.append(False, vault[1:] == vault[:-1])
    before = np.append(-1, readings.day[:-1])
    was_dry = np.append(False, readings.kind[:-1] == DRY)
    depth = np.where(readings.kind == DRY, 0.0, readings.depth_in)
    grade = pd.Categorical(visits["grade"], categories=list(GRADES)).codes.astype(np.int64)
    grade[visits["finding"].eq("dry").fillna(False).to_numpy(bool)] = NO_GRADE
    is_graded = grade != NO_GRADE
    saw = np.flatnonzero(~visits["finding"].eq("not_seen").fillna(False).to_numpy(bool))
    return Looks(
        vault=vault,
        day=readings.day,
        since=readings.since,
        left_in=readings.left_in,
        depth_in=np.where(readings.kind == FULL, room[vault], depth),
        room_in=room[vault],
        grade=_on_days(owner[saw], day[saw], grade[saw], vault, readings.day),
        was_dry_before=same & was_dry & (before == readings.since),
        graded_vault=owner[is_graded],
        graded_day=day[is_graded],
        graded=grade[is_graded],
    )


def dates_of(day: Ints) -> npt.NDArray[np.datetime64]:
    """Return day numbers as dates."""
    return day.astype("datetime64[D]").astype("datetime64[s]")


def _on_days(owner: Ints, day: Ints, grade: Ints, vault: Ints, on: Ints) -> Ints:
    """Return the grade that the first visit of each vault's day wrote down, if it did."""
    if not len(vault):
        return np.zeros(0, np.int64)
    first_day = int(day.min())
    span = int(day.max()) - first_day + 1
    key, first = np.unique(owner * span + day - first_day, return_index=True)
    found: Ints = grade[first[np.searchsorted(key, vault * span + on - first_day)]]
    return found
