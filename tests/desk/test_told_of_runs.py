"""Whole reports of invented runs beside `told_of_runs.toml`, and each rule of a report by itself."""

from __future__ import annotations

import json
import re
import tomllib
from collections.abc import Iterator, Sequence
from dataclasses import fields, is_dataclass, replace
from datetime import datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from desk_evening import MICROWAVE, MICROWAVE_LOSSES, OVEN, WARM_BOX
from runs_by_hand import AT, BOWL, KNOWN, a_run, ended, inventory_of

from monitor.desk.inventory import Charge, Run
from monitor.desk.run_fit import appliance_of, end_loading, expected_g, fitted, priors_of
from monitor.desk.runs import first_days, report, run_curves, slower_than_it_looked
from monitor.inference.drying import Verdict
from monitor.inference.drying.priors import MICROWAVE_END, UNKNOWN_LOADING
from monitor.physics.materials import desiccant
from monitor.presentation.desk_wording import verdict_sentence
from monitor.presentation.wording import Wording
from monitor.records import Appliance, Box, Mark, Quantiles, ReadingSeries
from monitor.records.desk_events import RunWeighed

BOXES = (Box("pla", 12.0, 0.20), Box("nylon", 10.0, 0.15))
DECLARED = (MICROWAVE, WARM_BOX, OVEN)
ORANGE = desiccant("orange_gel")
TOLD_OF_RUNS = Path(__file__).with_name("told_of_runs.toml")
TOLD = tomllib.loads(TOLD_OF_RUNS.read_text())

EVENING = a_run([(60.0 * minutes, 262.0 - loss_g) for minutes, loss_g in MICROWAVE_LOSSES])
OVEN_SPILLED = [(0.0, 262.0), (3600.0, 240.0), (7200.0, 225.0), (10_800.0, 200.0), (14_400.0, 197.0)]
RUNS = {
    "a first weighing": a_run([(0.0, 262.0)]),
    "two weighings": a_run([(0.0, 262.0), (240.0, 241.0)]),
    "an evening": EVENING,
    "an oven with a spill": a_run(OVEN_SPILLED, kind="oven", degc=110.0, spills=[(3, 20.0)]),
    "a step that no drying makes": a_run([(0.0, 262.0), (240.0, 240.0), (480.0, 225.0), (720.0, 195.0)]),
    "an untold spill": a_run([(0.0, 262.0), (240.0, 240.0), (480.0, 225.0)], spills=[(3, None)]),
    "wet again": a_run([(0.0, 262.0), (240.0, 240.0), (480.0, 225.0), (720.0, 235.0), (960.0, 228.0)], charge=KNOWN),
}


def flat(thing: object, name: str = "") -> Iterator[tuple[str, object]]:
    """Yield every number and word of a report under its name."""
    if is_dataclass(thing) and not isinstance(thing, Run):
        for field in fields(thing):
            yield from flat(getattr(thing, field.name), f"{name}.{field.name}".lstrip("."))
    elif isinstance(thing, tuple):
        for place, each in enumerate(thing):
            yield from flat(each, f"{name}.{place}")
    elif thing is not None and not isinstance(thing, Run):
        yield name, thing


def said_of(run: Run) -> dict[str, object]:
    """Return every number and word of the report of a run."""
    told = report(inventory_of(run, charges=(run.charge_before,)), run, BOXES, declared=DECLARED)
    return {**dict(flat(told)), "still_removable_g": told.still_removable_g}


def renew() -> None:
    """Keep what the desk tells now (`python -m tests.renew runs`)."""
    lines = ["# What the desk told of invented runs. Regression: numbers and words are our own."]
    for name, run in RUNS.items():
        lines.append(f'\n["{name}"]')
        for key, one in said_of(run).items():
            number = isinstance(one, float) and not isinstance(one, bool)
            value = repr(float(f"{one:.7g}")) if number else json.dumps(one, ensure_ascii=False)
            lines.append(f"{json.dumps(key) if '.' in key else key} = {value}")
    TOLD_OF_RUNS.write_text("\n".join(lines) + "\n")


