"""Bins taken two and two hold the same time, events and evidence; an odd one is left as it is."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from made_boxes import Truth, made_box

from monitor.inference.evidence.bins import coarser
from monitor.inference.fit.fit import estimate
from monitor.inference.fit.posterior import Posterior


@pytest.fixture(scope="module")
def floored() -> Posterior:
    """A box whose sensor shows nothing below 10 % in the first weeks."""
    record, now_s, _ = made_box(Truth(conductance=0.25, floor=0.10), 61)
    return estimate(record, now_s, count=100)


def test_two_and_two_bins_hold_the_same(floored: Posterior) -> None:
    count = len(floored.bins.days)
    bins = replace(floored.bins, openings=np.arange(count, dtype=float), weighings=((count - 1, 104.0, 0.1),))
    rough = coarser(bins)
    assert len(rough.days) == -(-count // 2)
    assert (rough.days.sum(), rough.openings.sum()) == pytest.approx((bins.days.sum(), bins.openings.sum()))
    assert rough.weighings == ((len(rough.days) - 1, 104.0, 0.1),)
    assert rough.days @ rough.outside_kpa == pytest.approx(bins.days @ bins.outside_kpa)
    assert rough.days @ rough.temperature_degc == pytest.approx(bins.days @ bins.temperature_degc)
    assert rough.shown_humidity[-3] == pytest.approx(np.mean(bins.shown_humidity[2 * (len(rough.days) - 3) :][:2]))


def test_a_value_counts_before_a_floor_and_a_floor_before_nothing(floored: Posterior) -> None:
    shown, nothing = floored.bins.shown_humidity.copy(), np.nan
    shown[:6] = 0.10, 0.14, 0.10, nothing, nothing, nothing
    censored = np.zeros(len(shown), dtype=bool)
    censored[[0, 2]] = True
    rough = coarser(replace(floored.bins, shown_humidity=shown, censored=censored))
    assert rough.shown_humidity[:3] == pytest.approx([0.14, 0.10, nothing], nan_ok=True)
    assert rough.censored[:3].tolist() == [False, True, False]
