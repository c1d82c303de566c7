"""What earlier episodes of a box say of what is in it still, as a joint prior of its unknowns.

From episode to episode an unknown drifts about its usual prior, as a first-order autoregression of which that prior is
the stationary distribution: what nothing was learned of keeps it, and what was learned fades by a drift of its own.
Where spools are is no constant, so their humidity is taken over as the last episode left it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from monitor.inference.evidence.continuity import Stayed
from monitor.inference.model.contents import spool_mixed_in, swapped_in_humidity
from monitor.inference.model.prior import Assumptions, Normal, Prior, Unknown
from monitor.physics.numerics import FloatArray
from monitor.records import Box
from monitor.units import SECONDS_PER_DAY

CAPACITY_DRIFT = 0.05
"""What the same beads hold differs by this from drying to drying. [ln water] Judgement: wear of 2 % a run
(``drying.ageing``), and the branch of the isotherm they come back on."""
SHAPE_DRIFT = 0.15
"""The same of the shape of their isotherm. [1] No unit. Judgement: a third of how lots differ."""
_DRY_MASS_DRIFT = 0.005
"""The same of their dry mass. [ln mass] Judgement: a few beads lost at each filling."""
_SLOW_HUMIDITY_DRIFT = 0.3
"""While a box stands open, and by what one lag for all spools leaves out, their humidity moves by this. [ln humidity]
Judgement: outer turns are where the air was of late, inner ones where it was weeks ago."""
_SLOW_STORE_DRIFT = 0.10
"""What spools hold, and their lag, differ by this from episode to episode. [ln] Judgement: a tenth of the filament is
printed."""

CARRIED = (
    Unknown.isotherm_shape,
    Unknown.log_capacity_scale,
    Unknown.log_slow_humidity,
    Unknown.log_slow_capacity,
    Unknown.log_slow_lag,
    Unknown.log_dry_mass,
)
"""The unknowns that belong to something that stays: beads and spools. The bias of a sensor is told from episode to
episode by its comparisons with the room alone (``sensor_bias``)."""
_BEADS_DRIFT = {
    Unknown.isotherm_shape: SHAPE_DRIFT,
    Unknown.log_capacity_scale: CAPACITY_DRIFT,
    Unknown.log_dry_mass: _DRY_MASS_DRIFT,
}


@dataclass(frozen=True, eq=False)
class Carried:
    """Mean and covariance of what was known at the end of an episode."""

    start_s: float
    """Start of that episode. [s since 1970 UTC]"""
    at_s: float
    """Its end. [s since 1970 UTC]"""
    desiccant: str | None
    """Kind of its beads."""
    dry_mass_g: float
    """That masses were relative to. [g]"""
    mean: FloatArray
    """Of the unknowns ``CARRIED``, the humidity of the spools as it was at the end. (unknowns) [unit of each]"""
    covariance: FloatArray
    """Of the same. (unknowns × unknowns) [units of both]"""
    weighed: bool
    """True where its beads were weighed as they took up water, then or before. Humidity alone gives only shares of what
    they hold."""
    follows_air: bool
    """True where the humidity of the balance is that of the air, so that spools follow it; over a salt it is not."""


@dataclass(frozen=True)
class _Step:
    """How one unknown goes from the end of an episode to the start of the next: x' = shift + kept · x + noise."""

    kept: float
    shift: float
    var: float


