"""The charts of a box without a browser: numbers of each view, drawings, tables to take along, words for marks."""

from __future__ import annotations

import html
import io
import re
import xml.etree.ElementTree as ET
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from itertools import pairwise
from pathlib import Path
from typing import Any
from urllib.parse import quote
from zoneinfo import ZoneInfo

import httpx
import numpy as np
import pandas as pd
import pytest
from answers_by_hand import AS_OF
from chart_on_page import BOX, ENTRIES, LINE, MARKED, serving_charts
from shelf_on_page import HOSTILE

from monitor.presentation.log_wording import called
from monitor.presentation.wording import Wording
from monitor.records import EntryKind, Mark, ReadingSeries
from monitor.series.spans import unmarked
from monitor.web.box.axes import Axes, round_end
from monitor.web.box.course import Course, few_marked, hours_of_a_mean, thinned
from monitor.web.box.downloads import attachment
from monitor.web.box.tables import weeks

SATURATION_KPA = {20.0: 2.3388, 21.0: 2.4877, 22.0: 2.6447, 23.0: 2.8104}
"""ASHRAE, Handbook: Fundamentals, 2017, ch. 1, table 3, over liquid water."""
SVG = "{http://www.w3.org/2000/svg}"


@pytest.fixture(scope="module")
def client(tmp_path_factory: pytest.TempPathFactory) -> Iterator[httpx.Client]:
    folder = tmp_path_factory.mktemp("shelf")
    with serving_charts(folder) as address, httpx.Client(base_url=address, timeout=None) as client:
        yield client


def page(client: httpx.Client, box: str = BOX) -> str:
    return html.unescape(client.get(f"/box/{box}").text).replace("\N{NARROW NO-BREAK SPACE}", " ")


def numbers(client: httpx.Client, view: str = "humidity", more: str = "") -> dict[str, Any]:
    answer = client.get(f"/box/{BOX}/numbers?view={view}{more}")
    assert answer.headers["content-type"] == "application/json"
    told: dict[str, Any] = answer.json()
    told["values"] = np.cumsum(told["values"]) / 10.0 ** told["decimals"]
    told["temperature"] = np.cumsum(told["temperature"]) / 10.0
    return told


# --- views -----------------------------------------------------------------------------------------------------------


def test_each_view_shows_the_same_air(client: httpx.Client) -> None:
    """The made-up box is at 21 to 22.9 °C in steps of 1/12 K, a whole degree at midnight and at noon."""
    humidity, vapor, absolute = (numbers(client, view) for view in ("humidity", "vapor", "absolute"))
    assert [one["unit"] for one in (humidity, vapor, absolute)] == ["%", "kPa", "g/m³"]
    found = 0
    for place, degc in enumerate(humidity["temperature"]):
        if degc not in SATURATION_KPA or humidity["values"][place] > 18:
            continue
        share, kpa = humidity["values"][place] / 100.0, vapor["values"][place]
        assert kpa == pytest.approx(share * SATURATION_KPA[degc], abs=0.003)
        # ideal gas: 1 kPa is 1000 / (461.5 T) kg/m³
        assert absolute["values"][place] == pytest.approx(kpa * 1e6 / (461.5 * (273.15 + degc)), abs=0.02)
        found += 1
    assert found > 20


def test_the_limit_is_a_line_of_its_own_where_warmth_moves_it(client: httpx.Client) -> None:
    humidity, vapor = numbers(client), numbers(client, "vapor")
    assert humidity["limit"] == 20.0
    assert humidity["limits"] == []
    assert vapor["limit"] is None
    assert len(vapor["limits"]) == len(vapor["values"])
    # a day's mean is 21.96 °C: 20 % of what saturates at 22 °C
    assert np.median(vapor["limits"]) == pytest.approx(0.2 * SATURATION_KPA[22.0], rel=0.01)
    assert vapor["fan"]["limits"][0] == pytest.approx(0.2 * SATURATION_KPA[22.0], rel=0.01)


def test_the_fan_has_two_bands_in_every_view(client: httpx.Client) -> None:
    for view in ("humidity", "vapor", "absolute"):
        fan = numbers(client, view)["fan"]
        rows = [fan[name] for name in ("low", "lower", "middle", "upper", "high")]
        assert len({len(row) for row in (*rows, fan["at"])}) == 1
        assert 80 < len(fan["at"]) <= 90
        assert all(list(day) == sorted(day) for day in zip(*rows, strict=True))
    humidity, vapor = (numbers(client, view)["fan"]["middle"][-1] for view in ("humidity", "vapor"))
    assert vapor == pytest.approx(humidity / 100.0 * 2.645, abs=0.001)


