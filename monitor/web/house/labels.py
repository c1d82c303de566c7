"""Labels for boxes: name, limit and filament in words, and a QR code (ISO/IEC 18004) that opens the page of the box."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from urllib.parse import quote, urlsplit

import segno

from monitor.presentation.amounts import limit_percent
from monitor.records import Box
from monitor.texts import say
from monitor.web.access.who import LOOPBACK

_QUIET_MODULES = 4  # a count; ISO/IEC 18004: around the code
_LONGEST = 200  # letters; judgement: a longer address makes a code too fine for a phone at arm's length


@dataclass(frozen=True, slots=True)
class Label:
    """What stands on one label."""

    name: str
    limit: str
    filament: str
    address: str
    size: int
    """Modules along one side of the code, its quiet zone included."""
    code: str
    """Its dark modules, as the path of an SVG."""


def problem_of(address: str) -> str:
    """Return what is wrong with the address that labels are to lead to; empty where it will do."""
    right = say("Write it like http://printroom.local:8737")
    try:
        parts = urlsplit(address)
        whole = parts.scheme in {"http", "https"} and bool(parts.hostname) and parts.port != 0
    except ValueError:
        whole = False
    if not whole:
        return say("'{address}' is not the address of a page. {right}", address=address[:_LONGEST], right=right)
    return "" if len(address) <= _LONGEST else say("That address is too long for a label. {right}", right=right)


def stays_here(address: str) -> bool:
    """Return whether an address leads nowhere from a phone."""
    return urlsplit(address).hostname in LOOPBACK


def labels(boxes: Iterable[Box], address: str) -> Sequence[Label]:
    """Return a label for each box."""
    return [_label(box, f"{address.rstrip('/')}/box/{quote(box.name)}") for box in boxes]


def _label(box: Box, address: str) -> Label:
    rows = list(segno.make_qr(address, error="m").matrix_iter(border=_QUIET_MODULES))
    runs = [
        f"M{start} {y + 0.5}h{length}"
        for y, row in enumerate(rows)
        for start, length in _runs([bool(module) for module in row])
    ]
    kinds = dict.fromkeys(spool.material for spool in box.spools)
    return Label(
        box.name,
        limit_percent(box.humidity_limit),
        ", ".join(kinds),
        address,
        len(rows),
        "".join(runs),
    )


def _runs(row: Sequence[bool]) -> Iterable[tuple[int, int]]:
    """Yield start and length of each run of dark modules."""
    start = None
    for place, dark in enumerate([*row, False]):
        if dark and start is None:
            start = place
        elif not dark and start is not None:
            yield start, place - start
            start = None