@pytest.mark.parametrize("name", RUNS)
def test_a_whole_report(name: str) -> None:
    """*Regression*: seeded, so alike on every machine to rounding."""
    said = said_of(RUNS[name])
    assert list(said) == list(TOLD[name])
    for key, was in TOLD[name].items():
        assert said[key] == (pytest.approx(was, rel=1e-4, abs=1e-6) if isinstance(was, float) else was), key


def test_nothing_is_said_of_other_appliances_where_there_are_none() -> None:
    run = a_run([*((60.0 * minutes, 262.0 - loss_g) for minutes, loss_g in MICROWAVE_LOSSES), (1440.0, 216.0)])
    inventory, words = inventory_of(run, charges=(run.charge_before,)), Wording(ZoneInfo("UTC"))
    alone = report(inventory, run, BOXES, declared=(MICROWAVE,))
    assert alone.verdict is Verdict.done
    assert "other appliances" not in verdict_sentence(alone, words)
    beside = report(inventory, run, BOXES, declared=DECLARED)
    assert re.search("other appliances|Another way", verdict_sentence(beside, words))


def test_a_report_adds_up() -> None:
    """Grams, shares and energy follow from each other by hand: 700 W of mean draw for twenty minutes, and so on."""
    told = TOLD["an evening"]
    assert told["water_off_g"] == 46.0
    assert told["energy_so_far_kwh"] == pytest.approx(0.7 / 3.0, rel=1e-6)
    assert told["energy_to_end_kwh"] == pytest.approx(0.7 * told["time_to_end_s.p50"] / 3600.0, rel=1e-5)
    still = (told["loading_g_per_g.p50"] - 0.012) * told["dry_mass_g.p50"]
    assert told["still_removable_g"] == pytest.approx(still, rel=1e-4)
    spilled = TOLD["an oven with a spill"]
    assert spilled["water_off_g"] == pytest.approx(262.0 * spilled["kept_share"] - 197.0, rel=1e-5)


def test_what_an_appliance_draws_is_asked_of_its_kind() -> None:
    dryer = replace(EVENING, start=replace(EVENING.start, appliance_kind="filament_dryer", temperature_degc=65.0))
    told = report(inventory_of(dryer), dryer, BOXES)
    assert told.energy_so_far_kwh == pytest.approx(0.09 / 3.0)
    assert told.further == ()


def test_without_a_box_the_usual_limit_counts() -> None:
    """At 20 % RH the evening's beads are good; in a box kept at 2 % they would not be worth much."""
    inventory = inventory_of(EVENING)
    assert report(inventory, EVENING, ()).verdict is Verdict.done
    tight = report(inventory, EVENING, (Box("pla", 12.0, 0.20), Box("dry", 12.0, 0.02)))
    assert tight.verdict is Verdict.method_floor


def weighings_that_count(weighed: Sequence[tuple[float, float]], **what: object) -> list[tuple[float, float]]:
    """Return what the curve is fitted to."""
    run = a_run(weighed, **what)  # type: ignore[arg-type]
    it = fitted(inventory_of(run), run)
    return [(it.heated_before_s + point.heated_s, point.mass_g) for point in it.points]


@pytest.mark.parametrize(
    ("weighed", "count"),
    [
        ([(0.0, 262.0), (240.0, 264.0)], 2),  # two steps are a scale's own
        ([(0.0, 262.0), (240.0, 264.1)], 1),
        ([(0.0, 262.0), (240.0, 250.0), (480.0, 256.0), (720.0, 250.0)], 2),
        ([(0.0, 262.0), (0.0, 261.0)], 1),
        ([(0.0, 262.0), (0.0, 261.0), (240.0, 250.0)], 2),
        ([(0.0, 262.0), (0.5, 261.0), (240.0, 250.0)], 3),
    ],
)
def test_weighings_since_the_beads_last_took_up_water(weighed: list[tuple[float, float]], count: int) -> None:
    assert weighings_that_count(weighed) == weighed[-count:]


def test_the_coarser_scale_says_what_a_gain_is() -> None:
    for first, second in ((5.0, 1.0), (1.0, 5.0)):
        for gain_g, count in ((10.0, 2), (10.1, 1)):
            shown = [RunWeighed("bowl-1", 0.0, 250.0, first), RunWeighed("bowl-1", 60.0, 250.0 + gain_g, second)]
            run = a_run(shown=shown)
            assert len(fitted(inventory_of(run), run).points) == count


