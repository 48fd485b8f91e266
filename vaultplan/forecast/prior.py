"""What the fleet teaches about a vault before its own readings are looked at."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt
from scipy.special import digamma, polygamma

from vaultplan.forecast.drivers import Drivers
from vaultplan.forecast.features import RAIN_TERMS, TERMS, Site
from vaultplan.forecast.posterior import Posterior, Prior, condition, linear, mean_covariance
from vaultplan.forecast.readings import Readings
from vaultplan.forecast.rows import (
    all_squares,
    believed,
    doubted,
    first_sums,
    imputed,
    rows_of,
    scaled,
    trusted_squares,
)
from vaultplan.forecast.weather import TAUS_DAYS

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

MOST_VAULTS: Final = 4_000  # enough to learn some 250 numbers per residence time
ROUNDS: Final = 24
TRUST_EVERY: Final = 4  # rounds between two looks at which readings to doubt
#: What is believed before any reading, assumed; it weighs as much as 2 vaults: water a third of
#: the depth with readings 0.2 of the depth about it, and how far vaults differ in each term
#: (rest level as share of depth; in of water per in of rain on 60 ft2, by each way; in a day of
#: irrigation; share of depth by which the season moves the rest level, twice). In tight vaults the
#: rest level stands for a steady inflow and may lie far above the roof: ``FIRST_DAILY`` a day.
FIRST_FILL, FIRST_VARIANCE, FIRST_VAULTS = 0.33, 0.04, 2.0
FIRST_SD: Final = np.full(len(TERMS), 0.1)
FIRST_SD[0], FIRST_SD[RAIN_TERMS] = 0.35, 5.0
FIRST_DAILY: Final = np.zeros(len(TERMS))
FIRST_DAILY[0], FIRST_DAILY[-2:] = 0.01, 0.003
RIDGE: Final = 0.02
LEAST_SHAPE, MOST_SHAPE = 1.5, 20.0


@dataclass(frozen=True, slots=True)
class TauPrior:
    """Prior of one residence time: column scales, trait coefficients (p, q) and spread."""

    scale: Floats
    traits: Floats
    prior: Prior


def fit_tau(
    drivers: Drivers, k: int, site: Site, readings: Readings, traits: Floats, vaults: Ints
) -> tuple[TauPrior, Floats]:
    """Return the prior of one residence time and the evidence of each vault for it.

    Notes
    -----
    Empirical Bayes by expectation and maximisation (C. N. Morris (1983), J. Am. Stat. Assoc.
    78(381):47-55, from memory): a vault's coefficients scatter about ``G z`` of its traits with
    covariance ``s2 * spread``, and its s2 about that of the fleet. Each estimate is pulled to a
    first belief that weighs as much as ``FIRST_VAULTS`` vaults, so that a fleet of one or none
    still gives a wide and sane answer.
    """
    raw = rows_of(drivers, k, site, readings, vaults)
    power = (raw.x**2).mean(axis=1) if raw.x.shape[1] else np.zeros(len(raw.x))
    scale = np.where(power > 1e-18, np.sqrt(power), 1.0)
    rows = scaled(raw, scale)
    z = traits[:, vaults]
    p, q = len(scale), len(z)
    first = np.zeros((p, q))
    first[0, 0] = FIRST_FILL * scale[0]
    first_sd = np.hypot(FIRST_SD, FIRST_DAILY * TAUS_DAYS[k])
    first_spread = np.diag((first_sd * scale) ** 2 / FIRST_VARIANCE)
    tau_prior = TauPrior(scale, first, Prior(first_spread, 2.0, 2.0 * FIRST_VARIANCE))
    full, y, trust = all_squares(rows), rows.y, np.ones(len(rows.y))
    xx = full
    sums = first_sums(rows, full)
    for turn in range(ROUNDS):
        prior_mean = linear(tau_prior.traits, z)
        posterior = condition(tau_prior.prior, prior_mean, sums)
        if turn == ROUNDS - 1 or not len(vaults):
            break
        tau_prior = _maximise(tau_prior, posterior, prior_mean, z, first, first_spread)
        y, doubt = imputed(rows, y, posterior)
        if turn % TRUST_EVERY == TRUST_EVERY - 1:
            trust = doubted(rows, y, posterior)
            xx = trusted_squares(rows, trust, full)
        sums = believed(rows, y, doubt, trust, xx)
    return tau_prior, posterior.log_evidence


def _maximise(
    old: TauPrior,
    posterior: Posterior,
    prior_mean: Floats,
    z: Floats,
    first: Floats,
    first_spread: Floats,
) -> TauPrior:
    n, q = z.shape[1], len(z)
    precision = posterior.shape / posterior.scale  # E[1 / s2]
    away = posterior.mean - prior_mean
    spread = _over_vaults(away * precision, away) + n * mean_covariance(posterior)
    spread = (spread + FIRST_VAULTS * first_spread) / (n + FIRST_VAULTS)
    spread = spread + 1e-4 * np.eye(len(away))
    weighted = z * precision
    gram = _over_vaults(weighted, z)
    pull = np.full(q, FIRST_VAULTS * precision.mean() + RIDGE * gram[0, 0])
    pull[0] = precision.mean()
    gram[np.diag_indices(q)] += pull
    right = _over_vaults(weighted, posterior.mean) + pull[:, None] * first.T
    coefficients = np.linalg.solve(gram, right).T.astype(np.float64)
    shape = _shape(posterior, precision, old.prior.shape, n)
    mean_precision = (precision.sum() + FIRST_VAULTS / FIRST_VARIANCE) / (n + FIRST_VAULTS)
    return TauPrior(old.scale, coefficients, Prior(spread, shape, shape / mean_precision))


def _over_vaults(one: Floats, other: Floats) -> Floats:
    """Return ``one @ other.T``: sums over vaults, (rows of one, rows of other).

    Not by matrix product: its bits, and its time beside other threads, hang on how many cores BLAS
    finds.
    """
    sums: Floats = np.einsum("pn,qn->pq", one, other)
    return sums


def _shape(posterior: Posterior, precision: Floats, shape: float, n: int) -> float:
    """Return one Newton step to the inverse gamma's shape, pulled to 2 in small fleets."""
    log_precision = digamma(posterior.shape) - np.log(posterior.scale)
    gap = np.log(precision.mean()) - log_precision.mean()
    for _ in range(5):
        value = np.log(shape) - digamma(shape) - gap
        shape -= float(value / (1.0 / shape - polygamma(1, shape)))
        shape = min(max(shape, LEAST_SHAPE), MOST_SHAPE)
    return (n * shape + 20.0 * FIRST_VAULTS * 2.0) / (n + 20.0 * FIRST_VAULTS)


