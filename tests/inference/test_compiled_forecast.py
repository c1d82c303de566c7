"""The compiled steps of a forecast against the numpy code that they stand for, and the random numbers behind both."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from scipy.special import ndtr, ndtri
from scipy.stats import kstest, poisson
from simulated_boxes import Truth, simulated_box
from with_compiled import require_compiled_filter

from monitor.inference.answers import forecast as forecast_module
from monitor.inference.answers import leak_line, simulation
from monitor.inference.answers.drawn_future import MOST_A_STEP, Chances, Usage, poisson_counts
from monitor.inference.answers.forecast import FAN_DAYS, Futures, futures
from monitor.inference.fit.fit import estimate
from monitor.inference.fit.posterior import Posterior
from monitor.inference.model import kalman, normal
from monitor.inference.model.box_prior import prior_of
from monitor.physics.compiled import forecast_kernel
from monitor.records import Spool

KINDS: dict[str, dict[str, Any]] = {
    "tight": {"truth": Truth(conductance=0.02, dry_mass_g=300.0)},
    "at its floor": {"truth": Truth(floor=0.10)},
    "leaky": {"truth": Truth(conductance=0.8, dry_mass_g=30.0)},
    "a sieve": {"truth": Truth(kind="molecular_sieve")},
}


@pytest.fixture(scope="module", params=KINDS)
def posterior(request: pytest.FixtureRequest) -> Posterior:
    record, now_s, _ = simulated_box(KINDS[request.param]["truth"], 30, 4)
    return estimate(record, now_s, count=130)


@contextmanager
def by_numpy(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    with monkeypatch.context() as patch:
        patch.setattr(forecast_module, "compiled_steps", lambda _ahead: None)
        yield


def assert_same(ours: Futures, theirs: Futures) -> None:
    """To a billionth: vector libraries err by some units of the last digit, and steps hand that on."""
    for name in ("humidity", "crossing_days", "spent_days"):
        np.testing.assert_allclose(getattr(ours, name), getattr(theirs, name), rtol=1e-9, atol=1e-12, err_msg=name)


SETTINGS: dict[str, dict[str, Any]] = {
    "as usual": {},
    "nothing happens": {"future_events": False},
    "the leak stays": {"wandering_leak": False},
    "lids sit badly": {"badly_seated": 0.9, "seating_sd": 0.5},
}


@pytest.mark.parametrize("settings", SETTINGS)
def test_it_computes_what_numpy_does(posterior: Posterior, settings: str, monkeypatch: pytest.MonkeyPatch) -> None:
    require_compiled_filter()
    assert forecast_kernel()[0] is not None
    assumptions = replace(posterior.problem.assumptions, **SETTINGS[settings])
    posterior = replace(posterior, problem=replace(posterior.problem, assumptions=assumptions))
    ours = futures(posterior, 0.2)
    with by_numpy(monkeypatch):
        assert_same(ours, futures(posterior, 0.2))


def test_a_box_that_is_opened_all_day_comes_out_alike_too(
    posterior: Posterior, monkeypatch: pytest.MonkeyPatch
) -> None:
    require_compiled_filter()
    busy = replace(posterior.episode, all_openings=40 * 30, all_swaps=3 * 30)
    posterior = replace(posterior, problem=replace(posterior.problem, episode=busy))
    ours = futures(posterior, 0.2)
    with by_numpy(monkeypatch):
        assert_same(ours, futures(posterior, 0.2))


@pytest.mark.parametrize("spools", [(Spool("PA12", 900.0),), (Spool("PA6", 1500.0, 2), Spool("PLA", 900.0))])
def test_spools_that_will_be_swapped_come_out_alike_too(
    posterior: Posterior, spools: tuple[Spool, ...], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Fitted anew: their store, and the share that one is of it, are of the prior."""
    require_compiled_filter()
    problem = posterior.problem
    box, busy = replace(problem.box, spools=spools), replace(problem.episode, all_swaps=12)
    prior = prior_of(box, busy, problem.assumptions)
    theta = prior.drawn(len(posterior.theta), np.random.default_rng(3))
    problem = replace(problem, box=box, episode=busy, prior=prior)
    posterior = replace(posterior, problem=problem, theta=theta, state=kalman.run(problem, theta)[1])
    ours = futures(posterior, 0.2)
    with by_numpy(monkeypatch):
        assert_same(ours, futures(posterior, 0.2))


def test_water_that_is_no_number_stops_it(posterior: Posterior) -> None:
    """Compiled, a grid is looked up at its dry end for it; numpy stops at the look-up."""
    require_compiled_filter()
    wander = posterior.state.wander.copy()
    wander[3] = np.nan
    posterior = replace(posterior, state=replace(posterior.state, wander=wander))
    with pytest.raises(FloatingPointError, match="water of a draw"):
        futures(posterior, 0.2)


