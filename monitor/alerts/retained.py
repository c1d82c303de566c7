"""Alerts as retained messages: each has its topic, which is emptied when the alert is over."""

from __future__ import annotations

from typing import TYPE_CHECKING

from monitor.alerts.payload import alert_json, message_json
from monitor.records.alerts import AlertKind, MessageKind, Told

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from monitor.records.alerts import Message


class RetainedRoute:
    """Sends alerts to the broker of the site."""

    def __init__(self, site: str, publish: Callable[[Sequence[tuple[str, bytes]]], None]) -> None:
        self._site = site
        self._publish = publish

    def send(self, message: Message) -> None:
        """Have the broker retain the alerts of a message, or forget those that are over; of a test nothing is left."""
        if message.kind is MessageKind.test:
            topic = f"siccast/1/{self._site}/alert/test"
            self._publish([(topic, message_json(message, self._site)), (topic, b"")])
            return
        self._publish([(topic_of(self._site, told), self._payload(message, told)) for told in message.told])

    def _payload(self, message: Message, told: Told) -> bytes:
        return b"" if told.kind == MessageKind.over.value else alert_json(message, told, self._site)


def topic_of(site: str, told: Told) -> str:
    """Return where an alert stands.

    >>> topic_of("attic", Told("left", "over limit", "", "word", False, ""))
    'siccast/1/attic/left/alert/over-limit'
    >>> topic_of("attic", Told("", "drying day", "", "word", False, "", about="2026-03-07"))
    'siccast/1/attic/alert/plan/2026-03-07'
    """
    levels = ("siccast/1", site, told.box, "alert", AlertKind(told.matter).slug, told.about)
    return "/".join(filter(None, levels))


def topics_of(site: str, box: str) -> list[str]:
    """Return where alerts about a box may stand."""
    return [f"siccast/1/{site}/{box}/alert/{kind.slug}" for kind in AlertKind]
