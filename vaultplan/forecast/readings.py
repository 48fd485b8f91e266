"""What visits say about the water: readings since the last emptying, and what was left behind."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import pandas as pd

from vaultplan.forecast.weather import local_day_number
from vaultplan.schema import METHODS
from vaultplan.units import IN_PER_FT, cuft_from_gal

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

WHAT_WAS_SEEN: Final = (
    "finding",
    "depth_in",
    "left_depth_in",
    "grade",
    "disposal",
    "volume_gal",
)
MEASURED, DRY, FULL = 0, 1, 2
DRY_IN: Final = 1.0  # less water than this counts as dry, as `forecasts.prob_dry` declares
FULL_FRAC: Final = 0.95  # from this share of the depth a vault is full, as `prob_full` declares
NEVER: Final = -(10**6)  # day of the last emptying where none is known
#: What a pump-out is credited with leaving behind: at least this share of the depth and these
#: inches, else the gallons written down are taken for all there was; assumed.
LEFT_FRAC, LEFT_IN = 0.25, 4.0


@dataclass(frozen=True, slots=True)
class Readings:
    """Depth readings sorted by vault and time, and the state each vault was last left in.

    ``start[v]:start[v + 1]`` are the rows of vault v. Each row: ``day``, ``since`` (day of the
    last known state before it, or NEVER), ``left_in`` (depth then), ``depth_in`` and ``kind``
    (MEASURED, DRY: less than 1 in, FULL: at least 95 % of the depth). Per vault: ``last_since``
    and ``last_left_in`` (state to forecast from), ``visit_count`` (visits that saw the water),
    ``lid_count`` (all visits) and ``last_seen_day``.
    """

    start: Ints
    day: Ints
    since: Ints
    left_in: Floats
    depth_in: Floats
    kind: npt.NDArray[np.int8]
    last_since: Ints
    last_left_in: Floats
    visit_count: Ints
    lid_count: Ints
    last_seen_day: Ints


def sorted_visits(
    visits: pd.DataFrame, vault_ids: pd.Index[str], *, as_of_day: int, time_zone: str
) -> tuple[pd.DataFrame, Ints, Ints]:
    """Return what was seen by the as-of day, by vault and time, with vault rows and days.

    Only the columns ``WHAT_WAS_SEEN`` come back: at five million visits the others are heavy.
    Visits to vaults that are not in ``vault_ids`` are left out.
    """
    day = local_day_number(visits["visited_at"], time_zone)
    vault = vault_ids.get_indexer(pd.Index(visits["vault_id"])).astype(np.int64)
    rows = np.flatnonzero((day <= as_of_day) & (vault >= 0))
    at = visits["visited_at"].dt.tz_localize(None).to_numpy("datetime64[ms]").astype(np.int64)
    rows = rows[np.lexsort((at[rows], vault[rows]))]
    same = (vault[rows[1:]] == vault[rows[:-1]]) & (at[rows[1:]] == at[rows[:-1]])
    if same.any():
        tied = np.flatnonzero(np.append(same, False) | np.insert(same, 0, False))
        name = visits["visit_id"].to_numpy()[rows[tied]].astype(str)
        rows[tied] = rows[tied][np.lexsort((name, at[rows[tied]], vault[rows[tied]]))]
    return visits[list(WHAT_WAS_SEEN)].iloc[rows], vault[rows], day[rows]


def read_visits(
    visits: pd.DataFrame, vault: Ints, day: Ints, *, room_depth_in: Floats, area_sqft: Floats
) -> Readings:
    """Return the readings in sorted visits.

    Parameters
    ----------
    visits
        From :func:`sorted_visits`: ``finding``, ``depth_in``, ``left_depth_in``, ``disposal``,
        ``volume_gal``.
    vault, day
        Row of the vault and day number of each visit.
    room_depth_in, area_sqft
        Per vault, from :func:`vaultplan.forecast.vaults.vault_rooms`.

    Notes
    -----
    A wet visit without a depth is read from the gallons removed if all of it was removed. After
    a visit the vault holds ``left_depth_in``; if blank, what the gallons removed leave of the
    depth (see ``LEFT_FRAC``) after a pump-out, and what was found if nothing was pumped.
    """
    room = room_depth_in[vault]
    finding = visits["finding"].fillna("")
    is_dry = finding.eq("dry").to_numpy(bool)
    is_full = finding.eq("full").to_numpy(bool)
    was_seen = ~finding.eq("not_seen").to_numpy(bool)
    depth = np.clip(visits["depth_in"].to_numpy(float), 0.0, room)
    left = np.clip(visits["left_depth_in"].to_numpy(float), 0.0, room)
    gal = visits["volume_gal"].to_numpy(float)
    pumped = visits["disposal"].isin(METHODS).to_numpy(bool)
    pumped = pumped | (visits["disposal"].isna().to_numpy(bool) & (np.nan_to_num(gal) > 0))
    removed = cuft_from_gal(gal) / area_sqft[vault] * IN_PER_FT
    blank = np.isnan(depth)
    guessed = np.where(pumped & (gal > 0), removed + np.nan_to_num(left), np.nan)
    depth = np.where(blank & ~is_dry & ~is_full, np.clip(guessed, 0.0, room), depth)
    depth = np.where(blank & is_dry, 0.0, np.where(blank & is_full, room, depth))
    kind = np.full(len(depth), MEASURED, np.int8)
    kind[depth < DRY_IN] = DRY
    kind[depth >= FULL_FRAC * room] = FULL
    is_reading = was_seen & ~np.isnan(depth)

    rest = depth - removed
    kept = np.where((rest > LEFT_FRAC * room) & (rest > LEFT_IN), rest, 0.0)
    after = np.where(~np.isnan(left), left, np.where(pumped, kept, depth))
    after = np.where(is_reading | pumped | ~np.isnan(left), after, np.nan)
    resets = ~np.isnan(after)

    vaults = len(room_depth_in)
    bounds = np.searchsorted(vault, np.arange(vaults + 1))
    # latest[i] is the last visit before visit i that left a known state, in whichever vault.
    latest = np.append(-1, np.maximum.accumulate(np.where(resets, np.arange(len(vault)), -1)))
    since, carried = _state(latest[:-1], bounds[vault], day, after)
    last_since, last_left = _state(latest[bounds[1:]], bounds[:-1], day, after)

    counted = np.append(0, np.cumsum(is_reading))
    visit_count = counted[bounds[1:]] - counted[bounds[:-1]]
    seen_at = np.append(-1, np.maximum.accumulate(np.where(is_reading, np.arange(len(vault)), -1)))
    last_seen = np.where(visit_count > 0, np.append(day, 0)[seen_at[bounds[1:]]], NEVER)
    # A second look on the day of the emptying says nothing about inflow.
    use = is_reading & (day > since)
    used = np.append(0, np.cumsum(use))
    return Readings(
        start=used[bounds].astype(np.int64),
        day=day[use],
        since=since[use],
        left_in=carried[use],
        depth_in=depth[use],
        kind=kind[use],
        last_since=last_since,
        last_left_in=last_left,
        visit_count=visit_count.astype(np.int64),
        lid_count=np.diff(bounds).astype(np.int64),
        last_seen_day=last_seen,
    )


def _state(visit: Ints, first: Ints, day: Ints, after: Floats) -> tuple[Ints, Floats]:
    """Return day and depth left by each visit, or NEVER and 0 if it is not the vault's own."""
    own = visit >= first
    since = np.full(len(visit), NEVER, np.int64)
    left = np.zeros(len(visit))
    since[own], left[own] = day[visit[own]], after[visit[own]]
    return since, left


def spliced(old: Readings, vaults: Ints, new: Readings) -> Readings:
    """Return readings in which those of some vaults, given in ascending order, are replaced."""
    count = np.diff(old.start)
    owner = np.repeat(np.arange(len(count)), count)
    is_new = np.zeros(len(count), bool)
    is_new[vaults] = True
    kept = np.flatnonzero(~is_new[owner])
    owners = np.concatenate([owner[kept], np.repeat(vaults, np.diff(new.start))])
    order = np.argsort(owners, kind="stable")
    count[vaults] = np.diff(new.start)
    merged: dict[str, npt.NDArray[Any]] = {"start": np.append(0, np.cumsum(count))}
    for name in ("day", "since", "left_in", "depth_in", "kind"):
        both = np.concatenate([getattr(old, name)[kept], getattr(new, name)])
        merged[name] = both[order]
    for name in ("last_since", "last_left_in", "visit_count", "lid_count", "last_seen_day"):
        merged[name] = getattr(old, name).copy()
        merged[name][vaults] = getattr(new, name)
    return Readings(**merged)
