"""Every number in `monitor/` says its unit, and where it comes from: a source, or 'judgement' with its reason.

A number is *named* where it is part of a constant in capitals or the default of a class's field, *bare* where it stands
anywhere else. Its note is the comment on its line or above it, or the docstring below (of a constant, a field, the
function whose default it is). Whether a note is true, only a reader can tell.
"""

from __future__ import annotations

import ast
import io
import re
import tokenize
import tomllib
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

ROOT = Path(__file__).resolve().parent.parent
PLAIN = {0.0, 0.5, 1.0, 2.0, 24.0, 60.0, 100.0, 1000.0, 3600.0, 86_400.0, 273.15}
"""Numbers that need no word where they are bare: halves and doubles, per cent, thousands, clock and kelvin."""
SILENT_KEYWORDS = {"right", "wrap"}
"""Arguments that hold places of columns."""
SILENT_CALLS = {"round": 1, "_as_columns": 1, "reshape": 0}
"""Calls with a number of digits or of places, from this argument on."""

UNITS_OF_NAMES = """
s ms seconds milliseconds microseconds hour hours minute minutes day days weeks degc degf k g kg kib bytes bits pct pa
hpa kpa w kj kwh liter m mm m2 m3 v letters points rows lines digits times share chance factor ratio steps messages
readings boxes port
"""
SUFFIX = re.compile(rf"_(per_\w+|{'|'.join(UNITS_OF_NAMES.split())})$", re.IGNORECASE)
UNITS_OF_NOTES = """
seconds? minutes? hours? days? weeks? months? years? kelvin K grams? g kg mg kJ W V L liters? Pa kPa hPa mm cm m bytes?
bits? KiB MiB pixels? inch(es)? letters? digits? readings? messages? rows? columns? lines? points? boxes spools? draws?
pieces? places? tries looks steps? times shares? fractions? chances? ratio factor counts? HTTP port
"""
IN_WORDS = r"\[[^\]\d][^\]]*\]|%|°|per cent|how many|no unit|exit code|of the drawing"
UNIT = re.compile(rf"{IN_WORDS}|\b({'|'.join(UNITS_OF_NOTES.split())})\b", re.IGNORECASE)
STANDARD = r"\b(RFC|ISO|EN|DIN|JIS|ASTM|MIL|SERI|WMO|IAPWS|ASHRAE|MQTT|SQLite|HTTP|POSIX|Unicode|IANA)\b"
SOURCE = re.compile(rf"{STANDARD}|\bSI brochure\b|\b(1[89]|20)\d\d\b|doi:|https?://|\btable \d")
KNOWN = re.compile(r"by definition|from memory|\bexact\b|\bmeasured\b", re.IGNORECASE)
JUDGED = re.compile(r"judge?ments?", re.IGNORECASE)
WORDS_OF_A_REASON = 4
REFERENCE = re.compile(r"\[(\d)\]")


@dataclass(frozen=True)
class Number:
    """A number, or all numbers of one constant, with what is said about it."""

    path: str
    line: int
    named: bool
    code: str
    note: str
    words: frozenset[str]
    """Names about it that may carry the unit."""
    cited: bool
    """Whether the note points to a numbered reference of a docstring around it."""

    @property
    def lacks(self) -> str:
        has_unit = UNIT.search(self.note) or any(SUFFIX.search(word) for word in self.words)
        has_source = self.cited or SOURCE.search(self.note) or KNOWN.search(self.note) or has_reason(self.note)
        return " and ".join(["unit"] * (not has_unit) + ["source"] * (not has_source))


def has_reason(note: str) -> bool:
    """True for a judgement with some words beside it."""
    return bool(JUDGED.search(note)) and len(re.findall(r"[^\W\d]{2,}", JUDGED.sub("", note))) >= WORDS_OF_A_REASON


