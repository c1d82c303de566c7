"""Public functions of inference say what goes in and what comes out, with units and axes; records do so of each field.

A unit stands in brackets, as in [g/g]. Axes stand after the type of a parameter ('ndarray, draws × unknowns'), and in
parentheses before the unit of a field ('(draws) [kPa]').
"""

from __future__ import annotations

import ast
import builtins
import re
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest

import monitor.inference

ROOM = Path(monitor.inference.__file__).parent
MODULES = sorted(path.relative_to(ROOM).as_posix() for path in ROOM.rglob("*.py"))
SECTION = re.compile(r"^(\w+)\n-{3,}$", re.MULTILINE)
UNIT = re.compile(r"\[[^\]]+\]")
AXES = re.compile(r"ndarray, \w")
FIELD_AXES = re.compile(r"\(\w[^()]*\)")
CLASS = re.compile(r"\b[A-Z]\w*")
OF_OTHERS = {"Generator", *dir(builtins)}


@dataclass(frozen=True)
class Entry:
    """One parameter of a docstring: what its type line says, and what follows it."""

    kind: str
    words: str


def public(nodes: list[ast.stmt], within: str = "") -> Iterator[tuple[str, ast.FunctionDef | ast.ClassDef]]:
    for node in nodes:
        if isinstance(node, ast.FunctionDef | ast.ClassDef) and (not node.name.startswith("_") or is_dunder(node.name)):
            name = f"{within}{node.name}"
            yield name, node
            if isinstance(node, ast.ClassDef):
                yield from public(node.body, f"{name}.")


def is_dunder(name: str) -> bool:
    return name.startswith("__") and name.endswith("__")


def sections(docstring: str) -> dict[str, str]:
    """Return the text of each numpydoc section, the summary as ''."""
    parts = SECTION.split(docstring)
    return {"": parts[0], **dict(zip(parts[1::2], parts[2::2], strict=True))}


def entries(section: str) -> dict[str, Entry]:
    """Return what is said of each parameter of a section."""
    found = {}
    for block in re.split(r"\n(?=\S)", section.strip()):
        names, _, rest = block.partition(" : ")
        kind, _, words = rest.partition("\n")
        found |= {name.strip(): Entry(kind, words) for name in names.split(",")}
    return found


def parameters(function: ast.FunctionDef) -> dict[str, str]:
    given = [*function.args.posonlyargs, *function.args.args, *function.args.kwonlyargs]
    given += [each for each in (function.args.vararg, function.args.kwarg) if each]
    return {each.arg: said(each.annotation) for each in given if each.arg not in ("self", "cls")}


def said(annotation: ast.expr | None) -> str:
    return "" if annotation is None else ast.unparse(annotation)


def is_number(annotation: str) -> bool:
    """Whether it holds numbers with a unit: floats and arrays of them, not what calls with them."""
    return "Callable" not in annotation and re.search(r"\bfloat\b|FloatArray|np\.float64", annotation) is not None


def is_array(annotation: str) -> bool:
    return re.match(r"FloatArray|NDArray", annotation) is not None


def raised(function: ast.FunctionDef) -> set[str]:
    calls = [node.exc for node in ast.walk(function) if isinstance(node, ast.Raise)]
    return {call.func.id for call in calls if isinstance(call, ast.Call) and isinstance(call.func, ast.Name)}


def is_property(function: ast.FunctionDef) -> bool:
    return any(said(each) in ("property", "cached_property") for each in function.decorator_list)


def wrong_with_function(function: ast.FunctionDef) -> Iterator[str]:
    docstring = ast.get_docstring(function)
    if function.name == "__init__" or (is_dunder(function.name) and docstring):
        return
    if not docstring:
        yield "no docstring"
    elif is_property(function):
        yield from wrong_with_property(docstring, said(function.returns))
    else:
        if not docstring.split("\n\n")[0].endswith((".", "]", ")")):
            yield "no summary"
        parts = sections(docstring)
        yield from wrong_with_parameters(parameters(function), entries(parts.get("Parameters", "")))
        yield from wrong_with_answer(function, docstring, parts.get("Returns") or parts.get("Yields", ""))
        yield from (f"{each} is not among Raises" for each in raised(function) if each not in parts.get("Raises", ""))


def wrong_with_property(docstring: str, returned: str) -> Iterator[str]:
    if is_number(returned) and not UNIT.search(docstring):
        yield "no unit"
    if is_array(returned) and not FIELD_AXES.search(docstring):
        yield "no axes"


def wrong_with_parameters(given: dict[str, str], described: dict[str, Entry]) -> Iterator[str]:
    yield from (f"{name} is not described" for name in given if name not in described)
    yield from (f"{name} is no parameter" for name in described if name and name not in given)
    for name in given.keys() & described.keys():
        entry = described[name]
        if not entry.kind or not entry.words.strip():
            yield f"{name} has no type or no words"
        if is_number(given[name]) and not UNIT.search(entry.words):
            yield f"{name} has no unit"
        if is_array(given[name]) and not AXES.match(entry.kind):
            yield f"{name} has no axes"


