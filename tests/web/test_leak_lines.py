"""Leak lines of a page: worked out where a box is looked at, once for an assessment, and never the end of its page."""

from __future__ import annotations

import logging
from dataclasses import replace
from pathlib import Path

import pytest
from answers_by_hand import AS_OF
from chart_on_page import LINE
from shelf_on_page import charge, got, history, make_shelf, serving, take_snapshot_by_hand

from monitor.records import Assessment, Box, LeakLine
from monitor.settings import Shelf, load_shelf
from monitor.store.opening import open_stores
from monitor.web.box import leak_lines
from monitor.web.box.leak_lines import LeakLines
from monitor.web.snapshot import Snapshot


@pytest.fixture
def shelf(tmp_path: Path) -> Shelf:
    return make_shelf(tmp_path)


def answer_of(snapshot: Snapshot, box: str) -> Assessment:
    answer = snapshot.answer(box)
    assert answer is not None
    return answer


def test_a_box_that_was_assessed_has_its_leak_line_on_its_page_and_as_a_drawing(tmp_path: Path) -> None:
    (tmp_path / "shelf.toml").write_text("recorded_until = 2026-03-04T12:00:00Z\n[boxes.soon]\n", encoding="utf-8")
    shelf = load_shelf(tmp_path, {})
    with open_stores(shelf.database_path) as stores:
        stores.readings.add(history("soon", 0.16, 58))
        stores.ledger.log(charge("soon"), AS_OF)
    with serving(shelf) as address:
        page, drawing = (got(f"{address}/box/soon{what}") for what in ("", "/leak.svg"))
    assert 'class="leak-line"' in page.text
    assert drawing.status_code == 200
    assert 'class="points"' in drawing.text


def test_a_line_is_worked_out_once_for_an_assessment(shelf: Shelf, monkeypatch: pytest.MonkeyPatch) -> None:
    asked: list[str] = []

    def noted(*given: object, **_: object) -> LeakLine:
        box = given[2]
        assert isinstance(box, Box)
        asked.append(box.name)
        return LINE

    monkeypatch.setattr(leak_lines, "leak_line", noted)
    lines, snapshot = LeakLines(lambda: shelf), take_snapshot_by_hand(shelf, AS_OF)
    soon, far = answer_of(snapshot, "soon"), answer_of(snapshot, "far")
    carried = replace(soon, latest=None)  # a reading was put in; the leak is the one that was found
    assert [lines(snapshot, one) for one in (soon, far, soon, carried)] == [LINE] * 4
    assert asked == ["soon", "far"]
    assert soon.leak is not None
    lines(snapshot, replace(soon, leak=replace(soon.leak)))
    assert asked == ["soon", "far", "soon"]


def test_a_line_that_fails_leaves_the_page_without_it_and_is_logged(
    shelf: Shelf, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    def failing(*_: object, **__: object) -> LeakLine:
        raise FloatingPointError("made up")

    monkeypatch.setattr(leak_lines, "leak_line", failing)
    snapshot = take_snapshot_by_hand(shelf, AS_OF)
    with caplog.at_level(logging.ERROR):
        assert LeakLines(lambda: shelf)(snapshot, answer_of(snapshot, "soon")) is None
    assert "the leak line of box soon can't be drawn" in caplog.text


def test_a_box_without_a_leak_or_that_is_not_declared_has_no_line(shelf: Shelf) -> None:
    snapshot = take_snapshot_by_hand(shelf, AS_OF)
    soon, lines = answer_of(snapshot, "soon"), LeakLines(lambda: shelf)
    assert lines(snapshot, replace(soon, leak=None)) is None
    assert lines(snapshot, replace(soon, box=replace(soon.box, name="nobody's"))) is None
