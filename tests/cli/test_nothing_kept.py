"""A command of the recharge desk that fails keeps nothing, whatever came before it."""

from __future__ import annotations

import json
import sqlite3
import subprocess
import sys
import tempfile
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from typer.testing import CliRunner

from monitor.cli.app import app

SHELF = """
[boxes.pla]
limit_rh_pct = 20
[boxes.nylon]
limit_rh_pct = 15
[appliances.microwave]
kind = "microwave"
power_w = 500
[appliances.warm-box]
kind = "filament_dryer"
temperature_c = 65
"""
BEGUN = (
    "lot buy march orange_gel 1kg",
    "charge weigh-out bowl march 262 --state room --holder glass --tare 355",
    "recharge start bowl microwave --weight 617",
    "recharge weigh 596 --after 4",
)
COMMANDS = (
    "lot buy march clay 1kg",
    "lot undo 3",
    "lot undo 99",
    "charge weigh-out bowl march 50",
    "charge weigh-out dish march 200 --state room --tare 52",
    "charge split bowl half 90",
    "charge split bowl half 900",
    "charge merge half bowl",
    "charge top-up bowl 12",
    "charge put bowl pla",
    "charge put bowl attic",
    "charge put half pla --beside",
    "charge take-out bowl",
    "charge retire half",
    "recharge start bowl microwave --weight 571",
    "recharge start bowl microwave --weight 400",
    "recharge start dish warm-box",
    "recharge start bowl kiln",
    "recharge weigh 582 --after 4",
    "recharge weigh 571 --after 12",
    "recharge weigh 596 --after 4",
    "recharge weigh 617",
    "recharge weigh 660 --after 4",
    "recharge weigh 660 --after 4 --sure",
    "recharge weigh 300 --after 4 --sure",
    "recharge weigh 582 --total 2",
    "recharge weigh 571 --after 864",
    "recharge weigh 554 --after 4 --scale milk",
    "recharge rescale milk",
    "recharge rescale ounces",
    "recharge rescale ounces --sure",
    "recharge spilled --grams 21",
    "recharge spilled --grams 900",
    "recharge spilled --weight 560",
    "recharge spilled --at-heat 0",
    "recharge finish",
    "recharge color orange",
    "recharge jar-check 3 22",
)


def run(folder: Path, line: str) -> int:
    return CliRunner().invoke(app, ["--shelf", str(folder), *line.split()]).exit_code


def content(folder: Path) -> str:
    with sqlite3.connect(folder / "siccast.sqlite3") as connection:
        return "\n".join(connection.iterdump())


def begin(folder: Path) -> None:
    (folder / "shelf.toml").write_text(SHELF, encoding="utf-8")
    for line in BEGUN:
        assert run(folder, line) == 0


@pytest.fixture(scope="module")
def begun(tmp_path_factory: pytest.TempPathFactory) -> str:
    folder = tmp_path_factory.mktemp("begun")
    begin(folder)
    return content(folder)


@settings(max_examples=8, deadline=None, suppress_health_check=list(HealthCheck), database=None)
@given(lines=st.lists(st.sampled_from(COMMANDS), min_size=3, max_size=9))
def test_a_command_that_fails_leaves_the_store_as_it_was(begun: str, lines: list[str]) -> None:
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        (folder / "shelf.toml").write_text(SHELF, encoding="utf-8")
        with sqlite3.connect(folder / "siccast.sqlite3") as connection:
            connection.executescript(begun)
        for line in lines:
            before = content(folder)
            if run(folder, line) != 0:
                assert content(folder) == before, line


def test_rescaling_before_a_weighing_is_refused_and_spoils_nothing(tmp_path: Path) -> None:
    (tmp_path / "shelf.toml").write_text(SHELF, encoding="utf-8")
    for line in (*BEGUN[:2], "recharge start bowl microwave"):
        assert run(tmp_path, line) == 0
    before = content(tmp_path)
    result = CliRunner().invoke(app, ["--shelf", str(tmp_path), "recharge", "rescale", "milk"])
    assert "Use --scale milk when you weigh" in str(result.exception)
    assert content(tmp_path) == before
    for line in ("recharge weigh 617", "recharge weigh 596 --after 4", "recharge finish"):
        assert run(tmp_path, line) == 0


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="no /dev/full here")
def test_what_cannot_be_told_is_not_kept(tmp_path: Path) -> None:
    begin(tmp_path)
    before = content(tmp_path)
    with Path("/dev/full").open("w", encoding="utf-8") as full:
        words = ["--shelf", str(tmp_path), "recharge", "weigh", "582", "--after", "4"]
        done = subprocess.run(
            [sys.executable, "-m", "monitor.cli.app", *words], stdout=full, stderr=subprocess.DEVNULL, check=False
        )
    assert done.returncode != 0
    assert content(tmp_path) == before


def test_two_weighings_typed_at_once_come_one_after_the_other(tmp_path: Path) -> None:
    (tmp_path / "shelf.toml").write_text(SHELF, encoding="utf-8")
    for line in BEGUN:
        done = CliRunner().invoke(app, ["--shelf", str(tmp_path), *line.split()])
        assert done.exit_code == 0, done.output
    command = [sys.executable, "-m", "monitor.cli.app", "--shelf", str(tmp_path)]
    command += ["recharge", "weigh", "590", "--after", "4", "--sure"]
    both = [subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE) for _ in range(2)]
    for process in both:
        _, said = process.communicate()
        assert process.returncode == 0, said
    shown = CliRunner().invoke(app, ["--shelf", str(tmp_path), "recharge", "status", "--json"])
    heated_min = [weighing["heated_min"] for weighing in json.loads(shown.stdout)["weighings"]]
    assert heated_min == [0.0, 4.0, 8.0, 12.0]
