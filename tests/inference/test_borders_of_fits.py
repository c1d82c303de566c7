"""Fits, pooling, draws and workers at their borders, in plain numbers; theory where there is some."""

from __future__ import annotations

import logging
import os
from collections.abc import Callable
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import FrozenInstanceError, replace
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from fixed_draws import fixed_draws
from made_posteriors import BOX, START_S, charge, entry, fitted, hours, made, record
from scipy.special import ndtr, ndtri

from monitor.errors import TooLittleEvidence
from monitor.inference.evidence.hours import Hours
from monitor.inference.fit.fit import estimate, given_below, refitted, refreshed, under_pooled_prior
from monitor.inference.fit.importance import Draws, ProposalRecord, log_prior, reweighted, sample
from monitor.inference.fit.pooling import KnownLeaks, LeakObservation, finite_only, leak_observation_of, tested
from monitor.inference.fit.posterior import Posterior, Record, mean_conductance
from monitor.inference.fit.quantiles import quantile_points, quantiles, weighted_points
from monitor.inference.fit.reseating import SPREADS, next_episode, spread_evidence, spread_weights
from monitor.inference.fit.smc import Moves
from monitor.inference.fit.tempering import IMPOSSIBLE, Target, draw, draw_by_moves
from monitor.inference.fit.weights import effective_sample_size, largest_exponent, normalized, resample
from monitor.inference.model.box_prior import CONDUCTANCE_PER_AIR_CHANGE, style_prior
from monitor.inference.model.prior import Unknown
from monitor.inference.shelf import workers
from monitor.inference.shelf.first_fit import BoxInput, FirstFit, first_fit, refused
from monitor.inference.shelf.needed import needed_of
from monitor.inference.shelf.workers import worker_pool
from monitor.physics.numerics import FloatArray
from monitor.records import BoxHistory, EntryKind, Quantiles

DAY_S = 86_400.0


def unchangeable(one: Any, name: str, value: Any = None) -> bool:
    try:
        setattr(one, name, value)
    except FrozenInstanceError:
        return True
    return False


# readings enough


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


# pooling


def seen(
    mean: float = 0.4, sd: float = 0.2, at_s: float = START_S, start_s: float = START_S, **what: Any
) -> LeakObservation:
    return LeakObservation(what.pop("box", "made"), what.pop("style", "gasket"), at_s, start_s, mean, sd, **what)


@pytest.mark.parametrize("bad", [
    {"mean": np.nan}, {"mean": np.inf}, {"sd": np.nan}, {"sd": -0.001}, {"at_s": np.inf}, {"start_s": np.nan},
])  # fmt: skip
def test_what_is_no_number_informs_no_other_box(bad: dict[str, float], caplog: pytest.LogCaptureFixture) -> None:
    assert not seen(**bad).finite
    with caplog.at_level(logging.ERROR):
        assert finite_only([seen(), seen(**bad, box="odd"), seen(0.9)]) == [seen(), seen(0.9)]
    assert "the leak of box odd is not a finite number" in caplog.text


def test_a_sure_one_is_finite_and_a_value() -> None:
    assert seen(sd=0.0).finite
    assert seen() == seen() != seen(0.5)
    assert not seen().tested
    assert unchangeable(seen(), "mean")


def test_an_observation_is_of_earlier_beads_by_a_day() -> None:
    assert not seen().before(START_S)
    assert not seen().before(START_S + DAY_S)
    assert seen().before(START_S + DAY_S + 1.0)
    assert seen(tested=True).before(START_S - 99.0 * DAY_S)


