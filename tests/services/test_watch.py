"""Alerts from a look to a real server and back to 'heard': once each, through outages, quiet hours and digests."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, time, timedelta
from functools import partial
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
from alert_servers import Hook, MailServer
from answers_by_hand import assessment_of, forecast_of

from monitor.alerts.mail import MailRoute
from monitor.alerts.opening import Sender, open_route
from monitor.alerts.webhook import WebhookRoute
from monitor.errors import MessageRefusedError
from monitor.records import Assessment, BoxState
from monitor.records.alerts import (
    Alert,
    AlertKind,
    Digest,
    MailAddress,
    Message,
    QuietHours,
    Route,
    WebhookAddress,
)
from monitor.services.watch import Outbox, look
from monitor.store.opening import Stores, open_stores
from tests.conftest import free_port

VIENNA = ZoneInfo("Europe/Vienna")
NOON = datetime(2026, 3, 4, 12, 0, tzinfo=UTC)
HOUR = timedelta(hours=1)
OVER = Alert("left", AlertKind.over_limit, "left: dry beads now.")
SILENT = Alert("right", AlertKind.silent, "right: no reading for 2 days.")


@pytest.fixture
def stores(tmp_path: Path) -> Iterator[Stores]:
    with open_stores(tmp_path / "siccast.sqlite3", synchronous="OFF") as opened:
        yield opened


@pytest.fixture(scope="module")
def servers() -> Iterator[tuple[Hook, MailServer]]:
    hook, mail = Hook(), MailServer(free_port())
    mail.start()
    yield hook, mail
    mail.stop()
    hook.stop()


@pytest.fixture
def hook(servers: tuple[Hook, MailServer]) -> Hook:
    servers[0].posts.clear()
    servers[0].status = 204
    return servers[0]


@pytest.fixture
def mail(servers: tuple[Hook, MailServer]) -> MailServer:
    servers[1].mails.taken.clear()
    return servers[1]


def hook_route(hook: Hook, **more: object) -> Route:
    return replace(Route("hook", "webhook", WebhookAddress(hook.url)), **more)  # type: ignore[arg-type]


def mail_route(mail: MailServer, **more: object) -> Route:
    address = MailAddress("127.0.0.1", mail.port, "none", "boxes@example.org", ("me@example.org",))
    return replace(Route("mail", "email", address), **more)  # type: ignore[arg-type]


@dataclass
class Watching:
    """A shelf that is looked at and sent for, as time goes on."""

    stores: Stores
    routes: list[Route]
    now: datetime = NOON
    said: list[str] = field(default_factory=list)
    _outbox: Outbox | None = None

    def look(self, *alerts: Alert, boxes: tuple[str, ...] = ("left", "right")) -> int:
        """Look for these; what is not among them looks as if it were over."""
        there = [calm(box, self.now) for box in boxes]
        return len(look(self.stores.alerts, self.routes, alerts, there, as_of=self.now, zone=VIENNA, now=self.now))

    def steady_s(self) -> float:
        return self.now.timestamp()

    def send(self, *, restarted: bool = False) -> int:
        if self._outbox is None or restarted:
            self._outbox = Outbox(
                self.stores.alerts,
                self.routes,
                opened,
                site="attic",
                zone=VIENNA,
                steady_s=self.steady_s,
                report=self.said.append,
            )
        return self._outbox.send(self.now)

    def hours(self, count: int, *alerts: Alert, step: int = 1) -> None:
        """Look and send for so many hours."""
        for _ in range(0, count, step):
            self.now += step * HOUR
            self.look(*alerts)
            self.send()


def opened(route: Route) -> Sender:
    if isinstance(route.target, WebhookAddress):
        return WebhookRoute(route.target, "attic", answered_within_s=0.2)
    if isinstance(route.target, MailAddress):
        return MailRoute(route.target, answered_within_s=2.0)
    return open_route(route, "attic", partial(print))


def calm(box: str, at: datetime) -> Assessment:
    one = assessment_of(box, forecast_of(300.0), BoxState.within_limit)
    assert one.latest is not None
    return replace(one, as_of=at, due_at=None, latest=one.latest._replace(at=at - timedelta(minutes=5)))


def test_an_alert_is_said_once_by_each_route_through_restarts(stores: Stores, hook: Hook, mail: MailServer) -> None:
    watching = Watching(stores, [hook_route(hook), mail_route(mail)])
    assert watching.look(OVER, SILENT) == 2
    assert watching.send() == 3, "two posts, and one mail with both"
    for _ in range(5):
        watching.hours(1, OVER, SILENT)
        assert watching.send(restarted=True) == 0
    assert hook.alerts == [("word", "left", "over limit"), ("word", "right", "silent")]
    (both,) = mail.mails.taken
    assert both["Subject"] == "siccast attic: 2 alerts (left, right)"
    paragraphs = both.get_content().split("\r\n\r\n")
    assert paragraphs[:2] == ["left: dry beads now.", "right: no reading for 2 days."]


def test_what_is_over_and_comes_again_is_said_again(stores: Stores, hook: Hook) -> None:
    watching = Watching(stores, [hook_route(hook, says_end=True)])
    watching.hours(3, OVER)
    watching.hours(24 * 5, step=6)
    watching.hours(3, OVER)
    assert [kind for kind, _, _ in hook.alerts] == ["word", "over", "word"]
    assert len({post.content["id"] for post in hook.posts}) == 3


@pytest.mark.parametrize("trouble", ["away", "500", "hangs"])
def test_an_outage_costs_nothing_but_time(stores: Stores, hook: Hook, trouble: str) -> None:
    port = free_port()
    away = WebhookAddress(f"http://127.0.0.1:{port}/hook")
    watching = Watching(stores, [hook_route(hook, target=away) if trouble == "away" else hook_route(hook)])
    hook.status = 500 if trouble == "500" else 204
    if trouble == "hangs":
        hook.hangs.clear()
    watching.look(OVER)
    assert watching.send() == 0
    assert len(watching.said) == 1, "said once, however often it is tried"
    ids = [one.uid for one in stores.alerts.ready("hook")]
    watching.now += HOUR
    watching.look(OVER, SILENT)
    assert watching.send(restarted=True) == 0
    hook.hangs.set()
    hook.status = 204
    back = Hook(port) if trouble == "away" else hook
    watching.now += HOUR
    assert watching.send() == 2
    told = {post.content["id"]: post.content["words"][0]["box"] for post in back.posts}
    assert next(iter(told)) == ids[0], "a server that took it and never answered can tell the repeat"
    assert list(told.values()) == ["left", "right"]
    assert watching.said[-1] == "route 'hook' works again; nothing was lost"
    if back is not hook:
        back.stop()


def test_pauses_grow_while_a_route_does_not_work(stores: Stores, hook: Hook) -> None:
    watching = Watching(stores, [hook_route(hook)])
    hook.status = 503
    watching.look(OVER)
    watching.send()
    for pause_s in (30, 60, 120, 240, 480, 960, 1920, 3600, 3600):
        asked = hook.asked
        watching.now += timedelta(seconds=pause_s - 1)
        watching.send()
        assert hook.asked == asked
        watching.now += timedelta(seconds=1)
        watching.send()
        assert hook.asked == asked + 1


def test_a_dead_route_is_said_by_the_others_and_delays_none(stores: Stores, hook: Hook, mail: MailServer) -> None:
    hook.status = 500
    watching = Watching(stores, [hook_route(hook), mail_route(mail)])
    watching.look(OVER)
    assert watching.send() == 1
    watching.hours(3, OVER)
    subjects = [one["Subject"] for one in mail.mails.taken]
    assert subjects == ["siccast attic: left: over limit", "siccast attic: route down"]
    text = mail.mails.taken[1].get_content()
    assert "Route 'hook' has not worked since 2026-03-04 12:00 UTC: 127.0.0.1" in text
    assert "answered 500" in text
    hook.status = 204
    watching.hours(3, OVER)
    assert [one.alert.kind for one in stores.alerts.standing()] == [AlertKind.over_limit]
    assert len(mail.mails.taken) == 2


def test_a_message_that_is_refused_for_itself_holds_back_no_other(stores: Stores, hook: Hook) -> None:
    class Picky:
        def send(self, message: Message) -> None:
            if message.told[0].box == "left":
                raise MessageRefusedError("it refused this message")
            opened(route).send(message)

    route = hook_route(hook)
    outbox = Outbox(stores.alerts, [route], lambda _: Picky(), site="a", zone=VIENNA, steady_s=lambda: 0.0)
    Watching(stores, [route]).look(OVER, SILENT)
    assert outbox.send(NOON) == 1
    assert [box for _, box, _ in hook.alerts] == ["right"]
    assert stores.alerts.routes()["hook"].trouble == "it refused this message"
    assert len(stores.alerts.ready("hook")) == 1, "it waits to be tried again"


def test_quiet_hours_hold_alerts_back_and_none_is_lost(stores: Stores, hook: Hook, mail: MailServer) -> None:
    """The night in which clocks go forward: seven in the morning is 5:00 UTC, not 6:00."""
    night = QuietHours(time(22), time(7))
    routes = [mail_route(mail, quiet=night), hook_route(hook, quiet=night, urgent_passes=True)]
    watching = Watching(stores, routes, now=datetime(2026, 3, 28, 22, 30, tzinfo=UTC))
    watching.look(OVER, replace(SILENT, urgent=True))
    assert watching.send() == 1
    assert [box for _, box, _ in hook.alerts] == ["right"]
    watching.now = datetime(2026, 3, 29, 4, 59, tzinfo=UTC)
    assert watching.send(restarted=True) == 0
    watching.now = datetime(2026, 3, 29, 5, 0, tzinfo=UTC)
    assert watching.send() == 2
    assert len(mail.mails.taken) == 1
    assert [box for _, box, _ in hook.alerts] == ["right", "left"]


def test_what_is_over_before_its_alert_may_go_out_says_so(stores: Stores, mail: MailServer) -> None:
    watching = Watching(stores, [mail_route(mail, quiet=QuietHours(time(22), time(7)))])
    watching.now = datetime(2026, 3, 4, 22, 0, tzinfo=UTC)
    watching.look(OVER)
    watching.look(boxes=("right",))  # left was taken off the shelf
    watching.now = datetime(2026, 3, 5, 7, 0, tzinfo=UTC)
    assert watching.send() == 1
    assert (
        "left: dry beads now. Over since Wed 4 Mar, 23:00. Nothing is left to do." in mail.mails.taken[0].get_content()
    )


def test_a_digest_is_one_message_with_all(stores: Stores, mail: MailServer) -> None:
    watching = Watching(stores, [mail_route(mail, digest=Digest(time(18)))])
    watching.hours(2, OVER)
    watching.hours(2, OVER, SILENT)
    assert mail.mails.taken == []
    watching.hours(24, OVER, SILENT)
    (first,) = mail.mails.taken
    assert first["Subject"] == "siccast attic: 2 alerts (left, right)"
    low = Alert("left", AlertKind.battery, "left: Its sensor's battery is low.")
    watching.hours(24, OVER, SILENT, low)
    second = mail.mails.taken[1].get_content()
    assert "Told before, and still so: left (over limit), right (silent)." in second
    watching.hours(48, OVER, SILENT, low, step=6)
    assert len(mail.mails.taken) == 2, "nothing new, no digest"


def test_what_nobody_heard_is_said_again_and_by_a_second_route(stores: Stores, hook: Hook, mail: MailServer) -> None:
    first, second = hook_route(hook, again_after=24 * HOUR), mail_route(mail, after=48 * HOUR)
    watching = Watching(stores, [first, second])
    watching.hours(24, OVER, step=4)
    watching.hours(23, OVER, step=1)
    assert [kind for kind, _, _ in hook.alerts] == ["word", "again"]
    assert mail.mails.taken == []
    watching.hours(200, OVER, step=8)
    assert [kind for kind, _, _ in hook.alerts] == ["word", "again", "again", "again"]
    (told,) = mail.mails.taken
    assert told["Subject"] == "siccast attic: left: over limit"


def test_what_was_heard_is_said_no_more(stores: Stores, hook: Hook, mail: MailServer) -> None:
    night = QuietHours(time(22), time(7))
    routes = [hook_route(hook, again_after=24 * HOUR), mail_route(mail, after=48 * HOUR), mail_route(mail, quiet=night)]
    routes[2] = replace(routes[2], name="later")
    watching = Watching(stores, routes, now=datetime(2026, 3, 4, 22, 0, tzinfo=UTC))
    watching.hours(1, OVER)
    stores.alerts.hear(watching.now, "left")
    watching.hours(200, OVER, step=8)
    assert [kind for kind, _, _ in hook.alerts] == ["word"]
    assert mail.mails.taken == [], "neither the second route, nor what quiet hours held back"


def test_a_route_that_is_declared_later_hears_of_what_stands(stores: Stores, hook: Hook, mail: MailServer) -> None:
    watching = Watching(stores, [mail_route(mail)])
    watching.hours(2, OVER)
    watching.routes.append(hook_route(hook))
    watching.look(OVER)
    assert watching.send(restarted=True) == 1
    assert [box for _, box, _ in hook.alerts] == ["left"]


def test_a_defect_in_one_route_delays_no_other(stores: Stores, hook: Hook, mail: MailServer) -> None:
    def broken(route: Route) -> Sender:
        if route.name == "hook":
            raise ZeroDivisionError("a defect")
        return opened(route)

    routes = [hook_route(hook), mail_route(mail)]
    Watching(stores, routes).look(OVER)
    outbox = Outbox(stores.alerts, routes, broken, site="a", zone=VIENNA, steady_s=lambda: 0.0)
    assert outbox.send(NOON) == 1
    assert stores.alerts.routes()["hook"].trouble == "ZeroDivisionError: a defect"


def test_what_a_broker_may_have_forgotten_is_filled_again_with_the_same_id(stores: Stores) -> None:
    held: dict[str, bytes] = {}
    route = Route("house", "mqtt", says_end=True)

    def outbox(*, restate: bool) -> Outbox:
        opening = partial(open_route, site="attic", publish=held.update)
        return Outbox(stores.alerts, [route], opening, site="attic", zone=VIENNA, steady_s=lambda: 0.0, restate=restate)

    watching = Watching(stores, [route])
    watching.look(OVER)
    assert outbox(restate=False).send(NOON) == 1
    before = dict(held)
    held.clear()
    assert outbox(restate=False).send(NOON) == 0
    assert held == {}
    stores.alerts.mark_failed("house", "the broker is away", NOON)
    sending = outbox(restate=True)
    assert sending.send(NOON) == 0, "it was sent before"
    assert held == before
    assert stores.alerts.routes()["house"].failing_since is None, "it works, so it is not called dead"
    held.clear()
    assert sending.send(NOON) == 0
    assert held == {}, "once"
    stores.boxes.rename("left", "nylon", NOON)
    outbox(restate=True).send(NOON)
    assert list(held) == ["siccast/1/attic/nylon/alert/over-limit"]
