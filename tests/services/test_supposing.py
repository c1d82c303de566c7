"""What if, asked again and again of one box: the same answers as when all boxes are asked, from one look at its fit."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime, timedelta

import pytest
from made_up import AS_OF
from shelf_made_up import charge, history

from monitor.records import RoomClimate, WhatIf
from monitor.services.assess import assess
from monitor.services.kept_outlooks import NothingKept
from monitor.services.supposing import Supposing, supposing
from monitor.settings import Shelf, load_shelf
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
    folder = tmp_path_factory.mktemp("shelf")
    (folder / "shelf.toml").write_text(SHELF, encoding="utf-8")
    shelf = load_shelf(folder, {})
    with open_stores(shelf.database_path) as stores:
        stores.readings.add([one._replace(box="room", relative_humidity=0.5) for one in history("room", 0.5, 60)])
        for name, highest, days in (("over", 0.30, 50), ("soon", 0.16, 50), ("young", 0.05, 1)):
            stores.readings.add(history(name, highest, days))
            stores.ledger.log(replace(charge(name), at=AS_OF - timedelta(days=days)), AS_OF)
        assess(stores.readings, stores.ledger, shelf.boxes, AS_OF, room_climate=shelf.room, kept=stores.outlooks)
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
