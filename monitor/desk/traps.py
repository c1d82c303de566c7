"""What a tired person gets wrong at the scale or the switch: found, said in one line, and kept only when confirmed."""

from __future__ import annotations

from dataclasses import dataclass, field
from types import MappingProxyType
from typing import TYPE_CHECKING

from monitor.desk.inventory import SURELY_SDS
from monitor.desk.spills import kept_before, kept_since_last
from monitor.errors import OutOfRangeError, UnconfirmedError
from monitor.inference.drying.priors import least_dry_of_new
from monitor.physics.drying import JAR_DEGC, microwave_water_bound_g
from monitor.physics.materials import polymer
from monitor.texts import say, to_say
from monitor.units import GRAMS_PER_OUNCE

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from monitor.desk.inventory import Charge, Run
    from monitor.physics.materials import Desiccant
    from monitor.records import Quantiles

SCALE_UNITS = MappingProxyType({"milk": 1.03, "oil": 0.92, "ounces": GRAMS_PER_OUNCE})
"""Grams for one of what a kitchen scale may show instead of grams: milliliters of a liquid (its density, from memory),
or ounces. Milliliters of water are grams."""

_GENEROUS_POWER_W = MappingProxyType({"microwave": 1200.0, "oven": 3000.0, "filament_dryer": 250.0, "print_bed": 500.0})
"""Where the shelf file names no power: more than such an appliance has, so that the bound accuses nobody wrongly
(judgements)."""
_GENEROUS_POWER_OTHER_W = 3000.0  # judgement: as of an oven
_FULLEST_FACTOR = 1.4
"""A lot this much above the isotherm's capacity was never measured (the best of six lots: 1.25);
a judgement."""
_FULLEST_HUMIDITY = 0.95  # a fraction; judgement: where isotherms end
_SCALE_SHARE = 0.002  # of a mass; judgement: what a kitchen scale is off by
_SAME_HOLDER_SHARE = 0.01  # of a mass; judgement: what beads lose on the way to the scale
_POINT_FACTORS = (0.1, 0.01)  # of a figure, by definition: a decimal point of tenths or of hundredths was left out
_POINT_TOO_EARLY = 10.0  # times a figure, by definition: its decimal point stands a place too early
_POINT_SHARE = 0.05  # of a mass; judgement: ten times is no chance, and what is odd about the rest is asked next
_LOST_AT_ONCE_SHARE = 0.25  # of a mass; judgement: full gel that dries in one go
_OPEN_SHARE, _OPEN_SHARE_PER_S = 0.05, 0.04 / 3600.0
"""What beads that stood open can have gained: a thin layer about 1 % in 15 minutes (``cautions``), and a twentieth at
the least, as clocks and rooms differ. A judgement."""
_SOFTENING_MARGIN_K = 15.0
"""A loaded printed holder stays this far below its glass transition (a judgement)."""
_MOST_STRETCH_S = MappingProxyType({"microwave": 1200.0, "oven": 43_200.0})  # judgements, reasons below with the other
_MOST_STRETCH_OTHER_S = 4 * 86_400.0
"""Heat between two weighings beyond which a figure is rather a slip: 20 minutes of microwave overheat beads and glass,
12 hours of oven and four days of warm air dry any load that is stirred (judgements)."""
_WRITTEN_LATER_S = 1800.0
"""Weighings of one sitting are typed together afterwards; more heat than this beyond the clock is asked about (a
judgement)."""
_WITH_STOP = "{text}."
_SPILLED = to_say(
    "Did beads fall out? First run `siccast recharge spilled` (with --grams if you know how much), then weigh again"
)


@dataclass(frozen=True, slots=True)
class Trap:
    """Something that looks wrong: a short name for scripts, a line for people, and a way to put it right."""

    name: str
    text: str
    factor: float | None = None
    """Grams for one of what the scale showed, where that would explain it."""
    unit: str = ""
    plain: str = field(default="", compare=False)
    """The same for a face that asks by buttons, where the text names options of the command line."""
    tare_g: float | None = None
    """The empty holder that would explain it."""
    shown_g: float | None = None
    """What the scale may have shown, where a decimal point was missed."""
    could_stand_open: bool = True
    """Whether beads that stood open could have gained so much."""


