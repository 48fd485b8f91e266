"""A sample of vaults drawn by lot: in strata, spread over the map, with ordered replacements."""

from __future__ import annotations

import hashlib
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy.spatial import cKDTree

from vaultplan.errors import SettingsError

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

#: Lids that lie at one place, or at equal distances, are told apart by lot within so much of the
#: span of the map.
_APART: Final = 1e-9


def local_pivotal(
    points: Floats,
    mass: Ints,
    whole: int,
    rng: np.random.Generator,
    groups: Ints | None = None,
) -> npt.NDArray[np.bool_]:
    """Return which units are drawn, each with a chance of ``mass / whole``, neighbours seldom both.

    Parameters
    ----------
    points
        A row per unit: its coordinates.
    mass, whole
        Chance of each unit as a fraction in whole numbers, so that chances are kept exactly.
    rng
        Where the lots come from.
    groups
        Units are only weighed against units of the same group; one group if none is given. The
        masses of each group add up to a multiple of ``whole``.

    Raises
    ------
    SettingsError
        If a mass is not between 0 and ``whole``, or a group's masses do not add up.

    Notes
    -----
    Two units that are each other's nearest neighbour among the undecided put their chances
    together by lot: of chances a and b with a + b < 1 one gets a + b and the other none, with
    chances a / (a + b) and b / (a + b); with a + b >= 1 one is drawn and the other keeps
    a + b - 1. Each step keeps every unit's expected chance, so the chance of being drawn is
    exactly what was asked for. All pairs of mutual nearest neighbours are settled in one round:
    a pair that is settled leaves the others nearest to each other, so this is the first method of
    the reference with its pairs taken in another order, and N units take some log N rounds instead
    of N steps.

    References
    ----------
    Grafstrom, A., Lundstrom, N. L. P., Schelin, L. (2012), Spatially balanced sampling through the
    pivotal method, Biometrics 68(2), 514-520, doi:10.1111/j.1541-0420.2011.01699.x.
    """
    group = np.zeros(len(mass), dtype=np.int64) if groups is None else groups
    _check_mass(mass, whole, group)
    left = np.asarray(mass, dtype=np.int64).copy()
    place = _told_apart(points, group, rng)
    open_units = np.flatnonzero((left > 0) & (left < whole))
    while len(open_units):
        pairs = cKDTree(place[open_units]).query(place[open_units], k=2)[1]
        nearest = np.asarray(pairs)[:, 1]
        own = np.arange(len(open_units))
        first = np.flatnonzero((nearest[nearest] == own) & (own < nearest))
        if not len(first):  # equal distances in a ring, which lots tell apart
            place = _told_apart(points, group, rng)
            continue
        _settle(left, open_units[first], open_units[nearest[first]], whole, rng)
        open_units = open_units[(left[open_units] > 0) & (left[open_units] < whole)]
    return np.asarray(left == whole)


def _settle(left: Ints, one: Ints, other: Ints, whole: int, rng: np.random.Generator) -> None:
    """Put the chances of pairs together in place, by lot."""
    both = left[one] + left[other]
    joined = both < whole
    # Under whole, the first keeps all with its own share of both; from whole on, it is drawn with
    # what the other lacks, as a share of what both lack.
    favour = np.where(joined, left[one], whole - left[other])
    out_of = np.where(joined, both, 2 * whole - both)
    first = rng.integers(0, out_of) < favour
    more = np.where(joined, both, whole)
    less = both - more
    left[one] = np.where(first, more, less)
    left[other] = np.where(first, less, more)


def _told_apart(points: Floats, group: Ints, rng: np.random.Generator) -> Floats:
    """Return the points, ties broken by lot, and groups so far apart that none meets another."""
    place = points - points.mean(axis=0) if len(points) else points
    span = float(np.ptp(place, axis=0).max()) if len(points) else 0.0
    span = span or 1.0
    place = place + rng.uniform(-0.5, 0.5, place.shape) * span * _APART
    apart = 2.0 * span * np.sqrt(place.shape[1])
    return np.column_stack([place, group * apart])


def _check_mass(mass: Ints, whole: int, group: Ints) -> None:
    if whole < 1 or (len(mass) and (mass.min() < 0 or mass.max() > whole)):
        raise SettingsError("every unit's chance must lie between 0 and 1")
    if len(mass) and (np.bincount(group, mass) % whole).any():
        raise SettingsError("the chances of each group must add up to a whole number")