def files() -> list[Path]:
    return sorted([*ROOT.joinpath("monitor").rglob("*.py"), *ROOT.joinpath("dashboards").rglob("*.py")])


def numbers_of(source: str, path: str = "") -> list[Number]:
    return list(Reader(source, path).numbers())


class Reader:
    """One file: its syntax tree with the way up, and its comments by line."""

    def __init__(self, source: str, path: str) -> None:
        self.path, self.source, self.lines = path, source, source.splitlines()
        self.tree = ast.parse(source)
        self.parents = {child: node for node in ast.walk(self.tree) for child in ast.iter_child_nodes(node)}
        tokens = tokenize.generate_tokens(io.StringIO(source).readline)
        self.comments = {token.start[0]: token.string for token in tokens if token.type == tokenize.COMMENT}

    def numbers(self) -> Iterator[Number]:
        within: set[ast.AST] = set()
        for node in ast.walk(self.tree):
            if isinstance(node, ast.Assign | ast.AnnAssign) and node.value and self.is_named(node):
                within |= set(ast.walk(node))
                if not self.is_derived(node) and not self.is_member(node):
                    yield self.named(node)
        for node in ast.walk(self.tree):
            if isinstance(node, ast.Constant) and is_number(node) and node not in within and not self.is_obvious(node):
                yield self.bare(node)

    def is_named(self, node: ast.Assign | ast.AnnAssign) -> bool:
        if isinstance(self.parents[node], ast.ClassDef) and isinstance(node, ast.AnnAssign):
            return True
        is_outside = isinstance(self.parents[node], ast.Module | ast.ClassDef)
        if self.is_member(node):
            return True
        return is_outside and all(name.isupper() for name in targets(node))

    def is_member(self, node: ast.Assign | ast.AnnAssign) -> bool:
        """True for a member of an IntEnum: its number is a name, such as the place of a column."""
        around = self.parents[node]
        bases = around.bases if isinstance(around, ast.ClassDef) else []
        return any(isinstance(base, ast.Name) and base.id == "IntEnum" for base in bases)

    def is_derived(self, node: ast.Assign | ast.AnnAssign) -> bool:
        """True without a number, for what follows from other constants, and for fields that begin at 0 or 1."""
        assert node.value is not None
        values = {node.value for node in ast.walk(node) if is_number(node)}  # type: ignore[attr-defined]
        refers = any(isinstance(each, ast.Name) and each.id.isupper() for each in ast.walk(node.value))
        plain = {0.0, 1.0} if isinstance(self.parents[node], ast.ClassDef) else PLAIN if refers else set()
        return values <= plain

    def named(self, node: ast.Assign | ast.AnnAssign) -> Number:
        around = self.parents[node]
        after = around.body[around.body.index(node) + 1 :]  # type: ignore[attr-defined]
        note = [*self.above(node.lineno), *self.beside(node), text_of(after[0]) if after else ""]
        if isinstance(around, ast.ClassDef):
            note.append(ast.get_docstring(around) or "")
        words = {*targets(node), *(f"_{k.arg}" for k in ast.walk(node) if isinstance(k, ast.keyword))}
        return self.number(node, True, " ".join(note), words)

    def bare(self, node: ast.Constant) -> Number:
        statement: ast.AST = node
        while not isinstance(statement, ast.stmt):
            statement = self.parents[statement]
        note = [*self.above(node.lineno), self.comments.get(node.lineno, "")]
        if not hasattr(statement, "body"):
            note += [*self.above(statement.lineno), *self.beside(statement)]
        if isinstance(statement, ast.FunctionDef | ast.AsyncFunctionDef):
            note.append(ast.get_docstring(statement) or "")
        words = {word(each) for each in ast.walk(statement) if getattr(each, "lineno", 0) == node.lineno}
        return self.number(node, False, " ".join(note), words)

    def number(self, node: ast.stmt | ast.expr, named: bool, note: str, words: set[str]) -> Number:
        code = self.lines[node.lineno - 1].strip()
        return Number(self.path, node.lineno, named, code, note, frozenset(words), self.cites(note, node))

    def beside(self, statement: ast.stmt) -> list[str]:
        return [self.comments.get(line, "") for line in range(statement.lineno, (statement.end_lineno or 0) + 1)]

    def above(self, line: int) -> list[str]:
        block = []
        while (line := line - 1) in self.comments and self.lines[line - 1].lstrip().startswith("#"):
            block.append(self.comments[line])
        return block[::-1]

    def cites(self, note: str, node: ast.AST) -> bool:
        texts = [self.source] if isinstance(self.parents[node], ast.Module) else []
        while node in self.parents:
            node = self.parents[node]
            if isinstance(node, ast.FunctionDef | ast.ClassDef | ast.Module):
                texts.append(ast.get_docstring(node) or "")
        return any(f".. [{mark}]" in text for mark in REFERENCE.findall(note) for text in texts)

    def is_obvious(self, node: ast.Constant) -> bool:
        if abs(node.value) in PLAIN or self.lines[node.lineno - 1][node.col_offset :].startswith("0o"):
            return True  # the latter are permissions of a file
        child: ast.AST = node
        while not isinstance(parent := self.parents[child], ast.stmt):
            if is_place_or_digits(child, parent) or is_power_of_two_or_ten(child, parent):
                return True
            child = parent
        return False


