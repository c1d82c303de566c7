"""What the notes for nodes promise: every example is read or refused as it says, by the decoder and by the schema."""

from __future__ import annotations

import json
import re
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import jsonschema
import pytest

from monitor.feed.decode import Decoder
from monitor.feed.formats.values import MAX_PAYLOAD_BYTES
from monitor.records import OWN_FEED, RawMessage
from monitor.settings import load_shelf

NOTES = Path(__file__).resolve().parents[2] / "firmware_notes"
ARRIVED = datetime(2026, 3, 1, 12, tzinfo=UTC)


def examples(name: str) -> list[dict[str, Any]]:
    return [json.loads(line) for line in (NOTES / "examples" / name).read_text().splitlines()]


def decode(payload: object) -> Any:
    message = RawMessage("mqtt", "siccast/1/home/box1/reading", json.dumps(payload).encode(), ARRIVED)
    return Decoder([OWN_FEED], "home").decode([message])


@pytest.fixture(scope="module")
def schema() -> jsonschema.Draft202012Validator:
    content = json.loads((NOTES / "message.schema.json").read_text())
    jsonschema.Draft202012Validator.check_schema(content)
    return jsonschema.Draft202012Validator(content)


@pytest.mark.parametrize("example", examples("read.jsonl"), ids=lambda example: str(example["why"]))
def test_read(example: dict[str, Any], schema: jsonschema.Draft202012Validator) -> None:
    decoded = decode(example["payload"])
    assert decoded.rejections == []
    assert len(decoded.readings) == example["readings"]
    assert schema.is_valid(example["payload"])


@pytest.mark.parametrize("example", examples("refused.jsonl"), ids=lambda example: str(example["why"]))
def test_refused(example: dict[str, Any], schema: jsonschema.Draft202012Validator) -> None:
    decoded = decode(example["payload"])
    assert decoded.readings == []
    assert example["reason"] in decoded.rejections[0].reason
    assert not schema.is_valid(example["payload"])


def test_the_shelf_file_in_the_notes_is_read(tmp_path: Path) -> None:
    (block,) = re.findall(r"```toml\n(.*?)```", (NOTES / "messages.md").read_text(), re.S)
    (tmp_path / "shelf.toml").write_text(block)
    shelf = load_shelf(tmp_path)
    assert [feed.is_own_contract for feed in shelf.feeds] == [False, False, True]
    assert shelf.moves[0].box == "petg-stock"
    decoder = Decoder(shelf.feeds, shelf.site, shelf.moves)
    assert decoder.subscriptions == [
        "sensors/+/state", "cellar/+/temperature", "cellar/+/humidity", "siccast/1/home/+/reading"
    ]  # fmt: skip


def test_the_broker_takes_far_more_than_we_read() -> None:
    """What it refuses, siccast never hears of: see test_a_node_that_sends_too_much_is_answered_once_and_listed."""
    (limit,) = re.findall(r"^message_size_limit (\d+)$", (NOTES / "mosquitto.conf").read_text(), re.M)
    assert int(limit) == 64 * MAX_PAYLOAD_BYTES


def test_the_battery_table_adds_up() -> None:
    """days = 2000 mAh / (24 h · mean current), with the currents that the page names."""
    rows = re.findall(r"^\| (\d+) \(.*?\| ([\d.]+) mA \| (\d+) days", (NOTES / "battery.md").read_text(), re.M)
    assert len(rows) == 3
    for readings, current, days in rows:
        mean_ma = 0.015 + (5.0 * 0.020 + 100.0 * 3.0 / int(readings)) / 600.0
        assert float(current) == pytest.approx(mean_ma, abs=0.0006)
        assert int(days) == pytest.approx(2000.0 / (24.0 * mean_ma), rel=0.02)