def voronoi_variance(points: Floats, chance: Floats, drawn: npt.NDArray[np.bool_]) -> float:
    """Return how unevenly a sample is spread: 0 if each drawn unit stands for a chance of one.

    Parameters
    ----------
    points, chance
        Coordinates of all units, and the chance that each had.
    drawn
        Which were drawn, at least one.

    Notes
    -----
    Every unit's chance goes to the drawn unit nearest to it, in equal parts where several lie at
    one place; the result is the mean over drawn units of (sum - 1) squared.

    References
    ----------
    Stevens, D. L., Olsen, A. R. (2004), Spatially balanced sampling of natural resources, Journal
    of the American Statistical Association 99(465), 262-278, doi:10.1198/016214504000000250.
    """
    spots, at = np.unique(points[drawn], axis=0, return_inverse=True)
    nearest = cKDTree(spots).query(points)[1]
    here = np.bincount(at.ravel(), minlength=len(spots))
    sums = np.bincount(nearest, weights=chance, minlength=len(spots))
    return float((here * (sums / here - 1.0) ** 2).sum() / here.sum())


def allocate(sizes: pd.Series[int], count: int, *, least: int, equal: bool) -> pd.Series[int]:
    """Return how many to draw of each stratum.

    Parameters
    ----------
    sizes
        Units of each stratum.
    count
        Samples in all.
    least
        Of each stratum no fewer than this, or all that it has.
    equal
        As many of each stratum, instead of a share of each.

    Raises
    ------
    SettingsError
        If ``count`` is more than there are units, or less than the strata need.

    Notes
    -----
    What goes beyond ``least`` is shared out by the largest remainders, never above a stratum's
    size.
    """
    if count > int(sizes.sum()):
        raise SettingsError(f"{count:,} samples are asked for, {int(sizes.sum()):,} can be drawn")
    got = np.minimum(sizes.to_numpy(), least).astype(np.int64)
    if count < int(got.sum()):
        raise SettingsError(
            f"{len(sizes):,} strata with at least {least} samples each need {int(got.sum()):,}, "
            f"not {count:,}; draw more, set samples.draw_least lower, or take fewer strata"
        )
    size = sizes.to_numpy(dtype=np.int64)
    wish = np.full(len(size), 1.0) if equal else size.astype(float)
    wanted = wish / wish.sum() * count
    while got.sum() < count:
        short = np.where(got < size, wanted - got, -np.inf)
        got[int(np.argmax(short))] += 1
    return pd.Series(got, index=sizes.index, dtype="int64")


def draw_sample(
    frame: pd.DataFrame,
    *,
    count: int,
    seed: int,
    reserve_frac: float = 1.0,
    least: int = 2,
    equal: bool = False,
) -> pd.DataFrame:
    """Return the vaults drawn, and replacements in the order in which they are to be used.

    Parameters
    ----------
    frame
        vault_id, stratum, x and y (one unit of length), a row for each vault that can be drawn, in
        any order.
    count
        Samples in all.
    seed
        Seed of the lots: the same frame and seed give the same draw, and what changes in one
        stratum changes nothing in another.
    reserve_frac
        Replacements per sample, rounded up, as far as a stratum has vaults left.
    least, equal
        As for :func:`allocate`.

    Returns
    -------
    pandas.DataFrame
        By stratum and number: ``stratum``, ``role`` (sample, replacement), ``number`` (place in
        the role within its stratum, 1 first), ``vault_id``, ``inclusion_prob`` (chance of being in
        the sample), ``listed_prob`` (of being a sample or a replacement), ``weight`` (vaults that
        a sample stands for, blank for replacements), ``stratum_vaults`` and ``stratum_samples``.

    Raises
    ------
    SettingsError
        As :func:`allocate`; or if no vault can be drawn.

    Notes
    -----
    Of each stratum, samples and replacements are drawn together by :func:`local_pivotal`, then the
    samples out of them by the same method. Replacements are halved by it again and again, the
    smallest half coming first: whatever number is used of them is spread over the stratum as well.
    """
    if frame.empty:
        raise SettingsError("no vault can be drawn; see the reasons for which vaults are left out")
    units = frame.sort_values("vault_id", ignore_index=True)
    sizes = units.groupby("stratum", sort=True).size()
    counts = allocate(sizes, count, least=least, equal=equal)
    parts = []
    for stratum, mine in units.groupby("stratum", sort=True):
        wanted = int(counts[stratum])
        if not wanted:
            continue
        listed = min(len(mine), wanted + int(np.ceil(wanted * reserve_frac)))
        points = mine[["x", "y"]].to_numpy(float)
        order = _ordered(points, wanted, listed, _lots(seed, str(stratum)))
        numbers = np.concatenate([np.arange(wanted), np.arange(listed - wanted)]) + 1
        is_sample = np.arange(listed) < wanted
        parts.append(
            pd.DataFrame(
                {
                    "stratum": str(stratum),
                    "role": np.where(is_sample, "sample", "replacement"),
                    "number": numbers,
                    "vault_id": mine["vault_id"].to_numpy(dtype=object)[order],
                    "inclusion_prob": wanted / len(mine),
                    "listed_prob": listed / len(mine),
                    "weight": np.where(is_sample, len(mine) / wanted, np.nan),
                    "stratum_vaults": len(mine),
                    "stratum_samples": wanted,
                }
            )
        )
    drawn = pd.concat(parts, ignore_index=True)
    return drawn.astype({"stratum": "str", "role": "str", "vault_id": "str"})


