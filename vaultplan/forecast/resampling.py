"""How far means may be off: computed again with vaults and origins drawn with replacement."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Resampled:
    """Groups of one kind: their ``names``, ``points`` and ``vaults``, and means of all columns.

    ``mean`` is (groups, columns), ``draws`` (replicates, groups, columns); a group that a
    replicate drew nothing of is blank there.
    """

    names: tuple[str, ...]
    points: Ints
    vaults: Ints
    mean: Floats
    draws: Floats


def resample(
    points: pd.DataFrame,
    values: Floats,
    groups: Mapping[str, pd.Series[str]],
    *,
    seed: int,
    replicates: int,
) -> dict[str, Resampled]:
    """Return the means of each group, and what they are when drawn again.

    Parameters
    ----------
    points
        ``vault_id`` and ``origin_on`` of each row of ``values``.
    values
        (points, columns).
    groups
        Ways to part the points, each with the group of every point.
    seed, replicates
        Of the draws. The draws of a vault are the same whatever the order of the rows.
    """
    vault = pd.factorize(points["vault_id"], sort=True)[0].astype(np.int64)
    origin = pd.factorize(points["origin_on"], sort=True)[0].astype(np.int64)
    vaults, origins = int(vault.max()) + 1, int(origin.max()) + 1
    draw = np.random.default_rng(seed)
    parted = {name: pd.factorize(group, sort=True) for name, group in groups.items()}
    every = np.ones(len(points))
    means = {
        name: _means(values, every, code, len(names)) for name, (code, names) in parted.items()
    }
    draws = {name: np.empty((replicates, *mean.shape)) for name, mean in means.items()}
    for replicate in range(replicates):
        weight = _drawn(draw, vaults)[vault]
        if origins > 1:
            weight = weight * _drawn(draw, origins)[origin]
        for name, (code, names) in parted.items():
            draws[name][replicate] = _means(values, weight, code, len(names))
    told = {}
    for name, (code, names) in parted.items():
        pairs = np.unique(code.astype(np.int64) * vaults + vault) // vaults
        told[name] = Resampled(
            names=tuple(str(each) for each in names),
            points=np.bincount(code, minlength=len(names)).astype(np.int64),
            vaults=np.bincount(pairs, minlength=len(names)).astype(np.int64),
            mean=means[name],
            draws=draws[name],
        )
    return told


def _drawn(draw: np.random.Generator, count: int) -> Floats:
    """Return how often each of so many is drawn when as many are drawn with replacement."""
    return np.bincount(draw.integers(0, count, count), minlength=count).astype(np.float64)


def _means(values: Floats, weight: Floats, code: Ints, groups: int) -> Floats:
    total = np.bincount(code, weight, minlength=groups)
    sums = np.stack(
        [np.bincount(code, weight * column, minlength=groups) for column in values.T], axis=1
    )
    means: Floats = np.divide(
        sums, total[:, None], out=np.full(sums.shape, np.nan), where=total[:, None] > 0
    )
    return means
