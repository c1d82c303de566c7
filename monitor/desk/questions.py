"""Questions before something goes into the inventory: dates out of order, more than there is, weights no beads have."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from typing import TYPE_CHECKING

from monitor.desk.cautions import color_seen
from monitor.desk.inventory import LEAST_OF_DECLARED
from monitor.desk.methods import services_of
from monitor.desk.traps import SCALE_UNITS, Trap, fullest_g_per_g
from monitor.errors import LedgerError
from monitor.physics.materials import desiccant, mixed_kind, parts_of
from monitor.records import EntryKind, LedgerEntry
from monitor.records.desk_events import (
    BOX,
    ChargeMoved,
    ChargePortioned,
    ChargeToppedUp,
    DeskEvent,
)
from monitor.records.logged import FILLINGS
from monitor.records.words import METHODS, NOT_DRIED
from monitor.texts import say, to_say

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence
    from datetime import datetime

    from monitor.desk.inventory import Inventory
    from monitor.records import Box

_OF_BEADS = (EntryKind.weighing, EntryKind.color)
ONE_MOMENT = timedelta(minutes=1)
"""Two entries of a kind within this are taken for one that was typed twice (a judgement)."""
_JUST_FILLED = timedelta(days=1)
"""Nobody spends a charge within a day: beads logged so soon after others lie beside them, or one entry is wrong (a
judgement)."""
_OTHER_AMOUNT = 2.0  # times what was there; judgement: nobody tops up by as much without a word
_SLACK_SHARE = 0.01
"""Share that beads lose at a weighing outside their box (a judgement)."""
_LEAST_TOLD_SHARE = 0.005  # of what dry beads take in, by definition: what shows as more than 0 %
_MISPLACED_G = 1.0  # judgement: a step of a kitchen scale


def about_event(inventory: Inventory, event: DeskEvent, at: datetime) -> Iterable[Trap]:
    """Ask about an event that the inventory allow and that hardly happened so.

    Raises
    ------
    LedgerError
        If it would throw a charge out of a box that went in later, or moves nothing.
    """
    if isinstance(event, ChargePortioned | ChargeToppedUp):
        lot = inventory.lot(
            event.lot if isinstance(event, ChargePortioned) else inventory.active_charge(event.charge).lot
        )
        if lot.bought_at is not None and at < lot.bought_at:
            yield Trap(
                "before it was bought",
                say("lot '{lot}' was bought later than that. Is the time right?", lot=lot.name),
            )
        if event.mass_g > lot.left_g + max(_MISPLACED_G, _SLACK_SHARE * lot.bought.mass_g):
            left_g = max(lot.left_g, 0.0)
            text = say(
                "{mass} g is more than the {left} g left of lot '{lot}'",
                mass=f"{event.mass_g:.0f}",
                left=f"{left_g:.0f}",
                lot=lot.name,
            )
            yield Trap("beyond the lot", say("{text}. Did you buy another bag?", text=text))
    if isinstance(event, ChargeMoved):
        if inventory.active_charge(event.charge).place == event.place:
            raise LedgerError(say("'{charge}' is already {where}", charge=event.charge, where=_where(event.place)))
        _refuse_to_throw_out(inventory, event, at)


def about_use(inventory: Inventory, charge: str, box: Box, at: datetime) -> Iterable[Trap]:
    """Ask about beads that would take in hardly any water in a box; where nobody knows how wet they are, nothing."""
    for service in services_of(inventory, charge, [box], at):
        if service.of_little_use:
            held = 100.0 * (inventory.charge(charge).loading_g_per_g or (0.0, 0.0, 0.0))[1]
            text = say(
                "'{charge}' holds about {held} % water. In {box}, with a limit of {limit} %, it is of "
                "little use: it takes in {share} of what fully dry beads would",
                charge=charge,
                held=f"{held:.0f}",
                box=box.name,
                limit=f"{100.0 * box.humidity_limit:.4g}",
                share=_share(service.share),
            )
            yield Trap("of little use", say("{text}. Dry it first", text=text))


def _share(fraction: float) -> str:
    return (
        say("only {share} %", share=f"{100.0 * fraction:.0f}")
        if fraction >= _LEAST_TOLD_SHARE
        else say("almost nothing")
    )


def _where(place: str) -> str:
    return say("in box {box}", box=place.removeprefix(BOX)) if place.startswith(BOX) else place


def _refuse_to_throw_out(inventory: Inventory, event: ChargeMoved, at: datetime) -> None:
    for name in event.out:
        there = inventory.charge(name)
        if there.placed_at is not None and there.placed_at > at:
            raise LedgerError(
                say(
                    "'{name}' went into box {box} later ({placed} UTC), so '{charge}' can't take its place before "
                    "that. Undo that first, or give a later time",
                    name=name,
                    box=event.place.removeprefix(BOX),
                    placed=f"{there.placed_at:%Y-%m-%d %H:%M}",
                    charge=event.charge,
                )
            )


def about_entry(entry: LedgerEntry, others: Sequence[LedgerEntry]) -> Iterable[Trap]:
    """Ask about an entry of a box's ledger; ``others`` are the entries of that box that count."""
    if entry.kind is not EntryKind.note:
        yield from _twice(entry, others)
    before = [other for other in others if other.at <= entry.at]
    starts = [other for other in before if other.kind in FILLINGS]
    if entry.kind in _OF_BEADS and not starts:
        why = (
            say("the first beads went in later")
            if any(o.kind in FILLINGS for o in others)
            else say("no beads were logged")
        )
        yield Trap("before the charge", say("{why}, so this would have no effect. Is the time right?", why=why))
    if entry.kind in FILLINGS:
        yield from _method(entry)
        yield from _so_soon(entry, others)
    yield from _amounts(entry, starts)
    yield from _lighter(entry, before)


