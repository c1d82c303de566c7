"""The demo: from the recorded feed through a real connection to the table, and a second time adding nothing."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

from monitor.feed.replay import read_recording
from monitor.presentation.shipped import shipped
from monitor.settings import load_shelf
from monitor.store.opening import open_stores


def demo(*words: str) -> subprocess.CompletedProcess[str]:
    return siccast("demo", "--fast", *words)


def siccast(*words: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-c", "from monitor.cli.app import main; main()", *words],
        check=False,
        capture_output=True,
        text=True,
        timeout=200,
        env={**os.environ, "COLUMNS": "160"},
    )


@pytest.fixture(scope="module")
def kept(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, str]:
    folder = tmp_path_factory.mktemp("demo") / "site"
    done = demo("--keep", str(folder))
    assert done.returncode == 0, done.stderr
    return folder, done.stdout


def test_the_demo_ends_with_every_box_in_a_table(kept: tuple[Path, str]) -> None:
    folder, shown = kept
    names = [box.name for box in load_shelf(folder, {}).boxes]
    assert len(names) == 12
    lines = shown.splitlines()
    for name in names:
        assert any(line.startswith(name) for line in lines), name
    assert "As of 30 Sep 2026, 20:00 (Europe/Vienna)" in shown


def test_every_reading_of_the_recording_is_stored_once(kept: tuple[Path, str]) -> None:
    folder, shown = kept
    sent = {
        (message.topic, reading["t"])
        for message in read_recording(shipped("demo_feeds") / "feed.jsonl.gz")
        for reading in json.loads(message.payload)
    }
    with open_stores(folder / "siccast.sqlite3", read_only=True) as stores:
        assert stores.readings.count() == len(sent)
        assert stores.ledger.rejected_count() == 0
    assert f"{len(sent):,} new readings, 0 rejected" in shown


def test_a_second_replay_adds_nothing(kept: tuple[Path, str]) -> None:
    folder, _ = kept
    database = folder / "siccast.sqlite3"
    with open_stores(database, read_only=True) as stores:
        before = stores.readings.count(), len(stores.ledger.entries())
    done = demo("--keep", str(folder))
    assert done.returncode == 0, done.stderr
    assert " 0 new readings" in done.stdout
    with open_stores(database, read_only=True) as stores:
        assert (stores.readings.count(), len(stores.ledger.entries())) == before


@pytest.mark.parametrize("file", ["shelf.toml", "siccast.sqlite3"])
def test_a_folder_of_another_site_is_left_alone(tmp_path: Path, file: str) -> None:
    (tmp_path / file).write_text('site = "mine"\n')
    done = demo("--keep", str(tmp_path))
    assert done.returncode == 1
    assert "belongs to another site" in done.stderr
    assert [path.name for path in tmp_path.iterdir()] == [file]
    assert (tmp_path / file).read_text() == 'site = "mine"\n'


def test_the_answers_fit_the_truth_that_made_the_recording(kept: tuple[Path, str]) -> None:
    """The truth comes from a balance of the demo's own, with effects that siccast's does not hold."""
    folder, _ = kept
    truth = json.loads((shipped("demo_feeds") / "truth.json").read_text(encoding="utf-8"))
    answers = {
        box["box"]: box for box in json.loads(siccast("--shelf", str(folder), "forecast", "--json").stdout)["boxes"]
    }
    for name, true in truth.items():
        if name == "petg-new":
            assert answers[name]["state"] == "not enough evidence"
            continue
        true_rh, limit = true["last_day_rh_pct"], answers[name]["limit_rh_pct"]
        if true_rh > limit + 2:
            assert answers[name]["state"] == "over limit", name
        if true_rh < limit - 2:
            assert answers[name]["state"] != "over limit", name
        if name != "pva-support":  # over molecular sieve humidity says next to nothing of the fill
            ratio = answers[name]["leak_g_per_day_per_kpa"]["p50"] / true["leak_g_per_day_per_kpa"]
            assert 0.5 < ratio < 2.0, (name, ratio)
    medians = {
        name: box["leak_g_per_day_per_kpa"]["p50"] for name, box in answers.items() if box["leak_g_per_day_per_kpa"]
    }
    assert max(medians, key=medians.__getitem__) == "pc-clear"
