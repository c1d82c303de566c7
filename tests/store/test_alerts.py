"""Matters and messages: kept before they are sent, marked after, and never twice the same."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING

import pytest

from monitor.records.alerts import Alert, AlertKind, Message, MessageKind, RouteState, Sent, StandingAlert, Told
from monitor.store.opening import Stores, open_stores

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from monitor.store.kept_contracts import Alerts

NOW = datetime(2026, 3, 4, 12, 0, tzinfo=UTC)
LATER = NOW + timedelta(hours=1)
OVER = StandingAlert(Alert("left", AlertKind.over_limit, "left: dry beads now.", urgent=True), NOW)
DAY = StandingAlert(Alert("", AlertKind.plan, "Tomorrow: dry.", about="2026-03-05"), NOW)


@pytest.fixture
def stores(tmp_path: Path) -> Iterator[Stores]:
    with open_stores(tmp_path / "siccast.sqlite3", synchronous="OFF") as opened:
        yield opened


@pytest.fixture
def alerts(stores: Stores) -> Alerts:
    return stores.alerts


def message_of(alerts: Alerts, route: str = "mail") -> Message:
    """Release all that a route holds as one message, and return it as it is ready."""
    parts = alerts.held(route)
    told = tuple(
        Told(p.standing.alert.box, p.standing.alert.kind, p.standing.alert.text, p.kind, False, "") for p in parts
    )
    kind = MessageKind.digest if len(parts) > 1 else parts[0].kind
    alerts.release(parts, Message("", route, kind, LATER, "subject", "text", told))
    (ready,) = alerts.ready(route)
    return ready


def test_alerts_come_back_whole_and_oldest_first(alerts: Alerts) -> None:
    over, day = alerts.keep([OVER, DAY])
    assert alerts.standing() == [over, day]
    assert [replace(one, alert_id=0) for one in alerts.standing()] == [OVER, DAY]
    alerts.keep([replace(over, alert=replace(over.alert, text="other"), clear_since=LATER)])
    assert (alerts.standing()[0].alert.text, alerts.standing()[0].clear_since) == ("other", LATER)


def test_what_is_over_stands_no_more_and_may_begin_again(alerts: Alerts) -> None:
    (over,) = alerts.keep([OVER])
    alerts.keep([replace(over, ended_at=LATER)])
    assert alerts.standing() == []
    (again,) = alerts.keep([OVER])
    assert again.alert_id != over.alert_id


def test_an_alert_that_stands_can_not_stand_twice(alerts: Alerts) -> None:
    alerts.keep([OVER])
    with pytest.raises(Exception, match="UNIQUE"):
        alerts.keep([OVER])


def test_what_is_heard_is_told_once(alerts: Alerts) -> None:
    alerts.keep([OVER, DAY])
    assert [one.alert.box for one in alerts.hear(LATER, "left")] == ["left"]
    assert alerts.hear(LATER, "left") == []
    assert [one.alert.kind for one in alerts.hear(LATER)] == [AlertKind.plan]
    assert all(one.heard_at == LATER for one in alerts.standing())


def test_an_alert_is_put_on_its_way_once_and_keeps_its_uid_until_it_is_sent(alerts: Alerts) -> None:
    (over,) = alerts.keep([OVER])
    for _ in range(2):
        alerts.put("mail", over.alert_id, MessageKind.first, 0, NOW)
    assert [(one.kind, one.made_at, one.standing) for one in alerts.held("mail")] == [(MessageKind.first, NOW, over)]
    assert alerts.held("hook") == []
    message = message_of(alerts)
    assert alerts.held("mail") == []
    assert alerts.ready("mail") == [message]
    assert (message.subject, message.made_at, message.told[0].text) == ("subject", LATER, "left: dry beads now.")
    assert alerts.said("mail") == {over.alert_id: Sent(1, None)}
    alerts.mark_sent(message, LATER)
    assert alerts.ready("mail") == []
    assert alerts.said("mail") == {over.alert_id: Sent(1, LATER)}
    alerts.put("mail", over.alert_id, MessageKind.again, 1, LATER)
    assert alerts.said("mail") == {over.alert_id: Sent(2, None)}, "until the second is sent, too"


def test_alerts_that_went_out_together_were_all_sent(alerts: Alerts) -> None:
    numbers = [one.alert_id for one in alerts.keep([OVER, DAY])]
    for number in numbers:
        alerts.put("mail", number, MessageKind.first, 0, NOW)
    message = message_of(alerts)
    assert (message.kind, len(message.told)) == (MessageKind.digest, 2)
    alerts.mark_sent(message, LATER)
    assert alerts.said("mail") == dict.fromkeys(numbers, Sent(1, LATER))


def test_what_is_withdrawn_never_goes_out(alerts: Alerts) -> None:
    (over,) = alerts.keep([OVER])
    alerts.put("mail", over.alert_id, MessageKind.first, 0, NOW)
    alerts.withdraw(alerts.held("mail"), LATER)
    assert (alerts.held("mail"), alerts.ready("mail")) == ([], [])
    alerts.put("mail", over.alert_id, MessageKind.first, 0, NOW)
    assert alerts.held("mail") == []


def test_since_when_a_route_has_not_worked(alerts: Alerts) -> None:
    (over,) = alerts.keep([OVER])
    alerts.put("mail", over.alert_id, MessageKind.first, 0, NOW)
    message = message_of(alerts)
    alerts.mark_failed("mail", "away", NOW)
    alerts.mark_failed("mail", "refused", LATER)
    assert alerts.routes() == {"mail": RouteState("mail", 1, None, NOW, "refused")}
    alerts.mark_sent(message, LATER)
    assert alerts.routes() == {"mail": RouteState("mail", 0, LATER, None, "")}


def test_a_transaction_lands_whole_or_not_at_all(alerts: Alerts) -> None:
    def half() -> None:
        with alerts.transaction():
            (over,) = alerts.keep([OVER])
            alerts.put("mail", over.alert_id, MessageKind.first, 0, NOW)
            raise KeyError

    with pytest.raises(KeyError):
        half()
    assert (alerts.standing(), alerts.held("mail")) == ([], [])


def test_alerts_follow_a_box_to_its_new_name(stores: Stores) -> None:
    stores.alerts.keep([OVER])
    stores.boxes.rename("left", "nylon", NOW)
    assert [one.alert.box for one in stores.alerts.standing()] == ["nylon"]


def test_they_outlive_the_process(tmp_path: Path) -> None:
    with open_stores(tmp_path / "siccast.sqlite3") as stores:
        (over,) = stores.alerts.keep([OVER])
        stores.alerts.put("mail", over.alert_id, MessageKind.first, 0, NOW)
    with open_stores(tmp_path / "siccast.sqlite3", read_only=True) as stores:
        assert [one.standing for one in stores.alerts.held("mail")] == [over]
