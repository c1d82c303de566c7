"""What ``--help`` calls the values of options and arguments: one word in capitals for one thing."""

from __future__ import annotations

import re
from typing import Any

_CALLED = {
    "after": "HEATING",
    "at": "TIME",
    "at_heat": "HEATING",
    "csv_file": "FILE",
    "desiccant": "KIND",
    "dry_mass": "WEIGHT",
    "end": "TIME",
    "grams": "WEIGHT",
    "holder": "WEIGHT",
    "humidity": "RH",
    "limit_rh": "RH",
    "out": "FILE",
    "picture": "FILE",
    "rh_pct": "RH",
    "room_rh": "RH",
    "set_folder": "DIR",
    "source": "FILE",
    "start": "TIME",
    "step": "WEIGHT",
    "tare": "WEIGHT",
    "target": "FILE",
    "total": "HEATING",
    "weather_file": "FILE",
}
"""By the name of a parameter; another text is called what its parameter is, another number NUMBER."""
_BETWEEN = re.compile(r"(-?[\d.]+)<=x<=(-?[\d.]+)")
_FROM = re.compile(r"x>=(-?[\d.]+)")
_WHOLE = re.compile(r"(?<=\d)\.0(?![\d])")


def name_values(command: Any) -> None:
    """Give the values of a command, and of those in its group, the names that a person reads."""
    for parameter in command.params:
        if parameter.metavar is None and not getattr(parameter, "is_flag", False):
            parameter.metavar = _called(parameter)
        _say_plainly(parameter)
    for each in getattr(command, "commands", {}).values():
        name_values(each)


def plain_range(text: str) -> str:
    """Return a line of help with its range in words.

    >>> plain_range("How long.  [default: 6.0; 0.1<=x<=24.0]"), plain_range("How much.  [x>=0.1]")
    ('How long.  [default: 6; 0.1 to 24]', 'How much.  [at least 0.1]')
    """
    said = _FROM.sub(r"at least \1", _BETWEEN.sub(r"\1 to \2", text))
    return said if said == text else _WHOLE.sub("", said)


def _called(parameter: Any) -> str:
    name = str(parameter.name)
    kind = parameter.type.name
    if name in _CALLED:
        return _CALLED[name]
    if parameter.param_type_name != "argument" and ("int" in kind or "float" in kind):
        return "NUMBER"
    return "FILE" if kind == "path" else name.upper().replace("_", "-")


def _say_plainly(parameter: Any) -> None:
    record, metavar = parameter.get_help_record, parameter.make_metavar

    def in_words(ctx: Any) -> tuple[str, str] | None:
        found = record(ctx)
        return found and (found[0], plain_range(found[1]))

    def bare(ctx: Any, **usage: bool) -> str:
        """Return a value's name; in a line of usage, one that may be left out alone stands in brackets."""
        made = str(metavar(ctx=ctx, **usage))
        many = "..." if parameter.nargs == -1 and usage.get("usage") else ""
        return (made[1:-1] if made.startswith("{") else made) + many

    parameter.get_help_record, parameter.make_metavar = in_words, bare
