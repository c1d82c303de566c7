"""Each question at the scale: just below its threshold nothing is asked, just above it is, and in these words.

Thresholds stand here as plain numbers, most of them judgements of `monitor/desk/traps.py`; the sentences are ours
(*regression*).
"""

from __future__ import annotations

from dataclasses import FrozenInstanceError, fields, replace

import pytest
from runs_by_hand import BOWL, KNOWN, a_run

from monitor.desk.traps import (
    AtScale,
    Trap,
    TrapError,
    at_the_scale,
    before_heating,
    fullest_g_per_g,
    other_scale,
    too_long,
    worse_than_it_was,
)
from monitor.inference.drying.priors import least_dry_of_new
from monitor.physics.materials import desiccant, polymer
from monitor.records import Quantiles
from monitor.records.desk_events import RunWeighed

GEL = desiccant("silica_gel")
ORANGE = desiccant("orange_gel")
SPILLED = (
    "Did beads fall out? First run `siccast recharge spilled` (with --grams if you know how much), then weigh again"
)
STEP_G = 1.0


def typed(grams: float, heated_s: float = 240.0, **what: object) -> AtScale:
    return replace(AtScale(grams, grams, 0.0, heated_s, STEP_G), **what)  # type: ignore[arg-type]


def test_what_was_typed_does_not_change() -> None:
    for thing in (typed(1.0), Trap("a", "b")):
        assert not hasattr(thing, "__dict__")
        with pytest.raises(FrozenInstanceError):
            setattr(thing, fields(thing)[0].name, None)
    found = at_the_scale(run=a_run(), typed=typed(9.0), desiccant=GEL, expected_g=None)
    assert found == ()


def names(traps: object) -> list[str]:
    return [trap.name for trap in traps]  # type: ignore[attr-defined]


def asked(run: object, grams: float, expected: Quantiles | None = None, tares: tuple[float, ...] = (), **what: object):
    """Return what is asked of a weighing, name by text."""
    found = at_the_scale(run, typed(grams, **what), desiccant=GEL, expected_g=expected, other_tares_g=tares)  # type: ignore[arg-type]
    return {trap.name: trap.text for trap in found}


@pytest.mark.parametrize(("degc", "asked_about"), [(None, False), (119.0, False), (120.0, False), (120.1, True)])
def test_heat_over_what_the_dye_stands(degc: float | None, asked_about: bool) -> None:
    """120 °C: the dye of orange gel after Weintraub."""
    assert bool(before_heating(ORANGE, "oven", degc, "glass")) == asked_about


def test_heat_over_what_the_beads_stand() -> None:
    [trap] = before_heating(GEL, "oven", 151.0, "")
    assert (trap.name, trap.text) == (
        "over the ceiling",
        f"151 °C is over the 150 °C that these beads can take. {GEL.ceiling.damage}",
    )
    [trap] = before_heating(ORANGE, "oven", 121.4, "")
    assert trap.text == "121 °C is over the 120 °C that these beads can take. It harms their dye"


@pytest.mark.parametrize(
    ("kind", "degc", "holder", "name"),
    [
        ("microwave", None, "metal", ["metal in the microwave"]),
        ("oven", 110.0, "metal", []),
        ("microwave", None, "glass", []),
        ("microwave", None, "", []),
        ("microwave", None, "PETG", ["plastic in the microwave"]),
        ("microwave", 90.0, "PETG", ["plastic in the microwave"]),
        ("oven", None, "PETG", []),
        ("oven", 110.0, "wood", []),
    ],
)
def test_holders_by_appliance(kind: str, degc: float | None, holder: str, name: list[str]) -> None:
    assert names(before_heating(GEL, kind, degc, holder)) == name


def test_a_printed_holder_stays_15_k_below_its_glass_transition() -> None:
    """The margin is a judgement; the lower end of PETG's glass transition comes from the tables."""
    most = polymer("PETG").glass_transition_degc[0] - 15.0
    assert before_heating(GEL, "filament_dryer", most, "PETG") == ()
    [trap] = before_heating(GEL, "filament_dryer", most + 0.1, "PETG")
    assert trap.name == "holder softens"
    assert trap.text == f"a printed PETG holder with beads in it can take {most:.0f} °C, not {most + 0.1:.0f} °C"


