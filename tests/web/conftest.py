"""The shelf that every test of this folder asks about, and the browser it is looked at with."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from browsing import chromium
from playwright.sync_api import Browser
from shelf_fixtures import run, siccast, site, stub

__all__ = ["run", "siccast", "site", "stub"]


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    """A real browser; a module has its own, since its loop would stand in the way of tests that run one."""
    with chromium() as browser:
        yield browser