def test_a_test_of_the_empty_box_is_read_as_air_changes() -> None:
    points = tuple(np.array([0.5, 1.0, 2.0]) * CONDUCTANCE_PER_AIR_CHANGE * 10.0)
    test = entry(EntryKind.leak_test, 3.0, conductance_g_per_day_per_kpa=points)
    [found] = tested(BOX, [test, replace(test, box="other"), charge()], START_S + 3.1 * DAY_S)
    assert (found.mean, found.sd) == pytest.approx((0.0, np.log(4.0) / (2 * 1.645)), rel=1e-3, abs=1e-12)
    assert (found.at_s, found.episode_start_s, found.tested) == (START_S + 3 * DAY_S, START_S + 3 * DAY_S, True)
    assert tested(BOX, [test], START_S + 3 * DAY_S) == []
    assert tested(BOX, [replace(test, kind=EntryKind.note)], START_S + 9 * DAY_S) == []


def with_logs(logs: FloatArray) -> Posterior:
    """A posterior whose draws have these ln air changes, about the middle of its style."""
    of, (middle, _) = made("plain"), style_prior(BOX)
    leaked = CONDUCTANCE_PER_AIR_CHANGE * 10.0 * np.exp(middle + logs)
    one = np.ones(len(logs))
    return replace(of, state=replace(of.state, leaked_g=leaked, dose_kpa_days=one, log_conductance=one))


def test_an_observation_is_the_posterior_with_the_prior_taken_out() -> None:
    """Of normals: precision 1/s² less that of the prior; a twentieth is added to the spread that is seen."""
    middle, sd = style_prior(BOX)
    found = leak_observation_of(with_logs(0.4 + 0.3 * ndtri((np.arange(4000) + 0.5) / 4000)))
    assert found is not None
    own = 0.3**-2 - sd**-2
    assert found.sd == pytest.approx(own**-0.5, rel=0.03)
    assert found.mean - middle == pytest.approx(0.4 * 0.3**-2 / own, rel=0.02)
    assert (found.box, found.style, found.at_s) == ("made", "gasket", made("plain").now_s)
    assert found.episode_start_s == made("plain").episode.start_s


@pytest.mark.parametrize("most", [-0.3, 0.0, 0.5])
def test_at_most_so_leaky_is_no_word_for_very_tight(most: float) -> None:
    """Readings that only bound a leak: with a prior as wide as boxes of a style differ, the mean is that of theory."""
    middle, sd = style_prior(BOX)
    chances = (np.arange(8000) + 0.5) / 8000 * ndtr(most / sd)
    found = leak_observation_of(with_logs(sd * ndtri(chances)))
    assert found is not None
    typical = 0.65
    by_theory = -typical * np.exp(-0.5 * (most / typical) ** 2) / np.sqrt(2.0 * np.pi) / ndtr(most / typical)
    precision = found.sd**-2 + typical**-2
    assert (found.mean - middle) * found.sd**-2 / precision == pytest.approx(by_theory, abs=0.02)


@pytest.mark.parametrize(("share", "informs"), [(0.6, True), (0.83, True), (0.87, False), (1.1, False)])
def test_an_observation_has_a_fifth_of_a_styles_precision(share: float, informs: bool) -> None:
    """1 / (share x 0.9)² - 1 / 0.9² of readings alone is a fifth of 1 / 0.65² at 0.85."""
    spread = np.sqrt((share * style_prior(BOX)[1]) ** 2 - 0.05**2)
    logs = spread * ndtri((np.arange(4000) + 0.5) / 4000)
    assert (leak_observation_of(with_logs(logs)) is not None) is informs


def test_one_earlier_episode_tells_of_the_next_as_well_as_a_lid_seats_alike() -> None:
    """The style times what the episode says, over the spreads that nothing was learned of yet."""
    mean, sd = style_prior(BOX)
    found = KnownLeaks([seen(1.5, 0.2, START_S - 9 * DAY_S, START_S - 40 * DAY_S)]).prior(BOX, START_S)
    weights = spread_weights(np.zeros(len(SPREADS)))
    precision = 1.0 / (0.2**2 + 2.0 * SPREADS**2)  # both episodes lie off their box
    by_spread = (mean / sd**2 + 1.5 * precision) / (sd**-2 + precision)
    assert found[0] == pytest.approx(float(weights @ by_spread))
    usual = 1.0 / (0.2**2 + 0.35**2)
    assert found[1] == pytest.approx((sd**-2 + usual) ** -0.5, rel=0.2)