@pytest.mark.parametrize(
    ("kind", "most_s"),
    [("microwave", 1200.0), ("oven", 43_200.0), ("filament_dryer", 345_600.0), ("print_bed", 345_600.0)],
)
@pytest.mark.parametrize("before_s", [None, 300.0])
def test_the_longest_heat_without_a_break(kind: str, most_s: float, before_s: float | None) -> None:
    run = a_run([] if before_s is None else [(0.0, 262.0), (before_s, 250.0)], kind=kind)
    assert names(too_long(run, (before_s or 0.0) + most_s)) == []
    [trap] = too_long(run, (before_s or 0.0) + most_s + 0.5)
    assert trap.name == "too long"
    assert trap.text == (
        f"{most_s / 60:.0f} min without a break is too long ({kind.replace('_', ' ')}). Heat at most"
        f" {most_s / 60:.0f} min before you stir and weigh the beads (a judgement). Did you mean minutes?"
    )


@pytest.mark.parametrize(
    ("elapsed_s", "heated_s", "asked_about"),
    [
        (600.0, 2400.0, False),
        (600.0, 2400.5, True),
        (-500.0, 1800.0, False),
        (-500.0, 1800.5, True),
        (0.5, 1800.4, False),
        (0.5, 1801.0, True),
        (None, 20_000.0, False),
    ],
)
def test_heat_may_run_half_an_hour_ahead_of_the_clock(
    elapsed_s: float | None, heated_s: float, asked_about: bool
) -> None:
    run = a_run([(0.0, 262.0)], kind="oven")
    assert names(too_long(run, heated_s, elapsed_s)) == ["more heat than time"] * asked_about


def test_more_heat_than_time_says_since_when() -> None:
    [since_last] = too_long(a_run([(600.0, 262.0)], kind="oven"), 9600.0, 6000.0)
    assert since_last.text == (
        "150 min of heating, but the last weighing was 100 min ago. Give the time of the weighing with --at, or correct"
        " the minutes of heating"
    )
    [since_start] = too_long(a_run(kind="oven"), 6600.0, -60.0)
    assert since_start.text.startswith("110 min of heating, but the start of the run was 0 min ago.")


@pytest.mark.parametrize(("grams", "asked_about"), [(252.0, False), (252.5, True)])
def test_a_gain_of_more_than_two_steps(grams: float, asked_about: bool) -> None:
    run = a_run([(0.0, 262.0), (240.0, 250.0)])
    assert ("gain" in asked(run, grams, heated_s=240.0)) == asked_about


def test_the_coarser_of_two_scales_sets_the_slack() -> None:
    coarse = a_run(shown=[RunWeighed("bowl-1", 0.0, 250.0, 5.0)])
    assert asked(coarse, 260.0, heated_s=0.0) == {}
    assert "gain" in asked(coarse, 260.1, heated_s=0.0)
    fine = a_run([(0.0, 250.0)])
    assert asked(fine, 260.0, heated_s=0.0, resolution_g=5.0) == {}
    assert "gain" in asked(fine, 260.1, heated_s=0.0, resolution_g=5.0)


def test_a_gain_says_what_would_do() -> None:
    run = a_run([(0.0, 262.0), (240.0, 250.0)])
    assert asked(run, 256.0, heated_s=480.0)["gain"] == (
        "256 g is 6 g more than last time, but drying beads do not gain weight. Typing error? Type it again. Glass hot"
        " or wet? Let it cool, dry it, weigh again. Another glass? Add --tare with its empty weight. Beads stood open?"
        " Add --sure. Last weighing wrong? `siccast lot undo 11`"
    )
    scaled = asked(run, 256.0, heated_s=480.0, scaled=True, shown_g=300.0)["gain"]
    assert scaled.startswith("256 g is 6 g more than last time")
    with_holder = asked(run, 256.0, heated_s=480.0, shown_g=300.0)["gain"]
    assert with_holder.startswith("300 g is 6 g more than last time")


@pytest.mark.parametrize(
    ("tare_g", "found"), [(40.4, False), (40.6, True), (45.0, True), (49.4, True), (49.6, False), (15.0, False)]
)
def test_another_holder_explains_a_gain_of_its_weight(tare_g: float, found: bool) -> None:
    """40 g of gain beside a holder of 5 g fit one of 45 g, give or take two steps of a gram and 1 % of 250 g."""
    told = asked(a_run([(240.0, 250.0)]), 290.0, tares=(tare_g,), tare_g=5.0)
    assert ("another holder" in told) == found
    assert ("gain" in told) != found
    if tare_g == 45.0:
        assert told["another holder"] == (
            "290 g is 40 g more than last time, but drying beads do not gain weight."
            " Is it another holder (45 g empty)? If so, add --tare 45"
        )


