"""A box's readings and outlook to take along: tables whose columns carry their units, times in UTC."""

from __future__ import annotations

import csv
import io
import unicodedata
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, Any
from urllib.parse import quote

import numpy as np

from monitor.physics import calculators
from monitor.presentation.mark_wording import mark_names

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence
    from contextlib import AbstractContextManager

    from monitor.records import CrossingForecast, Reading
    from monitor.store.opening import Stores

READING_COLUMNS = (
    "box", "t", "temperature_c", "rh_pct", "battery_v", "seq", "origin", "vapor_pressure_kpa", "absolute_g_per_m3",
    "marks",
)  # fmt: skip
"""The first seven are those of `siccast readings export`, so that an import reads this file too."""
OUTLOOK_COLUMNS = (
    "box", "day", "rh_pct_p05", "rh_pct_p25", "rh_pct_p50", "rh_pct_p75", "rh_pct_p95", "vapor_pressure_kpa_p05",
    "vapor_pressure_kpa_p25", "vapor_pressure_kpa_p50", "vapor_pressure_kpa_p75", "vapor_pressure_kpa_p95",
    "temperature_c",
)  # fmt: skip
_PORTION = timedelta(days=20)  # judgement: some ten thousand readings, a megabyte or two
_FORMULA = ("=", "+", "-", "@", "\t", "\r")
"""A cell that begins so is worked out by spreadsheet programs, or may be (OWASP, CSV injection, from memory)."""
_PCT = 100.0  # by definition
_KPA_DIGITS, _GRAMS_DIGITS = 4, 3  # digits; judgement: a tenth of a pascal and a milligram, below any sensor's step
_NO_VAPOR = ("",) * 5  # a count by definition: the points of a day


def readings_table(reading: Callable[[], AbstractContextManager[Stores]], box: str, end: datetime) -> Iterator[str]:
    """Yield every reading of a box before an instant, as CSV in portions; the store is opened for each."""
    yield _lines([READING_COLUMNS])
    with reading() as stores:
        hours = stores.readings.hourly(box, end=end).at_s
    portion_s = _PORTION.total_seconds()
    for portion in np.unique(hours // portion_s).tolist():
        start = datetime.fromtimestamp(portion * portion_s, UTC)
        with reading() as stores:
            found = list(stores.readings.each(box, start, min(start + _PORTION, end)))
        if found:
            yield _lines(_reading_rows(found))


def outlook_table(box: str, forecast: CrossingForecast | None) -> str:
    """Return the fan of a box day by day; the headings alone where there is no forecast."""
    return _lines([OUTLOOK_COLUMNS, *(_outlook_rows(box, forecast) if forecast else ())])


def attachment(box: str, what: str, ending: str) -> dict[str, str]:
    """Return the header that names a file to save, without anything a file system or a shell could stumble over.

    >>> attachment("../pet g", "readings", "csv")["Content-Disposition"]
    'attachment; filename="pet_g-readings.csv"; filename*=UTF-8\\'\\'pet%20g-readings.csv'
    """
    kept = "".join(letter for letter in box if unicodedata.category(letter)[0] in "LN" or letter in " _-").strip(" -")
    name = kept or "box"
    plain = "".join(letter if letter.isascii() and letter != " " else "_" for letter in name)
    both = f"filename=\"{plain}-{what}.{ending}\"; filename*=UTF-8''{quote(f'{name}-{what}.{ending}')}"
    return {"Content-Disposition": f"attachment; {both}"}


def _reading_rows(found: Sequence[Reading]) -> Iterator[tuple[Any, ...]]:
    degc = np.array([reading.temperature_degc for reading in found])
    humidity = np.clip([reading.relative_humidity for reading in found], 0.0, 1.0)
    air = calculators.moisture(degc, humidity)
    for reading, kpa, grams in zip(found, air["vapor_kpa"], air["absolute_g_per_m3"], strict=True):
        yield (
            _cell(reading.box),
            reading.at.isoformat(timespec="milliseconds").replace("+00:00", "Z"),
            f"{reading.temperature_degc:.2f}",
            f"{_PCT * reading.relative_humidity:.2f}",
            "" if reading.battery_v is None else f"{reading.battery_v:.3f}",
            "" if reading.seq is None else reading.seq,
            reading.source.value,
            _number(kpa, _KPA_DIGITS),
            _number(grams, _GRAMS_DIGITS),
            mark_names(reading.marks),
        )


def _outlook_rows(box: str, forecast: CrossingForecast) -> Iterator[tuple[Any, ...]]:
    vapor = forecast.vapor_fan
    columns = (vapor.p05_kpa, vapor.p25_kpa, vapor.p50_kpa, vapor.p75_kpa, vapor.p95_kpa) if vapor else ()
    for place, day in enumerate(forecast.fan):
        humidity, (lower, upper) = day.relative_humidity, day.quartiles or (np.nan, np.nan)
        shares = (humidity.p05, lower, humidity.p50, upper, humidity.p95)
        yield (
            _cell(box),
            day.on.isoformat(),
            *(_number(_PCT * share, 2) for share in shares),
            *((_number(column[place], _KPA_DIGITS) for column in columns) if vapor else _NO_VAPOR),
            _number(vapor.temperature_degc[place], 2) if vapor else "",
        )


def _number(value: float, digits: int) -> str:
    return f"{value:.{digits}f}" if value == value else ""  # noqa: PLR0124 -- not a number


def _cell(text: str) -> str:
    """Return a text that no spreadsheet takes for a formula."""
    return f"'{text}" if text.startswith(_FORMULA) else text


def _lines(rows: Any) -> str:
    file = io.StringIO()
    csv.writer(file).writerows(rows)
    return file.getvalue()
