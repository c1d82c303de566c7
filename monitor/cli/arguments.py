"""What a person typed at the command line: instants in the zone of the shelf, boxes that exist."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from monitor.errors import TypedError, UnknownBoxError
from monitor.presentation import moments
from monitor.presentation.what_if_input import known_beads
from monitor.records import ROOM
from monitor.records.names import hint, tidy
from monitor.records.readings import EARLIEST_AT, LATEST_AT

if TYPE_CHECKING:
    from zoneinfo import ZoneInfo

    from monitor.settings import Shelf
    from monitor.store.opening import Stores

_NEAR = 0.75  # of two names as difflib likens them; judgement: two letters changed places in eight are 0.87
Encoding = Annotated[str, typer.Option(help="Encoding of the text, for example cp1252 or utf-16.")]


def instant(text: str | None, zone: ZoneInfo, now: datetime, *, option: str = "--at") -> datetime:
    """Return the instant somebody wrote, in their own zone where they named none; now where they wrote nothing."""
    try:
        return moments.instant(text, zone, now)
    except TypedError as error:
        raise typer.BadParameter(str(error), param_hint=f"'{option}'") from None


def box_names(context: typer.Context, incomplete: str) -> list[str]:
    """Return the declared boxes whose names begin so, for a shell that completes the line."""
    from monitor.errors import SiccastError
    from monitor.settings import load_shelf, shelf_folder

    given = context.find_root().params.get("shelf")  # as it was typed: a line that is completed is not checked yet
    try:
        shelf = load_shelf(shelf_folder(Path(given) if given else None))
    except SiccastError:
        return []
    return [box.name for box in shelf.boxes if box.name.startswith(tidy(incomplete))]


def span_end(text: str | None, zone: ZoneInfo, option: str) -> datetime | None:
    """Return an end of a span of readings, which may lie anywhere: a wrong clock stamped some in the future."""
    if text is None:
        return None
    try:
        return moments.in_zone(datetime.fromisoformat(text), zone, text)
    except TypedError as error:
        raise typer.BadParameter(str(error), param_hint=f"'{option}'") from None
    except (ValueError, OverflowError):
        raise typer.BadParameter(
            f"'{text}' is not a time. Write it like 2026-03-01T07:30 or 2026-03-01", param_hint=f"'{option}'"
        ) from None


def desiccant(kind: str | None, option: str = "--desiccant") -> str | None:
    """Return the kind of desiccant somebody named; one that is in no table would be forecast by another's isotherm."""
    try:
        return known_beads(kind)
    except TypedError as error:
        raise typer.BadParameter(str(error), param_hint=f"'{option}'") from None


def known_box(name: str, shelf: Shelf, stores: Stores) -> str:
    """Return the name of a box that is declared or that was ever heard of."""
    declared = [box.name for box in shelf.boxes]
    heard = sorted(set(stores.readings.latest(removed=True)) - set(declared))
    for written in (name, tidy(name)):
        if written in declared or written in heard:
            return written
    from difflib import get_close_matches

    if near := get_close_matches(tidy(name), [*declared, *heard], n=1, cutoff=_NEAR):
        raise UnknownBoxError(f"there is no box '{name}'. Did you mean '{near[0]}'?")
    if (new := stores.boxes.renamed_to(tidy(name))) in declared:
        raise UnknownBoxError(f"'{name}' is called '{new}' now")
    raise UnknownBoxError(
        f"there is no box '{name}': it is not declared, and it never sent a reading."
        f" Declared: {', '.join(declared) or 'none'}"
        + (f". Sent readings: {', '.join(heard)}" if heard else "")
        + f". To add it: {hint('box', 'add', name)}"
    )


def box_not_room(name: str, shelf: Shelf, stores: Stores) -> str:
    """Return the name of a box, which may have beads; a sensor that only stands outside of others has none."""
    known = known_box(name, shelf, stores)
    declared = {box.name for box in shelf.boxes}
    if known not in declared and known in {ROOM, *(box.room for box in shelf.boxes)}:
        raise UnknownBoxError(f"'{known}' is the room sensor, not a box. `siccast boxes` lists the boxes")
    return known


def utc_instant(text: str | None, now: datetime) -> datetime:
    """Return the past instant somebody asks about, in UTC where they named no zone; now where they wrote nothing."""
    if text is None:
        return now
    try:
        at = datetime.fromisoformat(text)
        at = (at if at.tzinfo else at.replace(tzinfo=UTC)).astimezone(UTC)
    except (ValueError, OverflowError):
        raise typer.BadParameter(
            f"'{text}' is not a time. Write it in UTC, like 2026-03-01T07:30Z or 2026-03-01", param_hint="'--as-of'"
        ) from None
    if not EARLIEST_AT <= at < LATEST_AT:
        raise typer.BadParameter(
            f"'{text}' is too early or too late. Choose a time from 2000 to 2099", param_hint="'--as-of'"
        )
    if at > now:
        raise typer.BadParameter(
            f"'{text}' is still to come: the newest that can be asked about is {now:%Y-%m-%dT%H:%M}Z. --as-of only"
            " looks back; leave it out, and the forecast of now says what is ahead",
            param_hint="'--as-of'",
        )
    return at


def encoding(name: str) -> str:
    """Return the name of an encoding of text that there is."""
    try:
        b"x".decode(name)
    except UnicodeError:
        pass  # a text encoding, in which this one byte is no text
    except (LookupError, ValueError):
        raise typer.BadParameter(
            f"'{name}' is not a text encoding. Known are for example utf-8, utf-16, cp1252 and latin-1",
            param_hint="--encoding",
        ) from None
    return name