def test_long_heats_are_told_in_minutes() -> None:
    run = a_run([(0.0, 250.0)], kind="filament_dryer", power_w=15.0)
    [same] = asked(run, 250.0, Quantiles(230.0, 240.0, 245.0), heated_s=6000.0, scaled=True).values()
    assert "the same again after 100 min of heating, but at least 5 g should come off" in same
    [much] = asked(run, 210.0, heated_s=6000.0).values()
    assert "40 g less after 100 min needs more heat than the appliance gives (it can remove at most 26 g)" in much


@pytest.mark.parametrize(("grams", "same"), [(249.4, False), (249.5, True), (250.5, True), (250.6, False)])
def test_the_same_again_is_within_half_a_step(grams: float, same: bool) -> None:
    told = asked(a_run([(0.0, 262.0), (240.0, 250.0)]), grams, Quantiles(230.0, 240.0, 245.0), heated_s=480.0)
    assert ("the same again" in told) == same


@pytest.mark.parametrize(("most_g", "asked_about"), [(248.0, False), (247.9, True)])
def test_the_same_again_matters_where_more_than_two_steps_should_come_off(most_g: float, asked_about: bool) -> None:
    told = asked(a_run([(0.0, 262.0), (240.0, 250.0)]), 250.0, Quantiles(230.0, 240.0, most_g), heated_s=480.0)
    assert told == (
        {
            "the same again": "the weight is the same again after 4 min of heating, but at least 2 g should come off."
            " Was the appliance on, and is this the new weight?"
        }
        if asked_about
        else {}
    )


def test_no_heat_between_two_weighings_asks_for_no_loss() -> None:
    """Half a second of heat is heat all the same."""
    run = a_run([(0.0, 262.0), (240.0, 250.0)])
    should = Quantiles(240.0, 241.0, 245.0)
    assert asked(run, 250.0, should, heated_s=240.0) == {}
    assert "the same again" in asked(run, 250.0, should, heated_s=240.5)


@pytest.mark.parametrize(
    ("kind", "power_w", "heated_s", "most_g"),
    [
        ("microwave", None, 120.0, 42.35),  # 1200 W for two minutes, at 2.8 + 0.6 kJ/g
        ("microwave", 600.0, 120.0, 21.18),
        ("oven", None, 60.0, 52.94),  # 3000 W
        ("filament_dryer", None, 600.0, 44.12),  # 250 W
        ("print_bed", None, 300.0, 44.12),  # 500 W
        ("kiln", None, 60.0, 52.94),
    ],
)
def test_the_heat_sets_a_bound(kind: str, power_w: float | None, heated_s: float, most_g: float) -> None:
    """P t / 3.4 kJ/g by hand, and two steps of the scale; powers are generous judgements where none is declared."""
    run = a_run([(0.0, 300.0)], charge=replace(BOWL, mass_g=300.0), kind=kind, power_w=power_w)
    assert asked(run, 300.0 - most_g - 1.9, heated_s=heated_s) == {}
    told = asked(run, 300.0 - most_g - 2.1, heated_s=heated_s)
    assert told == {
        "more than the heat allows": f"{most_g + 2.1:.0f} g less after {heated_s / 60:.0f} min needs more heat than the"
        f" appliance gives (it can remove at most {most_g:.0f} g). {SPILLED}"
    }


def test_beads_that_fell_out_are_no_loss_of_water() -> None:
    told_g, unknown = (a_run([(0.0, 300.0)], spills=[(1, lost_g)]) for lost_g in (100.0, None))
    assert asked(told_g, 199.0, heated_s=30.0) == {}
    assert "gain" in asked(told_g, 203.0, heated_s=30.0)
    assert asked(unknown, 199.0, heated_s=30.0) == {}
    assert "gain" in asked(unknown, 303.0, heated_s=30.0)


def test_the_fullest_lot_holds_two_fifths_more_than_the_isotherm() -> None:
    """1.4 times the isotherm at 95 % RH and 25 °C: judgements."""
    assert fullest_g_per_g(GEL) == pytest.approx(1.4 * GEL.isotherm.loading_g_per_g(0.95, 25.0), rel=1e-12)


def test_no_beads_weigh_less_than_when_they_are_dry() -> None:
    """A first weighing of 300 g holds at most what the fullest lot does; two steps of slack."""
    least_g = 300.0 / (1.0 + 1.4 * float(GEL.isotherm.loading_g_per_g(0.95, 25.0)))
    run = a_run([(0.0, 300.0)], kind="oven", charge=replace(BOWL, mass_g=300.0))
    assert asked(run, least_g - 1.9, heated_s=7200.0) == {}
    assert asked(run, least_g - 2.1, heated_s=7200.0) == {
        "more water than there was": f"{least_g - 2.1:.0f} g is less than these beads weigh when fully dry (about"
        f" {least_g:.0f} g). {SPILLED}. Or is it another holder, or a typing error?"
    }


