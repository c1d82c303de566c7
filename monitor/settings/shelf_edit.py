"""Changes within the shelf file: a box gets another name, or its tables become comments.

Lines are changed as text, so that comments and layout stay; what comes of it is held against what was meant, and where
the two differ (dotted keys, inline tables) the person is told to do it by hand.
"""

from __future__ import annotations

import re
import tomllib
from typing import TYPE_CHECKING, Any

from monitor.errors import SettingsError
from monitor.records.names import tidy
from monitor.settings import SHELF_FILE, parse_shelf
from monitor.settings.shelf_append import (
    as_addition,
    read_settled,
    replace_shelf_file,
    taking_turns,
)

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable
    from pathlib import Path

_KEY = r"""(?:[A-Za-z0-9_-]+|"[^"\\\r\n]*"|'[^'\r\n]*')"""
_HEADER = re.compile(rf"\s*\[\[?\s*(?P<path>{_KEY}(?:\s*\.\s*{_KEY})*)\s*\]\]?\s*(?:#.*)?\Z")
_BOX_OF_HEADER = re.compile(rf"(\s*\[\[?\s*{_KEY}\s*\.\s*)({_KEY})")
_VALUE = re.compile(r"""(=\s*)("[^"\\\r\n]*"|'[^'\r\n]*')""")
_MARK = "\ufeff"
"""A byte order mark, which stays before the first line."""
_EVER = "2000-01-01"
"""A move since then holds for every reading: earlier ones are rejected at the feed."""


def rename_box(folder: Path, old: str, new: str, *, reports: bool) -> None:
    """Give a declared box another name, and let what a sensor goes on sending under the old one go to the new.

    Raises
    ------
    SettingsError
        When the file says it in a way that can't be changed line by line; nothing is changed then.
    """
    path = folder / SHELF_FILE
    with taking_turns(folder):
        before = read_settled(path)
        lines = [_renamed_line(line, at, old, new) for line, at in _with_their_headers(before)]
        after = "".join(lines).encode()
        meant = _renamed(_parse(before), old, new)
        _require(after, meant, path, f"write '{new}' for '{old}' in [boxes.…], [[moves]] and [feeds.boxes]")
        if reports and not _is_led_elsewhere(meant, _parse(before), old, new):
            move = f'[[moves]]\nsensor = {_quoted(old)}\nto = "{new}"\non = {_EVER}\n'
            after += as_addition(after, move)
        parse_shelf(after, folder)
        if after != before:
            replace_shelf_file(path, before, after)


def remove_box(folder: Path, name: str) -> bool:
    """Make comments of a box's tables, and return whether there were any."""
    path = folder / SHELF_FILE
    with taking_turns(folder):
        before = read_settled(path)
        meant = _parse(before)
        keys = [key for key in meant.get("boxes", {}) if tidy(key) == tidy(name)]
        if not keys:
            return False
        for key in keys:
            del meant["boxes"][key]
        after = "".join(
            f"# {line}"
            if at[1:2] and at[0] == "boxes" and tidy(at[1]) == tidy(name) and _says_something(line)
            else line
            for line, at in _with_their_headers(before)
        ).encode()
        _require(after, meant, path, f"take [boxes.{name}] out")
        replace_shelf_file(path, before, after)
        return True


def _with_their_headers(content: bytes) -> Iterable[tuple[str, list[str]]]:
    """Yield each line with its ending, and the path of the table it stands in."""
    at: list[str] = []
    text = content.decode("utf-8")
    if text.startswith(_MARK):
        yield _MARK, at
    for line in re.findall(r"[^\n]*\n|[^\n]+", text.removeprefix(_MARK)):
        found = _HEADER.match(line.rstrip("\r\n"))
        if found is not None:
            at = [_bare(key) for key in re.findall(_KEY, found["path"])]
        yield line, at


def _says_something(line: str) -> bool:
    return bool(line.strip()) and not line.lstrip().startswith("#")


def _renamed_line(line: str, at: list[str], old: str, new: str) -> str:
    if at[:1] == ["boxes"] and _HEADER.match(line.rstrip("\r\n")) and len(at) > 1 and tidy(at[1]) == tidy(old):
        return _BOX_OF_HEADER.sub(lambda found: f'{found[1]}"{new}"', line, count=1)
    key = line.partition("=")[0].strip()
    names_boxes = (
        (at == ["moves"] and key == "to")
        or at == ["feeds", "boxes"]
        or (at == ["feeds"] and key == "boxes")
        or (at[:1] == ["boxes"] and len(at) == 2 and key == "room")
    )
    if not names_boxes:
        return line
    return _VALUE.sub(lambda found: f'{found[1]}"{new}"' if tidy(_bare(found[2])) == tidy(old) else found[0], line)


def _renamed(document: dict[str, Any], old: str, new: str) -> dict[str, Any]:
    """Return what a shelf file should say once a box is called otherwise."""

    def name(text: Any) -> Any:
        return new if isinstance(text, str) and tidy(text) == tidy(old) else text

    def each(table: dict[str, Any], key: str, change: Callable[[Any], Any]) -> dict[str, Any]:
        return {**table, key: change(table[key])} if key in table else table

    document = each(document, "boxes", lambda boxes: {name(k): each(box, "room", name) for k, box in boxes.items()})
    document = each(document, "moves", lambda moves: [each(move, "to", name) for move in moves])
    mapping: Callable[[Any], Any] = lambda boxes: {k: name(v) for k, v in boxes.items()}  # noqa: E731
    return each(document, "feeds", lambda feeds: [each(feed, "boxes", mapping) for feed in feeds])


def _is_led_elsewhere(meant: dict[str, Any], before: dict[str, Any], old: str, new: str) -> bool:
    """Return whether what comes in under the old name needs no move: a feed renames its sensor, or a move is there."""
    named = {tidy(ours) for feed in before.get("feeds", []) for ours in feed.get("boxes", {}).values()}
    moved = {(tidy(str(move.get("sensor"))), tidy(str(move.get("to")))) for move in meant.get("moves", [])}
    return tidy(old) in named or (tidy(old), new) in moved


def _require(after: bytes, meant: dict[str, Any], path: Path, by_hand: str) -> None:
    try:
        done = _parse(after)
    except ValueError:
        done = {}
    if {**done, "boxes": done.get("boxes", {})} != {**meant, "boxes": meant.get("boxes", {})}:
        raise SettingsError(
            f"siccast can't change {path} by itself here: it is written in an unusual way."
            f" In it, {by_hand} yourself. Then run the command again"
        )


def _parse(content: bytes) -> dict[str, Any]:
    return tomllib.loads(content.decode("utf-8-sig"))


def _bare(key: str) -> str:
    return key[1:-1] if key[:1] in "\"'" else key


def _quoted(text: str) -> str:
    """Return a text as TOML writes it: JSON's escapes are TOML's too."""
    import json  # noqa: PLC0415 -- for this line alone

    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")
