"""What somebody typed for a box's log, at the command line or on the page: one way from texts to an entry."""

from __future__ import annotations

from typing import TYPE_CHECKING, TypeVar

from monitor.errors import TypedError
from monitor.presentation import moments, quantities
from monitor.presentation.what_if_input import known_beads
from monitor.records import EntryKind, LedgerEntry, Reading, ReadingSource
from monitor.records.readings import SENSOR_RANGE_DEGC
from monitor.texts import say
from monitor.units import degc_to_degf

if TYPE_CHECKING:
    from collections.abc import Callable
    from datetime import datetime

    from monitor.settings import Shelf

_Value = TypeVar("_Value")


def typed_entry(
    shelf: Shelf,
    kind: EntryKind,
    box: str,
    now: datetime,
    *,
    at: str | None = None,
    note: str = "",
    desiccant: str | None = None,
    dry_mass: str | None = None,
    method: str | None = None,
    mass: str | None = None,
    holder: str | None = None,
    resolution: str | None = None,
    color: str | None = None,
) -> LedgerEntry:
    """Return the entry that these texts say; what is None was not typed.

    Raises
    ------
    TypedError
        If one of them can't be understood, or can't be.
    """
    return LedgerEntry(
        kind,
        box,
        typed_instant(at, shelf, now),
        mass_g=_net_g(shelf, mass, holder),
        scale_resolution_g=_step_g(shelf, resolution, mass),
        desiccant=_beads(desiccant),
        dry_mass_g=_grams("dry-mass", dry_mass, shelf),
        method=method,
        color=color,
        note=note,
    )


def typed_instant(at: str | None, shelf: Shelf, now: datetime) -> datetime:
    """Return when it happened; now where nothing was typed."""
    return _at("at", lambda: moments.instant(at, shelf.timezone, now))


def hand_reading(
    shelf: Shelf, box: str, now: datetime, *, relative_humidity: float, temperature_degc: float, at: str | None = None
) -> Reading:
    """Return a reading of a display, of a humidity from 0 to 1.

    Raises
    ------
    TypedError
        If no hygrometer works at such a temperature, or the time can't be.
    """
    if not SENSOR_RANGE_DEGC[0] <= temperature_degc <= SENSOR_RANGE_DEGC[1]:
        right = say("from -40 to 185 °F") if shelf.fahrenheit else say("from -40 to 85 °C")
        told = degc_to_degf(temperature_degc) if shelf.fahrenheit else temperature_degc
        raise TypedError(
            say("{told} is not valid: a hygrometer works {right}", told=f"{told:g}", right=right), field="temperature"
        )
    when = typed_instant(at, shelf, now)
    when = when.replace(microsecond=when.microsecond // 1000 * 1000)  # instants are kept by the millisecond
    return Reading(box, when, temperature_degc, relative_humidity, source=ReadingSource.hand)


def typed_reading(
    shelf: Shelf, box: str, now: datetime, *, humidity: str, temperature: str, at: str | None = None
) -> Reading:
    """Return a reading of a display from the texts of a form.

    Raises
    ------
    TypedError
        If one of them can't be understood, or can't be.
    """
    return hand_reading(
        shelf, box, now, at=at,
        relative_humidity=_at("humidity", lambda: quantities.humidity(humidity)),
        temperature_degc=_at("temperature", lambda: quantities.temperature_degc(temperature, shelf)),
    )  # fmt: skip


def _at(field: str, read: Callable[[], _Value]) -> _Value:
    """Return what was read, or say in which field it can't be."""
    try:
        return read()
    except TypedError as error:
        raise TypedError(str(error), field=field) from None


def _grams(field: str, weight: str | None, shelf: Shelf) -> float | None:
    return None if weight is None else _at(field, lambda: quantities.mass_g(weight, shelf))


def _step_g(shelf: Shelf, resolution: str | None, weight: str | None) -> float | None:
    """Return the step of the scale: as it was told, or as the weight was typed."""
    if resolution is not None or weight is None:
        return _grams("resolution", resolution, shelf)
    return quantities.step_g(weight, shelf)


def _net_g(shelf: Shelf, weight: str | None, holder: str | None) -> float | None:
    """Return grams of beads with their water, the holder taken off."""
    whole_g, holder_g = _grams("mass", weight, shelf), 0.0
    if whole_g is None:
        return None
    if holder is not None and holder.strip() != "0":
        holder_g = _grams("holder", holder, shelf) or 0.0
    if holder_g >= whole_g:
        raise TypedError(
            say(
                "the holder ({holder}) can't weigh as much as holder and beads together ({weight})",
                holder=holder,
                weight=weight,
            ),
            field="holder",
        )
    return whole_g - holder_g


def _beads(kind: str | None) -> str | None:
    """Return the kind of desiccant somebody named; one that is in no table would be forecast by another's isotherm."""
    try:
        return known_beads(kind)
    except TypedError as error:
        raise TypedError(str(error), field="desiccant") from None
