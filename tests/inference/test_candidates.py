"""Candidate days of a change point: at no more places than promised, spread over the whole episode."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from made_boxes import Truth, made_box

from monitor.inference.evidence.bins import Bins
from monitor.inference.fit import change_scan
from monitor.inference.fit.fit import estimate


@pytest.fixture(scope="module")
def bins() -> Bins:
    record, now_s, _ = made_box(Truth(), 20)
    return estimate(record, now_s, count=50).bins


def test_never_at_more_places_than_promised(bins: Bins) -> None:
    for count in range(1, 120):
        places = change_scan._days_tried(replace(bins, edges_days=np.linspace(-float(count), 0.0, count + 1)))
        assert len(places) <= change_scan._MOST_CANDIDATES
        clear = count - change_scan._CLEAR_OF_START_DAYS - change_scan._CLEAR_OF_END_DAYS
        assert bool(places) == (clear > 1.0)
        if places:
            assert places[-1] - places[0] >= 0.85 * (clear - 2.0)
