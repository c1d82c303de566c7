"""Boxes inform one another: how leaky boxes of a style are, and how leaky this box was in earlier episodes.

Partial pooling by an empirical-Bayes step: every box's own estimate of ln(air changes a day), with its prior divided
out, is one noisy observation of a box drawn from its style. Styles have means of their own, and one spread between
boxes: a few boxes of a style hardly tell it, all boxes of a shelf do.
"""

from __future__ import annotations

import logging
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from monitor.inference.fit.posterior import Posterior
from monitor.inference.fit.reseating import (
    EPISODES_COUNTED,
    SPREADS,
    mixed,
    next_episode,
    spread_evidence,
    spread_weights,
)
from monitor.inference.model.box_prior import CONDUCTANCE_PER_AIR_CHANGE, prior_of_style, style_prior
from monitor.physics.numerics import FloatArray
from monitor.records import NORMAL_P95, Box, EntryKind, LedgerEntry
from monitor.units import SECONDS_PER_DAY

_STYLE_MEAN_SD = 0.6
"""How far the mean of a style lies from ``box_prior.style_prior``. [ln air changes a day] Judgement: a factor
of two."""
_BETWEEN_BOXES = np.linspace(0.25, 1.25, 11)
"""Spread of boxes of one style about their mean, the same in all styles; weighted by its likelihood given the boxes
observed. [ln air changes a day] Judgement: from boxes of one batch to any box that bears the name."""
_TYPICAL_SPREAD, _SPREAD_SD = 0.65, 0.25
"""Prior of that spread: mean and sd. [ln air changes a day] Judgement: a factor of two between
boxes of one kind."""
_LEAST_SD = 0.05
"""Added to the spread of an observation, so that none counts as exact. [ln air changes a day] Judgement: the model is
no better than that."""
_COMMON_SHARE = 0.5
"""What the readings of one box leave open of its leak comes as much from what is assumed of spools, beads and their
coming to rest, which is the same for every box, as from the box itself: of the variance of an observation this share is
an error common to all boxes of a style, which more boxes don't even out. [fraction] Judgement: half."""
_LEAST_LEARNED = 0.2
"""Readings inform about a leak from this share of the prior's precision on. [share] Judgement: less is the prior
again."""

_log = logging.getLogger(__name__)


@dataclass(frozen=True)
class LeakObservation:
    """What the readings of one box alone say of ln(air changes a day), at one instant."""

    box: str
    """Its name."""
    style: str
    """As declared: how it closes."""
    at_s: float
    """When the box was fitted or tested. [s since 1970 UTC]"""
    episode_start_s: float
    """Start of the episode that was fitted; of a test, its own time. [s since 1970 UTC]"""
    mean: float
    """Of ln(air changes a day). [ln(1/day)]"""
    sd: float
    """Its standard deviation. [ln(1/day)]"""
    tested: bool = False
    """True for a test of the empty box."""

    @property
    def finite(self) -> bool:
        """True where all its numbers are finite, so that others may use it."""
        return bool(np.isfinite([self.at_s, self.episode_start_s, self.mean, self.sd]).all()) and self.sd >= 0.0

    def before(self, episode_start_s: float) -> bool:
        """Return whether it does not rest on the beads of an episode: made under earlier ones, or in a test of it
        empty.

        Parameters
        ----------
        episode_start_s : float
            Start of that episode. [s since 1970 UTC]

        Returns
        -------
        bool
            True also where the test came later.
        """
        return self.tested or self.episode_start_s < episode_start_s - SECONDS_PER_DAY


def leak_observation_of(posterior: Posterior) -> LeakObservation | None:
    """Return what readings add to the prior of a leak; None where that is next to nothing.

    It is a normal stand-in for a likelihood that, in the first weeks, says only how leaky a box is at most. So it is
    fitted where boxes of a style lie and not far below, as expectation propagation fits its sites [1]_.

    Parameters
    ----------
    posterior : Posterior
        Of one box.

    Returns
    -------
    LeakObservation or None
        Its leak with the prior of its style divided out.

    References
    ----------
    .. [1] Minka (2001), Expectation propagation for approximate Bayesian inference, UAI 17:362.
    """
    box = posterior.box
    logs = np.log(posterior.state.mean_conductance / (CONDUCTANCE_PER_AIR_CHANGE * box.volume_liter))
    prior_mean, wide_sd = style_prior(box)
    prior_sd = min(wide_sd, _TYPICAL_SPREAD)
    narrower = -0.5 * (logs - prior_mean) ** 2 * (1.0 / prior_sd**2 - 1.0 / wide_sd**2)
    weights = np.exp(narrower - narrower.max())
    mean = float(np.average(logs, weights=weights))
    variance = float(np.average((logs - mean) ** 2, weights=weights)) + _LEAST_SD**2
    precision = 1.0 / variance - 1.0 / prior_sd**2
    if precision < _LEAST_LEARNED / prior_sd**2:
        return None
    own = (mean / variance - prior_mean / prior_sd**2) / precision
    start_s = posterior.episode.start_s
    return LeakObservation(box.name, box.style, posterior.now_s, start_s, own, float(precision**-0.5))


