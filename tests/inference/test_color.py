"""The color of indicating beads is weak evidence: turned says rather spent, not turned says next to nothing."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from simulated_boxes import Truth, entry, simulated_box, with_entries

from monitor.inference.fit.fit import estimate
from monitor.inference.fit.posterior import Record
from monitor.records import EntryKind

HIDDEN = Truth(conductance=0.3, floor=0.20, step=0.01, accuracy=0.05, kind="orange_gel")
"""The sensor shows nothing below 20 %, so that there is something left to learn from the color."""


def held(record: Record, now_s: float, color: str | None = None) -> np.ndarray:
    seen = [] if color is None else [entry(EntryKind.color, 24.9, color=color)]
    return estimate(with_entries(record, *seen), now_s).state.loading


@pytest.fixture(scope="module")
def box() -> tuple[Record, float]:
    record, now_s, _ = simulated_box(HIDDEN, seen_days=25)
    return record, now_s


def test_turned_beads_hold_more(box: tuple[Record, float]) -> None:
    record, now_s = box
    alone, turned, turning = (np.median(held(record, now_s, color)) for color in (None, "green", "turning"))
    assert turned > 1.1 * alone
    assert alone < turning < turned


def test_beads_that_look_dry_may_be_half_full(box: tuple[Record, float]) -> None:
    """Orange gel turns at some 15 % loading (trade figure, conflicting): 1 and 12 % look alike."""
    record, now_s = box
    alone, dry = held(record, now_s), held(record, now_s, "orange")
    assert np.median(dry) == pytest.approx(np.median(alone), rel=0.15)
    assert np.quantile(dry, 0.95) > 0.75 * np.quantile(alone, 0.95)


def test_beads_without_a_dye_tell_nothing_by_their_color() -> None:
    record, now_s, _ = simulated_box(replace(HIDDEN, kind="silica_regular"), seen_days=25)
    np.testing.assert_array_equal(held(record, now_s), held(record, now_s, "green"))


def test_a_look_before_the_recharge_says_nothing_of_fresh_beads(box: tuple[Record, float]) -> None:
    record, now_s = box
    fresh = with_entries(record, entry(EntryKind.recharge, 10.0, method="new"))
    colored = with_entries(fresh, entry(EntryKind.color, 9.0, color="green"))
    np.testing.assert_array_equal(estimate(fresh, now_s).theta, estimate(colored, now_s).theta)
