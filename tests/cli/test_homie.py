"""Boxes by the Homie convention, at a real broker: what a controller finds, and what it is told when we go."""

from __future__ import annotations

import json
import re
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import paho.mqtt.client as paho
import pytest
from answers_by_hand import StubInference
from hypothesis import given, settings
from hypothesis import strategies as st
from paho.mqtt.enums import CallbackAPIVersion

from monitor.presentation.homie import homie_id
from monitor.records.names import is_name

ROOT = "homie/5/siccast-attic"
ID = re.compile(r"[a-z0-9]([a-z0-9-]*[a-z0-9])?")


@dataclass
class Controller:
    """Hears all that is said by the convention, as a house system does; paho alone, nothing of ours."""

    held: dict[str, str] = field(default_factory=dict)
    """What is retained: an empty payload takes a topic back."""
    heard: list[tuple[str, str]] = field(default_factory=list)
    news: threading.Condition = field(default_factory=threading.Condition)

    def take(self, _client: object, _data: object, message: paho.MQTTMessage) -> None:
        text = message.payload.decode()
        with self.news:
            self.heard.append((message.topic, text))
            self.held[message.topic] = text
            if not text:
                del self.held[message.topic]
            self.news.notify_all()

    def await_that(self, holds: Callable[[], bool]) -> None:
        with self.news:
            assert self.news.wait_for(holds, 60), self.held

    def await_state(self, state: str) -> None:
        self.await_that(lambda: self.held.get(f"{ROOT}/$state") == state)

    @property
    def description(self) -> Any:
        return json.loads(self.held[f"{ROOT}/$description"])


@contextmanager
def controller_at(port: int) -> Iterator[Controller]:
    """Give a newcomer, once it was handed all that is retained: a message of its own comes behind that."""
    found, handed = Controller(), threading.Event()
    client = paho.Client(CallbackAPIVersion.VERSION2)
    client.on_message = found.take
    client.message_callback_add("behind", lambda *_: handed.set())
    client.on_connect = lambda *_: client.subscribe([("homie/#", 1), ("behind", 1)])
    client.on_subscribe = lambda *_: client.publish("behind", b"", 1)
    client.connect("127.0.0.1", port)
    client.loop_start()
    try:
        assert handed.wait(30)
        yield found
    finally:
        client.disconnect()
        client.loop_stop()


@pytest.fixture
def homie_site(site: Path, stub: StubInference, mosquitto: Any) -> Path:
    text = (site / "shelf.toml").read_text()
    broker = f'homie = true\n{text}\n[broker]\nhost = "127.0.0.1"\nport = {mosquitto.port}\n'
    (site / "shelf.toml").write_text(broker)
    return site


@pytest.mark.broker
def test_a_controller_finds_every_declared_box_with_all_its_properties(
    homie_site: Path, mosquitto: Any, siccast: Callable[..., Any]
) -> None:
    assert siccast("publish").exit_code == 0
    with controller_at(mosquitto.port) as newcomer:
        newcomer.await_state("sleeping")
        described = newcomer.description
        assert described["homie"] == "5.0"
        assert isinstance(described["version"], int)
        nodes = described["nodes"]
        assert set(nodes) == {f"box-{homie_id(name)}" for name in ("empty", "pa6-dry", "petg-new", "pla-white")}
        declared = {f"{ROOT}/{node}/{name}" for node, one in nodes.items() for name in one["properties"]}
        newcomer.await_that(lambda: declared <= newcomer.held.keys())
        assert newcomer.held.keys() == declared | {f"{ROOT}/$state", f"{ROOT}/$description"}
        assert all(ID.fullmatch(level) for topic in declared for level in topic.split("/"))
        for topic in declared:
            assert_is_of_its_type(newcomer.held[topic], nodes[topic.split("/")[3]]["properties"][topic.split("/")[4]])
        assert newcomer.held[f"{ROOT}/box-pa6--dry/state"] == "due"
        assert newcomer.held[f"{ROOT}/box-pa6--dry/limit"] == "15.0"
        assert nodes["box-pa6--dry"]["name"] == "pa6-dry"
        assert f"{ROOT}/box-empty/humidity" not in newcomer.held, "what nobody knows is not declared"
        assert nodes["box-pa6--dry"]["properties"]["temperature"]["unit"] == "°C"


def assert_is_of_its_type(value: str, declared: dict[str, Any]) -> None:
    assert (declared["settable"], declared["retained"]) == (False, True)
    if declared["datatype"] == "enum":
        assert value in declared["format"].split(",")
        return
    assert declared["datatype"] == "float"
    low, _, high = declared.get("format", ":").partition(":")
    assert float(low or "-inf") <= float(value) <= float(high or "inf")


@pytest.mark.broker
def test_a_box_that_is_no_more_is_taken_back_and_nothing_else(
    homie_site: Path, mosquitto: Any, siccast: Callable[..., Any]
) -> None:
    siccast("publish")
    text = (homie_site / "shelf.toml").read_text()
    with controller_at(mosquitto.port) as heard:
        heard.await_state("sleeping")
        before, version = dict(heard.held), heard.description["version"]
        heard.heard.clear()
        siccast("publish")
        heard.await_that(lambda: (f"{ROOT}/$state", "sleeping") in heard.heard)
        assert heard.description["version"] == version, "the same description is the same version"
        (homie_site / "shelf.toml").write_text(text.replace("[boxes.pla-white]\nvolume_l = 12\n", ""))
        heard.heard.clear()
        siccast("publish")
        heard.await_that(lambda: (f"{ROOT}/$state", "sleeping") in heard.heard)
        gone = before.keys() - heard.held.keys()
        assert gone == {topic for topic in before if "/box-pla--white/" in topic} != set()
        assert heard.description["version"] != version
        states = [text for topic, text in heard.heard if topic.endswith("$state")]
        assert states == ["init", "sleeping"], "while it changes it is not ready"
        told = siccast("publish", "--forget-homie").stdout
        heard.await_that(lambda: not heard.held)
        assert "deleted" in told


@pytest.mark.broker
def test_a_listener_that_is_killed_is_lost_and_one_that_is_stopped_is_gone(
    homie_site: Path, mosquitto: Any, siccast: Callable[..., Any]
) -> None:
    siccast("publish")
    command = [sys.executable, "-m", "monitor.cli.start", "--shelf", str(homie_site), "listen", "--outlooks-every", "0"]
    with controller_at(mosquitto.port) as heard:
        for end, state in ((subprocess.Popen.kill, "lost"), (subprocess.Popen.terminate, "disconnected")):
            with subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL) as listener:
                try:
                    heard.await_state("ready")
                    siccast("publish")
                    heard.await_state("ready")
                finally:
                    end(listener)
            heard.await_state(state)
            assert len(heard.held) > 10, "its values stay for whoever asks what was last"


def test_names_of_any_script_become_ids_and_come_back(site: Path) -> None:
    assert homie_id("Kiste 3.ä") == "-4bziste-20z3-2ez-e4z"
    assert ID.fullmatch("box-" + homie_id("-".join("ABC")))


def name_behind(homie: str) -> str:
    """Return the only name that an id can stand for: code points between dash and z, a doubled dash for a dash."""
    return re.sub("--|-([0-9a-f]+)z", lambda code: chr(int(code[1], base=16)) if code[1] else "-", homie)


@settings(max_examples=60)
@given(st.text(alphabet="aA-. z2dßя", min_size=1, max_size=8))
def test_no_two_names_share_an_id(name: str) -> None:
    if is_name(name):
        assert name_behind(homie_id(name)) == name
        assert ID.fullmatch("box-" + homie_id(name))