def tested(box: Box, entries: Iterable[LedgerEntry], before_s: float) -> list[LeakObservation]:
    """Return the leaks that tests of the empty box found before an instant.

    Parameters
    ----------
    box : Box
        The box.
    entries : iterable of LedgerEntry
        Of any boxes and kinds.
    before_s : float
        Later tests don't count. [s since 1970 UTC]

    Returns
    -------
    list of LeakObservation
        One for each test of this box.
    """
    found = []
    for entry in entries:
        points, at_s = entry.conductance_g_per_day_per_kpa, entry.at.timestamp()
        if entry.kind is EntryKind.leak_test and entry.box == box.name and points and at_s < before_s:
            low, middle, high = np.log(np.array(points) / (CONDUCTANCE_PER_AIR_CHANGE * box.volume_liter))
            sd = float(high - low) / (2 * NORMAL_P95)
            found.append(LeakObservation(box.name, box.style, at_s, at_s, float(middle), sd, tested=True))
    return found


def finite_only(observations: Iterable[LeakObservation]) -> list[LeakObservation]:
    """Return the finite observations, which other boxes may use; any other is logged and left out.

    Parameters
    ----------
    observations : iterable of LeakObservation
        Of any boxes.

    Returns
    -------
    list of LeakObservation
        Those that are finite, in the same order.
    """
    finite = []
    for observation in observations:
        if observation.finite:
            finite.append(observation)
        else:
            _log.error("the leak of box %s is not a finite number; no other box uses it", observation.box)
    return finite


class KnownLeaks:
    """Observations of many boxes, sorted out once: what they give for one box then costs little more than its own."""

    def __init__(self, observations: Iterable[LeakObservation]) -> None:
        self._own: dict[str, list[LeakObservation]] = {}
        latest: dict[str, dict[str, LeakObservation]] = {}
        for s in sorted(
            observations, key=lambda one: (one.box, one.at_s)
        ):  # a sum has the same last digit in one order
            self._own.setdefault(s.box, []).append(s)
            of_style = latest.setdefault(s.style, {})
            of_style[s.box] = max(of_style.get(s.box, s), s, key=lambda one: one.at_s)
        self._of_style = {style: _OfStyle.of(found) for style, found in latest.items()}
        self._spread_by_style = {
            style: _by_spread(prior_of_style(style)[0], one.seen)[0] for style, one in self._of_style.items()
        }
        """Of each style, what its boxes say of the spread between boxes: ln likelihoods. (spreads)"""
        several = {name: found for name, own in self._own.items() if len(found := _episodes(own)) > 1}
        self._evidence = dict(zip(several, spread_evidence(list(several.values())), strict=True))
        """Of each box, what its episodes say of the spread between episodes."""
        self._evidence_of_style: dict[str, FloatArray] = {}
        for name, evidence in self._evidence.items():
            style = self._own[name][-1].style
            self._evidence_of_style[style] = self._evidence_of_style.get(style, np.zeros(len(SPREADS))) + evidence

    def style(self, box: Box) -> tuple[float, float]:
        """Return what other boxes give for a box: of each the latest observation counts, for the spread also those of
        other styles.

        Parameters
        ----------
        box : Box
            Its own observations are left out.

        Returns
        -------
        (float, float)
            Mean and standard deviation of ln(air changes a day). [ln(1/day)]
        """
        return _mean_and_sd(*self._style(box))

    def prior(self, box: Box, episode_start_s: float, after_s: float | None = None) -> tuple[float, float]:
        """Return mean and sd of ln(air changes a day) for a prior, given the observations of this and other boxes.

        Of each other box the latest observation counts, one of another style for the spread alone; of this box the
        latest of every earlier episode, and every test of it empty.

        Parameters
        ----------
        box : Box
            The box to start.
        episode_start_s : float
            Start of the episode to be fitted. [s since 1970 UTC]
        after_s : float, optional
            Of this box only what was observed later counts. [s since 1970 UTC]

        Returns
        -------
        (float, float)
            Mean and standard deviation of ln(air changes a day). [ln(1/day)]
        """
        before = [s for s in self._own.get(box.name, ()) if s.before(episode_start_s)]
        own = [s for s in before if after_s is None or s.at_s > after_s]
        precision, weighted = self._style(box)
        if not own:
            return _mean_and_sd(precision, weighted)
        known = [*_episodes(own)[-EPISODES_COUNTED:], *((s.mean, s.sd) for s in own if s.tested)]
        by_spread = np.array([next_episode(known, float(spread)) for spread in SPREADS])
        precisions = precision + 1.0 / by_spread[:, 1]
        means = (weighted + by_spread[:, 0] / by_spread[:, 1]) / precisions
        return mixed(means, 1.0 / precisions, self._spreads(box, _episodes(before)))

    def lids_of_others(self, box: Box) -> FloatArray:
        """Return how differently lids sit after each recharge, by the other boxes of its style.

        Parameters
        ----------
        box : Box
            Its own episodes are left out.

        Returns
        -------
        ndarray, spreads
            Weights of ``SPREADS``. [fraction]
        """
        return spread_weights(self._evidence_of_others(box))

    def _spreads(self, box: Box, own: list[tuple[float, float]]) -> FloatArray:
        """Weights of the spreads between episodes: by the other boxes of its style, and the earlier episodes of its
        own."""
        evidence = self._evidence_of_others(box)
        return spread_weights(evidence + spread_evidence([own])[0] if own else evidence)

    def _evidence_of_others(self, box: Box) -> FloatArray:
        evidence = self._evidence_of_style.get(box.style, np.zeros(len(SPREADS)))
        if box.name in self._evidence and self._own[box.name][-1].style == box.style:
            evidence = evidence - self._evidence[box.name]
        return evidence

    def _style(self, box: Box) -> tuple[float, float]:
        """Precision, and the mean times that."""
        others = self._of_style.get(box.style, _NO_OTHERS).without(box.name)
        elsewhere = [one for style, one in self._spread_by_style.items() if style != box.style]
        mean, variance = _style(box, others, sum(elsewhere, np.zeros(len(_BETWEEN_BOXES))))
        return 1.0 / variance, mean / variance


