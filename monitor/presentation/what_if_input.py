"""What somebody supposes changed about a box: typed at the command line or on the page, checked the same way."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from monitor.errors import TypedError
from monitor.records import RoomClimate, WhatIf
from monitor.records.declared import LIMIT_RANGE_PCT, ROOM_HUMIDITY_RANGE_PCT
from monitor.texts import say
from monitor.units import degf_to_degc, ounces_to_grams

if TYPE_CHECKING:
    from collections.abc import Sequence

    from monitor.settings import Shelf

LEAK_RANGE_TIMES = (0.01, 100.0)
"""A judgement: from a glass jar to a box without a lid."""
_ROOM_DEGC = (-20.0, 60.0)  # judgement: from a shed in winter to an attic in summer
_NEAR = 0.75  # of two names as difflib likens them; judgement: one letter too many in eleven is 0.95
LEAST_MASS, _MOST_MASS = 0.1, 1e5
"""In grams or ounces, as the shelf has it. Judgements: a bead or so, and a pallet."""


def what_if_input(
    shelf: Shelf,
    *,
    limit: float | None = None,
    leak_times: float | None = None,
    beads: str | None = None,
    dry_mass: float | None = None,
    room_rh: float | None = None,
    room_temperature: float | None = None,
) -> WhatIf:
    """Return a change, from numbers in the units of the shelf and per cent; None leaves a thing as it is.

    Raises
    ------
    TypedError
        If a value is out of range, or the desiccant is not known.
    """
    _within("limit", limit, LIMIT_RANGE_PCT, say("a limit is from 1 to 95 %"))
    _within("leak-times", leak_times, LEAK_RANGE_TIMES, say("a leak is from 0.01 to 100 times what it is"))
    _within("dry-mass", dry_mass, (LEAST_MASS, _MOST_MASS), say("beads weigh 0.1 or more"))
    _within("room-rh", room_rh, ROOM_HUMIDITY_RANGE_PCT, say("a room has a humidity from 1 to 95 %"))
    return WhatIf(
        humidity_limit=None if limit is None else limit / 100.0,
        conductance_factor=1.0 if leak_times is None else leak_times,
        desiccant=known_beads(beads),
        dry_mass_g=ounces_to_grams(dry_mass) if dry_mass is not None and shelf.ounces else dry_mass,
        room_climate=_climate(shelf, room_rh, room_temperature),
    )


def room_degc(shelf: Shelf, room_temperature: float | None) -> float:
    """Return the temperature of the supposed room; the shelf's own where none was named."""
    if room_temperature is None:
        return (shelf.room or RoomClimate()).temperature_degc
    degc = degf_to_degc(room_temperature) if shelf.fahrenheit else room_temperature
    if not _ROOM_DEGC[0] <= degc <= _ROOM_DEGC[1]:
        right = say("from -4 to 140 °F") if shelf.fahrenheit else say("from -20 to 60 °C")
        raise TypedError(
            say(
                "{room_temperature} is not valid: a room has {right}",
                room_temperature=f"{room_temperature:g}",
                right=right,
            ),
            field="room-temperature",
        )
    return degc


def _climate(shelf: Shelf, room_rh: float | None, room_temperature: float | None) -> RoomClimate | None:
    """The other climate; what isn't said of it is as in the shelf's room."""
    if room_rh is None and room_temperature is None:
        return None
    here = shelf.room or RoomClimate()
    humidity = here.relative_humidity if room_rh is None else room_rh / 100.0
    degc = room_degc(shelf, room_temperature)
    return replace(here, temperature_degc=degc, relative_humidity=humidity, monthly_vapor_pressure_pa=())


def known_beads(kind: str | None) -> str | None:
    """Return the kind of beads that was named, where the tables know it."""
    if kind is not None:
        from monitor.physics import calculators  # noqa: PLC0415 -- numpy, only where beads are named

        if not calculators.is_desiccant(kind):
            if near := _nearest(kind, calculators.desiccant_names()):
                raise TypedError(
                    say("{kind} is not a known desiccant. Did you mean '{near}'?", kind=f"{kind!r}", near=near),
                    field="beads",
                )
            known = ", ".join(calculators.desiccant_kinds())
            raise TypedError(
                say("{kind} is not a known desiccant. Known: {known}", kind=f"{kind!r}", known=known), field="beads"
            )
    return kind


def _nearest(written: str, names: Sequence[str]) -> str:
    """Return the name that was most likely meant; nothing where none is near."""
    from difflib import get_close_matches  # noqa: PLC0415 -- only where something was written wrong

    return next(iter(get_close_matches(written, names, n=1, cutoff=_NEAR)), "")


def _within(field: str, value: float | None, span: tuple[float, float], right: str) -> None:
    if value is not None and not span[0] <= value <= span[1]:
        raise TypedError(say("{value} is not valid: {right}", value=f"{value:g}", right=right), field=field)