def test_two_weighings_around_a_spill_both_count() -> None:
    around = [(0.0, 262.0), (240.0, 250.0), (240.0, 230.0)]
    assert weighings_that_count(around, spills=[(2, 20.0)]) == around
    assert weighings_that_count(around) == [around[0], around[2]]
    assert weighings_that_count(around, spills=[(1, 20.0)]) == [around[0], around[2]]
    run = a_run(around, spills=[(2, 20.0)])
    assert [point.losses_before for point in fitted(inventory_of(run), run).points] == [0, 0, 1]


def test_what_fell_out_before_the_last_gain_is_reckoned_apart() -> None:
    """20 g of 262 before any weighing, and 23.1 of 231 g in the part that counts."""
    run = a_run([(0.0, 242.0), (240.0, 220.0), (480.0, 231.0), (720.0, 200.0)], spills=[(1, 24.2), (3, 23.1)])
    it = fitted(inventory_of(run), run)
    assert it.heated_before_s == 480.0
    assert [point.losses_before for point in it.points] == [0, 1]
    assert it.kept_share == pytest.approx(float(np.median(it.fit.kept_share)) * (1.0 - 24.2 / 243.1))
    unknown = a_run([(0.0, 242.0), (240.0, 220.0), (480.0, 231.0)], spills=[(1, None)])
    assert fitted(inventory_of(unknown), unknown).kept_share == 1.0


ROOM_LOADING = float(ORANGE.isotherm.loading_g_per_g(0.50, 20.0))


@pytest.mark.parametrize(
    ("charge", "weighed", "median_g", "relative_sd"),
    [
        (KNOWN, [(0.0, 262.0)], 200.0, (0.02**2 + 0.01**2) ** 0.5),
        (replace(BOWL, state="new"), [(0.0, 262.0)], 262.0 / 1.025, 0.015 / 1.025),
        (replace(BOWL, state="new"), [(0.0, 262.0), (9.0, 244.8)], 262.0 / (1.0 + UNKNOWN_LOADING), 0.07),
        (BOWL, [(0.0, 262.0)], 262.0 / (1.0 + ROOM_LOADING), None),
        (replace(BOWL, state="unknown"), [(0.0, 262.0)], 262.0 / (1.0 + UNKNOWN_LOADING), 0.07),
        (replace(BOWL, state="zzz"), [(0.0, 262.0)], 262.0 / (1.0 + UNKNOWN_LOADING), 0.07),
        (replace(BOWL, state="aaa"), [(0.0, 262.0)], 262.0 / (1.0 + UNKNOWN_LOADING), 0.07),
    ],
)
def test_what_is_believed_of_the_dry_mass(
    charge: Charge, weighed: list[tuple[float, float]], median_g: float, relative_sd: float | None
) -> None:
    """A known dry mass loses a hundredth of certainty a cycle (a judgement); 2.5 ± 1.5 % in new beads."""
    run = a_run(weighed, charge=charge)
    dry = priors_of(inventory_of(run, charges=(charge,)), run, 262.0).dry_mass
    assert dry.median_g == pytest.approx(median_g)
    if relative_sd is not None:
        assert dry.relative_sd == pytest.approx(relative_sd)


def test_a_run_of_the_lot_tells_the_capacity_and_never_its_own() -> None:
    taught = ended(a_run(name="bowl-0"), start_loading_g_per_g=0.8 * ROOM_LOADING)
    run = a_run([(0.0, 262.0)])
    dry = priors_of(inventory_of(taught, run), run, 262.0).dry_mass
    assert dry.median_g == pytest.approx(262.0 / (1.0 + 0.8 * ROOM_LOADING))
    over = ended(run, start_loading_g_per_g=0.8 * ROOM_LOADING)
    assert priors_of(inventory_of(over), over, 262.0).dry_mass.median_g == pytest.approx(262.0 / (1.0 + ROOM_LOADING))


