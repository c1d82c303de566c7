"""The drying curve: recovery over random runs, the three-point end value, and properties that always hold."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from functools import partial
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import binom, norm

from monitor.errors import OutOfRangeError, TooLittleEvidence
from monitor.inference.drying import (
    CurveFit,
    DryMass,
    EndLoading,
    Loss,
    Pace,
    RunPriors,
    WeighedPoint,
    fit_curve,
)
from monitor.inference.drying import curve as drying_curve
from monitor.inference.drying.curve import (
    DRAWS,
    PRIOR_CHANCE,
    START_SD_STEPS,
    STRAIN_CHANCE,
)
from monitor.inference.drying.prior_curves import SHAPE_RANGE, Curves, PriorCurves, masses_from
from monitor.inference.drying.weighings import MODEL_SD_SHARE, REPEAT_SD_PER_STEP
from monitor.inference.fit.quantiles import weighted_points

FEWER_DRAWS = DRAWS // 4
"""Of each fit, where many random runs are fitted: what counts there is the number of runs. Fitted with all draws the
ends of the same intervals lie 3 % of their width elsewhere (mean of twelve runs), and they are as wide. [draws]"""

PRIORS = RunPriors(DryMass(251.0, 0.05), EndLoading(0.03), Pace(3600.0, 0.7))
HOURS = np.array([0.0, 0.5, 1.0, 1.5, 2.0, 3.0]) * 3600.0
START_G = 305.5


@contextmanager
def fewer_draws() -> Iterator[None]:
    """Fit with fewer draws, moved as often; what is fitted so is remembered for no other test."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(drying_curve, "_fit", partial(drying_curve._fit, draws=FEWER_DRAWS))
        drying_curve._fit_curve.cache_clear()
        yield
    drying_curve._fit_curve.cache_clear()


def random_run(
    chance: np.random.Generator, shape: float | None, resolution_g: float
) -> tuple[Curves, list[WeighedPoint]]:
    """Return a true curve drawn from the prior, and what a kitchen scale showed of it."""
    z = chance.standard_normal((4, 1))
    dry, end = masses_from(z[0], z[1], PRIORS, START_G)
    shapes = chance.uniform(*SHAPE_RANGE, 1) if shape is None else np.array([shape])
    true = Curves(dry, np.array([START_G + resolution_g * z[3, 0]]), end, PRIORS.pace.rate_per_s(z[2]), shapes)
    mass = true.mass_g(HOURS)[0]
    sd = np.hypot(REPEAT_SD_PER_STEP * resolution_g, MODEL_SD_SHARE * (true.start_g - mass))
    shown = np.round(chance.normal(mass, sd) / resolution_g) * resolution_g
    return true, [WeighedPoint(float(t), float(m), resolution_g) for t, m in zip(HOURS, shown, strict=True)]


@pytest.mark.parametrize(
    ("law", "shape", "resolution_g", "runs"),
    [("Page", None, 1.0, 60), ("Page", None, 0.1, 40), ("Lewis", 1.0, 1.0, 60)],
)
def test_interval_covers_the_true_end_nine_times_in_ten(
    law: str, shape: float | None, resolution_g: float, runs: int
) -> None:
    """90 % intervals of end mass and of the next half hour, within the 99 % limits of a binomial count."""
    chance = np.random.default_rng(20260301)
    end_hits = gain_hits = misfits = 0
    for _ in range(runs):
        true, points = random_run(chance, shape, resolution_g)
        with fewer_draws():
            fit = fit_curve(points, PRIORS)
        misfits += not fit.fits
        end, gain = fit.end_g(), fit.gain_g(1800.0)
        true_gain = (true.mass_g(HOURS[-1]) - true.mass_g(HOURS[-1] + 1800.0))[0, 0]
        end_hits += end.p05 <= true.end_g[0] <= end.p95
        gain_hits += gain.p05 <= true_gain <= gain.p95
    low, high = binom.ppf((0.005, 0.995), runs, 0.90)
    print(
        f"{law}, scale {resolution_g:g} g: end {end_hits}/{runs}, next half hour {gain_hits}/{runs}, misfits {misfits}"
    )
    assert low <= end_hits <= high
    assert low <= gain_hits <= high
    assert misfits <= binom.ppf(0.999, runs, 2.0 - STRAIN_CHANCE - PRIOR_CHANCE)


def test_a_step_that_no_drying_makes_is_said_and_widens() -> None:
    """Thirty grams gone at once at the fourth weighing, up or down; the same without it fits and is narrow."""
    true = PriorCurves.of(PRIORS, START_G, 1.0).at(np.zeros((1, 4))).mass_g(HOURS)[0]

    def fit(step_g: float) -> CurveFit:
        shown = np.round(true) + step_g * (np.arange(len(HOURS)) >= 3)
        return fit_curve([WeighedPoint(t, m) for t, m in zip(HOURS, shown, strict=True)], PRIORS)

    smooth = fit(0.0)
    assert smooth.fits
    for step_g in (-30.0, 30.0):
        torn = fit(step_g)
        assert not torn.fits
        width_g = torn.end_g().p95 - torn.end_g().p05
        assert width_g > max(15.0, 3.0 * (smooth.end_g().p95 - smooth.end_g().p05))