def _ordered(points: Floats, wanted: int, listed: int, rng: np.random.Generator) -> Ints:
    """Return the rows drawn: samples first, then replacements in order."""
    rows = np.arange(len(points))
    master = rows[_even(points, listed, rng)]
    is_sample = _even(points[master], wanted, rng)
    samples, spare = master[is_sample], master[~is_sample]
    later: list[Ints] = []
    while len(spare) > 1:
        keep = _even(points[spare], (len(spare) + 1) // 2, rng)
        later.append(rng.permutation(spare[~keep]))
        spare = spare[keep]
    return np.concatenate([rng.permutation(samples), spare, *later[::-1]])


def _even(points: Floats, count: int, rng: np.random.Generator) -> npt.NDArray[np.bool_]:
    """Return which are drawn with equal chances."""
    mass = np.full(len(points), count, dtype=np.int64)
    return local_pivotal(points, mass, len(points), rng)


def _lots(seed: int, stratum: str) -> np.random.Generator:
    """Return the lots of one stratum, whatever other strata there are."""
    own = int.from_bytes(hashlib.sha256(stratum.encode()).digest()[:8], "big")
    return np.random.default_rng([seed, own])


def frame_version(frame: pd.DataFrame) -> str:
    """Return a short hash of who could be drawn, from which stratum and where."""
    plain = frame[["vault_id", "stratum", "x", "y"]].sort_values("vault_id", ignore_index=True)
    rows: npt.NDArray[Any] = pd.util.hash_pandas_object(plain, index=False).to_numpy()
    return hashlib.sha256(rows.tobytes()).hexdigest()[:12]


def spread_of(frame: pd.DataFrame, drawn: pd.DataFrame, *, seed: int, trials: int = 20) -> Floats:
    """Return the unevenness of a draw's samples, and the mean of draws that heed no place.

    Parameters
    ----------
    frame, drawn
        As given to :func:`draw_sample`, and what it returned.
    seed, trials
        Of the draws to compare with: as many of each stratum, by lot alone.

    Returns
    -------
    numpy.ndarray
        Two values of :func:`voronoi_variance`.
    """
    samples = drawn[drawn["role"] == "sample"]
    chances = samples.groupby("stratum")["inclusion_prob"].first()
    mine = frame[frame["stratum"].isin(chances.index)].reset_index(drop=True)
    chance = mine["stratum"].map(chances).to_numpy(float)
    points = mine[["x", "y"]].to_numpy(float)
    own = mine["vault_id"].isin(samples["vault_id"]).to_numpy(bool)
    stratum = mine["stratum"].astype("category").cat.codes.to_numpy()
    counts = np.bincount(stratum[own], minlength=int(stratum.max()) + 1)
    rng = np.random.default_rng(seed)
    others = []
    for _ in range(trials):
        order = np.lexsort((rng.random(len(mine)), stratum))
        place = np.arange(len(mine)) - np.searchsorted(stratum[order], stratum[order])
        drawn_by_lot = np.zeros(len(mine), dtype=bool)
        drawn_by_lot[order] = place < counts[stratum[order]]
        others.append(voronoi_variance(points, chance, drawn_by_lot))
    return np.array([voronoi_variance(points, chance, own), float(np.mean(others))])