def completed(entry: LedgerEntry, others: Sequence[LedgerEntry]) -> LedgerEntry:
    """Return an entry of other beads with what was left out because it stayed as it was: their kind.

    Raises
    ------
    LedgerError
        If another kind went in and nobody said how much of it.
    """
    if entry.kind not in FILLINGS:
        return entry
    before = [other for other in others if other.kind in FILLINGS and other.at <= entry.at]
    there = next((other.desiccant for other in reversed(before) if other.desiccant), None)
    if entry.dry_mass_g is not None and entry.desiccant is None:
        return replace(entry, desiccant=there)
    if entry.dry_mass_g is None and entry.desiccant is not None and _kind(entry.desiccant) != _kind(there):
        raise LedgerError(say("beads of another kind need their own weight when fully dry: add --dry-mass"))
    return entry


def about_addition(entry: LedgerEntry, others: Sequence[LedgerEntry]) -> Iterable[Trap]:
    """Ask about beads that are said to have joined those in a box."""
    there = _beads_there(entry, others)
    yield from _method(entry)
    if there is None or not entry.desiccant or not entry.dry_mass_g:
        return
    if entry.at - there.at < ONE_MOMENT and _kind(entry.desiccant) in dict(parts_of(there.desiccant or "")):
        yield _at_that_time(there)
    if entry.dry_mass_g > _OTHER_AMOUNT * (there.dry_mass_g or 0.0):
        text = say(
            "{dry_mass} g more, but {dry_mass_2} g were in {box} before",
            dry_mass=f"{entry.dry_mass_g:.0f}",
            dry_mass_2=f"{there.dry_mass_g:.0f}",
            box=entry.box,
        )
        yield Trap("another amount", say("{text}. Is that right?", text=text))


