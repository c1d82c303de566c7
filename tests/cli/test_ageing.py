"""Whether a lot is as good as new, asked at the command line."""

from __future__ import annotations

import json
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from simulated_lots import BEGIN, MadeRun, run_events
from typer.testing import CliRunner

from monitor.cli.app import app
from monitor.presentation.clock import utc_now
from monitor.records.desk_events import ChargePortioned, LotBought
from monitor.store.opening import open_stores

SHELF = 'timezone = "Europe/Vienna"\n[boxes.pla]\nlimit_rh_pct = 20\n'
FALLING_LOSSES_G = (54, 53, 51, 49, 46)


@pytest.fixture
def shelf(tmp_path: Path) -> Path:
    """A shelf whose lot lost less from run to run."""
    (tmp_path / "shelf.toml").write_text(SHELF, encoding="utf-8")
    with open_stores(tmp_path / "siccast.sqlite3", synchronous="OFF") as stores:
        stores.events.log(LotBought("autumn", "orange_gel", 1000.0), BEGIN, utc_now())
        stores.events.log(ChargePortioned("bowl", "autumn", 261.5, "glass", 0.0, "room"), BEGIN, utc_now())
        for number, loss_g in enumerate(FALLING_LOSSES_G, start=1):
            for event in run_events("bowl", number, MadeRun(207.5 + loss_g, weighed=number == 3)):
                stores.events.log(event, BEGIN + timedelta(days=30 * number), utc_now())
    return tmp_path


def said(shelf: Path, *words: str) -> str:
    result = CliRunner().invoke(app, ["--shelf", str(shelf), *words])
    assert result.exit_code == 0, result.output
    return " ".join(result.output.split())


def told(shelf: Path, *words: str) -> Any:
    return json.loads(said(shelf, *words, "--json"))


def test_losses_that_fall_are_said_with_what_to_do(shelf: Path) -> None:
    text = said(shelf, "lot", "ageing")
    assert "Lot 'autumn' takes up less from run to run: 13 %" in text
    assert "Buy new beads after about" in text
    assert "Compared by the air of the room that they lay in." in text
    assert [f"{loss_g} g" in text for loss_g in FALLING_LOSSES_G] == [True] * 5


def test_scripts_get_the_same(shelf: Path) -> None:
    [lot] = told(shelf, "lot", "ageing", "autumn")["lots"]
    assert (lot["state"], lot["rests_on"]) == ("falling", ["air"])
    assert lot["share_of_first"]["p05"] < 46 / 54 < lot["share_of_first"]["p95"]
    assert [one["lost_g"] for one in lot["uptakes"]] == pytest.approx(FALLING_LOSSES_G, abs=0.1)
    assert lot["said"].startswith("Lot 'autumn' takes up less")


def test_lists_and_charges_show_it_too(shelf: Path) -> None:
    assert "takes up less: 87 %" in said(shelf, "lot", "list")
    assert told(shelf, "lot", "list")["lots"][0]["state"] == "falling"
    assert "87 % of what it did at its first run" in said(shelf, "charge", "show", "bowl")
    assert told(shelf, "charge", "show", "bowl")["charge"]["share_of_first"]["p95"] < 1.0


def test_saturated_beads_are_logged_with_their_air(shelf: Path) -> None:
    needed = CliRunner().invoke(app, ["--shelf", str(shelf), "charge", "saturated", "bowl", "--weight", "253"])
    assert "Add --room with its temperature and humidity" in str(needed.exception)
    kept = said(shelf, "charge", "saturated", "bowl", "--weight", "253", "--room", "20/50")
    assert "took up all it can from air of 50 % RH at 20.0 °C, 253 g" in kept
    assert "saturated charge bowl in air of 50 % RH" in said(shelf, "lot", "log", "bowl")
    last = told(shelf, "lot", "ageing")["lots"][0]["uptakes"][-1]
    assert (last["dried_before"], last["run"], last["against"]) == (5, None, "air")


def test_a_lot_without_runs_says_what_is_needed(shelf: Path) -> None:
    said(shelf, "lot", "buy", "spring", "clay", "500")
    assert "nothing can be compared yet" in said(shelf, "lot", "ageing", "spring")
