"""What was just saved or undone, said on the page that comes next: its address has the number, so no state is kept."""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING
from urllib.parse import quote, urlencode

from starlette.responses import HTMLResponse

from monitor.desk.questions import color_of_beads
from monitor.errors import LedgerError
from monitor.presentation.amounts import percent
from monitor.presentation.log_wording import changes_nothing, repeated
from monitor.records import EntryKind, ReadingSource
from monitor.records.readings import EARLIEST_AT
from monitor.services.hand_readings import reading_at
from monitor.texts import say

if TYPE_CHECKING:
    from collections.abc import Mapping

    from starlette.requests import Request

    from monitor.records import LedgerEntry, Reading
    from monitor.store.opening import Stores
    from monitor.web.site import Site

SAVED, UNDONE, READ, UNREAD, AGAIN = "saved", "undone", "read", "unread", "again"
"""What the address of a page says beside its own."""
_KEYS = (SAVED, UNDONE, READ, UNREAD, AGAIN, "of")
_NUMBER = re.compile(r"[0-9]{1,15}")  # digits; judgement: more than entries or milliseconds have
_TOKEN = re.compile(rb'(<input type="hidden" name="token" value=")[^"]*')
_PLACE = b'<div id="notices" aria-live="polite">'
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)  # a year; by definition (POSIX)


@dataclass(frozen=True, slots=True)
class Told:
    """What is said, and the one thing that can be done about it."""

    box: str
    number: str
    """Of what it is about, by which a script knows it again."""
    what: str
    """'saved', 'already', 'undone', 'read' or 'unread'."""
    text: str
    more: str
    """What there is to know beside it."""
    late: bool
    """Whether it changes no answer, as the shelf is a recording that ends earlier."""
    action: str
    back: str
    field: str
    value: str
    seconds: int = 10  # seconds
    """So long it stands out. A judgement: to read it and to reach the button."""


def told(site: Site, request: Request, box: str | None = None) -> Told | None:
    """Return what the address says was just done, where it was and still is so; of one box, where one is named."""
    asked = request.query_params
    back = address(request.url.path, {key: value for key, value in asked.multi_items() if key not in _KEYS})
    for key, find in ((SAVED, _saved), (UNDONE, _undone), (READ, _read), (UNREAD, _unread)):
        if (number := number_of(asked.get(key, ""))) is None:
            continue
        try:
            with site.reading() as stores:
                found = find(site, stores, number, asked, back)
        except LedgerError:  # nothing was ever withdrawn under this number
            return None
        return found if found is not None and box in (None, found.box) else None
    return None


def beside(site: Site, request: Request, page: HTMLResponse) -> HTMLResponse:
    """Return a page that was made before, with its reader's own forms and what was just done.

    Each session has a token of its own, and a page that is kept carries that of whoever it was made for.
    """
    said, token = told(site, request), site.tokens.token.encode()
    body = _TOKEN.sub(lambda found: found[1] + token, bytes(page.body))
    if said is not None:
        body = body.replace(_PLACE, _PLACE + site.renderer.part("told.html", told=said).encode(), 1)
    return HTMLResponse(body)


def number_of(text: str) -> int | None:
    """Return the number of an entry, of a withdrawal, or the milliseconds of an instant; None where it is none."""
    return int(text) if _NUMBER.fullmatch(text) else None


def instant_of(at_ms: int) -> datetime | None:
    """Return an instant of which a reading may be."""
    try:
        at = _EPOCH + timedelta(milliseconds=at_ms)
    except OverflowError:
        return None
    return at if at >= EARLIEST_AT else None


def milliseconds_of(at: datetime) -> int:
    """Return an instant as an address has it."""
    return (at - _EPOCH) // timedelta(milliseconds=1)  # by definition


def address(path: str, query: Mapping[str, str]) -> str:
    """Return an address of ours."""
    return quote(path) + (f"?{urlencode(query)}" if query else "")


def _saved(site: Site, stores: Stores, number: int, asked: Mapping[str, str], back: str) -> Told | None:
    entry = stores.ledger.entry(number)
    if entry is None:
        return None
    return Told(
        box=entry.box,
        number=f"saved-{number}",
        what="already" if AGAIN in asked else "saved",
        text=repeated(entry, site.words),
        more=_meaning(stores, entry),
        late=changes_nothing(site.shelf, entry.at),
        action=f"/box/{quote(entry.box)}/undo",
        back=back,
        field="undo",
        value=str(number),
    )


def _undone(site: Site, stores: Stores, number: int, _asked: Mapping[str, str], back: str) -> Told | None:
    entry = stores.ledger.entry(number, undone=True)
    if entry is None:
        return None
    text = repeated(entry, site.words)
    action = f"/box/{quote(entry.box)}/undo"
    return Told(entry.box, f"undone-{number}", "undone", text, "", False, action, back, "redo", str(number))


def _read(site: Site, stores: Stores, at_ms: int, asked: Mapping[str, str], back: str) -> Told | None:
    box, at = asked.get("of", ""), instant_of(at_ms)
    reading = reading_at(stores.readings, box, at) if at is not None else None
    if reading is None or reading.source is not ReadingSource.hand:
        return None
    what, late = "already" if AGAIN in asked else "read", changes_nothing(site.shelf, reading.at)
    text, action = _reading_in_words(site, reading), f"/box/{quote(box)}/undo"
    return Told(box, f"read-{at_ms}", what, text, "", late, action, back, "unread", str(at_ms))


def _unread(site: Site, stores: Stores, number: int, _asked: Mapping[str, str], back: str) -> Told | None:
    reading = next(iter(stores.imports.set_aside(number)), None)
    if reading is None or reading.source is not ReadingSource.hand:
        return None
    text, action = _reading_in_words(site, reading), f"/box/{quote(reading.box)}/undo"
    return Told(reading.box, f"unread-{number}", "unread", text, "", False, action, back, "reread", str(number))


def _reading_in_words(site: Site, reading: Reading) -> str:
    words = site.words
    shown = f"{percent(reading.relative_humidity, 1)}, {words.temperature(reading.temperature_degc)}"
    return say("reading of {box}, {moment}; {shown}", box=reading.box, moment=words.moment(reading.at), shown=shown)


def _meaning(stores: Stores, entry: LedgerEntry) -> str:
    """Return what a color can and can't say."""
    if entry.kind is not EntryKind.color or entry.color is None:
        return ""
    try:
        return color_of_beads(entry.box, stores.ledger.entries(entry.box, before=entry.at), entry.color)[1]
    except LedgerError:
        return ""
