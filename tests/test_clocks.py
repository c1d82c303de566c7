"""A clock is read only in a face: every module of monitor/ is read, and no other names one, SQL's own included."""

from __future__ import annotations

import ast
import re
from typing import TYPE_CHECKING

import pytest
from test_imports import modules

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

WAITS = {
    "feed.mqtt": "how long a connection has lived, and how long to wait for the broker's answer",
    "feed.probe": "how long to listen to a broker",
    "feed.replay": "the pace at which a recording is sent",
    "services.intake": "how many lines a minute the log gets",
    "store.influx.readings": "how long to leave alone a server that gave no answer",
}
"""Where a timer that nobody sets may be read outside a face: only what is waited for hangs on it, nothing that is
kept or said."""

WALL = {
    ("datetime", "now"),
    ("datetime", "utcnow"),
    ("datetime", "today"),
    ("date", "today"),
    *(("time", name) for name in ("time", "time_ns", "gmtime", "localtime", "ctime", "asctime", "strftime")),
    *(("time", name) for name in ("clock_gettime", "clock_gettime_ns")),
}
TIMERS = {
    (module, name + end)
    for module, name in (
        *(("time", name) for name in ("monotonic", "perf_counter", "process_time", "thread_time")),
        ("os", "times"),
    )
    for end in ("", "_ns")
}
SQL = re.compile(
    r"\bCURRENT_(?:TIMESTAMP|TIME|DATE)\b"
    r"|\b(?:strftime|date|time|datetime|julianday|unixepoch|timediff)\s*\([^)]*'now'"
    r"|\b(?:date|time|datetime|julianday|unixepoch)\s*\(\s*\)",
    re.IGNORECASE,
)


def clocks(tree: ast.AST, wanted: set[tuple[str, str]]) -> Iterator[str]:
    """Yield what a module names of these, called or handed on; by whatever name it was imported."""
    called = {name: name for name, _ in wanted}
    for node in ast.walk(tree):
        if isinstance(node, ast.ImportFrom):
            for alias in node.names:
                if (node.module or "", alias.name) in wanted:
                    yield f"line {node.lineno}: from {node.module} import {alias.name}"
                if alias.name in called:
                    called[alias.asname or alias.name] = alias.name
        elif isinstance(node, ast.Import):
            called |= {alias.asname: alias.name for alias in node.names if alias.asname and alias.name in called}
    for node in ast.walk(tree):
        if isinstance(node, ast.Attribute):
            owner = node.value.attr if isinstance(node.value, ast.Attribute) else getattr(node.value, "id", "")
            if (called.get(owner, owner), node.attr) in wanted:
                yield f"line {node.lineno}: {owner}.{node.attr}"


def clocks_of_sql(tree: ast.AST) -> Iterator[str]:
    """Yield the texts of a module that let the database read its clock."""
    for node in ast.walk(tree):
        if isinstance(node, ast.Constant) and isinstance(node.value, str):
            yield from (f"line {node.lineno}: {found}" for found in SQL.findall(node.value))


def test_what_this_file_takes_for_a_clock() -> None:
    read = """
import datetime as d, time as t
from datetime import datetime as dt
from time import monotonic
a = d.datetime.now(), dt.now, t.time(), t.monotonic
b = t.sleep, dt.fromtimestamp(0), self.now
c = "INSERT INTO x VALUES (datetime('now'), strftime('%s', 'now'), unixepoch(), date(at, 'unixepoch'))"
"""
    assert len(list(clocks(ast.parse(read), WALL))) == 3
    assert len(list(clocks(ast.parse(read), TIMERS))) == 2
    assert len(list(clocks_of_sql(ast.parse(read)))) == 3


FACES = {"presentation", "web", "cli"}
OUTSIDE = [(name, path) for name, path in modules() if name.split(".")[0] not in FACES]


@pytest.mark.parametrize(("module", "path"), OUTSIDE, ids=[name for name, _ in OUTSIDE])
def test_no_clock_is_read_outside_a_face(module: str, path: Path) -> None:
    tree = ast.parse(path.read_text(encoding="utf-8"))
    found = [*clocks(tree, WALL), *clocks_of_sql(tree)]
    timers = list(clocks(tree, TIMERS))
    assert found == [], "take it as `now` or `clock` from the face that starts this"
    assert bool(timers) == (module in WAITS), f"WAITS names the modules that may read a timer, and no others: {timers}"
