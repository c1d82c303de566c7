"""A desk with one lot weighed out into a bowl and a tray."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from made_desk import AT, BOXES, MICROWAVE, OVEN, ROOM, WARM_BOX, WET_G

from monitor.desk import Desk
from monitor.presentation.clock import utc_now
from monitor.records.desk_events import ChargePortioned, LotBought
from monitor.store.opening import open_stores


@pytest.fixture
def desk(tmp_path: Path) -> Iterator[Desk]:
    with open_stores(tmp_path / "s.sqlite3", synchronous="OFF") as stores:
        desk = Desk(stores, BOXES, (MICROWAVE, WARM_BOX, OVEN), ROOM, clock=utc_now)
        desk.keep(LotBought("march", "orange_gel", 1000.0), AT)
        desk.keep(ChargePortioned("bowl", "march", WET_G, "glass", 0.0, "room"), AT)
        desk.keep(ChargePortioned("tray", "march", WET_G, "metal", 0.0, "room"), AT)
        yield desk
