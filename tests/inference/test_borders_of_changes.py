"""Changes of the leak at their borders, within an episode and from one to the next; odds by hand."""

from __future__ import annotations

from dataclasses import FrozenInstanceError, replace

import numpy as np
import pytest
from fixed_posteriors import START_S, after, but, made

from monitor.inference.answers.drawn_future import Usage
from monitor.inference.fit.change_point import ChangePoint, change_point_of, words_for
from monitor.inference.fit.levels import Level, SameBeads, latest_change_point
from monitor.inference.fit.posterior import Posterior
from monitor.inference.fit.reseating import SPREADS, spread_weights
from monitor.inference.model.prior import Unknown
from monitor.records import Quantiles

LIDS = spread_weights(np.zeros(len(SPREADS)))


def test_changes_and_levels_are_values() -> None:
    assert words_for(change()) == words_for(replace(change()))
    assert change() == change() != change(2.0)
    assert level(1.0, 2.0) == level(1.0, 2.0)
    for one in (change(), level(1.0, 2.0)):
        with pytest.raises(FrozenInstanceError):
            one.sd = 0.0  # type: ignore[union-attr, misc]
    assert ChangePoint(after(1.0), (after(1.0), after(1.0)), Quantiles(1.0, 2.0, 3.0), 0.9).took_days == 0.0


def change(factor: float = 3.0, opened: str = "", took_days: float = 1.0) -> ChangePoint:
    at = after(20.0)
    return ChangePoint(at, (at, at), Quantiles(0.5 * factor, factor, 2.0 * factor), 0.9, took_days, opened)


def test_what_a_change_may_come_from() -> None:
    assert words_for(change(0.99)) == "It seals better now."
    assert words_for(change(0.99, "recharge")) == "It seals better now."
    assert words_for(change(1.0)) != "It seals better now."
    assert words_for(change(1.01, "recharge")).startswith("Fresh beads went in on those days.")
    assert words_for(change(1.01, "opening")).startswith("It was opened on those days.")
    assert words_for(change(3.0, "opening", 40.0)).startswith("It was opened on those days.")
    assert words_for(change(3.0, "", 13.9)).startswith("No opening was logged on those days.")
    assert words_for(change(3.0, "", 14.0)).startswith("No opening was logged on those days.")
    assert words_for(change(3.0, "", 14.1)) == "It came on little by little, as an aging seal does."


def with_change_in(count: int) -> Posterior:
    """So many of its 60 draws have a change."""
    of, plain = made("changed"), np.arange(60) >= count
    theta = np.where(plain[:, None], of.theta, of.theta[np.argmax(of.theta[:, Unknown.change_day])])
    theta[plain, Unknown.change_day] = -1e6
    return replace(of, theta=theta)


@pytest.mark.parametrize(("count", "reported"), [(20, False), (47, False), (48, True), (60, True)])
def test_a_change_is_reported_from_four_times_out_of_five(count: int, reported: bool) -> None:
    found = change_point_of(with_change_in(count))
    assert (found is not None) is reported
    assert found is None or found.chance == pytest.approx(count / 60)
    assert change_point_of(made("plain")) is None


@pytest.mark.parametrize(("day", "is_said"), [(1.4, False), (1.6, True)])
def test_what_began_with_the_episode_is_no_change_of_it(day: float, is_said: bool) -> None:
    """The first 1.5 days show no leak, so what it was before that is not known."""
    of = made("changed")
    theta = of.theta.copy()
    theta[theta[:, Unknown.change_day] > -1e5, Unknown.change_day] = day
    assert change_point_of(of) is not None
    assert (change_point_of(replace(of, theta=theta)) is not None) is is_said


@pytest.mark.parametrize("kind", ["openings_s", "swaps_s"])
def test_an_opening_within_two_days_is_named_with_a_change(kind: str) -> None:
    of = but(made("changed"), episode={"openings_s": (), "swaps_s": ()})
    found = change_point_of(of)
    assert found is not None
    assert found.opened == ""
    first_s, last_s = (at.timestamp() for at in found.between)
    for at_s, near in (
        (first_s - 2 * 86_400.0 - 9.0, False), (first_s - 2 * 86_400.0 + 9.0, True), (0.5 * (first_s + last_s), True),
        (last_s + 2 * 86_400.0 - 9.0, True), (last_s + 2 * 86_400.0 + 9.0, False),
    ):  # fmt: skip
        there = change_point_of(but(of, episode={kind: (at_s,)}))
        assert there is not None
        assert there.opened == ("opening" if near else "")


def test_a_spool_that_came_with_dried_beads_tells_nothing_of_those_to_come() -> None:
    """Its box's readings never stood alone before it, as they do before one that is swapped later."""
    dried = but(made("plain"), episode={"spools_went_in": False})
    start_s = dried.episode.start_s
    usual, with_beads, later = (
        Usage.drawn(but(dried, episode={"swaps_s": at_s}), 2).swapped_humidity
        for at_s in ((), (start_s + 600.0,), (start_s + 9e5,))
    )
    assert np.array_equal(with_beads, usual)
    assert later.std() < usual.std()


def newest(levels: list[Level]) -> ChangePoint | None:
    return latest_change_point(levels, LIDS)


def level(day: float, log_conductance: float, sd: float = 0.1, there: ChangePoint | None = None) -> Level:
    return Level(START_S + 86_400.0 * day, log_conductance, sd, there)


