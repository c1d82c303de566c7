"""What if, asked again and again of one box: the same answers as when all boxes are asked, from one look at its fit."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import astuple, replace
from datetime import datetime, timedelta
from pathlib import Path

import numpy as np
import pytest
from answers_by_hand import AS_OF
from shelf_on_page import charge, history

from monitor.inference.answers.leak import leak_of
from monitor.inference.answers.leak_line import leak_line_of
from monitor.inference.fit.change_point import change_point_of
from monitor.inference.fit.posterior import Posterior
from monitor.inference.shelf import answer as answer_module
from monitor.records import EntryKind, LeakEstimate, LeakLine, LedgerEntry, RoomClimate, WhatIf
from monitor.services.assess import assess
from monitor.services.kept_outlooks import NothingKept
from monitor.services.supposing import Supposing, leak_line, supposing
from monitor.settings import Shelf, load_shelf
from monitor.store.kept_contracts import KeptOutlooks
from monitor.store.opening import Stores, open_stores

CHANGES = (
    WhatIf(humidity_limit=0.3),
    WhatIf(conductance_factor=0.5),
    WhatIf(dry_mass_g=200.0),
    WhatIf(desiccant="clay", dry_mass_g=150.0, conductance_factor=2.0),
    WhatIf(room_climate=RoomClimate(18.0, 0.65)),
)


SHELF = """
recorded_until = 2026-03-04T12:00:00Z
[boxes.over]
style = "gasket"
[boxes.soon]
style = "gasket"
[boxes.young]
"""


@pytest.fixture(scope="module")
def shelf(tmp_path_factory: pytest.TempPathFactory) -> Shelf:
    """Give a shelf in a damp room, of which a first question kept what it found."""
    return asked_first(tmp_path_factory.mktemp("shelf"), AS_OF)


def asked_first(folder: Path, as_of: datetime) -> Shelf:
    """Make that shelf, asked for the first time at an instant."""
    (folder / "shelf.toml").write_text(SHELF, encoding="utf-8")
    shelf = load_shelf(folder, {})
    with open_stores(shelf.database_path) as stores:
        stores.readings.add([one._replace(box="room", relative_humidity=0.5) for one in history("room", 0.5, 60)])
        for name, highest, days in (("over", 0.30, 50), ("soon", 0.16, 50), ("young", 0.05, 1)):
            stores.readings.add(history(name, highest, days))
            stores.ledger.log(replace(charge(name), at=AS_OF - timedelta(days=days)), AS_OF)
        assess(stores.readings, stores.ledger, shelf.boxes, as_of, room_climate=shelf.room, kept=stores.outlooks)
    return shelf


def asked(shelf: Shelf, stores: Stores, box: str, as_of: datetime = AS_OF) -> Supposing:
    found = supposing(
        stores.readings, stores.ledger, shelf.boxes, box, as_of, room_climate=shelf.room, kept=stores.outlooks
    )
    assert isinstance(found, Supposing), found
    return found


@pytest.mark.parametrize("box", ["soon", "over"])
def test_answers_are_those_that_all_boxes_get_together(shelf: Shelf, box: str) -> None:
    with open_stores(shelf.database_path, read_only=True) as stores:
        one = asked(shelf, stores, box)
        for change in CHANGES:
            answers = assess(
                stores.readings, stores.ledger, shelf.boxes, AS_OF, room_climate=shelf.room, kept=stores.outlooks,
                change=change, asked=[box],
            )  # fmt: skip
            [answer] = [answer for answer in answers if answer.box.name == box]
            assert one.forecast(change) == answer.forecast_if, change


def test_fresh_beads_help_a_box_that_is_over_its_limit(shelf: Shelf) -> None:
    with open_stores(shelf.database_path, read_only=True) as stores:
        one = asked(shelf, stores, "over")
        less, more = (one.forecast(WhatIf(dry_mass_g=grams)) for grams in (100.0, 300.0))
        over = one.forecast(WhatIf(conductance_factor=0.5))
    assert over.cross_at.p50 == AS_OF, "a better lid takes no water out"
    assert less.cross_at.p50 is not None
    assert more.cross_at.p50 is not None
    assert AS_OF + timedelta(days=3) < less.cross_at.p50 < more.cross_at.p50


def test_nothing_has_to_be_kept(shelf: Shelf) -> None:
    with open_stores(shelf.database_path, read_only=True) as stores:
        found = supposing(
            stores.readings, stores.ledger, shelf.boxes, "soon", AS_OF, room_climate=shelf.room, kept=NothingKept()
        )
        assert isinstance(found, Supposing)
        kept = asked(shelf, stores, "soon").forecast(CHANGES[0]).cross_at.p50
    fresh = found.forecast(CHANGES[0]).cross_at.p50
    assert kept is not None
    assert fresh is not None
    assert abs(kept - fresh) < timedelta(days=3), "kept fits are in single precision"


def test_a_box_too_young_says_why(shelf: Shelf) -> None:
    with open_stores(shelf.database_path, read_only=True) as stores:
        why = supposing(stores.readings, stores.ledger, shelf.boxes, "young", AS_OF, kept=stores.outlooks)
    assert isinstance(why, str)
    assert "too new" in why


# --- the leak line ---------------------------------------------------------------------------------------------------


def line_of(shelf: Shelf, stores: Stores, leak: LeakEstimate, kept: KeptOutlooks | None = None) -> LeakLine:
    [box] = [box for box in shelf.boxes if box.name == "soon"]
    line = leak_line(
        stores.readings, stores.ledger, box, AS_OF,
        leak=leak, kept=kept or stores.outlooks, room_climate=shelf.room,
    )  # fmt: skip
    assert line is not None
    return line


def told(shelf: Shelf, stores: Stores, kept: KeptOutlooks | None = None) -> LeakEstimate:
    answers = assess(
        stores.readings, stores.ledger, shelf.boxes, AS_OF, room_climate=shelf.room, kept=kept or stores.outlooks
    )
    [leak] = [answer.leak for answer in answers if answer.box.name == "soon"]
    assert leak is not None
    return leak


def columns(line: LeakLine) -> np.ndarray:
    return np.concatenate([np.ravel(one) for one in astuple(line) if one is not None])


def seen_by(monkeypatch: pytest.MonkeyPatch) -> dict[str, Posterior]:
    """Give the posterior of each box that a leak is told from, by name, as they come."""
    posteriors: dict[str, Posterior] = {}

    def noted(posterior: Posterior) -> LeakEstimate:
        posteriors[posterior.box.name] = posterior
        return leak_of(posterior)

    monkeypatch.setattr(answer_module, "leak_of", noted)
    return posteriors


def drawn_by(posterior: Posterior, leak: LeakEstimate) -> LeakLine:
    line = leak_line_of(posterior, leak.conductance_g_per_day_per_kpa, change_point_of(posterior))
    assert line is not None
    return line


def test_the_leak_line_is_that_of_the_posterior_that_answered(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A fit is kept with seven digits; an update half a day later starts from what is kept, so it is the same."""
    posteriors = seen_by(monkeypatch)
    for folder, first_asked, digits in (("now", AS_OF, 1e-5), ("updated", AS_OF - timedelta(hours=12), 1e-12)):
        (tmp_path / folder).mkdir()
        shelf = asked_first(tmp_path / folder, first_asked)
        with open_stores(shelf.database_path, read_only=True) as stores:
            leak = told(shelf, stores)
            line = line_of(shelf, stores, leak)
        expected = drawn_by(posteriors["soon"], leak)
        assert line.pieces == expected.pieces
        np.testing.assert_allclose(columns(line), columns(expected), rtol=digits, atol=1e-4 * digits)
        last = AS_OF - timedelta(days=1)
        assert line.at_s[-1] > last.timestamp(), "it goes on to now"