def test_present_and_posterior_stay_as_they_were(posterior: Posterior) -> None:
    before = [getattr(posterior.state, name).copy() for name in ("loading", "wander", "slow_humidity")]
    first, again = futures(posterior, 0.2), futures(posterior, 0.2)
    assert (first.crossing_days == again.crossing_days).all()
    for values, name in zip(before, ("loading", "wander", "slow_humidity"), strict=True):
        assert (getattr(posterior.state, name) == values).all()


def test_a_nearer_horizon_sees_the_same_futures(posterior: Posterior) -> None:
    """Of the box and of what happens to it; weather is drawn for a horizon, so the room is held still."""
    far, near = (Chances.drawn(steps, 20, 2).rows for steps in (90, 30))
    assert (far[:, :30] == near).all()


def test_without_a_fan_it_stops_where_every_draw_has_crossed() -> None:
    record, now_s, _ = simulated_box(KINDS["leaky"]["truth"], 30, 4)
    posterior = estimate(record, now_s, count=130)
    with_fan, without = futures(posterior, 0.2), futures(posterior, 0.2, with_fan=False)
    assert (with_fan.crossing_days == without.crossing_days).all()
    assert np.isfinite(with_fan.humidity[with_fan.ahead_days <= FAN_DAYS]).all()
    assert np.isnan(without.humidity[without.ahead_days == FAN_DAYS]).all()


@pytest.mark.parametrize("mean", [0.0, 1e-6, 0.3, 4.0, 60.0, MOST_A_STEP])
def test_counts_are_poissons(mean: float) -> None:
    """By scipy's quantile function of the same chances."""
    chance = np.r_[0.0, np.random.default_rng(1).random(2000, dtype=np.float32).astype(float), 1.0 - 2.0**-24]
    expected = poisson.ppf(chance, mean).clip(min=0.0)
    assert np.mean(poisson_counts(chance, np.full(len(chance), mean)) == expected) > 0.999


def test_random_numbers_of_one_step_are_what_they_are_taken_for() -> None:
    rows = Chances.drawn(40, 500, 2).rows.reshape(6, -1)
    for row, distribution in zip(rows, ("norm", "norm", "uniform", "uniform", "uniform", "norm"), strict=True):
        assert kstest(row, distribution).pvalue > 0.001
    assert np.abs(np.corrcoef(rows) - np.eye(6)).max() < 0.03
    assert rows[2:5].max() < 1.0


def test_they_are_not_those_of_the_room() -> None:
    """numpy takes (2, 0) and 2 for one seed, which would tie the weather to the leak."""
    of_room = np.random.default_rng(2).standard_normal(20_000, dtype=np.float32)
    for row in Chances.drawn(40, 500, 2).rows[:2]:
        assert abs(np.corrcoef(row.ravel(), of_room)[0, 1]) < 0.03


def test_boxes_of_one_room_share_its_weather(posterior: Posterior) -> None:
    ends = np.array([1.0, 2.0])
    one = simulation.Ahead.of(posterior, 0.2, ends, 2)
    warmer = replace(posterior, temperature_above_room_degc=3.0)
    assert simulation.Ahead.of(warmer, 0.3, ends, 2).weather is one.weather
    assert simulation.Ahead.of(warmer, 0.3, ends, 3).weather is not one.weather
    with pytest.raises(ValueError, match="read-only"):
        one.weather.degc[0, 0] = 0.0


def test_usage_does_not_hang_on_the_numbers_of_the_steps(posterior: Posterior) -> None:
    usage = Usage.drawn(posterior, 2)
    steps = Chances.drawn(1, len(usage.openings_per_day), 2).rows[:, 0]
    for row in steps:
        assert abs(np.corrcoef(row, usage.swapped_humidity)[0, 1]) < 0.35


def test_the_normal_distribution_is_scipys() -> None:
    chance = np.r_[np.geomspace(1e-300, 0.5, 400), 1.0 - np.geomspace(1e-15, 0.5, 400), np.linspace(0.01, 0.99, 99)]
    np.testing.assert_allclose(normal.quantile(chance), ndtri(chance), rtol=1e-14, atol=1e-16)
    z = np.linspace(-37.0, 9.0, 500)
    np.testing.assert_allclose(normal.below(z), ndtr(z), rtol=1e-12)


def test_what_follows_humidity_is_the_same_compiled_and_not(monkeypatch: pytest.MonkeyPatch) -> None:
    require_compiled_filter()
    rng = np.random.default_rng(5)
    start, humidity, shares = rng.random(7), rng.random((40, 7)), rng.random((40, 7))
    compiled = leak_line._lagged(start, humidity, shares)
    monkeypatch.setattr(leak_line, "forecast_kernel", lambda: (None, "switched off"))
    np.testing.assert_allclose(compiled, leak_line._lagged(start, humidity, shares), rtol=1e-12)
    kernel, _ = forecast_kernel()
    with pytest.raises(ValueError, match="of different draws"):
        kernel.follow(start[:3].copy(), humidity, shares, np.empty((40, 7)))
    with pytest.raises(ValueError, match="of different steps"):
        kernel.follow(start, humidity, shares[:3].copy(), np.empty((40, 7)))