@pytest.mark.parametrize("loss", [Loss(0.85, 0.01), Loss()])
def test_beads_that_fell_out_are_an_unknown_of_the_curve(loss: Loss) -> None:
    """The same curve with 15 % of the beads gone after the third weighing: what is left ends at 85 % of the end."""
    true = PriorCurves.of(PRIORS, START_G, 1.0).at(np.zeros((1, 4)))
    gone = np.arange(len(HOURS)) >= 3
    shown = np.round(true.mass_g(HOURS)[0] * np.where(gone, 0.85, 1.0))
    points = [WeighedPoint(t, m, 1.0, int(after)) for t, m, after in zip(HOURS, shown, gone, strict=True)]
    fit = fit_curve(points, PRIORS, [loss])
    assert fit.fits
    assert fit.end_g().p05 < 0.85 * true.end_g[0] < fit.end_g().p95
    assert float(np.median(fit.kept_share)) == pytest.approx(0.85, abs=0.02)
    assert not fit_curve([replace(point, losses_before=0) for point in points], PRIORS).fits


def test_without_a_weighing_there_is_no_curve() -> None:
    with pytest.raises(TooLittleEvidence, match="no weighing yet"):
        fit_curve([], PRIORS)


@pytest.mark.parametrize(
    "points",
    [
        [WeighedPoint(0.0, START_G), WeighedPoint(0.0, 300.0)],
        [WeighedPoint(0.0, 0.0)],
        [WeighedPoint(0.0, float("nan"))],
    ],
)
def test_unsound_weighings_are_refused(points: list[WeighedPoint]) -> None:
    with pytest.raises(OutOfRangeError):
        fit_curve(points, PRIORS)


def test_the_same_weighings_give_the_same_answer() -> None:
    points = [WeighedPoint(0.0, START_G), WeighedPoint(1800.0, 290.0)]
    first = fit_curve(points, PRIORS)
    drying_curve._fit_curve.cache_clear()  # so that it is fitted once more
    assert fit_curve(points, PRIORS) is not first
    assert fit_curve(points, PRIORS).end_g() == first.end_g()


def test_a_finer_scale_and_more_weighings_narrow_the_end() -> None:
    true = PriorCurves.of(PRIORS, START_G, 1.0).at(np.zeros((1, 4))).mass_g(HOURS)[0]

    def width(resolution_g: float, count: int) -> float:
        shown = np.round(true / resolution_g) * resolution_g
        points = [WeighedPoint(t, m, resolution_g) for t, m in zip(HOURS[:count], shown, strict=False)]
        end = fit_curve(points, PRIORS).end_g()
        return end.p95 - end.p05

    assert width(1.0, 6) < width(1.0, 3) < width(1.0, 1)
    assert width(0.1, 6) < width(1.0, 6)


@settings(max_examples=25, deadline=None)
@given(
    drops=st.lists(st.floats(0.0, 12.0), min_size=1, max_size=5),
    dry_sd=st.floats(0.005, 0.08),
    floor=st.floats(0.002, 0.12),
)
def test_water_is_never_created(drops: list[float], dry_sd: float, floor: float) -> None:
    """No curve ends below its dry beads, rises while it is heated, or gives more water than it held."""
    priors = RunPriors(DryMass(251.0, dry_sd), EndLoading(floor), Pace(3600.0))
    masses = np.round(306.0 - np.cumsum([0.0, *drops]))
    with fewer_draws():
        fit = fit_curve([WeighedPoint(1800.0 * i, float(m)) for i, m in enumerate(masses)], priors)
    curves = fit.curves
    assert np.all(curves.end_g >= curves.dry_mass_g - 1e-9)
    path = curves.mass_g(np.linspace(0.0, 20 * 3600.0, 8))
    assert all(np.all(after <= before + 1e-9) for before, after in pairwise(path.T))
    assert np.all(fit.loading_draws() >= -1e-12)
    assert fit.gain_g(3600.0).p05 >= 0.0
    assert fit.time_to_end_s(1.0).p05 >= 0.0


def test_the_interval_after_two_weighings_is_that_of_plain_weights() -> None:
    """Half a million curves drawn from the prior and weighed by the likelihood: slow, and right by its definition.

    The outer points lie in the long tail of a bed that stalls; a tenth of the interval is allowed.
    """
    points = [WeighedPoint(0.0, START_G), WeighedPoint(1800.0, 290.0)]
    prior = PriorCurves.of(PRIORS, START_G, START_SD_STEPS)
    z = np.random.default_rng(6).standard_normal((500_000, 4))
    curves = prior.at(z)
    repeat = np.hypot(REPEAT_SD_PER_STEP, MODEL_SD_SHARE * (curves.start_g[:, None] - curves.mass_g(HOURS[:2])))
    shown = np.array([START_G, 290.0]) - curves.mass_g(HOURS[:2])
    weights = np.prod(norm.cdf((shown + 0.5) / repeat) - norm.cdf((shown - 0.5) / repeat), axis=1)
    order = np.argsort(curves.end_g)
    expected = weighted_points(curves.end_g[order], weights[order])
    end = fit_curve(points, PRIORS).end_g()
    assert [end.p05, end.p50, end.p95] == pytest.approx(expected.tolist(), abs=0.1 * (expected[2] - expected[0]))