def chance_by_hand(gap: float, sd: float, days: float) -> float:
    """Odds of two normals, 0.35 and 1.2 wide beside the error, times days over one in 400 days."""
    usual, changed = np.hypot(sd, 0.35), np.sqrt(sd**2 + 0.35**2 + 1.2**2)
    odds = np.exp(-0.5 * (gap / changed) ** 2 + 0.5 * (gap / usual) ** 2) * usual / changed * days / 400.0
    return float(odds / (1.0 + odds))


@pytest.mark.parametrize("gap", [-1.5, -1.1, 0.5, 0.9, 1.0, 1.05, 1.1, 1.2, 2.0])
@pytest.mark.parametrize(("sd", "days"), [(0.05, 30.0), (0.2, 30.0), (0.2, 120.0)])
def test_a_step_between_episodes_is_told_from_four_to_one_on(gap: float, sd: float, days: float) -> None:
    chance = chance_by_hand(gap, float(np.hypot(sd, 0.1)), days)
    found = newest([level(0.0, -2.0), level(days, -2.0 + gap, sd)])
    assert (found is not None) is (chance >= 0.8)
    if found is not None:
        spread = 1.6448536 * np.hypot(sd, 0.1)
        by_hand = tuple(np.exp([gap - spread, gap, gap + spread]))
        assert found.chance == pytest.approx(chance)
        assert (found.factor.p05, found.factor.p50, found.factor.p95) == pytest.approx(by_hand, rel=1e-4)
        assert found.at == after(days)
        assert found.between == (after(days), after(days))
        assert (found.opened, found.took_days) == ("recharge", 0.0)


def test_the_newest_change_counts() -> None:
    first, second = change(2.0), change(4.0)
    assert newest([level(0.0, -2.0, there=first), level(30.0, -2.0, there=second)]) is second
    assert newest([level(0.0, -2.0, there=first), level(30.0, -2.0)]) is first
    assert newest([level(0.0, -2.0, there=first)]) is first
    between = newest([level(0.0, -2.0, there=first), level(30.0, 0.5), level(60.0, 0.5)])
    assert between is not None
    assert between.at == after(30.0)
    within = newest([level(0.0, -2.0), level(30.0, 0.5, there=second)])
    assert within is second
    assert newest([level(0.0, -2.0), level(30.0, -2.0)]) is None
    assert newest([level(0.0, -2.0), level(30.0, np.nan)]) is None


def line_by_hand(logs: list[float], sd: float, days: float) -> float:
    """Chance of a line, summed over its slope, the level and how lids sit, against none."""
    at, away = np.linspace(-0.5, 0.5, len(logs)), np.linspace(-6.0, 6.0, 601)
    levels, slopes = np.linspace(-8.0, 4.0, 601)[:, None, None], away[:, None]
    there = (np.array(logs) - levels - slopes * at)[..., None] ** 2 / (sd**2 + SPREADS**2)
    likely = np.exp(-0.5 * there.sum(axis=2)) * (sd**2 + SPREADS**2) ** (-0.5 * len(logs))
    by_slope = (likely.sum(axis=0) * LIDS).sum(axis=1)
    density = np.exp(-0.5 * (away / 1.2) ** 2) / (1.2 * np.sqrt(2.0 * np.pi)) * (away[1] - away[0])
    odds = float(by_slope @ density / by_slope[300]) * days / 400.0
    return odds / (1.0 + odds)


@pytest.mark.parametrize("logs", [[-2.0, -1.6, -1.2, -0.8], [-1.0, -1.4, -1.9, -2.3], [-2.0, -1.5, -1.0]])
def test_a_leak_that_goes_one_way_over_episodes_is_told_from_four_to_one_on(logs: list[float]) -> None:
    span = 60.0 * (len(logs) - 1)
    chance = line_by_hand(logs, 0.1, span)
    found = newest([level(60.0 * i, log) for i, log in enumerate(logs)])
    assert (found is not None) is (chance >= 0.8)
    if found is not None:
        assert found.chance == pytest.approx(chance, abs=0.003)
        assert found.factor.p50 == pytest.approx(np.exp(logs[-1] - logs[0]), rel=0.05)
        assert (found.at, found.took_days) == (after(0.5 * span), span)


def test_what_is_the_same_in_all_beads_is_no_difference() -> None:
    """Beads a third weaker than one episode took them for: its level falls by that, and the line is seen."""
    beads = [SameBeads((0.0, 0.5), (0.15, 0.4), (1.0, 0.0), 0.05) for _ in range(4)]
    levels = [
        replace(level(60.0 * i, -2.0 + 0.3 * i, 0.3), beads="clay", same_beads=one) for i, one in enumerate(beads)
    ]
    assert newest([replace(one, same_beads=None) for one in levels]) is None
    found = newest(levels)
    assert found is not None
    assert found.factor.p50 == pytest.approx(np.exp(0.9), rel=0.05)
    off = replace(levels[3], log_conductance=levels[3].log_conductance - 0.4,
                  same_beads=replace(beads[3], means=(-0.4, 0.5), sds=(1e3, 0.4)))  # fmt: skip
    again = newest([*levels[:3], off])
    assert again is not None
    assert again.chance == pytest.approx(found.chance)
    assert newest([*levels[:3], replace(off, beads="gel")]) is None


def test_episodes_of_less_than_a_day_count_as_a_day() -> None:
    short = newest([level(0.0, -2.0, 0.05), level(0.1, 1.0, 0.05)])
    assert short is not None
    assert short.chance == pytest.approx(chance_by_hand(3.0, 0.05 * np.sqrt(2.0), 1.0))
