"""Which change of a seal the readings speak for, before it is fitted: one that came at once, or one over the season.

A scan only, by draws of a fit without any change. ln G may jump at one of some days of the episode, or it may rise or
fall evenly from the episode's start to its end. Each that raises the likelihood becomes the prior of a fit.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from monitor.inference.evidence.bins import Bins, for_rough_likelihood
from monitor.inference.fit.posterior import Posterior
from monitor.inference.model.kalman import run
from monitor.inference.model.prior import Normal, Prior, Unknown
from monitor.inference.model.state import Problem
from monitor.physics.numerics import FloatArray

CHANGE_SD = 1.2
"""A lid seated badly or a seal that fails: a factor of three either way. [ln conductance] Judgement."""
_DAY_SD = 12.0
"""How far the day lies from the candidate. [days] Judgement: candidates lie up to some weeks apart."""
_TOOK_LOG_DAYS, _TOOK_SD = np.log(4.0), 2.0
"""How long it took, median [ln days] and sd: a lid left ajar in a moment, a seal that fails in days, one that ages over
a season. Judgement."""
_LEAST_LOG_GAIN = 0.7
"""Gain of the log-likelihood from which a candidate is fitted. [nat] Judgement: a factor of two."""
_DRAWS = 40
"""Draws that the scan tries each day with. [draws] Judgement: it only finds a candidate."""
_MOST_CANDIDATES = 16
"""Days that it tries. [days] Judgement: a bound on the work."""
_CLEAR_OF_START_DAYS, _CLEAR_OF_END_DAYS = 8.0, 3.0
"""No candidate lies nearer to the ends of an episode. [days] Judgement: at first contents settle, and a change of today
has no readings yet."""
AGES_FROM_DAYS = 45.0
"""In a shorter episode a seal is not taken to age. [days] Judgement: beads, spools and room settle as slowly."""
_AGED_DAY_SD_SHARE, _AGED_TOOK_SD = 0.25, 0.7
"""How far the middle of an ageing lies from the episode's, as a share of its length [share], and how far its time from
that length. [ln days] Judgement: half the episode, or twice."""
_AGED_BY = (-1.2, -0.6, 0.6, 1.2, 1.8)
"""Ageings that the scan tries. [ln conductance] Judgement: 1.2 either way is ``CHANGE_SD``, and seals fail more than
they heal."""
_OF_IT_BEFORE = (0.35, 0.6, 0.85)
"""How much of it the conductance lay lower at the start than its mean without any. [share] Judgement: half in an even
year, more or less where the room's push was late or early."""


@dataclass(frozen=True)
class Candidate:
    """A change worth a fit: what is known of its day and of how long it took."""

    gain: float
    """Of the log-likelihood. [nat]"""
    day: Normal
    """Days into the episode. [days]"""
    log_duration: Normal
    """How long it took. [ln days]"""
    window_days: float
    """Time in which such a change may have come. [days]"""

    def prior(self, prior: Prior) -> Prior:
        """Return a prior with this change allowed for.

        Parameters
        ----------
        prior : Prior
            Without a change point.

        Returns
        -------
        Prior
            Of three more unknowns.
        """
        return prior.with_change_point(log_factor=Normal(0.0, CHANGE_SD), day=self.day, log_duration=self.log_duration)


def candidates_of(posterior: Posterior) -> list[Candidate]:
    """Return the changes that raise the likelihood enough: none, either or both.

    Parameters
    ----------
    posterior : Posterior
        Of one episode, without a change point.

    Returns
    -------
    list of Candidate
        A jump before an ageing.
    """
    problem = replace(posterior.problem, bins=for_rough_likelihood(posterior.bins))
    theta = posterior.theta[:: max(len(posterior.theta) // _DRAWS, 1)]
    return [one for one in (_jump(problem, theta), _ageing(problem, theta)) if one and one.gain >= _LEAST_LOG_GAIN]


def _jump(problem: Problem, theta: FloatArray) -> Candidate | None:
    """The day at which a jump raises the likelihood most."""
    bins = problem.bins
    candidates = _days_tried(bins)
    if len(candidates) == 0:
        return None
    tried = len(candidates) + 1  # the last without a jump
    loosened = np.zeros((len(bins), tried, len(theta)))
    loosened[candidates, np.arange(len(candidates))] = CHANGE_SD**2
    jumping = replace(problem, bins=replace(bins, loosened=loosened.reshape(len(bins), -1)))
    gains = _gains(run(jumping, np.tile(theta, (tried, 1)))[0].reshape(tried, -1))
    best = int(gains.argmax())
    at = float(bins.edges_days[candidates[best]] - bins.edges_days[0])
    window_days = float(np.sqrt(2.0 * np.pi)) * _DAY_SD
    return Candidate(float(gains[best]), Normal(at, _DAY_SD), Normal(_TOOK_LOG_DAYS, _TOOK_SD), window_days)


def _ageing(problem: Problem, theta: FloatArray) -> Candidate | None:
    """A leak that rises or falls evenly over the episode: by how much is averaged over, as a jump's is.

    Not where humidity hardly shows how full the beads are: a sieve past its knee looks like a seal that ages.
    """
    length = problem.bins.length_days
    if length < AGES_FROM_DAYS or problem.prior.humidity_shows != "fill":
        return None
    evenly = Candidate(
        0.0,
        Normal(0.5 * length, _AGED_DAY_SD_SHARE * length),
        Normal(float(np.log(length)), _AGED_TOOK_SD),
        length,
    )
    tries = [(by, share) for by in _AGED_BY for share in _OF_IT_BEFORE]
    aged = np.zeros((len(tries) + 1, len(theta), len(Unknown)))  # the last without ageing
    aged[:, :, : theta.shape[1]] = theta
    aged[:, :, Unknown.change_day], aged[:, :, Unknown.log_change_duration] = evenly.day.mean, evenly.log_duration.mean
    for row, (by, share) in zip(aged, tries, strict=False):
        row[:, Unknown.log_change_factor] = by
        row[:, Unknown.log_conductance] -= by * share
    scores = run(replace(problem, prior=evenly.prior(problem.prior)), aged.reshape(-1, len(Unknown)))[0]
    gains = _gains(scores.reshape(len(aged), -1))
    return replace(evenly, gain=float(np.logaddexp.reduce(gains) - np.log(len(gains))))


def _gains(scores: FloatArray) -> FloatArray:
    """Mean likelihood of each try over the draws, against that of the last, which is none. (tries) [nat]"""
    gains = np.logaddexp.reduce(scores[:-1] - scores[-1], axis=1) - np.log(scores.shape[1])
    return np.where(np.isfinite(gains), gains, -np.inf)


def _days_tried(bins: Bins) -> list[int]:
    """Bins at whose start the jump is tried, clear of both ends."""
    edges = bins.edges_days[:-1]
    inside = np.flatnonzero((edges > edges[0] + _CLEAR_OF_START_DAYS) & (edges < -_CLEAR_OF_END_DAYS))
    return [int(i) for i in inside[:: max(-(-len(inside) // _MOST_CANDIDATES), 1)]]
