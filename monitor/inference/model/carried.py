"""What earlier episodes of a box say of what is in it still, as a joint prior of its unknowns.

From episode to episode an unknown drifts about its usual prior, as a first-order autoregression of which that prior is
the stationary distribution: what nothing was learned of keeps it, and what was learned fades by a drift of its own.
Where spools are is no constant, so their humidity is taken over as the last episode left it. Leak and bias start from
their usual priors, with the covariances they had: else an error that both episodes share would count as two
observations that agree.
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

LINKED = (Unknown.log_conductance, Unknown.sensor_bias)
"""Of these two an earlier episode tells nothing here but how their errors hang together with those of beads and spools.
What it says of the leak itself reaches the next by ``pooling``; the bias of a sensor is told by comparisons with the
room (``sensor_bias``), and by the readings of each episode anew."""
CARRIED = (
    *LINKED,
    Unknown.isotherm_shape,
    Unknown.log_capacity_scale,
    Unknown.log_slow_humidity,
    Unknown.log_slow_capacity,
    Unknown.log_slow_lag,
    Unknown.log_dry_mass,
)
"""Those, and the unknowns that belong to something that stays: beads and spools."""
_LEAK = CARRIED.index(Unknown.log_conductance)
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
    steps = _linked(prior, carried, stayed) | _of_spools(prior, carried, stayed, box, assumptions)
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
        leak_var_before=float(carried.covariance[_LEAK, _LEAK]),
        weighed_before=weighed_before,
    )


def _linked(prior: Prior, carried: Carried, stayed: Stayed) -> dict[Unknown, _Step]:
    """Leak and bias as usual, with the covariances they had: the beads were told under them.

    Beads that seem to hold more where the sensor reads low seem so in every episode. Without the covariance one error
    would count as two observations that agree.
    """
    known = zip(CARRIED, carried.mean, np.diag(carried.covariance), strict=True)
    linked = [unknown for unknown in LINKED if stayed.sensor or unknown is not Unknown.sensor_bias]
    return {u: _told_anew(prior.unknowns[u], float(mean), float(var)) for u, mean, var in known if u in linked}


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


def _told_anew(base: Normal, mean: float, var: float) -> _Step:
    """The usual prior, with the covariances of before; less of them where it is the narrower one."""
    kept = covariance_kept(base.sd**2, var)
    return _Step(kept, base.mean - kept * mean, base.sd**2 - kept**2 * var)


def covariance_kept(var: float, before: float) -> float:
    """Return the share of its covariances that an unknown keeps when it gets another variance.

    Parameters
    ----------
    var : float
        Its new variance. [unit of the unknown, squared]
    before : float
        That at which the covariances were found. [the same]

    Returns
    -------
    float
        All where it is wider, as by an error of its own; else the others' regression on it stays. [share]
    """
    return 1.0 if var >= before else var / before


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
