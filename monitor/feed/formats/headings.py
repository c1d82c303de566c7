"""Which column of a foreign table is which of ours: by the headings that tables usually have, and said aloud."""

from __future__ import annotations

import re
from dataclasses import dataclass
from types import MappingProxyType
from typing import TYPE_CHECKING

from monitor.errors import ImportFileError

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

OWN_COLUMNS = ("box", "t", "temperature_c", "rh_pct", "battery_v", "seq", "origin")
"""The columns that an export has and an import reads; the last three may be missing."""

DATE = "date"
"""The day, where a table tells it in a column apart from the time of day; read together with ``t``."""

_USUAL = MappingProxyType(
    {
        "box": ("box name", "box id", "box no", "device", "device name", "device id", "sensor", "sensor name"),
        DATE: ("date", "day", "datum", "fecha"),
        "t": (
            "time", "timestamp", "time stamp", "datetime", "date time", "date and time", "at", "utc", "local time",
            "recorded at", "measured at", "created at", "ts", "epoch", "unixtime",
            "zeit", "uhrzeit", "zeitstempel", "zeitpunkt", "datum zeit", "datum uhrzeit", "date heure", "horodatage",
            "fecha hora", "hora",
        ),
        "temperature_c": (
            "temperature", "temp", "t c", "t f", "air temperature", "temperature celsius", "temperature fahrenheit",
            "temperatur", "lufttemperatur", "température", "temperatura",
        ),
        "rh_pct": (
            "rh", "humidity", "hum", "relative humidity", "rel humidity", "air humidity", "feuchte", "luftfeuchte",
            "luftfeuchtigkeit", "feuchtigkeit", "relative feuchte", "rel feuchte", "relative luftfeuchte",
            "relative luftfeuchtigkeit", "humidité", "humidité relative", "humedad", "humedad relativa",
        ),
        "battery_v": ("battery voltage", "batt v", "voltage", "batterie v"),
        "seq": ("sequence", "sequence number", "seq no"),
    }
)  # fmt: skip
_UNIT_ENDINGS = frozenset(
    {"c", "f", "k", "degc", "degf", "celsius", "fahrenheit", "kelvin", "pct", "percent", "rh", "rf", "v"}
)
_WITH_UNIT = frozenset({"temperature_c", "rh_pct", "battery_v"})
_VALUE = re.compile(r"\s*[-+]?\d")
"""How a number or a time begins, and no heading does."""
_WITH_ZONE = frozenset({"t", DATE})
_ZONE_WORDS = frozenset({"utc", "gmt"})
_TEMPERATURE_UNITS = MappingProxyType(
    {"c": "C", "degc": "C", "celsius": "C", "f": "F", "degf": "F", "fahrenheit": "F", "k": "K", "kelvin": "K"}
)


@dataclass(frozen=True, slots=True)
class Headings:
    """What a table calls our columns."""

    columns: Mapping[str, str]
    """Our name to the name in the file, for every column that is there."""
    temperature_unit: str | None = None
    """C, F or K where the heading itself says so."""
    in_utc: bool = False
    """Whether the heading says that the clock times below it are those of UTC."""
    recognized: Sequence[str] = ()
    """Ours for which the file has another name that nobody named."""

    def given(self) -> str:
        """Return one line on what was taken for what; empty where the file has our names, or they were given."""
        if not self.recognized:
            return ""
        pairs = [f"{self.columns[ours]} → {ours}{self._read_as(ours)}" for ours in self.recognized]
        return f"read as: {', '.join(pairs)}"

    def _read_as(self, ours: str) -> str:
        if ours == "t" and self.in_utc:
            return " in UTC"
        return f" in {self.temperature_unit}" if ours == "temperature_c" and self.temperature_unit else ""


def recognize(found: Sequence[str], given: Mapping[str, str], *, box: str | None, file_name: str) -> Headings:
    """Return what a table calls our columns: as given, else by our own name, else by a usual one.

    Raises
    ------
    ImportFileError
        When a column that is needed is not there, or could be one of several.
    """
    there = [name for name in found if name]
    _require_known(given, there, file_name)
    columns, recognized = dict(given), []
    free = [name for name in there if name not in given.values()]
    for ours in (*OWN_COLUMNS, DATE):
        if ours in columns or (ours == "box" and box is not None):
            continue
        theirs = ours if ours in free and ours != DATE else _usual(ours, free, file_name)
        if theirs is not None:
            columns[ours] = theirs
            recognized += [] if theirs == ours else [ours]
    if DATE in columns and "t" not in columns:
        columns["t"] = columns.pop(DATE)
    recognized = [ours for ours in recognized if ours in columns]
    _require_needed(columns, there, box, file_name)
    in_utc = any(_ZONE_WORDS & set(_words(columns[ours])) for ours in _WITH_ZONE if ours in columns)
    return Headings(columns, _temperature_unit(columns["temperature_c"]), in_utc, recognized)


def _usual(ours: str, there: Sequence[str], file_name: str) -> str | None:
    names = {*_USUAL.get(ours, ()), ours.replace("_", " ")}
    matching = [name for name in there if names & _readings_of(name, ours)]
    if len(matching) > 1:
        raise ImportFileError(
            f"{file_name}: {' and '.join(repr(name) for name in matching)} may both be {ours}."
            f" Choose one with --column {ours}=NAME"
        )
    return matching[0] if matching else None


def _readings_of(heading: str, ours: str) -> set[str]:
    """Return a heading in plain words, and without the unit that may end it or the zone that a time may be told in."""
    words = _words(heading)
    whole = " ".join(words)
    while ours in _WITH_UNIT and len(words) > 1 and words[-1] in _UNIT_ENDINGS:
        words = words[:-1]
    if ours in _WITH_ZONE:
        words = [word for word in words if word not in _ZONE_WORDS]
    return {whole, " ".join(words)}


def _words(heading: str) -> list[str]:
    return re.findall(r"[^\W_]+", heading.casefold().replace("°", " ").replace("%", " pct "))


def _temperature_unit(heading: str) -> str | None:
    words = _words(heading)
    return None if heading == "temperature_c" or len(words) < 2 else _TEMPERATURE_UNITS.get(words[-1])


def _require_known(given: Mapping[str, str], there: Sequence[str], file_name: str) -> None:
    for ours, theirs in given.items():
        if ours not in (*OWN_COLUMNS, DATE):
            raise ImportFileError(
                f"--column {ours}={theirs}: '{ours}' is not one of our columns: {', '.join(OWN_COLUMNS)}"
            )
        if theirs not in there:
            raise _missing(ours, theirs, there, file_name)


def _require_needed(columns: Mapping[str, str], there: Sequence[str], box: str | None, file_name: str) -> None:
    for ours in ("t", "temperature_c", "rh_pct", *(() if box is not None else ("box",))):
        if ours not in columns:
            raise _missing(ours, ours, there, file_name)


def _missing(ours: str, theirs: str, there: Sequence[str], file_name: str) -> ImportFileError:
    if not there:
        return ImportFileError(f"{file_name} is empty")
    if all(_VALUE.match(heading) for heading in there):
        return ImportFileError(
            f"{file_name} begins with values. Its first line has to name the columns, like t,temperature_c,rh_pct"
        )
    or_box = ", give the box of all rows with --box" if ours == "box" else ""
    return ImportFileError(
        f"{file_name} has no column '{theirs}' for {ours}. It has {', '.join(sorted(there)) or 'none'}."
        f" Choose the right one with --column {ours}=NAME{or_box}, or give another --delimiter"
    )