class TrapError(UnconfirmedError):
    """Something looks wrong; nothing was kept."""

    def __init__(self, found: Sequence[Trap]) -> None:
        told = found[:1] if len(found) == 1 else (found[0], found[-1])
        *before, last = (trap.text for trap in told)
        for text in before:
            ended = text if text.endswith("?") else say(_WITH_STOP, text=text)
            last = say("{one} Or: {other}", one=ended, other=last)
        super().__init__(say("Not saved: {why}", why=last))
        self.traps = tuple(found)


@dataclass(frozen=True, slots=True)
class AtScale:
    """A weighing that was just typed, and what else is known of the moment."""

    shown_g: float
    """With the holder, as the scale showed it."""
    mass_g: float
    """Beads alone, in grams."""
    tare_g: float
    heated_s: float
    resolution_g: float
    scaled: bool = False
    """Whether the person said that the scale stood on something else than grams."""
    elapsed_s: float | None = None
    """On the clock, since the last weighing or the start."""
    fits: bool = True
    """Whether a drying curve goes through it and the weighings before; true where none went through those."""
    contradicted: bool = False
    """Whether no curve goes through the weighings before: what they let expect then explains nothing."""


def before_heating(
    desiccant: Desiccant, appliance_kind: str, temperature_degc: float | None, holder: str
) -> tuple[Trap, ...]:
    """Return what speaks against heating these beads so, in this holder."""
    traps = []
    ceiling = desiccant.max_regeneration_degc
    if temperature_degc is not None and temperature_degc > ceiling:
        of_dye = desiccant.dye is not None and desiccant.dye.max_degc < desiccant.ceiling.max_degc
        what = say("It harms their dye") if of_dye else say(desiccant.ceiling.damage)
        text = say(
            "{temperature} °C is over the {ceiling} °C that these beads can take. {what}",
            temperature=f"{temperature_degc:.0f}",
            ceiling=f"{ceiling:.0f}",
            what=what,
        )
        traps.append(Trap("over the ceiling", text))
    traps += _holder_traps(appliance_kind, temperature_degc, holder)
    return tuple(traps)


def _holder_traps(appliance_kind: str, temperature_degc: float | None, holder: str) -> Iterable[Trap]:
    if appliance_kind == "microwave" and holder == "metal":
        yield Trap("metal in the microwave", say("metal sparks in a microwave. Pour the beads into glass or ceramic"))
    softens = _softens_degc(holder)
    if softens is None:
        return
    if appliance_kind == "microwave":
        yield Trap(
            "plastic in the microwave",
            say("hot beads melt into printed plastic. Pour the beads into glass or ceramic"),
        )
    elif temperature_degc is not None and temperature_degc > softens:
        text = say(
            "a printed {holder} holder with beads in it can take {softens} °C, not {temperature} °C",
            holder=holder,
            softens=f"{softens:.0f}",
            temperature=f"{temperature_degc:.0f}",
        )
        yield Trap("holder softens", text)


def _softens_degc(holder: str) -> float | None:
    try:
        return polymer(holder).glass_transition_degc[0] - _SOFTENING_MARGIN_K if holder else None
    except OutOfRangeError:
        return None


def at_the_scale(
    run: Run,
    typed: AtScale,
    *,
    desiccant: Desiccant,
    expected_g: Quantiles | None,
    other_tares_g: Iterable[float] = (),
) -> tuple[Trap, ...]:
    """Return what is wrong with a weighing that was just typed.

    ``expected_g``: what the curve so far, or the inventory before the first heat, say the beads should weigh.
    """
    before = run.weighings
    found = list(too_long(run, typed.heated_s, typed.elapsed_s))
    if before:
        found += _later(run, typed, desiccant=desiccant, expected_g=expected_g, other_tares_g=other_tares_g)
    else:
        found += _first(run.charge_before, typed.mass_g, typed.resolution_g, desiccant, expected_g)
    if not found and not typed.fits:
        found.append(_off_the_curve(typed.mass_g, expected_g))
    same = any(trap.name == "the same again" for trap in found)
    point = missed_point(typed, expected_g, before[-1].mass_g if before else None) if found else None
    explained = None if same or point else other_scale(typed, expected_g)
    return tuple(trap for trap in (point, *found, explained) if trap is not None)


