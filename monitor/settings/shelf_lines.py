"""The shelf file as lines, each with the table it stands in; what is changed by line keeps comments and layout."""

from __future__ import annotations

import re
import tomllib
from typing import TYPE_CHECKING, Any

from monitor.records.names import tidy

if TYPE_CHECKING:
    from collections.abc import Collection, Iterator, Mapping, Sequence

_BARE = r"[A-Za-z0-9_-]+"
KEY = rf"""(?:{_BARE}|"[^"\\\r\n]*"|'[^'\r\n]*')"""
"""A key of TOML that can be changed as text: bare, or quoted without escapes."""
COMMENT = "# "
"""Before each line of a box that was taken off the shelf."""
_HEADER = re.compile(rf"\s*\[\[?\s*(?P<path>{KEY}(?:\s*\.\s*{KEY})*)\s*\]\]?\s*(?:#.*)?\Z")
_VALUE = re.compile(r"""(=\s*)("[^"\\\r\n]*"|'[^'\r\n]*'|[^\s#"']+)""")
_MARK = "\ufeff"
"""A byte order mark, which stays before the first line."""


def lines_of(content: bytes) -> list[str]:
    """Return the lines of a file with their endings, a byte order mark before them on its own."""
    text = content.decode("utf-8")
    mark = [_MARK] if text.startswith(_MARK) else []
    return [*mark, *re.findall(r"[^\n]*\n|[^\n]+", text.removeprefix(_MARK))]


def path_of(line: str) -> list[str] | None:
    """Return the path of the table that a line begins, None where it begins none."""
    found = _HEADER.match(line.rstrip("\r\n"))
    return None if found is None else [bare(key) for key in re.findall(KEY, found["path"])]


def with_their_tables(content: bytes) -> Iterator[tuple[str, list[str]]]:
    """Yield each line with its ending, and the path of the table it stands in."""
    at: list[str] = []
    for line in lines_of(content):
        at = path_of(line) or at
        yield line, at


def is_of(path: Sequence[str] | None, box: str) -> bool:
    """Return whether a table is one of a box."""
    return path is not None and path[:1] == ["boxes"] and len(path) > 1 and tidy(path[1]) == tidy(box)


def key_of(line: str) -> str:
    """Return the key that a line gives a value, or what stands where one would."""
    return line.partition("=")[0].strip()


def with_values(content: bytes, box: str, values: Mapping[str, float | str]) -> bytes:
    """Return a file in which keys of a box's own table have other values, in their lines or in new ones at its top."""
    lines = [(line, is_of(at, box) and len(at) == 2) for line, at in with_their_tables(content)]
    there = {key_of(line) for line, own in lines if own and path_of(line) is None}
    return "".join(_with_values(line, values, there) if own else line for line, own in lines).encode()


def _with_values(line: str, values: Mapping[str, float | str], there: Collection[str]) -> str:
    if path_of(line):
        ending = "\r\n" if line.endswith("\r\n") else "\n"
        added = "".join(f"{key} = {value_text(value)}{ending}" for key, value in values.items() if key not in there)
        return line.rstrip("\r\n") + ending + added if added else line
    given = values.get(key_of(line))
    return line if given is None else _VALUE.sub(lambda found: found[1] + value_text(given), line, count=1)


def value_text(value: float | str) -> str:
    """Return a value as TOML writes it: JSON's escapes are TOML's too.

    >>> value_text(12.50), value_text("clip_lid")
    ('12.5', '"clip_lid"')
    """
    import json  # noqa: PLC0415 -- for this line alone

    if not isinstance(value, str):
        return f"{value:.10g}"
    return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")


def key_text(key: str) -> str:
    """Return a key as a person writes it in TOML: bare where it may be.

    >>> key_text("left-top"), key_text("box 3")
    ('left-top', '"box 3"')
    """
    return key if re.fullmatch(_BARE, key) else value_text(key)


def document_of(content: bytes) -> dict[str, Any]:
    """Return what a file says, its boxes there even where there are none.

    Raises
    ------
    ValueError
        Where it is not TOML.
    """
    said = tomllib.loads(content.decode("utf-8-sig"))
    return {**said, "boxes": said.get("boxes", {})}


def bare(key: str) -> str:
    """Return a key or a text without its quotes."""
    return key[1:-1] if key[:1] in "\"'" else key