def test_a_known_dry_mass_is_the_least_less_three_of_its_standard_deviations() -> None:
    """200 g known to 2 %: 188 g, and two steps."""
    run = a_run([(0.0, 262.0)], kind="oven", charge=KNOWN)
    assert asked(run, 186.1, heated_s=7200.0) == {}
    assert "(about 188 g)" in asked(run, 185.9, heated_s=7200.0)["more water than there was"]


def test_what_fell_out_before_the_first_weighing_is_reckoned_with() -> None:
    """20 of 262 g fell out first: of 200 g of dry beads 184.73 g are left, less three sd 173.65 g, and two steps."""
    run = a_run([(0.0, 242.0)], kind="oven", charge=KNOWN, spills=[(0, 20.0)])
    assert asked(run, 171.8, heated_s=7200.0) == {}
    assert "(about 174 g)" in asked(run, 171.5, heated_s=7200.0)["more water than there was"]
    unknown_dry = a_run([(0.0, 242.0)], kind="oven", spills=[(0, 20.0)])
    least_g = 242.0 / (1.0 + fullest_g_per_g(GEL))
    assert asked(unknown_dry, least_g - 1.9, heated_s=7200.0) == {}
    assert "more water than there was" in asked(unknown_dry, least_g - 2.1, heated_s=7200.0)


def test_new_beads_that_lose_more_than_7_percent_were_not_new() -> None:
    """2.5 % and three times 1.5 % (judgements): 262 g are 244.86 g when dry, at least. Asked once."""
    new = replace(BOWL, state="new")
    run = a_run([(0.0, 262.0)], charge=new)
    assert asked(run, 244.9, heated_s=240.0) == {}
    assert asked(run, 244.8, heated_s=240.0) == {
        "wetter than new": "17 g of water came off, but beads fresh from the bag hold at most 17 g. Did they stand in"
        " the open? Then siccast treats them so from now on"
    }
    after = a_run([(0.0, 262.0), (240.0, 244.8)], charge=new)
    assert asked(after, 240.0, heated_s=480.0) == {}
    just = a_run([(0.0, 262.0), (240.0, least_dry_of_new(262.0))], charge=new)
    assert "wetter than new" in asked(just, 240.0, heated_s=480.0)
    for other in (replace(new, state="room"), replace(new, dry_mass_g=250.0)):
        assert "wetter than new" not in asked(a_run([(0.0, 262.0)], charge=other), 244.8, heated_s=240.0)
    assert "wetter than new" not in asked(a_run([(0.0, 262.0)], charge=new, spills=[(1, 1.0)]), 244.8)


def test_the_first_weighing_of_known_beads_has_bounds() -> None:
    """200 g known to 2 %: less than 188 g are not all there, more than a fullest lot of 212 g holds are not beads."""
    run = a_run(charge=KNOWN)
    full_g = 200.0 * (1.0 + fullest_g_per_g(GEL)) * 1.06
    assert asked(run, full_g + 1.9, heated_s=0.0) == {}
    assert asked(run, full_g + 2.1, heated_s=0.0) == {
        "more than they can hold": f"{full_g + 2.1:.0f} g is more than 200 g of dry beads can weigh wet"
        f" ({full_g:.0f} g). Is the holder included?"
    }
    assert asked(run, 186.1, heated_s=0.0) == {}
    assert asked(run, 185.9, heated_s=0.0) == {
        "less than dry": "186 g is less than the 200 g that these beads weigh when fully dry. Were some taken out?"
    }
    assert asked(a_run(), 10.0, heated_s=0.0) == {}


@pytest.mark.parametrize(("grams", "asked_about"), [(257.9, True), (258.1, False), (264.9, False), (265.1, True)])
def test_the_first_weighing_against_the_records(grams: float, asked_about: bool) -> None:
    told = asked(a_run(), grams, Quantiles(260.0, 261.6, 263.0), heated_s=0.0)
    text = f"{grams:.0f} g, but the records say 262 g. {SPILLED}. Or is it another holder, or a typing error?"
    assert told == ({"not what the books say": text} if asked_about else {})


def test_off_the_curve_is_said_where_nothing_else_is() -> None:
    run = a_run([(0.0, 262.0), (240.0, 250.0)])
    said = asked(run, 240.0, Quantiles(244.0, 246.0, 248.4), heated_s=480.0, fits=False, scaled=True)
    assert said == {
        "off the curve": "240 g does not fit the weighings before, after which 244 to 248 g is likely. " + SPILLED
    }
    assert asked(run, 240.0, heated_s=480.0, fits=False) == {
        "off the curve": "240 g does not fit the weighings before. " + SPILLED
    }
    assert set(asked(run, 256.0, heated_s=480.0, fits=False)) == {"gain"}


