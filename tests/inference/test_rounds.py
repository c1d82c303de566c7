"""Rounds add up: weights by the mixture of all proposals, and few draws kept for many without a bias."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import multivariate_t, norm

from monitor.inference.fit.rounds import (
    Rounds,
    StudentT,
    thinned,
)
from monitor.physics.numerics import FloatArray

COVARIANCE = np.array([[1.0, 0.8], [0.8, 2.0]])


def bell(mean: float, scale: float) -> StudentT:
    return StudentT(np.full(2, mean), np.linalg.cholesky(scale**2 * COVARIANCE))


def standard_normal(points: FloatArray) -> FloatArray:
    return np.asarray(norm.logpdf(points).sum(axis=1))


def test_a_proposal_says_the_density_of_students_t() -> None:
    """scipy.stats.multivariate_t with as many degrees of freedom."""
    points = np.random.default_rng(1).standard_normal((20, 2))
    expected = multivariate_t(np.full(2, 0.3), 1.5**2 * COVARIANCE, df=7.0).logpdf(points)
    assert bell(0.3, 1.5).log_density(points) == pytest.approx(expected)


def test_a_fitted_proposal_has_the_mean_of_the_draws_and_a_little_more_than_their_spread() -> None:
    points = np.random.default_rng(1).multivariate_normal([1.0, -2.0], COVARIANCE, 4000)
    fitted = StudentT.fitted(points, np.full(4000, 1.0 / 4000))
    assert fitted.mean == pytest.approx([1.0, -2.0], abs=0.1)
    ratio = fitted.root @ fitted.root.T / np.cov(points.T)
    assert (ratio > 1.0).all()
    assert (ratio < 1.5).all()


def two_rounds(rng: np.random.Generator, poor: int = 500, good: int = 500) -> Rounds:
    """A proposal that misses half of a standard normal, then a good one."""
    rounds = Rounds.none(2)
    for proposal, count in ((bell(2.5, 0.6), poor), (bell(0.0, 1.1), good)):
        points = proposal.points(count, rng)
        rounds.add(proposal.log_density, points, standard_normal(points), np.zeros(count))
    return rounds


def test_every_point_has_the_density_of_the_mixture_whichever_round_it_came_from() -> None:
    """By the formula of Owen and Zhou (2000): shares of the points times densities of the proposals."""
    rounds = two_rounds(np.random.default_rng(2), 300, 700)
    each = [np.exp(bell(mean, scale).log_density(rounds.points)) for mean, scale in ((2.5, 0.6), (0.0, 1.1))]
    expected = np.log(0.3 * each[0] + 0.7 * each[1])
    assert rounds.log_density == pytest.approx(expected)


def test_a_poor_first_round_spoils_nothing() -> None:
    """Alone it misses the mean of 0 by far; with a good one it does not, and no draw of the good one is lost."""
    rng = np.random.default_rng(3)
    rounds = two_rounds(rng)
    _, weights = rounds.flattened(0.0)
    alone = Rounds.none(2)
    points = rounds.points[500:]
    alone.add(bell(0.0, 1.1).log_density, points, standard_normal(points), np.zeros(500))
    assert weights @ rounds.points == pytest.approx([0.0, 0.0], abs=0.15)
    assert rounds.effective > 0.98 * alone.effective


def test_weights_are_flattened_until_so_many_draws_count() -> None:
    rounds = two_rounds(np.random.default_rng(4), poor=500, good=1)
    exponent, weights = rounds.flattened(200.0)
    assert 0.0 < exponent < 1.0
    assert 1.0 / np.square(weights).sum() == pytest.approx(200.0, rel=0.01)
    assert rounds.flattened(2.0)[0] == pytest.approx(1.0)


def test_thinning_keeps_the_heavy_and_biases_no_sum() -> None:
    """Fearnhead and Clifford (2003): chances min(w / c, 1) add up to the count, and w over the chance is unbiased."""
    weights = np.random.default_rng(5).exponential(size=200) ** 3
    weights /= weights.sum()
    values, sums = np.arange(200.0), []
    for seed in range(400):
        chosen, chance = thinned(weights, 40, np.random.default_rng(seed))
        assert len(np.unique(chosen)) == 40
        sums.append(float((weights[chosen] / chance) @ values[chosen]))
    light = chance < 1.0
    assert light.any()
    assert not light.all()
    assert np.ptp(weights[chosen][light] / chance[light]) < 1e-12
    assert weights[chosen][~light].min() >= (weights[chosen] / chance)[light][0]
    standard_error = np.std(sums) / np.sqrt(400)
    assert np.mean(sums) == pytest.approx(weights @ values, abs=4.0 * standard_error)


def test_draws_that_are_kept_say_the_density_they_were_proposed_and_kept_with() -> None:
    """So they can be reweighted: weights times that density are prior times likelihood, up to one factor."""
    rng = np.random.default_rng(6)
    rounds = two_rounds(rng)
    chosen, weights, log_density = rounds.kept(200, rng)
    ratio = np.log(weights) + log_density - standard_normal(rounds.points[chosen])
    assert np.ptp(ratio) < 1e-9
    assert weights.sum() == pytest.approx(1.0)


def test_points_that_are_impossible_are_not_kept_while_there_are_others() -> None:
    rounds, rng = Rounds.none(2), np.random.default_rng(7)
    points = bell(0.0, 1.0).points(300, rng)
    possible = np.where(points[:, 0] > 0.0, 0.0, -1e9)
    rounds.add(bell(0.0, 1.0).log_density, points, standard_normal(points), possible)
    chosen, weights, _ = rounds.kept(200, rng)
    assert np.isfinite(weights).all()
    assert weights[possible[chosen] < 0.0].sum() == pytest.approx(0.0, abs=1e-12)