def test_the_room_comes_where_it_is_asked_for(client: httpx.Client) -> None:
    assert numbers(client)["room"] is None
    room = numbers(client, more="&room=1")["room"]
    assert len(room["values"]) == len(room["steps"]) == 60 * 24
    assert len(numbers(client, "vapor", "&room=1")["room"]["values"]) == 60 * 24


def test_a_view_that_is_none_is_that_of_humidity(client: httpx.Client) -> None:
    assert numbers(client, "<script>")["view"] == "humidity"


def test_numbers_of_no_box_are_none(client: httpx.Client) -> None:
    for what in ("numbers", "humidity.svg", "leak.svg", "readings.csv", "outlook.csv"):
        assert client.get(f"/box/nobody/{what}").status_code == 404
        assert client.get(f"/box/{quote(HOSTILE)}/{what}").status_code == (404 if what == "leak.svg" else 200)
    assert client.get("/box/young/leak.svg").status_code == 404
    assert client.get("/box/young/numbers").json()["fan"]["at"] == []


# --- marks and entries -----------------------------------------------------------------------------------------------


def test_marked_readings_are_points_with_a_reason(client: httpx.Client) -> None:
    marks = numbers(client)["marks"]
    assert marks["at"] == [int((AS_OF - timedelta(days=days, minutes=-20)).timestamp()) for days, *_ in MARKED]
    assert marks["values"] == [pytest.approx(100.0 * humidity) for _, humidity, _ in MARKED]
    why = [marks["reasons"][place] for place in marks["why"]]
    assert why[0] == "it jumped away and back within hours"
    assert why[1] == "it showed the same for too long; this is the lowest that the sensor shows"
    shown = page(client)
    assert "reading to doubt" in shown
    assert f"<td>{why[1]}</td>" in shown


def test_of_many_marked_readings_one_a_span_and_reason_is_shown() -> None:
    bits = np.array([1, 1, 2, 1, 1, 2], dtype=np.uint16)
    at_s = np.array([0.0, 60.0, 120.0, 3600.0, 3660.0, 3720.0])
    few = few_marked(ReadingSeries("box", at_s, at_s, at_s / 1e4, bits), 1)
    assert few.at_s.tolist() == [0.0, 120.0, 3600.0, 3720.0]
    assert few.marks.tolist() == [1, 2, 1, 2]


def test_each_kind_of_entry_has_a_sign_and_words_of_its_own(client: httpx.Client) -> None:
    entries = numbers(client)["entries"]
    words = {entry["words"].split(":")[0]: entry for entry in entries}
    logged = {*ENTRIES, EntryKind.charge, EntryKind.opening, EntryKind.weighing}
    assert set(words) == {called(kind) for kind in logged}
    assert len({entry["sign"] for entry in words.values()}) == len(EntryKind)
    assert words["spool swapped"]["words"] == "spool swapped: black reel in"
    shown = page(client)
    key = shown[shown.index('id="chart-key"') : shown.index('class="actions takes"')]
    signs = re.findall(r'class="sign (\w+)"(.*?)</svg>', key, re.DOTALL)
    drawn = {sign: tuple(re.findall(r' d="([^"]+)"', body)) for sign, body in signs}
    for entry in words.values():
        assert drawn[entry["sign"]], entry
    assert len(set(drawn.values())) == len(drawn)


def test_every_mark_has_words() -> None:
    from monitor.presentation.mark_wording import WHY_MARKED, mark_names, why_marked

    assert set(WHY_MARKED) == set(Mark)
    assert all(why_marked(mark.bit) and mark_names(mark.bit) for mark in Mark)


# --- tables of the page ----------------------------------------------------------------------------------------------


def test_the_tables_of_the_page_hold_what_the_charts_show(client: httpx.Client) -> None:
    shown = page(client)
    for caption in ("Measured, week by week", "Expected, one day in seven", "Readings to doubt", "Leak line from"):
        assert f"<caption>{caption}" in shown
    fan = numbers(client)["fan"]
    first = shown[shown.index("Expected, one day in seven") :]
    cells = re.findall(r"<td>([^<]*)</td>", first)[:6]
    expected = [f"{fan[name][0]:.1f} %" for name in ("low", "lower", "middle", "upper", "high")]
    assert cells[:5] == expected
    assert float(cells[5]) == pytest.approx(fan["middle"][0] / 100 * 2.645, abs=0.002)


def test_weeks_of_a_shelf_whose_room_has_no_sensor() -> None:
    none = unmarked("room", *3 * (np.empty(0),))
    at_s = AS_OF.timestamp() - 3600.0 * np.arange(24 * 10, 0, -1)
    alike = np.ones(len(at_s))
    history = unmarked("box", at_s, 21.0 * alike, 0.2 * alike)
    words = Wording(ZoneInfo("Europe/Vienna"))
    rows = weeks(Course(history, none, none, ()), words)
    assert {(row.low[:4], row.high[:4], row.room) for row in rows} == {("20.0", "20.0", "–")}
    assert rows[-1].week == "22 Feb"
    assert float(rows[0].vapor) == pytest.approx(0.2 * SATURATION_KPA[21.0], abs=0.001)
    assert weeks(Course(none, none, none, ()), words) == []


