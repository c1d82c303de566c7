"""The one writer of the shelf file: what a command adds goes to its end, and every byte that was there stays.

Adding appends in place: nothing an editor saves meanwhile can be overwritten, a link stays a link, line endings and a
byte order mark stay. Our own commands take turns by a lock on the folder.
"""

from __future__ import annotations

import contextlib
import os
import time
from typing import TYPE_CHECKING

from monitor.errors import SettingsError
from monitor.named_files import remedy, require_file
from monitor.settings import SHELF_FILE, parse_shelf
from monitor.settings.shelf_lines import key_text, value_text

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from io import FileIO
    from pathlib import Path

_LOOK_AGAIN_S = 0.01
"""A file that is the same twice so far apart is not just being saved: a judgement, editors write in one go."""
_EMPTY_LOOKS = 20
"""How many looks in a row: a judgement. Editors that save in place empty a file first, so it has to stay so for
longer."""
_LOOKS = 40  # how many at one try; judgement: less than half a second
_TRIES = 100  # how many; judgement: a person who saves all the time gives up first


def declare_box(folder: Path, name: str, volume_liter: float, humidity_limit: float, style: str | None = None) -> None:
    """Declare a box with its volume, limit and style; everything else about it can be added by hand.

    Raises
    ------
    SettingsError
        When the box is declared already, or its name can't stand in the shelf file.
    """
    said = f"[boxes.{key_text(name)}]\nvolume_l = {volume_liter:g}\nlimit_rh_pct = {100.0 * humidity_limit:g}\n"
    said += f"style = {value_text(style)}\n" if style else ""
    path, added = folder / SHELF_FILE, False
    with taking_turns(folder):
        for _ in range(_TRIES):
            before = read_settled(path)
            if any(box.name == name for box in parse_shelf(before, folder).boxes):
                if added:
                    return
                raise SettingsError(f"box '{name}' is already declared in {path}")
            addition = as_addition(before, said)
            parse_shelf(before + addition, folder)
            added = _append(path, before, addition) or added
    raise SettingsError(f"{path} is being saved again and again by another program. Close that program, then try again")


@contextlib.contextmanager
def changed_with(folder: Path, change: Callable[[], object]) -> Iterator[None]:
    """Change the shelf file, and put it back where the body fails: what goes with the change could not be kept.

    What was there stays under another name meanwhile, so that even a full disk can get it back.
    """
    path = (folder / SHELF_FILE).resolve()
    before = _read(path)
    former = path.with_name(f"{path.name}.before-{os.getpid()}")
    with contextlib.suppress(OSError):  # some disks know no second name
        former.unlink(missing_ok=True)
        os.link(path, former)
    try:
        change()
        after = _read(path)
        try:
            yield
        except BaseException:
            if _read(path) == after != before:
                _put_back(path, former, before, after)
            raise
    finally:
        with contextlib.suppress(OSError):
            former.unlink(missing_ok=True)


def _put_back(path: Path, former: Path, before: bytes, after: bytes) -> None:
    if not before:
        path.unlink()
    elif after.startswith(before):  # it was added to in place, and its other name shows that too
        os.truncate(path, len(before))
    elif former.exists():
        os.replace(former, path)  # noqa: PTH105 -- the same, and says what it does
    else:
        replace_shelf_file(path, after, before)


@contextlib.contextmanager
def taking_turns(folder: Path) -> Iterator[None]:
    """Let one command of ours at a time change the shelf file of a folder, where the system can lock."""
    try:
        import fcntl  # noqa: PLC0415 -- not there on every system
    except ImportError:
        yield
        return
    place = (folder / SHELF_FILE).resolve().parent
    try:
        lock = os.open(place, os.O_RDONLY)
    except OSError as error:
        raise SettingsError(f"{place} can't be opened: {error.strerror}. Make it readable") from error
    try:
        with contextlib.suppress(OSError):  # some network disks lock no folder; appending still loses nothing
            fcntl.flock(lock, fcntl.LOCK_EX)
        yield
    finally:
        os.close(lock)


def read_settled(path: Path) -> bytes:
    """Return what stands in a file once it holds still, or after a while what stood there last."""
    content = last = _read(path)
    alike = 0
    for _ in range(_LOOKS):
        time.sleep(_LOOK_AGAIN_S)
        before, content = content, _read(path)
        last = content or last
        alike = alike + 1 if content == before else 0
        if alike >= (1 if content or not path.exists() else _EMPTY_LOOKS):
            return content
    return last


def as_addition(before: bytes, text: str) -> bytes:
    """Return a text as it is to stand after what is there: on lines of its own, which end as the others do."""
    ending = "\r\n" if b"\r\n" in before else "\n"
    apart = "" if not before.strip() else "\n" if before.endswith(b"\n") else "\n\n"
    return (apart + text).replace("\n", ending).encode()


def replace_shelf_file(path: Path, before: bytes, after: bytes) -> None:
    """Put a new text in place of the one that was read, at once; refuse where somebody saved another meanwhile.

    Raises
    ------
    SettingsError
        When the file is another by now, or can't be written.
    """
    target = path.resolve()
    unfinished = target.with_name(target.name + ".unfinished")
    try:
        try:
            with unfinished.open("wb") as file:
                file.write(after)
                file.flush()
                os.fsync(file)
            if target.exists():
                unfinished.chmod(target.stat().st_mode)
            if _read(path) != before:
                raise SettingsError(f"{path} was just saved by another program. Nothing was changed. Try again")
            os.replace(unfinished, target)  # noqa: PTH105 -- the same, and says what it does
        finally:
            unfinished.unlink(missing_ok=True)
    except OSError as error:
        helps = remedy(error, "Make its folder writable")
        raise SettingsError(f"{path} can't be written: {error.strerror}. {helps}") from error


def _read(path: Path) -> bytes:
    try:
        require_file(path)
        return path.read_bytes()
    except FileNotFoundError:
        return b""
    except OSError as error:
        raise SettingsError(f"{path} can't be read: {error.strerror}. Make it readable") from error


def _append(path: Path, before: bytes, addition: bytes) -> bool:
    """Append where the file is still what was read; False where somebody is saving it just now."""
    try:
        with path.open("a+b", buffering=0) as file:
            file.seek(0)
            if file.read() != before:
                return False
            _write_whole(file, before, addition)
    except OSError as error:
        helps = remedy(error, "Make it and its folder writable")
        raise SettingsError(f"{path} can't be written: {error.strerror}. {helps}") from error
    return True


def _write_whole(file: FileIO, before: bytes, addition: bytes) -> None:
    """Write an addition to the end; where only a part of it fits on the disk, none of it stays."""
    written = 0
    try:
        while written < len(addition):
            written += file.write(addition[written:])
        os.fsync(file)
    except OSError:
        file.seek(0)
        if file.read() == before + addition[:written]:  # nobody else has added anything
            file.truncate(len(before))
        raise