def test_episodes_that_were_alike_make_the_next_one_known_better() -> None:
    """By how far those of its own and of boxes like it lie apart beyond their noise."""

    def sd_after(gaps: tuple[float, ...], boxes: int = 1) -> float:
        names = [BOX.name, *(f"b{k}" for k in range(boxes - 1))]
        known = [
            seen(1.5 + gap, 0.05, START_S - 9 * k * DAY_S, START_S - 9 * k * DAY_S, box=name)
            for name in names
            for k, gap in enumerate(gaps, start=1)
        ]
        return KnownLeaks(known).prior(BOX, START_S)[1]

    alike, apart = (0.05, -0.05, 0.0), (0.5, -0.5, 0.0)
    assert sd_after(alike, 9) < sd_after(alike) < 0.8 * sd_after(apart)
    assert sd_after(apart) < 0.9  # its style
    many = sd_after(alike, 40)
    assert 0.05 < many < 0.2


def test_what_is_wrong_in_every_episode_does_not_average_out() -> None:
    one, three = (next_episode([(1.0, 0.2)] * count, 0.1) for count in (1, 3))
    assert one[1] >= three[1] >= 0.2**2 + 0.1**2


def test_spreads_between_episodes_are_found_again() -> None:
    rng = np.random.default_rng(4)
    for true in (0.12, 0.35):
        boxes = [[(rng.normal(m, np.hypot(true, 0.1)), 0.1) for _ in range(3)] for m in rng.normal(0.0, 0.6, 150)]
        weights = spread_weights(spread_evidence(boxes).sum(axis=0))
        assert float(weights @ SPREADS) == pytest.approx(true, rel=0.3)
    alone = spread_evidence([[(1.0, 0.2)]])[0]
    assert alone == pytest.approx(np.full(len(SPREADS), alone[0]))


def test_many_boxes_of_a_style_tell_its_mean_and_spread() -> None:
    logs = np.random.default_rng(3).normal(1.0, 0.4, 400)
    others = [seen(float(one), 0.02, box=f"b{k}") for k, one in enumerate(logs)]
    mean, sd = KnownLeaks(others).prior(replace(BOX, name="new"), START_S)
    assert mean == pytest.approx(float(logs.mean()), abs=0.02)
    assert sd == pytest.approx(0.4, abs=0.06)
    assert KnownLeaks(others).prior(replace(BOX, name="new", style="bag"), START_S) == pytest.approx(
        style_prior(replace(BOX, style="bag"))
    )


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


# the shelf


def test_a_defect_of_ours_travels_with_its_trace() -> None:
    with pytest.raises(ZeroDivisionError) as caught:
        _ = 1 / 0
    found = refused(caught.value)
    assert found.refusal == "the estimate failed (ZeroDivisionError: division by zero); please report it"
    assert found.trace is not None
    assert "test_borders_of_fits" in found.trace
    known = refused(TooLittleEvidence("made: too new"))
    assert (known.refusal, bool(known.trace)) == ("made: too new", False)
    assert (known.leak, known.forecast) == (None, None)


def test_a_first_fit_that_fails_is_refused_and_breaks_nothing() -> None:
    nothing = BoxHistory(BOX, SimpleNamespace())  # type: ignore[arg-type]
    one, rooms = BoxInput(nothing, None, needed_of((), START_S, START_S)), ()
    found = first_fit(one, rooms, START_S)
    assert found.posterior is None
    assert "please report it" in found.refused.refusal
    assert unchangeable(found, "remark")
    assert found != replace(found)
    assert one != replace(one)
    assert unchangeable(one, "room")
    assert one.name == "made"
    assert not FirstFit(None).leak_seen_before(START_S)
    assert FirstFit(None, observations=(seen(),)).leak_seen_before(START_S + 2 * DAY_S)
    assert (FirstFit(None).remark, FirstFit(None).change_point) == ("", None)


