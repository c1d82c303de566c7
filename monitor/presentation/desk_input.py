"""What was typed at the recharge desk → what the desk is given; the command line and the page ask the same."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from monitor.desk.traps import SCALE_UNITS
from monitor.errors import TypedError
from monitor.presentation import quantities
from monitor.records import Appliance
from monitor.records.declared import APPLIANCE_RANGE_DEGC
from monitor.records.desk_events import RunWeighed
from monitor.records.words import APPLIANCE_KINDS
from monitor.texts import say

if TYPE_CHECKING:
    from monitor.desk import Desk
    from monitor.desk.inventory import Inventory, Run
    from monitor.settings import Shelf


@dataclass(frozen=True, slots=True)
class TypedWeighing:
    """A weighing as it was typed; None where nothing was."""

    weight: str
    after: str | None = None
    """Heat since the last weighing."""
    total: str | None = None
    """Heat since the start of the run, instead."""
    step: str | None = None
    hot: bool = False
    scale: str | None = None
    tare: str | None = None
    tare_scale: str | None = None

    def __post_init__(self) -> None:
        if self.after is not None and self.total is not None:
            raise TypedError(say("give --after (since the last weighing) or --total (since the start), not both"))


def weighing(going: Run, typed: TypedWeighing, shelf: Shelf) -> RunWeighed:
    """Return a weighing of a run as the desk wants it."""
    if typed.total is not None:
        heated_s = quantities.heating_s(typed.total)
    else:
        heated_s = heated_so_far_s(going) + (0.0 if typed.after is None else quantities.heating_s(typed.after))
    return RunWeighed(
        going.name,
        heated_s,
        quantities.mass_g(typed.weight, shelf),
        step_g(typed.step, typed.weight, shelf),
        typed.hot,
        1.0 if typed.scale is None else scale_factor(typed.scale),
        tare_factor(typed.tare_scale, typed.scale),
        None if typed.tare is None else quantities.tare_g(typed.tare, shelf),
    )


def heated_so_far_s(going: Run) -> float:
    """Return the heat of a run at its last weighing."""
    return going.weighings[-1].heated_s if going.weighings else 0.0


def step_g(step: str | None, shown: str, shelf: Shelf) -> float:
    """Return the smallest step of the scale: as it was told, or as the weight was typed."""
    return quantities.step_g(shown, shelf) if step is None else quantities.given_step_g(step, shelf)


def lost_g(grams: str | None, shelf: Shelf) -> float | None:
    """Return how much fell out; without a unit it is grams. None where nobody said."""
    if grams is None:
        return None
    return quantities.mass_g(grams if grams[-1:].isalpha() else f"{grams}g", shelf)


def scale_factor(text: str) -> float:
    """Return grams for one of what the scale showed."""
    known = {**SCALE_UNITS, "water": 1.0, "grams": 1.0, "g": 1.0, "oz": SCALE_UNITS["ounces"]}
    if text.lower() in known:
        return known[text.lower()]
    try:
        density = quantities.number(text)
    except ValueError:
        density = 0.0
    if not 0.5 <= density <= 2.0:
        raise TypedError(
            say("'{text}' is not valid: write {names}, or a density like 1.03", text=text, names=", ".join(SCALE_UNITS))
        )
    return density


def tare_factor(text: str | None, scale: str | None) -> float | None:
    """Return grams for one of what the empty holder was told in; None where the inventory has to show it."""
    if text is None:
        return None
    if text not in ("same", "grams"):
        raise TypedError(say("'{text}' is not valid: write same or grams", text=text))
    return 1.0 if text == "grams" or scale is None else scale_factor(scale)


def appliance(
    desk: Desk,
    shelf: Shelf,
    name: str,
    *,
    kind: str | None = None,
    temperature: str | None = None,
    power_w: float | None = None,
) -> Appliance:
    """Return a declared appliance with what was said otherwise, or one that was only said."""
    if kind is not None and kind not in APPLIANCE_KINDS:
        raise TypedError(
            say("'{kind}' is not valid: choose one of {names}", kind=kind, names=", ".join(APPLIANCE_KINDS))
        )
    tool = desk.appliance(name) if kind is None else Appliance(quantities.name(name), kind)
    if temperature is not None:
        degc = quantities.temperature_degc(temperature, shelf)
        if not APPLIANCE_RANGE_DEGC[0] <= degc <= APPLIANCE_RANGE_DEGC[1]:
            right = say("68 to 572 °F") if shelf.fahrenheit else say("20 to 300 °C")
            raise TypedError(
                say("'{temperature}' is not valid: an appliance dries at {right}", temperature=temperature, right=right)
            )
        tool = replace(tool, temperature_degc=degc)
    return tool if power_w is None else replace(tool, power_w=power_w)


def part_g(text: str, left_g: float, shelf: Shelf, left: str) -> float:
    """Return how much of a charge was meant: all of it, or a weight; ``left`` says how much there is."""
    grams = left_g if text.strip().lower() == "all" else quantities.mass_g(text, shelf)
    if grams > left_g:
        raise TypedError(say("'{text}' is too much: only {left} are left", text=text, left=left))
    return grams


def name_of_part(inventory: Inventory, charge: str) -> str:
    """Return a name for a part of a charge."""
    return next(name for part in range(2, 1000) if (name := f"{charge}-part{part}") not in inventory.charges)
