"""A series put together from its columns or from parts, and parts of it by time."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from monitor.records import ReadingSeries

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray


def unmarked(
    box: str, at_s: NDArray[np.float64], temperature_degc: NDArray[np.float64], relative_humidity: NDArray[np.float64]
) -> ReadingSeries:
    """Return readings of which screening found nothing, or has not been asked."""
    return ReadingSeries(box, at_s, temperature_degc, relative_humidity, np.zeros(len(at_s), dtype=np.uint16))


def between(series: ReadingSeries, start_s: float, end_s: float = math.inf) -> ReadingSeries:
    """Return the readings with ``start_s <= at < end_s``: views into the same columns, or the series if it is all."""
    first, end = (int(place) for place in np.searchsorted(series.at_s, (start_s, end_s)))
    if end - first == len(series):
        return series
    part = slice(first, end)
    return replace(
        series,
        at_s=series.at_s[part],
        temperature_degc=series.temperature_degc[part],
        relative_humidity=series.relative_humidity[part],
        marks=series.marks[part],
    )


def joined(parts: Sequence[ReadingSeries]) -> ReadingSeries:
    """Return spans of one box, one after the other, as one series; at least one is given."""
    if len(parts) == 1:
        return parts[0]
    return ReadingSeries(
        parts[0].box,
        np.concatenate([part.at_s for part in parts]),
        np.concatenate([part.temperature_degc for part in parts]),
        np.concatenate([part.relative_humidity for part in parts]),
        np.concatenate([part.marks for part in parts]),
    )
