"""Two commands at once over one shelf: each happens whole, before or after the other, and file and database agree."""

from __future__ import annotations

import shutil
import sqlite3
import tomllib
from contextlib import closing
from typing import TYPE_CHECKING, Any

import pytest

from monitor.store.sqlite.migrations import MIGRATIONS
from tests.commands_at_once import OFFSETS_S, at_once, faces
from tests.living_shelf import living_shelf
from tests.older_database import is_as_it_was, make_older_file, steps_of

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence
    from pathlib import Path

    from tests.commands_at_once import Face


@pytest.fixture(scope="module")
def two() -> Iterator[Sequence[Face]]:
    with faces(2) as started:
        yield started


@pytest.fixture
def another(tmp_path: Path) -> Callable[[], Path]:
    """Give what makes one shelf after another, all alike: boxes left and right, three hours of readings."""
    begun = tmp_path / "begun"
    begun.mkdir()
    living_shelf(begun, hours=3)
    numbers = iter(range(1000))
    return lambda: shutil.copytree(begun, tmp_path / f"{next(numbers)}")


def declared(folder: Path) -> dict[str, Any]:
    return tomllib.loads((folder / "shelf.toml").read_text(encoding="utf-8"))


def stored(folder: Path, question: str) -> list[str]:
    with closing(sqlite3.connect(f"file:{folder / 'siccast.sqlite3'}?mode=ro", uri=True)) as connection:
        return [row[0] for row in connection.execute(question)]


def test_a_box_gets_one_of_two_names_that_it_is_given_at_once(two: Sequence[Face], another: Callable[[], Path]) -> None:
    for later_s in OFFSETS_S:
        folder = another()
        done = at_once(two, folder, ("box", "rename", "left", "a"), ("box", "rename", "left", "b"), later_s=later_s)
        given = "a" if done[0].code == 0 else "b"
        assert sorted(each.code for each in done) == [0, 2], done
        assert set(declared(folder)["boxes"]) == {given, "right"}
        assert [(move["sensor"], move["to"]) for move in declared(folder)["moves"]] == [("left", given)]
        assert set(stored(folder, "SELECT name FROM boxes")) == {given, "right", "room"}


def test_one_name_goes_to_one_of_two_boxes(two: Sequence[Face], another: Callable[[], Path]) -> None:
    for later_s in OFFSETS_S:
        folder = another()
        done = at_once(two, folder, ("box", "rename", "left", "a"), ("box", "rename", "right", "a"), later_s=later_s)
        stays = "right" if done[0].code == 0 else "left"
        assert sorted(each.code for each in done) == [0, 1], done
        assert set(declared(folder)["boxes"]) == {"a", stays}
        assert set(stored(folder, "SELECT name FROM boxes")) == {"a", stays, "room"}


@pytest.mark.parametrize("first", [0, 1])
def test_what_is_logged_while_a_box_is_renamed_goes_along_or_is_refused(
    two: Sequence[Face], another: Callable[[], Path], first: int
) -> None:
    for later_s in OFFSETS_S:
        folder = another()
        commands = [("log", "opening", "left"), ("box", "rename", "left", "a")]
        done = at_once(two, folder, *(commands if first == 0 else commands[::-1]), later_s=later_s)
        logged, renamed = done if first == 0 else done[::-1]
        assert renamed.code == 0, renamed
        assert set(stored(folder, "SELECT box FROM ledger")) == {"a"}
        assert (logged.code == 0) == ("opening" in stored(folder, "SELECT kind FROM ledger")), logged


def test_beads_put_in_while_a_box_is_renamed_are_in_it(two: Sequence[Face], another: Callable[[], Path]) -> None:
    weighed = another()
    for words in (("lot", "buy", "bag", "orange_gel", "500g"), ("charge", "weigh-out", "jar", "bag", "100g")):
        assert two[0].run(weighed, *words).code == 0
    for later_s in OFFSETS_S:
        folder = shutil.copytree(weighed, another() / "with-beads")
        done = at_once(two, folder, ("box", "rename", "left", "a"), ("charge", "put", "jar", "left"), later_s=later_s)
        assert done[0].code == 0, done
        places = stored(folder, "SELECT json_extract(body, '$.place') FROM deeds WHERE kind = 'ChargeMoved'")
        assert places == (["box:a"] if done[1].code == 0 else []), done


def test_a_box_taken_off_and_adopted_at_once_is_one_or_the_other(
    two: Sequence[Face], another: Callable[[], Path]
) -> None:
    for later_s in OFFSETS_S:
        folder = another()
        at_once(two, folder, ("box", "remove", "left"), ("adopt", "left"), later_s=later_s)
        gone = stored(folder, "SELECT name FROM removed JOIN boxes USING (box_id)")
        assert ("left" in declared(folder)["boxes"]) == ("left" not in gone)


def test_after_an_upgrade_of_siccast_those_who_look_at_once_all_get_an_answer(
    two: Sequence[Face], tmp_path: Path
) -> None:
    for place, later_s in enumerate(OFFSETS_S):
        folder = tmp_path / f"{place}"
        folder.mkdir()
        (folder / "shelf.toml").write_text("[boxes.box1]\n", encoding="utf-8")
        path = make_older_file(folder / "siccast.sqlite3")
        done = at_once(two, folder, ("boxes", "--json"), ("log", "show", "--json"), later_s=later_s)
        assert [each.code for each in done] == [0, 0], done
        assert steps_of(path) == {name for name, _ in MIGRATIONS}
        assert [is_as_it_was(copy) for copy in folder.glob("*before-upgrade*.sqlite3")] == [True]


def test_the_first_two_who_ask_for_keys_get_the_same_and_these_open_something(
    two: Sequence[Face], tmp_path: Path
) -> None:
    for place, later_s in enumerate(OFFSETS_S):
        folder = tmp_path / f"{place}"
        folder.mkdir()
        done = at_once(two, folder, ("page-keys",), ("page-keys",), later_s=later_s)
        assert {each.said for each in done} == {two[0].run(folder, "page-keys").said}


def test_looking_goes_on_beside_a_box_that_is_renamed(two: Sequence[Face], another: Callable[[], Path]) -> None:
    for words, later_s in (("boxes", 0.0), ("plan", 0.01), ("boxes", 0.02), ("plan", 0.05)):
        folder = another()
        done = at_once(two, folder, (words, "--json"), ("box", "rename", "left", "a"), later_s=later_s)
        assert [each.code for each in done] == [0, 0], done
