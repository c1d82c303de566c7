"""Are beads as dry as their drying run said? The air of the box answers, once it came to rest over them."""

from __future__ import annotations

from datetime import timedelta
from typing import TYPE_CHECKING

import numpy as np

from monitor.physics import materials
from monitor.records import AtRest
from monitor.series.air_at_rest import AT_REST_AFTER, READ_FOR, air_at_rest

if TYPE_CHECKING:
    from monitor.records import Assessment, LedgerEntry
    from monitor.store.contracts import Readings

_SAID_FOR = timedelta(days=30)
"""A judgement: within a month somebody has dried them again, or never will, and the forecast knows it by then."""


def weak_recharge(assessment: Assessment, readings: Readings) -> AtRest | None:
    """Return what the air of a box says of its beads where that contradicts their drying run; None where it does not.

    Only beads whose run or jar check told their loading can be contradicted. Beads that a damp spool wetted meanwhile
    look the same.
    """
    charge = assessment.charge
    if charge is None or charge.loading_g_per_g is None or charge.desiccant is None:
        return None
    begin = charge.at + AT_REST_AFTER
    if not begin + READ_FOR <= assessment.as_of <= charge.at + _SAID_FOR:
        return None
    return _contradicted(assessment, charge, readings)


def _contradicted(assessment: Assessment, charge: LedgerEntry, readings: Readings) -> AtRest | None:
    assert charge.loading_g_per_g is not None
    assert charge.desiccant is not None
    begin = charge.at + AT_REST_AFTER
    at_rest = air_at_rest(readings.series(assessment.box.name, begin, begin + READ_FOR))
    if at_rest is None:
        return None
    humidity, degc = at_rest
    beads, most = materials.desiccant(charge.desiccant), charge.loading_g_per_g[-1]
    if humidity <= float(np.asarray(beads.isotherm.relative_humidity(most, degc))):
        return None  # as dry as said, without asking how sure either is
    from monitor.inference.drying.jar import jar_verdict  # noqa: PLC0415 -- hardly any box comes so far

    verdict = jar_verdict(beads, humidity, degc, assessment.box.sensor.accuracy, charge.loading_g_per_g)
    if verdict.agrees or verdict.alone_g_per_g.p05 <= most:
        return None
    return AtRest(humidity, verdict.alone_g_per_g, most)
