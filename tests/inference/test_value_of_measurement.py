"""What a measurement is expected to narrow is what it narrows once it is made."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import timedelta

import numpy as np
import pytest
from simulated_boxes import CLOSED_AT
from simulated_lives import Kind, Life, simulated_lives, with_logged

from monitor.inference.answers.forecast import crossing_ahead
from monitor.inference.answers.value_of_measurement import (
    best_measurement,
    expected_narrowing,
    measurements,
    most_useful,
)
from monitor.inference.fit.fit import estimate
from monitor.inference.fit.posterior import Posterior
from monitor.inference.model.prior import Unknown
from monitor.physics.materials import desiccant
from monitor.physics.numerics import FloatArray
from monitor.records import EntryKind, LedgerEntry

BLIND = Kind(days=40, floor=0.15, step=0.01, accuracy=0.03, capacity_sd=0.0)


def test_a_measurement_of_a_normal_narrows_as_theory_says() -> None:
    """1 - sqrt(1 - r²) of a normal's interval, r the correlation of reading and answer (normal theory)."""
    rng = np.random.default_rng(2)
    reads = rng.standard_normal(4000)
    for r in (0.2, 0.6, 0.9, 0.98):
        answer = r * reads + np.sqrt(1.0 - r * r) * rng.standard_normal(4000)
        assert expected_narrowing(reads, 0.01, answer) == pytest.approx(1.0 - np.sqrt(1.0 - r * r), abs=0.07)
    assert expected_narrowing(reads, 50.0, answer) == pytest.approx(0.0, abs=0.03)


def weighed(life: Life, day: float, kind: EntryKind = EntryKind.weighing) -> LedgerEntry:
    """A weighing of the beads as they truly are, on a scale that shows 0.1 g."""
    humidity = float(life.humidity[min(int(24 * day), life.hours_seen - 1)])
    held = float(desiccant("silica_regular").isotherm.loading_g_per_g(humidity, 21.0))
    mass = round(BLIND.dry_mass_g * (1.0 + held), 1)
    return LedgerEntry(kind, "made", CLOSED_AT + timedelta(days=day), mass_g=mass, scale_resolution_g=0.1)


def loaded(life: Life) -> Life:
    charge = replace(life.record.entries[0], mass_g=weighed(life, 0.0).mass_g, scale_resolution_g=0.1)
    return replace(life, record=replace(life.record, entries=(charge, *life.record.entries[1:])))


def width(values: FloatArray) -> float:
    return float(np.ptp(np.quantile(values, [0.05, 0.95])))


def test_a_weighing_narrows_the_leak_as_much_as_was_expected() -> None:
    expected, found = [], []
    for life in map(loaded, simulated_lives(6, BLIND, seed=4)):
        before = estimate(life.record, life.now_s)
        scale = next(one for one in measurements(before) if one.advice.startswith("Weigh the beads again"))
        grams = np.log(before.state.conductance)
        expected.append(expected_narrowing(scale.reads(before), scale.sd, grams))
        after = estimate(with_logged(life, weighed(life, 39.9)).record, life.now_s)
        found.append(1.0 - width(np.log(after.state.conductance)) / width(grams))
    assert np.mean(expected) > 0.3
    assert np.mean(found) == pytest.approx(np.mean(expected), abs=0.12)


def advice_for(kind: Kind, known: tuple[float, float] | None = None) -> str:
    life = simulated_lives(1, kind, seed=9)[0]
    posterior: Posterior = estimate(life.record, life.now_s, pooled=known)
    ahead, _ = crossing_ahead(posterior, kind.limit)
    return best_measurement(posterior, ahead, most_useful(posterior, ahead, kind.limit))


def test_what_a_fit_found_is_kept_while_it_holds() -> None:
    """At the same limit, and while there is time for it; a box that is over its limit needs none."""
    kind = replace(BLIND, conductance=(0.05, 0.0))
    life = simulated_lives(1, kind, seed=9)[0]
    posterior = estimate(life.record, life.now_s)
    ahead, _ = crossing_ahead(posterior, kind.limit)
    found = most_useful(posterior, ahead, kind.limit)
    assert found is not None
    known = replace(found, advice="Look at it.", share=0.5)
    assert most_useful(posterior, ahead, kind.limit, known) is known
    assert best_measurement(posterior, ahead, known).startswith("Look at it. The ")
    assert most_useful(posterior, ahead, kind.limit, replace(known, limit=0.99 * kind.limit)) == found
    too_long = replace(known, takes_days=float(np.median(ahead.crossing_days)) + 1.0)
    assert most_useful(posterior, ahead, kind.limit, too_long) == found
    over, _ = crossing_ahead(posterior, 0.001)
    assert most_useful(posterior, over, 0.001, replace(known, limit=0.001)) is None
    assert best_measurement(posterior, over, None) == "Dry the beads; no measurement is needed."


def test_a_box_whose_sensor_is_blind_is_to_be_weighed() -> None:
    assert advice_for(replace(BLIND, conductance=(0.05, 0.0))).startswith("Weigh the beads now and again")


def test_near_the_limit_a_poor_sensor_is_to_be_checked() -> None:
    near = Kind(days=45, conductance=(0.6, 0.0), capacity_sd=0.0, accuracy=0.06, dry_mass_g=150.0, limit=0.25)
    life = simulated_lives(1, near, seed=9)[0]
    posterior = estimate(life.record, life.now_s)
    assert posterior.theta[:, Unknown.sensor_bias].std() > 0.01
    assert advice_for(near).startswith(("Put the sensor", "Put the beads"))


def test_how_much_narrower_is_said() -> None:
    assert re.search(r"The day would then be known to within about \d+ days? instead of (\d+)\.$", advice_for(BLIND))
