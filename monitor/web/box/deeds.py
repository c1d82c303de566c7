"""What was done to a box, logged from its page or its card: checked and asked about as at the command line."""

from __future__ import annotations

import re
import threading
from collections import OrderedDict
from dataclasses import dataclass, field, replace
from hashlib import blake2b
from http import HTTPStatus
from types import MappingProxyType
from typing import TYPE_CHECKING
from urllib.parse import quote

from starlette.exceptions import HTTPException
from starlette.responses import RedirectResponse
from starlette.routing import Route

from monitor.desk import TrapError
from monitor.desk.questions import ONE_MOMENT, color_of_beads
from monitor.errors import LedgerError, TypedError, UnconfirmedError
from monitor.presentation import quantities
from monitor.presentation.amounts import sentence
from monitor.presentation.clock import utc_now
from monitor.presentation.log_input import typed_entry, typed_instant, typed_reading
from monitor.records import EntryKind
from monitor.services.hand_readings import keep_hand_reading, reading_at, withdraw_reading
from monitor.texts import said, say, to_say
from monitor.web.box.log_view import AGO, EVENING, MORNING, Known, Sent
from monitor.web.forms import FIELD, changes
from monitor.web.told import AGAIN, READ, SAVED, UNDONE, UNREAD, instant_of, milliseconds_of, number_of

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence
    from datetime import datetime

    from starlette.requests import Request
    from starlette.responses import Response

    from monitor.records import LedgerEntry
    from monitor.store.opening import Stores
    from monitor.web.site import Site

_KINDS = {
    "opening": EntryKind.opening,
    "spool": EntryKind.spool_swap,
    "weighing": EntryKind.weighing,
    "recharge": EntryKind.recharge,
    "charge": EntryKind.charge,
    "color": EntryKind.color,
    "sensor": EntryKind.sensor_swap,
    "note": EntryKind.note,
}
_TEXTS = {
    "weighing": ("mass", "holder"),
    "recharge": ("method", "mass", "holder", "desiccant", "dry-mass"),
    "charge": ("method", "mass", "holder", "desiccant", "dry-mass"),
    "color": ("color",),
}
"""What a form says of an entry, beside its time and a note."""
_NEEDED = {
    "weighing": ("mass", to_say("Type what the scale shows")),
    "charge": ("dry-mass", to_say("Type what the beads weigh when fully dry")),
    "color": ("color", to_say("Choose the color that you saw")),
    "note": ("note", to_say("Write something")),
}
READING = "reading"
_NOT_OURS = to_say("That is not a form of this page.")
_TWICE = "twice"
_REMEMBERED = 1000  # forms; judgement: more than a shelf sends in a day, and some hundred kB
_BACK = re.compile(
    r"/(?:plan)?(?:\?[\w.~%&=+-]{0,500})?", re.ASCII
)  # letters; judgement: room for every filter of the shelf
_HOLDER_COOKIE = "holder"
_YEAR_S = 365 * 86_400  # judgement: a holder is used as long as its box
_LONGEST_HOLDER = 12  # letters; judgement: kilograms to the hundredth of a gram
_IN_PAGE_WORDS = MappingProxyType(
    {
        "no beads of {box} were logged before that time. First log them with their kind: `siccast log charge`": to_say(
            "no beads of {box} were logged before that time. First log them with their kind: “Put beads in”"
        ),
        "log a charge with --beside": to_say("use “Put beads in” and tick “beside the old beads”"),
        "add --beside": to_say("tick “beside the old beads”"),
        "{text}. Did you dry them? Then log a recharge, not a weighing": to_say(
            "{text}. Did you dry them? Then use “Dried or swapped the beads”"
        ),
        "no beads of {box} were logged before that time. Log these without --beside": to_say(
            "no beads of {box} were logged before that time. Save these without “beside the old beads”"
        ),
        "beads of another kind need their own weight when fully dry: add --dry-mass": to_say(
            "beads of another kind need their own weight when fully dry: type it under “Weight when fully dry”"
        ),
        "beads that join others need their kind and their weight when fully dry (--desiccant, --dry-mass)": to_say(
            "beads that join others need their kind and their weight when fully dry"
        ),
    }
)
"""What is said of options at the command line, as this page has it."""


