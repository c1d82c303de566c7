"""What every equation here shares: the number it takes, the range check, and a fast inverse of a monotone function."""

from __future__ import annotations

from collections.abc import Callable
from functools import wraps
from typing import ParamSpec

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


def median(values: FloatArray) -> float:
    """Return the median of finite or infinite numbers, a third of the work of ``np.median``, which looks for NaN.

    >>> median(np.array([3.0, 1.0, 2.0, np.inf]))
    2.5
    """
    low, high = (len(values) - 1) // 2, len(values) // 2
    around = np.partition(values, (low, high))
    return 0.5 * float(around[low] + around[high])


def plain(answer: Numeric) -> Numeric:
    """Return a Python float for a single number, the array for an array.

    >>> plain(np.float64(2.5))
    2.5
    """
    return float(answer) if np.ndim(answer) == 0 else answer


def _spaced(unit: str) -> str:
    return f" {unit}" if unit else ""


Arguments = ParamSpec("Arguments")
_BLOCK = 8192  # rows; judgement: 64 kB a column, so what one block works with stays in the processor's cache


def in_blocks(function: Callable[Arguments, Numeric]) -> Callable[Arguments, Numeric]:
    """Let a function of columns work through long ones block by block, twice as fast as all at once.

    Numbers, short columns and columns of different shapes are handed over as they are.
    """

    @wraps(function)
    def through(*given: Arguments.args, **named: Arguments.kwargs) -> Numeric:
        if named or not any(isinstance(each, np.ndarray) and each.size > _BLOCK for each in given):
            return function(*given, **named)
        columns = [each for each in given if isinstance(each, np.ndarray) and each.ndim]
        if any(each.shape != columns[0].shape for each in columns):
            return function(*given, **named)
        answer = np.empty(columns[0].size)
        flat = [each.reshape(-1) if isinstance(each, np.ndarray) and each.ndim else each for each in given]
        for start in range(0, answer.size, _BLOCK):
            part = slice(start, start + _BLOCK)
            answer[part] = function(*(f[part] if isinstance(f, np.ndarray) and f.ndim else f for f in flat))  # type: ignore[call-arg, arg-type]
        return answer.reshape(columns[0].shape)

    return through


class InverseTable:
    """The inverse y(x) of a smooth monotone x(y), as cubic Hermite pieces on an even grid of x.

    The even grid finds the piece without a search, so a million values cost a few passes over memory. Knots are
    solved to rounding error and carry exact slopes; between them the error falls with the fourth power of the step.
    What lies outside the table is the caller's to set apart.
    """

    def __init__(
        self,
        forward: Callable[[FloatArray], FloatArray],
        forward_slope: Callable[[FloatArray], FloatArray],
        y_range: tuple[float, float],
        pieces: int = 4096,  # judgement: dew points to 1e-8 K, and the table still fits a cache
    ) -> None:
        x, y = _even_knots(forward, forward_slope, y_range, pieces)
        step = x[1] - x[0]
        slope, rise = step / forward_slope(y), np.diff(y, append=y[-1])
        next_slope = np.append(slope[1:], slope[-1])
        bend = 3.0 * rise - 2.0 * slope - next_slope  # cubic Hermite, by definition, in steps
        self._x_low, self._per_step = float(x[0]), float(1.0 / step)
        self._pieces = np.stack([y, slope, bend, slope + next_slope - 2.0 * rise], axis=-1)
        self._pieces[-1, 1:] = 0.0

    def __call__(self, x: Numeric) -> FloatArray:
        """Return y for x."""
        u = np.asarray((x - self._x_low) * self._per_step)
        piece = u.astype(np.intp)
        c = np.take(self._pieces, piece, axis=0, mode="clip")
        u = u - piece
        return np.asarray(((c[..., 3] * u + c[..., 2]) * u + c[..., 1]) * u + c[..., 0])


def _even_knots(
    forward: Callable[[FloatArray], FloatArray],
    forward_slope: Callable[[FloatArray], FloatArray],
    y_range: tuple[float, float],
    pieces: int,
) -> tuple[FloatArray, FloatArray]:
    """Even x and the y that belong to them: a dense search, then Newton."""
    dense_y = np.linspace(*y_range, 8 * pieces)  # points; judgement: close enough for Newton
    dense_x = forward(dense_y)
    order = slice(None) if dense_x[-1] > dense_x[0] else slice(None, None, -1)
    x = np.linspace(dense_x[order][0], dense_x[order][-1], pieces + 1)
    y = np.interp(x, dense_x[order], dense_y[order])
    for _ in range(4):  # steps of Newton; judgement: digits double, 4 reach rounding from a good start
        y = np.clip(y - (forward(y) - x) / forward_slope(y), min(y_range), max(y_range))
    return x, y
