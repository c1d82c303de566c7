"""Episodes, bins, hours and the room's climate of made-up histories: all numbers; *regression* (see tests/pinned.py).

Renewed by `python -m tests.renew evidence`.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
import pytest
from pinned import assert_pinned

from monitor.errors import TooLittleEvidence
from monitor.inference.evidence.bins import Bins, bin_episode, coarser, for_rough_likelihood
from monitor.inference.evidence.episodes import ChargeWeighing, Episode, current_episode, rates_of
from monitor.inference.evidence.hours import Hours, reduce_to_hours
from monitor.inference.evidence.humidity_steps import Step, find_steps
from monitor.inference.evidence.mixed_course import MixedCourse
from monitor.inference.evidence.room_climate import TEMPERATURE, VAPOR, LearnedRoom, learn_room
from monitor.inference.evidence.yearly_course import LearnedSeason
from monitor.physics.numerics import FloatArray
from monitor.records import Box, EntryKind, LedgerEntry, ReadingSeries, RoomClimate, SensorSpec, Spool

FIRST_HOUR = 493_000
START_S = FIRST_HOUR * 3600.0
BOX = Box("made", 10.0, 0.20, "gasket", SensorSpec(0.03, 0.01))
AT = datetime.fromtimestamp(START_S, UTC)


def unrest(hours: FloatArray) -> FloatArray:
    """A scatter that every machine makes alike."""
    return np.asarray(np.sin(1.7 * hours) + np.sin(0.61 * hours + 1.0) + np.sin(2.9 * hours + 2.0)) / 3.0


def box_hours(days: float, rise: float = 0.002, before: int = 0) -> Hours:
    hours = np.arange(-before, round(24 * days), dtype=float)
    humidity = 0.06 + rise * hours / 24.0 + 0.002 * np.sin(hours / 12.0 * np.pi) + 0.001 * unrest(hours)
    return Hours(FIRST_HOUR - before, 21.0 + 1.5 * np.sin((hours - 3.0) / 12.0 * np.pi) + 0.2 * unrest(hours), humidity)


def room(days: float) -> Hours:
    hours = np.arange(-48, round(24 * days), dtype=float)
    humidity = 0.45 + 0.08 * np.sin(hours / 100.0) + 0.02 * unrest(hours)
    return Hours(FIRST_HOUR - 48, 20.5 + np.sin(hours / 12.0 * np.pi), humidity)


def episode(**what: Any) -> Episode:
    return replace(
        Episode(
            start_s=START_S, desiccant="silica_regular", dry_mass_g=100.0, method="new", known_loading=None,
            spools_went_in=True, unlogged=False, loaded_mass=None, weighings=(), openings_s=(), swaps_s=(), steps=(),
            all_openings=0, all_swaps=0, first_start_s=START_S, unlogged_steps=0, all_unlogged_steps=0,
        ),
        **what,
    )  # fmt: skip


def on(day: float) -> float:
    return START_S + 86_400.0 * day


def binned(days: float, what: Episode | None = None, box: Box = BOX, hours: Hours | None = None, **more: Any) -> Bins:
    inside = box_hours(days) if hours is None else hours
    return bin_episode(box, what or episode(), inside, more.pop("around", room(days)), on(days), **more)


def changed(hours: Hours, change: Callable[[FloatArray], None]) -> Hours:
    humidity = hours.relative_humidity.copy()
    change(humidity)
    return replace(hours, relative_humidity=humidity)


def disturbed() -> Episode:
    """Entries before, just after and long after the start, on borders of bins and within them."""
    return episode(
        openings_s=(on(-0.01), on(1 / 12), on(1 / 12 + 0.001), on(5.3), on(5.35), on(20.0), on(36.9)),
        swaps_s=(on(0.05), on(9.7), on(9.8), on(33.2)),
        steps=(Step(on(-1.0), 0.5), Step(on(4.4), -0.03), Step(on(4.6), 0.02), Step(on(37.2), 0.04)),
        weighings=(ChargeWeighing(on(-0.5), 99.0, 1.0), ChargeWeighing(on(0.0), 103.0, 0.1),
                   ChargeWeighing(on(21.4), 108.0, 1.0)),
        colors=((on(-0.5), "green"), (on(15.2), "orange"), (on(30.0), "green")),
    )  # fmt: skip


def with_gaps() -> Bins:
    """Hours missing in every measure: one left, three, four, five of a day; a spike; a lone spike among few."""

    def change(rh: FloatArray) -> None:
        for day, left in enumerate((1, 2, 3, 4, 5, 6), start=5):
            rh[24 * day + left : 24 * (day + 1)] = np.nan
        rh[24 * 12 + 5], rh[24 * 12 + 9] = 0.9, 0.0
        rh[24 * 13 + 3] = rh[24 * 13 : 24 * 14].mean() + 0.031
        rh[24 * 14 + 3] = np.median(rh[24 * 14 : 24 * 15]) + 0.029
        rh[24 * 16 : 24 * 19] = np.nan

    return binned(25.0, hours=changed(box_hours(25.0), change))  # fmt: skip


def short_first_bin(rest: float) -> Bins:
    return binned(8.0 + rest)


def thinned() -> Bins:
    """Readings of one hour in three, of one in seven, of one in twelve."""

    def change(rh: FloatArray) -> None:
        hour = np.arange(len(rh))
        for first, last, step in ((0, 20, 3), (20, 60, 7), (60, 130, 12)):
            rh[(hour >= 24 * first) & (hour < 24 * last) & (hour % step > 0)] = np.nan

    return binned(130.4, hours=changed(box_hours(130.4, rise=0.0008), change))  # fmt: skip


def at_floor(stated: float | None, held_hours: int = 0) -> Bins:
    """A display that shows no less than 10 %, reached for an hour more each day from the third day on."""

    def change(rh: FloatArray) -> None:
        hour = np.arange(len(rh))
        rh[:] = 0.12 + 0.002 * unrest(hour)
        rh[hour % 24 < hour // 24 - 2] = 0.10
        if held_hours:
            rh[240 : 240 + held_hours] = 0.099

    box = replace(BOX, sensor=SensorSpec(0.03, 0.01, stated))
    return binned(22.0, box=box, hours=changed(box_hours(22.0, rise=0.004), change))  # fmt: skip


def swapped_sensors(*days: float) -> Bins:
    def change(rh: FloatArray) -> None:
        rh[24 * 10 : 24 * 10 + 18] = np.nan

    what = episode(sensor_swaps_s=tuple(on(day) for day in days))
    return binned(16.3, what, hours=changed(box_hours(16.3), change))  # fmt: skip


def empty(days: float, box: Box = BOX, **what: Any) -> Bins:
    return binned(days, episode(desiccant=None, dry_mass_g=0.0, **what), box, box_hours(days, rise=0.03))


def carried_on() -> Bins:
    first = binned(40.0, box=replace(BOX, sensor=SensorSpec(0.03, 0.01, 0.05)))
    return binned(2.25, episode(openings_s=(on(1.5),)), after=first)


def without_temperature() -> Bins:
    inside = box_hours(9.0)
    warm = inside.temperature_degc.copy()
    warm[24 * 4 : 24 * 5] = np.nan
    return binned(9.0, hours=replace(inside, temperature_degc=warm))


def entry(kind: EntryKind, day: float, **what: Any) -> LedgerEntry:
    return LedgerEntry(kind, what.pop("box", "made"), AT + timedelta(days=day), **what)


CHARGE = entry(EntryKind.charge, 0.0, desiccant="silica_regular", dry_mass_g=100.0, method="new")
LEDGERS: dict[str, tuple[LedgerEntry, ...]] = {
    "plain": (CHARGE,),
    "other boxes and later entries do not count": (
        CHARGE, replace(CHARGE, box="other", at=AT + timedelta(days=3)), entry(EntryKind.opening, 45.0)),
    "weighed as put in": (replace(CHARGE, mass_g=103.5, scale_resolution_g=0.1),
                          entry(EntryKind.weighing, 0.05, mass_g=103.6), entry(EntryKind.weighing, 0.1, mass_g=104.0)),
    "weighed soon": (CHARGE, entry(EntryKind.weighing, 1 / 12, mass_g=103.6), entry(EntryKind.weighing, 0.2)),
    "found by a drying run": (replace(CHARGE, loading_g_per_g=(0.01, 0.02, 0.03), method="oven_120C_3h"),),
    "weighed too late": (CHARGE, entry(EntryKind.weighing, 0.0834, mass_g=103.6, scale_resolution_g=0.5)),
    "recharged within a day": (CHARGE, entry(EntryKind.recharge, 0.99, method="oven_120C_3h")),
    "recharged a day later": (CHARGE, entry(EntryKind.recharge, 1.0, loading_g_per_g=(0.01, 0.02, 0.03)),
                              entry(EntryKind.opening, 1.0 - 59.0 / 86_400.0), entry(EntryKind.opening, 0.99),
                              entry(EntryKind.spool_swap, 5.0), entry(EntryKind.spool_swap, 0.5)),
    "no beads": (entry(EntryKind.charge, 0.0),),
    "beads without a mass": (entry(EntryKind.charge, 0.0, desiccant="clay", dry_mass_g=0.0),),
    "a mass without beads": (entry(EntryKind.charge, 0.0, dry_mass_g=50.0),),
    "nothing logged": (entry(EntryKind.opening, 2.0), entry(EntryKind.color, 3.0, color="green")),
    "much": (CHARGE, entry(EntryKind.color, 4.0, color="orange"), entry(EntryKind.sensor_swap, 8.9),
             entry(EntryKind.leak_test, -1.0), entry(EntryKind.note, 6.0), entry(EntryKind.spool_swap, 14.4),
             entry(EntryKind.sensor_swap, 0.0)),
}  # fmt: skip


def stepped(*steps: tuple[float, float], days: float = 30.0, before: int = 0) -> Hours:
    """A box whose humidity steps on some days, for good."""
    hours = box_hours(days, before=before)
    passed = np.arange(-before, len(hours) - before) / 24.0
    lifted = sum((size * (passed >= day) for day, size in steps), np.zeros(len(hours)))
    return replace(hours, relative_humidity=0.2 + hours.relative_humidity + lifted)


STEPPED = stepped((0.5, 0.05), (1.4, 0.03), (9.0, 0.04), (14.2, 0.05), (22.0, -0.02), before=60)


def swung() -> dict[str, Any]:
    """Falls of less and of more than a quarter and four points, early and late."""
    found = {}
    for size in (-0.035, -0.045, -0.06, -0.075):
        for day in (1.2, 12.0):
            hours = stepped((day, size))
            low = replace(hours, relative_humidity=hours.relative_humidity - 0.09)
            found[f"{size} on {day}"] = [
                current_episode(BOX, these, (CHARGE,), on(30.0)).start_s - START_S for these in (hours, low)
            ]
    return found


def found_steps(resolution: float) -> dict[str, Any]:
    flat = box_hours(20.0)
    humidity = flat.relative_humidity.copy()
    humidity[100:109] = np.nan
    humidity[200:205] = np.nan
    humidity[300:] += 0.011
    humidity[380:] -= 0.03
    humidity[395:] += 0.02
    return {
        "steps": find_steps(STEPPED, resolution),
        "with gaps": find_steps(replace(flat, relative_humidity=humidity), resolution),
        "many": find_steps(stepped(*((3.0 * n, 0.03 * (-1.0) ** n) for n in range(1, 70)), days=220.0), resolution),
        "47 hours": find_steps(box_hours(47 / 24), resolution),
        "too few seen": find_steps(changed(box_hours(8.0), lambda rh: rh.__setitem__(slice(60, None), np.nan)), 0.0),
    }


def learned(found: LearnedRoom) -> dict[str, Any]:
    days = found.log_vapor.kinds[0].last_day + np.array([-100.0, -3.0, 0.0, 2.0, 30.0])
    seasons = {
        f"{name}{place}": {
            "mean": s.mean, "covariance": s.covariance, "residual_sd": s.season.residual_sd, "last_day": s.last_day,
            "last_residual": s.last_residual, "course": s.course(days), "sd": [s.sd(float(day)) for day in days]}
        for name, mixed in (("vapor", found.log_vapor), ("temperature", found.temperature))
        for place, s in enumerate(mixed.kinds)
    }  # fmt: skip
    sds = [[mixed.sd(float(day)) for day in days] for mixed in (found.log_vapor, found.temperature)]
    return {
        **seasons,
        "shares": found.log_vapor.shares,
        "sds": sds,
        "expected_kpa": found.expected_kpa(days),
        "seen_days": found.seen_days,
    }


def gappy_room(days: float) -> Hours:
    there = room(days)
    humidity, warm = there.relative_humidity.copy(), there.temperature_degc.copy()
    for day in range(3, round(days), 5):
        humidity[24 * day : 24 * day + 13 + day % 8] = np.nan
    humidity[50], warm[24 * 6 : 24 * 8] = 0.0, np.nan
    humidity[24 * 9 + 5 : 24 * 10 + 5] = 0.0
    return replace(there, relative_humidity=humidity, temperature_degc=warm)


MONTHS = tuple(900.0 + 50.0 * month for month in (0, 1, 3, 5, 8, 10, 12, 11, 8, 5, 2, 1))


def sampled(now_day: float, last_residual: float) -> dict[str, Any]:
    """Courses ahead from a mean that is known, so that each draw is its own noise alone."""

    def season(kind: Any, mean: tuple[float, float, float], residual: float) -> MixedCourse:
        known = LearnedSeason(kind, np.array([*mean, 0.0, 0.0, 0.0]), np.zeros((6, 6)), 20_000.0, residual)
        return MixedCourse((known,), np.ones(1))

    ahead = np.array([1.0, 2.0, 5.0, 30.0])
    warm = LearnedRoom(season(VAPOR, (0.1, 0.4, 0.1), last_residual), season(TEMPERATURE, (20.0, 2.0, 0.3), 0.5), 3)
    cold = replace(warm, temperature=season(TEMPERATURE, (-19.5, 1.0, 0.0), 0.0))
    hot = replace(warm, temperature=season(TEMPERATURE, (59.5, 1.0, 0.0), 0.0))
    return {
        name: which.sample(now_day, ahead, 3, np.random.default_rng(7))[:2]
        for name, which in (("warm", warm), ("cold", cold), ("hot", hot))
    }  # fmt: skip


def cut_out() -> dict[str, Any]:
    hours = Hours(100, np.arange(10.0), np.arange(10.0) / 20.0, 0.5)
    spans = {"inside": (102.2, 105.9), "around": (97.5, 112.0), "before": (90.0, 95.0), "none": (103.1, 103.9),
             "turned round": (105.0, 103.0), "to the hour": (102.0 + 5e-10, 105.0 - 5e-10),
             "off the hour": (102.0 + 2e-9, 105.0 - 2e-9)}  # fmt: skip
    return {name: hours.between(3600.0 * first, 3600.0 * last) for name, (first, last) in spans.items()}


def before(now_hour: float, around: Hours | None) -> Hours:
    """A sensor that hangs for thirty hours in a room that moves."""
    hours = box_hours(12.0)
    humidity, warm = hours.relative_humidity.copy(), hours.temperature_degc.copy()
    humidity[100:130], warm[100:130] = humidity[100], warm[100]
    humidity[200], warm[210] = np.nan, np.nan
    return replace(hours, relative_humidity=humidity, temperature_degc=warm, step_degc=0.1).before(
        START_S + 3600.0 * now_hour, around
    )


def reduced() -> Hours:
    at_s = START_S + np.array([10.0, 900.0, 1800.0, 2700.0, 3600.0, 14_400.0, 14_500.0, 14_600.0, 18_001.0])
    degc = np.array([20.0, 20.5, 21.0, 20.0, 22.0, 23.0, 23.5, 24.0, 19.5])
    humidity = np.array([0.10, 0.11, 0.12, 0.30, 0.20, 0.30, 0.31, 0.32, 0.25])
    return reduce_to_hours(ReadingSeries("made", at_s, degc, humidity, np.zeros(9, np.uint16)))


CASES: dict[str, Callable[[], Any]] = {
    "bins: four days": lambda: binned(4.0),
    "bins: six days": lambda: binned(6.0),
    "bins: six days and an hour": lambda: binned(6.0 + 1 / 24),
    "bins: an hour": lambda: binned(1 / 24),
    "bins: two days and a bit": lambda: binned(2.2),
    "bins: disturbed": lambda: binned(37.3, disturbed()),
    "bins: gaps": with_gaps,
    "bins: no temperature": without_temperature,
    "bins: first bin of 0.29": lambda: short_first_bin(0.29),
    "bins: first bin of 0.31": lambda: short_first_bin(0.31),
    "bins: thinned": thinned,
    "bins: ninety-one days": lambda: binned(91.0),
    "bins: no room": lambda: binned(9.0, around=None),
    "bins: floor stated": lambda: at_floor(0.10),
    "bins: floor stated too low": lambda: at_floor(0.05),
    "bins: floor not stated": lambda: at_floor(None),
    "bins: floor held 35 hours": lambda: at_floor(None, 35),
    "bins: floor held 36 hours": lambda: at_floor(None, 36),
    "bins: sensors": lambda: swapped_sensors(3.2, 7.8, 12.45, 16.29),
    "bins: sensors, one just now": lambda: swapped_sensors(3.2, 16.3),
    "bins: sensors soon": lambda: swapped_sensors(0.0, 0.2, 10.5),
    "bins: empty": lambda: empty(5.5),
    "bins: empty for an hour": lambda: empty(1 / 12),
    "bins: empty for ten days": lambda: empty(10.2),
    "bins: empty but for spools": lambda: empty(5.5, replace(BOX, spools=(Spool("PETG", 1000.0),))),
    "bins: empty but for a core": lambda: empty(5.5, replace(BOX, spool_core="cardboard")),
    "bins: empty, not logged": lambda: empty(5.5, unlogged=True),
    "bins: carried on": carried_on,
    "coarser: disturbed": lambda: coarser(binned(37.3, disturbed())),
    "coarser: floor": lambda: coarser(at_floor(0.10)),
    "coarser: sensors": lambda: coarser(swapped_sensors(3.2, 7.8, 12.45, 16.29)),
    "coarser: loosened": lambda: coarser(replace(binned(9.0), loosened=np.arange(9) ** 2.0)),
    **{f"episode: {name}": lambda of=of: current_episode(BOX, STEPPED, of, on(30.0)) for name, of in LEDGERS.items()},
    "episode: hours of it alone": lambda: current_episode(BOX, stepped((9.0, 0.04)), LEDGERS["much"], on(30.0)),
    "episode: a fall that nobody logged": lambda: current_episode(
        BOX, stepped((12.0, -0.10)), LEDGERS["found by a drying run"], on(30.0)),
    "episode: falls": swung,
    "episode: rates": lambda: {
        "shelf": rates_of([*LEDGERS.values(), ()], on(30.0)), "one": rates_of([LEDGERS["much"]], on(10.0)),
        "none": rates_of([], on(1.0))},
    "steps: fine display": lambda: found_steps(0.001),
    "steps: coarse display": lambda: found_steps(0.01),
    "hours: cut out": cut_out,
    "hours: before, alone": lambda: before(250.5, None),
    "hours: before, with a room": lambda: before(288.0, room(12.0)),
    "hours: reduced": reduced,
    "hours: vapor": lambda: box_hours(1.0).vapor_pressure_kpa,
    "room: seen": lambda: learned(learn_room(room(60.0), None, on(60.0) + 1234.0)),
    "room: with gaps": lambda: learned(learn_room(gappy_room(40.0), None, on(40.0))),
    "room: for years": lambda: learned(learn_room(room(760.0), RoomClimate(22.0, 0.4, True), on(760.0))),
    "room: not seen": lambda: learned(learn_room(None, None, on(0.0))),
    "room: no hours": lambda: learned(learn_room(Hours(0, np.empty(0), np.empty(0)), None, on(0.0))),
    "room: half a day": lambda: learned(learn_room(room(0.0).between(on(0.0) - 43_200.0, on(0.0)), None, on(0.0))),
    "room: declared": lambda: learned(learn_room(None, RoomClimate(18.0, 0.6), on(0.0))),
    "room: in the south": lambda: learned(learn_room(None, RoomClimate(18.0, 0.6, True), on(0.0))),
    "room: by months": lambda: learned(
        learn_room(None, RoomClimate(18.0, monthly_vapor_pressure_pa=MONTHS, monthly_log_sd=0.2), on(0.0))),
    "room: flat": lambda: learned(learn_room(room(30.0), RoomClimate(18.0), on(30.0), seasonal=False)),
    "room: ahead": lambda: sampled(20_003.0, 0.2),
    "room: ahead of a record that ends later": lambda: sampled(19_999.0, -0.3),
    "room: ahead, nothing seen": lambda: sampled(20_003.0, float("nan")),
}  # fmt: skip


@pytest.mark.parametrize("case", CASES)
def test_numbers_of_evidence_stay(case: str) -> None:
    assert_pinned("evidence", case, CASES[case](), relative=1e-7)  # libraries of other processors sum in other orders


@pytest.mark.parametrize(("days", "rough"), [(35.0, 33), (50.0, 40), (51.5, 21), (55.0, 22)])
def test_a_rough_likelihood_takes_pairs_of_bins_from_41_on(days: float, rough: int) -> None:
    """Thirty days and then every other one are 33, 40, 41 and 43 bins; a last one alone stays."""
    assert len(for_rough_likelihood(binned(days)).days) == rough


def test_without_a_reading_and_without_beads_it_says_what_to_do() -> None:
    nothing = Hours(0, np.empty(0), np.empty(0))
    with pytest.raises(TooLittleEvidence, match="made: there is no full hour of usable readings yet"):
        current_episode(BOX, nothing, (), on(1.0))
    assert current_episode(BOX, nothing, (CHARGE,), on(1.0)).start_s == on(0.0)
    assert current_episode(BOX, box_hours(1.0), (), on(1.0)).start_s == START_S
