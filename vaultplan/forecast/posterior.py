"""Bayesian regression for hundreds of thousands of vaults at once, in closed form.

Small matrices of all vaults are kept as arrays ``(p, p, vaults)`` and worked on entry by entry:
every step is one operation over all vaults, and a vault's bits do not depend on its company.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.special import gammaln

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Sums:
    """Sufficient statistics per vault: X'X (p, p, n), X'y (p, n), y'y, rows, sum of log weight.

    ``log_weight`` also holds what readings that are not believed count for in the evidence.
    """

    xx: Floats
    xy: Floats
    yy: Floats
    rows: Floats
    log_weight: Floats


@dataclass(frozen=True, slots=True)
class Prior:
    """Normal-inverse-gamma prior shared by all vaults of one residence time.

    beta | s2 ~ N(mean, s2 * spread), s2 ~ inverse gamma(shape, scale); mean is given per vault.
    """

    spread: Floats
    shape: float
    scale: float


@dataclass(frozen=True, slots=True)
class Posterior:
    """Posterior per vault: ``mean`` (p, n), precision = ``root root'``, shape, scale, evidence."""

    mean: Floats
    root: Floats
    shape: Floats
    scale: Floats
    log_evidence: Floats

    def take(self, vault: Ints) -> Posterior:
        """Return the posterior of each vault named, repeats allowed."""
        return Posterior(
            self.mean[:, vault],
            self.root[:, :, vault],
            self.shape[vault],
            self.scale[vault],
            self.log_evidence[vault],
        )

    def variance_factor(self, x: Floats) -> Floats:
        """Return x' P x for one row x (p, n) per vault, P the coefficients' covariance over s2."""
        total = np.zeros(x.shape[1])
        for part in forward_substitute(self.root, x):
            total += part * part
        return total


def segment_sum(values: Floats, start: Ints) -> Floats:
    """Return the sum of each run ``start[i]:start[i + 1]`` of the last axis; 0 for empty runs."""
    first = start[:-1]
    runs = int(np.searchsorted(first, values.shape[-1]))  # those after begin where nothing is left
    total = np.zeros((*values.shape[:-1], len(first)))
    if runs:
        total[..., :runs] = np.add.reduceat(values, first[:runs], axis=-1)
        total[..., first == start[1:]] = 0.0  # where reduceat gives the next value, not a sum
    return total


def outcome_sums(x: Floats, y: Floats, weight: Floats, start: Ints) -> tuple[Floats, Floats]:
    """Return X'y (p, n) and y'y of weighted rows; x is (p, rows), sorted by vault."""
    weighted = weight * y
    xy = np.stack([segment_sum(weighted * column, start) for column in x])
    return xy, segment_sum(weighted * y, start)


def squares(x: Floats, weight: Floats, start: Ints) -> Floats:
    """Return X'X (p, p, n) of weighted rows; x is (p, rows), sorted by vault."""
    p = len(x)
    xx = np.empty((p, p, len(start) - 1))
    weighted = x * weight
    for i in range(p):
        for j in range(i + 1):
            xx[i, j] = xx[j, i] = segment_sum(weighted[i] * x[j], start)
    return xx


def gather(x: Floats, y: Floats, weight: Floats, start: Ints) -> Sums:
    """Return the sufficient statistics of weighted rows; x is (p, rows), sorted by vault."""
    xy, yy = outcome_sums(x, y, weight, start)
    logs = segment_sum(np.log(weight), start)
    return Sums(squares(x, weight, start), xy, yy, np.diff(start) * 1.0, logs)


def condition(prior: Prior, prior_mean: Floats, sums: Sums) -> Posterior:
    """Return the posterior of every vault.

    Notes
    -----
    Conjugate update of the normal linear model (A. Gelman et al. (2013), Bayesian Data Analysis,
    3rd ed., section 14.8; O'Hagan and Forster (2004), Kendall's Advanced Theory of Statistics
    2B, ch. 11; both from memory): precision ``A = spread^-1 + X'X``, mean
    ``A^-1 (spread^-1 m0 + X'y)``, shape ``a0 + rows / 2``, scale
    ``b0 + (y'y + m0' spread^-1 m0 - m' A m) / 2``.
    """
    precision: Floats = np.linalg.inv(prior.spread).astype(np.float64)
    root = cholesky(precision[:, :, None] + sums.xx)
    pulled = _times(precision, prior_mean)
    right = pulled + sums.xy
    mean = back_substitute(root, forward_substitute(root, right))
    misfit = sums.yy.copy()
    for i in range(len(root)):  # not .sum(axis=0), whose order of adding depends on the width
        misfit += prior_mean[i] * pulled[i] - mean[i] * right[i]
    shape = prior.shape + sums.rows / 2.0
    scale = prior.scale + np.maximum(misfit, 0.0) / 2.0
    half_log_det = sum(np.log(root[i, i]) for i in range(len(root)))
    evidence = (
        -0.5 * np.linalg.slogdet(prior.spread)[1]
        - half_log_det
        + prior.shape * np.log(prior.scale)
        - shape * np.log(scale)
        + gammaln(shape)
        - gammaln(prior.shape)
        + 0.5 * sums.log_weight
    )
    return Posterior(mean, root, shape, scale, evidence)


def cholesky(matrix: Floats) -> Floats:
    """Return the lower root L (L L' = matrix) of each (p, p) matrix along the last axis."""
    p = len(matrix)
    root = np.zeros_like(matrix)
    for j in range(p):
        pivot = matrix[j, j].copy()
        for k in range(j):
            pivot -= root[j, k] ** 2
        root[j, j] = np.sqrt(pivot)
        for i in range(j + 1, p):
            entry = matrix[i, j].copy()
            for k in range(j):
                entry -= root[i, k] * root[j, k]
            root[i, j] = entry / root[j, j]
    return root


def forward_substitute(root: Floats, right: Floats) -> Floats:
    """Return u with L u = right for each vault."""
    out = np.empty_like(right)
    for i in range(len(root)):
        value = right[i].copy()
        for j in range(i):
            value -= root[i, j] * out[j]
        out[i] = value / root[i, i]
    return out


def back_substitute(root: Floats, right: Floats) -> Floats:
    """Return u with L' u = right for each vault."""
    out = np.empty_like(right)
    for i in reversed(range(len(root))):
        value = right[i].copy()
        for j in range(i + 1, len(root)):
            value -= root[j, i] * out[j]
        out[i] = value / root[i, i]
    return out


def mean_covariance(posterior: Posterior) -> Floats:
    """Return the mean over vaults of the coefficients' covariance over s2."""
    p, n = posterior.mean.shape
    covariance = np.empty((p, p))
    for j in range(p):
        unit = np.zeros((p, n))
        unit[j] = 1.0
        solved = back_substitute(posterior.root, forward_substitute(posterior.root, unit))
        covariance[:, j] = solved.mean(axis=1)
    return (covariance + covariance.T) / 2.0


def _times(matrix: Floats, columns: Floats) -> Floats:
    out = np.zeros((len(matrix), columns.shape[1]))
    for i in range(len(matrix)):
        for j in range(matrix.shape[1]):
            out[i] += matrix[i, j] * columns[j]
    return out


def linear(coefficients: Floats, columns: Floats) -> Floats:
    """Return ``coefficients @ columns`` entry by entry (p x q times q x n)."""
    return _times(coefficients, columns)
