"""One table of a TOML file, read key by key, so that every wrong value gets one line with its place in the file."""

from __future__ import annotations

from datetime import UTC, date, datetime, time
from typing import TYPE_CHECKING, Any

from monitor.errors import SettingsError
from monitor.named_files import require_file
from monitor.records.local_times import instants_of
from monitor.records.names import (
    NAME_RULE,
    is_name,
    tidy,
)
from monitor.records.readings import EARLIEST_AT, LATEST_AT

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path
    from zoneinfo import ZoneInfo


_LONGEST_SHOWN = 80  # letters; judgement: fits a line of an error


def _shortened(text: str) -> str:
    return text if len(text) <= _LONGEST_SHOWN else text[: _LONGEST_SHOWN - 1] + "…"


class TomlTable:
    """A table and where it stands; reading a key takes it out, and what is left over at the end was a typing slip."""

    def __init__(self, content: dict[str, Any], place: str) -> None:
        self._left = dict(content)
        self._place = place

    def error(self, key: str, value: object, right: str) -> SettingsError:
        """Return the error for one value: where, what was found, what would be right."""
        shown = _shortened(repr(value))
        return SettingsError(f"{self._place}: {key} = {shown} is not valid; it must be {right}")

    def fault(self, what: str) -> SettingsError:
        """Return the error for the table as it is."""
        return SettingsError(f"{self._place}: {what}")

    def refuse_leftovers(self) -> None:
        """Raise for keys that nobody asked for."""
        for key in self._left:
            raise SettingsError(f"{self._place}: '{key}' is not a known setting. Check its spelling")

    def text(self, key: str, default: str | None = None) -> str:
        """Return a text; without a default it must be there."""
        value = self._left.pop(key, default)
        if value is None:
            raise SettingsError(f"{self._place}: '{key}' is missing")
        if not isinstance(value, str):
            raise self.error(key, value, "a text in quotes")
        return value

    def name(self, key: str, default: str | None = None) -> str:
        """Return a name; it may stand in a topic and a page address."""
        value = tidy(self.text(key, default))
        if not is_name(value):
            raise self.error(key, value, NAME_RULE)
        return value

    def host(self, key: str) -> str:
        """Return the name or address of a machine, without its port; it must be there."""
        value = self.text(key)
        is_split = value.count(":") == 1  # an address of IPv6 has more of them
        if not value or is_split or not value.isprintable() or set(value) & set(" /[]"):
            raise self.error(key, value, "a name or an address without port, like '192.168.1.20'")
        return value

    def file(self, key: str, folder: Path) -> str | None:
        """Return the place of a file, named from the folder of the shelf file on; None where not given."""
        value = self.text(key, default="")
        if not value:
            return None
        place = folder / value
        if place.exists():  # one that is missing is told by who needs it
            try:
                require_file(place)
            except OSError as error:
                raise self.error(key, str(place), f"a file ({error.strerror})") from error
        return str(place)

    def choice(self, key: str, allowed: Sequence[str], default: str) -> str:
        """Return one of the allowed texts."""
        value = self.text(key, default)
        if value not in allowed:
            raise self.error(key, value, "one of " + ", ".join(f"'{word}'" for word in allowed))
        return value

    def flag(self, key: str, *, default: bool) -> bool:
        """Return true or false."""
        value = self._left.pop(key, default)
        if not isinstance(value, bool):
            raise self.error(key, value, "true or false")
        return value

    def instant(self, key: str) -> datetime | None:
        """Return an instant, or None where not given."""
        value = self._left.pop(key, None)
        if value is not None and (not isinstance(value, datetime) or value.tzinfo is None):
            raise self.error(key, value, "a time with its offset from UTC, like 2026-03-01T07:30:00Z")
        return None if value is None else self._within_reach(key, value)

    def moment(self, key: str, zone: ZoneInfo) -> datetime:
        """Return an instant written as a date or a time of day in a zone; it must be there."""
        value = self._left.pop(key, None)
        if not isinstance(value, date):
            raise self.error(key, value, "a date or a time, like 2026-03-01 or 2026-03-01T07:30:00")
        at = value if isinstance(value, datetime) else datetime.combine(value, time(), zone)
        there = self._within_reach(key, at if at.tzinfo else at.replace(tzinfo=zone))
        if at.tzinfo is None and len(instants_of(at, zone)) != 1:
            like = there.isoformat()
            right = f"a time that clocks in {zone} showed once, or one with its offset from UTC, like {like}"
            raise self.error(key, at.isoformat(), right)
        return there.astimezone(UTC)

    def _within_reach(self, key: str, at: datetime) -> datetime:
        """Return an instant at which there can be readings."""
        if at.year < EARLIEST_AT.year or at >= LATEST_AT:  # the year 2000 begins in each zone at its own time
            raise self.error(key, at.isoformat(), f"from {EARLIEST_AT.year} to {LATEST_AT.year - 1}")
        return at

    def number(self, key: str, low: float, high: float, default: float) -> float:
        """Return a number within its bounds; the default may lie outside and then means 'not given'."""
        if key not in self._left:
            return default
        value = self._left.pop(key)
        if isinstance(value, bool) or not isinstance(value, int | float) or not low <= value <= high:
            raise self.error(key, value, f"a number from {low:g} to {high:g}")
        return float(value)

    def whole(self, key: str, low: int, high: int, default: int) -> int:
        """Return a whole number within its bounds."""
        value = self._left.pop(key, default)
        if isinstance(value, bool) or not isinstance(value, int) or not low <= value <= high:
            raise self.error(key, value, f"a whole number from {low} to {high}")
        return value

    def numbers(self, key: str, low: float, high: float) -> tuple[float, ...]:
        """Return a list of numbers within their bounds; empty where not given."""
        values = self._left.pop(key, [])
        if not isinstance(values, list):
            raise self.error(key, values, "a list of numbers")
        table = TomlTable(dict(zip(map(str, range(len(values))), values, strict=True)), f"{self._place}: {key}")
        return tuple(table.number(str(index), low, high, 0.0) for index in range(len(values)))

    def texts(self, key: str, allowed: Sequence[str], without: str) -> tuple[str, ...]:
        """Return a list of allowed texts; empty where not given, which then means ``without``."""
        values = self._left.pop(key, None)
        if values is None:
            return ()
        if not isinstance(values, list) or any(value not in allowed for value in values):
            raise self.error(key, values, "a list of " + ", ".join(f"'{word}'" for word in allowed))
        return self._some(key, values, without)

    def list_of_texts(self, key: str, without: str = "") -> tuple[str, ...]:
        """Return a list of any texts; empty where not given, which then means ``without`` if that is something."""
        values = self._left.pop(key, None)
        if values is None:
            return ()
        if not isinstance(values, list) or not all(isinstance(value, str) and value for value in values):
            raise self.error(key, values, "a list of texts in quotes")
        return self._some(key, values, without)

    def _some(self, key: str, values: list[str], without: str) -> tuple[str, ...]:
        """Refuse a list of none: it reads as nothing at all, and nobody means by it what no list would mean."""
        if not values and without:
            raise self.error(key, values, f"one or more of them; without the line it is {without}")
        return tuple(values)

    def has(self, key: str) -> bool:
        """Return whether a key is there and was not read yet."""
        return key in self._left

    def keys_left(self) -> list[str]:
        """Return the keys that were not read yet: those of a table whose keys are a person's own words."""
        return list(self._left)

    def listed(self, key: str, right: str) -> list[Any]:
        """Return a list of whatever it holds; empty where not given."""
        values = self._left.pop(key, [])
        if not isinstance(values, list):
            raise self.error(key, values, right)
        return values

    def text_map(self, key: str) -> dict[str, str]:
        """Return a table of texts; empty where not given."""
        value = self._left.pop(key, {})
        if not isinstance(value, dict) or not all(isinstance(word, str) for word in value.values()):
            raise self.error(key, value, "a table of texts")
        return dict(value)

    def table(self, key: str) -> TomlTable | None:
        """Return an inner table, or None where there is none."""
        if key not in self._left:
            return None
        value = self._left.pop(key)
        if not isinstance(value, dict):
            raise self.error(key, value, f"a table, [{key}]")
        return TomlTable(value, f"{self._place}: [{key}]")

    def named_tables(self, key: str) -> list[tuple[str, TomlTable]]:
        """Return the tables under ``[key.NAME]`` with their names."""
        value = self._left.pop(key, {})
        if not isinstance(value, dict) or not all(isinstance(inner, dict) for inner in value.values()):
            raise self.error(key, value, f"tables, one [{key}.NAME] each")
        named: dict[str, TomlTable] = {}
        for name, inner in value.items():
            if not is_name(tidy(name)):
                shown = _shortened(repr(name))
                raise SettingsError(
                    f"{self._place}: the name {shown} in [{key}.…] is not valid; it must be {NAME_RULE}"
                )
            if tidy(name) in named:
                raise SettingsError(
                    f"{self._place}: [{key}.{name}] is there twice, once with its accents as separate letters"
                )
            named[tidy(name)] = TomlTable(inner, f"{self._place}: [{key}.{name}]")
        return list(named.items())

    def list_of_tables(self, key: str) -> list[TomlTable]:
        """Return the tables of a list; empty where not given."""
        value = self._left.pop(key, [])
        if not isinstance(value, list) or not all(isinstance(inner, dict) for inner in value):
            raise self.error(key, value, f"a list of tables, [[{key}]]")
        return [TomlTable(inner, f"{self._place}: {key}[{place}]") for place, inner in enumerate(value)]
