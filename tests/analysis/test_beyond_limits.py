"""Values beyond a limit: against normal probabilities worked out elsewhere, and against draws."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import multivariate_normal, truncnorm

from doe.analysis.beyond_limits import as_measured


def told(mean, covariance, limits, signs):
    """Return mean, covariance and log chance that follow from what stands for the limits."""
    found = as_measured(mean[None], covariance[None], limits, signs)
    total = covariance + np.diag(found.variances[0])
    gain = covariance @ np.linalg.inv(total)
    chance = found.log_scale[0] + multivariate_normal(mean, total).logpdf(found.values[0])
    at = mean + gain @ (found.values[0] - mean)
    return at, covariance - gain @ covariance, float(chance)


@pytest.mark.parametrize(("limit", "sign"), [(-1.2, 1.0), (3.0, 1.0), (2.5, -1.0), (0.1, -1.0)])
def test_of_one_value_it_is_the_truncated_normal(limit, sign):
    """scipy.stats.truncnorm, in closed form; so in one dimension nothing is approximate."""
    mean, covariance = np.array([0.4]), np.array([[0.81]])
    at, spread, chance = told(mean, covariance, np.array([limit]), np.array([sign]))
    edge = (limit - 0.4) / 0.9
    cut = truncnorm(*((-np.inf, edge) if sign > 0 else (edge, np.inf)), loc=0.4, scale=0.9)
    assert at[0] == pytest.approx(cut.mean(), abs=1e-4)
    assert spread[0, 0] == pytest.approx(cut.var(), rel=1e-4)
    mass = multivariate_normal(0.4, 0.81).cdf(limit)
    assert np.exp(chance) == pytest.approx(mass if sign > 0 else 1 - mass, rel=1e-6)


@pytest.mark.parametrize("count", [2, 3, 5, 8])
def test_the_chance_of_all_limits_is_that_of_scipys_normal_distribution(count):
    """Orthants by scipy's integration (Genz): the logarithm of the chance to 0.02."""
    generator = np.random.default_rng(count)
    for _ in range(4):
        half = generator.normal(size=(count, count + 2))
        covariance = half @ half.T / count + 0.05 * np.eye(count)
        mean, limits = generator.normal(size=(2, count))
        signs = np.where(generator.uniform(size=count) < 0.6, 1.0, -1.0)
        turned = np.diag(signs)
        exact = multivariate_normal(
            turned @ mean, turned @ covariance @ turned, maxpts=400_000 * count, abseps=1e-9
        ).cdf(turned @ limits)
        assert told(mean, covariance, limits, signs)[2] == pytest.approx(np.log(exact), abs=0.02)


def test_mean_and_spread_are_those_of_draws_that_keep_the_limits():
    """A million draws thrown away unless they keep the limits."""
    generator = np.random.default_rng(7)
    half = generator.normal(size=(3, 4))
    covariance, mean = half @ half.T / 3, np.array([0.2, -0.3, 0.6])
    limits, signs = np.array([-0.2, 0.1, 0.4]), np.array([1.0, -1.0, 1.0])
    at, spread, _ = told(mean, covariance, limits, signs)
    draws = generator.multivariate_normal(mean, covariance, 1_000_000)
    kept = draws[(signs * (limits - draws) > 0).all(axis=1)]
    assert len(kept) > 8_000
    assert at == pytest.approx(kept.mean(axis=0), abs=0.02)
    assert np.sqrt(np.diag(spread)) == pytest.approx(kept.std(axis=0), rel=0.04)


def test_a_limit_that_tells_nothing_changes_nothing():
    mean, covariance = np.array([0.0, 0.5]), np.array([[1.0, 0.6], [0.6, 1.0]])
    at, spread, chance = told(mean, covariance, np.array([40.0, -40.0]), np.array([1.0, -1.0]))
    assert at == pytest.approx(mean, abs=1e-6)
    assert spread == pytest.approx(covariance, abs=1e-6)
    assert chance == pytest.approx(0.0, abs=1e-6)