def test_for_a_leak_line_no_other_box_is_looked_at(shelf: Shelf, monkeypatch: pytest.MonkeyPatch) -> None:
    with open_stores(shelf.database_path, read_only=True) as stores:
        leak, read = told(shelf, stores), []

        def noted(box: str, *_: object, **__: object) -> Iterable[object]:
            read.append(box)
            raise AssertionError(box)

        monkeypatch.setattr(stores.readings, "series", noted)
        assert len(line_of(shelf, stores, leak).at_s) > 20
    assert not read, "within an hour of the fit nothing new is known"


def test_beads_that_went_in_since_begin_another_leak_line(tmp_path: Path) -> None:
    """What is kept is of the beads before; before anybody assesses anew, the page may be asked for."""
    shelf = asked_first(tmp_path, AS_OF)
    with open_stores(shelf.database_path) as stores:
        leak, at = told(shelf, stores), AS_OF - timedelta(days=20)
        recharge = LedgerEntry(EntryKind.recharge, "soon", at, desiccant="silica_gel", dry_mass_g=100.0)
        before = line_of(shelf, stores, leak)
        stores.ledger.log(recharge, AS_OF)
        after = line_of(shelf, stores, leak)
    assert before.at_s[0] < at.timestamp() < after.at_s[0]


def test_a_leak_line_needs_nothing_that_is_kept(shelf: Shelf, monkeypatch: pytest.MonkeyPatch) -> None:
    """Fitted alone, a box hears nothing of others; its points move by less than the capacity of beads is unknown."""
    posteriors = seen_by(monkeypatch)
    with open_stores(shelf.database_path, read_only=True) as stores:
        leak = told(shelf, stores, NothingKept())
        line = line_of(shelf, stores, leak, NothingKept())
    expected = drawn_by(posteriors["soon"], leak)
    assert line.at_s == expected.at_s
    assert line.taken_up_g == pytest.approx(tuple(expected.taken_up_g), rel=0.1)
