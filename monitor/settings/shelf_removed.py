"""Boxes that were taken off the shelf: their tables are comments in the shelf file, and may become tables again."""

from __future__ import annotations

import contextlib
from typing import TYPE_CHECKING

from monitor.errors import SettingsError
from monitor.records.names import tidy
from monitor.settings import SHELF_FILE, parse_shelf
from monitor.settings.shelf_append import read_settled, replace_shelf_file, taking_turns
from monitor.settings.shelf_lines import COMMENT, document_of, is_of, lines_of, path_of, with_their_tables, with_values

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Sequence
    from pathlib import Path

    from monitor.records import Box


def removed_boxes(folder: Path, names: Iterable[str]) -> dict[str, Box]:
    """Return those of some boxes that were taken off the shelf, as they were declared; comments have to tell."""
    with contextlib.suppress(OSError, ValueError):
        content = (folder / SHELF_FILE).read_bytes()
        as_before = {name: _uncommented(content, folder, name) for name in names}
        boxes = {name: _declared(said, folder, name) for name, said in as_before.items() if said is not None}
        return {name: box for name, box in boxes.items() if box is not None}
    return {}


def bring_box_back(
    folder: Path, name: str, volume_liter: float | None, humidity_limit: float | None, style: str | None = None
) -> Box | None:
    """Make tables again of the comments that `remove_box` left, and return the box; None where there are none.

    A volume, limit or style that is given takes the place of the one that stood there. [L], a fraction
    """
    path = folder / SHELF_FILE
    with taking_turns(folder):
        before = read_settled(path)
        after = _uncommented(before, folder, name)
        box = None if after is None else _declared(after, folder, name)
        if after is None or box is None:
            return None
        values: dict[str, float | str] = {}
        if volume_liter is not None and volume_liter != box.volume_liter:
            values["volume_l"] = volume_liter
        if humidity_limit is not None and humidity_limit != box.humidity_limit:
            values["limit_rh_pct"] = 100.0 * humidity_limit
        if style is not None and style != box.style:
            values["style"] = style
        after = with_values(after, name, values)
        box = _declared(after, folder, name)
        if box is not None:
            replace_shelf_file(path, before, after)
        return box


def taken_out(name: str, content: bytes) -> bytes:
    """Return a shelf file in which the tables of a box are comments, each of its tables one piece."""
    written: list[str] = []
    run: list[str] = []
    for line, at in (*with_their_tables(content), ("", [])):
        if is_of(at, name):
            run.append(line)
            continue
        written += (*_as_comments(run), line)
        run.clear()
    return "".join(written).encode()


def _as_comments(run: Sequence[str]) -> Iterator[str]:
    """Yield the lines of a box's tables as comments, down to the last value and the comments right below it.

    Such a comment that begins a table is of another box that was taken off the shelf.
    """
    end = max((place + 1 for place, line in enumerate(run) if _says_something(line)), default=0)
    while end < len(run) and run[end].lstrip().startswith("#") and not path_of(run[end].removeprefix(COMMENT)):
        end += 1
    for place, line in enumerate(run):
        yield COMMENT + line if place < end else line


def _says_something(line: str) -> bool:
    return bool(line.strip()) and not line.lstrip().startswith("#")


def _uncommented(before: bytes, folder: Path, name: str) -> bytes | None:
    """Return a shelf file in which the commented tables of a box are tables, and all else says the same; else None."""
    lines, places, newest, mine = lines_of(before), list[int](), 0, False
    for place, line in enumerate(lines):
        path = path_of(line.removeprefix(COMMENT)) if line.startswith(COMMENT) else None
        mine = is_of(path, name) if path is not None else mine and line.startswith("#")
        if mine:
            places.append(place)
            newest = place if path is not None and len(path) == 2 else newest
    for those in (places, [place for place in places if place >= newest]):  # where it was taken off twice, the later
        after = _without_marks(lines, frozenset(those))
        with contextlib.suppress(ValueError, SettingsError):
            if those and _others(after, name) == _others(before, name) and parse_shelf(after, folder):
                return after
    return None


def _without_marks(lines: Sequence[str], places: frozenset[int]) -> bytes:
    """Return lines of which some are comments no longer; an editor may have cut the space of an empty one."""
    return "".join(
        line.removeprefix(COMMENT if line.startswith(COMMENT) else "#") if place in places else line
        for place, line in enumerate(lines)
    ).encode()


def _others(content: bytes, name: str) -> dict[str, object]:
    """Return what a file says of anything but one box."""
    said = document_of(content)
    return {**said, "boxes": {key: table for key, table in said["boxes"].items() if tidy(key) != tidy(name)}}


def _declared(content: bytes, folder: Path, name: str) -> Box | None:
    with contextlib.suppress(SettingsError):
        return next((box for box in parse_shelf(content, folder).boxes if box.name == tidy(name)), None)
    return None