def test_an_old_reading_stands_small_and_the_estimate_large(client: httpx.Client) -> None:
    shown = page(client, "far")
    large = re.findall(r'class="big[^"]*">([^<]*)<', shown)
    assert large == ["about 17.6 %"]
    assert "last reading 40 days ago: 12.9 %" in re.sub(r"</?time.*?>", "", shown)


# --- drawings --------------------------------------------------------------------------------------------------------


def drawing(client: httpx.Client, address: str) -> ET.Element:
    answer = client.get(f"/box/{BOX}/{address}")
    assert answer.headers["content-type"].startswith("image/svg+xml")
    assert "style=" not in answer.text  # the policy of the pages forbids it
    return ET.fromstring(answer.text)


def points(path: str) -> list[tuple[float, float]]:
    return [(float(x), float(y)) for x, y in re.findall(r"[ML](-?[\d.]+) (-?[\d.]+)", path)]


def of_class(root: ET.Element, name: str) -> list[ET.Element]:
    return [one for one in root.iter() if name in one.get("class", "").split()]


def test_the_drawing_of_humidity_shows_what_the_numbers_say(client: httpx.Client) -> None:
    root = drawing(client, "humidity.svg?days=30&room=1")
    seen = points(of_class(root, "seen")[0].get("d", ""))
    assert seen[0][0] == pytest.approx(56.0, abs=0.2)
    assert all(a[0] <= b[0] for a, b in pairwise(seen))
    (now,) = of_class(root, "now")
    assert seen[-1][0] <= points(now.get("d", "").replace("V", "L0 "))[0][0]
    assert len(of_class(root, "fan")) == len(of_class(root, "half")) == len(of_class(root, "room")) == 1
    marks = of_class(root, "mark")
    assert len(marks) == len(MARKED)
    assert float(marks[0].get("y", "")) == 66.0 - 4.5  # the spike goes beyond the axis: its sign stands at the top
    titles = {one.findtext(f"{SVG}title") for one in of_class(root, "entry")}
    assert titles == {called(kind) for kind in (*ENTRIES, EntryKind.opening, EntryKind.weighing)}
    words = " ".join(root.itertext())
    assert "today" in words
    assert BOX in words


def test_spans_and_views_of_the_drawing(client: httpx.Client) -> None:
    whole, month = (drawing(client, f"humidity.svg?days={days}") for days in (0, 30))
    assert whole.findall(f".//{SVG}path[@class='entry']") == month.findall(f".//{SVG}path[@class='entry']")
    assert len(of_class(whole, "entry")) > len(of_class(month, "entry"))  # the charge lies 58 days back
    assert "kPa" in " ".join(drawing(client, "humidity.svg?view=vapor").itertext())
    assert not of_class(whole, "room")


def test_the_drawing_of_a_young_box_and_of_one_without_readings(client: httpx.Client) -> None:
    for box in ("young", "empty", "far"):
        answer = client.get(f"/box/{box}/humidity.svg?view=absolute")
        assert answer.status_code == 200
        assert "nan" not in answer.text.lower().replace("nance", "")
        ET.fromstring(answer.text)


def test_the_leak_line_rises_by_its_slope_and_bends_where_it_changed(client: httpx.Client) -> None:
    root = drawing(client, "leak.svg")
    (dots,), (line,) = of_class(root, "points"), of_class(root, "leak-estimate")
    assert dots.get("d", "").count("h0") == len(LINE.at_s)
    at = points(line.get("d", ""))
    slopes = [(a[1] - b[1]) / (b[0] - a[0]) for a, b in pairwise(at)]
    assert slopes[2] / slopes[0] == pytest.approx(0.167 / 0.05, rel=0.02)
    (change,) = of_class(root, "change")
    assert points(change.get("d", ""))[0][0] == pytest.approx(at[2][0])
    assert "changed" in " ".join(root.itertext())
    shown = page(client)
    assert 'class="leak-line"' in shown
    assert "The steeper the line, the leakier the box" in shown
    assert "<td>3.9 (2.6 – 5.2)</td>" in shown


def test_axes_end_at_round_numbers() -> None:
    assert [round_end(value) for value in (0.0, 3.3, 0.021, -0.7, 40.0)] == [0.0, 4.0, 0.025, -0.8, 40.0]
    axes = Axes(0.0, 100.0, 0.0, 100.0, 0.0, 10.0, 0.0, 2.5)
    assert [tick.words for tick in axes.levels()] == ["0.0", "0.5", "1.0", "1.5", "2.0", "2.5"]
    assert axes.y(2.5) == 0.0
    assert axes.y(0.0) == 100.0