def missed_point(typed: AtScale, expected_g: Quantiles | None, last_g: float | None) -> Trap | None:
    """Return the figure with its decimal point elsewhere that would be likely: 1682 for 168.2."""
    if typed.scaled or (expected_g is None and last_g is None):
        return None
    if expected_g is not None and not typed.contradicted:
        low_g, high_g = expected_g.p05, expected_g.p95
    else:
        high_g = last_g or 0.0
        low_g = high_g * (1.0 - _LOST_AT_ONCE_SHARE)
    for factor in (*_POINT_FACTORS, *((_POINT_TOO_EARLY,) if typed.resolution_g < 1.0 else ())):
        shown_g = typed.shown_g * factor
        if (1.0 - _POINT_SHARE) * low_g <= shown_g - typed.tare_g <= (1.0 + _POINT_SHARE) * high_g:
            text = say(
                "{shown} g is far from what was expected. Is the decimal point elsewhere: {meant} g?",
                shown=f"{typed.shown_g:g}",
                meant=f"{shown_g:g}",
            )
            return Trap("missed point", text, shown_g=shown_g)
    return None


def too_long(run: Run, heated_s: float, elapsed_s: float | None = None) -> Iterable[Trap]:
    """Return what is wrong with so much heat in all: more than such an appliance is given, or than the clock allows."""
    more_s = heated_s - (run.weighings[-1].heated_s if run.weighings else 0.0)
    kind, minutes = run.start.appliance_kind, more_s / 60.0
    most_s = _MOST_STRETCH_S.get(kind, _MOST_STRETCH_OTHER_S)
    if more_s > most_s:
        text = say(
            "{minutes} min without a break is too long ({appliance}). Heat at most {most} min before you stir and weigh"
            " the beads (a judgement). Did you mean minutes?",
            minutes=f"{minutes:.0f}",
            appliance=say(kind.replace("_", " ")),
            most=f"{most_s / 60:.0f}",
        )
        yield Trap("too long", text)
    elif elapsed_s is not None and more_s > max(elapsed_s, 0.0) + _WRITTEN_LATER_S:
        since = say("the last weighing") if run.weighings else say("the start of the run")
        text = say(
            "{minutes} min of heating, but {since} was {passed} min ago",
            minutes=f"{minutes:.0f}",
            since=since,
            passed=f"{max(elapsed_s, 0.0) / 60:.0f}",
        )
        yield Trap(
            "more heat than time",
            say("{text}. Give the time of the weighing with --at, or correct the minutes of heating", text=text),
            plain=text,
        )


def _off_the_curve(mass_g: float, expected_g: Quantiles | None) -> Trap:
    likely = (
        ""
        if expected_g is None
        else say(", after which {low} to {high} g is likely", low=f"{expected_g.p05:.0f}", high=f"{expected_g.p95:.0f}")
    )
    text = say("{mass} g does not fit the weighings before{likely}", mass=f"{mass_g:.0f}", likely=likely)
    return Trap("off the curve", f"{text}. {_SPILLED}", plain=text)


def _later(
    run: Run,
    typed: AtScale,
    *,
    desiccant: Desiccant,
    expected_g: Quantiles | None,
    other_tares_g: Iterable[float],
) -> Iterable[Trap]:
    before, mass_g = run.weighings, typed.mass_g
    slack_g = 2.0 * max(typed.resolution_g, before[-1].resolution_g)
    kept, kept_since = kept_before(run, len(before)), kept_since_last(run)
    last_g = before[-1].mass_g * (1.0 if kept_since is None else kept_since)
    if mass_g > last_g + slack_g:
        yield _gain(typed, last_g, before[-1].event_id, other_tares_g)
    more_s = typed.heated_s - before[-1].heated_s
    if kept_since is not None and more_s > 0.0:
        yield from _no_loss(typed, last_g, more_s, expected_g, slack_g)
        bound_g = _heat_bound_g(run, more_s)
        if last_g - mass_g > bound_g + slack_g:
            text = say(
                "{mass} g less after {more} min needs more heat than the appliance gives",
                mass=f"{last_g - mass_g:.0f}",
                more=f"{more_s / 60:.0f}",
            )
            text = say("{text} (it can remove at most {bound} g)", text=text, bound=f"{bound_g:.0f}")
            yield Trap("more than the heat allows", f"{text}. {_SPILLED}", plain=text)
    if kept is None:
        return
    if run.charge_before.state == "new" and run.charge_before.dry_mass_g is None and not run.spills:
        yield from _wetter_than_new(before[0].mass_g, last_g, mass_g)
    least_g = kept * _least_g(run.charge_before, _start_g(run), desiccant)
    if mass_g < least_g - slack_g:
        text = say(
            "{mass} g is less than these beads weigh when fully dry (about {least} g)",
            mass=f"{mass_g:.0f}",
            least=f"{least_g:.0f}",
        )
        told = say("{text}. {spilled}. Or is it another holder, or a typing error?", text=text, spilled=say(_SPILLED))
        yield Trap("more water than there was", told, plain=text)


