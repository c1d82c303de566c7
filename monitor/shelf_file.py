"""The one writer of the shelf file: it adds what a command asks for at the end, and never breaks what was there."""

from __future__ import annotations

import os
from typing import TYPE_CHECKING

from monitor.errors import SettingsError
from monitor.settings import SHELF_FILE, load_shelf

if TYPE_CHECKING:
    from pathlib import Path


def declare_box(folder: Path, name: str, volume_liter: float, humidity_limit: float) -> None:
    """Declare a box with its volume and limit; everything else about it can be added by hand.

    Raises
    ------
    SettingsError
        When the box is declared already, or its name can't stand in the shelf file.
    """
    if any(box.name == name for box in load_shelf(folder).boxes):
        raise SettingsError(f"box '{name}' is declared already in {folder / SHELF_FILE}")
    path = folder / SHELF_FILE
    before = path.read_text(encoding="utf-8") if path.exists() else ""
    quoted = name.replace("\\", "\\\\").replace('"', '\\"')
    added = f'\n[boxes."{quoted}"]\nvolume_l = {volume_liter:g}\nlimit_rh_pct = {100.0 * humidity_limit:g}\n'
    _write_whole(path, before + added)
    try:
        load_shelf(folder)
    except SettingsError:
        _write_whole(path, before)
        raise


def _write_whole(path: Path, text: str) -> None:
    """Put a text in place of a file at once, so that nobody ever reads half of it."""
    unfinished = path.with_name(path.name + ".unfinished")
    try:
        unfinished.write_text(text, encoding="utf-8")
        if path.exists():
            unfinished.chmod(path.stat().st_mode)
        os.replace(unfinished, path)  # noqa: PTH105 -- the same, and says what it does
    except OSError as error:
        raise SettingsError(f"{path} can't be written: {error.strerror}; make its folder writable") from error