def test_a_line_breaks_at_gaps_and_at_what_is_not_known() -> None:
    axes = Axes(0.0, 100.0, 0.0, 100.0, 0.0, 10 * 86_400.0, 0.0, 1.0)
    days = [0.0, 1.0, 2.0, 6.0, 7.0, 8.0]
    path = axes.line([86_400.0 * day for day in days], [0.5, 0.5, 0.5, 0.5, float("nan"), 0.5])
    assert re.sub(r"[\d. ]", "", path) == "MLLMM"


# --- tables to take along --------------------------------------------------------------------------------------------


def table(client: httpx.Client, address: str) -> pd.DataFrame:
    answer = client.get(address)
    assert answer.headers["content-type"].startswith("text/csv")
    return pd.read_csv(io.StringIO(answer.text), keep_default_na=True)


def test_readings_are_read_back_as_they_are(client: httpx.Client) -> None:
    found = table(client, f"/box/{BOX}/readings.csv")
    assert list(found.columns) == [
        "box", "t", "temperature_c", "rh_pct", "battery_v", "seq", "origin", "vapor_pressure_kpa", "absolute_g_per_m3",
        "marks",
    ]  # fmt: skip
    assert len(found) == 60 * 24 + len(MARKED)
    at = pd.to_datetime(found["t"])
    assert str(at.dt.tz) == "UTC"
    assert at.is_monotonic_increasing
    assert at.iloc[-1] < pd.Timestamp(AS_OF)
    marked = found[found["marks"].notna()]
    assert marked["marks"].tolist() == ["spike", "stuck at_floor"]
    assert marked["rh_pct"].tolist() == [62.0, 5.5]
    assert marked["vapor_pressure_kpa"].iloc[0] == pytest.approx(0.62 * SATURATION_KPA[20.0], abs=0.002)


def test_the_outlook_is_read_back_day_by_day(client: httpx.Client) -> None:
    answer = client.get(f"/box/{BOX}/outlook.csv")
    assert answer.headers["content-disposition"].startswith('attachment; filename="soon-outlook.csv"')
    found = table(client, f"/box/{BOX}/outlook.csv")
    assert len(found) == 119
    assert found["day"].iloc[0] == (AS_OF + timedelta(days=1)).date().isoformat()
    shares = [f"rh_pct_p{share}" for share in ("05", "25", "50", "75", "95")]
    assert (np.diff(found[shares].to_numpy(), axis=1) >= 0).all()
    assert found["vapor_pressure_kpa_p50"].to_numpy() == pytest.approx(found["rh_pct_p50"] * 0.02645, abs=2e-4)
    assert len(table(client, "/box/young/outlook.csv")) == 0


def test_no_cell_is_a_formula_and_no_file_name_a_path(client: httpx.Client) -> None:
    answer = client.get("/box/=1+1/readings.csv")
    assert answer.status_code == 200
    assert [line[:6] for line in answer.text.splitlines()[1:]] == ["'=1+1,"]
    for name in ("../../etc", 'a"; filename="b', "-rf", "=1+1", "\r\nSet-Cookie: a=b", "日本", ""):
        (header,) = attachment(name, "readings", "csv").values()
        plain = re.fullmatch(r'attachment; filename="([^"]+)"; filename\*=UTF-8\'\'[\w.%~-]+', header)
        assert plain, header
        assert re.fullmatch(r"\w[\w-]*-readings\.csv", plain[1]), plain[1]


# --- thinning --------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("days", [10, 200, 4000])
def test_a_browser_never_draws_more_than_three_thousand_points(days: int) -> None:
    start = datetime(2015, 1, 1, tzinfo=UTC).timestamp()
    at_s = start + 3600.0 * np.arange(24 * days)
    series = unmarked("box", at_s, np.full(len(at_s), 21.0), np.full(len(at_s), 0.5))
    few = thinned(series, hours_of_a_mean(len(series)))
    assert len(few.at_s) <= 3001
    assert few.humidity_pct == pytest.approx(50.0)
    assert few.vapor_kpa == pytest.approx(0.5 * SATURATION_KPA[21.0], abs=0.001)


def test_units_of_the_shelf_are_those_of_its_leak_line(tmp_path: Path) -> None:
    with serving_charts(tmp_path, 'mass_unit = "oz"\ntemperature_unit = "F"\n') as address:
        drawn = httpx.get(f"{address}/box/{BOX}/leak.svg", timeout=None).text
        told = httpx.get(f"{address}/box/{BOX}/numbers", timeout=None).json()
    assert re.search(r"\d\u202foz</text>", drawn)
    assert "water taken up<" in drawn
    assert told["temperatureUnit"] == "°F"
    assert 600 < told["temperature"][0] < 800  # tenths
