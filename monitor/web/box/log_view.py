"""The log of one box on its page: forms for what was done to it, filled in as far as that is known, and the list."""

from __future__ import annotations

import secrets
from dataclasses import dataclass, field
from datetime import timedelta
from typing import TYPE_CHECKING

from monitor.desk.cautions import colors_of
from monitor.desk.questions import beads_in
from monitor.physics import calculators
from monitor.presentation.bead_wording import beads
from monitor.records.logged import FILLINGS
from monitor.records.words import METHODS as METHOD_WORDS
from monitor.records.words import NOT_DRIED
from monitor.web.box.course import SIGNS

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from datetime import datetime

    from monitor.presentation.wording import Wording
    from monitor.records import Appliance, LedgerEntry

MORNING, EVENING = "08:00", "20:00"  # times of day; judgements: when shelves are looked after beside a job
AGO = {"10min": timedelta(minutes=10), "1h": timedelta(hours=1)}  # judgements: short whiles people speak of
_USUAL_KIND = "silica_gel"
_ONCE_BYTES = 9  # judgement: no two forms get the same
_LONGEST_SHOWN = 40  # letters; judgement: a longer method was a slip, and would push a list of choices apart


@dataclass(frozen=True, slots=True)
class EntryRow:
    """One entry as it is listed."""

    number: int
    iso: str
    at: str
    kind: str
    sign: str
    words: str
    desk_event: int | None
    """The event of the recharge desk it came with, by which it is undone."""


@dataclass(frozen=True, slots=True)
class Sent:
    """A form that could not be saved as it was sent."""

    deed: str
    typed: Mapping[str, str]
    problem: str
    problem_at: str = ""
    """The field that won't do; none where it is the whole."""
    doubted: bool = False
    """Whether it is saved all the same where somebody says so."""


@dataclass(frozen=True, slots=True)
class DeedsView:
    """The forms of one box."""

    once: str
    """What a form brings along, so that it is saved once however often it is sent."""
    times: Sequence[str]
    """Quick choices of when it was, those that have been."""
    kinds: Sequence[tuple[str, str]]
    methods: Sequence[tuple[str, str]]
    colors: Sequence[str]
    """What color the beads can show; none where they have no dye."""
    has_beads: bool
    known: Mapping[str, str]
    """What a field holds before anything is typed."""
    mass_unit: str
    temperature_unit: str
    sent: Sent | None = None
    opened: str = ""
    """The form that somebody came for; once it is saved, they are led back to all boxes."""

    def value(self, deed: str, name: str) -> str:
        """Return what stands in a field."""
        if self.sent is not None and self.sent.deed == deed:
            return self.sent.typed.get(name, "")
        return self.known.get(name, "")

    def problem(self, deed: str) -> Sent | None:
        """Return what is wrong with a form, where something is."""
        return self.sent if self.sent is not None and self.sent.deed == deed else None


@dataclass(frozen=True, slots=True)
class Known:
    """What the forms of a box are made of."""

    entries: Sequence[LedgerEntry]
    """In the order of time."""
    appliances: Sequence[Appliance]
    desk_events: Mapping[int, int] = field(default_factory=dict)
    """Of the entries that came with an event of the desk, its number."""
    holder: str = ""
    """What the empty holder weighed last."""


def rows(known: Known, words: Wording) -> list[EntryRow]:
    """Return the entries of a box, newest first."""
    return [
        EntryRow(
            number=entry.entry_id or 0,
            iso=entry.at.isoformat(),
            at=words.moment(entry.at),
            kind=entry.kind.value,
            sign=SIGNS[entry.kind],
            words=words.entry(entry),
            desk_event=known.desk_events.get(entry.entry_id or 0),
        )
        for entry in reversed(known.entries)
    ]


def deeds(known: Known, now: datetime, words: Wording, sent: Sent | None = None, opened: str = "") -> DeedsView:
    """Return the forms of a box; of one that could not be saved, what it was opened for stands in it."""
    there = beads_in(known.entries)
    methods = _methods(known, words)
    return DeedsView(
        once=secrets.token_urlsafe(_ONCE_BYTES),
        times=_times(now, words),
        kinds=[(kind, beads(kind)) for kind in dict.fromkeys((*_plain(there), *calculators.desiccant_kinds()))],
        methods=methods,
        colors=colors_of(there),
        has_beads=any(entry.kind in FILLINGS for entry in known.entries),
        known={"method": _last_method(known, methods), "holder": known.holder, "when": "now"},
        mass_unit=words.mass_unit,
        temperature_unit=words.temperature_unit,
        sent=sent,
        opened=sent.deed if sent and sent.typed.get("back") else opened,
    )


def _times(now: datetime, words: Wording) -> list[str]:
    """Return the quick choices; this morning is none before it was."""
    local = now.astimezone(words.zone)
    return ["now", *AGO, *(["morning"] if f"{local:%H:%M}" > MORNING else []), "evening"]


def _plain(kind: str | None) -> tuple[str, ...]:
    """Return what is offered first: the beads that are there, else the usual ones; a mixture is nobody's bag."""
    return (_USUAL_KIND,) if kind is None or " + " in kind else (kind,)


def _methods(known: Known, words: Wording) -> list[tuple[str, str]]:
    """Return ways of drying: those of this box, newest first, then what the declared appliances do."""
    used = [entry.method for entry in reversed(known.entries) if entry.method and entry.method != NOT_DRIED]
    ways = dict.fromkeys((*used, *map(_method_of, known.appliances), "microwave", "new"))
    return [(way, words.method(way)) for way in ways if len(way) <= _LONGEST_SHOWN and _is_known(way)]


def _last_method(known: Known, methods: Sequence[tuple[str, str]]) -> str:
    return next((way for way, _ in methods if any(way == entry.method for entry in known.entries)), "")


def _is_known(way: str) -> bool:
    return any(word in way.lower() for word in METHOD_WORDS)


def _method_of(appliance: Appliance) -> str:
    """Return the word for what an appliance does, as the log has it."""
    warm = "" if appliance.temperature_degc is None else f"_{appliance.temperature_degc:.0f}C"
    words = {"oven": f"oven{warm}", "filament_dryer": f"hot_air{warm}", "other": f"hot_air{warm}"}
    return words.get(appliance.kind, appliance.kind)
