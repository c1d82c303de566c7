"""What is known before a box's own readings: boxes like it, its earlier episodes, the year of its room, its beads."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from interval_coverage import at_least
from simulated_boxes import CLOSED_AT
from simulated_lives import Kind, Life, simulated_lives
from simulated_shelf import outlooks, simulated_shelf

from monitor.inference import outlook_among
from monitor.inference.answers import simulation
from monitor.inference.answers.forecast import STEPS, forecast, futures
from monitor.inference.answers.leak import leak_of
from monitor.inference.answers.simulation import Ahead
from monitor.inference.evidence.hours import Hours
from monitor.inference.evidence.room_climate import learn_room
from monitor.inference.evidence.yearly_course import DrawnCourses
from monitor.inference.fit.fit import estimate
from monitor.inference.fit.pooling import (
    KnownLeaks,
    LeakObservation,
    leak_observation_of,
)
from monitor.inference.fit.posterior import Posterior, conditioned_on_rooms, conditioned_on_sampled_rooms
from monitor.inference.fit.quantiles import quantile_points, quantiles
from monitor.inference.model.box_prior import prior_of_style
from monitor.inference.model.state import State
from monitor.physics.materials import desiccant
from monitor.physics.numerics import FloatArray
from monitor.physics.saturation import saturation_vapor_pressure_pa
from monitor.records import Box, Quantiles, RoomClimate

LEAKY = Kind(days=40, conductance=(0.9, 0.25), style="clip_lid", dry_mass_g=250.0)
YOUNG = replace(LEAKY, days=5, floor=0.15, step=0.01)


def width(found: Quantiles) -> float:
    return float(np.log(found.p95 / found.p05))


def observations(lives: list[Life]) -> list[LeakObservation]:
    found = []
    for i, life in enumerate(lives):
        posterior: Posterior = estimate(life.record, life.now_s, count=500)
        seen = leak_observation_of(posterior)
        assert seen is not None
        found.append(replace(seen, box=f"box {i}"))
    return found


def test_boxes_of_a_kind_sharpen_what_is_said_of_a_young_one() -> None:
    others = observations(simulated_lives(6, LEAKY, 61))
    alone, together, held = [], [], []
    for life in simulated_lives(6, YOUNG, 62):
        for found, pooled in ((alone, None), (together, KnownLeaks(others).prior(life.record.box, life.day_s(0)))):
            found.append(leak_of(estimate(life.record, life.now_s, pooled=pooled)).conductance_g_per_day_per_kpa)
        held.append(together[-1].p05 < life.true_mean_conductance < together[-1].p95)
    assert np.mean([width(one) for one in together]) < 0.8 * np.mean([width(one) for one in alone])
    assert at_least(0.90, held)


def test_boxes_of_another_kind_alone_teach_nothing() -> None:
    others = observations(simulated_lives(3, LEAKY, 63))
    box = replace(simulated_lives(1, YOUNG, 64)[0].record.box, style="bag")
    assert KnownLeaks(others).prior(box, 0.0) == KnownLeaks([]).prior(box, 0.0)


def test_boxes_of_all_styles_tell_how_far_those_of_one_lie_apart() -> None:
    """Shelves drawn from the stated prior, two boxes of its style and sixteen of two others: intervals hold, and are
    narrower on shelves whose boxes are alike."""
    rng, styles = np.random.default_rng(67), ("clip_lid", "gasket", "canister")
    held, narrower = [], []
    for spread in np.clip(rng.normal(0.65, 0.25, 400), 0.25, 1.25):
        means = [prior_of_style(style)[0] + rng.normal(0.0, 0.6) for style in styles]
        seen = [
            LeakObservation(f"{style} {k}", style, 0.0, 0.0, rng.normal(rng.normal(mean, spread), 0.1), 0.1)
            for style, mean in zip(styles, means, strict=True)
            for k in range(2 if style == styles[0] else 8)
        ]
        box = Box("new", 10.0, 0.2, styles[0])
        mean, sd = KnownLeaks(seen).prior(box, 0.0)
        held.append(abs(rng.normal(means[0], spread) - mean) < 1.645 * sd)
        if spread < 0.4:
            narrower.append(sd / KnownLeaks(one for one in seen if one.style == box.style).prior(box, 0.0)[1])
    assert at_least(0.90, held)
    assert np.mean(narrower) < 0.75
    assert np.mean(held) < 0.94  # of 400: two standard errors and a half


def test_an_earlier_episode_of_the_box_itself_tells_more_than_its_kin() -> None:
    life = simulated_lives(1, YOUNG, 65)[0]
    [seen] = observations(simulated_lives(1, LEAKY, 66))
    later = life.day_s(0) + 40 * 86_400.0
    others = KnownLeaks([replace(seen, box="another")]).prior(life.record.box, later)
    own = KnownLeaks([replace(seen, box=life.record.box.name)]).prior(life.record.box, later)
    assert own[1] < 0.7 * others[1]
    assert own[0] == pytest.approx(seen.mean, abs=0.5)


def year_of_room(days: int, top_day: float = 205.0) -> Hours:
    """A room whose ln vapor pressure swings by 0.4 over the year, with weather of a week."""
    rng, first = np.random.default_rng(0), int(CLOSED_AT.timestamp() // 3600)
    at_days = (first + np.arange(24.0 * days)) / 24.0
    daily = np.zeros(days + 1)
    for day in range(days):
        daily[day + 1] = 0.85 * daily[day] + 0.1 * rng.standard_normal()
    weather = np.interp(np.arange(24 * days) / 24.0, np.arange(days + 1), daily)
    kpa = 1.1 * np.exp(0.4 * np.cos(2 * np.pi * (at_days - top_day) / 365.2425) + weather)
    warm = np.full(len(kpa), 21.0) + 0.3 * np.sin(at_days * 6.28)
    return Hours(first, warm, kpa / np.asarray(saturation_vapor_pressure_pa(warm)) * 1e3)


def expected_kpa(room: Hours | None, declared: RoomClimate | None = None) -> FloatArray:
    """What is expected in the middle of the July and of the January after the record."""
    now_s = CLOSED_AT.timestamp() + 400 * 86_400.0
    days = np.array([205.0, 205.0 + 182.6]) + 57 * 365.2425
    return learn_room(room, declared, now_s).expected_kpa(days)


def test_a_year_of_its_own_record_teaches_the_rooms_season() -> None:
    july, january = expected_kpa(year_of_room(400))
    assert july == pytest.approx(1.1 * np.exp(0.4), rel=0.12)
    assert january == pytest.approx(1.1 * np.exp(-0.4), rel=0.12)


def test_a_moist_week_is_felt_in_the_days_ahead_and_forgotten_in_the_months() -> None:
    """An AR(1) residual is expected to fade as exp(-days / 5.6): the room's weather of today, counted from its middle.

    What is left after months is the level that one year has and another has not: less than a sixth of the rise.
    """
    usual = year_of_room(400)
    moist = usual.relative_humidity.copy()
    moist[-5 * 24 :] *= 1.5
    ahead, now_s = np.array([1.0, 3.0, 60.0]), usual.end_s
    logs = [
        np.log(learn_room(room, None, now_s).sample(now_s / 86_400.0, ahead, 4000, np.random.default_rng(1))[0])
        for room in (replace(usual, relative_humidity=moist), usual)
    ]
    found = np.mean(logs[0], axis=1) - np.mean(logs[1], axis=1)
    assert found[:2] == pytest.approx(np.log(1.5) * np.exp(-(ahead[:2] + 0.5) / 5.6), abs=0.04)
    assert 0.0 < found[2] < np.log(1.5) / 6.0


def test_the_south_has_its_summer_in_january() -> None:
    north, south = expected_kpa(None, RoomClimate()), expected_kpa(None, RoomClimate(southern_hemisphere=True))
    assert north[0] > 1.2 * north[1]
    assert south[1] > 1.2 * south[0]


def test_a_record_narrows_what_the_season_may_be() -> None:
    now_day = CLOSED_AT.timestamp() / 86_400.0 + 400.0
    known, guessed = (
        learn_room(room, None, now_day * 86_400.0).log_vapor.sd(now_day) for room in (year_of_room(400), None)
    )
    assert known < 0.3 * guessed


UNSEEN_ROOM = Kind(days=40, ahead_days=240, dry_mass_g=250.0, room_seen=False)


@cache
def in_rooms_unseen() -> list[tuple[Life, Posterior]]:
    return [(life, estimate(life.record, life.now_s, count=300)) for life in simulated_lives(4, UNSEEN_ROOM, 71)]


def independent(posterior: Posterior, courses: DrawnCourses) -> State:
    """As if the leak did not know in which room it was found."""
    return posterior.state


def test_in_a_room_that_nobody_measured_leak_and_room_go_together(monkeypatch: pytest.MonkeyPatch) -> None:
    """A moister room has a tighter box: the leak may be anything, and the date is known better than by each alone."""
    inside, leak_inside, narrower = [], [], []
    for life, posterior in in_rooms_unseen():
        ahead = Ahead.of(posterior, life.record.box.humidity_limit, STEPS, 2)
        leak = quantiles(ahead.posterior.state.conductance)
        days = days_left(posterior)
        with monkeypatch.context() as apart:
            apart.setattr(simulation, "conditioned_on_rooms", independent)
            narrower.append(np.ptp(np.log(days)) / np.ptp(np.log(days_left(posterior))))
        leak_inside.append(leak.p05 < life.conductance_now < leak.p95)
        inside.append(days[0] <= min(life.days_left, float(UNSEEN_ROOM.ahead_days)) <= days[1])
    assert at_least(0.90, inside)
    assert at_least(0.90, leak_inside)
    assert np.mean(narrower) < 0.9


def days_left(posterior: Posterior) -> FloatArray:
    """Return ends of the interval, up to the days that the truth is followed."""
    days = futures(posterior, posterior.box.humidity_limit, with_fan=False).crossing_days
    return np.clip(quantile_points(days, (0.05, 0.95), reached=True), 1.0, float(UNSEEN_ROOM.ahead_days))


def test_what_an_opening_is_worth_in_hours_is_known_no_better_than_the_leak_now() -> None:
    """An opening brings what the leak does in V c / G, whatever the room holds: the doubt of the leak is that of it."""
    leak, hours = [], []
    for _, posterior in in_rooms_unseen():
        found = leak_of(posterior).opening_hours
        assert found is not None
        hours.append(width(found))
        leak.append(width(quantiles(conditioned_on_sampled_rooms(posterior).conductance)))
    assert hours == pytest.approx(leak, rel=0.02)
    assert np.mean(leak) > 1.3 * np.mean([width(quantiles(p.state.conductance)) for _, p in in_rooms_unseen()])


def test_behind_a_moister_room_the_same_water_came_in() -> None:
    """Leak times push is what was seen, whichever the room."""
    posterior = in_rooms_unseen()[0][1]
    bins, rng = posterior.bins, np.random.default_rng(0)
    *_, courses = posterior.room.sample(posterior.now_s / 86_400.0, np.zeros(1), len(posterior.theta), rng)
    middle = posterior.now_s / 86_400.0 + 0.5 * (bins.edges_days[1:] + bins.edges_days[:-1])
    push = posterior.state.dose_kpa_days + bins.days @ (np.exp(courses.on(middle)) - bins.outside_kpa[:, None])
    far_apart = push > 0.3 * float(bins.outside_kpa @ bins.days)
    water = conditioned_on_rooms(posterior, courses).conductance * push
    assert far_apart.mean() > 0.8
    assert water[far_apart] == pytest.approx(
        (posterior.state.conductance * posterior.state.dose_kpa_days)[far_apart], rel=0.01
    )


def test_beads_weighed_as_they_went_in_start_from_the_scale() -> None:
    """A sensor blind below 15 %: how full the beads are is known from the scale, or hardly.

    Means of three seeds: one alone gives a ratio from 0.84 to 0.95.
    """
    held, weighed, plain = [], [], []
    for life in simulated_lives(6, replace(YOUNG, days=4, conductance=(0.15, 0.2), start_humidity=(0.07, 0.5)), 67):
        start = float(life.humidity[0])
        water = float(desiccant("silica_regular").isotherm.loading_g_per_g(start, 21.0))
        charge = replace(life.record.entries[0], mass_g=round(250.0 * (1.0 + water), 1), scale_resolution_g=0.1)
        now = life.hours_seen - 1
        used = life.capacity_scale * float(
            desiccant("silica_regular").isotherm.loading_g_per_g(life.humidity[now], 21.0)
        )
        full = life.capacity_scale * float(desiccant("silica_regular").isotherm.loading_g_per_g(0.20, 23.0))
        for found, entry in ((plain, life.record.entries[0]), (weighed, charge)):
            record = replace(life.record, entries=(entry,))
            found += [forecast(estimate(record, life.now_s, seed=seed)).capacity_used for seed in (1, 2, 3)]
        held.append(weighed[-1].p05 < used / full < weighed[-1].p95)
    assert np.mean([one.p95 - one.p05 for one in weighed]) < 0.96 * np.mean([one.p95 - one.p05 for one in plain])
    assert at_least(0.90, held)


def test_without_a_gram_the_share_of_capacity_is_told_and_closer() -> None:
    """Humidity alone gives G over capacity: the unknown mass of a lot cancels."""
    shares, grams, held = [], [], []
    for life in simulated_lives(6, Kind(days=60, conductance=(0.25, 0.3), capacity_sd=0.12), 68):
        leak = leak_of(estimate(life.record, life.now_s))
        share = leak.capacity_share_per_day_per_kpa
        assert share is not None
        full = 150.0 * life.capacity_scale * float(desiccant("silica_regular").isotherm.loading_g_per_g(0.20, 23.0))
        held.append(share.p05 < life.true_mean_conductance / full < share.p95)
        shares.append(width(share))
        grams.append(width(leak.conductance_g_per_day_per_kpa))
    assert np.mean(shares) < np.mean(grams)
    assert at_least(0.90, held)


def test_a_box_without_beads_has_no_share_of_capacity() -> None:
    empty = simulated_lives(1, Kind(desiccant=None, dry_mass_g=0.0, conductance=(0.1, 0.1)), 69)[0]
    assert leak_of(estimate(empty.record, empty.now_s)).capacity_share_per_day_per_kpa is None


def test_one_box_among_others_is_answered_as_all_of_them_together() -> None:
    """To the last digit, also beside a box of another style."""
    histories, now = simulated_shelf(4, days=20)
    histories[1] = replace(histories[1], box=replace(histories[1].box, style="bag"))
    together = outlooks(histories, now, humidity_limits=[0.15] * 4)
    for history, expected in zip(histories[:3], together[:3], strict=True):
        assert outlook_among(histories, history.box.name, now, 0.15) == expected
    assert outlook_among(histories[:1], histories[0].box.name, now, 0.15).leak != together[0].leak
