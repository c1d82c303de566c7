"""`siccast climate`: the year of a weather file, outdoors and as a room may have it."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

Run = Callable[..., Any]
YEAR = Path(__file__).parent.parent / "weather" / "typical_year_723170.csv"


def test_twelve_months_outdoors_and_indoors(siccast: Run) -> None:
    """July of site 723170 holds 2.36 kPa outdoors; a room at 20 °C stays below 70 % of saturation, 1.64 kPa."""
    answer = json.loads(siccast("climate", str(YEAR), "--json").stdout)
    assert answer["room_temperature_c"] == 20.0
    assert [month["month"] for month in answer["months"]] == list(range(1, 13))
    july = answer["months"][6]
    assert july["outdoors_vapor_pressure_kpa"] == pytest.approx(2.36, rel=0.015)
    assert july["indoors_vapor_pressure_kpa"] == pytest.approx(0.70 * 2.339, rel=0.002)


def test_the_table_says_that_indoors_is_a_guess(siccast: Run) -> None:
    said = siccast("climate", str(YEAR)).stdout
    assert "Indoors is a guess" in said
    assert "weather_file = " in said


def test_another_file_is_refused(siccast: Run, tmp_path: Path) -> None:
    (tmp_path / "notes.csv").write_text("a,b\n1,2\n")
    assert "neither an EPW file" in str(siccast("climate", str(tmp_path / "notes.csv")).exception)
