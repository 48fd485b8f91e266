"""A vault's readings as rows of a regression, and what is left of them once they are doubted."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from vaultplan.forecast.censored import above, below
from vaultplan.forecast.drivers import Drivers
from vaultplan.forecast.features import Site, past_columns, scatter
from vaultplan.forecast.posterior import (
    Posterior,
    Prior,
    Sums,
    condition,
    outcome_sums,
    segment_sum,
    squares,
)
from vaultplan.forecast.readings import DRY, DRY_IN, FULL, FULL_FRAC, NEVER, Readings
from vaultplan.forecast.trust import WRONG_SHARE, trust_in
from vaultplan.forecast.weather import TAUS_DAYS

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

#: Share of an imputed reading's variance that is believed; tried on invented fleets: all of it
#: makes bands of often full or dry vaults too wide, none lets those of an always full one collapse.
CENSOR_DOUBT: Final = 0.3
FULL_AT_FIRST: Final = 0.01  # what a full reading counts for until it is imputed
IMPUTE_ROUNDS, TRUST_FROM = 3, 1  # rounds in all, and after how many of them readings are doubted
SURE: Final = 0.97  # a reading trusted more than this counts in full
#: How much less sure a reading is before which no emptying is on record: there may have been one.
#: Assumed; on invented fleets 3 beats 1 and 10 by some 1 % of the CRPS.
UNKNOWN_PAST: Final = 3.0


@dataclass(frozen=True, slots=True)
class Rows:
    """Readings of some vaults as regression rows of one residence time.

    ``x`` is (p, rows) in shares of the depth, ``y`` the filled share not explained by old water.
    ``low`` / ``high`` are rows known only to lie below / above their bound. ``weight`` is one over
    the variance against that of a reading in a vault long at rest.
    """

    start: Ints
    owner: Ints
    x: Floats
    y: Floats
    weight: Floats
    low: Ints
    high: Ints
    bound: Floats


def rows_of(drivers: Drivers, k: int, site: Site, readings: Readings, vaults: Ints) -> Rows:
    """Return the regression rows of the vaults named by their row, in that order."""
    count = readings.start[vaults + 1] - readings.start[vaults]
    start = np.append(0, np.cumsum(count))
    owner = np.repeat(np.arange(len(vaults)), count)
    pick = np.arange(start[-1]) - start[owner] + readings.start[vaults][owner]
    room = site.depth_in[vaults[owner]]
    day, since, kind = readings.day[pick], readings.since[pick], readings.kind[pick]
    x, fallen = past_columns(drivers, k, site, vaults[owner], day, since)
    spread = scatter((day - since).astype(float), TAUS_DAYS[k])
    old = readings.left_in[pick] * fallen / room
    bound = np.where(kind == DRY, DRY_IN / room, FULL_FRAC) - old
    return Rows(
        start=start,
        owner=owner,
        x=x,
        y=readings.depth_in[pick] / room - old,
        weight=1.0 / np.where(since == NEVER, UNKNOWN_PAST, spread),
        low=np.flatnonzero(kind == DRY),
        high=np.flatnonzero(kind == FULL),
        bound=bound,
    )


def scaled(rows: Rows, scale: Floats) -> Rows:
    """Return the rows with each column divided by its scale."""
    x = rows.x / scale[:, None]
    return Rows(rows.start, rows.owner, x, rows.y, rows.weight, rows.low, rows.high, rows.bound)


def of_vaults(rows: Rows, chosen: Ints) -> Rows:
    """Return the rows of some of the vaults, named by their place, in ascending order."""
    is_chosen = np.zeros(len(rows.start) - 1, bool)
    is_chosen[chosen] = True
    pick = np.flatnonzero(is_chosen[rows.owner])
    count = np.diff(rows.start)[chosen]
    here = np.full(len(rows.y), -1)
    here[pick] = np.arange(len(pick))
    low, high = here[rows.low], here[rows.high]
    return Rows(
        start=np.append(0, np.cumsum(count)),
        owner=np.repeat(np.arange(len(chosen)), count),
        x=rows.x[:, pick],
        y=rows.y[pick],
        weight=rows.weight[pick],
        low=low[low >= 0],
        high=high[high >= 0],
        bound=rows.bound[pick],
    )


def imputed(rows: Rows, y: Floats, posterior: Posterior) -> tuple[Floats, Floats]:
    """Return y with censored readings at their expected value, and the variance of those."""
    y, doubt = y.copy(), np.zeros(len(y))
    sd_of = np.sqrt(posterior.scale / posterior.shape)
    for at, expect in ((rows.low, below), (rows.high, above)):
        owner = rows.owner[at]
        mu = np.zeros(len(at))
        for column, coefficient in zip(rows.x, posterior.mean, strict=True):
            mu += column[at] * coefficient[owner]
        sd = sd_of[owner] / np.sqrt(rows.weight[at])
        y[at], doubt[at] = expect(mu, sd, rows.bound[at])
    return y, doubt


def trusted_squares(rows: Rows, trust: Floats, full: Floats) -> Floats:
    """Return X'X (p, p, vaults) of readings as far as they are trusted.

    ``full`` is that of all of them; only what is doubted is worked out and taken off it.
    """
    doubted = np.flatnonzero(trust < 1.0)
    if not len(doubted):
        return full
    start = np.searchsorted(doubted, rows.start)
    off = rows.weight[doubted] * (1.0 - trust[doubted])
    return full - squares(rows.x[:, doubted], off, start)


def believed(rows: Rows, y: Floats, doubt: Floats, trust: Floats, xx: Floats) -> Sums:
    """Return the sums of readings as far as they are trusted; ``xx`` of :func:`trusted_squares`."""
    weight = rows.weight * trust
    xy, yy = outcome_sums(rows.x, y, weight, rows.start)
    yy += CENSOR_DOUBT * segment_sum(weight * doubt, rows.start)
    # Twice the log of what each reading's density is scaled by: normal if believed, else level.
    logs = trust * np.log(rows.weight / (2.0 * np.pi)) + (1.0 - trust) * 2.0 * np.log(WRONG_SHARE)
    return Sums(xx, xy, yy, segment_sum(trust, rows.start), segment_sum(logs, rows.start))


def doubted(rows: Rows, y: Floats, posterior: Posterior) -> Floats:
    """Return how far each reading is trusted: 1 from ``SURE`` on."""
    trust = trust_in(rows.x, y, rows.weight, rows.start, rows.owner, posterior)
    return np.where(trust > SURE, 1.0, trust)


def all_squares(rows: Rows) -> Floats:
    """Return X'X (p, p, vaults) of all readings in full."""
    return squares(rows.x, rows.weight, rows.start)


def first_sums(rows: Rows, full: Floats) -> Sums:
    """Return the sums to start from: a full vault says next to nothing until it is imputed."""
    trust = np.ones(len(rows.y))
    trust[rows.high] = FULL_AT_FIRST
    xx = trusted_squares(rows, trust, full)
    return believed(rows, rows.y, np.zeros(len(rows.y)), trust, xx)


def posterior_of(
    rows: Rows, prior: Prior, prior_mean: Floats, full: Floats, posterior: Posterior
) -> Posterior:
    """Return the vaults' posterior: censored readings imputed, doubtful ones counting for less.

    ``posterior`` is that of :func:`first_sums`, ``full`` are :func:`all_squares`.
    """
    y, trust, xx = rows.y, np.ones(len(rows.y)), full
    for turn in range(IMPUTE_ROUNDS if len(y) else 0):
        y, doubt = imputed(rows, y, posterior)
        if turn >= TRUST_FROM:
            trust = doubted(rows, y, posterior)
            xx = trusted_squares(rows, trust, full)
        sums = believed(rows, y, doubt, trust, xx)
        posterior = condition(prior, prior_mean, sums)
    return posterior
