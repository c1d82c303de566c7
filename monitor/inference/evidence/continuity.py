"""What stayed in a box from one episode to the next, by what was logged: its beads and its spools."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from monitor.inference.evidence.episodes import CLOSED_WITHIN_S, ONE_VISIT_S
from monitor.records import EntryKind, LedgerEntry
from monitor.records.logged import FILLINGS
from monitor.series.hourly_values import HOUR_S

_SAME_MASS_SHARE = 0.03
"""Beads whose declared dry masses differ by no more are the same ones. [share] Judgement: as far as a declared mass
lies from the truth."""
_NEW = "new"
"""Stands in how beads were dried that came from a bag."""
_CHARGE = "charge "
"""The recharge desk begins its notes of beads that went in with this, and then names them."""
_LATER_S = 12 * HOUR_S
"""A fit that ended longer ago than this says where the spools were, no longer where they are. [s] Judgement: half a
day, in which wound filament hardly moves."""


@dataclass(frozen=True)
class Swap:
    """A spool swapped in an earlier episode, or with the beads that ended it."""

    before_end_s: float
    """How long before the end of that episode; nothing where it came with the next beads. [s]"""
    note: str
    """What was logged with it."""


@dataclass(frozen=True)
class Stayed:
    """What of an earlier episode is still in the box."""

    beads: bool
    """The same beads, dried or not."""
    sensor: bool
    """True where no other one was logged."""
    at_once: bool
    """True where nothing lay between both episodes, so that spools are where they were."""
    swaps: tuple[Swap, ...]
    """Of spools in the earlier one, and with the beads of the later."""


def stayed_in(
    entries: Iterable[LedgerEntry], *, box: str, from_s: float, until_s: float, start_s: float, now_s: float
) -> Stayed:
    """Return what of an earlier episode is in a box still.

    Parameters
    ----------
    entries : iterable of LedgerEntry
        Of any boxes.
    box : str
        Its name.
    from_s, until_s : float
        The earlier episode. [s since 1970 UTC]
    start_s : float
        Start of the later one. [s since 1970 UTC]
    now_s : float
        Its present; later entries don't count. [s since 1970 UTC]

    Returns
    -------
    Stayed
        By what was logged.
    """
    known = sorted((e for e in entries if e.box == box and e.at.timestamp() < now_s), key=lambda e: e.at)
    last_s = max(until_s, start_s + CLOSED_WITHIN_S) if start_s - until_s < _LATER_S else until_s
    swaps = (e for e in known if e.kind is EntryKind.spool_swap and from_s <= e.at.timestamp() <= last_s)
    return Stayed(
        beads=_same_beads([e for e in known if e.kind in FILLINGS], until_s, start_s),
        sensor=not any(e.kind is EntryKind.sensor_swap and e.at.timestamp() >= until_s for e in known),
        at_once=start_s - until_s < _LATER_S,
        swaps=tuple(Swap(max(until_s - e.at.timestamp(), 0.0), e.note) for e in swaps),
    )


def _same_beads(starts: Sequence[LedgerEntry], until_s: float, start_s: float) -> bool:
    """Whether every filling between two instants brought the very beads back that were there before."""
    before = [e for e in starts if e.at.timestamp() <= until_s]
    fillings = [e for e in starts if until_s < e.at.timestamp() <= start_s + ONE_VISIT_S]
    return all(_brings_back(entry, [*before, *fillings[:n]]) for n, entry in enumerate(fillings))


def _brings_back(entry: LedgerEntry, before: Sequence[LedgerEntry]) -> bool:
    """Whether a filling brought back what the one before it had put in."""
    if not before or _NEW in (entry.method or "").lower():
        return False
    kind = next((e.desiccant for e in reversed(before) if e.desiccant), None)
    mass_g = next((e.dry_mass_g for e in reversed(before) if e.dry_mass_g), None)
    if entry.desiccant not in (None, kind):
        return False
    if entry.dry_mass_g and (not mass_g or abs(entry.dry_mass_g / mass_g - 1.0) > _SAME_MASS_SHARE):
        return False
    names = [_charges_named(one) for one in (before[-1], entry)]
    return None in names or names[0] == names[1]


def _charges_named(entry: LedgerEntry) -> str | None:
    """What the recharge desk calls the beads that went in; None where they have no names."""
    return entry.note if entry.note.startswith(_CHARGE) else None
