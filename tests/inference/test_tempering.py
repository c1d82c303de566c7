"""The one sampler, for any posterior: draws follow densities known in closed form, also one of two bells."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import norm

from monitor.inference.fit import tempering
from monitor.inference.fit.rounds import LogDensity
from monitor.inference.fit.smc import Moves
from monitor.inference.fit.tempering import (
    Proposed,
    Target,
    draw,
    draw_by_moves,
)
from monitor.inference.fit.weights import effective_sample_size
from monitor.physics.numerics import FloatArray

SIZE = 3


def standard_normal(points: FloatArray) -> FloatArray:
    return np.asarray(norm.logpdf(points).sum(axis=1))


def from_prior(count: int, rng: np.random.Generator) -> Proposed:
    points = rng.standard_normal((count, SIZE))
    return points, standard_normal(points)


def measured_twice(points: FloatArray) -> FloatArray:
    """The first unknown read as 1.5 ± 0.3; the others left to the prior."""
    return np.asarray(norm.logpdf(1.5, points[:, 0], 0.3))


@pytest.mark.parametrize("by_moves", [False, True])
def test_weighted_draws_follow_a_normal_prior_and_a_normal_likelihood(by_moves: bool) -> None:
    """Conjugate normals (any textbook): mean 1.5 / 1.09, variance 0.09 / 1.09."""
    target, rng = Target(standard_normal, measured_twice, from_prior), np.random.default_rng(4)
    drawn = draw_by_moves(target, 2000, rng, Moves()) if by_moves else draw(target, 2000, rng)
    found = drawn.points[:, 0]
    mean = float(drawn.weights @ found)
    sd = float(np.sqrt(drawn.weights @ (found - mean) ** 2))
    assert mean == pytest.approx(1.5 / 1.09, abs=0.03)
    assert sd == pytest.approx((0.09 / 1.09) ** 0.5, rel=0.08)
    assert drawn.log_likelihood == pytest.approx(measured_twice(drawn.points))


def test_draws_say_the_density_they_were_made_with() -> None:
    """Weights times that density are prior times likelihood, up to one factor for all."""
    drawn = draw(Target(standard_normal, measured_twice, from_prior), 1000, np.random.default_rng(4))
    expected = standard_normal(drawn.points) + measured_twice(drawn.points)
    ratio = np.log(drawn.weights) + drawn.log_density - expected
    assert np.ptp(ratio) < 1e-9


def bent(points: FloatArray) -> FloatArray:
    """The second unknown is read as the square of the first, to 0.1: a ridge that no single bell covers."""
    return np.asarray(norm.logpdf(points[:, 1], np.square(points[:, 0]), 0.1))


def test_rounds_follow_a_bent_ridge() -> None:
    """What is left of the first unknown, by the sum over a fine grid: N(x; 0, 1) N(x²; 0, 1 + 0.1²)."""
    grid = np.linspace(-4.0, 4.0, 4001)
    expected = norm.pdf(grid) * norm.pdf(np.square(grid), 0.0, 1.01**0.5)
    expected /= expected.sum()
    drawn = draw(Target(standard_normal, bent, from_prior), 1000, np.random.default_rng(4))
    assert effective_sample_size(drawn.weights) > 250
    for power, allowed in ((1, 0.12), (2, 0.08), (4, 0.15)):
        assert drawn.weights @ drawn.points[:, 0] ** power == pytest.approx(expected @ grid**power, abs=allowed)


@pytest.mark.parametrize("rough", [None, measured_twice])
@pytest.mark.parametrize("most_rounds", [1, 12])
def test_draws_say_which_of_the_points_that_were_asked_for_they_are(
    rough: LogDensity | None, most_rounds: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Also where moves take over, as after a single round here: what the likelihood kept of each is found by it."""
    monkeypatch.setattr(tempering, "_MOST_ROUNDS", most_rounds)
    monkeypatch.setattr(tempering, "_WANTED_SHARE", 0.7)
    monkeypatch.setattr(tempering, "_LEAST_SHARE", 0.7)
    asked: list[FloatArray] = []

    def likelihood(points: FloatArray) -> FloatArray:
        asked.append(points.copy())
        return measured_twice(points)

    drawn = draw(Target(standard_normal, likelihood, from_prior, rough), 1000, np.random.default_rng(4))
    assert drawn.evaluated is not None
    assert np.vstack(asked)[drawn.evaluated] == pytest.approx(drawn.points)


def test_moves_all_the_way_keep_a_second_mode() -> None:
    """A narrow bell with three quarters of the posterior and a far one with a quarter, under an even prior."""

    def two_bells(points: FloatArray) -> FloatArray:
        near, far = norm.logpdf(points[:, 0], -0.5, 0.05), norm.logpdf(points[:, 0], 2.0, 0.05)
        even = -norm.logpdf(points[:, 0])
        return np.asarray(np.logaddexp(np.log(0.75) + near, np.log(0.25) + far) + even)

    rng = np.random.default_rng(4)
    drawn = draw_by_moves(Target(standard_normal, two_bells, from_prior), 2000, rng, Moves(6, 40))
    assert float(np.mean(drawn.points[:, 0] > 0.75)) == pytest.approx(0.25, abs=0.06)
    assert effective_sample_size(drawn.weights) == pytest.approx(2000)
