"""Fits at their borders, in plain numbers."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from fixed_draws import fixed_draws
from fixed_posteriors import BOX, START_S, charge, entry, fitted, hours, made, record, unchangeable

from monitor.errors import TooLittleEvidence
from monitor.inference.fit.below import given_below
from monitor.inference.fit.fit import estimate, refitted, under_pooled_prior
from monitor.inference.fit.importance import log_prior
from monitor.inference.fit.posterior import Posterior, Record, mean_conductance
from monitor.inference.fit.refreshed import refreshed
from monitor.inference.model.box_prior import style_prior
from monitor.physics.numerics import FloatArray
from monitor.records import EntryKind

DAY_S = 86_400.0


def seen_for(hour_count: int, least_days: float = 1.5, **what: Any) -> Posterior:
    seen = hours(hour_count / 24.0, 0.05, first=4.0 - hour_count / 24.0)
    with fixed_draws():
        return fitted(4.0, of=record(4.0, hours=seen, **what), least_days=least_days)


@pytest.mark.parametrize(("least_days", "more"), [
    (1.5, "12 more hours of"), (1.0 + 1.01 / 24.0, "2 more hours of"), (1.0 + 0.99 / 24.0, "1 more hour of"),
    (1.001, "1 more hour of"),
])  # fmt: skip
def test_readings_that_are_lacking_are_counted_in_hours(least_days: float, more: str) -> None:
    words = rf"^made: too new: the forecast starts after about {more} readings\. Keep it closed$"
    with pytest.raises(TooLittleEvidence, match=words):
        seen_for(24, least_days)
    assert seen_for(24, 1.0).bins.seen_days == pytest.approx(1.0)


def test_with_a_day_and_a_half_or_a_weighing_there_is_a_fit() -> None:
    with fixed_draws(), pytest.raises(TooLittleEvidence):
        estimate(record(4.0, hours=hours(1.0, 0.05, first=3.0)), START_S + 4 * DAY_S, count=9)
    with fixed_draws():
        of = estimate(record(4.0, hours=hours(1.5, 0.05, first=2.5)), START_S + 4 * DAY_S, count=9)
    assert of.bins.seen_days == pytest.approx(1.5)
    weighed = (charge(), entry(EntryKind.weighing, 3.0, mass_g=106.0, scale_resolution_g=0.1))
    assert seen_for(24, entries=weighed).bins.seen_days == pytest.approx(1.0)


def test_a_fit_is_of_a_thousand_draws() -> None:
    with fixed_draws():
        of = estimate(record(4.0), START_S + 4 * DAY_S)
        assert len(of.theta) == len(of.draws.weights) == 1000
        assert under_pooled_prior(of, (0.3, 0.9)).theta.shape == of.theta.shape


def even() -> Posterior:
    """As if it had been proposed by its posterior: reweighted under the same prior, all draws weigh alike."""
    of = made("plain")
    proposal = of.draws.proposal
    assert proposal is not None
    density = log_prior(of.problem.prior, of.draws.theta, proposal.points) + proposal.log_likelihood
    return replace(of, draws=replace(of.draws, proposal=replace(proposal, log_density=density)))


def test_draws_that_still_count_are_kept_under_another_prior() -> None:
    of, same = even(), style_prior(BOX)
    kept = under_pooled_prior(of, same)
    assert kept.weighted_state is of.weighted_state
    assert kept.draws.weights == pytest.approx(np.full(60, 1.0 / 60))
    assert kept.problem.prior.mean == pytest.approx(of.problem.prior.mean)
    with fixed_draws():
        drawn_anew = under_pooled_prior(of, (4.0, 0.01))
    assert drawn_anew.weighted_state is not of.weighted_state
    assert drawn_anew.draws.rounds == 3


def test_the_same_fit_twice_is_the_same() -> None:
    of, prior = even(), style_prior(BOX)
    usual, first, other = (under_pooled_prior(of, prior, **seed) for seed in ({}, {"seed": 1}, {"seed": 0}))
    np.testing.assert_array_equal(usual.state.loading, first.state.loading)
    assert not np.array_equal(usual.state.loading, other.state.loading)
    with fixed_draws():
        for ask in (refitted_alike, updated_alike):
            np.testing.assert_array_equal(ask().state.loading, ask(seed=1).state.loading)
            assert not np.array_equal(ask().state.loading, ask(seed=0).state.loading)


def refitted_alike(**seed: int) -> Posterior:
    return refitted(made("plain"), made("plain").problem, **seed)


def updated_alike(**seed: int) -> Posterior:
    return refreshed(made("plain"), record(32.0), START_S + 32 * DAY_S, **seed)


@pytest.mark.parametrize("what", ["loading", "log_conductance", "leaked_g"])
def test_a_draw_that_is_no_number_stops_at_its_box(what: str) -> None:
    of = even()
    values = getattr(of.weighted_state, what).copy()
    values[:3] = np.nan
    spoiled = replace(of, weighted_state=replace(of.weighted_state, **{what: values}))
    with pytest.raises(FloatingPointError, match=r"water or leak of 3 of 60 draws is not a finite number"):
        under_pooled_prior(spoiled, style_prior(BOX))


def test_a_leak_of_nothing_or_less_is_refused_too() -> None:
    of = even()
    for leaked in (0.0, -1.0):
        none = replace(of.weighted_state, leaked_g=np.full(60, leaked))
        with pytest.raises(FloatingPointError, match="of 60 of 60 draws"):
            under_pooled_prior(replace(of, weighted_state=none), style_prior(BOX))


def test_a_supposed_box_is_not_conditioned_on_what_was_seen() -> None:
    supposed = replace(made("over"), hypothetical=True)
    assert given_below(supposed, 0.2) is supposed
    assert given_below(made("over"), 0.2) is not made("over")
    nowhere = replace(made("over"), draws=replace(made("over").draws, weights=np.zeros(60)))
    assert given_below(nowhere, 0.2) is nowhere


def test_given_below_every_draw_is_below() -> None:
    of = made("over")
    below = given_below(of, 0.2)
    full = of.state.drawn.table.loading(np.full(60, 0.2), float(of.bins.temperature_degc[-1]))
    assert np.mean(of.state.loading > full) > 0.5
    full = below.state.drawn.table.loading(np.full(60, 0.2), float(of.bins.temperature_degc[-1]))
    assert np.all(below.state.loading <= full + 1e-12)


def test_the_model_itself_is_off_by_an_eighth() -> None:
    of = made("plain")
    many = replace(of, theta=np.tile(of.theta, (200, 1)), state=of.state.take(np.tile(np.arange(60), 200)))
    ratio = np.log(mean_conductance(many) / many.state.mean_conductance)
    assert float(ratio.std()) == pytest.approx(0.12, rel=0.03)
    unmeasured = np.log(mean_conductance(replace(many, room_measured=False)) / many.state.mean_conductance)
    # drier beads than the room: the push is known no better than the room's vapor pressure is
    room_sd = of.room.log_vapor.sd(of.now_s / 86_400.0 - of.bins.length_days / 2.0)
    assert float(unmeasured.std()) > np.hypot(0.12, room_sd)


def test_a_posterior_and_its_record_are_held_as_they_are() -> None:
    of = made("plain")
    assert (of.box, of.episode, of.bins) == (of.problem.box, of.problem.episode, of.problem.bins)
    assert unchangeable(of, "now_s")
    assert of != replace(of)
    assert unchangeable(record(2.0), "room")
    one = record(2.0)
    assert one != replace(one)
    assert isinstance(one, Record)
    assert of.effective_draws == pytest.approx(effective_copies(of.theta[:, 0]))


def effective_copies(values: FloatArray) -> float:
    copies = np.array([np.sum(values == one) for one in set(values.tolist())], dtype=float)
    return float(copies.sum() ** 2 / (copies**2).sum())
