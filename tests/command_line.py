"""Fixtures: a shelf folder with a real database, a stub of inference, and the command line that asks about them."""

from __future__ import annotations

from collections.abc import Callable
from datetime import timedelta
from pathlib import Path

import pytest
from answers_by_hand import AS_OF, StubInference, forecast_of, week_of_readings
from typer.testing import CliRunner, Result

from monitor.cli.app import app
from monitor.errors import SiccastError
from monitor.presentation.clock import utc_now
from monitor.records import BoxHistory, EntryKind, LedgerEntry, Outlook
from monitor.store.opening import open_stores

SHELF = """
site = "attic"
timezone = "Europe/Vienna"
recorded_until = 2026-03-04T12:00:00Z

[boxes.pa6-dry]
volume_l = 10
limit_rh_pct = 15
style = "gasket"

[boxes.pla-white]
volume_l = 12

[boxes.petg-new]
volume_l = 12

[boxes.empty]
volume_l = 5

[appliances.oven]
kind = "oven"
batch_boxes = 2

[appliances.warm-box]
kind = "filament_dryer"
batch_boxes = 1

[plan]
weekdays = ["saturday"]
"""
"""The story: pa6-dry is due, pla-white lasts, petg-new is too young, empty never reported, stray is undeclared."""

Run = Callable[..., object]


@pytest.fixture
def site(tmp_path: Path) -> Path:
    """Give a shelf folder with a week of readings of four boxes and the room."""
    (tmp_path / "shelf.toml").write_text(SHELF, encoding="utf-8")
    with open_stores(tmp_path / "siccast.sqlite3", synchronous="OFF") as stores:
        for box in ("room", "pa6-dry", "pla-white", "petg-new", "stray"):
            stores.readings.add(week_of_readings(box))
        stores.ledger.log(
            LedgerEntry(EntryKind.charge, "pa6-dry", AS_OF - timedelta(days=7), dry_mass_g=100.0), utc_now()
        )
    return tmp_path


@pytest.fixture
def stub(monkeypatch: pytest.MonkeyPatch) -> StubInference:
    """Stand in for inference with the answers of the boxes' story."""
    stub = StubInference()
    usual = stub.answer

    def answer(history: BoxHistory, limit: float) -> Outlook:
        if history.box.name == "petg-new":
            return Outlook(evidence=("A day of readings.",), refusal="one day can't carry a forecast")
        if history.box.name == "empty":
            return Outlook(refusal="no beads are logged")
        if history.box.name == "pa6-dry":
            outlook = usual(history, limit)
            return Outlook(outlook.leak, forecast_of(12.0, 6.0, limit), outlook.evidence, outlook.sharpen)
        return Outlook(usual(history, limit).leak, forecast_of(300.0, 60.0, limit), ("A week of readings.",))

    stub.answer = answer
    stub.stand_in(monkeypatch)
    return stub


@pytest.fixture
def siccast(site: Path, stub: StubInference) -> Run:
    """Give the command line on that shelf."""

    def run(*words: str) -> object:
        return CliRunner().invoke(app, ["--shelf", str(site), *words])

    return run


@pytest.fixture
def run(shelf: Path) -> Callable[..., Result]:
    """Ask the command line about the `shelf` of a test module; an exit code other than 0 has to be named."""

    def call(*words: str, exit_code: int = 0) -> Result:
        result = CliRunner().invoke(app, ["--shelf", str(shelf), *words])
        if isinstance(result.exception, SiccastError):
            result.exit_code = result.exception.exit_code
        assert result.exit_code == exit_code, (result.output, result.exception)
        return result

    return call
