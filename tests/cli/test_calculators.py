"""`siccast air` and `siccast beads`: one point and tables of points, against printed values; faults in one line."""

from __future__ import annotations

import csv
import io
import json
from pathlib import Path
from typing import Any

import pytest
from published.error_tables import MATERIALS
from published.tables_read import published
from typer.testing import CliRunner

from monitor.cli.app import app


def siccast(*words: str, given: str | None = None) -> Any:
    return CliRunner().invoke(app, list(words), input=given)


def answer(*words: str) -> dict[str, Any]:
    result = siccast(*words, "--json")
    assert result.exit_code == 0, result.output
    answered: dict[str, Any] = json.loads(result.stdout)
    return answered


def table(*words: str, given: str) -> list[dict[str, str]]:
    result = siccast(*words, "--csv", "-", given=given)
    assert result.exit_code == 0, result.output
    return list(csv.DictReader(io.StringIO(result.stdout)))


def test_air_at_one_point() -> None:
    """25 °C, saturated, one atmosphere: ASHRAE Fundamentals 2017, ch. 1, tables 2 and 3."""
    found = answer("air", "--temperature-c", "25", "--rh-pct", "100")
    assert found["saturation_pa"] == pytest.approx(3169.7, rel=3e-4)
    assert found["mixing_g_per_kg"] == pytest.approx(20.173, rel=1e-3)
    assert found["dew_point_c"] == pytest.approx(25.0, abs=1e-6)
    assert found["frost_point_c"] is None
    assert found["saturation_over_ice_pa"] is None


def test_air_tells_dew_point_from_frost_point() -> None:
    """CoolProp 8.0.0 gives the frost point, MetPy 1.7.1 the dew point of the same air; see published/moist_air.csv."""
    found = answer("air", "--temperature-c", "25", "--rh-pct", "10", "--pressure-hpa", "1013.25")
    assert found["frost_point_c"] == pytest.approx(-7.7438, abs=0.02)
    assert found["dew_point_c"] == pytest.approx(-8.754, abs=0.1)
    shown = siccast("air", "--temperature-c", "25", "--rh-pct", "10").stdout
    assert "dew point, over liquid water" in shown
    assert "frost point, over ice" in shown


def test_air_table_appends_columns_to_the_rows_given() -> None:
    given = "place,temperature_c,rh_pct,pressure_pa\nattic,20,80,\ncellar,5,100,101325\noven,120,60,101325\n"
    rows = table("air", given=given)
    assert list(rows[0]) == [
        "place", "temperature_c", "rh_pct", "pressure_pa",
        "saturation_pa", "vapor_pa", "absolute_g_per_m3", "mixing_g_per_kg", "dew_point_c", "frost_point_c",
    ]  # fmt: skip
    assert [row["place"] for row in rows] == ["attic", "cellar", "oven"]
    assert float(rows[0]["absolute_g_per_m3"]) == pytest.approx(13.83, rel=5e-4)  # DIN 55474, worked example
    assert float(rows[1]["mixing_g_per_kg"]) == pytest.approx(5.425, rel=1e-3)  # ASHRAE 2017, ch. 1, table 2
    assert rows[2]["mixing_g_per_kg"] == ""  # the vapor alone would exceed the air pressure
    assert rows[0]["frost_point_c"] == ""


def test_air_table_from_a_file_and_as_json(tmp_path: Path) -> None:
    file = tmp_path / "points.csv"
    file.write_text("\ufefftemperature_c,rh_pct\n20,50\n", encoding="utf-8")
    result = siccast("air", "--csv", str(file), "--json")
    assert json.loads(result.stdout)[0]["vapor_pa"] == pytest.approx(1169.6, rel=1e-4)
    by_pressure = siccast("air", "--csv", str(file), "--pressure-hpa", "900").stdout
    assert by_pressure != siccast("air", "--csv", str(file)).stdout


def test_beads_answer_every_printed_point_of_their_material() -> None:
    """The calculator's column is the isotherm's own: rms as in published/test_sorption.py, humidity read back."""
    for material in MATERIALS[:11]:
        rows = [row for row in published("sorption") if row["material"] == material and row["kind"] == "point"]
        given = "temperature_c,rh_pct\n" + "".join(f"{row['T_C']},{row['RH_pct']}\n" for row in rows)
        found = table("beads", material, given=given)
        assert list(found[0]) == ["temperature_c", "rh_pct", "loading_g_per_g", "rh_pct_back", "heat_kj_per_kg"]
        for row in found:
            assert float(row["rh_pct_back"]) == pytest.approx(float(row["rh_pct"]), rel=1e-8)
            assert 2100.0 < float(row["heat_kj_per_kg"]) < 6000.0


def test_beads_take_every_material_in_print() -> None:
    for material in {row["material"] for row in published("sorption")}:
        found = answer("beads", material, "--temperature-c", "25", "--rh-pct", "40")
        assert 0.0 < found["loading_g_per_g"] < 2.0
        assert found["rh_pct_back"] == pytest.approx(40.0, rel=1e-6)


