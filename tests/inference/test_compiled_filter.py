"""The compiled filter against the numpy code that it stands for, and what happens where it can't be used."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from prior_draws import problem_of
from scipy.special import log_ndtr
from simulated_boxes import Truth, simulated_box
from with_compiled import require_compiled_filter

from monitor.inference.fit.fit import estimate
from monitor.inference.model import compiled_run, kalman
from monitor.inference.model.box_prior import prior_of
from monitor.inference.model.prior import Assumptions, Normal, Unknown
from monitor.inference.model.state import Problem, State
from monitor.physics import compiled
from monitor.physics.numerics import FloatArray
from monitor.records import Spool

Pass = tuple[FloatArray, State]
KERNEL, _ = compiled.filter_kernel()
ROWS = (*compiled_run._STATE, "event_g")
DAYS = 24
NUDGE = 1e-15
"""Relative; vector libraries err by up to four units of the last digit, 9e-16 (glibc manual, from memory)."""


@pytest.fixture(autouse=True, scope="module")
def _there() -> None:
    require_compiled_filter()


@pytest.fixture
def by_numpy(monkeypatch: pytest.MonkeyPatch) -> Callable[..., Pass]:
    """Run the filter without its compiled part."""

    def run(problem: Problem, theta: FloatArray) -> Pass:
        with monkeypatch.context() as patch:
            patch.setattr(compiled_run, "filter_kernel", lambda: (None, "left aside by a test"))
            return kalman.run(problem, theta)

    return run


def assert_same(ours: Pass, theirs: Pass, nudged: Pass) -> None:
    """To a billionth, or to ten times what rounding does: a sieve past its knee makes per cents of a hair of water.

    ``nudged`` is their pass with draws that differ by some units of the last digit.
    """
    # what an update leaves of a variance is a small difference; one of water below 1e-14 counts as none (`fit.fit`)
    var_loading = 1e-5
    of_loading = np.sqrt(np.maximum(theirs[1].var_loading, var_loading))
    drift, of_slow = Assumptions().drift_sd, Assumptions().swapped_humidity_sd
    sizes = {
        "wander": drift, "var_loading": var_loading, "covariance": drift * of_loading, "event_g": 1.0,
        "var_slow": of_slow**2, "slow_with_loading": of_slow * of_loading, "slow_with_wander": of_slow * drift,
    }  # fmt: skip
    assert_near(ours[0], theirs[0], nudged[0], 1.0, "log likelihood")
    for row in ROWS:
        assert_near(*(getattr(one[1], row) for one in (ours, theirs, nudged)), sizes.get(row, 0.0), row)


def assert_near(ours: FloatArray, theirs: FloatArray, nudged: FloatArray, size: FloatArray | float, what: str) -> None:
    allowed = 1e-9 * np.maximum(np.abs(theirs), size) + 10.0 * np.abs(nudged - theirs)
    apart = np.abs(ours - theirs)
    assert (apart <= allowed).all(), f"{what}: {apart.max()} apart where {allowed[np.argmax(apart - allowed)]} may be"


@st.composite
def problems(draw: st.DrawFn) -> tuple[Problem, FloatArray]:
    """Boxes of every kind, disturbed in every way, seen by sensors with and without a floor; draws of their prior."""
    rng = np.random.default_rng(draw(st.integers(0, 2**32 - 1)))
    assume = Assumptions(
        wandering_leak=draw(st.booleans()), censored=draw(st.booleans()), drop_censored=draw(st.booleans())
    )
    floor = draw(st.sampled_from([None, 0.05, 0.2]))
    problem = problem_of(DAYS, floor, assume)
    kind = draw(st.sampled_from(["silica_regular", "molecular_sieve", "calcium_chloride", "clay", None]))
    mass_g = 0.0 if kind is None else draw(st.sampled_from([5.0, 100.0, 800.0]))
    episode = replace(problem.episode, desiccant=kind, dry_mass_g=mass_g)
    nylons = (Spool("PA6", 1500.0, 2, "dried"), Spool("PLA", 900.0))
    spools = draw(st.sampled_from([(), (Spool("PETG", 900.0),), (Spool("PA12", 900.0),), nylons]))
    box = replace(problem.box, volume_liter=draw(st.sampled_from([1.0, 10.0, 60.0])), spools=spools)
    shown = np.clip(0.08 + 0.01 * np.cumsum(rng.standard_normal(DAYS)), 0.01, 0.6)
    censored = np.zeros(DAYS, dtype=bool) if floor is None else shown <= floor
    shown = np.where(censored, floor or 0.0, shown)
    shown[rng.random(DAYS) < 0.2] = np.nan

    def in_some(share: float) -> FloatArray:
        return np.where(rng.random(DAYS) < share, rng.integers(1, 4, DAYS).astype(float), 0.0)

    is_disturbed = draw(st.booleans())
    swaps = in_some(0.1) * is_disturbed
    notes = tuple((int(i), str(rng.choice(["wet", "dried in the oven", "red"]))) for i in np.flatnonzero(swaps))
    bins = replace(
        problem.bins,
        edges_days=-np.r_[0.0, np.cumsum(rng.choice([0.5, 1.0, 2.0, 5.0], DAYS))][::-1],
        temperature_degc=21.0 + 6.0 * rng.standard_normal(DAYS),
        outside_kpa=np.abs(1.2 + 0.5 * rng.standard_normal(DAYS)),
        shown_humidity=shown,
        censored=censored,
        openings=in_some(0.3),
        swaps=swaps,
        swap_notes=notes,
        step_size=0.02 * in_some(0.1) * is_disturbed,
        loosened=0.1 * in_some(0.1) * is_disturbed,
        weighings=((3, 110.0, 0.1), (DAYS - 1, 112.0, 0.1)) if draw(st.booleans()) else (),
        new_sensors=draw(st.sampled_from([(), (), (7,), (DAYS,)])),
    )
    prior = prior_of(box, episode, assume)
    if draw(st.booleans()):
        prior = prior.with_change_point(
            log_factor=Normal(0.0, 1.2), day=Normal(0.5 * bins.length_days, 10.0), log_duration=Normal(1.0, 1.0)
        )
    theta = prior.mean + prior.sd * rng.standard_normal((draw(st.sampled_from([1, 7, 64, 130])), len(prior.mean)))
    return Problem(box, episode, bins, prior, assume), theta


@settings(
    max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow]
)
@given(problems())
def test_it_computes_what_numpy_does(by_numpy: Callable[..., Pass], drawn: tuple[Problem, FloatArray]) -> None:
    problem, theta = drawn
    assert_same(kalman.run(problem, theta), by_numpy(problem, theta), by_numpy(problem, theta * (1.0 + NUDGE)))


def test_all_of_a_real_fits_draws_come_out_alike(by_numpy: Callable[..., Pass]) -> None:
    """Also that the compiled filter was asked at all: there is next to nothing else to do for this box."""
    record, now_s, _ = simulated_box(Truth(floor=0.05), 60, 3)
    posterior = estimate(record, now_s, count=300)
    theta = np.asfortranarray(posterior.theta)
    ours, theirs = kalman.run(posterior.problem, theta), by_numpy(posterior.problem, theta)
    assert_same(ours, theirs, theirs)


def test_draws_are_left_as_they_were() -> None:
    """A pass changes its own state, not the draws, nor arrays that several fields share at the start."""
    record, now_s, _ = simulated_box(Truth(), 20, 3)
    posterior = estimate(record, now_s, count=100)
    theta = np.asfortranarray(posterior.theta)
    before = theta.copy()
    score, state = kalman.run(posterior.problem, theta)
    again, _ = kalman.run(posterior.problem, theta)
    assert (theta == before).all()
    assert (score == again).all()
    assert state.leaked_g.min() > 0.0
    assert (state.event_g == 0.0).all()


def test_no_bins_change_nothing() -> None:
    """A box that is asked for twice within the hour."""
    problem = problem_of(0, None, Assumptions())
    theta = problem.prior.mean[None, :].copy()
    state, _ = kalman._start(replace(problem, bins=problem_of(1, None, Assumptions()).bins), theta)
    loading = state.loading.copy()
    assert kalman.run_on(problem, theta, state) == pytest.approx([0.0])
    assert (state.loading == loading).all()


def test_water_that_is_no_number_stops_it() -> None:
    problem = problem_of(5, None, Assumptions())
    theta = problem.prior.mean[None, :].copy()
    theta[0, Unknown.log_conductance] = np.nan
    with pytest.raises(FloatingPointError, match="water of a draw"):
        kalman.run(problem, theta)


def test_chances_far_out_are_scipys() -> None:
    z = np.r_[-np.geomspace(1e-9, 1e8, 400), np.geomspace(1e-9, 30.0, 300), np.linspace(-21.0, -19.0, 101), 0.0]
    assert [KERNEL.log_ndtr(float(each)) for each in z] == pytest.approx(log_ndtr(z), rel=1e-12, abs=0.0)


def test_a_file_that_was_compiled_from_other_sources_is_left_aside(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    for source in compiled.SOURCES:
        (tmp_path / source).parent.mkdir(parents=True, exist_ok=True)
        (tmp_path / source).write_bytes((compiled._PACKAGE / source).read_bytes())
    monkeypatch.setattr(compiled, "_PACKAGE", tmp_path)
    assert fresh_look() == (KERNEL, "")
    with (tmp_path / compiled.SOURCES[0]).open("a") as source_file:
        source_file.write("\n")
    assert fresh_look() == (None, "compiled from other sources than these")


def test_a_file_that_is_missing_or_for_another_python_is_done_without(monkeypatch: pytest.MonkeyPatch) -> None:
    def missing(name: str) -> Any:
        raise ImportError(name)

    monkeypatch.setattr(compiled, "import_module", missing)
    assert fresh_look() == (None, "not compiled when siccast was installed here")


def fresh_look() -> tuple[Any, str]:
    return compiled.filter_kernel.__wrapped__()


@pytest.mark.parametrize(("switch", "answer"), [("0", "None switched off by SICCAST_COMPILED=0"), ("1", "there")])
def test_the_environment_switches_it_off(switch: str, answer: str) -> None:
    program = (
        "from monitor.physics.compiled import filter_kernel\n"
        "kernel, why_not = filter_kernel()\n"
        "print(kernel and 'there', why_not)"
    )
    done = subprocess.run(
        [sys.executable, "-c", program],
        env={**os.environ, compiled.SWITCH: switch},
        capture_output=True,
        text=True,
        check=True,
    )
    assert done.stdout.strip() == answer