def _start_g(run: Run) -> float:
    """Return what the first weighing showed, with what had fallen out by then."""
    return run.weighings[0].mass_g / (kept_before(run, 0) or 1.0)


def _no_loss(
    typed: AtScale, last_g: float, more_s: float, expected_g: Quantiles | None, slack_g: float
) -> Iterable[Trap]:
    """The same weight again while water should still come off: the appliance was off, or the old figure was read."""
    if expected_g is None or abs(typed.mass_g - last_g) > 0.5 * typed.resolution_g:
        return
    least_loss_g = last_g - expected_g.p95
    if least_loss_g > slack_g:
        text = say(
            "the weight is the same again after {more} min of heating, but at least {least} g should come off. Was the"
            " appliance on, and is this the new weight?",
            more=f"{more_s / 60:.0f}",
            least=f"{least_loss_g:.0f}",
        )
        yield Trap("the same again", text)


def _wetter_than_new(start_g: float, last_g: float, mass_g: float) -> Iterable[Trap]:
    """Asked once, at the weighing that shows it first."""
    least_g = least_dry_of_new(start_g)
    held_g = start_g - least_g
    if mass_g < least_g <= last_g:
        text = say(
            "{mass} g of water came off, but beads fresh from the bag hold at most {held} g",
            mass=f"{start_g - mass_g:.0f}",
            held=f"{held_g:.0f}",
        )
        yield Trap(
            "wetter than new",
            say("{text}. Did they stand in the open? Then siccast treats them so from now on", text=text),
        )


def other_scale(typed: AtScale, expected_g: Quantiles | None) -> Trap | None:
    """Return the unit that would make an unlikely weighing likely, whichever way the empty holder was weighed."""
    if expected_g is None or typed.scaled or typed.contradicted:
        return None
    slack_g = 1.0 * typed.resolution_g + _SCALE_SHARE * expected_g.p50
    if expected_g.p05 - 2.0 * slack_g <= typed.mass_g <= expected_g.p95 + 2.0 * slack_g:
        return None
    for unit, factor in SCALE_UNITS.items():
        same, grams = typed.mass_g * factor, typed.shown_g * factor - typed.tare_g
        for mass_g, figure in ((same, typed.mass_g), (grams, typed.shown_g)):
            if expected_g.p05 - slack_g <= mass_g <= expected_g.p95 + slack_g:
                what = say(_SET_TO[unit])
                less = "" if figure == typed.mass_g else say(" less the holder's {tare} g", tare=f"{typed.tare_g:.0f}")
                text = say(
                    "{figure} would fit if the scale is set to {what} (×{factor}{less} = {mass} g)",
                    figure=f"{figure:.4g}",
                    what=what,
                    factor=f"{factor:.4g}",
                    less=less,
                    mass=f"{mass_g:.0f}",
                )
                told = say("{text}. If so, weigh again in grams or add --scale {unit}", text=text, unit=unit)
                return Trap("another unit", told, factor, unit, plain=text)
    return None


_SET_TO = MappingProxyType(
    {"ounces": to_say("ounces"), "milk": to_say("milliliters of milk"), "oil": to_say("milliliters of oil")}
)


def worse_than_it_was(run: Run, then: Run, expected_g: Quantiles | None) -> tuple[Trap, ...]:
    """Return what speaks against taking a run's weighings as of another scale: the inventory fit them as they are."""
    if expected_g is None:
        return ()
    now_g, then_g = run.weighings[0].mass_g, then.weighings[0].mass_g
    if abs(then_g - expected_g.p50) <= max(abs(now_g - expected_g.p50), 2.0 * run.weighings[0].resolution_g):
        return ()
    text = say(
        "the first weighing would become {then} g instead of {now} g, but the records say {expected} g",
        then=f"{then_g:.0f}",
        now=f"{now_g:.0f}",
        expected=f"{expected_g.p50:.0f}",
    )
    return (Trap("worse than it was", say("{text}. If it is right all the same, add --sure", text=text), plain=text),)


