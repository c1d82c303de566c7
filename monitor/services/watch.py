"""Alerts: kept as they are found, put on their way by each route, and sent until they are taken.

Two halves that need not run in one process: ``look`` notes what there is, ``Outbox`` sends what is on its way.
"""

from __future__ import annotations

import logging
from dataclasses import replace
from datetime import timedelta
from typing import TYPE_CHECKING

from monitor.errors import MessageRefusedError, SiccastError
from monitor.planning.messages import has_lasted, released, steps_due, subject_of, text_of, told
from monitor.planning.standing_alerts import reviewed
from monitor.records.alerts import Alert, AlertKind, HeldMessage, Message, MessageKind, StandingAlert
from monitor.retrying import BackOff

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Sequence
    from datetime import datetime, tzinfo

    from monitor.alerts.opening import Sender
    from monitor.records import Assessment
    from monitor.records.alerts import Route, RouteState, Told
    from monitor.store.kept_contracts import Alerts

DEAD_AFTER = timedelta(hours=1)
"""A route that has not worked for so long is worth an alert by the others. A judgement: routers and servers that start
again take minutes."""
_FIRST_PAUSE_S, _LONGEST_PAUSE_S = 30.0, 3600.0
"""Between tries of a route that does not work. Judgements: a server that starts again is met within a minute, and one
that is off for days is asked once an hour."""
_log = logging.getLogger(__name__)


def look(
    store: Alerts,
    routes: Sequence[Route],
    alerts: Sequence[Alert],
    assessments: Iterable[Assessment],
    *,
    as_of: datetime,
    zone: tzinfo,
    now: datetime,
) -> Sequence[StandingAlert]:
    """Note what there is at an instant, put on its way what is to be said, and return the alerts that are new.

    All of it lands or nothing does, so whoever is killed meanwhile finds the same again.
    """
    with store.transaction():
        said = {route.name: store.said(route.name) for route in routes}
        there = (*alerts, *dead_routes(store.routes().values(), routes, now))
        reviewed_alerts = reviewed(store.standing(), there, assessments, as_of, as_of.astimezone(zone).date())
        kept = store.keep(reviewed_alerts)
        for route in routes:
            for alert_id, kind, step in steps_due(route, kept, said[route.name], now):
                store.put(route.name, alert_id, kind, step, now)
    return [new for before, new in zip(reviewed_alerts, kept, strict=True) if not before.alert_id]


def dead_routes(states: Iterable[RouteState], routes: Iterable[Route], now: datetime) -> list[Alert]:
    """Return an alert about each declared route that has not worked for some time."""
    declared = {route.name for route in routes}
    return [
        Alert(
            "", AlertKind.route, f"Route '{state.route}' {how_it_does(state)}. Correct it in shelf.toml.", state.route
        )
        for state in states
        if state.route in declared and state.failing_since and has_lasted(state.failing_since, now, DEAD_AFTER)
    ]


def how_it_does(state: RouteState | None) -> str:
    """Return how a route did last, in a phrase."""
    if state is None or not (state.failing_since or state.sent_at):
        return "nothing was sent by it yet"
    if state.failing_since:
        return f"has not worked since {state.failing_since:%Y-%m-%d %H:%M} UTC: {state.trouble}. {_waiting(state)}"
    return f"last used {state.sent_at:%Y-%m-%d %H:%M} UTC"


def _waiting(state: RouteState) -> str:
    one = state.waiting == 1
    return f"{state.waiting} message{'' if one else 's'} wait{'s' if one else ''} for it"


def trial_message(route: Route, site: str, uid: str, now: datetime) -> Message:
    """Return a message that only shows that a route works."""
    subject, text = f"siccast {site}: test", f"This is a test of route '{route.name}'. Nothing needs you."
    return Message(uid, route.name, MessageKind.test, now, subject, text, ())


