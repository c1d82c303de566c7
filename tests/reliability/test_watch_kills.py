"""Whoever looks and sends is killed at every step: every alert arrives, and a repeat bears the id of the first."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections import Counter
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from alert_servers import Hook

if TYPE_CHECKING:
    pass

PROGRAM = """
import os, signal, sqlite3, sys
from dataclasses import replace
from datetime import UTC, datetime, time, timedelta
from pathlib import Path
from answers_by_hand import assessment_of, forecast_of
from monitor.alerts.webhook import WebhookRoute
from monitor.records import BoxState
from monitor.records.alerts import Digest, AlertKind, Route, WebhookAddress, Alert
from monitor.services.watch import Outbox, look
from monitor.store.opening import open_stores

folder, url = Path(sys.argv[1]), sys.argv[2]
NOW = datetime(2026, 3, 4, 12, 0, tzinfo=UTC)
target = WebhookAddress(url)
routes = [Route("each", "webhook", target, again_after=timedelta(hours=24), says_end=True),
          Route("all", "webhook", target, digest=Digest(time(18)))]
alerts = [Alert("left", AlertKind.over_limit, "left: dry beads now."),
          Alert("right", AlertKind.silent, "right: silent.")]
left_over, counts = 0, False

def step(*_):
    global left_over
    left_over -= counts
    if counts and left_over == 0:
        os.kill(os.getpid(), signal.SIGKILL)

class Watched(sqlite3.Connection):
    def __init__(self, *told, **how):
        super().__init__(*told, **how)
        self.set_trace_callback(step)

connect = sqlite3.connect
sqlite3.connect = lambda *told, **how: connect(*told, factory=Watched, **how)

class Sending:
    def __init__(self, route):
        self.real = WebhookRoute(route.target, "attic")
    def send(self, message):
        step()  # between the commit and the sending
        self.real.send(message)
        step()  # between the sending and its mark

def calm(box, at):
    one = assessment_of(box, forecast_of(300.0), BoxState.within_limit)
    return replace(one, as_of=at, due_at=None, latest=one.latest._replace(at=at))

LOOKS = ((NOW, alerts), (NOW + timedelta(hours=25), alerts[1:]), (NOW + timedelta(days=5), alerts[1:]))

def life(at, there):
    global counts
    with open_stores(folder / "siccast.sqlite3", synchronous="OFF") as stores:
        counts = True  # opening has its own tests
        outbox = Outbox(stores.alerts, routes, Sending, site="attic", zone=UTC, steady_s=lambda: 0.0)
        look(stores.alerts, routes, there, [calm("left", at), calm("right", at)], as_of=at, zone=UTC, now=at)
        outbox.send(at)

kills = 0
for at, there in LOOKS:
    for last_step in range(1, 1000):
        child = os.fork()
        if child == 0:
            left_over = last_step
            life(at, there)
            os._exit(0)
        if os.waitpid(child, 0)[1] == 0:
            break
        kills += 1
print(kills)
"""


@pytest.mark.skipif(os.name != "posix", reason="needs fork and SIGKILL")
def test_killed_at_every_step_nothing_is_forgotten_and_repeats_can_be_told(tmp_path: Path, hook: Hook) -> None:
    """In three looks of five days, each life dies one step later than the one before, until one lives through it."""
    path = os.pathsep.join((str(Path(__file__).resolve().parent.parent), *filter(None, sys.path)))
    done = subprocess.run(
        [sys.executable, "-c", PROGRAM, str(tmp_path), hook.url],
        capture_output=True, text=True, check=False, env={**os.environ, "PYTHONPATH": path},
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    kills = int(done.stdout)
    assert kills > 50, "it was killed within looking, releasing, sending and marking"
    by_id = {post.content["id"]: post.content for post in hook.posts}
    told = Counter((c["route"], w["kind"], w["box"]) for c in by_id.values() for w in c["words"])
    assert told.keys() >= {
        ("each", "word", "left"), ("each", "word", "right"), ("all", "word", "left"), ("all", "word", "right"),
        ("each", "over", "left"),
    }  # fmt: skip
    assert told.pop(("each", "again", "right")) == 2, "after a day, and four days later"
    assert set(told.values()) == {1}, "each alert has one id on each route, however often it was sent"
    repeats = [post for place, post in enumerate(hook.posts) if post.content["id"] in _ids(hook.posts[:place])]
    assert repeats, "a kill between sending and marking costs a repeat"
    assert all(json.dumps(by_id[post.content["id"]]) == json.dumps(post.content) for post in repeats)


def _ids(posts: list) -> set[str]:  # type: ignore[type-arg]
    return {post.content["id"] for post in posts}
