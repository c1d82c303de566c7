"""What if: another limit, other beads, a better seal, another climate; the same posterior pushed ahead."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from monitor.inference.answers.forecast import HORIZON_DAYS, forecast
from monitor.inference.evidence.room_climate import learn_room
from monitor.inference.fit.posterior import Posterior, conditioned_on_sampled_rooms
from monitor.inference.model.contents import shapes_of
from monitor.inference.model.prior import Unknown
from monitor.inference.model.state import State
from monitor.physics.box_balance import DrawnBox
from monitor.physics.sorption.tabulated import SorptionTable
from monitor.records import CrossingForecast, RoomClimate, WhatIf

WETTEST_START = 0.9
"""Fresh beads start no more humid than this. [fraction of saturation] Judgement: they would not be fresh."""


def what_if(posterior: Posterior, change: WhatIf, horizon_days: int = HORIZON_DAYS) -> CrossingForecast:
    """Return the forecast of a box as it would be.

    Parameters
    ----------
    posterior : Posterior
        Of the box as it is.
    change : WhatIf
        What would be otherwise; what is None stays.
    horizon_days : int
        How far to look ahead. [days]

    Returns
    -------
    CrossingForecast
        From now on.
    """
    return forecast(as_changed(posterior, change), change.humidity_limit, horizon_days)


def as_changed(posterior: Posterior, change: WhatIf) -> Posterior:
    """Return the posterior of a box as it would be.

    Parameters
    ----------
    posterior : Posterior
        Of the box as it is.
    change : WhatIf
        What would be otherwise, but for the limit.

    Returns
    -------
    Posterior
        To be pushed ahead.
    """
    changed = replace(posterior, state=_with_leak_factor(posterior, change.conductance_factor))
    if change.desiccant is not None or change.dry_mass_g is not None:
        changed = _with_fresh_beads(changed, change)
    if change.room_climate is not None:
        changed = _in_another_room(changed, change.room_climate)
    return replace(changed, hypothetical=True)


def _with_leak_factor(posterior: Posterior, factor: float) -> State:
    state = posterior.state
    return replace(state, log_conductance=state.log_conductance + np.log(factor))


def _in_another_room(posterior: Posterior, climate: RoomClimate) -> Posterior:
    """The leak stays what it is behind the room so far, whichever that was; of the other room it tells nothing."""
    room = learn_room(None, climate, posterior.now_s)
    return replace(posterior, state=conditioned_on_sampled_rooms(posterior), room=room, room_measured=True)


def _with_fresh_beads(posterior: Posterior, change: WhatIf) -> Posterior:
    state, episode = posterior.state, posterior.episode
    kind = change.desiccant or episode.desiccant or "silica_gel_unspecified"
    mass_g = change.dry_mass_g or posterior.problem.prior.dry_mass_g
    score = np.zeros(len(posterior.theta)) if change.desiccant else posterior.theta[:, Unknown.isotherm_shape]
    table = SorptionTable(*shapes_of(kind), score)
    scale = state.drawn.dry_mass_g / posterior.problem.prior.dry_mass_g
    drawn = DrawnBox(
        table, mass_g * scale, state.drawn.slow_g_per_humidity, state.drawn.slow_lag_days, state.drawn.volume_liter
    )
    start = np.minimum(np.exp(posterior.theta[:, Unknown.log_start_humidity]), WETTEST_START)
    loading = table.loading(start, float(posterior.bins.temperature_degc[-1]))
    return replace(posterior, state=replace(state, drawn=drawn, loading=loading))
