"""The whole answer for one box out of its posterior: leak, forecast, the words for both, and what would help most."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from datetime import UTC, datetime

from monitor.inference.answers.explanation import (
    comparison_of,
    evidence_of,
    grams_words,
    tightness_of,
)
from monitor.inference.answers.forecast import crossing_ahead, forecast_of
from monitor.inference.answers.leak import leak_of
from monitor.inference.answers.value_of_measurement import Useful, best_measurement, most_useful
from monitor.inference.answers.what_if import what_if
from monitor.inference.evidence.episodes import DisturbanceRates
from monitor.inference.fit.change_point import change_point_of, words_for
from monitor.inference.fit.posterior import Posterior
from monitor.inference.shelf.first_fit import FirstFit
from monitor.records import Column, Outlook, Quantiles, WhatIf
from monitor.texts import say, to_say

_OF_SUCH_BOXES = to_say("Nothing was measured of it: this is what such boxes usually leak.")


@dataclass(frozen=True)
class Question:
    """What is asked of every box alike."""

    horizon_days: int
    """How far to look ahead. [days]"""
    change: WhatIf | None
    """A what-if that is forecast too."""
    rates: DisturbanceRates
    """How the boxes of the shelf are used."""


def answer_of(
    question: Question,
    posterior: Posterior,
    first: FirstFit,
    style_leak: tuple[float, float] | None,
    *,
    limit: float | None,
    useful: Useful | None = None,
) -> tuple[Outlook, Useful | None]:
    """Return the outlook of a box, and the most useful measurement.

    Parameters
    ----------
    question : Question
        The same for all boxes.
    posterior : Posterior
        Of the box.
    first : FirstFit
        Its first fit, which may do without its own posterior.
    style_leak : (float, float) or None
        Mean and standard deviation of ln(air changes a day) of boxes of its style. [ln(1/day)]
    limit : float or None
        Its own where None. [fraction of saturation]
    useful : Useful, optional
        The most useful measurement as of the last fit, where that still holds.

    Returns
    -------
    (Outlook, Useful or None)
        None where the box is over its limit anyway.

    Raises
    ------
    FloatingPointError
        If some number of the answer is not finite.
    """
    limit = posterior.box.humidity_limit if limit is None else limit
    posterior = replace(posterior, shelf_rates=question.rates)
    futures = crossing_ahead(posterior, limit, question.horizon_days)
    ahead = forecast_of(posterior, limit, futures, question.horizon_days)
    leak = replace(
        leak_of(posterior),
        comparison=say(_OF_SUCH_BOXES) if first.unseen else comparison_of(posterior, style_leak),
        for_its_kind=None if first.unseen else tightness_of(posterior, style_leak),
        grams_words=grams_words(posterior),
    )
    if (since := change_point_of(posterior) or first.change_point) is not None:
        leak = replace(
            leak, changed_at=since.at, changed_between=since.between, change_factor=since.factor,
            change_words=words_for(since),
        )  # fmt: skip
    useful, rise_s = most_useful(posterior, futures[0], limit, useful), posterior.episode.unlogged_rise_s
    outlook = Outlook(
        leak=leak,
        forecast=ahead,
        evidence=(
            *filter(None, (first.remark,)),
            *evidence_of(
                posterior,
                leak_seen_before=first.leak_seen_before(posterior.episode.start_s),
                unseen=first.unseen,
            ),
        ),
        sharpen=best_measurement(posterior, futures[0], useful),
        forecast_if=what_if(posterior, question.change, question.horizon_days) if question.change else None,
        unlogged_rise_at=None if rise_s is None else datetime.fromtimestamp(rise_s, UTC),
    )
    if not _is_finite((outlook.leak, outlook.forecast, outlook.forecast_if)):
        raise FloatingPointError("some number of the leak or the forecast is not finite")
    return outlook, useful


def _is_finite(answer: object) -> bool:
    """Whether every number of an answer is finite, however deep."""
    if isinstance(answer, float):
        return math.isfinite(answer)
    if isinstance(answer, Quantiles):
        return math.isfinite(answer.p05 + answer.p50 + answer.p95)
    if isinstance(answer, tuple):
        return all(map(_is_finite, answer))
    if type(answer) is Column:  # chances, one for each day
        return math.isfinite(sum(answer))
    return all(_is_finite(getattr(answer, name)) for name in getattr(answer, "__dataclass_fields__", ()))
