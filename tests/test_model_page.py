"""The page of the model is held against the code: its numbers, its names, and that none of the errors is missing."""

from __future__ import annotations

import importlib
import math
import pkgutil
import re
from collections.abc import Mapping
from dataclasses import fields, is_dataclass
from functools import cache
from itertools import pairwise
from pathlib import Path
from xml.etree import ElementTree

import numpy as np
import pytest

import monitor.inference
from monitor.inference.model.prior import Assumptions
from monitor.physics.materials import desiccant

FOLDER = Path(monitor.inference.__file__).parent
PAGE = (FOLDER / "README.md").read_text(encoding="utf-8")
HEAD = "| unknown | scale | numbers | in code | source |"
NAME = re.compile(r"(?P<constant>\w+)(?:\(\"(?P<argument>\w+)\"\))?(?:\[\"(?P<key>\w+)\"\])?(?:\.(?P<field>\w+))?")


def rows() -> list[list[str]]:
    table = PAGE[PAGE.index(HEAD) :].split("\n\n", maxsplit=1)[0].splitlines()[2:]
    return [[cell.strip() for cell in line.strip("|").split("|")] for line in table]


@cache
def constants() -> Mapping[str, list[object]]:
    """Return what every name of inference stands for, wherever it is defined."""
    found: dict[str, list[object]] = {}
    for module in pkgutil.walk_packages([str(FOLDER)], "monitor.inference."):
        for name, value in vars(importlib.import_module(module.name)).items():
            found.setdefault(name, []).append(value)
    return found


def value_of(expression: str) -> object:
    """Return what a name of the page stands for in the code; one that two modules use for two things is no name."""
    named = NAME.fullmatch(expression)
    assert named, f"{expression} is not a name this test can look up"
    if named["argument"]:
        assert named["constant"] == desiccant.__name__
        value: object = desiccant(named["argument"])
    else:
        known = constants().get(named["constant"], [])
        assert known, f"the page names {named['constant']}, which inference does not know"
        assert all(repr(one) == repr(known[0]) for one in known), f"{named['constant']} stands for several things"
        value = known[0]
    value = value[named["key"]] if named["key"] else value  # type: ignore[index]
    return getattr(value, named["field"]) if named["field"] else value


def numbers_in(value: object) -> list[float]:
    if is_dataclass(value):
        return [n for one in fields(value) for n in numbers_in(getattr(value, one.name))]
    if isinstance(value, tuple):
        return [n for one in value for n in numbers_in(one)]
    assert isinstance(value, int | float | np.floating), f"{value!r} is no number"
    return [float(value)]


def number_shown(text: str) -> float:
    return math.log(float(text[3:])) if text.startswith("ln ") else float(text)


@pytest.mark.parametrize("row", rows(), ids=lambda row: row[0])
def test_every_number_of_the_table_is_that_of_the_code(row: list[str]) -> None:
    _, _, shown, named, source = row
    expressions = re.findall(r"`([^`]+)`", named)
    assert expressions
    assert [number_shown(text) for text in shown.split("; ")] == pytest.approx(
        [n for one in expressions for n in numbers_in(value_of(one))], rel=1e-12
    )
    assert source, "a prior names its source, or is called a judgement"


def test_no_number_of_the_model_of_errors_is_missing_from_the_table() -> None:
    listed = {name for row in rows() for name in re.findall(r"`Assumptions\.(\w+)`", row[3])}
    assert listed == {one.name for one in fields(Assumptions) if isinstance(one.default, float)}


def test_every_kind_of_box_and_of_drying_is_in_the_table() -> None:
    listed = " ".join(row[3] for row in rows())
    for table in ("_AIR_CHANGES", "_PACES"):
        kinds = value_of(table)
        assert isinstance(kinds, Mapping)
        assert set(re.findall(rf'`{table}\["(\w+)"\]', listed)) == set(kinds)
    starts = value_of("_START_HUMIDITY")
    assert isinstance(starts, Mapping)
    shown = {starts[kind] for kind in re.findall(r'`_START_HUMIDITY\["(\w+)"\]', listed)}
    assert shown == set(starts.values())


def names_on_the_page() -> list[str]:
    prose = PAGE.replace("\n".join("|".join(row) for row in rows()), "")
    return sorted({name for name in re.findall(r"`(_?[A-Za-z]\w+(?:\.\w+)?)`", prose) if not name.endswith(".py")})


def test_every_name_on_the_page_is_one_of_the_code() -> None:
    code = "\n".join(path.read_text(encoding="utf-8") for path in FOLDER.parent.glob("**/*.py"))
    known = set(re.findall(r"\w+", code))
    missing = [name for name in names_on_the_page() if not set(name.split(".")) <= known]
    assert not missing


def test_every_file_on_the_page_is_there() -> None:
    named = set(re.findall(r"`(\w+\.py)`", PAGE))
    assert "tempering.py" in named
    assert not [name for name in named if not list(FOLDER.rglob(name))]


def test_sections_come_in_the_order_of_the_folders() -> None:
    heads = re.findall(r"^## (\w+)", PAGE, flags=re.MULTILINE)
    order = ["evidence", "model", "fit", "answers", "shelf", "empty", "drying"]
    places = [heads.index(head) for head in order]
    assert all(before < after for before, after in pairwise(places))


def test_the_picture_is_drawn_with_text_as_text_and_reaches_for_nothing() -> None:
    picture = ElementTree.parse(FOLDER / "model.svg").getroot()
    drawn = {element.tag.rpartition("}")[2] for element in picture.iter()}
    assert "text" in drawn
    assert not drawn & {"image", "script", "foreignObject", "use"}
    assert "(model.svg)" in PAGE
