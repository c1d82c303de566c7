"""The house, ready for the template: what is heard, what was rejected, what needs a person, beads and appliances."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from monitor.desk.inventory import discrepancies
from monitor.presentation.amounts import ago, joined, percent
from monitor.presentation.bead_wording import beads, lot_name
from monitor.presentation.desk_tables import charge_row
from monitor.records import ROOM
from monitor.services import adoption
from monitor.services.site_check import Severity
from monitor.texts import say, say_many, to_say

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence
    from datetime import datetime

    from monitor.desk.inventory import Inventory
    from monitor.presentation.wording import Wording
    from monitor.records import Appliance, Reading, RejectedMessage
    from monitor.services.site_check import Finding
    from monitor.settings import Shelf
    from monitor.web.house.new_box import NewBox

SIGNS = {Severity.well: "within", Severity.look: "due", Severity.fault: "over"}
_SHOWN_LETTERS = 400
"""Of a payload or a topic. A judgement: enough to know it by; the database has all of it."""


@dataclass(frozen=True, slots=True)
class Heard:
    """One sensor and its last word."""

    name: str
    place: str
    """'box', 'room' or 'new': declared, the sensor of a room, or never declared."""
    humidity: str
    temperature: str
    seen: str
    at: str
    is_odd: bool
    """Whether the last reading is marked, or dated in the future."""


@dataclass(frozen=True, slots=True)
class Rejected:
    """One message that could not be used."""

    number: int
    at: str
    seen: str
    topic: str
    reason: str
    payload: str


@dataclass(frozen=True, slots=True)
class Look:
    """One finding of the check."""

    sign: str
    verdict: str
    subject: str
    found: str
    remedy: str
    is_box: bool = False
    """Whether it is about a box, which has a page."""
    last_at: str = ""
    """When that box was last heard."""


@dataclass(frozen=True, slots=True)
class HouseView:
    """The page of the house."""

    headline: str
    needing: Sequence[Look]
    well: Sequence[Look]
    everything: bool
    """Whether broker and database were asked, too."""
    heard: Sequence[Heard]
    new: Sequence[Heard]
    """Those of them that nobody declared."""
    offered: Mapping[str, NewBox]
    """What stands in the form of each of them."""
    without_sensor: NewBox
    """What stands in the form of a box that no sensor sends for."""
    rejected: Sequence[Rejected]
    rejected_ever: int
    appliances: Sequence[tuple[str, str, str, str]]
    lots: Sequence[tuple[str, str, str, str, str]]
    charges: Sequence[Sequence[str]]
    odds: Sequence[str]
    """Where grams don't add up."""


def headline(needing: Sequence[Look], heard: Sequence[Heard]) -> str:
    """Return the house in one sentence."""
    if not heard:
        return say("No sensor has been heard yet.")
    new = [each.name for each in heard if each.place == "new"]
    parts = []
    if new:
        parts.append(say_many("{count} new sensor is heard", "{count} new sensors are heard", len(new)))
    if needing:
        parts.append(say_many("{count} thing needs you", "{count} things need you", len(needing)))
    return f"{joined(parts)}." if parts else say("All is well.")


def looks(findings: Iterable[Finding], words: Wording, shelf: Shelf, latest: Mapping[str, Reading]) -> list[Look]:
    """Return what the check found, what is worst first."""
    order = list(SIGNS)[::-1]
    said = {Severity.well: say("well"), Severity.look: say("look at it"), Severity.fault: say("fault")}
    boxes = {box.name for box in shelf.boxes}
    return [
        Look(
            SIGNS[each.verdict],
            said[each.verdict],
            each.subject,
            words.in_own_units(each.found),
            _begun(each.remedy),
            is_box=each.subject in boxes,
            last_at=words.moment(latest[each.subject].at) if each.subject in boxes & latest.keys() else "",
        )
        for each in sorted(findings, key=lambda each: order.index(each.verdict))
    ]


def _begun(words: str) -> str:
    """Return words as the beginning of a sentence; a command stays as it is typed."""
    return words[:1].upper() + words[1:]


def heard(latest: Mapping[str, Reading], shelf: Shelf, now: datetime, words: Wording) -> list[Heard]:
    """Return every sensor with its last word, newest word first."""
    new, rooms = set(adoption.uninvited(latest, shelf.boxes)), {ROOM} | {box.room for box in shelf.boxes}
    return [
        Heard(
            name=name,
            place="new" if name in new else "room" if name in rooms else "box",
            humidity=percent(reading.relative_humidity, 1),
            temperature=words.temperature(reading.temperature_degc),
            seen=ago(now - reading.at) if reading.at <= now else say("dated in the future"),
            at=words.moment(reading.at),
            is_odd=bool(reading.marks) or reading.at > now,
        )
        for name, reading in sorted(latest.items(), key=lambda each: each[1].at, reverse=True)
    ]


def rejected(messages: Iterable[RejectedMessage], now: datetime, words: Wording) -> list[Rejected]:
    """Return rejected messages; what a stranger sent is cut and shown with its odd letters escaped."""
    return [
        Rejected(
            each.rejection_id,
            words.moment(each.arrived_at),
            ago(now - each.arrived_at),
            _plain(each.topic),
            _plain(each.reason),
            _plain(each.payload.decode("utf-8", "backslashreplace")),
        )
        for each in messages
    ]


def _plain(text: str) -> str:
    shown = "".join(letter if letter.isprintable() else repr(letter)[1:-1] for letter in text[:_SHOWN_LETTERS])
    return shown + ("…" if len(text) > _SHOWN_LETTERS else "")


_KINDS = {
    "microwave": to_say("microwave"),
    "oven": to_say("oven"),
    "filament_dryer": to_say("filament dryer"),
    "print_bed": to_say("print bed"),
    "other": to_say("other"),
}


def appliances(declared: Iterable[Appliance], words: Wording) -> list[tuple[str, str, str, str]]:
    """Return name, kind, heat and batch of each appliance."""
    return [
        (
            each.name,
            say(_KINDS[each.kind]),
            words.temperature(each.temperature_degc) if each.temperature_degc is not None else "–",
            words.mass(each.batch_g) if each.batch_g is not None else say("{count} boxes", count=each.batch_boxes),
        )
        for each in declared
    ]


def lots(inventory: Inventory, words: Wording) -> list[tuple[str, str, str, str, str]]:
    """Return name, beads, day, weight and what is left of each lot."""
    return [
        (
            lot_name(each.name),
            beads(each.bought.desiccant),
            str(each.bought.bought_on or "–"),
            words.mass(each.bought.mass_g),
            words.mass(each.left_g),
        )
        for each in inventory.lots.values()
    ]


def charges(inventory: Inventory, words: Wording) -> list[Sequence[str]]:
    """Return what is known of each charge that is in use."""
    rows = [charge_row(charge, words) for charge in inventory.charges.values() if not charge.retired]
    return [(name, lot_name(lot), *rest) for name, lot, *rest in rows]


def odds(inventory: Inventory, words: Wording) -> list[str]:
    """Return where grams don't add up."""
    return [words.in_own_units(sentence) for sentence in discrepancies(inventory)]