def is_place_or_digits(child: ast.AST, parent: ast.AST) -> bool:
    if isinstance(parent, ast.Call):
        called = getattr(parent.func, "attr", getattr(parent.func, "id", ""))
        return child in parent.args[SILENT_CALLS.get(called, len(parent.args)) :]
    if isinstance(parent, ast.keyword):
        return parent.arg in SILENT_KEYWORDS
    return isinstance(parent, ast.Subscript) and child is parent.slice


def is_power_of_two_or_ten(child: ast.AST, parent: ast.AST) -> bool:
    is_power = isinstance(parent, ast.BinOp) and isinstance(parent.op, ast.Pow) and child is parent.right
    return is_power and isinstance(parent.left, ast.Constant) and parent.left.value in (2, 10)  # type: ignore[attr-defined]


def is_number(node: ast.AST) -> bool:
    return isinstance(node, ast.Constant) and type(node.value) in (int, float)


def text_of(node: ast.AST) -> str:
    is_text = isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant)
    return str(node.value.value) if is_text else ""  # type: ignore[attr-defined]


def targets(node: ast.Assign | ast.AnnAssign) -> list[str]:
    found = node.targets if isinstance(node, ast.Assign) else [node.target]
    return [each.id for target in found for each in ast.walk(target) if isinstance(each, ast.Name)]


def word(node: ast.AST) -> str:
    names = (getattr(node, place, None) for place in ("id", "attr", "arg"))
    return next((f"_{name}" for name in names if isinstance(name, str)), "")


LACKING = [
    ("LIMIT_S = 5.0", "source"),
    ("LIMIT = 5.0  # judgement: a person waits no longer than that", "unit"),
    ("LIMIT_S = 5.0  # judgement: long", "source"),
    ("PAIR = (1.5, 2.5)", "unit and source"),
    ("SHARES = {'a': 0.3}\n'''Share of a day.'''", "source"),
    ("WAIT = timedelta(seconds=30)", "source"),
    ("GRID = np.linspace(0.0, 7.0)", "unit and source"),
    ("class Box:\n    volume_liter: float = 7.0", "source"),
    ("def wait(longest_s=7.0):\n    pass", "source"),
    ("def part(x):\n    return 0.3 * x", "unit and source"),
    ("def part(x):\n    return 0.3 * x  # [1]", "unit and source"),
    ("class Column(Enum):\n    LEAK = 3", "unit and source"),
    ("# judgement: one note is for one constant alone\nA_S = 5.0\nB_S = 6.0", "source"),
]
COMPLETE = [
    "LIMIT_S = 5.0  # judgement: a person waits no longer than that",
    "LIMIT = 5.0  # seconds (RFC 9110, section 15)",
    "# ISO 2533:1975\nPRESSURE_PA = 101_325.0",
    "RATIO = 0.62\n'''Mass of water over that of dry air [g/g] (ASHRAE, 2017).'''",
    "WAIT = timedelta(seconds=30)  # judgement: a slow broker answers by then",
    "TWICE = 2 * OTHER",
    "def wait(longest_s=7.0):\n    '''Judgement: a person waits no longer than that.'''",
    "def weight(x):\n    '''Return it. [g]\n\n    .. [1] Somebody (1976), a journal.'''\n    return 0.3 * x  # [1], g",
    "def digits(x):\n    return round(100.0 * x[3], 4)",
    "def large(x):\n    return x / 2**20 / 60.0",
    "class Column(IntEnum):\n    leak = 3",
]


