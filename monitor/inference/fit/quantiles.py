"""Quantiles of draws: the one place where an interval is made of them, with weights or without."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from monitor.physics.numerics import FloatArray
from monitor.records import Quantiles

INTERVAL = (0.05, 0.50, 0.95)
"""The shares that every interval is given by. [shares] Judgement: 90 % between the outer two, as is usual."""


def quantiles(draws: FloatArray, weights: FloatArray | None = None) -> Quantiles:
    """Return the 5, 50 and 95 % points of draws.

    Parameters
    ----------
    draws : ndarray, draws
        Of any quantity; in rising order where they have weights. [any unit]
    weights : ndarray, draws, optional
        In any scale; all alike where left out. [1]

    Returns
    -------
    Quantiles
        In the unit of the draws.
    """
    points = quantile_points(draws) if weights is None else weighted_points(draws, weights)
    return Quantiles(*points.tolist())


def quantile_points(
    draws: FloatArray, shares: Sequence[float] = INTERVAL, *, axis: int | None = None, reached: bool = False
) -> FloatArray:
    """Return the points below which these shares of equally weighted draws lie, one row a share.

    Parameters
    ----------
    draws : ndarray, of any axes
        Of any quantity. [any unit]
    shares : sequence of float
        Rising, from 0 to 1. [fraction]
    axis : int, optional
        The axis of the draws; all axes where left out.
    reached : bool
        True takes a draw itself for each point, as where draws may be infinite; else points lie on a line between two.

    Returns
    -------
    ndarray, shares × remaining axes
        In the unit of the draws. [any unit]

    Examples
    --------
    >>> quantile_points(np.array([1.0, 2.0, 4.0]), (0.5, 0.75)).tolist()
    [2.0, 3.0]
    >>> quantile_points(np.array([1.0, 2.0, np.inf]), (0.5, 0.75), reached=True).tolist()
    [2.0, inf]
    """
    return np.asarray(np.quantile(draws, shares, axis=axis, method="inverted_cdf" if reached else "linear"))


def weighted_points(rising: FloatArray, weights: FloatArray, shares: Sequence[float] = INTERVAL) -> FloatArray:
    """Return the points below which these shares of the weight lie.

    Parameters
    ----------
    rising : ndarray, draws
        In rising order. [any unit]
    weights : ndarray, draws
        In any scale. [1]
    shares : sequence of float
        Rising, from 0 to 1. [fraction]

    Returns
    -------
    ndarray, shares
        In the unit of the draws. [any unit]

    Examples
    --------
    >>> weighted_points(np.array([1.0, 2.0, 3.0]), np.array([1.0, 1.0, 2.0]), (0.5, 0.75)).tolist()
    [2.0, 2.5]
    """
    return np.interp(shares, np.cumsum(weights) / weights.sum(), rising)