def tau_shares(evidence: Floats) -> Floats:
    """Return the share of the fleet at each residence time; evidence is (taus, vaults)."""
    share = np.full(len(evidence), 1.0 / len(evidence))
    if not evidence.shape[1]:
        return share
    for _ in range(30):
        weight = tau_weights(evidence, share)
        share = (weight.sum(axis=1) + FIRST_VAULTS / len(share)) / (
            evidence.shape[1] + FIRST_VAULTS
        )
    return share


def tau_weights(evidence: Floats, share: Floats) -> Floats:
    """Return how likely each residence time is for each vault: (taus, vaults), columns sum to 1."""
    log_weight = evidence + np.log(share)[:, None]
    weight = np.exp(log_weight - log_weight.max(axis=0))
    total = np.zeros(weight.shape[1])
    for row in weight:
        total += row
    weights: Floats = weight / total
    return weights


def sample_of(readings: Readings) -> Ints:
    """Return the vaults to learn the fleet from, drawn from those that have readings.

    Each vault has a number drawn once and for all, and the smallest are taken: a vault visited for
    the first time takes the place of one other at most, so that a few new visits hardly change what
    the fleet teaches.
    """
    visited = np.flatnonzero(np.diff(readings.start) > 0)
    if len(visited) <= MOST_VAULTS:
        return visited
    drawn = np.random.default_rng(0).random(len(readings.start) - 1)[visited]
    return np.sort(visited[np.argpartition(drawn, MOST_VAULTS)[:MOST_VAULTS]])
