"""A desk with one lot weighed out into a bowl and a tray."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from desk_evening import bowl_and_tray

from monitor.desk import Desk


@pytest.fixture
def desk(tmp_path: Path) -> Iterator[Desk]:
    with bowl_and_tray(tmp_path) as desk:
        yield desk
