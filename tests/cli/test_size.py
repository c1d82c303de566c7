"""`siccast size`: a new box, a parcel, a drawer, a box that is declared; and what it refuses."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner, Result

from monitor.cli.app import app
from monitor.physics.materials import desiccant

SHELF = """
timezone = "Europe/Vienna"
[room]
temperature_c = 20
rh_pct = 50
[boxes.pla]
volume_l = 12
style = "gasket"
"""


@pytest.fixture
def shelf(tmp_path: Path) -> Path:
    (tmp_path / "shelf.toml").write_text(SHELF, encoding="utf-8")
    CliRunner().invoke(app, ["--shelf", str(tmp_path), "lot", "buy", "autumn", "orange_gel", "1kg"])
    return tmp_path


def asked(shelf: Path, *words: str) -> Result:
    return CliRunner().invoke(app, ["--shelf", str(shelf), "size", *words])


def told(shelf: Path, *words: str) -> Any:
    result = asked(shelf, *words, "--json")
    assert result.exit_code == 0, result.output
    return json.loads(result.output)


def rows(answer: Any) -> dict[str, Any]:
    return {row["what"]: row for row in answer["rows"]}


@pytest.mark.parametrize(("limit", "other"), [(85, 0.95), (90, 0.80), (95, 0.85)])
def test_the_other_limit_is_one_that_there_is(shelf: Path, limit: int, other: float) -> None:
    """A limit is from 1 to 95 %."""
    answer = told(shelf, "--volume", "12", "--limit", str(limit))
    assert rows(answer)["another limit"]["limit"] == pytest.approx(other)


def test_a_new_box_gets_grams_with_what_changes_them_and_the_standards(shelf: Path) -> None:
    answer = told(shelf, "--volume", "12", "--style", "tote", "--months", "4", "--from", "2026-07-01")
    found = rows(answer)
    assert set(found) == {"asked", "half the leak", "a better seal", "drier beads", "another limit"}
    grams = {what: row["grams"]["p50"] for what, row in found.items()}
    assert grams["a better seal"] < grams["half the leak"] < grams["asked"]
    assert found["another limit"]["limit"] == pytest.approx(0.30)
    assert (answer["leak_from"], answer["from"]) == ("style", "2026-07-01T10:00:00Z")
    standards = [standard["standard"] for standard in answer["standards"]]
    assert [name.split(" ")[0] for name in standards] == ["DIN", "MIL-STD-2073-1", "IPC/JEDEC", "JIS"]
    assert all("second hand" in standard["source"] and standard["rule"] for standard in answer["standards"])
    assert [standard["units"] is None for standard in answer["standards"]] == [False, False, False, True]


def test_a_parcel_is_asked_by_its_film(shelf: Path) -> None:
    answer = told(shelf, "--wvtr", "0.5", "--area", "0.3", "--volume", "5", "--mass", "50", "--other-limit", "25")
    found = rows(answer)
    assert answer["leak_from"] == "film"
    assert found["asked"]["months"]["p05"] < found["asked"]["months"]["p50"] < found["another limit"]["months"]["p50"]
    assert "a better seal" not in found
    usual = asked(shelf, "--wvtr", "0.5", "--area", "0.3", "--mass", "100").output
    assert "MIL-STD" not in usual
    assert usual.splitlines()[-1].endswith("--standards")
    text = " ".join(asked(shelf, "--wvtr", "0.5", "--area", "0.3", "--mass", "100", "--standards").output.split())
    assert text.startswith(" ".join(usual.split()[:20]))
    assert "a sealed parcel by its film's sheet" in text
    assert "U = 0.003 M W A / D units" in text
    assert "the metric form, the 10 % and grams of gel a unit from memory" in text
    assert "W = (R A t (h1 - h2) K1 + K2 D) / (C2 - C1) grams" in text
    assert "quoted at second hand" in text


def test_standards_for_a_parcel_are_counted_by_hand(shelf: Path) -> None:
    """0.5 g/m²/day through 0.3 m² for 6 months in a room of 20 °C and 50 %, and 20 % inside."""
    answer = told(shelf, "--wvtr", "0.5", "--area", "0.3", "--months", "6")
    found = {standard["standard"].split(" ")[0]: standard for standard in answer["standards"]}
    assert found["IPC/JEDEC"]["units"] == pytest.approx(0.003 * 6 * 0.5 * 3000 / 2.0)
    test_g_per_day = 0.5 * 0.3 * 7.385 / 6.633  # kPa at 40 and 38 °C, IAPWS
    takes_up = float(desiccant("silica_regular").isotherm.loading_g_per_g(0.20, 20.0)) - 0.02
    by_hand = test_g_per_day * 182.6 * 30.0 * 0.0020 / takes_up
    assert found["JIS"]["gel_g"] == pytest.approx(by_hand, rel=1e-3)
    why = found["JIS"]["why_different"].replace("\N{NARROW NO-BREAK SPACE}", " ")
    assert "50 % RH outside and 20 % inside" in why


def test_printed_parts_in_a_drawer_bring_their_water(shelf: Path) -> None:
    drawer = ("--volume", "20", "--style", "cabinet", "--months", "2")
    empty, parts = told(shelf, *drawer), told(shelf, *drawer, "--with", "nylon:800", "--state", "open")
    assert rows(parts)["asked"]["grams"]["p50"] > rows(empty)["asked"]["grams"]["p50"] + 20.0


def test_a_declared_box_without_an_estimate_is_answered_by_its_style(shelf: Path) -> None:
    answer = told(shelf, "pla", "--limit", "30")
    assert (answer["box"], answer["leak_from"], answer["limit"]) == (None, "style", 0.30)
    assert "No estimate of pla yet" in asked(shelf, "pla").output


@pytest.mark.parametrize(
    ("words", "why"),
    [
        (("attic",), "is not in shelf.toml"),
        (("--wvtr", "0.5"), "both --wvtr and --area"),
        (("--style", "gaskt"), "'gaskt' is not known"),
        (("--with", "PETG"), "like PETG:2000"),
        (("--months", "3", "--mass", "100"), "not both"),
        (("--from", "July"), "like 2026-07-01"),
        (("--limit", "0"), "from 1 to 95"),
        (("--method", "sunshine"), "'sunshine' is not known"),
        (("--with", "PETG:500", "--state", "moist"), "'moist' is not known"),
        (("pla", "--volume", "5"), "for what is not in shelf.toml"),
        (("--volume", "0"), "0.05 to 5000"),
        (("--beads", "sand"), "sand"),
    ],
)
def test_what_can_not_be_is_refused_as_wrong_usage(shelf: Path, words: tuple[str, ...], why: str) -> None:
    result = asked(shelf, *words)
    assert result.exit_code == 2
    assert why in " ".join(result.output.replace("│", " ").split())