def _mean_and_sd(precision: float, weighted: float) -> tuple[float, float]:
    return weighted / precision, float(precision**-0.5)


class _Seen(NamedTuple):
    """The latest observation of each box of a style."""

    mean: FloatArray
    """(observations) [ln(1/day)]"""
    common: FloatArray
    """The error of each that is common to all; none of a test. (observations) [ln(1/day) per standard deviation]"""
    variance: FloatArray
    """Of each about the mean of the style, by the spread between boxes, without that. (spreads × observations)"""
    log_variance: FloatArray
    """(spreads × observations)"""


@dataclass(frozen=True, eq=False)
class _OfStyle:
    """What is the same for every box that asks for those of its style."""

    places: dict[str, int]
    seen: _Seen

    @classmethod
    def of(cls, latest: dict[str, LeakObservation]) -> _OfStyle:
        means, sds = (np.array([getattr(s, name) for s in latest.values()]) for name in ("mean", "sd"))
        common = sds * np.sqrt([0.0 if s.tested else _COMMON_SHARE for s in latest.values()])
        variance = sds**2 - common**2 + _BETWEEN_BOXES[:, None] ** 2
        return cls({name: place for place, name in enumerate(latest)}, _Seen(means, common, variance, np.log(variance)))

    def without(self, box: str) -> _Seen:
        if (place := self.places.get(box)) is None:
            return self.seen
        return _Seen(*(np.delete(one, place, axis=-1) for one in self.seen))


_NO_OTHERS = _OfStyle.of({})


def _episodes(own: Sequence[LeakObservation]) -> list[tuple[float, float]]:
    """The latest mean and standard deviation of each episode of a box, in order of time; tests left out."""
    latest: dict[float, LeakObservation] = {}
    for s in own:
        if not s.tested:
            latest[s.episode_start_s] = max(latest.get(s.episode_start_s, s), s, key=lambda one: one.at_s)
    return [(latest[start_s].mean, latest[start_s].sd) for start_s in sorted(latest)]


def _style(box: Box, others: _Seen, elsewhere: FloatArray) -> tuple[float, float]:
    """Mean and variance of a new box of the style, over the spreads between boxes that the observations leave open."""
    prior_mean, prior_sd = style_prior(box)
    if not others.mean.size:
        return prior_mean, prior_sd**2
    fits, means, precision = _by_spread(prior_mean, others)
    logs = fits + elsewhere - 0.5 * ((_BETWEEN_BOXES - _TYPICAL_SPREAD) / _SPREAD_SD) ** 2
    weights = np.exp(logs - logs.max())
    weights /= weights.sum()
    mean = float(weights @ means)
    return mean, float(weights @ (_BETWEEN_BOXES**2 + 1.0 / precision + (means - mean) ** 2))


def _by_spread(prior_mean: float, seen: _Seen) -> tuple[FloatArray, FloatArray, FloatArray]:
    """For each spread between boxes: its ln likelihood, and the mean of the style given it, with its precision.

    The error common to all is integrated out, by the inverse of a diagonal matrix with one of rank 1 (Sherman,
    Morrison 1950, from memory) and its determinant.
    """
    weights, off = 1.0 / seen.variance, seen.mean - prior_mean
    common = seen.common * weights
    var_common = 1.0 + common @ seen.common
    in_sum, off_in_common = common.sum(axis=1), common @ off
    precision = 1.0 / _STYLE_MEAN_SD**2 + weights.sum(axis=1) - in_sum**2 / var_common
    mean_off = (weights @ off - in_sum * off_in_common / var_common) / precision
    misfit = weights @ off**2 - off_in_common**2 / var_common - mean_off**2 * precision
    scale = seen.log_variance.sum(axis=1) + np.log(var_common) + np.log(precision)
    return -0.5 * (misfit + scale), prior_mean + mean_off, precision