class Remembered:
    """Where forms led that were saved, so that one that comes twice is saved once."""

    def __init__(self) -> None:
        self._led: OrderedDict[bytes, str] = OrderedDict()
        self._one_at_a_time = threading.Lock()

    def once(self, form: Mapping[str, str], save: Callable[[], str]) -> tuple[str, bool]:
        """Save, and return where that leads; or where it led before, and True."""
        key = self._key(form)
        with self._one_at_a_time:
            if key is not None and key in self._led:
                return self._led[key], True
            led = save()
            if key is not None:
                self._led[key] = led
                while len(self._led) > _REMEMBERED:
                    self._led.popitem(last=False)
            return led, False

    @staticmethod
    def _key(form: Mapping[str, str]) -> bytes | None:
        """Return what a form is known by: its own number and all that it says."""
        if not form.get("once"):
            return None
        said = sorted(item for item in form.items() if item[0] not in (FIELD, "sure"))
        return blake2b(repr(said).encode("utf-8", "surrogatepass")).digest()


@dataclass(eq=False)
class Deeds:
    """Takes the forms of a box."""

    site: Site
    show: Callable[[Request, str, Sent, int], Response]
    """The page of a box with a form that could not be saved."""
    _remembered: Remembered = field(default_factory=Remembered)

    def routes(self) -> Sequence[Route]:
        """Return the addresses."""
        tokens = self.site.tokens
        return (
            Route("/box/{name:path}/log", changes(tokens, self.save), methods=["POST"]),
            Route("/box/{name:path}/undo", changes(tokens, self.undo), methods=["POST"]),
            Route("/box/{name:path}/log", to_box, methods=["GET"]),
            Route("/box/{name:path}/undo", to_box, methods=["GET"]),
        )

    def save(self, request: Request, form: Mapping[str, str]) -> Response:
        """Keep what a form says, and lead to a page that repeats it."""
        name, deed = self._name(request), form.get("deed", "")
        if deed not in _KINDS and deed != READING:
            raise HTTPException(HTTPStatus.BAD_REQUEST, say(_NOT_OURS))
        try:
            led, again = self._remembered.once(form, lambda: self._kept(name, deed, form))
        except UnconfirmedError as error:
            return self._refused(request, name, Sent(deed, form, str(error), doubted=True))
        except TypedError as error:
            return self._refused(request, name, Sent(deed, form, str(error), error.field))
        except LedgerError as error:
            return self._refused(request, name, Sent(deed, form, str(error)))
        answer = self._lead(name, form, led + (f"&{AGAIN}=1" if again and AGAIN not in led else ""))
        self._remember_holder(answer, name, form)
        return answer

    def undo(self, request: Request, form: Mapping[str, str]) -> Response:
        """Take back an entry or a reading of this box, or log again what was taken back."""
        name = self._name(request)
        steps = {"undo": self._undo, "redo": self._redo, "unread": self._unread, "reread": self._reread}
        numbers = {key: number_of(form.get(key, "")) for key in steps}
        asked = next(((steps[key], number) for key, number in numbers.items() if number is not None), None)
        if asked is None:
            raise HTTPException(HTTPStatus.BAD_REQUEST, say(_NOT_OURS))
        step, number = asked
        try:
            with self.site.writing_of(name) as stores:
                led = step(stores, name, number)
        except LedgerError as error:
            return self._refused(request, name, Sent("undo", form, str(error)))
        return self._lead(name, form, led)

    # --- keeping -----------------------------------------------------------------------------------------------------

    def _kept(self, name: str, deed: str, form: Mapping[str, str]) -> str:
        with self.site.writing_of(name) as stores:
            if deed == READING:
                return self._keep_reading(stores, name, form)
            entry = self._entry(stores, name, deed, form)
            desk, sure = self.site.desk(stores), "sure" in form
            try:
                number = desk.log(entry, beside="beside" in form and deed == "charge", confirmed=sure)
            except TrapError as error:
                there = _same(entry, stores.ledger.entries(name)) if _sent_twice(error, form) else None
                if there is None:
                    raise
                return f"{SAVED}={there.entry_id}&{AGAIN}=1"
            return f"{SAVED}={number}"

    def _keep_reading(self, stores: Stores, name: str, form: Mapping[str, str]) -> str:
        shelf, now = self.site.shelf, self.site.now()
        told = typed_reading(
            shelf, name, now, humidity=form.get("humidity", ""), temperature=form.get("temperature", ""),
            at=time_of(form, now),
        )  # fmt: skip
        new = keep_hand_reading(stores.readings, told, fahrenheit=shelf.fahrenheit, confirmed="sure" in form)
        return f"{READ}={milliseconds_of(told.at)}&of={quote(name)}" + ("" if new else f"&{AGAIN}=1")

    def _entry(self, stores: Stores, name: str, deed: str, form: Mapping[str, str]) -> LedgerEntry:
        shelf, now = self.site.shelf, self.site.now()
        needed, ask = _NEEDED.get(deed, ("", ""))
        if needed and not form.get(needed, "").strip():
            raise TypedError(say(ask), field=needed)
        at = time_of(form, now)
        texts = {key.replace("-", "_"): form.get(key, "").strip() or None for key in _TEXTS.get(deed, ())}
        if deed == "color":
            before = stores.ledger.entries(name, before=typed_instant(at, shelf, now))
            texts["color"], _ = color_of_beads(name, before, texts["color"] or "")
        return typed_entry(shelf, _KINDS[deed], name, now, at=at, note=form.get("note", "").strip(), **texts)

    # --- taking back -------------------------------------------------------------------------------------------------

    def _undo(self, stores: Stores, name: str, number: int) -> str:
        entry = stores.ledger.entry(number) or stores.ledger.entry(number, undone=True)
        if entry is None or entry.box != name:
            raise LedgerError(say("{name} has no entry {number}", name=name, number=number))
        if stores.ledger.entry(number) is not None:
            stores.ledger.undo(number, utc_now())
        return f"{UNDONE}={number}"

    def _redo(self, stores: Stores, name: str, number: int) -> str:
        entry = stores.ledger.entry(number, undone=True)
        if entry is None or entry.box != name:
            raise LedgerError(say("{name} has no entry {number} that was undone", name=name, number=number))
        again = next((one for one in stores.ledger.entries(name) if _is_copy(one, entry)), None)
        if again is not None:
            return f"{SAVED}={again.entry_id}&{AGAIN}=1"
        return f"{SAVED}={self.site.desk(stores).log(replace(entry, entry_id=None), confirmed=True)}"

    def _unread(self, stores: Stores, name: str, at_ms: int) -> str:
        at = instant_of(at_ms)
        reading = None if at is None else reading_at(stores.readings, name, at)
        if at is None or reading is None or reading.source != "hand":
            raise LedgerError(say("{name} has no reading of yours at that time, or it was undone before", name=name))
        return f"{UNREAD}={withdraw_reading(stores.imports, name, at, utc_now())}"

    def _reread(self, stores: Stores, name: str, number: int) -> str:
        reading = next(iter(stores.imports.set_aside(number)), None)
        if reading is None or reading.box != name or reading.source != "hand":
            raise LedgerError(
                say("{name} has no reading of yours that was undone under {number}", name=name, number=number)
            )
        stores.imports.restore(number)
        return f"{READ}={milliseconds_of(reading.at)}&of={quote(name)}"

    # --- answers -----------------------------------------------------------------------------------------------------

    def known(self, stores: Stores, name: str, request: Request) -> Known:
        """Return what the forms of a box are made of."""
        return Known(
            entries=stores.ledger.entries(name),
            appliances=self.site.shelf.appliances,
            desk_events=stores.ledger.from_desk(name),
            holder=_plain_holder(request.cookies.get(_HOLDER_COOKIE, "")),
        )

    def _name(self, request: Request) -> str:
        name, newest = str(request.path_params["name"]), self.site.keeper.newest
        if name in {box.name for box in self.site.shelf.boxes} or (newest and newest.answer(name)):
            return name
        raise self.site.not_found(say("There is no box of this name."))

    def _refused(self, request: Request, name: str, sent: Sent) -> Response:
        problem = self.site.words.in_own_units(in_page_words(sent.problem))
        status = HTTPStatus.CONFLICT if sent.doubted else HTTPStatus.BAD_REQUEST
        return self.show(request, name, replace(sent, problem=problem), status)

    @staticmethod
    def _lead(name: str, form: Mapping[str, str], told: str) -> RedirectResponse:
        back, own = form.get("back", ""), f"/box/{quote(name)}"
        to = back if _BACK.fullmatch(back) else own
        return RedirectResponse(f"{to}{'&' if '?' in to else '?'}{told}#notices", HTTPStatus.SEE_OTHER)

    @staticmethod
    def _remember_holder(answer: Response, name: str, form: Mapping[str, str]) -> None:
        """Let this box's form know next time what the empty holder weighed: on this device, where the scale is."""
        if holder := _plain_holder(form.get("holder", "")):
            answer.set_cookie(
                _HOLDER_COOKIE, holder, max_age=_YEAR_S, path=f"/box/{quote(name)}", httponly=True, samesite="strict"
            )