def test_a_dry_mass_is_less_what_fell_out_before() -> None:
    run = a_run([(0.0, 262.0), (240.0, 230.0)], charge=KNOWN, spills=[(0, 26.2), (2, 23.0)])
    inventory = inventory_of(run, charges=(KNOWN,))
    kept = 1.0 - 26.2 / (0.5 * (262.0 + 288.2))
    assert priors_of(inventory, run, 262.0).dry_mass.median_g == pytest.approx(200.0 * kept)
    assert priors_of(inventory, run, 262.0, before=2).dry_mass.median_g == pytest.approx(200.0 * kept * 0.9)
    unknown = a_run([(0.0, 262.0)], charge=KNOWN, spills=[(0, None)])
    assert priors_of(inventory, unknown, 236.0).dry_mass.median_g == pytest.approx(236.0 / (1.0 + UNKNOWN_LOADING))


@pytest.mark.parametrize(
    ("other", "median_s"),
    [
        (ended(a_run(name="bowl-0"), time_constant_s=500.0), 500.0),
        (ended(a_run(name="bowl-0"), time_constant_s=500.0, fits=False), 330.0),
        (ended(a_run(name="bowl-0", kind="oven"), time_constant_s=500.0), 330.0),
        (ended(a_run(name="bowl-0", kind="a"), time_constant_s=500.0), 330.0),
        (a_run(name="bowl-0"), 330.0),
    ],
)
def test_the_pace_is_learned_from_runs_of_the_appliance(other: Run, median_s: float) -> None:
    run = a_run([(0.0, 262.0)])
    assert priors_of(inventory_of(other, run), run, 262.0).pace.median_s == pytest.approx(median_s)
    over = ended(run, time_constant_s=500.0)
    assert priors_of(inventory_of(over), over, 262.0).pace.median_s == pytest.approx(330.0)


def test_where_a_method_ends() -> None:
    assert end_loading(ORANGE, a_run()) == MICROWAVE_END
    floor = end_loading(ORANGE, a_run(kind="oven", degc=65.0)).mean_g_per_g
    assert floor == pytest.approx(0.0352, abs=5e-4)  # the drying floor of the default gel at 65 °C, tests/physics
    assert appliance_of(a_run(kind="oven", degc=110.0, power_w=900.0)) == Appliance(
        "oven", "oven", 110.0, power_w=900.0
    )


def test_before_the_first_weighing_the_records_tell_within_half_a_percent() -> None:
    assert expected_g(a_run(), 0.0, None) == Quantiles(0.995 * 262.0, 262.0, 1.005 * 262.0)
    assert expected_g(a_run(charge=replace(BOWL, place="box:pla")), 0.0, None) is None
    spilled = expected_g(a_run(spills=[(0, 26.2)]), 0.0, None)
    assert spilled is not None
    assert (spilled.p05, spilled.p50) == pytest.approx((0.995 * 235.8, 235.8))
    assert expected_g(a_run(spills=[(0, None)]), 0.0, None) is None


def test_later_the_curve_tells() -> None:
    run = RUNS["wet again"]
    it = fitted(inventory_of(run, charges=(KNOWN,)), run)
    assert it.heated_before_s == 720.0
    for heated_s, since_s in ((1200.0, 480.0), (720.0, 0.0), (100.0, 0.0)):
        should = expected_g(run, heated_s, it)
        assert should is not None
        assert should.p50 == pytest.approx(float(np.median(it.fit.mass_g(since_s))), rel=1e-3)


def test_runs_as_pictures() -> None:
    """To a quarter beyond the heat so far, or to the end of the next step where that is further."""
    [curve] = run_curves(inventory_of(EVENING), ["bowl-1"], BOXES)
    assert curve.heated_s == pytest.approx(np.linspace(0.0, 1500.0, 60))
    assert curve.band_g.shape == (3, 60)
    assert curve.floor_g == pytest.approx(curve.report.dry_mass_g.p50 * 1.012)
    assert curve.weighed == tuple((60.0 * minutes, 262.0 - loss_g) for minutes, loss_g in MICROWAVE_LOSSES)
    again = RUNS["wet again"]
    [curve] = run_curves(inventory_of(again, charges=(KNOWN,)), ["bowl-1"], BOXES)
    assert (curve.heated_s[0], curve.heated_s[-1]) == (720.0, 720.0 + 240.0 + 240.0)  # with the next step
    [first] = run_curves(inventory_of(RUNS["a first weighing"]), ["bowl-1"], BOXES)
    assert first.heated_s[-1] == pytest.approx(1.25 * 180.0)


