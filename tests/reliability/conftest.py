"""No process outlives the test that started it, even where the test fails half-way."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from tests.reliability.harness import STARTED

if TYPE_CHECKING:
    from collections.abc import Iterator


@pytest.fixture(autouse=True)
def no_process_left() -> Iterator[None]:
    yield
    while STARTED:
        process = STARTED.pop()
        if process.poll() is None:
            process.kill()
        process.wait(10)
        if process.stdin is not None and not process.stdin.closed:
            process.stdin.close()
