"""Side questions on the command line: a what-if with its two rows, the empty-box test and its guide."""

from __future__ import annotations

import json
from datetime import datetime, timedelta
from pathlib import Path

import numpy as np
import pytest
from typer.testing import CliRunner

from monitor.faces.cli.app import app
from monitor.physics.saturation import saturation_vapor_pressure_pa
from monitor.records import EntryKind, LedgerEntry, Reading
from monitor.store.opening import open_stores

CLOSED = datetime.fromisoformat("2026-03-01T00:00:00+00:00")
SHELF = """
site = "attic"
timezone = "UTC"
[boxes.tall]
volume_l = 10
limit_rh_pct = 20
style = "gasket"
"""


@pytest.fixture
def shelf(tmp_path: Path) -> Path:
    """A box with beads for thirty days, its humidity climbing; then emptied and closed dry."""
    (tmp_path / "shelf.toml").write_text(SHELF)
    hours = [CLOSED + timedelta(hours=h) for h in range(24 * 33)]
    saturation = float(saturation_vapor_pressure_pa(21.0)) / 1e3
    t = np.arange(72) / 24.0
    empty = (1.2 + (0.4 - 1.2) * np.exp(-1.0 * t)) / saturation
    climb = 0.05 + 0.08 * np.arange(24 * 30) / (24 * 30)
    inside = np.r_[climb, empty] + 0.001 * np.random.default_rng(2).standard_normal(24 * 33)
    outside = 1.2 / saturation
    with open_stores(tmp_path / "siccast.sqlite3", synchronous="OFF") as stores:
        stores.readings.add(
            [
                Reading("tall", at, 21.0 + 0.1 * (i % 5), float(rh))
                for i, (at, rh) in enumerate(zip(hours, inside, strict=True))
            ]
        )
        stores.readings.add([Reading("room", at, 21.0, outside) for at in hours])
        stores.ledger.log(
            LedgerEntry(
                EntryKind.charge, "tall", CLOSED, desiccant="silica_regular", dry_mass_g=100.0, method="oven_120C_3h"
            )
        )
    return tmp_path


def ask(shelf: Path, *words: str) -> str:
    answer = CliRunner().invoke(app, ["--shelf", str(shelf), *words])
    assert answer.exit_code == 0, answer.output + str(answer.exception)
    return answer.stdout


def test_half_the_leak_gives_more_days(shelf: Path) -> None:
    said = json.loads(ask(shelf, "what-if", "tall", "--leak", "0.5", "--as-of", "2026-03-30T00:00:00Z", "--json"))
    assert said["as_it_is"]["cross_at"]["p50"] < (said["as_it_would_be"]["cross_at"]["p50"] or "9999")


def test_the_guide_ends_with_the_command_to_run(shelf: Path) -> None:
    assert "siccast leak-test tall --from" in ask(shelf, "leak-test", "tall")


def test_one_air_change_a_day_is_found(shelf: Path) -> None:
    words = ("leak-test", "tall", "--from", "2026-03-31T00:00:00Z", "--to", "2026-04-03T00:00:00Z", "--json")
    found = json.loads(ask(shelf, *words))["air_changes_per_day"]
    assert found["p05"] < 1.0 < found["p95"]
