"""Changes within the shelf file: a box gets another name, volume, limit or style, or its tables become comments.

Lines are changed as text, so that comments and layout stay; what comes of it is held against what was meant, and where
the two differ (dotted keys, inline tables) the person is told to do it by hand.
"""

from __future__ import annotations

import re
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
from monitor.settings.shelf_lines import (
    COMMENT,
    KEY,
    bare,
    document_of,
    is_of,
    key_of,
    path_of,
    value_text,
    with_their_tables,
    with_values,
)
from monitor.settings.shelf_removed import taken_out

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping
    from pathlib import Path

_BOX_OF_HEADER = re.compile(rf"(\s*\[\[?\s*{KEY}\s*\.\s*)({KEY})")
_TEXT = re.compile(r"""("[^"\\\r\n]*"|'[^'\r\n]*')""")
_VALUE = re.compile(rf"(=\s*){_TEXT.pattern}")
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
        lines = [_renamed_line(line, at, old, new) for line, at in with_their_tables(before)]
        after = "".join(lines).encode()
        meant = _renamed(document_of(before), old, new)
        _require(after, meant, path, f"write '{new}' for '{old}' in [boxes.…], [[moves]], [routes.…] and [feeds.boxes]")
        if reports and not _is_led_elsewhere(meant, document_of(before), old, new):
            move = f'[[moves]]\nsensor = {value_text(old)}\nto = "{new}"\non = {_EVER}\n'
            after += as_addition(after, move)
        parse_shelf(after, folder)
        if after != before:
            replace_shelf_file(path, before, after)


def change_box(folder: Path, name: str, values: Mapping[str, float | str]) -> None:
    """Give keys of a declared box other values; a key that is not there yet comes right below the box's heading.

    Raises
    ------
    SettingsError
        When the box is not declared, or the file says it in a way that can't be changed line by line.
    """
    path = folder / SHELF_FILE
    with taking_turns(folder):
        before = read_settled(path)
        meant = document_of(before)
        key = next((key for key in meant["boxes"] if tidy(key) == tidy(name)), None)
        if key is None:
            raise SettingsError(f"there is no box '{name}' in {path}")
        meant["boxes"][key] |= values
        after = with_values(before, name, values)
        _require(after, meant, path, " and ".join(f"write {k} = {value_text(v)} for {name}" for k, v in values.items()))
        parse_shelf(after, folder)
        if after != before:
            replace_shelf_file(path, before, after)


def remove_box(folder: Path, name: str) -> bool:
    """Make comments of a box's tables, and return whether there were any."""
    path = folder / SHELF_FILE
    with taking_turns(folder):
        before = read_settled(path)
        meant = document_of(before)
        keys = [key for key in meant["boxes"] if tidy(key) == tidy(name)]
        if not keys:
            return False
        for key in keys:
            del meant["boxes"][key]
        after = taken_out(name, before)
        _require(after, meant, path, f"take [boxes.{name}] out")
        replace_shelf_file(path, before, after)
        return True


def _renamed_line(line: str, at: list[str], old: str, new: str) -> str:
    said = line.removeprefix(COMMENT)
    if said != line and is_of(path_of(said), old):  # it was taken off the shelf, and may come back
        return COMMENT + _BOX_OF_HEADER.sub(lambda found: f'{found[1]}"{new}"', said, count=1)
    if is_of(at, old) and path_of(line):
        return _BOX_OF_HEADER.sub(lambda found: f'{found[1]}"{new}"', line, count=1)
    key = key_of(line)
    if at[:1] == ["routes"] and (key == "boxes" or line.lstrip()[:1] in ('"', "'")):  # a list may go on over lines
        return _TEXT.sub(lambda found: f'"{new}"' if tidy(bare(found[1])) == tidy(old) else found[0], line)
    names_boxes = (
        (at == ["moves"] and key == "to")
        or at == ["feeds", "boxes"]
        or (at == ["feeds"] and key == "boxes")
        or (at[:1] == ["boxes"] and len(at) == 2 and key == "room")
    )
    if not names_boxes:
        return line
    return _VALUE.sub(lambda found: f'{found[1]}"{new}"' if tidy(bare(found[2])) == tidy(old) else found[0], line)


def _renamed(document: dict[str, Any], old: str, new: str) -> dict[str, Any]:
    """Return what a shelf file should say once a box is called otherwise."""

    def name(text: Any) -> Any:
        return new if isinstance(text, str) and tidy(text) == tidy(old) else text

    def each(table: dict[str, Any], key: str, change: Callable[[Any], Any]) -> dict[str, Any]:
        return {**table, key: change(table[key])} if key in table else table

    document = each(document, "boxes", lambda boxes: {name(k): each(box, "room", name) for k, box in boxes.items()})
    document = each(document, "moves", lambda moves: [each(move, "to", name) for move in moves])
    named = lambda boxes: [name(box) for box in boxes]  # noqa: E731
    document = each(document, "routes", lambda routes: {k: each(route, "boxes", named) for k, route in routes.items()})
    mapping: Callable[[Any], Any] = lambda boxes: {k: name(v) for k, v in boxes.items()}  # noqa: E731
    return each(document, "feeds", lambda feeds: [each(feed, "boxes", mapping) for feed in feeds])


def _is_led_elsewhere(meant: dict[str, Any], before: dict[str, Any], old: str, new: str) -> bool:
    """Return whether what comes in under the old name needs no move: a feed renames its sensor, or a move is there."""
    named = {tidy(ours) for feed in before.get("feeds", []) for ours in feed.get("boxes", {}).values()}
    moved = {(tidy(str(move.get("sensor"))), tidy(str(move.get("to")))) for move in meant.get("moves", [])}
    return tidy(old) in named or (tidy(old), new) in moved


def _require(after: bytes, meant: dict[str, Any], path: Path, by_hand: str) -> None:
    try:
        done = document_of(after)
    except ValueError:
        done = {}
    if done != meant:
        raise SettingsError(
            f"siccast can't change {path} by itself here: it is written in an unusual way."
            f" In it, {by_hand} yourself. Then run the command again"
        )
