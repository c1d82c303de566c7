"""What every equation here shares: the number it takes, the range check, and a fast inverse of a monotone function."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from monitor.errors import OutOfRangeError

FloatArray = NDArray[np.float64]
Numeric = float | FloatArray
"""A Python float or an array of floats; functions broadcast and give back what they got."""


def require_within(name: str, value: Numeric, low: float, high: float, unit: str = "") -> None:
    """Raise unless every value lies within [low, high]; a missing value (NaN) is outside.

    Raises
    ------
    OutOfRangeError
        Naming the thing, the first offending value and the range.

    Examples
    --------
    >>> require_within("temperature_degc", 25.0, -45.0, 373.946, "°C")
    >>> require_within("temperature_degc", 400.0, -45.0, 373.946, "°C")
    Traceback (most recent call last):
    ...
    monitor.errors.OutOfRangeError: temperature_degc is 400 °C; it must lie from -45 to 373.946 °C
    """
    if isinstance(value, float | int):
        if low <= value <= high:
            return
    else:
        values = np.asarray(value)
        if values.size == 0 or (values.min() >= low and values.max() <= high):
            return
        value = float(values[~((values >= low) & (values <= high))].flat[0])
    given = "missing" if np.isnan(value) else f"{value:.6g}{_spaced(unit)}"
    raise OutOfRangeError(f"{name} is {given}; it must lie from {low:.6g} to {high:.6g}{_spaced(unit)}")


def plain(answer: Numeric) -> Numeric:
    """Return a Python float for a single number, the array for an array.

    >>> plain(np.float64(2.5))
    2.5
    """
    return float(answer) if np.ndim(answer) == 0 else answer


def _spaced(unit: str) -> str:
    return f" {unit}" if unit else ""


class InverseTable:
    """The inverse y(x) of a smooth monotone x(y), as cubic Hermite pieces on an even grid of x.

    The even grid finds the piece without a search, so a million values cost a few passes over memory. Knots are
    solved to rounding error and carry exact slopes; between them the error falls with the fourth power of the step.
    """

    def __init__(
        self,
        forward: Callable[[FloatArray], FloatArray],
        forward_slope: Callable[[FloatArray], FloatArray],
        y_low: float,
        y_high: float,
        pieces: int = 4096,
    ) -> None:
        dense_y = np.linspace(y_low, y_high, 8 * pieces)
        dense_x = forward(dense_y)
        order = slice(None) if dense_x[-1] > dense_x[0] else slice(None, None, -1)
        x = np.linspace(dense_x[order][0], dense_x[order][-1], pieces + 1)
        y = np.interp(x, dense_x[order], dense_y[order])
        for _ in range(4):
            y = np.clip(y - (forward(y) - x) / forward_slope(y), min(y_low, y_high), max(y_low, y_high))
        step = x[1] - x[0]
        slope = step / forward_slope(y)
        rise = np.diff(y)
        self._x_low, self._per_step, self._pieces = float(x[0]), float(1.0 / step), pieces
        self._c0, self._c1 = y[:-1].copy(), slope[:-1].copy()
        self._c2 = 3.0 * rise - 2.0 * slope[:-1] - slope[1:]
        self._c3 = slope[:-1] + slope[1:] - 2.0 * rise

    def __call__(self, x: Numeric) -> FloatArray:
        """Return y for x; beyond the table the outermost piece is carried on."""
        u = (np.asarray(x) - self._x_low) * self._per_step
        piece = np.clip(u, 0, self._pieces - 1).astype(np.intp)
        u = u - piece
        y = self._c3[piece]
        y = y * u + self._c2[piece]
        y = y * u + self._c1[piece]
        return np.asarray(y * u + self._c0[piece])
