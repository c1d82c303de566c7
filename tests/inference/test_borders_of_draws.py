"""Quantiles, weights and draws at their borders, in plain numbers; theory where there is some."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from fixed_posteriors import made, unchangeable

from monitor.inference.fit.importance import Draws, ProposalRecord, log_prior, reweighted, sample
from monitor.inference.fit.quantiles import quantile_points, quantiles, weighted_points
from monitor.inference.fit.smc import Moves
from monitor.inference.fit.tempering import IMPOSSIBLE, Target, draw, draw_by_moves
from monitor.inference.fit.weights import effective_sample_size, largest_exponent, normalized, resample
from monitor.inference.model.prior import Unknown
from monitor.physics.numerics import FloatArray
from monitor.records import Quantiles

# quantiles and weights


def test_an_interval_leaves_a_twentieth_out_either_way() -> None:
    draws = np.arange(101.0)
    assert quantiles(draws) == Quantiles(5.0, 50.0, 95.0)
    assert quantile_points(draws, reached=True).tolist() == [5.0, 50.0, 95.0]
    assert quantile_points(np.vstack([draws, 2.0 * draws]), of_rows=True).tolist() == [
        [5.0, 10.0],
        [50.0, 100.0],
        [95.0, 190.0],
    ]
    even = weighted_points(np.arange(1.0, 101.0), np.ones(100))
    assert even.tolist() == pytest.approx([5.0, 50.0, 95.0])
    assert quantiles(np.arange(1.0, 101.0), np.full(100, 7.0)).p95 == pytest.approx(95.0)


def test_weights_count_by_kish() -> None:
    assert effective_sample_size(np.full(8, 0.125)) == pytest.approx(8.0)
    assert effective_sample_size(np.array([0.75, 0.25])) == pytest.approx(1.6)
    assert normalized(np.array([-5000.0, -5000.0 + np.log(3.0)])) == pytest.approx(np.array([0.25, 0.75]))
    assert resample(np.array([0.0, 0.5, 0.0, 0.5]), 6, np.random.default_rng(1)).tolist() == [1, 1, 1, 3, 3, 3]
    counts = np.bincount(resample(np.array([0.1, 0.2, 0.7]), 1000, np.random.default_rng(2)))
    assert counts.tolist() == pytest.approx([100, 200, 700], abs=1)
    assert resample(np.array([1.0 - 1e-12]), 3, np.random.default_rng(1)).tolist() == [0, 0, 0]
    short = resample(np.array([0.4, 0.5]), 10, np.random.default_rng(1))  # rounding never leads past the last
    assert short.max() == 1


def test_an_exponent_is_found_to_eight_digits() -> None:
    found = largest_exponent(lambda x: x <= 0.3, 0.0, 1.0)
    assert found <= 0.3 < found + 4e-8
    assert found < 0.3 - 1e-10


# draws


def draws_of(weights: FloatArray) -> Draws:
    return Draws(np.zeros((len(weights), 9)), weights, 1)


def test_draws_are_enough_where_more_than_a_quarter_count() -> None:
    def even(of: int) -> FloatArray:
        return np.where(np.arange(100) < of, 1.0 / of, 0.0)

    assert not draws_of(even(24)).enough
    assert draws_of(even(26)).enough
    assert draws_of(even(26)).effective_sample_size == pytest.approx(26.0)
    assert sorted(set(draws_of(even(4)).resampled(40, np.random.default_rng(1)).tolist())) == [0, 1, 2, 3]
    assert unchangeable(draws_of(even(4)), "rounds")
    with pytest.raises(AssertionError):
        reweighted(draws_of(even(4)), made("plain").problem.prior)


def test_the_prior_is_a_normal_with_the_start_in_humidity() -> None:
    prior = made("plain").problem.prior
    theta = np.tile(prior.mean, (3, 1))
    theta[1] += prior.sd
    theta[2, Unknown.log_start_humidity] = np.log(0.5)
    points = theta.copy()
    points[:, Unknown.log_start_humidity] = np.exp(theta[:, Unknown.log_start_humidity]) + theta[:, Unknown.sensor_bias]
    by_hand = [
        float(np.sum(-0.5 * ((row - prior.mean) / prior.sd) ** 2 - np.log(prior.sd * np.sqrt(2 * np.pi)))) - row[1]
        for row in theta
    ]
    assert log_prior(prior, theta, points) == pytest.approx(np.array(by_hand))
    for start in (0.9e-5, 0.951):
        points[0, Unknown.log_start_humidity] = start + points[0, Unknown.sensor_bias]
        assert log_prior(prior, theta, points)[0] <= IMPOSSIBLE


def test_draws_under_another_prior_are_weighted_by_both() -> None:
    of, other = made("plain"), made("tight").problem.prior
    proposal = of.draws.proposal
    assert isinstance(proposal, ProposalRecord)
    logs = log_prior(other, of.draws.theta, proposal.points) + proposal.log_likelihood - proposal.log_density
    by_hand = np.exp(logs - logs.max())
    np.testing.assert_allclose(reweighted(of.draws, other).weights, by_hand / by_hand.sum(), rtol=1e-12)


MEAN, SD = np.array([1.0, -2.0, 0.5]), np.array([0.3, 1.0, 0.1])
"""Of a likelihood that is a normal beside a prior of unit normals."""


def normal(points: FloatArray, mean: FloatArray, sd: FloatArray) -> FloatArray:
    return np.asarray(np.sum(-0.5 * ((points - mean) / sd) ** 2 - np.log(sd * np.sqrt(2.0 * np.pi)), axis=1))


def unit(points: FloatArray) -> FloatArray:
    return normal(points, np.zeros(3), np.ones(3))


def first(count: int, rng: np.random.Generator) -> tuple[FloatArray, FloatArray]:
    points = rng.standard_normal((count, 3))
    return points, unit(points)


TARGET = Target(unit, lambda points: normal(points, MEAN, SD), first)
POSTERIOR_VAR = 1.0 / (1.0 + SD**-2)
POSTERIOR_MEAN = POSTERIOR_VAR * MEAN / SD**2


@pytest.mark.parametrize("count", [300, 2000])
def test_draws_have_the_moments_of_theory(count: int) -> None:
    """A product of normals is a normal; weights are prior times likelihood over the density of the proposal."""
    found = draw(TARGET, count, np.random.default_rng(4))
    assert found.points.shape == (count, 3)
    assert found.weights.sum() == pytest.approx(1.0)
    tolerance = 6.0 / np.sqrt(count)
    mean = found.weights @ found.points
    var = found.weights @ (found.points - mean) ** 2
    assert np.all(np.abs(mean - POSTERIOR_MEAN) < tolerance * np.sqrt(POSTERIOR_VAR))
    np.testing.assert_allclose(var, POSTERIOR_VAR, rtol=2.0 * tolerance)
    np.testing.assert_allclose(found.log_likelihood, normal(found.points, MEAN, SD))
    by_density = np.exp(unit(found.points) + found.log_likelihood - found.log_density)
    np.testing.assert_allclose(found.weights, by_density / by_density.sum(), rtol=1e-9)


def test_a_rough_likelihood_only_locates() -> None:
    asked: list[int] = []

    def exact(points: FloatArray) -> FloatArray:
        asked.append(len(points))
        return normal(points, MEAN, SD)

    target = replace(
        TARGET, log_likelihood=exact, rough_likelihood=lambda points: normal(points, MEAN + 0.05, 1.1 * SD)
    )
    found = draw(target, 1000, np.random.default_rng(5))
    assert sum(asked) >= 1000  # every draw that is handed out was evaluated exactly
    np.testing.assert_allclose(found.log_likelihood, normal(found.points, MEAN, SD))
    mean = found.weights @ found.points
    assert np.all(np.abs(mean - POSTERIOR_MEAN) < 0.2 * np.sqrt(POSTERIOR_VAR))


def test_impossible_points_count_as_such() -> None:
    target = replace(TARGET, log_prior=lambda p: np.where(p[:, 0] > 5.0, 2.0 * IMPOSSIBLE, 0.0),
                     log_likelihood=lambda p: np.where(p[:, 1] > 5.0, np.nan, 7.0))  # fmt: skip
    points = np.array([[0.0, 0.0, 0.0], [9.0, 0.0, 0.0], [0.0, 9.0, 0.0]])
    log_prior_of, values = target.densities(points)
    assert values.tolist() == [7.0, IMPOSSIBLE, IMPOSSIBLE]
    assert log_prior_of.tolist() == [0.0, 2.0 * IMPOSSIBLE, 0.0]
    assert target.densities(points[:1], lambda _: np.array([3.0]))[1].tolist() == [3.0]
    assert unchangeable(target, "first")
    assert target != replace(target)


def test_moves_keep_two_modes_by_their_weight() -> None:
    def two(points: FloatArray) -> FloatArray:
        narrow = np.full(3, 0.2)
        return np.logaddexp(np.log(0.3) + normal(points, np.full(3, -0.7), narrow),
                            np.log(0.7) + normal(points, np.full(3, 0.7), narrow))  # fmt: skip

    found = draw_by_moves(replace(TARGET, log_likelihood=two), 1500, np.random.default_rng(6), Moves())
    assert np.mean(found.points[:, 0] > 0.0) == pytest.approx(0.7, abs=0.07)
    assert found.weights.tolist() == [1.0 / 1500] * 1500
    np.testing.assert_allclose(found.log_likelihood, two(found.points))
    np.testing.assert_allclose(found.log_density, unit(found.points) + two(found.points))
    assert found.points[found.points[:, 0] > 0.0].std(axis=0) == pytest.approx(0.2 / np.sqrt(1.04), rel=0.1)


def test_a_likelihood_that_says_nothing_is_soon_done() -> None:
    """Prior and posterior are one: there is nothing to temper, whatever the sampler."""
    asked: list[int] = []

    def flat(points: FloatArray) -> FloatArray:
        asked.append(len(points))
        return np.zeros(len(points))

    found = draw_by_moves(replace(TARGET, log_likelihood=flat), 400, np.random.default_rng(6), Moves())
    assert len(asked) < 50
    assert found.points.mean(axis=0) == pytest.approx(np.zeros(3), abs=0.25)
    assert found.points.std(axis=0) == pytest.approx(np.ones(3), abs=0.2)


def test_a_box_is_sampled_within_its_bounds() -> None:
    """A likelihood of the bias and the leak alone: the posterior of each is a normal by theory."""
    prior = made("plain").problem.prior
    wanted = prior.mean + 0.5 * prior.sd

    def seen_so(theta: FloatArray) -> FloatArray:
        return np.asarray(-0.5 * np.sum(((theta - wanted) / (0.5 * prior.sd))[:, [0, 2]] ** 2, axis=1))

    found = sample(prior, seen_so, 1500, np.random.default_rng(7))
    assert found.theta.shape == (1500, len(prior.mean))
    assert found.proposal is not None
    for k in (0, 2):
        z = (found.theta[:, k] - prior.mean[k]) / prior.sd[k]
        mean = float(found.weights @ z)
        assert mean == pytest.approx(0.4, abs=0.08)
        assert float(np.sqrt(found.weights @ (z - mean) ** 2)) == pytest.approx(0.2**0.5, rel=0.12)
    again = sample(prior, seen_so, 1500, np.random.default_rng(8), near=found)
    assert float(again.weights @ again.theta[:, 0]) == pytest.approx(float(found.weights @ found.theta[:, 0]), rel=0.1)
