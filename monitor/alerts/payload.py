"""What a program is sent: the JSON of a message, and of one alert in it. `firmware_notes/alerts.md` promises both."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import orjson

from monitor.records.local_times import in_utc

if TYPE_CHECKING:
    from monitor.records.alerts import Message, Told

CONTRACT = "siccast/1/alert"


def message_json(message: Message, site: str) -> bytes:
    """Return a message as a webhook gets it."""
    return orjson.dumps(
        {
            "contract": CONTRACT,
            "id": message.uid,
            "site": site,
            "route": message.route,
            "kind": message.kind.value,
            "made_at": in_utc(message.made_at),
            "urgent": message.urgent,
            "subject": message.subject,
            "text": message.text,
            "words": [alert_fields(told) for told in message.told],
        }
    )


def alert_json(message: Message, told: Told, site: str) -> bytes:
    """Return one alert of a message as it is retained by a broker."""
    head = {"contract": CONTRACT, "id": message.uid, "site": site, "made_at": in_utc(message.made_at)}
    return orjson.dumps(head | alert_fields(told))


def alert_fields(told: Told) -> dict[str, Any]:
    """Return what is said of one alert."""
    return {
        "box": told.box or None,
        "matter": told.matter,
        "about": told.about or None,
        "kind": told.kind,
        "urgent": told.urgent,
        "since": told.since,
        "ended_at": told.ended_at,
        "text": told.text,
    }
