"""A made-up box with a known leak gives it back; too little evidence is an answer."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from simulated_boxes import CLOSED_AT, Truth, entry, simulated_box, with_entries

from monitor.errors import TooLittleEvidence
from monitor.inference.answers.forecast import forecast
from monitor.inference.answers.leak import leak_of
from monitor.inference.fit.fit import estimate
from monitor.physics.materials import mixed_kind
from monitor.records import EntryKind


def test_a_known_leak_is_given_back_and_the_date_lies_in_its_interval() -> None:
    record, now_s, left = simulated_box(Truth(conductance=0.2), seen_days=30, whole_days=400)
    posterior = estimate(record, now_s)
    leak = leak_of(posterior).conductance_g_per_day_per_kpa
    assert leak.p05 < 0.2 < leak.p95
    assert leak.p95 / leak.p05 < 3.0
    dates = forecast(posterior).cross_at
    assert dates.p05 is not None
    assert dates.p95 is not None
    assert dates.p05.timestamp() < now_s + 86_400.0 * left < dates.p95.timestamp()


def test_gel_and_sieve_side_by_side_give_back_their_leak_and_date() -> None:
    mixed = mixed_kind([("silica_regular", 70.0), ("mol_sieve", 30.0)])
    truth = Truth(conductance=0.2, kind=mixed, start_humidity=0.03)
    record, now_s, left = simulated_box(truth, seen_days=40, whole_days=400)
    posterior = estimate(record, now_s)
    leak = leak_of(posterior).conductance_g_per_day_per_kpa
    assert leak.p05 < 0.2 < leak.p95
    dates = forecast(posterior).cross_at
    assert dates.p05 is not None
    assert dates.p05.timestamp() < now_s + 86_400.0 * left
    assert dates.p95 is None or now_s + 86_400.0 * left < dates.p95.timestamp()


def test_two_days_of_readings_are_too_little() -> None:
    record, now_s, _ = simulated_box(Truth(), seen_days=2)
    with pytest.raises(TooLittleEvidence, match=r"too new: the forecast starts after about \d+ more hours of"):
        estimate(record, now_s)


def test_readings_after_the_instant_change_nothing() -> None:
    record, now_s, _ = simulated_box(Truth(), seen_days=20)
    longer, _, _ = simulated_box(Truth(), seen_days=40)
    one, other = estimate(record, now_s), estimate(longer, now_s)
    np.testing.assert_array_equal(one.theta, other.theta)


def test_a_logged_recharge_starts_a_new_episode() -> None:
    record, now_s, _ = simulated_box(Truth(), seen_days=30)
    swapped = with_entries(record, entry(EntryKind.recharge, 10.0, method="new"))
    assert estimate(swapped, now_s).bins.length_days == pytest.approx(20.0)


def test_a_recharge_nobody_logged_is_seen() -> None:
    record, now_s, _ = simulated_box(Truth(conductance=0.8), seen_days=40)
    fresh, _, _ = simulated_box(Truth(conductance=0.8), seen_days=20)
    humidity = record.hours.relative_humidity.copy()
    humidity[20 * 24 :] = fresh.hours.relative_humidity
    hours = replace(record.hours, relative_humidity=humidity)
    episode = estimate(replace(record, hours=hours), now_s).episode
    assert episode.unlogged
    assert abs(episode.start_s - CLOSED_AT.timestamp() - 20 * 86_400.0) < 6 * 3600.0


def test_weighings_tell_the_grams() -> None:
    record, now_s, _ = simulated_box(Truth(conductance=0.3), seen_days=40)
    plain = leak_of(estimate(record, now_s))
    # the true charge gained what the balance says: weigh it twice, 30 days apart
    from simulated_boxes import room_hours, true_humidity

    from monitor.physics.materials import desiccant

    vapor, warm = room_hours(400)
    humidity = true_humidity(Truth(conductance=0.3), vapor, warm)
    at = [24 * 5, 24 * 35]
    masses = [
        100.0 + 100.0 * float(desiccant("silica_regular").isotherm.loading_g_per_g(humidity[i], warm[i])) for i in at
    ]
    weighed = with_entries(
        record,
        *(
            entry(EntryKind.weighing, i / 24, mass_g=round(m, 1), scale_resolution_g=0.1)
            for i, m in zip(at, masses, strict=True)
        ),
    )
    sharper = leak_of(estimate(weighed, now_s))
    assert sharper.grams_known
    assert not plain.grams_known
    one, other = plain.conductance_g_per_day_per_kpa, sharper.conductance_g_per_day_per_kpa
    assert other.p05 < 0.3 < other.p95
    assert np.log(other.p95 / other.p05) < np.log(one.p95 / one.p05)


def test_a_floor_is_said_and_widens_the_interval() -> None:
    clear, now_s, _ = simulated_box(Truth(conductance=0.1), seen_days=30)
    hidden, _, _ = simulated_box(Truth(conductance=0.1, floor=0.20, step=0.01), seen_days=30)
    one = leak_of(estimate(clear, now_s)).conductance_g_per_day_per_kpa
    posterior = estimate(hidden, now_s)
    other = leak_of(posterior).conductance_g_per_day_per_kpa
    assert other.p95 / other.p05 > 2.0 * one.p95 / one.p05
    assert posterior.bins.floor == 0.20