def beside(entry: LedgerEntry, others: Sequence[LedgerEntry]) -> LedgerEntry:
    """Return the entry of beads that joined those already in a box: of both kinds, with the dry mass of both.

    How wet the mixture is nobody weighed, so the readings have to tell.

    Raises
    ------
    LedgerError
        If no beads of known mass were logged before, or the new ones come with a weight that says nothing of both.
    """
    there = _beads_there(entry, others)
    if there is None or there.desiccant is None or there.dry_mass_g is None:
        raise LedgerError(
            say("no beads of {box} were logged before that time. Log these without --beside", box=entry.box)
        )
    if entry.desiccant is None or entry.dry_mass_g is None:
        raise LedgerError(
            say("beads that join others need their kind and their weight when fully dry (--desiccant, --dry-mass)")
        )
    if entry.mass_g is not None:
        raise LedgerError(
            say("a weight of these beads alone can't be saved. Weigh all of them together, and log that as a weighing")
        )
    kinds = [(there.desiccant, there.dry_mass_g), (entry.desiccant, entry.dry_mass_g)]
    was_in_box = entry.at - there.at >= _JUST_FILLED or there.method == NOT_DRIED
    of_both = entry.method if entry.method == there.method else None
    return replace(
        entry,
        desiccant=mixed_kind(kinds),
        dry_mass_g=there.dry_mass_g + entry.dry_mass_g,
        method=NOT_DRIED if was_in_box else of_both,
    )


def _beads_there(entry: LedgerEntry, others: Sequence[LedgerEntry]) -> LedgerEntry | None:
    """Return the newest entry before this one that says what beads are in its box, and how much."""
    before = [other for other in others if other.kind in FILLINGS and other.at <= entry.at]
    return next((other for other in reversed(before) if other.desiccant and other.dry_mass_g), None)


def color_of_beads(box: str, before: Sequence[LedgerEntry], seen: str) -> tuple[str, str]:
    """Return the color that the beads of a box showed, in the words of their dye, and what it can and can't say.

    ``before`` are the entries of the box up to then.

    Raises
    ------
    LedgerError
        If nobody logged which beads were in it, or these never look like that.
    """
    kind = beads_in(before)
    if kind is None:
        raise LedgerError(
            say(
                "no beads of {box} were logged before that time. First log them with their kind: `siccast log charge`",
                box=box,
            )
        )
    return color_seen(kind, seen)


def beads_in(entries: Sequence[LedgerEntry]) -> str | None:
    """Return the kind of desiccant that these entries leave in a box; None where they name none."""
    return next((entry.desiccant for entry in reversed(entries) if entry.desiccant), None)


def _twice(entry: LedgerEntry, others: Sequence[LedgerEntry]) -> Iterable[Trap]:
    for other in others:
        if _alike(other, entry) and abs(other.at - entry.at) < ONE_MOMENT:
            yield _at_that_time(other)
            return


def _at_that_time(other: LedgerEntry) -> Trap:
    article = "an" if other.kind is EntryKind.opening else "a"
    text = say(
        "entry {entry_id} is already {article} {kind} of {box} at that time",
        entry_id=other.entry_id,
        article=article,
        kind=say(other.kind.value),
        box=other.box,
    )
    return Trap("twice", say("{text}. Did it happen twice?", text=text))


def _alike(one: LedgerEntry, other: LedgerEntry) -> bool:
    return one.kind is other.kind and _kind(one.desiccant) == _kind(other.desiccant)


def _kind(name: str | None) -> str | None:
    return None if name is None else desiccant(name).kind


def _method(entry: LedgerEntry) -> Iterable[Trap]:
    if entry.method and not any(word in entry.method.lower() for word in METHODS):
        known = say("microwave, oven_120C_3h, hot_air_65C, print_bed, new or indicator_orange")
        yield Trap(
            "unknown method",
            say("'{method}' is not a known method of drying. Write it like {known}", method=entry.method, known=known),
        )


