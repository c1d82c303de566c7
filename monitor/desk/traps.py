"""What a tired person gets wrong at the scale or the switch: found, said in one line, and kept only when confirmed."""

from __future__ import annotations

from dataclasses import dataclass
from types import MappingProxyType
from typing import TYPE_CHECKING

from monitor.errors import OutOfRangeError
from monitor.inference.drying.beliefs import least_dry_of_new
from monitor.physics.drying import microwave_water_bound_g
from monitor.physics.materials import polymer
from monitor.units import GRAMS_PER_OUNCE

if TYPE_CHECKING:
    from collections.abc import Iterable

    from monitor.desk.books import Charge, Run
    from monitor.physics.materials import Desiccant
    from monitor.records import Quantiles

SCALE_UNITS = MappingProxyType({"milk": 1.03, "oil": 0.92, "ounces": GRAMS_PER_OUNCE})
"""Grams for one of what a kitchen scale may show instead of grams: milliliters of a liquid (its density, from memory),
or ounces. Milliliters of water are grams."""

_HEAT_KJ_PER_G = 2.8
"""Heat of adsorption while drying, 2.6 to 3.2 kJ for each gram of water; the bound takes the middle."""
_GENEROUS_POWER_W = MappingProxyType({"microwave": 1200.0, "oven": 3000.0, "filament_dryer": 250.0, "print_bed": 500.0})
"""Where the shelf file names no power: more than such an appliance has, so that the bound accuses nobody wrongly."""
_FULLEST_FACTOR = 1.4
"""A lot this much above the isotherm's capacity was never measured (the best of six lots: 1.25)."""
_SOFTENING_MARGIN_K = 15.0
"""A loaded printed holder stays this far below its glass transition (a rule of ours)."""
_MELTS_IN_MICROWAVE = "hot beads melt into printed plastic"


@dataclass(frozen=True, slots=True)
class Trap:
    """Something that looks wrong: a short name for scripts, a line for people, and a way to put it right."""

    name: str
    text: str
    factor: float | None = None
    """Grams for one of what the scale showed, where that would explain it."""
    unit: str = ""


def before_heating(
    desiccant: Desiccant, appliance_kind: str, temperature_degc: float | None, holder: str
) -> tuple[Trap, ...]:
    """Return what speaks against heating these beads so, in this holder."""
    traps = []
    ceiling = desiccant.max_regeneration_degc
    if temperature_degc is not None and temperature_degc > ceiling:
        of_dye = desiccant.dye is not None and desiccant.dye.max_degc < desiccant.ceiling.max_degc
        what = "their dye is harmed" if of_dye else desiccant.ceiling.damage
        text = f"{temperature_degc:.0f} °C is over the {ceiling:.0f} °C these beads stand: {what}"
        traps.append(Trap("over the ceiling", text))
    traps += _holder_traps(appliance_kind, temperature_degc, holder)
    return tuple(traps)


def _holder_traps(appliance_kind: str, temperature_degc: float | None, holder: str) -> Iterable[Trap]:
    if appliance_kind == "microwave" and holder == "metal":
        yield Trap("metal in the microwave", "metal sparks in a microwave: pour the beads into glass or ceramic")
    softens = _softens_degc(holder)
    if softens is None:
        return
    if appliance_kind == "microwave":
        yield Trap("plastic in the microwave", f"{_MELTS_IN_MICROWAVE}: pour the beads into glass or ceramic")
    elif temperature_degc is not None and temperature_degc > softens:
        text = f"a printed {holder} holder with beads in it stands {softens:.0f} °C, not {temperature_degc:.0f} °C"
        yield Trap("holder softens", text)


def _softens_degc(holder: str) -> float | None:
    try:
        return polymer(holder).glass_transition_degc[0] - _SOFTENING_MARGIN_K if holder else None
    except OutOfRangeError:
        return None


def at_the_scale(
    run: Run,
    mass_g: float,
    heated_s: float,
    resolution_g: float,
    *,
    desiccant: Desiccant,
    expected_g: Quantiles | None,
    other_tares_g: Iterable[float] = (),
) -> tuple[Trap, ...]:
    """Return what is wrong with a weighing that was just typed, beads alone in grams.

    ``expected_g``: what the curve so far, or the books before the first heat, say the beads should weigh.
    """
    before = run.weighings
    if before:
        found = list(_later(run, mass_g, heated_s, resolution_g, desiccant=desiccant, other_tares_g=other_tares_g))
    else:
        found = list(_first(run.charge_before, mass_g, resolution_g, desiccant, expected_g))
    explained = _other_scale(mass_g, resolution_g, expected_g)
    return (*found, explained) if explained else tuple(found)