def test_a_picture_leaves_out_what_fell_out_afterwards() -> None:
    run = a_run([(0.0, 262.0), (240.0, 240.0), (480.0, 207.0)], spills=[(2, 24.0), (3, None)])
    [curve] = run_curves(inventory_of(run), ["bowl-1"], BOXES)
    kept = 1.0 - 24.0 / (0.5 * (240.0 + 231.0))
    assert [grams for _, grams in curve.weighed] == pytest.approx([262.0 * kept, 240.0 * kept, 207.0])


def remarks_of(run: Run) -> list[str]:
    return list(report(inventory_of(run, charges=(run.charge_before,)), run, BOXES).remarks)


def test_hot_and_rescaled_weighings_are_said() -> None:
    hot = a_run([(0.0, 262.0)], shown=[RunWeighed("bowl-1", 240.0, 241.0, hot=True)], charge=KNOWN)
    assert remarks_of(hot) == ["Hot weighings count for less. Weigh once more, cold and covered."]
    cold = a_run([(0.0, 262.0), (240.0, 241.0)], charge=KNOWN)
    assert remarks_of(cold) == []
    assert remarks_of(replace(cold, scale_factor=1.0301)) == ["All weighings are multiplied by 1.03, as you said."]
    assert remarks_of(replace(cold, scale_factor=0.99)) == ["All weighings are multiplied by 0.99, as you said."]


@pytest.mark.parametrize(
    ("lost_g", "said"),
    [
        (0.5, "Beads fell out: all grams are for what is left."),
        (1.1, "Beads fell out: all grams are for what is left."),
        (1.4, "Beads fell out: 99 % of them are left, and all grams are for those."),
        (24.1, "Beads fell out: 90 % of them are left, and all grams are for those."),
    ],
)
def test_what_fell_out_is_said(lost_g: float, said: str) -> None:
    """Half a per cent is what a scale and the air account for (a judgement)."""
    run = a_run([(0.0, 262.0), (240.0, 241.0)], charge=KNOWN, spills=[(2, lost_g)])
    assert remarks_of(run) == [said]


def test_beads_whose_humidity_tells_little_say_so() -> None:
    run = a_run([(0.0, 262.0), (240.0, 241.0)], charge=KNOWN)
    told = report(inventory_of(run, charges=(KNOWN,), kind="mol_sieve"), run, BOXES)
    assert told.remarks == (
        "These beads hold nearly the same amount of water at any humidity. A jar check says little about them.",
    )


@pytest.mark.parametrize(
    ("weighed_g", "said"),
    [
        ([254.0], None),
        ([254.0, 235.0], "That fits."),
        ([254.0, 235.0, 222.0], None),
        ([216.0, 211.0], "these were drier than the room, or can hold less than usual."),
        ([216.0, 211.0, 207.0], "these were drier than the room, or can hold less than usual."),
        ([290.0, 268.0], "these were wetter than the room, or can hold more than usual."),
        ([290.0, 268.0, 250.0], "these were wetter than the room, or can hold more than usual."),
    ],
)
def test_beads_beside_the_room_they_lay_in(weighed_g: list[float], said: str | None) -> None:
    """Two standard deviations of the capacity of lots about what such beads hold at 50 % RH and 20 °C; 200 g dry."""
    charge = replace(KNOWN, state="room")
    run = a_run([(240.0 * place, grams) for place, grams in enumerate(weighed_g)], charge=charge)
    told = report(inventory_of(run, charges=(charge,)), run, BOXES)
    about = [remark for remark in told.remarks if "At the start" in remark]
    low, high = (100.0 * ROOM_LOADING * (1.0 + side * 2.0 * ORANGE.sigma_ln_capacity) for side in (-1.0, 1.0))
    if said is None:
        assert about == []
        return
    [remark] = about
    began = 100.0 * told.start_loading_g_per_g.p50
    held = f"{low:.0f} to {high:.0f} %"
    assert remark == (
        f"At the start the beads held about {began:.0f} % water (estimated). At 50 % RH such beads hold {held}"
        + (", depending on the lot. That fits." if "fits" in said else f": {said}")
    )


