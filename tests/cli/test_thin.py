"""`readings thin` and the way back, as a person types them."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from typer.testing import CliRunner

from monitor.cli.app import app
from monitor.records import Reading
from monitor.store.opening import open_stores

NOW = datetime.now(tz=UTC).replace(hour=0, minute=0, second=0, microsecond=0)
COUNT = 6 * 24 * 3


@pytest.fixture
def shelf(tmp_path: Path) -> Path:
    (tmp_path / "shelf.toml").write_text('site = "attic"\n[boxes.box1]\nvolume_l = 12\n')
    first = NOW - timedelta(days=60)
    with open_stores(tmp_path / "siccast.sqlite3") as stores:
        stores.readings.add(
            Reading("box1", first + timedelta(minutes=10 * k), 21.0 + k % 7 / 10, 0.17) for k in range(COUNT)
        )
    return tmp_path


def run(shelf: Path, *words: str, answer: str = "") -> str:
    result = CliRunner().invoke(app, ["--shelf", str(shelf), *words], input=answer)
    return " ".join(result.stdout.split())


def test_originals_of_thinned_readings_are_not_called_held_and_come_back_when_asked_for(shelf: Path) -> None:
    file = str(shelf / "all.csv")
    run(shelf, "readings", "export", file)
    thin = ("readings", "thin", "--older-than-days", "30", "--keep-every-minutes", "360")
    assert "deleted" not in run(shelf, *thin, answer="n\n"), "asked first"
    assert f"deleted {COUNT - 12} readings" in run(shelf, *thin, "--yes")
    said = run(shelf, "readings", "import", file)
    assert "0 new readings, 12 already stored, 0 differing, 0 rejected" in said
    assert f"{COUNT - 12} readings were deleted earlier by `siccast readings thin` and stay out" in said
    assert f"{COUNT - 12} readings that `siccast readings thin` deleted are back" in run(
        shelf, "readings", "import", file, "--bring-back"
    )
    again = run(shelf, "readings", "import", file)
    assert f"0 new readings, {COUNT} already stored, 0 differing, 0 rejected" in again
    assert "thinned" not in again


def test_what_an_import_brought_back_is_withdrawn_with_it(shelf: Path) -> None:
    file = str(shelf / "all.csv")
    run(shelf, "readings", "export", file)
    run(shelf, "readings", "thin", "--older-than-days", "30", "--keep-every-minutes", "360", "--yes")
    run(shelf, "readings", "import", file, "--bring-back")
    assert f"withdrew {COUNT - 12} readings" in run(shelf, "readings", "withdraw", "--import", "1")
    assert f"{COUNT - 12} readings were deleted earlier" in run(shelf, "readings", "import", file)
    assert f"put back {COUNT - 12} readings" in run(shelf, "readings", "restore", "2")
