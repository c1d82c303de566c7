"""A sample of the fuzzing of every address and form; `python -m tests.fuzz_page` does it at length."""

from __future__ import annotations

from pathlib import Path

from fuzz_page import fuzz_shelf


def test_no_made_up_request_finds_a_mistake(tmp_path: Path) -> None:
    done = fuzz_shelf(tmp_path, requests=300, seed=13)
    assert done.faults == []
    assert done.forms >= 1
    assert {200, 400, 404, 405} <= set(done.answers)
