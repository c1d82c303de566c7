"""What is wrong with the site just now, said at the head of every page: each with what to do about it."""

from __future__ import annotations

import shlex
from dataclasses import dataclass, replace
from datetime import datetime
from typing import TYPE_CHECKING

from monitor.presentation.amounts import sentence
from monitor.services.watch import DEAD_AFTER
from monitor.texts import said, say, say_many

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from datetime import timedelta

    from monitor.presentation.wording import Wording
    from monitor.records import Listener
    from monitor.records.alerts import RouteState
    from monitor.settings import Shelf
    from monitor.web.snapshot import Snapshot


@dataclass(frozen=True, slots=True)
class Notice:
    """One thing that is wrong."""

    heading: str
    text: str = ""
    command: str = ""
    """What to type to mend it, where that is one command."""


@dataclass(frozen=True, slots=True)
class Heard:
    """What is known of the listener and of what it brings in."""

    listeners: Sequence[Listener] = ()
    at: datetime | None = None
    """The newest reading that a sensor sent, and that is not of the future."""
    patience: timedelta | None = None
    """How long the sensor of it may say nothing by its habits."""
    routes: Sequence[RouteState] = ()
    """How each route that was ever used is doing."""
    rejected: int = 0
    """How many messages could not be used, as long as no sensor was heard."""


def said_anew(notice: Notice) -> Notice:
    """Return a notice that was found beside any request in the language of whoever sees it."""
    return replace(notice, heading=said(notice.heading), text=said(notice.text))


def of_the_snapshot(snapshot: Snapshot | None) -> Iterator[Notice]:
    """Yield why a state is not the newest, or does not rest on what it should."""
    if snapshot is None:
        return
    if snapshot.reservation:
        yield Notice("", said(snapshot.reservation))
    if snapshot.notice:
        yield Notice(say("Not the newest state."), said(snapshot.notice))


def of_the_file(fault: str) -> Iterator[Notice]:
    """Yield what is wrong with shelf.toml as it was saved last."""
    if fault:
        yield Notice(
            say("shelf.toml can't be used as it is."),
            say("{fault} Until it is mended, the last one counts.", fault=sentence(fault)),
        )


def of_the_listener(heard: Heard, shelf: Shelf, now: datetime, words: Wording) -> Iterator[Notice]:
    """Yield that nothing comes in, and whose fault that is; of a recording nothing is expected."""
    if shelf.recorded_until is not None:
        return
    at_work = [listener for listener in heard.listeners if listener.at_work]
    silent_since = max(filter(None, (heard.at, *(listener.since for listener in at_work))), default=None)
    is_silent = silent_since is None or heard.patience is None or now - silent_since > heard.patience
    since = (
        say("since {moment}", moment=moment(heard.at, now, words))
        if heard.at
        else say("so far: no reading has ever arrived")
    )
    if at_work and is_silent and silent_since is not None and (heard.at or shelf.boxes):
        yield Notice(
            say("The listener has been silent {since}.", since=since),
            say("It runs, but no reading arrives. Are the broker and the sensors on? This looks at each of them:"),
            _command(shelf, "check"),
        )
    elif not at_work and (heard.listeners or (is_silent and (heard.at or not shelf.boxes))):
        # without a trace here it may run on another machine; boxes of which none has a sensor need none
        yield Notice(
            say("The listener has been silent {since}.", since=since),
            say("It is not running{why}, so nothing new arrives. Start it:", why=_why(heard.listeners)),
            _command(shelf, "listen"),
        )


def of_first_messages(heard: Heard) -> Iterator[Notice]:
    """Yield that something was sent, where whoever waits for the first reading would never see it."""
    if heard.rejected:
        came = say_many(
            "{count} message came from a sensor, and could not be used.",
            "{count} messages came from sensors, and could not be used.",
            heard.rejected,
        )
        yield Notice(came, say("House says why."))


def of_the_routes(heard: Heard, shelf: Shelf, now: datetime, words: Wording) -> Iterator[Notice]:
    """Yield which routes have not worked for some time: what they should say reaches nobody."""
    declared = {route.name for route in shelf.routes}
    for state in heard.routes:
        since = state.failing_since
        if state.route in declared and since is not None and now - since >= DEAD_AFTER:
            heading = f"Route '{state.route}' has not worked since {moment(since, now, words)}."
            text = f"{sentence(state.trouble)} Nothing is lost: it is tried again. Once it is mended, this tests it:"
            yield Notice(heading, text, _command(shelf, "watch --test"))


def moment(at: datetime, now: datetime, words: Wording) -> str:
    """Return a time of day, with its day where that is another than today."""
    if words.local_day(at) == words.local_day(now):
        return f"{at.astimezone(words.zone):%H:%M}"
    return words.moment(at)


def _why(listeners: Sequence[Listener]) -> str:
    last = max(listeners, key=lambda listener: listener.since, default=None)
    return f" ({last.ended})" if last is not None and last.ended not in ("", "stopped") else ""


def _command(shelf: Shelf, name: str) -> str:
    where = "" if shelf.is_in_the_usual_place else f"--shelf {shlex.quote(str(shelf.folder))} "
    return f"siccast {where}{name}"
