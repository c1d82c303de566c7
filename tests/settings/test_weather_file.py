"""A typical year in either format: its vapor pressure by month, what a room makes of it, files that won't do."""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
import pytest

from monitor.errors import ImportFileError, SettingsError
from monitor.inference.evidence.room_climate import learn_room
from monitor.settings import load_shelf
from monitor.settings.weather_file import read_weather
from monitor.units import DAYS_PER_GREGORIAN_YEAR

YEAR = Path(__file__).parent.parent / "weather" / "typical_year_723170.csv"
SITE = '723170,"GREENSBORO PIEDMONT TRIAD INT",NC,-5.0,36.100,-79.950,273\n'


def as_tmy3(folder: Path) -> Path:
    path = folder / "723170.csv"
    path.write_text(SITE + YEAR.read_text())
    return path


def as_epw(folder: Path, latitude: float = 36.1) -> Path:
    """The same year as EnergyPlus lays it out: eight headings, then columns by place."""
    headings = [f"LOCATION,Greensboro,NC,USA,TMY3,723170,{latitude},-79.95,-5.0,273.0", *(7 * ["COMMENTS"])]
    with YEAR.open() as lines:
        hours = [
            f"{row['Date (MM/DD/YYYY)'][6:]},{int(row['Date (MM/DD/YYYY)'][:2])},{int(row['Date (MM/DD/YYYY)'][3:5])},"
            f"{int(row['Time (HH:MM)'][:2])},0,?9,{row['Dry-bulb (C)']},{row['Dew-point (C)']},50,99300"
            for row in csv.DictReader(lines)
        ]
    path = folder / "greensboro.epw"
    path.write_text("\n".join([*headings, *hours]))
    return path


def test_the_year_of_723170_has_five_times_the_vapor_in_july(tmp_path: Path) -> None:
    """0.45 kPa in January and 2.36 kPa in July, from temperature and humidity; dew points are rounded: 1 % beside."""
    weather = read_weather(as_tmy3(tmp_path))
    assert weather.vapor_pressure_pa[0] == pytest.approx(450.0, rel=0.015)
    assert weather.vapor_pressure_pa[6] == pytest.approx(2360.0, rel=0.015)
    assert weather.latitude_deg == 36.1


def test_both_formats_tell_the_same(tmp_path: Path) -> None:
    assert read_weather(as_epw(tmp_path)) == read_weather(as_tmy3(tmp_path))


def test_a_table_without_its_site_knows_its_hemisphere_by_its_months(tmp_path: Path) -> None:
    assert read_weather(YEAR).latitude_deg is None
    assert not read_weather(YEAR).southern_hemisphere
    assert read_weather(as_epw(tmp_path, latitude=-36.1)).southern_hemisphere


def test_indoors_is_outdoors_plus_what_people_add_and_never_wet(tmp_path: Path) -> None:
    weather = read_weather(YEAR)
    room = weather.indoors(21.0)
    monthly, outside = np.array(room.monthly_vapor_pressure_pa), np.array(weather.vapor_pressure_pa)
    # January is at 0.3 °C outdoors: dwellings of normal use then lie 270 to 540 Pa above (EN ISO 13788, from memory)
    assert 270.0 < monthly[0] - outside[0] < 540.0
    # July would be over 90 % at 21 °C; 70 % of saturation (2.488 kPa there) is as much as a month's mean may be
    assert monthly[6] == pytest.approx(0.70 * 2488.0, rel=1e-3)
    assert weather.indoors(30.0, excess_pa=0.0).monthly_vapor_pressure_pa == weather.vapor_pressure_pa


def test_a_room_nobody_measured_follows_the_file_with_a_spread_of_its_own() -> None:
    """The harmonic through the months is within 15 % of each; the spread comes with the months."""
    room = read_weather(YEAR).indoors(28.0)
    learned = learn_room(None, room, 0.0)
    middle = (np.arange(12) + 0.5) * DAYS_PER_GREGORIAN_YEAR / 12.0
    assert learned.expected_kpa(middle) == pytest.approx(np.array(room.monthly_vapor_pressure_pa) / 1e3, rel=0.15)
    assert np.sqrt(learned.log_vapor.kinds[0].covariance[0, 0]) == pytest.approx(room.monthly_log_sd)


def test_the_shelf_file_may_name_it(tmp_path: Path) -> None:
    as_tmy3(tmp_path)
    (tmp_path / "shelf.toml").write_text('[room]\nweather_file = "723170.csv"\ntemperature_c = 21\n')
    room = load_shelf(tmp_path, {}).room
    assert room == read_weather(tmp_path / "723170.csv").indoors(21.0)
    (tmp_path / "shelf.toml").write_text('[room]\nweather_file = "723170.csv"\nclimate = "humid_summers"\n')
    humid = load_shelf(tmp_path, {}).room
    assert humid is not None
    assert humid.climate == "humid_summers"
    (tmp_path / "shelf.toml").write_text('[room]\nweather_file = "723170.csv"\nindoor_excess_kpa = 0.0\n')
    drier = load_shelf(tmp_path, {}).room
    assert drier is not None
    assert drier.monthly_vapor_pressure_pa[0] < 460.0


@pytest.mark.parametrize(
    ("line", "what"),
    [
        ('weather_file = "nowhere.epw"', r"nowhere\.epw.*a TMY3 or EPW file"),
        ('weather_file = "723170.csv"\nrh_pct = 40', "without monthly_vapor_pressure_kpa and rh_pct"),
        ("indoor_excess_kpa = 0.2", "together with a weather_file"),
    ],
)
def test_a_slip_in_the_shelf_file_is_named(line: str, what: str, tmp_path: Path) -> None:
    as_tmy3(tmp_path)
    (tmp_path / "shelf.toml").write_text(f"[room]\n{line}\n")
    with pytest.raises(SettingsError, match=what):
        load_shelf(tmp_path, {})


def test_half_a_year_and_other_tables_are_refused(tmp_path: Path) -> None:
    half = tmp_path / "half.csv"
    half.write_text("\n".join(YEAR.read_text().splitlines()[:4000]))
    with pytest.raises(ImportFileError, match="0 usable hours in month 7"):
        read_weather(half)
    half.write_text("a,b\n1,2\n")
    with pytest.raises(ImportFileError, match="neither an EPW file"):
        read_weather(half)