def with_carried(
    prior: Prior, carried: Carried, stayed: Stayed, *, box: Box, desiccant: str | None, assumptions: Assumptions
) -> Prior:
    """Return the prior of an episode with what an earlier one says of what stayed.

    Parameters
    ----------
    prior : Prior
        Of the later episode by itself.
    carried : Carried
        From the end of the earlier one.
    stayed : Stayed
        What of it is in the box still.
    box : Box
        As declared.
    desiccant : str or None
        Kind of the beads of the later episode.
    assumptions : Assumptions
        The model of errors.

    Returns
    -------
    Prior
        Joint in what stayed; all else as it was.
    """
    weighed_before = stayed.beads and carried.desiccant == desiccant and carried.weighed
    steps = _of_spools(prior, carried, stayed, box, assumptions)
    steps |= _of_beads(prior, carried) if weighed_before else {}
    steps = {unknown: steps.get(unknown, _anew(prior.unknowns[unknown])) for unknown in CARRIED}
    kept = np.array([steps[u].kept for u in CARRIED])
    mean = kept * carried.mean + np.array([steps[u].shift for u in CARRIED])
    covariance = carried.covariance * np.outer(kept, kept) + np.diag([steps[u].var for u in CARRIED])
    sd = np.sqrt(np.diag(covariance))
    unknowns = {u: Normal(float(m), float(s)) for u, m, s in zip(CARRIED, mean, sd, strict=True)}
    correlation = np.eye(len(prior.unknowns))
    correlation[np.ix_(CARRIED, CARRIED)] = covariance / np.outer(sd, sd)
    return replace(
        prior,
        unknowns={**prior.unknowns, **unknowns},
        correlation=correlation,
        weighed_before=weighed_before,
    )


def _of_beads(prior: Prior, carried: Carried) -> dict[Unknown, _Step]:
    steps = {unknown: _drifted(prior.unknowns[unknown], drift) for unknown, drift in _BEADS_DRIFT.items()}
    masses = math.log(carried.dry_mass_g / prior.dry_mass_g)
    for unknown in (Unknown.log_capacity_scale, Unknown.log_dry_mass):  # relative to what is declared now
        steps[unknown] = replace(steps[unknown], shift=steps[unknown].shift + masses * steps[unknown].kept)
    return steps


def _of_spools(
    prior: Prior, carried: Carried, stayed: Stayed, box: Box, assumptions: Assumptions
) -> dict[Unknown, _Step]:
    if not (assumptions.slow_contents and carried.follows_air):
        return {}
    one = 1.0 / max(sum(spool.count for spool in box.spools), 1)
    left = (1.0 - one) ** len(stayed.swaps)
    stores = (Unknown.log_slow_capacity, Unknown.log_slow_lag)
    steps = {unknown: _drifted(prior.unknowns[unknown], _SLOW_STORE_DRIFT, left) for unknown in stores}
    if stayed.at_once:
        steps[Unknown.log_slow_humidity] = _slow_humidity(
            carried, stayed, one, assumptions, followed=prior.swapped_share > 0.0
        )
    return steps


def _anew(base: Normal) -> _Step:
    return _Step(0.0, base.mean, base.sd**2)


def _drifted(base: Normal, drift: float, left: float = 1.0) -> _Step:
    """An autoregression with the usual prior as its stationary distribution; ``left`` is the share that was not
    replaced."""
    kept = left * math.sqrt(max(1.0 - (drift / base.sd) ** 2, 0.0))
    return _Step(kept, (1.0 - kept) * base.mean, (1.0 - kept**2) * base.sd**2)


def _slow_humidity(carried: Carried, stayed: Stayed, one: float, assumptions: Assumptions, *, followed: bool) -> _Step:
    """Spools as humid as they were, but for those swapped in too lately to have come to rest with them.

    Where the filter follows what they bring, it has those of the earlier episode already.
    """
    ln_humidity = float(carried.mean[CARRIED.index(Unknown.log_slow_humidity)])
    lag_s = math.exp(carried.mean[CARRIED.index(Unknown.log_slow_lag)]) * SECONDS_PER_DAY
    usual = assumptions.swapped_humidity, assumptions.swapped_humidity_sd
    humidity, kept, var = math.exp(ln_humidity), 1.0, _SLOW_HUMIDITY_DRIFT**2
    new = [swap for swap in stayed.swaps if not (followed and swap.before_end_s > 0.0)]
    for swap in sorted(new, key=lambda s: -s.before_end_s):
        share, fresh = one * math.exp(-swap.before_end_s / lag_s), swapped_in_humidity(swap.note, usual)
        humidity, by_old, of_fresh = spool_mixed_in(humidity, share, fresh)
        kept, var = kept * by_old, var * by_old**2 + of_fresh
    return _Step(kept, math.log(humidity) - kept * ln_humidity, var)
