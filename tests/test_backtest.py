"""A replay of the past sees nothing that was stamped after its question."""

from __future__ import annotations

import contextlib
import csv
import gzip
import json
import os
import signal
import subprocess
import sys
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from simulated_boxes import CLOSED_AT, Truth, simulated_box
from typer.testing import CliRunner

from monitor.backtest import Prediction, backtest, read_set
from monitor.cli.app import app
from monitor.errors import ImportFileError
from monitor.inference.answers.forecast import HORIZON_DAYS
from monitor.records import Reading
from monitor.services.assess import assess
from monitor.store.opening import open_stores

SEEN_DAYS, CUT_DAYS = 40, 20
BOXES = {"tight": Truth(conductance=0.08), "leaky": Truth(conductance=0.3)}


def stamp(at: datetime) -> str:
    return at.strftime("%Y-%m-%dT%H:%M:%SZ")


def readings(until_days: float, ahead_humidity: float | None = None) -> Iterator[tuple[str, ...]]:
    """Rows of both boxes and their room; what comes after the cut may be put to another humidity."""
    for seed, (name, truth) in enumerate(BOXES.items()):
        record, _, _ = simulated_box(truth, seen_days=SEEN_DAYS, seed=seed)
        assert record.room is not None
        for box, hours in ((name, record.hours), ("room", record.room)):
            if box == "room" and seed:
                continue
            for i in range(int(24 * until_days)):
                at = CLOSED_AT + timedelta(hours=i + 0.5)
                humidity = hours.relative_humidity[i]
                if ahead_humidity is not None and i >= 24 * CUT_DAYS:
                    humidity = ahead_humidity
                yield stamp(at), box, f"{hours.temperature_degc[i]:.2f}", f"{100 * humidity:.1f}"


def a_set(folder: Path, rows: Iterator[tuple[str, ...]], events: list[tuple[str, ...]] | None = None) -> Path:
    folder.mkdir()
    declared = [
        {
            "id": name, "volume_l": truth.volume_liter, "limit_rh": 20, "style": "gasket",
            "loaded_utc": stamp(CLOSED_AT),
            "sensor": {"stated_accuracy_rh": 2, "resolution_rh": 0.1},
            "desiccant": {"kind": truth.kind, "nominal_dry_g": truth.dry_mass_g, "recharge_method": "oven_120C_3h"},
            "filament": [],
        }
        for name, truth in BOXES.items()
    ]  # fmt: skip
    (folder / "boxes.json").write_text(json.dumps({"set": "made", "boxes": declared}))
    with gzip.open(folder / "readings.csv.gz", "wt", newline="") as out:
        csv.writer(out).writerows([("utc_time", "box", "temperature_c", "rh_pct"), *rows])
    with (folder / "events.csv").open("w", newline="") as out:
        csv.writer(out).writerows([("utc_time", "box", "event", "value", "note"), *(events or [])])
    cut = stamp(CLOSED_AT + timedelta(days=CUT_DAYS))
    with (folder / "tasks.csv").open("w", newline="") as out:
        asked = [("made", name, cut, "20", str(HORIZON_DAYS)) for name in BOXES]
        csv.writer(out).writerows([("set", "box", "cut_utc", "limit_rh", "horizon_days"), *asked])
    return folder


def rows_of(predictions: list[Prediction]) -> list[dict[str, str]]:
    return [prediction.row() for prediction in predictions]


def test_what_comes_after_the_cut_changes_nothing(tmp_path: Path) -> None:
    past = a_set(tmp_path / "past", readings(CUT_DAYS))
    later = stamp(CLOSED_AT + timedelta(days=CUT_DAYS + 3))
    events = [(later, "tight", "open", "", ""), (later, "leaky", "recharge", "", "oven_120C_3h")]
    whole = a_set(tmp_path / "whole", readings(SEEN_DAYS, ahead_humidity=0.6), events)
    assert rows_of(backtest(whole, workers=1)) == rows_of(backtest(past, workers=1))


