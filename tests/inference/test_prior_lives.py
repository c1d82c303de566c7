"""Made-up boxes of the calibration bench keep their water: it is bound by what no noise may change."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import prior_lives
import pytest
from prior_lives import ASSUME, Column, _Batch, _Blend

from monitor.inference.model.prior import Unknown
from monitor.physics.sorption.tabulated import SorptionTable

SILENT = replace(ASSUME, settling_humidity=0.0, unknown_g_per_g=0.0, unknown_share=0.0, drift_sd=0.0)
DAYS = 20


@pytest.mark.parametrize("beads", ["silica_gel_regular_density", "molecular_sieve_13X"])
def test_a_warmer_day_drives_no_water_out_of_a_tight_box(beads: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """True by the balance: nothing leaks, so the beads hold what they held, but for the centigrams in 10 L of air.

    At the same humidity they would hold 0.5 g less at 28 °C than at 18 °C. Humidity goes by Dubinin's law instead.
    """
    monkeypatch.setattr(prior_lives, "ASSUME", SILENT)
    box = _Batch(beads, [Column("±2 %", "quiet")], np.random.default_rng(1))
    box.room_degc = np.where(np.arange(DAYS) % 2, 28.0, 18.0)[:, None]
    box.room_kpa = np.ones((DAYS, 1))
    priors, theta = box._first()
    theta[:] = priors[0].mean
    theta[:, [Unknown.log_conductance, Unknown.log_slow_capacity]] = -20.0
    theta[:, Unknown.log_start_humidity] = np.log(0.10)
    course = box._followed(theta, priors[0], np.zeros(1, int), np.full(1, DAYS), 0)
    held = np.array(course.beads_g)
    assert np.ptp(held) < 0.03
    humidity = np.array(course.path)[:, 2, 0]
    cool, warm = humidity[0], humidity[2]
    assert np.log(warm) / np.log(cool) == pytest.approx((18.0 + 273.15) / (28.0 + 273.15), rel=0.02)


@pytest.mark.parametrize("beads", ["silica_gel_regular_density", "molecular_sieve_13X", "activated_alumina"])
def test_made_up_beads_have_the_isotherm_that_the_model_states(beads: str) -> None:
    """At any shape that a prior may draw, warm or cool: humidity over the same water by the model's table, to 3 %.

    Where blends would fall, both are flat, and only that is asked.
    """
    prior = _Batch(beads, [Column("±2 %", "quiet")], np.random.default_rng(1))._first()[0][0]
    shape = np.linspace(-0.5, 1.5, 9)
    made, stated = _Blend(prior, shape), SorptionTable(*prior.shapes, shape)
    humidity = np.geomspace(0.002, 0.6, 40)
    for degc in (16.0, 23.0, 30.0):
        held = np.array([made.loading_g_per_g(np.full(9, one), np.full(9, degc)) for one in humidity])
        assert (np.diff(held, axis=0) > 0.0).all()
        rising = np.diff(held, axis=0).min(axis=0) > 1e-5
        assert rising.sum() >= 5
        found = np.array([stated.humidity(row, degc)[0] for row in held])
        assert found[:, rising] == pytest.approx(np.tile(humidity[:, None], (1, rising.sum())), rel=0.03, abs=3e-4)
        steps = 1e-6 * np.ones(9)
        rise = made.loading_g_per_g(np.full(9, 0.1003) + steps, degc) - made.loading_g_per_g(np.full(9, 0.1003), degc)
        assert made.slope(np.full(9, 0.1003), degc) * 1e-6 == pytest.approx(rise, rel=1e-3)
