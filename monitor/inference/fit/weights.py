"""Weights of draws: normalized from logarithms, how many draws they are worth, and draws chosen by them."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from monitor.physics.numerics import FloatArray

_HALVINGS = 25
"""An exponent is found to 2⁻²⁵ of the interval it lies in. [times] Judgement: far finer than it matters."""


def normalized(log_weights: FloatArray) -> FloatArray:
    """Return weights that add up to 1.

    Parameters
    ----------
    log_weights : ndarray, draws
        Up to a constant. [nat]

    Returns
    -------
    ndarray, draws
        [fraction]

    Examples
    --------
    >>> normalized(np.log([1.0, 3.0])).tolist()
    [0.25, 0.75]
    """
    weights = np.exp(log_weights - log_weights.max())
    return np.asarray(weights / weights.sum())


def effective_sample_size(weights: FloatArray) -> float:
    """Return how many equally weighted draws these are worth: one over the sum of squares (Kish's formula).

    Parameters
    ----------
    weights : ndarray, draws
        Add up to 1. [fraction]

    Returns
    -------
    float
        From 1 to as many as there are. [draws]

    Examples
    --------
    >>> effective_sample_size(np.array([0.5, 0.5, 0.0, 0.0]))
    2.0
    """
    return float(1.0 / np.square(weights).sum())


def resample(weights: FloatArray, count: int, rng: np.random.Generator) -> NDArray[np.intp]:
    """Return which draws represent all of them, equally weighted (systematic resampling).

    Parameters
    ----------
    weights : ndarray, draws
        Add up to 1. [fraction]
    count : int
        How many to return.
    rng : Generator
        Random numbers.

    Returns
    -------
    ndarray, count
        Their numbers, rising; a draw of much weight comes several times.
    """
    places = (np.arange(count) + rng.random()) / count
    return np.searchsorted(np.cumsum(weights), places).clip(0, len(weights) - 1)


def largest_exponent(enough: Callable[[float], bool], low: float, high: float) -> float:
    """Return the largest tempering exponent at which enough draws are effective, by bisection.

    Parameters
    ----------
    enough : callable
        Whether enough draws are effective at an exponent; false from some exponent on.
    low, high : float
        An exponent at which enough are, and one at which they are not. [1]

    Returns
    -------
    float
        The exponent. [1]
    """
    for _ in range(_HALVINGS):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if enough(middle) else (low, middle)
    return low
