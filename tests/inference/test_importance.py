"""Draws follow prior times likelihood, also where the last round of pilot draws used a rough likelihood."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from monitor.inference.fit import tempering
from monitor.inference.fit.importance import reweighted, sample
from monitor.inference.model.prior import Normal, Prior, Unknown
from monitor.physics.numerics import FloatArray
from monitor.physics.sorption import PiecewiseLinear

SEEN, SEEN_SD = 1.5, 0.2
STRAIGHT = PiecewiseLinear((0.0, 1.0), (0.0, 1.0))


def standard_prior() -> Prior:
    unknowns = {unknown: Normal(0.0, 1.0) for unknown in Unknown}
    unknowns[Unknown.log_start_humidity] = Normal(float(np.log(0.2)), 0.3)
    unknowns[Unknown.sensor_bias] = Normal(0.0, 0.01)
    prior = Prior(unknowns, (STRAIGHT, STRAIGHT), dry_mass_g=1.0, grams_declared=True, swapped_g_per_humidity=1.0)
    return prior.without_change_point()


def exact(theta: FloatArray) -> FloatArray:
    return np.asarray(-0.5 * ((theta[:, Unknown.log_conductance] - SEEN) / SEEN_SD) ** 2)


def rough(theta: FloatArray) -> FloatArray:
    """Sees it five standard errors off, and is as sure."""
    return np.asarray(-0.5 * ((theta[:, Unknown.log_conductance] - SEEN + 5.0 * SEEN_SD) / SEEN_SD) ** 2)


@pytest.mark.parametrize("most_rounds", [1, 8])
def test_a_rough_likelihood_of_pilot_draws_is_never_taken_for_the_exact_one(
    most_rounds: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Normal times normal: mean SEEN / (1 + SEEN_SD²), half a standard deviation allowed."""
    monkeypatch.setattr(tempering, "_MOST_ROUNDS", most_rounds)
    draws = sample(standard_prior(), exact, 1000, np.random.default_rng(3), rough=rough)
    found = draws.theta[:, Unknown.log_conductance]
    mean = float(draws.weights @ found)
    assert mean == pytest.approx(SEEN / (1.0 + SEEN_SD**2), abs=0.5 * SEEN_SD)
    assert draws.proposal is not None
    counting = draws.weights > 0.0
    assert draws.proposal.log_likelihood[counting] == pytest.approx(exact(draws.theta[counting]))


PUT_IN, SCALE_SD = 1.17, 0.004
"""Mass with its water over the declared dry mass, and how well a scale knows it. [g/g]"""


def bent_water(theta: FloatArray) -> FloatArray:
    """As a sieve takes it up: half of it below a humidity of 0.005."""
    humidity = np.exp(theta[:, Unknown.log_start_humidity])
    return np.asarray(0.3 * np.exp(theta[:, Unknown.log_capacity_scale]) * humidity / (humidity + 0.005))


def on_the_scale(theta: FloatArray) -> FloatArray:
    mass = np.exp(theta[:, Unknown.log_dry_mass]) + bent_water(theta)
    shown = np.exp(theta[:, Unknown.log_start_humidity]) + theta[:, Unknown.sensor_bias]
    return np.asarray(-0.5 * ((mass - PUT_IN) / SCALE_SD) ** 2 - 0.5 * ((shown - 0.01) / 0.001) ** 2)


def weighed_prior(capacity: float = 0.0) -> Prior:
    prior = standard_prior()
    unknowns = dict(prior.unknowns)
    unknowns[Unknown.log_start_humidity] = Normal(float(np.log(0.008)), 1.0)
    unknowns[Unknown.sensor_bias] = Normal(0.0, 0.01)
    unknowns[Unknown.log_capacity_scale] = Normal(capacity, 0.15)
    unknowns[Unknown.log_dry_mass] = Normal(0.0, 0.03)
    return replace(prior, unknowns=unknowns)


def dry_mass_by_grid(prior: Prior) -> tuple[float, float]:
    """Mean and sd of ln(dry mass): prior times likelihood summed over a fine grid of start, capacity and dry mass.

    The reading leaves of the bias what the start does not take, known to 0.001: a normal density of it.
    """
    start, capacity, dry = np.meshgrid(
        np.linspace(-10.0, -0.5, 240), np.linspace(-0.8, 0.8, 80), np.linspace(-0.13, 0.13, 300), indexing="ij"
    )
    humidity = np.exp(start)
    mass = np.exp(dry) + 0.3 * np.exp(capacity) * humidity / (humidity + 0.005)
    z = [
        (values - prior.unknowns[unknown].mean) / prior.unknowns[unknown].sd
        for unknown, values in (
            (Unknown.log_start_humidity, start),
            (Unknown.log_capacity_scale, capacity),
            (Unknown.log_dry_mass, dry),
        )
    ]
    z += [(mass - PUT_IN) / SCALE_SD, (0.01 - humidity) / np.hypot(0.01, 0.001)]
    weights = np.exp(-0.5 * sum(np.square(one) for one in z))
    weights /= weights.sum()
    mean = float((weights * dry).sum())
    return mean, float(np.sqrt((weights * (dry - mean) ** 2).sum()))


def test_a_weighed_charge_is_drawn_along_what_the_scale_pins() -> None:
    """The same posterior by either coordinates, as a grid has it; also under another prior, by weights alone."""
    prior, other = weighed_prior(), weighed_prior(capacity=0.1)
    draws = sample(prior, on_the_scale, 4000, np.random.default_rng(3), water_at_start=bent_water)
    for found, of in ((draws, prior), (reweighted(draws, other), other)):
        dry, (mean, sd) = found.theta[:, Unknown.log_dry_mass], dry_mass_by_grid(of)
        assert found.weights @ dry == pytest.approx(mean, abs=0.1 * sd)
        assert np.sqrt(found.weights @ (dry - found.weights @ dry) ** 2) == pytest.approx(sd, rel=0.08)
    assert draws.proposal is not None
    told = np.exp(draws.theta[:, Unknown.log_dry_mass]) + bent_water(draws.theta)
    counting = draws.weights > 0.0
    assert draws.proposal.points[counting, Unknown.log_dry_mass] == pytest.approx(told[counting])