@pytest.mark.parametrize("humidity", [0.546, 0.554])
def test_the_damp_of_the_room_is_rounded_to_percent(humidity: float) -> None:
    charge = replace(KNOWN, state="room")
    run = a_run([(0.0, 290.0), (240.0, 268.0)], charge=charge)
    run = replace(run, start=replace(run.start, room_relative_humidity=humidity))
    [remark] = report(inventory_of(run, charges=(charge,)), run, BOXES).remarks
    assert "At 55 % RH such beads" in remark


def test_a_contradiction_that_no_single_spill_explains_is_a_slip() -> None:
    """Two steps that no drying makes, or a spill told already."""
    slip = "find the wrong weighing in `siccast lot log`, and undo it with `siccast lot undo NUMBER`."
    steps = [(0.0, 262.0), (240.0, 200.0), (480.0, 195.0), (720.0, 150.0), (960.0, 145.0)]
    told = a_run([(0.0, 262.0), (240.0, 240.0), (480.0, 225.0), (720.0, 185.0)], spills=[(1, 2.0)], charge=KNOWN)
    for run in (a_run(steps, charge=KNOWN), told):
        [*_, remark] = remarks_of(run)
        assert remark == (
            "Beads don't dry like these weighings, so nothing here is certain. Beads that fell out once do not explain"
            f" it either. So {slip}"
        )


def test_slower_than_it_looked() -> None:
    """More time is needed after a burst than before it."""
    shown = [(0.0, 262.0), (240.0, 235.0), (480.0, 225.0)]
    stalled, quick = a_run([*shown, (720.0, 224.0)]), a_run([*shown, (720.0, 219.0)])
    before = fitted(inventory_of(a_run(shown)), a_run(shown))
    slow, fast = (report(inventory_of(run), run, BOXES) for run in (stalled, quick))
    time_s = before.fit.time_to_end_s(0.003 * before.fit.dry_mass_g().p50).p50
    assert time_s > 1.0
    for told in (slow, fast):
        assert slower_than_it_looked(before, told) == (told.time_to_end_s.p50 > time_s)
    later = replace(slow, time_to_end_s=Quantiles(0.0, time_s + 0.1, 9e9))
    assert slower_than_it_looked(before, later)
    assert not slower_than_it_looked(before, replace(later, time_to_end_s=Quantiles(0.0, time_s, 9e9)))
    assert not slower_than_it_looked(before, replace(later, fits=False))
    assert slower_than_it_looked(replace(before, points=before.points[:2]), later)
    assert not slower_than_it_looked(replace(before, points=before.points[:1]), later)


class Asked:
    """Readings of a box that remember what they were asked for: a third each at 1, 2 and 9 %, then stuck ones at 50."""

    def __init__(self, good: int, stuck: int = 0) -> None:
        self.good, self.stuck = good, stuck
        self.asked: tuple[object, ...] = ()

    def series(self, box: str, begin: datetime, end: datetime) -> ReadingSeries:
        self.asked = (box, begin - AT, end - AT)
        count = self.good + self.stuck
        shown = np.append(np.resize([0.02, 0.01, 0.09], self.good), np.full(self.stuck, 0.5))
        degc = np.append(np.resize([21.0, 20.0, 29.0], self.good), np.full(self.stuck, 35.0))
        marks = np.append(np.zeros(self.good, np.uint16), np.full(self.stuck, Mark.stuck.bit, np.uint16))
        return ReadingSeries(box, np.arange(float(count)), degc, shown, marks)


@pytest.mark.parametrize(
    ("good", "stuck", "found"), [(23, 0, None), (24, 0, (0.02, 21.0)), (23, 9, None), (24, 24, (0.02, 21.0))]
)
def test_the_first_days_of_a_box_are_a_jar_check(good: int, stuck: int, found: tuple[float, float] | None) -> None:
    """Day and a half to three days and a half after the beads went in, with two dozen good readings: judgements."""
    there = inventory_of(charges=(replace(BOWL, place="box:pla", placed_at=AT),))
    series = Asked(good, stuck)
    assert first_days(series, there, "bowl") == found  # type: ignore[arg-type]
    assert series.asked == ("pla", timedelta(days=1.5), timedelta(days=3.5))
    for charge in (BOWL, replace(BOWL, placed_at=AT), replace(BOWL, place="box:pla")):
        assert first_days(Asked(99), inventory_of(charges=(charge,)), "bowl") is None  # type: ignore[arg-type]