class Outbox:
    """Releases what may go out and sends it, by each route for itself.

    One that does not work delays the others by no more than the time it is given for an answer, at pauses that grow.
    """

    def __init__(
        self,
        alerts: Alerts,
        routes: Sequence[Route],
        open_route: Callable[[Route], Sender],
        *,
        site: str,
        zone: tzinfo,
        steady_s: Callable[[], float],
        report: Callable[[str], None] = lambda _: None,
        restate: bool = False,
    ) -> None:
        self._alerts = alerts
        self._routes = routes
        self._open_route = open_route
        self._site, self._zone = site, zone
        self._steady_s = steady_s
        self._report = report
        self._pauses = {route.name: BackOff(_FIRST_PAUSE_S, _LONGEST_PAUSE_S) for route in routes}
        self._not_before_s: dict[str, float] = {}
        self._said: dict[str, str] = {}
        self._to_restate = {route.name for route in routes if restate and route.kind == "mqtt"}
        """Routes whose broker may have forgotten what it retained, or has it under a former name of a box."""

    def send(self, now: datetime) -> int:
        """Send what may go out now by routes that are not pausing, and return how many messages were taken."""
        self._release(now)
        return sum(self._send_by(route, now) for route in self._routes if self._is_ready(route))

    def _is_ready(self, route: Route) -> bool:
        return self._steady_s() >= self._not_before_s.get(route.name, float("-inf"))

    def _release(self, now: datetime) -> None:
        for route in self._routes:
            if not any(self._going(route, now)):  # a look keeps nobody waiting, a transaction would
                continue
            with self._alerts.transaction():
                moot, going = self._going(route, now)
                self._alerts.withdraw(moot, now)
                for parts in [going] if route.joins and going else [[one] for one in going]:
                    self._alerts.release(parts, self._message(route, parts, now))

    def _going(self, route: Route, now: datetime) -> tuple[list[HeldMessage], list[HeldMessage]]:
        """Return what need not go out any more, as somebody has heard it, and what may go out now."""
        held = self._alerts.held(route.name)
        moot = [one for one in held if one.standing.heard_at and one.kind is not MessageKind.over]
        return moot, released(route, [one for one in held if one not in moot], now, self._zone)

    def _message(self, route: Route, parts: Sequence[HeldMessage], now: datetime) -> Message:
        newest = {part.standing.alert_id: part for part in parts}.values()  # each once, however long it waited
        each = tuple(told(part, self._zone) for part in newest)
        kind = MessageKind.digest if len(parts) > 1 else parts[0].kind
        can_hear = any(part.standing.ended_at is None for part in newest)
        before = self._told_before(route, each) if route.digest else ""
        text = text_of(each, now, self._zone, before=before, can_hear=can_hear)
        return Message("", route.name, kind, now, subject_of(self._site, each, kind), text, each)

    def _told_before(self, route: Route, now_told: Sequence[Told]) -> str:
        """Return what an earlier digest told and nobody has heard, in a line."""
        told_now = {(one.box, one.matter, one.about) for one in now_told}
        sent = {alert_id for alert_id, said in self._alerts.said(route.name).items() if said.sent_at}
        before = [
            standing.alert
            for standing in self._alerts.standing()
            if standing.heard_at is None and standing.alert_id in sent and standing.key not in told_now
        ]
        return ", ".join(f"{alert.box or self._site} ({alert.kind})" for alert in before)

    def _send_by(self, route: Route, now: datetime) -> int:
        """Send what is ready for a route; who refuses one message may take the next."""
        taken, refused = 0, ""
        restated, messages = self._restated(route, now), self._alerts.ready(route.name)
        for message in (*restated, *messages):
            try:
                self._open_route(route).send(message)
            except MessageRefusedError as error:
                refused = str(error)
            except Exception as error:
                self._failed(route, error, now)
                return taken
            else:
                self._alerts.mark_sent(message, now)
                taken += message.message_id != 0
        self._to_restate.discard(route.name)
        if refused:
            self._failed(route, MessageRefusedError(refused), now)
        elif restated or messages:
            self._works(route)
        return taken

    def _restated(self, route: Route, now: datetime) -> list[Message]:
        """Return once more what stands, as it was sent, where a broker may not have it any more."""
        if route.name not in self._to_restate:
            return []
        held = {
            uid: HeldMessage(0, MessageKind.first, now, standing)
            for uid, standing in self._alerts.told_by(route.name).items()
        }
        return [replace(self._message(route, [one], now), uid=uid) for uid, one in held.items()]

    def _failed(self, route: Route, error: Exception, now: datetime) -> None:
        trouble = str(error) or type(error).__name__
        if not isinstance(error, SiccastError):
            trouble = f"{type(error).__name__}: {error}"
            _log.exception("route '%s' failed", route.name)
        self._alerts.mark_failed(route.name, trouble, now)
        pause_s = self._pauses[route.name].after_failure_s()
        self._not_before_s[route.name] = self._steady_s() + pause_s
        if self._said.get(route.name) != trouble:
            self._said[route.name] = trouble
            self._report(f"route '{route.name}' does not work and is tried again: {trouble}")

    def _works(self, route: Route) -> None:
        self._pauses[route.name].succeeded()
        if self._said.pop(route.name, ""):
            self._report(f"route '{route.name}' works again; nothing was lost")
