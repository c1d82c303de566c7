"""`siccast watch`: without routes, a test, once, what stands, what was heard; and beside `check` and `listen`."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from alert_servers import Hook
from answers_by_hand import AS_OF

from monitor.cli.site import watch
from monitor.feed.mqtt import MqttFeed
from monitor.presentation.clock import utc_now
from monitor.records import BrokerAddress
from monitor.store.listener_lock import lock_sending
from monitor.store.opening import open_stores
from tests.conftest import free_port

PROGRAM = "from monitor.cli.app import main; main()"


@pytest.fixture
def told(site: Path, hook: Hook) -> Path:
    """Give the shelf with a route to the server."""
    with (site / "shelf.toml").open("a", encoding="utf-8") as text:
        text.write(f'\n[routes.hook]\nkind = "webhook"\nurl = "{hook.url}"\n')
    return site


def test_without_routes_it_says_how_to_declare_one(siccast: Callable[..., Any]) -> None:
    refused = siccast("watch")
    assert "has no [routes.NAME], so nobody can be told" in str(refused.exception)
    assert 'kind = "email"' in str(refused.exception)


def test_once_says_each_alert_once_and_the_same_as_today(told: Path, hook: Hook, siccast: Callable[..., Any]) -> None:
    assert siccast("watch", "--once").stdout == "2 new, 2 messages sent\n"
    assert siccast("watch", "--once").stdout == "0 new, 0 messages sent\n"
    today = json.loads(siccast("today", "--json").stdout)["words"]
    posted = [post.content["words"][0] for post in hook.posts]
    assert [(w["box"], w["matter"], w["text"]) for w in posted] == [(w["box"], w["matter"], w["text"]) for w in today]
    assert {post.content["site"] for post in hook.posts} == {"attic"}


def test_what_was_declared_while_boxes_were_looked_at_is_not_told_as_it_was(
    told: Path, hook: Hook, siccast: Callable[..., Any], monkeypatch: pytest.MonkeyPatch
) -> None:
    usual, left = watch.ask, ["stray"]

    def ask(*words: Any, **how: Any) -> Any:
        asked = usual(*words, **how)
        if left:
            assert siccast("adopt", left.pop()).exit_code == 0
        return asked

    monkeypatch.setattr(watch, "ask", ask)
    siccast("watch", "--once")
    posted = [word for post in hook.posts for word in post.content["words"]]
    assert [word["text"] for word in posted if "adopt" in word["text"]] == []
    assert "empty" in {word["box"] for word in posted}, "all else is told"


def test_what_stands_and_who_has_heard_it(told: Path, siccast: Callable[..., Any]) -> None:
    siccast("watch", "--once")
    shown = json.loads(siccast("watch", "show", "--json").stdout)
    assert [(one["box"], one["heard_at"]) for one in shown["matters"]] == [
        ("empty", None), ("stray", None),
    ]  # fmt: skip
    assert shown["routes"][0]["waiting"] == 0
    assert siccast("watch", "heard", "empty").stdout.startswith("heard: empty: no sensor has ever sent for it")
    assert siccast("watch", "heard", "all").stdout.count("heard: ") == 1
    assert siccast("watch", "heard", "all").stdout == "There is nothing new to hear.\n"
    assert "hook  webhook: last used" in siccast("watch", "show").stdout
    assert siccast("watch", "heard", "nobox").exit_code != 0


def test_a_test_goes_by_each_route_and_says_what_came_of_it(
    told: Path, hook: Hook, siccast: Callable[..., Any]
) -> None:
    with (told / "shelf.toml").open("a", encoding="utf-8") as text:
        text.write(f'\n[routes.away]\nkind = "webhook"\nurl = "http://127.0.0.1:{free_port()}/"\n')
        text.write('\n[routes.house]\nkind = "mqtt"\n')
    done = siccast("watch", "--test")
    assert done.exit_code == 1
    lines = done.stdout.splitlines()
    assert lines[0] == "hook (webhook): sent. Look whether it arrived"
    assert lines[1].startswith("away (webhook): not sent. 127.0.0.1:")
    assert "names no [broker], and siccast's own runs inside `listen`" in lines[2]
    assert [post.content["kind"] for post in hook.posts] == ["test"]


def test_check_says_that_nobody_sends_and_which_route_is_dead(
    told: Path, hook: Hook, siccast: Callable[..., Any]
) -> None:
    assert "alerts: nobody sends them – start `siccast listen`, or `siccast watch`" in siccast("check").stdout
    hook.status = 500
    siccast("watch", "--once")
    with lock_sending(told, AS_OF):
        shown = siccast("check").stdout
    assert "alerts:" not in shown
    assert "route hook: has not worked since " in shown
    assert "answered 500. Correct its address" in shown
    assert "2 messages wait for it" in shown
    hook.status = 204
    assert siccast("watch", "--once").stdout == "0 new, 2 messages sent\n"
    assert "route hook" not in siccast("check").stdout


def test_only_one_sends_at_a_time(told: Path, siccast: Callable[..., Any]) -> None:
    with lock_sending(told, AS_OF):
        refused = siccast("watch", "--once")
    assert f"process {os.getpid()} already sends alerts for {told}" in str(refused.exception)


@pytest.mark.broker
def test_beside_a_listener_alerts_reach_the_broker_and_the_hook(tmp_path: Path, mosquitto: Any, hook: Hook) -> None:
    """The listener looks soon after something is logged, in a process beside it, and a thread of its own sends."""
    (tmp_path / "shelf.toml").write_text(
        f'site = "attic"\n[broker]\nhost = "127.0.0.1"\nport = {mosquitto.port}\n[boxes.left]\nvolume_l = 10\n'
        f'[routes.house]\nkind = "mqtt"\n[routes.hook]\nkind = "webhook"\nurl = "{hook.url}"\n'
    )
    listener = subprocess.Popen(
        [sys.executable, "-c", PROGRAM, "--shelf", str(tmp_path), "listen", "--outlooks-every", "0"],
        stderr=subprocess.DEVNULL,
    )
    address = BrokerAddress("127.0.0.1", mosquitto.port, client_id="newcomer")
    topic = "siccast/1/attic/left/alert/silent"
    try:
        with MqttFeed(address, ["siccast/1/attic/+/alert/#", "siccast/1/attic/health/+"], clock=utc_now) as feed:
            heard: dict[str, bytes] = {}
            while topic not in heard or not hook.posts:
                assert listener.poll() is None
                for message in feed.receive(0.2):
                    feed.acknowledge([message])
                    if "health" in message.topic and "health" not in heard:
                        subprocess.run(
                            [sys.executable, "-c", PROGRAM, "--shelf", str(tmp_path), "log", "note", "left", "x"],
                            check=True, stdout=subprocess.DEVNULL,
                        )  # fmt: skip
                    heard["health" if "health" in message.topic else message.topic] = message.payload
    finally:
        listener.terminate()
        assert listener.wait(20) == 0
    assert json.loads(heard[topic])["text"].startswith("left: no sensor has ever sent for it")
    assert hook.alerts == [("word", "left", "silent")]
    with open_stores(tmp_path / "siccast.sqlite3", read_only=True) as stores:
        assert [replace(one.alert, text="").box for one in stores.alerts.standing()] == ["left"]
