"""Is the broker well, as far as a client can see: does it answer, keep our session and messages, and who listens."""

from __future__ import annotations

import json
from datetime import datetime
from typing import TYPE_CHECKING

from monitor.errors import FeedError
from monitor.feed.formats.values import escaped
from monitor.services.site_check import Finding, Severity
from monitor.texts import say

if TYPE_CHECKING:
    from collections.abc import Iterator

    from monitor.feed.probe import BrokerFindings
    from monitor.records import BrokerAddress

HEALTH_EVERY_S = 60.0  # judgement: a listener that died is noticed within minutes, and the broker has little to do
_HEALTHS_MISSED = 5.0  # times that; judgement: a busy machine may miss some
_SHOWN_LETTERS = 60  # judgement: what a stranger sent fits a line beside the finding


def health_topic(site: str, client_id: str) -> str:
    """Return where a listener says, retained, how it is."""
    return f"siccast/1/{site}/health/{client_id}"


def check_broker(address: BrokerAddress, site: str, now: datetime, *, with_trial: bool = False) -> Iterator[Finding]:
    """Look at the broker as far as a client can."""
    from monitor.feed.probe import probe  # noqa: PLC0415 -- paho, which the other checks do without

    trial_topic = f"siccast/1/{site}/trial/{address.client_id}" if with_trial else None
    where = f"{address.host}:{address.port}"
    try:
        findings = probe(address, health_topic(site, "+"), now, trial_topic)
    except FeedError as error:
        yield Finding(say("broker"), Severity.fault, str(error), say("start it, or correct [broker] in the shelf file"))
        return
    yield Finding(
        say("broker"), Severity.well, say("{where} answers, MQTT {protocol}", where=where, protocol=address.protocol)
    )
    yield from _check_sessions(findings)
    yield from _check_listeners(findings, now)


def _check_sessions(findings: BrokerFindings) -> Iterator[Finding]:
    settings = say("use firmware_notes/mosquitto.conf, or the same settings for another broker")
    if findings.keeps_session:
        yield Finding(say("session"), Severity.well, say("the broker keeps messages for siccast while it is away"))
    else:
        yield Finding(
            say("session"),
            Severity.fault,
            say("the broker forgets siccast when it leaves: messages that arrive then are lost"),
            settings,
        )
    if findings.queue_held is not None:
        from monitor.feed.probe import STOCK_QUEUE, TRIAL_MESSAGES  # noqa: PLC0415

        whole = findings.queue_held > STOCK_QUEUE
        yield Finding(
            say("queue"),
            Severity.well if whole else Severity.fault,
            say(
                "{count} of {sent} messages waited while siccast was away",
                count=findings.queue_held,
                sent=TRIAL_MESSAGES,
            ),
            "" if whole else say("raise max_queued_messages; {settings}", settings=settings),
        )
    if findings.dropped:
        yield Finding(
            say("queue"),
            Severity.look,
            say("the broker has dropped {dropped} messages since it started", dropped=findings.dropped),
            settings,
        )


def _check_listeners(findings: BrokerFindings, now: datetime) -> Iterator[Finding]:
    if not findings.health:
        yield Finding(
            say("listener"),
            Severity.look,
            say("no listener has ever reported to this broker"),
            say("start `siccast listen`"),
        )
    for topic, payload in sorted(findings.health.items()):
        name = escaped(topic.rsplit("/", 1)[-1], _SHOWN_LETTERS)
        try:
            told = json.loads(payload)
            age_s = (now - datetime.fromisoformat(told["at"])).total_seconds() if "at" in told else 0.0
            state = escaped(str(told["state"]), _SHOWN_LETTERS)
        except (ValueError, KeyError, TypeError):
            yield Finding(
                say("listener {name}", name=name),
                Severity.look,
                say("its last report can't be read"),
                say("restart it"),
            )
            continue
        if state == "listening" and age_s < _HEALTHS_MISSED * HEALTH_EVERY_S:
            yield Finding(
                say("listener {name}", name=name),
                Severity.well,
                say("listening; {count} new readings since it started", count=told.get("new", 0)),
            )
        else:
            what = state if state != "listening" else say("silent for {age} minutes", age=f"{age_s / 60.0:.0f}")
            yield Finding(
                say("listener {name}", name=name),
                Severity.look,
                what,
                say("start `siccast listen`. Its log says why it ended"),
            )
