"""Two sensors that report as one box are noticed by `readings screen`, `check` and `forecast`, with what to do."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest
from typer.testing import CliRunner, Result

from monitor.cli.app import app
from monitor.presentation.clock import utc_now
from monitor.records import EntryKind, LedgerEntry, Reading
from monitor.store.opening import open_stores

UNTIL = datetime(2026, 3, 21, tzinfo=UTC)
DAYS = 20
SHELF = """
site = "attic"
recorded_until = 2026-03-21T00:00:00Z
[boxes.left]
volume_l = 10
[boxes.right]
volume_l = 10
"""


def told(box: str, level: float, seed: int, after_s: float = 0.0) -> list[Reading]:
    """A sound sensor, every ten minutes: it rises slowly, and its display shows tenths."""
    rng = np.random.default_rng(seed)
    day = np.arange(0.0, DAYS, 1 / 144.0)
    warm = 21.0 + np.sin(2.0 * np.pi * day) + rng.normal(0.0, 0.05, len(day))
    shown = np.round(level + 0.001 * day + 0.002 * np.sin(2.0 * np.pi * day) + rng.normal(0.0, 0.0005, len(day)), 3)
    first = UNTIL - timedelta(days=DAYS) + timedelta(seconds=after_s)
    return [
        Reading(box, first + timedelta(days=float(d)), float(t), float(h))
        for d, t, h in zip(day, warm, shown, strict=True)
    ]


@pytest.fixture
def site(tmp_path: Path) -> Path:
    (tmp_path / "shelf.toml").write_text(SHELF, encoding="utf-8")
    with open_stores(tmp_path / "siccast.sqlite3", synchronous="OFF") as stores:
        stores.readings.add([*told("left", 0.10, 1), *told("left", 0.18, 2, 137.0), *told("right", 0.10, 3)])
        for box in ("left", "right"):
            stores.ledger.log(
                LedgerEntry(
                    EntryKind.charge, box, UNTIL - timedelta(days=DAYS), dry_mass_g=90.0, desiccant="silica_gel"
                ),
                utc_now(),
            )
    return tmp_path


def run(site: Path, *words: str) -> Result:
    return CliRunner().invoke(app, ["--shelf", str(site), *words])


def test_it_is_said_with_what_to_do_and_of_that_box_alone(site: Path) -> None:
    screened = run(site, "readings", "screen").stdout
    assert screened.count("two sensors seem to send under this name: give each sensor its own name") == 1
    assert "left: two sensors" in screened
    checked = run(site, "check", "--json").stdout
    assert [f["subject"] for f in json.loads(checked)["findings"] if "two sensors" in f["found"]] == ["left"]
    forecast = run(site, "forecast").stdout
    assert " ".join(forecast.split()).count("Two sensors seem to send as this box") == 1


def test_readings_of_both_are_marked_as_two_sensors_and_not_thrown_out_as_spikes(site: Path) -> None:
    run(site, "readings", "screen")
    with open_stores(site / "siccast.sqlite3", read_only=True) as stores:
        marks = {mark for reading in stores.readings.each("left") for mark in [reading.marks]}
    assert marks == {1 << 10}