EXPECTED = Quantiles(259.0, 260.0, 261.0)


@pytest.mark.parametrize(
    ("grams", "unit"),
    [
        (249.9, None),
        (250.1, "milk"),
        (254.8, "milk"),
        (254.9, None),
        (264.1, None),
        (279.8, None),
        (279.9, "oil"),
        (285.3, "oil"),
        (285.4, None),
        (9.08, None),
        (9.09, "ounces"),
        (9.25, "ounces"),
        (9.27, None),
    ],
)
def test_another_unit_that_explains_a_weighing(grams: float, unit: str | None) -> None:
    """Milk 1.03, oil 0.92 g/ml (from memory), an ounce 28.3495 g; a step and 0.2 % of 260 g are 1.52 g of slack."""
    found = other_scale(typed(grams), EXPECTED)
    assert (found.unit if found else None) == unit


@pytest.mark.parametrize(
    ("grams", "step_g", "unit"), [(247.9, 5.0, "milk"), (248.0, 5.0, None), (282.0, 10.0, None), (282.1, 10.0, "oil")]
)
def test_no_other_unit_is_sought_within_twice_the_slack(grams: float, step_g: float, unit: str | None) -> None:
    """A step of the scale and 0.2 % of 260 g, twice, on either side of 259 to 261 g."""
    found = other_scale(typed(grams, resolution_g=step_g), EXPECTED)
    assert (found.unit if found else None) == unit


def test_another_unit_names_the_sum_behind_it() -> None:
    milk = other_scale(typed(252.4), EXPECTED)
    assert milk == Trap(
        "another unit",
        "252.4 would fit if the scale is set to milliliters of milk (×1.03 = 260 g)."
        " If so, weigh again in grams or add --scale milk",
        1.03,
        "milk",
    )
    ounces = other_scale(typed(9.17), EXPECTED)
    assert ounces is not None
    assert ounces.text.startswith("9.17 would fit if the scale is set to ounces (×28.35 = 260 g).")
    holder = other_scale(typed(495.0, mass_g=195.0, tare_g=250.0), EXPECTED)
    assert holder is not None
    assert holder.text.startswith(
        "495 would fit if the scale is set to milliliters of milk (×1.03 less the holder's 250 g = 260 g)."
    )
    assert other_scale(typed(252.4), None) is None
    assert other_scale(typed(252.4, scaled=True), EXPECTED) is None
    assert other_scale(typed(252.4, contradicted=True), EXPECTED) is None


def test_another_unit_comes_last_and_never_beside_the_same_again() -> None:
    run = a_run([(0.0, 262.0)])
    should = Quantiles(258.0, 259.0, 260.0)
    assert list(asked(run, 251.5, should, heated_s=240.0)) == ["another unit"]
    again = a_run([(0.0, 262.0), (240.0, 251.5)])
    assert list(asked(again, 251.5, Quantiles(230.0, 231.4, 233.0), heated_s=480.0)) == ["the same again"]


@pytest.mark.parametrize(
    ("now_g", "then_g", "asked_about"),
    [(262.0, 264.1, False), (262.0, 264.2, True), (255.0, 269.1, False), (255.0, 269.3, True), (262.0, 259.0, True)],
)
def test_weighings_are_not_put_right_to_something_worse(now_g: float, then_g: float, asked_about: bool) -> None:
    """Records of 262.1 g: two steps of a gram, or as far off as it is now."""
    run, then = a_run([(0.0, now_g), (240.0, 9.0)]), a_run([(0.0, then_g), (240.0, 9.0)])
    found = worse_than_it_was(run, then, Quantiles(260.0, 262.1, 264.0))
    assert worse_than_it_was(run, then, None) == ()
    assert names(found) == ["worse than it was"] * asked_about
    if asked_about:
        assert found[0].text == (
            f"the first weighing would become {then_g:.0f} g instead of {now_g:.0f} g, but the records say 262 g. If it"
            " is right all the same, add --sure"
        )


def test_a_refusal_says_the_first_and_the_last_of_its_reasons() -> None:
    one, two, three = (Trap(name, text) for name, text in (("a", "first"), ("b", "second"), ("c", "third?")))
    assert str(TrapError([one])) == "Not saved: first"
    assert str(TrapError([three])) == "Not saved: third?"
    assert str(TrapError([one, two])) == "Not saved: first. Or: second"
    assert str(TrapError([one, two, three])) == "Not saved: first. Or: third?"
    assert TrapError([one, two, three]).traps == (one, two, three)
