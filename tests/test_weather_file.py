"""A weather file to monthly vapor pressures; broken ones are named."""

from __future__ import annotations

from pathlib import Path

import pytest

from monitor.errors import ImportFileError
from monitor.physics.saturation import saturation_vapor_pressure_pa
from monitor.weather_file import monthly_vapor_pressure_pa

DAYS = (31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31)


def dew(month: int) -> float:
    return -5.0 + 2.0 * month


def tmy3(path: Path, months: int = 12) -> Path:
    lines = ["723170,GREENSBORO,NC,-5.0,36.100,-79.950,270", "Date (MM/DD/YYYY),Time (HH:MM),Dew-point (C)"]
    for month in range(1, months + 1):
        lines += [
            f"{month:02d}/{d + 1:02d}/1988,{h + 1:02d}:00,{dew(month)}"
            for d in range(DAYS[month - 1])
            for h in range(24)
        ]
    path.write_text("\n".join(lines))
    return path


def epw(path: Path) -> Path:
    lines = ["LOCATION,Somewhere"] + ["HEADER"] * 7
    for month in range(1, 13):
        for day in range(DAYS[month - 1]):
            lines += [f"1988,{month},{day + 1},{h + 1},60,?,{dew(month) + 8},{dew(month)},50,101325" for h in range(24)]
    path.write_text("\n".join(lines))
    return path


@pytest.mark.parametrize("made", [lambda at: tmy3(at / "site.csv"), lambda at: epw(at / "site.epw")])
def test_both_kinds_give_the_vapor_of_their_dew_points(made: object, tmp_path: Path) -> None:
    monthly = monthly_vapor_pressure_pa(made(tmp_path))  # type: ignore[operator]
    assert monthly == pytest.approx([saturation_vapor_pressure_pa(dew(m)) for m in range(1, 13)])


def test_half_a_year_is_refused(tmp_path: Path) -> None:
    with pytest.raises(ImportFileError, match="month 7 has 0 hours"):
        monthly_vapor_pressure_pa(tmy3(tmp_path / "half.csv", months=6))


def test_another_file_is_refused(tmp_path: Path) -> None:
    other = tmp_path / "notes.csv"
    other.write_text("a,b\n1,2\n")
    with pytest.raises(ImportFileError, match=r"notes\.csv"):
        monthly_vapor_pressure_pa(other)
