"""How far the leak of one box differs from episode to episode, as the boxes of a shelf show it.

A lid is seated again at every recharge, by the same hands on the same shelf. Each box's episodes are noisy observations
of a leak of its own, and how far they scatter beyond their noise tells of the spread that all boxes share.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from monitor.physics.numerics import FloatArray
from monitor.units import SECONDS_PER_DAY

BETWEEN_EPISODES_SD = 0.35
"""A lid is seated again at every recharge: the leak differs by this much from episode to episode of a sound box. [ln
air changes a day] Judgement: a third either way."""
_SPREAD_LOG_SD = 0.5
"""How far the spread of a shelf lies from the one that such differences come of. [ln of a ratio] Judgement: clips close
alike, a cloth in the seam does not."""
SPREADS = np.array([0.06, 0.09, 0.12, 0.17, 0.25, 0.35, 0.5, 0.7])
"""Spreads of episodes about their box that are weighed. [ln air changes a day] Judgement: from hardly any to one that
tells nothing of a box."""
_USUAL = -0.5 * (np.log(SPREADS * np.sqrt(2.0) / BETWEEN_EPISODES_SD) / _SPREAD_LOG_SD) ** 2
"""Two of one spread differ by its √2. [nat]"""
_CHANGED_SHARE, _CHANGED_SD = 0.05, 1.2
"""Share of boxes whose seal changed meanwhile, and by how much. [fraction], [ln conductance] Judgement: as
``change_point``."""
EPISODES_COUNTED = 3
"""So many of the last episodes of a box count that told something of its leak. [episodes] Judgement: seals age."""
_EPISODES_LOOKED_AT, _LOOKED_AT_DAYS = 8, 120.0
"""Where the last ones told nothing, as a week at a sensor's floor does, earlier ones are looked at: so many in all, and
such as began so long before the present beads went in. [episodes], [days] Judgement: a season, in which a seal hardly
ages; and a bound on the work."""


def earlier_episode_ends(fillings_s: Sequence[float]) -> list[float]:
    """Return which earlier episodes of a box may tell of its leak, by when they ended.

    Parameters
    ----------
    fillings_s : sequence of float
        When beads went in, in order of time: each ends the episode before. [s since 1970 UTC]

    Returns
    -------
    list of float
        In order of time: the last ``EPISODES_COUNTED``, and before these such as began not long ago.
        [s since 1970 UTC]
    """
    ended = list(pairwise(fillings_s))[-_EPISODES_LOOKED_AT:]
    lately_s = fillings_s[-1] - _LOOKED_AT_DAYS * SECONDS_PER_DAY if ended else 0.0
    always = len(ended) - EPISODES_COUNTED
    return [end_s for number, (start_s, end_s) in enumerate(ended) if number >= always or start_s >= lately_s]


def spread_evidence(boxes: Sequence[Sequence[tuple[float, float]]]) -> FloatArray:
    """Return what the episodes of each box say of the spread between episodes.

    Parameters
    ----------
    boxes : sequence of sequences of (float, float)
        Of each box mean and standard deviation of ln(air changes a day), at least one episode each. [ln(1/day)]

    Returns
    -------
    ndarray, boxes × spreads
        Log-likelihood of each of ``SPREADS``, up to a constant. [nat]
    """
    if not boxes:
        return np.zeros((0, len(SPREADS)))
    episodes = np.array([episode for one in boxes for episode in one])
    first = np.cumsum([0, *map(len, boxes[:-1])])
    alike, changed = (_log_likelihood(episodes, first, spreads) for spreads in (SPREADS, np.array([_CHANGED_SD])))
    return np.asarray(np.logaddexp(np.log1p(-_CHANGED_SHARE) + alike, np.log(_CHANGED_SHARE) + changed))


def spread_weights(evidence: FloatArray) -> FloatArray:
    """Return the posterior of the spread.

    Parameters
    ----------
    evidence : ndarray, spreads
        As ``spread_evidence`` gives it, those of several boxes added up. [nat]

    Returns
    -------
    ndarray, spreads
        Adds up to 1. [fraction]
    """
    logs = evidence + _USUAL
    weights = np.exp(logs - logs.max())
    return np.asarray(weights / weights.sum())


def _log_likelihood(episodes: FloatArray, first: NDArray[np.intp], spreads: FloatArray) -> FloatArray:
    """Of normal observations of one level a box; levels of which nothing is known are integrated out (restricted
    likelihood: Patterson, Thompson 1971, Biometrika 58:545), so that one episode alone says nothing. (boxes × spreads)
    """
    values, sds = episodes[:, :1], episodes[:, 1:]
    precision = 1.0 / (sds**2 + spreads**2)
    total, weighted, squares, logs = (
        np.add.reduceat(each, first)
        for each in (precision, precision * values, precision * values**2, np.log(precision))
    )
    fit = 0.5 * logs - 0.5 * (squares - weighted**2 / total)
    return np.asarray(fit - 0.5 * np.log(total))


def next_episode(episodes: Sequence[tuple[float, float]], spread: float) -> tuple[float, float]:
    """Return what earlier episodes and tests of a box say of its next one.

    What was the same in all of them, such as beads that hold less than the book says, doesn't average out: together
    they know no better than the best of them alone.

    Parameters
    ----------
    episodes : sequence of (float, float)
        Mean and standard deviation of ln(air changes a day), at least one. [ln(1/day)]
    spread : float
        Of episodes about their box. [ln air changes a day]

    Returns
    -------
    (float, float)
        Mean [ln(1/day)] and variance [ln²].
    """
    values, sds = np.array(episodes).T
    precision = 1.0 / (sds**2 + spread**2)
    variance = max(float(1.0 / precision.sum()), float(sds.min()) ** 2) + spread**2
    return float(precision @ values / precision.sum()), variance


def mixed(means: FloatArray, variances: FloatArray, weights: FloatArray) -> tuple[float, float]:
    """Return mean and standard deviation of a mixture of normals.

    Parameters
    ----------
    means, variances, weights : ndarray, spreads
        Of each normal; weights add up to 1. [ln(1/day)], [ln²], [fraction]

    Returns
    -------
    (float, float)
        [ln(1/day)]
    """
    mean = float(weights @ means)
    return mean, float(np.sqrt(weights @ (variances + (means - mean) ** 2)))
