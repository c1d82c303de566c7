"""Alerts as JSON, posted to a real HTTP server: signed, answered in each way, late, and away."""

from __future__ import annotations

import hmac
import json
import re
from dataclasses import replace
from pathlib import Path

import jsonschema
import pytest
from alert_servers import MESSAGE, Hook

from monitor.alerts.webhook import WebhookRoute
from monitor.errors import MessageRefusedError, RouteError
from monitor.records.alerts import WebhookAddress
from tests.conftest import free_port

NOTES = Path(__file__).resolve().parent.parent.parent / "firmware_notes"


def test_a_message_arrives_as_the_notes_promise(hook: Hook) -> None:
    WebhookRoute(WebhookAddress(hook.url), "attic").send(MESSAGE)
    (post,) = hook.posts
    jsonschema.validate(post.content, json.loads((NOTES / "alert.schema.json").read_text(encoding="utf-8")))
    assert post.headers["content-type"] == "application/json"
    assert post.headers["idempotency-key"] == post.content["id"] == "5f3c"
    assert "x-siccast-signature" not in post.headers
    assert post.content["site"] == "attic"
    assert post.content["urgent"] is True
    assert post.content["words"][0]["matter"] == "over limit"


def test_the_examples_of_the_notes_keep_to_the_contract() -> None:
    schema = json.loads((NOTES / "alert.schema.json").read_text(encoding="utf-8"))
    blocks = re.findall(r"```json\n(.*?)```", (NOTES / "alerts.md").read_text(encoding="utf-8"), flags=re.DOTALL)
    retained, posted = map(json.loads, blocks)
    jsonschema.validate(posted, schema)
    jsonschema.validate(retained, {**schema, "$ref": "#/$defs/retained"})


def test_a_signed_message_can_be_checked_by_who_knows_the_secret(hook: Hook) -> None:
    WebhookRoute(WebhookAddress(hook.url, "hush"), "attic").send(MESSAGE)
    (post,) = hook.posts
    assert post.headers["x-siccast-signature"] == "sha256=" + hmac.digest(b"hush", post.body, "sha256").hex()


@pytest.mark.parametrize("status", [301, 401, 404, 429, 500, 503])
def test_any_other_answer_is_a_route_that_does_not_work(hook: Hook, status: int) -> None:
    """A redirect is one too: followed, the POST would become a GET."""
    hook.status = status
    with pytest.raises(RouteError, match=f"127.0.0.1:{hook.port} answered {status}") as raised:
        WebhookRoute(WebhookAddress(hook.url), "attic").send(MESSAGE)
    assert not isinstance(raised.value, MessageRefusedError)


@pytest.mark.parametrize("status", [400, 413, 422])
def test_an_answer_to_the_content_is_about_this_message_alone(hook: Hook, status: int) -> None:
    hook.status = status
    with pytest.raises(MessageRefusedError, match=f"answered {status}: it refused this message"):
        WebhookRoute(WebhookAddress(hook.url), "attic").send(MESSAGE)


def test_a_server_that_is_late_or_away_is_said_without_what_is_secret(hook: Hook) -> None:
    hook.hangs.clear()
    secret = replace(WebhookAddress(hook.url), url=hook.url.replace("/hook", "/t0ken"))
    with pytest.raises(RouteError, match=r"gave no answer within 0.1 s") as raised:
        WebhookRoute(secret, "attic", answered_within_s=0.1).send(MESSAGE)
    hook.hangs.set()
    away = WebhookAddress(f"http://127.0.0.1:{free_port()}/t0ken")
    with pytest.raises(RouteError, match=r"can't be reached .*Is it on, and is the address right") as gone:
        WebhookRoute(away, "attic").send(MESSAGE)
    assert "t0ken" not in f"{raised.value}{gone.value}{secret!r}"