class Pool:
    """Stands in for processes: notes how it was asked."""

    def __init__(self, count: int, _context: Any, begin: Callable[..., None], shared: tuple[Any, ...]) -> None:
        self.count, self.portions, self.ended = count, list[int](), False
        begin(*shared)

    def submit(self, do: Any, work: Any, jobs: list[Any]) -> Future[Any]:
        self.portions.append(len(jobs))
        done: Future[Any] = Future()
        done.set_result(do(work, jobs))
        return done

    def shutdown(self, *, cancel_futures: bool) -> None:
        self.ended = cancel_futures


@pytest.mark.parametrize(("boxes", "asked_for", "cores", "count"), [
    (63, 8, 8, 0), (64, 8, 8, 7), (64, 1, 8, 0), (64, 2, 8, 1), (64, None, 3, 2), (64, None, 1, 0), (400, None, 16, 15),
    (67, 32, 2, 15), (68, 32, 2, 16), (64, None, None, 0),
])  # fmt: skip
def test_with_this_one_processes_are_as_many_as_pay(
    boxes: int, asked_for: int | None, cores: int | None, count: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    begun: list[Pool] = []
    monkeypatch.setattr(os, "cpu_count", lambda: cores)
    monkeypatch.setattr(workers, "ProcessPoolExecutor", lambda *what: begun.append(Pool(*what)) or begun[-1])
    with worker_pool(10, boxes, asked_for) as executor:
        assert list(executor.each(lambda shared, job: shared + job, [1, 2, 3])) == [11, 12, 13]
        assert [one.count for one in begun] == ([count] if count else [])
        assert not any(one.ended for one in begun)
    assert all(one.ended and one.portions == [3] for one in begun)


def test_a_thread_leaves_all_work_to_other_processes(monkeypatch: pytest.MonkeyPatch) -> None:
    """Of a server, whose pages are answered meanwhile."""
    begun: list[Pool] = []
    monkeypatch.setattr(workers, "ProcessPoolExecutor", lambda *what: begun.append(Pool(*what)) or begun[-1])

    def ask() -> list[int]:
        with worker_pool(10, 64, 2) as executor:
            return list(executor.each(lambda shared, job: shared + job, range(40)))

    with ThreadPoolExecutor(1) as thread:
        assert thread.submit(ask).result() == list(range(10, 50))
    assert begun[0].count == 2
    assert begun[0].portions == [4] * 10


def test_a_pool_that_breaks_is_left_and_the_rest_done_here(
    caplog: pytest.LogCaptureFixture, monkeypatch: pytest.MonkeyPatch
) -> None:
    def breaks(self: Pool, do: Any, work: Any, jobs: list[Any]) -> Future[Any]:
        self.portions.append(len(jobs))
        done: Future[Any] = Future()
        if len(self.portions) == 1:
            done.set_result(do(work, jobs))
        else:
            done.set_exception(OSError("no memory"))
        return done

    begun: list[Pool] = []
    monkeypatch.setattr(Pool, "submit", breaks)
    monkeypatch.setattr(workers, "ProcessPoolExecutor", lambda *what: begun.append(Pool(*what)) or begun[-1])
    with worker_pool(10, 64, 2) as executor:
        for _ in range(2):
            assert list(executor.each(lambda shared, job: shared * job, range(20))) == [10 * job for job in range(20)]
    assert begun[0].portions == [4] * 2  # an answer is looked at as soon as it is there; none is sent after it broke
    assert caplog.text.count("the other processes can't be used (no memory); going on with this one") == 1


def test_hours_of_nothing_are_no_room() -> None:
    empty = Hours(0, np.empty(0), np.empty(0))
    with fixed_draws():
        assert not fitted(room=empty).room_measured
        assert fitted().room_measured