@pytest.mark.parametrize(("source", "missing"), LACKING)
def test_a_number_without_unit_or_source_is_found(source: str, missing: str) -> None:
    assert [number.lacks for number in numbers_of(source)][-1] == missing


@pytest.mark.parametrize("source", COMPLETE)
def test_a_number_with_both_is_let_be(source: str) -> None:
    assert [number for number in numbers_of(source) if number.lacks] == []


def test_every_number_says_its_unit_and_its_source() -> None:
    found = [
        f"{number.path}:{number.line} lacks {number.lacks}: {number.code}"
        for path in files()
        for number in numbers_of(path.read_text(encoding="utf-8"), path.relative_to(ROOT).as_posix())
        if number.lacks
    ]
    assert not found, "\n" + "\n".join(found)


TABLES = sorted((ROOT / "monitor" / "physics" / "tables").glob("*.toml"))
ON_ONE_LINE = {"parameters", "verified"}
"""Tables that stand on one line within another."""


@pytest.mark.parametrize("path", TABLES, ids=[path.stem for path in TABLES])
def test_every_number_of_a_table_says_its_unit_and_its_source(path: Path) -> None:
    """The unit in a key's name or at the head of the file; the source in the row, or there for what was seen."""
    text = path.read_text(encoding="utf-8")
    head = text[: text.index("\n[")]
    parts = re.split(r"^\[(.+)\]", text, flags=re.MULTILINE)[1:]
    bodies = zip(parts[::2], parts[1::2], strict=True)
    notes = {name.replace('"', ""): "".join(re.findall("#.*", body)) for name, body in bodies}
    found = []
    for name, row in rows(tomllib.loads(text)):
        note = notes[name]
        found += [f"{name}.{key}: no unit" for key in numeric(row) if not SUFFIX.search(key) and key not in head + note]
        sourced = {"source", "like"} & set(row) or KNOWN.search(note) or SOURCE.search(note)
        if not sourced and ((row["verified"] == "memory" and "memory" not in head) or not SOURCE.search(head)):
            found.append(f"{name}: no source")
    assert not found, "\n" + "\n".join(found)


def rows(table: dict[str, Any], name: str = "") -> Iterator[tuple[str, dict[str, Any]]]:
    """Every table that holds numbers, with its full name."""
    inner = {key: value for key, value in table.items() if isinstance(value, dict) and key not in ON_ONE_LINE}
    own = {key: value for key, value in table.items() if key not in inner}
    if name and numeric(own):
        yield name, own
    for key, value in inner.items():
        yield from rows(value, f"{name}.{key}".lstrip("."))


def numeric(row: dict[str, Any]) -> list[str]:
    keys = []
    for key, value in row.items():
        first = value[0] if isinstance(value, list) and value else value
        if isinstance(value, dict):
            keys += numeric(value)
        elif isinstance(first, int | float) and not isinstance(first, bool):
            keys.append(key)
    return keys
