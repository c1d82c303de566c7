"""From the posterior at the end of an episode to what of it the next one may start from."""

from __future__ import annotations

import numpy as np

from monitor.inference.fit.posterior import Posterior
from monitor.inference.model.carried import CARRIED, Carried
from monitor.inference.model.prior import Unknown

_DRIEST = 1e-4
"""Spools are taken for no drier than this. [fraction of saturation] Judgement: drier than any that was ever dried."""


def carried_from(posterior: Posterior) -> Carried:
    """Return mean and covariance of what belongs to something that may stay in the box.

    Parameters
    ----------
    posterior : Posterior
        At the end of an episode.

    Returns
    -------
    Carried
        Of its equally weighted draws.
    """
    known = posterior.theta.copy()
    known[:, Unknown.log_slow_humidity] = np.log(np.maximum(posterior.filtered.slow_humidity, _DRIEST))
    known, episode = known[:, CARRIED], posterior.episode
    return Carried(
        start_s=episode.start_s,
        at_s=posterior.now_s,
        desiccant=episode.desiccant,
        dry_mass_g=posterior.problem.prior.dry_mass_g,
        mean=known.mean(axis=0),
        covariance=np.cov(known, rowvar=False),
        follows_air=posterior.problem.prior.humidity_shows != "phase",
        weighed=bool(episode.weighings) or posterior.problem.prior.weighed_before,
    )