def test_the_command_writes_a_row_a_question_that_holds_the_truth(tmp_path: Path) -> None:
    folder, out = a_set(tmp_path / "made", readings(CUT_DAYS)), tmp_path / "predictions.csv"
    done = CliRunner().invoke(app, ["backtest", str(folder), "--out", str(out)])
    assert done.exit_code == 0, done.output
    with out.open(newline="") as lines:
        rows = {row["box"]: row for row in csv.DictReader(lines)}
    for name, truth in BOXES.items():
        low, high = (float(rows[name][f"leak_g_per_day_per_kpa_{p}"]) for p in ("p05", "p95"))
        assert low < truth.conductance < high
    middle = datetime.fromisoformat(rows["leaky"]["cross_utc_p50"]).astimezone(UTC)
    assert middle > CLOSED_AT + timedelta(days=CUT_DAYS)


def test_a_folder_that_is_no_set_is_named(tmp_path: Path) -> None:
    with pytest.raises(ImportFileError, match=str(tmp_path)):
        backtest(tmp_path)


def test_a_cut_is_what_the_nightly_run_says_of_the_same_readings(tmp_path: Path) -> None:
    """Both boxes, to the last digit: readings and ledger in a store, asked as `siccast forecast --as-of` asks them."""
    folder = a_set(tmp_path / "made", readings(SEEN_DAYS))
    recorded, cut = read_set(folder), CLOSED_AT + timedelta(days=CUT_DAYS)
    with open_stores(tmp_path / "site.sqlite3", synchronous="OFF") as stores:
        with gzip.open(folder / "readings.csv.gz", "rt", newline="") as lines:
            stores.readings.add([reading_of(row) for row in csv.DictReader(lines)])
        for history in recorded.histories:
            for entry in history.entries:
                stores.ledger.log(entry, cut)
        boxes = [history.box for history in recorded.histories]
        nightly = assess(stores.readings, stores.ledger, boxes, cut)
    replayed = {prediction.task.box: prediction.outlook for prediction in backtest(folder, workers=1)}
    for assessment in nightly:
        outlook = replayed[assessment.box.name]
        assert outlook.leak is not None
        assert outlook.leak == assessment.leak
        assert outlook.forecast == assessment.forecast
        assert outlook.sharpen == assessment.sharpen


def reading_of(row: dict[str, str]) -> Reading:
    at = datetime.fromisoformat(row["utc_time"])
    return Reading(row["box"], at, float(row["temperature_c"]), float(row["rh_pct"]) / 100.0)


def test_a_box_of_which_too_little_was_seen_is_answered_too(tmp_path: Path) -> None:
    """A day after it was closed: the nightly run refuses, a question of a recorded set has a vague answer."""
    folder = a_set(tmp_path / "made", readings(1.0))
    with (folder / "tasks.csv").open("a", newline="") as out:
        csv.writer(out).writerow(("made", "tight", stamp(CLOSED_AT + timedelta(days=1)), "20", "400"))
    young = backtest(folder, workers=1)[-1]
    assert young.answered
    assert young.outlook.leak is not None
    leak = young.outlook.leak.conductance_g_per_day_per_kpa
    assert leak.p95 > 5.0 * leak.p05


def test_processes_end_with_a_replay_that_is_killed(tmp_path: Path) -> None:
    """Nobody holds their standard output any more: it ends."""
    folder = a_set(tmp_path / "set", readings(SEEN_DAYS))
    lines = (
        "import os, pathlib, signal, sys",
        "from monitor.backtest import backtest",
        "backtest(pathlib.Path(sys.argv[1]), progress=lambda _: os.kill(os.getpid(), signal.SIGKILL))",
    )
    command = [sys.executable, "-c", "\n".join(lines), str(folder)]
    started = subprocess.Popen(command, stdout=subprocess.PIPE, start_new_session=True)
    try:
        started.communicate(timeout=60.0)
        assert started.returncode == -signal.SIGKILL
    finally:
        with contextlib.suppress(ProcessLookupError):
            os.killpg(started.pid, signal.SIGKILL)
