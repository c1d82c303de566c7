"""Numbers of our own making, held so that a change of the code which moves them is noticed; *regression* all of them.

A module of cases names a function for each; what it returns is kept in a JSON file, a line a number or a row. Nothing
outside this project says that these numbers are right: they say that predictions stay the same while code is tidied.
A wanted change of the model renews them, by `python -m tests.renew`, and its reason goes into the commit.
"""

from __future__ import annotations

import json
import math
from collections.abc import Callable, Iterator, Mapping
from dataclasses import fields, is_dataclass
from pathlib import Path
from typing import Any

import numpy as np

Cases = Mapping[str, Callable[[], Any]]
FOLDER = Path(__file__).with_name("inference") / "pinned"
RELATIVE = 1e-9
"""Two numbers this near are the same: sums in another order differ by less."""
TINY = 1e-14
"""Smaller differences are none: rounding about zero."""


def plain(value: Any) -> Any:
    """Return a value as JSON holds it: records and enums by name, arrays and tuples as lists."""
    if is_dataclass(value) and not isinstance(value, type):
        return {f.name: plain(getattr(value, f.name)) for f in fields(value)}
    if isinstance(value, Mapping):
        return {str(key): plain(one) for key, one in value.items()}
    if isinstance(value, np.ndarray | np.generic):
        return plain(value.tolist())
    if isinstance(value, list | tuple):
        return [plain(one) for one in value]
    return str.__str__(value) if isinstance(value, str) else value  # a sentence that can be said anew is text here


def leaves(value: Any, path: str = "") -> Iterator[tuple[str, Any]]:
    if isinstance(value, dict):
        for key, one in value.items():
            yield from leaves(one, f"{path}.{key}")
    elif isinstance(value, list):
        yield f"{path} length", len(value)
        for place, one in enumerate(value):
            yield from leaves(one, f"{path}[{place}]")
    else:
        yield path, value


def same(found: Any, kept: Any, relative: float) -> bool:
    if isinstance(kept, bool) or isinstance(found, bool) or not isinstance(kept, int | float):
        return bool(found is kept or (type(found) is type(kept) and found == kept))
    if not isinstance(found, int | float):
        return False
    both_nan = math.isnan(found) and math.isnan(kept)
    return both_nan or math.isclose(found, kept, rel_tol=relative, abs_tol=TINY)


def assert_pinned(name: str, case: str, found: Any, relative: float = RELATIVE) -> None:
    """Hold what a case found against what is kept of it."""
    kept = dict(leaves(json.loads((FOLDER / f"{name}.json").read_text())[case]))
    now = dict(leaves(plain(found)))
    assert now.keys() == kept.keys()
    differing = {path: (now[path], kept[path]) for path in kept if not same(now[path], kept[path], relative)}
    assert not differing, dict(list(differing.items())[:8])


def keep(name: str, cases: Cases) -> None:
    """Write what all cases of a module find now; one that is the same keeps its digits, so that only changes show."""
    path = FOLDER / f"{name}.json"
    kept = json.loads(path.read_text()) if path.exists() else {}
    found = {case: plain(find()) for case, find in cases.items()}
    found = {case: kept[case] if case in kept and alike(now, kept[case]) else now for case, now in found.items()}
    text = ",\n".join(f"{json.dumps(case)}: {_lines(now)}" for case, now in found.items())
    path.write_text("{\n" + text + "\n}\n")


def alike(now: Any, kept: Any) -> bool:
    """Return whether all that a case found is what is kept of it, but for rounding."""
    ours, theirs = dict(leaves(now)), dict(leaves(kept))
    return ours.keys() == theirs.keys() and all(same(ours[path], theirs[path], RELATIVE) for path in ours)


def _lines(value: Any, indent: int = 1) -> str:
    """JSON with a line for each named value."""
    if not isinstance(value, dict):
        return json.dumps(value)
    inner = ",\n".join(" " * indent + f"{json.dumps(key)}: {_lines(one, indent + 1)}" for key, one in value.items())
    return "{\n" + inner + "\n" + " " * (indent - 1) + "}"
