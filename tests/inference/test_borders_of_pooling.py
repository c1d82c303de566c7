"""What boxes tell one another, at its borders, in plain numbers; theory where there is some."""

from __future__ import annotations

import logging
from dataclasses import replace

import numpy as np
import pytest
from fixed_posteriors import BOX, START_S, charge, entry, made, observed, unchangeable
from scipy.special import ndtr, ndtri
from scipy.stats import multivariate_normal

from monitor.inference.fit.pooling import KnownLeaks, finite_only, leak_observation_of, tested
from monitor.inference.fit.posterior import Posterior
from monitor.inference.fit.reseating import SPREADS, next_episode, spread_evidence, spread_weights
from monitor.inference.model.box_prior import CONDUCTANCE_PER_AIR_CHANGE, style_prior
from monitor.physics.numerics import FloatArray
from monitor.records import EntryKind

DAY_S = 86_400.0


@pytest.mark.parametrize("bad", [
    {"mean": np.nan}, {"mean": np.inf}, {"sd": np.nan}, {"sd": -0.001}, {"at_s": np.inf}, {"start_s": np.nan},
])  # fmt: skip
def test_what_is_no_number_informs_no_other_box(bad: dict[str, float], caplog: pytest.LogCaptureFixture) -> None:
    assert not observed(**bad).finite
    with caplog.at_level(logging.ERROR):
        assert finite_only([observed(), observed(**bad, box="odd"), observed(0.9)]) == [observed(), observed(0.9)]
    assert "the leak of box odd is not a finite number" in caplog.text


def test_a_sure_one_is_finite_and_a_value() -> None:
    assert observed(sd=0.0).finite
    assert observed() == observed() != observed(0.5)
    assert not observed().tested
    assert unchangeable(observed(), "mean")


def test_an_observation_is_of_earlier_beads_by_a_day() -> None:
    assert not observed().before(START_S)
    assert not observed().before(START_S + DAY_S)
    assert observed().before(START_S + DAY_S + 1.0)
    assert observed(tested=True).before(START_S - 99.0 * DAY_S)


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
    found = KnownLeaks([observed(1.5, 0.2, START_S - 9 * DAY_S, START_S - 40 * DAY_S)]).prior(BOX, START_S)
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
            observed(1.5 + gap, 0.05, START_S - 9 * k * DAY_S, START_S - 9 * k * DAY_S, box=name)
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
    others = [observed(float(one), 0.02, box=f"b{k}") for k, one in enumerate(logs)]
    mean, sd = KnownLeaks(others).prior(replace(BOX, name="new"), START_S)
    assert mean == pytest.approx(float(logs.mean()), abs=0.02)
    assert sd == pytest.approx(0.4, abs=0.06)
    assert KnownLeaks(others).prior(replace(BOX, name="new", style="bag"), START_S) == pytest.approx(
        style_prior(replace(BOX, style="bag"))
    )


def test_what_is_wrong_in_every_box_does_not_average_out() -> None:
    """Half of the variance of an observation is common to all boxes, none of a test's; shelves drawn so are held."""
    new = replace(BOX, name="new")

    def sd_by(count: int, *, of_tests: bool = False) -> float:
        others = [observed(1.0, 0.6, box=f"b{k}", tested=of_tests) for k in range(count)]
        return KnownLeaks(others).prior(new, START_S)[1]

    assert sd_by(1) == pytest.approx(sd_by(1, of_tests=True))
    assert sd_by(100) > 1.15 * sd_by(100, of_tests=True)
    rng, held = np.random.default_rng(7), []
    for spread in np.clip(rng.normal(0.65, 0.25, 400), 0.25, 1.25):
        style = style_prior(BOX)[0] + rng.normal(0.0, 0.6)
        off = rng.normal(0.0, 0.5 * np.sqrt(0.5)) + rng.normal(0.0, np.hypot(spread, 0.5 * np.sqrt(0.5)), 12)
        mean, sd = KnownLeaks(observed(style + one, 0.5, box=f"b{k}") for k, one in enumerate(off)).prior(new, START_S)
        held.append(abs(rng.normal(style, spread) - mean) < 1.645 * sd)
    assert 0.86 < np.mean(held) < 0.94  # of 400: two and a half standard errors


def test_the_likelihood_of_a_style_is_that_of_a_normal_with_these_covariances() -> None:
    """Against scipy's multivariate normal, the mean of the style on a grid."""
    means, sds, is_test = np.array([0.9, 1.6, 0.4]), np.array([0.3, 0.5, 0.2]), (False, False, True)
    others = [
        observed(*row, box=f"b{k}", tested=t) for k, (*row, t) in enumerate(zip(means, sds, is_test, strict=True))
    ]
    common = sds * np.sqrt([0.5, 0.5, 0.0])
    usual, grid = style_prior(BOX)[0], np.linspace(-6.0, 6.0, 2001)
    spreads = np.linspace(0.25, 1.25, 11)
    weights, of_mean = [], []
    for spread in spreads:
        covariance = np.diag(sds**2 - common**2 + spread**2) + np.outer(common, common)
        logs = multivariate_normal(cov=covariance).logpdf(means - grid[:, None]) - 0.5 * ((grid - usual) / 0.6) ** 2
        density = np.exp(logs)
        weights.append(density.sum() * np.exp(-0.5 * ((spread - 0.65) / 0.25) ** 2))
        middle = float(density @ grid / density.sum())
        of_mean.append((middle, float(density @ (grid - middle) ** 2 / density.sum())))
    shares = np.array(weights) / np.sum(weights)
    middles, variances = np.array(of_mean).T
    mean = float(shares @ middles)
    variance = float(shares @ (variances + spreads**2 + (middles - mean) ** 2))
    assert KnownLeaks(others).prior(replace(BOX, name="new"), START_S) == pytest.approx((mean, variance**0.5), rel=1e-4)