def _later(
    run: Run,
    mass_g: float,
    heated_s: float,
    resolution_g: float,
    *,
    desiccant: Desiccant,
    other_tares_g: Iterable[float],
) -> Iterable[Trap]:
    before = run.weighings
    last = before[-1]
    slack_g = 2.0 * max(resolution_g, last.resolution_g)
    if mass_g > last.mass_g + slack_g:
        yield _gain(run, mass_g, last.mass_g, resolution_g, other_tares_g)
    least_g = _least_g(run.charge_before, before[0].mass_g, desiccant)
    if run.charge_before.state == "new" and run.charge_before.dry_mass_g is None:
        yield from _wetter_than_new(before[0].mass_g, last.mass_g, mass_g)
    if mass_g < least_g - slack_g:
        text = f"{mass_g:.0f} g is less than these beads weigh bone dry (about {least_g:.0f} g)"
        yield Trap("more water than there was", f"{text}: spilled, another holder, or a slip of the pen?")
    bound_g = _heat_bound_g(run, heated_s - last.heated_s)
    if last.mass_g - mass_g > bound_g + slack_g:
        text = f"{last.mass_g - mass_g:.0f} g in {(heated_s - last.heated_s) / 60:.0f} min needs more heat than there"
        yield Trap("more than the heat allows", f"{text} was (at most {bound_g:.0f} g)")


def _wetter_than_new(start_g: float, last_g: float, mass_g: float) -> Iterable[Trap]:
    """Asked once, at the weighing that shows it first."""
    least_g = least_dry_of_new(start_g)
    held_g = start_g - least_g
    if mass_g < least_g <= last_g:
        text = f"{start_g - mass_g:.0f} g driven off, and beads fresh from the bag hold at most {held_g:.0f} g"
        yield Trap(
            "wetter than new", f"{text}: did they stand in the open? If so, they are reckoned as such from here on"
        )


def _other_scale(mass_g: float, resolution_g: float, expected_g: Quantiles | None) -> Trap | None:
    """Return the unit that would make an unlikely weighing likely."""
    if expected_g is None:
        return None
    slack_g = 1.0 * resolution_g + 0.002 * expected_g.p50
    if expected_g.p05 - 2.0 * slack_g <= mass_g <= expected_g.p95 + 2.0 * slack_g:
        return None
    for unit, factor in SCALE_UNITS.items():
        if expected_g.p05 - slack_g <= mass_g * factor <= expected_g.p95 + slack_g:
            what = unit if unit == "ounces" else f"milliliters of {unit}"
            text = f"{mass_g:.4g} would fit a scale that stands on {what} (×{factor:.4g} = {mass_g * factor:.0f} g)"
            return Trap("another unit", f"{text}: if so, weigh again in grams or add --scale {unit}", factor, unit)
    return None


def _first(
    charge: Charge, mass_g: float, resolution_g: float, desiccant: Desiccant, expected_g: Quantiles | None
) -> Iterable[Trap]:
    slack_g = 2.0 * resolution_g
    if charge.dry_mass_g is not None:
        full_g = charge.dry_mass_g * (1.0 + fullest_g_per_g(desiccant)) * (1.0 + 3.0 * charge.dry_mass_relative_sd)
        if mass_g > full_g + slack_g:
            text = f"{mass_g:.0f} g is more than {charge.dry_mass_g:.0f} g of dry beads can weigh wet ({full_g:.0f} g)"
            yield Trap("more than they can hold", f"{text}: is the holder still in it?")
        elif mass_g < charge.dry_mass_g * (1.0 - 3.0 * charge.dry_mass_relative_sd) - slack_g:
            text = f"{mass_g:.0f} g is less than the {charge.dry_mass_g:.0f} g these beads weigh bone dry"
            yield Trap("less than dry", f"{text}: were some taken out?")
    if expected_g is not None and not expected_g.p05 - slack_g <= mass_g <= expected_g.p95 + slack_g:
        text = f"{mass_g:.0f} g, but the books say {expected_g.p50:.0f} g"
        yield Trap("not what the books say", f"{text}: spilled, another holder, or a slip of the pen?")


def _gain(run: Run, mass_g: float, last_g: float, resolution_g: float, other_tares_g: Iterable[float]) -> Trap:
    gain_g = mass_g - last_g
    text = f"{gain_g:.0f} g heavier than the weighing before; beads in an appliance don't gain"
    for tare_g in other_tares_g:
        if abs(gain_g - (tare_g - run.start.tare_g)) <= 2.0 * resolution_g + 0.01 * last_g:
            return Trap("another holder", f"{text}: is it another holder ({tare_g:.0f} g empty)?")
    return Trap("gain", f"{text}: another holder, hot or wet glass, or a slip of the pen?")


def _least_g(charge: Charge, start_g: float, desiccant: Desiccant) -> float:
    if charge.dry_mass_g is not None:
        return charge.dry_mass_g * (1.0 - 3.0 * charge.dry_mass_relative_sd)
    return start_g / (1.0 + fullest_g_per_g(desiccant))


def fullest_g_per_g(desiccant: Desiccant) -> float:
    """Return more water than any lot of such beads holds. [g/g]"""
    return _FULLEST_FACTOR * float(desiccant.isotherm.loading_g_per_g(0.95, 25.0))


def _heat_bound_g(run: Run, duration_s: float) -> float:
    power_w = run.start.power_w or _GENEROUS_POWER_W.get(run.start.appliance_kind, 3000.0)
    return float(microwave_water_bound_g(power_w, duration_s, 1e3 * _HEAT_KJ_PER_G))