def test_beads_for_a_person() -> None:
    shown = siccast("beads", "orange_gel", "--temperature-c", "25", "--rh-pct", "20").stdout
    assert "orange indicating silica gel" in shown
    assert "Chance that such beads look green and no longer orange: 34 %." in shown
    assert "never that they are dry" in shown
    assert "Caution: the dye of these beads may be methyl violet" in shown
    assert "Keep below 120 °C" in shown
    assert "which hydrate is there" in siccast("beads", "cacl2", "--temperature-c", "20", "--rh-pct", "20").stdout
    assert "This curve is weak:" in siccast("beads", "clay", "--temperature-c", "20", "--rh-pct", "20").stdout
    assert "time constant" in siccast("beads", "PA6", "--temperature-c", "23", "--rh-pct", "50").stdout
    outside = siccast("beads", "silica_gel", "--temperature-c", "25", "--rh-pct", "0.01").stdout
    assert "outside the range" in outside


def test_color_is_told_as_a_chance() -> None:
    color = answer("beads", "blue_gel", "--temperature-c", "25", "--rh-pct", "20")["color"]
    assert color["chance_turned"] == pytest.approx(0.5)
    assert set(color) == {"dry", "turned", "chance_turned", "caution"}
    assert "color" not in answer("beads", "silica_gel", "--temperature-c", "25", "--rh-pct", "20")


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("air",), "give both --temperature-c and --rh-pct"),
        (("air", "--temperature-c", "20"), "give both"),
        (("air", "--temperature-c", "20", "--rh-pct", "120"), "rh_pct is 120; it must be from 0 to 100"),
        (("air", "--temperature-c", "20", "--rh-pct", "nan"), "rh_pct is nan; it must be from 0 to 100"),
        (("air", "--temperature-c", "-80", "--rh-pct", "20"), "temperature_c is -80; it must be from -45 to 373.946"),
        (
            ("air", "--temperature-c", "20", "--rh-pct", "20", "--pressure-hpa", "1"),
            "pressure_pa is 100; it must be from 20000",
        ),
        (("air", "--temperature-c", "20", "--rh-pct", "20", "--csv", "-"), "not both"),
        (("beads", "sawdust", "--temperature-c", "20", "--rh-pct", "20"), "'sawdust' is not a known material"),
    ],
)
def test_wrong_usage(words: tuple[str, ...], said: str) -> None:
    result = siccast(*words)
    assert result.exit_code == 2
    assert said in " ".join(result.output.replace("│", " ").split())


@pytest.mark.parametrize(
    ("given", "said"),
    [
        ("temperature_c\n20\n", "standard input has no column rh_pct; it must have temperature_c and rh_pct"),
        ("", "standard input has no column temperature_c"),
        ("temperature_c,rh_pct\n20,fifty\n", "row 1: rh_pct is 'fifty'; it must be a number"),
        ("temperature_c,rh_pct\n20,50\n20,\n", "row 2: rh_pct is ''; it must be a number"),
        ("temperature_c,rh_pct\n20,50\n20,150\n", "row 2: rh_pct is 150; it must be from 0 to 100"),
        ("temperature_c,rh_pct\n-60,50\n20,x\n20,\n", "row 1: temperature_c is -60; it must be from -45 to 373.946"),
        ("temperature_c,rh_pct\n-60,50\n20,x\n20,\n", "(and 2 more such rows)"),
        ("temperature_c,rh_pct\n20,50,7\n", "row 1 of standard input has more cells than the heading"),
    ],
)
def test_a_bad_table_is_named(given: str, said: str) -> None:
    result = siccast("air", "--csv", "-", given=given)
    assert result.exit_code == 1
    assert said in str(result.exception)


def test_a_bad_row_does_not_hide_the_others() -> None:
    result = siccast("air", "--csv", "-", given="temperature_c,rh_pct\n-60,50\n20,80\n20,fifty\n")
    assert result.exit_code == 1
    rows = list(csv.DictReader(io.StringIO(result.stdout)))
    assert [row["absolute_g_per_m3"] == "" for row in rows] == [True, False, True]
    assert float(rows[1]["absolute_g_per_m3"]) == pytest.approx(13.83, rel=5e-4)
    as_json = siccast("air", "--csv", "-", "--json", given="temperature_c,rh_pct\n-60,50\n20,80\n").stdout
    assert [row["vapor_pa"] is None for row in json.loads(as_json)] == [True, False]


def test_a_file_that_is_not_there(tmp_path: Path) -> None:
    result = siccast("beads", "clay", "--csv", str(tmp_path / "none.csv"))
    assert result.exit_code == 1
    assert "can't be read as a table" in str(result.exception)


def test_an_empty_table_answers_its_heading() -> None:
    result = siccast("beads", "clay", "--csv", "-", given="temperature_c,rh_pct\n")
    assert result.stdout == "temperature_c,rh_pct,loading_g_per_g,rh_pct_back,heat_kj_per_kg\n"
