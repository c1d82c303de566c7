"""What a command writes into the shelf file stands there, and what was there before still does, byte for byte."""

from __future__ import annotations

import subprocess
import sys
from concurrent.futures import ThreadPoolExecutor
from typing import TYPE_CHECKING

import pytest

from monitor.errors import SettingsError
from monitor.settings import load_shelf
from monitor.settings.shelf_append import declare_box

if TYPE_CHECKING:
    from pathlib import Path

AS_IT_STOOD = [
    b"",
    b'site = "attic"',
    b'site = "attic" # mine\n',
    b'# caf\xc3\xa9\r\nsite = "attic"\r\n',
    b'\xef\xbb\xbfsite = "attic"\r\n[boxes.one]\r\nvolume_l = 12 # a jar\r\n',
    b'[[feeds]]\ntopic = "a/{box}"\ntemperature = {pointer = "/t"}\nhumidity = {pointer = "/h"}',
]


@pytest.mark.parametrize("before", AS_IT_STOOD)
def test_what_was_there_stays_byte_for_byte(tmp_path: Path, before: bytes) -> None:
    path = tmp_path / "shelf.toml"
    path.write_bytes(before)
    declare_box(tmp_path, "two", 8.0, 0.15)
    after = path.read_bytes()
    assert after.startswith(before)
    assert after.count(b"\r\n") == (after.count(b"\n") if b"\r\n" in before else 0)
    box = load_shelf(tmp_path).box("two")
    assert (box.volume_liter, box.humidity_limit) == (8.0, 0.15)


def test_a_link_stays_a_link(tmp_path: Path) -> None:
    (tmp_path / "kept").mkdir()
    (tmp_path / "shelf").mkdir()
    real = tmp_path / "kept" / "site.toml"
    real.write_text('site = "attic"\n')
    link = tmp_path / "shelf" / "shelf.toml"
    link.symlink_to(real)
    declare_box(tmp_path / "shelf", "two", 8.0, 0.15)
    assert link.is_symlink()
    assert "two" in real.read_text()
    assert [each.name for each in real.parent.iterdir()] == ["site.toml"]


def test_a_file_that_nothing_can_be_added_to_stays_as_it_is(tmp_path: Path) -> None:
    path = tmp_path / "shelf.toml"
    before = b"boxes = { one = { volume_l = 5 } }\n"
    path.write_bytes(before)
    with pytest.raises(SettingsError, match="not valid TOML"):
        declare_box(tmp_path, "two", 8.0, 0.15)
    assert path.read_bytes() == before


def test_forty_at_once_are_all_declared_and_one_of_two_alike_is_refused(tmp_path: Path) -> None:
    (tmp_path / "shelf.toml").write_text('site = "attic"\n')
    names = [f"box {number}" for number in range(40)]
    with ThreadPoolExecutor(40) as pool:
        list(pool.map(lambda name: declare_box(tmp_path, name, 8.0, 0.15), names))
        twins = [pool.submit(declare_box, tmp_path, "twin", 8.0, 0.15) for _ in range(8)]
        refused = [twin.exception() for twin in twins]
    assert sum(error is None for error in refused) == 1
    assert sorted(box.name for box in load_shelf(tmp_path).boxes) == sorted([*names, "twin"])


EDITOR = """
import pathlib, sys, time
path, how = pathlib.Path(sys.argv[1]), sys.argv[2]
saves, lost = 0, 0
while not path.with_name("close").exists():
    text = path.read_text()
    lost += f'site = "save-{saves}"\\n' not in text
    text = text.replace(f'"save-{saves}"', f'"save-{saves + 1}"')
    saved = path if how == "in place" else path.with_name("editor.tmp")
    saved.write_text(text)
    saved.replace(path)
    saves += 1
    time.sleep(0.02)
print(saves, lost)
"""
"""An editor that counts up in a line of its own, and leaves boxes that appear beside it alone."""


@pytest.mark.parametrize("how", ["by rename", "in place"])
def test_no_save_of_an_editor_is_lost(tmp_path: Path, how: str) -> None:
    path = tmp_path / "shelf.toml"
    path.write_text('site = "save-0"\n')
    command = [sys.executable, "-c", EDITOR, str(path), how]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as editor:
        try:
            for number in range(10):
                declare_box(tmp_path, f"box{number}", 8.0, 0.15)
        finally:
            (tmp_path / "close").touch()
        told, _ = editor.communicate()
    saves, lost = map(int, told.split())
    assert saves > 0
    assert lost == 0
    assert load_shelf(tmp_path).site == f"save-{saves}"
