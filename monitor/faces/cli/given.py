"""What a person typed at the command line: instants in the zone of the shelf, boxes that exist."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import TYPE_CHECKING

import typer

from monitor.errors import UnknownBoxError
from monitor.faces.supposed import NotSupposableError, known_beads
from monitor.names import tidy

if TYPE_CHECKING:
    from zoneinfo import ZoneInfo

    from monitor.settings import Shelf
    from monitor.store.opening import Stores

_EARLIEST = datetime(2000, 1, 1, tzinfo=UTC)
_LATEST = datetime(2100, 1, 1, tzinfo=UTC)


def instant(text: str | None, zone: ZoneInfo, now: datetime, *, option: str = "--at") -> datetime:
    """Return the instant somebody wrote, in their own zone where they named none; now where they wrote nothing."""
    hint = f"'{option}'"
    if text is None:
        return now
    try:
        at = datetime.fromisoformat(text)
    except ValueError:
        raise typer.BadParameter(
            f"'{text}' won't do; write a time as in 2026-03-01T07:30 or 2026-03-01", param_hint=hint
        ) from None
    at = (at if at.tzinfo else at.replace(tzinfo=zone)).astimezone(UTC)
    if at > now:
        raise typer.BadParameter(f"'{text}' is in the future; what is logged has happened", param_hint=hint)
    return at


def desiccant(kind: str | None) -> str | None:
    """Return the kind of desiccant somebody named; one that is in no table would be forecast by another's isotherm."""
    try:
        return known_beads(kind)
    except NotSupposableError as error:
        raise typer.BadParameter(str(error), param_hint="'--desiccant'") from None


def known_box(name: str, shelf: Shelf, stores: Stores) -> str:
    """Return the name of a box that is declared or that was ever heard of."""
    declared = [box.name for box in shelf.boxes]
    heard = sorted(set(stores.readings.latest(removed=True)) - set(declared))
    for written in (name, tidy(name)):
        if written in declared or written in heard:
            return written
    raise UnknownBoxError(
        f"box '{name}' is neither declared nor ever heard of; declared: {', '.join(declared) or 'none'}"
        + (f"; heard of: {', '.join(heard)}" if heard else "")
    )


def utc_instant(text: str | None, now: datetime) -> datetime:
    """Return the instant somebody asks about, in UTC where they named no zone; now where they wrote nothing."""
    if text is None:
        return now
    try:
        at = datetime.fromisoformat(text)
        at = (at if at.tzinfo else at.replace(tzinfo=UTC)).astimezone(UTC)
    except (ValueError, OverflowError):
        raise typer.BadParameter(
            f"'{text}' won't do; write an instant in UTC as in 2026-03-01T07:30Z or 2026-03-01", param_hint="'--as-of'"
        ) from None
    if not _EARLIEST <= at < _LATEST:
        raise typer.BadParameter(f"'{text}' won't do; name an instant from 2000 to 2099", param_hint="'--as-of'")
    return at
