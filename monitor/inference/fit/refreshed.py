"""The update of a posterior some hours later, by what was seen since: the filter runs on, and no fit is made."""

from __future__ import annotations

from dataclasses import fields, replace
from functools import lru_cache

import numpy as np

from monitor.inference.evidence.bin_grid import DAY_S
from monitor.inference.evidence.bins import Bins, bin_episode
from monitor.inference.fit.fit import SEED, equally_weighted, filled, room_before
from monitor.inference.fit.importance import Draws
from monitor.inference.fit.posterior import Posterior, Record
from monitor.inference.model.kalman import run_on
from monitor.inference.model.state import StandardErrors


def refreshed(posterior: Posterior, record: Record, now_s: float, seed: int = SEED) -> Posterior:
    """Return the posterior some hours later, without a fit of the whole episode.

    The filter runs on from the last state of each draw, and draws are weighted by what was seen since. Hours before the
    last update are not needed. A new episode needs a new estimate, and so do many updates: the number of distinct draws
    falls (``effective_draws``).

    Parameters
    ----------
    posterior : Posterior
        At the last update.
    record : Record
        All that is known of the box; hours before the last update may be left out.
    now_s : float
        Later than the last update. [s since 1970 UTC]
    seed : int
        Of the random numbers.

    Returns
    -------
    Posterior
        At ``now_s``.
    """
    rng = np.random.default_rng(seed)
    seasonal = posterior.problem.assumptions.seasonal_room
    room_hours, room = room_before(record.room, record.declared_room, now_s, seasonal)
    since = replace(posterior.episode, start_s=posterior.now_s)
    hours = record.hours_before(now_s)
    bins = filled(bin_episode(record.box, since, hours, room_hours, now_s, after=posterior.bins), room, now_s)
    theta, state = posterior.theta, replace(posterior.filtered)  # the filter puts other arrays into it
    aged_days = (posterior.now_s - posterior.episode.start_s) / DAY_S
    # a change of the seal is past: the state has the conductance since
    since_then = replace(posterior.problem, bins=bins, prior=posterior.problem.prior.without_change_point())
    score = run_on(since_then, theta, state, aged_days)
    weights = np.exp(score - score.max())
    draws = Draws(theta, weights / weights.sum(), 1)
    whole = replace(posterior.problem, bins=_joined(posterior.bins, bins))
    of_draws = equally_weighted(draws, state, rng, _errors_of_updates(len(theta), seed))
    return replace(posterior, problem=whole, room=room, now_s=now_s, **of_draws)


@lru_cache(maxsize=2)  # numbers of draws, a count; judgement: a fit has one, and tests another
def _errors_of_updates(count: int, seed: int) -> StandardErrors:
    """The errors that are drawn after an update: of one seed, so every box has the same."""
    rng = np.random.default_rng(seed)
    rng.random()  # what resampling takes before
    errors = StandardErrors.drawn(count, rng)
    for values in errors:
        values.flags.writeable = False
    return errors


def unchanged(posterior: Posterior) -> Posterior:
    """Return a posterior that was kept for an update as one to answer from, of the same instant.

    Parameters
    ----------
    posterior : Posterior
        As ``for_update`` left it.

    Returns
    -------
    Posterior
        With as many draws.
    """
    count = len(posterior.theta)
    draws = Draws(posterior.theta, np.full(count, 1.0 / count), 1)
    errors = _errors_of_updates(count, SEED)
    return replace(posterior, **equally_weighted(draws, posterior.filtered, np.random.default_rng(SEED), errors))


def _joined(older: Bins, newer: Bins) -> Bins:
    """Bins of an episode, and those that came after."""
    arrays = {
        f.name: np.concatenate((getattr(older, f.name), getattr(newer, f.name)))
        for f in fields(Bins)
        if f.name not in ("edges_days", "floor", "weighings", "colors", "swap_notes", "new_sensors")
    }
    shift, count = newer.length_days, len(older.days)
    later = tuple((i + count, mass, scale) for i, mass, scale in newer.weighings)
    colors = (*older.colors, *((i + count, seen) for i, seen in newer.colors))
    notes = (*older.swap_notes, *((i + count, note) for i, note in newer.swap_notes))
    edges = np.concatenate((older.edges_days - shift, newer.edges_days[1:]))
    return Bins(
        edges_days=edges,
        floor=older.floor,
        weighings=(*older.weighings, *later),
        colors=colors,
        swap_notes=notes,
        new_sensors=older.new_sensors,
        **arrays,
    )
