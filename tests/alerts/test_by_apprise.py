"""Alerts by the apprise library, to a real HTTP server; where it is not installed, that is one line."""

from __future__ import annotations

import sys

import pytest
from alert_servers import MESSAGE, Hook

from monitor.alerts.by_apprise import AppriseRoute
from monitor.errors import RouteError
from monitor.records.alerts import AppriseUrls
from tests.conftest import free_port

pytestmark = pytest.mark.filterwarnings("ignore:'imghdr' is deprecated")  # apprise imports it on old Pythons


def test_a_message_reaches_every_address(hook: Hook) -> None:
    hook.status = 200
    AppriseRoute(AppriseUrls((f"json://127.0.0.1:{hook.port}/a", f"json://127.0.0.1:{hook.port}/b"))).send(MESSAGE)
    assert [(post.content["title"], post.content["message"], post.content["type"]) for post in hook.posts] == [
        ("siccast attic: left: over limit", "Grüße", "warning")
    ] * 2


def test_an_address_that_does_not_answer_is_a_route_that_does_not_work(hook: Hook) -> None:
    hook.status = 500
    with pytest.raises(RouteError, match="apprise could not send it"):
        AppriseRoute(AppriseUrls((f"json://127.0.0.1:{hook.port}/",))).send(MESSAGE)
    with pytest.raises(RouteError, match="apprise could not send it"):
        AppriseRoute(AppriseUrls((f"json://127.0.0.1:{free_port()}/",))).send(MESSAGE)


def test_an_address_it_does_not_know_is_named_without_its_secrets() -> None:
    with pytest.raises(RouteError, match=r"apprise can't use address 1 \('nosuch://…'\)") as raised:
        AppriseRoute(AppriseUrls(("nosuch://t0ken@host",))).send(MESSAGE)
    assert "t0ken" not in str(raised.value)


def test_without_the_library_the_remedy_is_said(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "apprise", None)
    with pytest.raises(RouteError, match=r"not installed. Remedy: pip install 'siccast\[apprise\]'"):
        AppriseRoute(AppriseUrls(("json://127.0.0.1/",))).send(MESSAGE)
