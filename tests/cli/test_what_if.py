"""`siccast what-if`: what is changed reaches inference, and both answers come back side by side."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from answers_by_hand import StubInference

from monitor.records import WhatIf

Run = Callable[..., Any]
YEAR = Path(__file__).parent.parent / "weather" / "typical_year_723170.csv"


def test_every_change_reaches_inference(siccast: Run, stub: StubInference) -> None:
    words = ("--limit", "30", "--leak-times", "0.5", "--beads", "orange_gel", "--dry-mass", "200")
    answer = siccast("what-if", *words, "--json", "pla-white")
    assert answer.exit_code == 0, answer.output
    assert stub.change == WhatIf(0.30, 0.5, "orange_gel", 200.0)
    assert len(stub.asked[0]) == 4, "boxes inform each other, so all are assessed"


def test_json_has_both_forecasts_and_how_much_longer(siccast: Run) -> None:
    answer = json.loads(siccast("what-if", "--leak-times", "0.5", "--json", "pa6-dry", "petg-new").stdout)
    assert answer["what_if"]["leak_times"] == 0.5
    due, refused = answer["boxes"]
    assert due["as_it_is"]["cross_at"]["p50"] == "2026-03-16T12:00:00Z"
    assert due["what_if"]["cross_at"]["p50"] == "2026-09-20T12:00:00Z"
    assert due["time_left_ratio"] == pytest.approx(200 / 12, rel=1e-4)
    assert (refused["as_it_is"], refused["what_if"], refused["time_left_ratio"]) == (None, None, None)
    assert refused["evidence"][0] == "One day can't carry a forecast."


def test_the_table_says_what_is_changed(siccast: Run) -> None:
    said = siccast("what-if", "--leak-times", "0.5", "--dry-mass", "200").stdout
    assert "What if: half the leak; fresh beads put in now, 200" in said
    assert "No answer" in said
    assert "petg-new" in said


def test_below_the_table_stands_what_becomes_of_leak_water_beads_and_chance(siccast: Run) -> None:
    said = " ".join(siccast("what-if", "--leak-times", "0.5", "--dry-mass", "200", "pa6-dry").stdout.split())
    assert "What changes pa6-dry Leak: " in said
    for label in ("Leak: ", "Water coming in now: ", "Beads, dry: 100 g → 200 g", "Chance of passing it in 30 days: "):
        assert label in said, said
    assert said.count("→") == 4


def test_another_climate_is_a_file_or_a_room(siccast: Run, stub: StubInference) -> None:
    assert siccast("what-if", "--weather", str(YEAR), "--room-temperature", "24").exit_code == 0
    assert stub.change is not None
    assert stub.change.room_climate is not None
    assert stub.change.room_climate.temperature_degc == 24.0
    assert len(stub.change.room_climate.monthly_vapor_pressure_pa) == 12
    assert siccast("what-if", "--room-rh", "65").exit_code == 0
    assert stub.change.room_climate is not None
    assert stub.change.room_climate.relative_humidity == 0.65


@pytest.mark.parametrize(
    ("words", "what"),
    [
        ((), "nothing is changed"),
        (("--limit", "0"), "from 1 to 95 %"),
        (("--beads", "PA6"), "'PA6' is not a known desiccant"),
        (("--weather", str(YEAR), "--room-rh", "50"), "not both"),
        (("--room-temperature", "90"), "from -20 to 60"),
        (("--weather", "/nowhere.epw"), "/nowhere.epw can't be read"),
    ],
)
def test_what_makes_no_sense_is_refused(words: tuple[str, ...], what: str, siccast: Run) -> None:
    answer = siccast("what-if", *words)
    assert answer.exit_code != 0
    assert what in answer.output + str(answer.exception)