def in_page_words(problem: str) -> str:
    """Return what is said of options at the command line as a page has it, with its full stop."""
    return sentence(said(problem, _IN_PAGE_WORDS))


def time_of(form: Mapping[str, str], now: datetime) -> str | None:
    """Return when it was, as the command line would take it: typed, picked, or the quick choice; None is now."""
    typed, picked = form.get("at", "").strip(), form.get("on", "").strip()
    if typed and picked:
        raise TypedError(
            say("two times are given, '{typed}' and '{picked}'. Clear one of them", typed=typed, picked=picked),
            field="at",
        )
    if typed or picked:
        return typed or picked
    quick = form.get("when", "now")
    if quick in AGO:
        return (now - AGO[quick]).isoformat()
    words = {
        "now": None,
        "morning": f"today {MORNING}",
        "evening": f"yesterday {EVENING}",
    }
    if quick not in words:
        raise TypedError(say("'{quick}' is not a time", quick=quick), field="at")
    return words[quick]


def _sent_twice(error: TrapError, form: Mapping[str, str]) -> bool:
    """Return whether a form of one tap was tapped twice."""
    return "quick" in form and all(trap.name == _TWICE for trap in error.traps)


def _same(entry: LedgerEntry, others: Sequence[LedgerEntry]) -> LedgerEntry | None:
    """Return the entry that another one repeats."""
    return next((one for one in others if one.kind is entry.kind and abs(one.at - entry.at) < ONE_MOMENT), None)


def _is_copy(one: LedgerEntry, other: LedgerEntry) -> bool:
    """Return whether two entries say the same."""
    return replace(one, entry_id=None, logged_at=None) == replace(other, entry_id=None, logged_at=None)


def _plain_holder(text: str) -> str:
    """Return the weight of a holder as it was typed, where it is one."""
    text = text.strip()
    return text if text.isascii() and len(text) <= _LONGEST_HOLDER and quantities.is_mass(text) else ""


def to_box(request: Request) -> RedirectResponse:
    """Lead from the address of a form to the page it stands on."""
    return RedirectResponse(f"/box/{quote(request.path_params['name'])}", HTTPStatus.SEE_OTHER)