def _so_soon(entry: LedgerEntry, others: Sequence[LedgerEntry]) -> Iterable[Trap]:
    if entry.desiccant is None:
        return
    for other in others:
        other_kind = other.desiccant is not None and _kind(other.desiccant) != _kind(entry.desiccant)
        if other.kind in FILLINGS and other_kind and abs(other.at - entry.at) < _JUST_FILLED:
            text = say(
                "entry {entry_id} put other beads into {box} within a day of that",
                entry_id=other.entry_id,
                box=entry.box,
            )
            aside = say("add --beside") if entry.kind is EntryKind.charge else say("log a charge with --beside")
            yield Trap(
                "other beads",
                say("{text}. Do these take their place? If they lie beside them, {aside}", text=text, aside=aside),
            )
            return


def _amounts(entry: LedgerEntry, starts: Sequence[LedgerEntry]) -> Iterable[Trap]:
    known_g = next((start.dry_mass_g for start in reversed(starts) if start.dry_mass_g), None)
    if entry.kind in FILLINGS and entry.dry_mass_g and known_g:
        times = max(entry.dry_mass_g / known_g, known_g / entry.dry_mass_g)
        if times > _OTHER_AMOUNT:
            text = say(
                "{dry_mass} g of dry beads, but {known} g were in {box} before",
                dry_mass=f"{entry.dry_mass_g:.0f}",
                known=f"{known_g:.0f}",
                box=entry.box,
            )
            yield Trap("another amount", say("{text}. Is that right?", text=text))
    dry_g = entry.dry_mass_g or known_g
    kind = entry.desiccant or next((start.desiccant for start in reversed(starts) if start.desiccant), None)
    if entry.mass_g is None or not dry_g or kind is None:
        return
    slack_g = 2.0 * (entry.scale_resolution_g or 1.0)
    most_g = dry_g * (1.0 + fullest_g_per_g(desiccant(kind))) + slack_g
    least_g = LEAST_OF_DECLARED * dry_g - slack_g
    if not least_g <= entry.mass_g <= most_g:
        short = entry.mass_g < least_g
        less = to_say("{mass} g is less than {dry} g of dry beads can weigh{in_ounces}. {ask}")
        more = to_say("{mass} g is more than {dry} g of dry beads can weigh{in_ounces}. {ask}")
        text = say(
            less if short else more,
            mass=f"{float(f'{entry.mass_g:.4g}'):g}",  # 12 kg are 12000 g, not 1.2e+04
            dry=f"{dry_g:.0f}",
            in_ounces=_in_ounces(entry.mass_g, least_g, most_g),
            ask=say("Is it in another unit, or are some missing?") if short else say("Is the holder included?"),
        )
        yield Trap("not these beads", text)


def _in_ounces(mass_g: float, least_g: float, most_g: float) -> str:
    as_ounces_g = mass_g * SCALE_UNITS["ounces"]
    return (
        say(" (as ounces it would be {as_ounces} g)", as_ounces=f"{as_ounces_g:.0f}")
        if least_g <= as_ounces_g <= most_g
        else ""
    )


def _lighter(entry: LedgerEntry, before: Sequence[LedgerEntry]) -> Iterable[Trap]:
    """Beads in a closed box gain water: a loss is a recharge that nobody logged, or a slip."""
    if entry.kind is not EntryKind.weighing or entry.mass_g is None:
        return
    start = max((k for k, other in enumerate(before) if other.kind in FILLINGS), default=len(before))
    weighed = [other for other in before[start:] if other.mass_g is not None]
    if not weighed or weighed[-1].mass_g is None:
        return
    slack_g = 2.0 * (entry.scale_resolution_g or 1.0) + _SLACK_SHARE * entry.mass_g
    lost_g = weighed[-1].mass_g - entry.mass_g
    if lost_g > slack_g:
        text = say(
            "{lost} g lighter than at the last weighing, but beads in a box only gain water", lost=f"{lost_g:.0f}"
        )
        yield Trap("lighter", say("{text}. Did you dry them? Then log a recharge, not a weighing", text=text))
