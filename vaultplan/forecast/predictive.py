"""From a vault's posterior to chances of depths on a day whose rain is not known yet."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise
from typing import Final

import numpy as np
import numpy.typing as npt

from vaultplan.forecast.distribution import student_chance
from vaultplan.forecast.features import RAIN_TERMS
from vaultplan.forecast.posterior import Posterior

Floats = npt.NDArray[np.float64]

#: Chance that a vault holds what nothing on record speaks for: a main burst, a lid was left open, a
#: wall cracked. Depths are then the likelier the deeper; assumed, and tried on invented fleets.
SURPRISE: Final = 0.03
GROUPS = 8  # futures are summed up in this many, each with a spread of its own


def expected(x: Floats, rain: Floats, posterior: Posterior) -> Floats:
    """Return the filled share that each future leads to: (points, members).

    ``x`` (p, points) and ``rain`` (series, points, members) are scaled as the posterior is.
    """
    base = np.zeros(x.shape[1])
    for column, coefficient in zip(x, posterior.mean, strict=True):
        base += column * coefficient
    mu: Floats = np.repeat(base[:, None], rain.shape[2], axis=1)
    for series, coefficient in zip(rain, posterior.mean[RAIN_TERMS], strict=True):
        mu += series * coefficient[:, None]
    return mu


def with_mean_rain(x: Floats, rain: Floats) -> Floats:
    """Return the columns with the mean rain of all futures put on."""
    full = x.copy()
    full[RAIN_TERMS] += rain.mean(axis=2)
    return full


def grouped(mu: Floats) -> Iterator[tuple[float, Floats, Floats]]:
    """Yield share, mean and variance of the futures, from the least water to the most.

    The futures of each point are sorted and cut into ``GROUPS`` runs; a mixture of some fifty
    distributions is so told by eight, with its mean and variance as they were.
    """
    ranked = np.sort(mu, axis=1)
    members = ranked.shape[1]
    cuts = np.linspace(0, members, min(GROUPS, members) + 1).round().astype(int)
    for low, high in pairwise(cuts.tolist()):
        part = ranked[:, low:high]
        yield (high - low) / members, part.mean(axis=1), part.var(axis=1)


def chance_below(bounds: Floats, mu: Floats, variance: Floats, freedom: Floats) -> Floats:
    """Return the chance of no more than each bound (bounds, points) over all futures.

    ``mu`` is (points, members), ``variance`` that of a point's water in any one future, of a
    Student t with ``freedom``.
    """
    chance = np.zeros(bounds.shape)
    for share, centre, spread in grouped(mu):
        sd = np.sqrt(variance + spread)
        for place, bound in enumerate(bounds):
            chance[place] += share * student_chance((bound - centre) / sd, freedom)
    return chance


def with_surprises(chance: Floats, fill: Floats) -> Floats:
    """Return chances of no more than each filled share, surprises reckoned with.

    >>> with_surprises(np.array([0.0, 1.0]), np.array([0.5, 1.0])).round(4).tolist()
    [0.0075, 1.0]
    """
    reckoned: Floats = (1.0 - SURPRISE) * chance + SURPRISE * fill * fill
    return reckoned


def surprise_in(uniform: Floats, fill: Floats) -> Floats:
    """Return drawn filled shares, those surprised whose uniform number is below ``SURPRISE``."""
    surprised: Floats = np.where(uniform < SURPRISE, np.sqrt(uniform / SURPRISE), fill)
    return surprised
