"""A shelf in ounces and degrees Fahrenheit: no gram and no °C reaches the person."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest
from typer.testing import CliRunner

from monitor.cli.app import app
from monitor.presentation import quantities
from monitor.settings import Shelf, load_shelf
from monitor.store.opening import open_stores

SHELF = """
timezone = "America/Chicago"
temperature_unit = "F"
mass_unit = "oz"
[room]
temperature_c = 22
rh_pct = 45
[boxes.pla]
limit_rh_pct = 20
[appliances.warm-box]
kind = "filament_dryer"
temperature_c = 65
[appliances.kitchen]
kind = "microwave"
"""
YEAR = Path(__file__).parent.parent / "weather" / "typical_year_723170.csv"
FOREIGN = re.compile(r"\d[ \u202f]?(?:g|kg)\b(?!/)|°C")


@pytest.fixture
def shelf(tmp_path: Path) -> Path:
    (tmp_path / "shelf.toml").write_text(SHELF, encoding="utf-8")
    return tmp_path


def said(shelf: Path, line: str, exit_code: int = 0) -> str:
    done = CliRunner().invoke(app, ["--shelf", str(shelf), *line.split()])
    assert done.exit_code == exit_code or done.exception is not None, done.output
    return done.output if exit_code == 0 else f"{done.output}{done.exception}"


def test_an_evening_at_the_desk_is_in_ounces_and_fahrenheit_throughout(shelf: Path) -> None:
    lines = [
        "lot buy spring orange_gel 2lb",
        "charge weigh-out cup spring 7.1 --state room --holder glass --tare 4.2",
        "charge list",
        "charge show cup",
        "recharge start cup warm-box --weight 11.3",
        "recharge weigh 10.8 --after 6h",
        "recharge weigh 10.6 --after 6h",
        "recharge compare --plot",
        "recharge reach cup",
        "recharge finish",
        "charge put cup pla",
        "charge top-up cup 2oz",
        "recharge jar-check 20 72 --charge cup --accuracy 5",
        "lot list",
        "lot log",
        f"climate {YEAR}",
    ]
    for line in lines:
        answer = said(shelf, line)
        assert not FOREIGN.search(answer), f"{line}: {answer}"
        if line == "recharge finish":
            assert "140 °F" in answer


def test_what_is_asked_of_a_box_is_in_ounces_and_fahrenheit(shelf: Path) -> None:
    """The rules of standards below it are quoted as they stand, in their own units."""
    answer = said(shelf, "size --volume 10 --style gasket").partition("standard ")[0]
    assert "oz a day per kPa" in answer
    assert not FOREIGN.search(answer), answer
    with open_stores(shelf / "siccast.sqlite3") as stores:
        stores.readings.add([])
    cold = said(shelf, "log reading pla 13 21", exit_code=3)
    assert "box 'pla' at no more than 21.0 °F is cold. Is it in °C?" in cold


def test_questions_at_the_desk_are_in_ounces_too(shelf: Path) -> None:
    said(shelf, "lot buy spring orange_gel 1lb")
    asked = said(shelf, "charge weigh-out tub spring 40", exit_code=3)
    assert "40.0 oz is more than the 16.0 oz left" in asked
    assert not FOREIGN.search(asked)


def test_the_log_of_the_desk_shows_no_more_digits_than_a_scale(shelf: Path) -> None:
    said(shelf, "lot buy spring orange_gel 2lb")
    said(shelf, "charge weigh-out cup spring 7.13")
    assert "charge cup: 7.13 oz of lot spring" in said(shelf, "lot log")
    assert not re.search(r"\d\.\d{4,}", said(shelf, "lot log"))


@pytest.mark.parametrize(("shown", "step_oz"), [("11.3", 0.1), ("11.35", 0.01), ("11", 0.1), ("11.3oz", 0.1)])
def test_the_step_of_the_scale_is_that_of_the_typed_figures(shelf: Path, shown: str, step_oz: float) -> None:
    said(shelf, "lot buy spring orange_gel 2lb")
    said(shelf, "charge weigh-out cup spring 7.1 --state room")
    said(shelf, f"recharge start cup kitchen --weight {shown} --sure")
    [weighed] = [event for event in json.loads(said(shelf, "lot log --json"))["deeds"] if event["deed"] == "RunWeighed"]
    assert weighed["resolution_g"] == pytest.approx(28.349523125 * step_oz)


@pytest.mark.parametrize(
    ("shown", "step_g"), [("205", 1.0), ("205.4", 0.1), ("205,45 g", 0.01), ("0.2kg", 1.0), ("7.2oz", 2.8349523125)]
)
def test_on_a_gram_shelf_a_whole_number_is_a_gram(tmp_path: Path, shown: str, step_g: float) -> None:
    (tmp_path / "shelf.toml").write_text("", encoding="utf-8")
    shelf: Shelf = load_shelf(tmp_path)
    assert quantities.step_g(shown, shelf) == pytest.approx(step_g)


def test_the_guide_offers_the_air_of_the_room_in_fahrenheit(shelf: Path) -> None:
    said(shelf, "lot buy spring orange_gel 2lb")
    said(shelf, "charge weigh-out cup spring 7.1 --state room")
    asked = CliRunner().invoke(app, ["--shelf", str(shelf), "recharge", "guide"], input="cup\nkitchen\n\n\n7.1\n")
    assert "[72F/45]" in asked.output
    assert not FOREIGN.search(asked.output), asked.output


def test_grams_that_fell_out_are_grams_on_an_ounce_shelf_too(shelf: Path) -> None:
    said(shelf, "lot buy spring orange_gel 2lb")
    said(shelf, "charge weigh-out cup spring 7.1 --state room")
    said(shelf, "recharge start cup kitchen --weight 7.1")
    said(shelf, "recharge spilled --grams 20")
    said(shelf, "recharge spilled --grams 0.5oz")
    events = json.loads(said(shelf, "lot log --json"))["deeds"]
    assert [event["lost_g"] for event in events if event["deed"] == "BeadsSpilled"] == pytest.approx(
        [20.0, 14.17], rel=1e-3
    )
