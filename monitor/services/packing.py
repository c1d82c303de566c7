"""Outlooks, fits and plans as bytes, and back: pickled, but nothing is made of them except values of our own.

A pickle may name any function of any module. Only classes of the rooms that answers are made of, what makes a
room of its numbers, and what numpy, array and datetime need for theirs, are let in here; anything else, and anything
damaged, gives None.
"""

from __future__ import annotations

import importlib
import io
import pickle
import zlib
from collections.abc import Callable
from dataclasses import fields, is_dataclass
from functools import cache
from hashlib import blake2b
from operator import attrgetter
from pathlib import Path
from typing import Any, ClassVar, TypeVar

_Kind = TypeVar("_Kind")

_OURS = ("monitor.records.", "monitor.inference.", "monitor.physics.", "monitor.planning.")
_RECORDS = "monitor.records."
_OTHERS = frozenset(
    {
        ("numpy", "dtype"),
        ("numpy", "ndarray"),
        ("numpy._core.multiarray", "_reconstruct"),
        ("numpy._core.multiarray", "scalar"),
        ("numpy._core.numeric", "_frombuffer"),
        ("array", "_array_reconstructor"),
        ("array", "array"),
        ("datetime", "date"),
        ("datetime", "datetime"),
        ("datetime", "timedelta"),
        ("datetime", "timezone"),
        ("monitor.texts", "Said"),
        ("monitor.services.recharge_plan", "FullPlan"),
        ("monitor.inference.evidence.room_climate", "room_of_numbers"),
    }
)
_QUICKLY = 1  # level of zlib; judgement: draws hardly shrink any further
_SOURCES = {".py", ".pyx", ".pxd", ".toml"}
ROOMS_OF_ANSWERS = ("inference", "physics", "records", "series")


def packed(value: object, level: int = _QUICKLY) -> bytes:
    """Return a value as bytes; level 0 leaves them as long as they are."""
    file = io.BytesIO()
    _Writer(file, protocol=pickle.HIGHEST_PROTOCOL).dump(value)
    return zlib.compress(file.getvalue(), level)


def unpacked(data: bytes | None, kind: type[_Kind]) -> _Kind | None:
    """Return the value that was packed; None where there is none, it is damaged, or of another kind."""
    if data is None:
        return None
    try:
        value = _Reader(io.BytesIO(zlib.decompress(data))).load()
    except Exception:  # whatever it is, the value is made again
        return None
    return value if isinstance(value, kind) else None


class _Writer(pickle.Pickler):
    _values_of: ClassVar[dict[type, Callable[[Any], tuple[Any, ...]] | None]] = {}
    """What takes the values of all fields of a record; None for what is no record of two fields or more."""

    def reducer_override(self, value: Any) -> Any:
        """Write a record as a call with its fields: read back three times as fast as by its state."""
        kind: type[Any] = type(value)
        if kind not in self._values_of:
            is_record = kind.__module__.startswith(_RECORDS) and is_dataclass(kind) and len(fields(kind)) > 1
            self._values_of[kind] = attrgetter(*(one.name for one in fields(kind))) if is_record else None
        values_of = self._values_of[kind]
        return NotImplemented if values_of is None else (kind, values_of(value))


class _Reader(pickle.Unpickler):
    _let_in: ClassVar[dict[tuple[str, str], Any]] = {}
    """What was found so far: a fit names thirty, each of them again in the next."""

    def find_class(self, module: str, name: str) -> Any:
        if (module, name) not in self._let_in:
            self._let_in[module, name] = self._found(module, name)
        return self._let_in[module, name]

    def _found(self, module: str, name: str) -> Any:
        if (module, name) in _OTHERS:
            return getattr(importlib.import_module(module), name)
        if module.startswith(_OURS) and isinstance(found := super().find_class(module, name), type):
            return found
        raise pickle.UnpicklingError(f"{module}.{name} is none of ours")


@cache
def version_of_code(rooms: tuple[str, ...] = ROOMS_OF_ANSWERS) -> bytes:
    """Return a digest of the modules that answers are made by: another state of them may answer otherwise."""
    digest, package = blake2b(), Path(__file__).resolve().parent.parent
    for room in rooms:
        for path in sorted(path for path in (package / room).rglob("*") if path.suffix in _SOURCES):
            digest.update(str(path.relative_to(package)).encode() + path.read_bytes())
    return digest.digest()