def wrong_with_answer(function: ast.FunctionDef, docstring: str, answer: str) -> Iterator[str]:
    returned = said(function.returns)
    if returned != "None" and parameters(function) and not answer:
        yield "no Returns"
    if is_number(returned) and not UNIT.search(answer or docstring):
        yield "what is returned has no unit"
    if is_array(returned) and not AXES.search(answer or docstring):
        yield "what is returned has no axes"


def wrong_with_class(record: ast.ClassDef) -> Iterator[str]:
    if not ast.get_docstring(record):
        yield "no docstring"
    is_record = any(said(each).startswith("dataclass") for each in record.decorator_list)
    is_record = is_record or any(said(base) == "NamedTuple" for base in record.bases)
    if not is_record:
        return
    for field, after in zip(record.body, [*record.body[1:], None], strict=True):
        if not isinstance(field, ast.AnnAssign) or said(field.target).startswith("_"):
            continue
        name, kind = said(field.target), said(field.annotation)
        words = after.value.value if isinstance(after, ast.Expr) and isinstance(after.value, ast.Constant) else ""
        if not isinstance(words, str) or not words:
            yield f"{name} is not described"
            continue
        if is_number(kind) and not UNIT.search(words):
            yield f"{name} has no unit"
        if is_array(kind) and not FIELD_AXES.search(words):
            yield f"{name} has no axes"


def wrong_with(source: str) -> list[str]:
    found = []
    for name, node in public(ast.parse(source).body):
        wrong = wrong_with_class(node) if isinstance(node, ast.ClassDef) else wrong_with_function(node)
        found += [f"{name}: {each}" for each in wrong]
    return found


@pytest.mark.parametrize("module", MODULES)
def test_what_is_public_says_what_goes_in_and_what_comes_out(module: str) -> None:
    assert wrong_with((ROOM / module).read_text(encoding="utf-8")) == []


def classes() -> set[str]:
    """Names of all classes and types of ours, wherever they are defined."""
    code = "\n".join(path.read_text(encoding="utf-8") for path in ROOM.parent.rglob("*.py"))
    return set(re.findall(r"^(?:class )?([A-Z]\w*[a-z]\w*)(?= = |\(|:)", code, re.MULTILINE))


KNOWN = classes() | OF_OTHERS


def types_of(docstring: str) -> Iterator[str]:
    """Yield the type line of each parameter, and each line of what is returned that is not indented."""
    parts = sections(docstring)
    yield from (entry.kind for entry in entries(parts.get("Parameters", "")).values())
    returned = parts.get("Returns") or parts.get("Yields", "")
    yield from (line for line in returned.splitlines() if line and not line.startswith(" "))


@pytest.mark.parametrize("module", MODULES)
def test_every_type_that_a_docstring_names_is_there(module: str) -> None:
    docstrings = (
        ast.get_docstring(node) or "" for _, node in public(ast.parse((ROOM / module).read_text("utf-8")).body)
    )
    named = {name for docstring in docstrings for kind in types_of(docstring) for name in CLASS.findall(kind)}
    assert named <= KNOWN


BARE = '''
def leak(pushed_kpa: FloatArray, days: float) -> FloatArray:
    """Return the water that came in."""
    raise OutOfRangeError("days")
'''
FULL = '''
def leak(pushed_kpa: FloatArray, days: float) -> FloatArray:
    """Return the water that came in.

    Parameters
    ----------
    pushed_kpa : ndarray, draws
        Vapor pressure outside above that inside. [kPa]
    days : float
        How long. [days]

    Returns
    -------
    ndarray, draws
        Water. [g]

    Raises
    ------
    OutOfRangeError
        If the time is not above zero.
    """
    raise OutOfRangeError("days")
'''


def test_a_bare_function_is_found_out() -> None:
    assert len(wrong_with(BARE)) == 6
    assert wrong_with(FULL) == []


@pytest.mark.parametrize(
    ("left_out", "wrong"),
    [
        ("pushed_kpa : ndarray, draws", "pushed_kpa is not described"),
        ("[kPa]", "pushed_kpa has no unit"),
        (", draws\n        Vapor", "pushed_kpa has no axes"),
        ("Returns\n    -------", "no Returns"),
        ("[g]", "what is returned has no unit"),
        ("OutOfRangeError\n        If", "OutOfRangeError is not among Raises"),
    ],
)
def test_a_function_that_leaves_something_out_is_found_out(left_out: str, wrong: str) -> None:
    assert f"leak: {wrong}" in wrong_with(FULL.replace(left_out, "\n        Vapor" if "Vapor" in left_out else ""))


def test_a_record_that_leaves_something_out_is_found_out() -> None:
    bare = 'from x import y\n@dataclass\nclass Bins:\n    """Bins."""\n    outside_kpa: FloatArray\n'
    assert wrong_with(bare) == ["Bins: outside_kpa is not described"]
    assert wrong_with(bare + '    """Of the room."""\n') == [
        "Bins: outside_kpa has no unit",
        "Bins: outside_kpa has no axes",
    ]
    assert wrong_with(bare + '    """Of the room. (bins) [kPa]"""\n') == []
