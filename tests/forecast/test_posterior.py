import numpy as np
import pytest
from scipy import integrate, stats

from vaultplan.forecast.censored import above, below
from vaultplan.forecast.posterior import (
    Prior,
    condition,
    gather,
    mean_covariance,
    segment_sum,
)


def test_segment_sums_with_empty_runs():
    values = np.array([[1.0, 2.0, 4.0, 8.0]])
    assert segment_sum(values, np.array([0, 0, 2, 2, 4, 4])).tolist() == [[0, 3, 0, 12, 0]]
    assert segment_sum(np.zeros((1, 0)), np.array([0, 0])).tolist() == [[0]]


def test_the_posterior_is_the_textbook_one_vault_by_vault():
    draw = np.random.default_rng(3)
    p, counts = 3, [4, 0, 7]
    start = np.append(0, np.cumsum(counts))
    x, y = draw.normal(size=(p, start[-1])), draw.normal(size=start[-1])
    weight = draw.uniform(0.5, 2, start[-1])
    half = draw.normal(size=(p, p))
    prior = Prior(half @ half.T + np.eye(p), 2.5, 0.7)
    prior_mean = draw.normal(size=(p, 3))
    found = condition(prior, prior_mean, gather(x, y, weight, start))
    inverse = np.linalg.inv(prior.spread)
    covariances = []
    for v in range(3):
        rows = slice(start[v], start[v + 1])
        X, w, m0 = x[:, rows].T, np.diag(weight[rows]), prior_mean[:, v]
        precision = inverse + X.T @ w @ X
        mean = np.linalg.solve(precision, inverse @ m0 + X.T @ w @ y[rows])
        scale = 0.7 + (y[rows] @ w @ y[rows] + m0 @ inverse @ m0 - mean @ precision @ mean) / 2
        assert found.mean[:, v] == pytest.approx(mean)
        assert found.scale[v] == pytest.approx(scale)
        assert found.shape[v] == 2.5 + counts[v] / 2
        z = draw.normal(size=p)
        factor = found.take(np.array([v])).variance_factor(z[:, None])
        assert factor[0] == pytest.approx(z @ np.linalg.solve(precision, z))
        covariances.append(np.linalg.inv(precision))
        # The evidence is the density of a multivariate t, up to the constants all models share.
        spread = np.linalg.inv(w) + X @ prior.spread @ X.T
        evidence = (
            stats.multivariate_t.logpdf(y[rows], X @ m0, spread * 0.7 / 2.5, df=5.0)
            if counts[v]
            else 0.0
        )
        shared = -0.5 * counts[v] * np.log(2 * np.pi)
        assert found.log_evidence[v] + shared == pytest.approx(evidence)
    assert mean_covariance(found) == pytest.approx(np.mean(covariances, axis=0))


@pytest.mark.parametrize("bound", [-2.0, 0.3, 1.5])
def test_censored_means_by_quadrature(bound):
    mu, sd = 0.4, 0.5
    normal = stats.norm(mu, sd)
    one = np.array([1.0])
    for moments, low, high in ((above, bound, 6.0), (below, -6.0, bound)):
        share = normal.cdf(high) - normal.cdf(low)
        first = integrate.quad(lambda y: y * normal.pdf(y), low, high)[0] / share
        second = integrate.quad(lambda y: y * y * normal.pdf(y), low, high)[0] / share
        mean, variance = moments(mu * one, sd * one, bound * one)
        if -1 < first < 2:
            assert mean[0] == pytest.approx(first)
        assert variance[0] == pytest.approx(second - first**2, abs=1e-7)


def test_censored_means_stay_on_their_side_in_far_tails():
    mu, sd = np.array([-40.0, 40.0]), np.array([0.1, 0.1])
    bound = np.array([0.95, 0.95])
    for mean, side in ((above(mu, sd, bound)[0], 1), (below(mu, sd, bound)[0], -1)):
        assert (side * (mean - bound) >= 0).all()