def _first(
    charge: Charge, mass_g: float, resolution_g: float, desiccant: Desiccant, expected_g: Quantiles | None
) -> Iterable[Trap]:
    slack_g = 2.0 * resolution_g
    if charge.dry_mass_g is not None:
        full_g = (
            charge.dry_mass_g * (1.0 + fullest_g_per_g(desiccant)) * (1.0 + SURELY_SDS * charge.dry_mass_relative_sd)
        )
        if mass_g > full_g + slack_g:
            text = say(
                "{mass} g is more than {dry_mass} g of dry beads can weigh wet ({full} g)",
                mass=f"{mass_g:.0f}",
                dry_mass=f"{charge.dry_mass_g:.0f}",
                full=f"{full_g:.0f}",
            )
            yield Trap("more than they can hold", say("{text}. Is the holder included?", text=text))
        elif mass_g < charge.dry_mass_g * (1.0 - SURELY_SDS * charge.dry_mass_relative_sd) - slack_g:
            text = say(
                "{mass} g is less than the {dry_mass} g that these beads weigh when fully dry",
                mass=f"{mass_g:.0f}",
                dry_mass=f"{charge.dry_mass_g:.0f}",
            )
            yield Trap("less than dry", say("{text}. Were some taken out?", text=text))
    if expected_g is not None and not expected_g.p05 - slack_g <= mass_g <= expected_g.p95 + slack_g:
        text = say("{mass} g, but the records say {expected} g", mass=f"{mass_g:.0f}", expected=f"{expected_g.p50:.0f}")
        told = say("{text}. {spilled}. Or is it another holder, or a typing error?", text=text, spilled=say(_SPILLED))
        yield Trap("not what the books say", told, plain=text)


def _gain(typed: AtScale, last_g: float, last_number: int, other_tares_g: Iterable[float]) -> Trap:
    gain_g = typed.mass_g - last_g
    shown_g = typed.mass_g if typed.scaled else typed.shown_g
    gained = f"{gain_g:.1f}".removesuffix(".0")
    text = say(
        "{shown} g is {gained} g more than last time, but drying beads do not gain weight",
        shown=f"{shown_g:g}",
        gained=gained,
    )
    open_g = last_g * max(_OPEN_SHARE, _OPEN_SHARE_PER_S * (typed.elapsed_s or 0.0))
    for tare_g in other_tares_g:
        if abs(gain_g - (tare_g - typed.tare_g)) <= 2.0 * typed.resolution_g + _SAME_HOLDER_SHARE * last_g:
            text = say("{text}. Is it another holder ({tare} g empty)?", text=text, tare=f"{tare_g:.0f}")
            told = say("{text} If so, add --tare {tare}", text=text, tare=f"{tare_g:.0f}")
            return Trap("another holder", told, plain=text, tare_g=tare_g, could_stand_open=gain_g <= open_g)
    would_do = say(
        "Typing error? Type it again. Glass hot or wet? Let it cool, dry it, weigh again. Another glass? "
        "Add --tare with its empty weight. Beads stood open? Add --sure. Last weighing wrong? `siccast "
        "lot undo {last_number}`",
        last_number=last_number,
    )
    told = say("{text}. {would_do}", text=text, would_do=would_do)
    return Trap("gain", told, plain=text, could_stand_open=gain_g <= open_g)


def _least_g(charge: Charge, start_g: float, desiccant: Desiccant) -> float:
    if charge.dry_mass_g is not None:
        return charge.dry_mass_g * (1.0 - SURELY_SDS * charge.dry_mass_relative_sd)
    return start_g / (1.0 + fullest_g_per_g(desiccant))


def fullest_g_per_g(desiccant: Desiccant) -> float:
    """Return more water than any lot of such beads holds. [g/g]"""
    return _FULLEST_FACTOR * float(desiccant.isotherm.loading_g_per_g(_FULLEST_HUMIDITY, JAR_DEGC))


def _heat_bound_g(run: Run, duration_s: float) -> float:
    power_w = run.start.power_w or _GENEROUS_POWER_W.get(run.start.appliance_kind, _GENEROUS_POWER_OTHER_W)
    return float(microwave_water_bound_g(power_w, duration_s))
