"""Answers of inference by hand: forecasts, a leak, assessments, a week of readings, and a stub that gives them."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
import pytest

from monitor import inference
from monitor.inference import DisturbanceRates, Fitted, Teaching
from monitor.planning.due import due_at, state_of
from monitor.planning.weights import WEIGHTS
from monitor.records import (
    Assessment,
    Box,
    BoxHistory,
    BoxState,
    CrossingForecast,
    DateQuantiles,
    EntryKind,
    LeakEstimate,
    LedgerEntry,
    Outlook,
    Quantiles,
    Reading,
    WhatIf,
)

AS_OF = datetime(2026, 3, 4, 12, 0, tzinfo=UTC)
"""A Wednesday."""


def week_of_readings(box: str, end: datetime = AS_OF, relative_humidity: float = 0.12) -> list[Reading]:
    """Return readings every six hours over the week before an instant."""
    return [Reading(box, end - timedelta(hours=hours), 21.5, relative_humidity) for hours in range(168, 0, -6)]


def certain(value: float) -> Quantiles:
    return Quantiles(0.8 * value, value, 1.25 * value)


def forecast_of(median_days: float, spread_days: float = 5.0, humidity_limit: float = 0.20) -> CrossingForecast:
    """Return a forecast with a straight-line chance around its median; made up for the test."""
    days = np.arange(541)
    chance = np.clip(0.5 + 0.5 * (days - median_days) / max(spread_days, 1e-9), 0.0, 1.0)

    def date_at(share: float) -> datetime | None:
        reached = np.flatnonzero(chance >= share)
        return AS_OF + timedelta(days=int(reached[0])) if len(reached) else None

    dates = DateQuantiles(date_at(0.05), date_at(0.50), date_at(0.95))
    return CrossingForecast(
        humidity_limit=humidity_limit,
        cross_at=dates,
        chance_by_day=tuple(float(value) for value in chance),
        spent_at=dates,
        capacity_used=Quantiles(0.4, 0.5, 0.6),
        headroom_g=certain(8.0),
        present_relative_humidity=certain(0.12),
        chance_over_already=float(chance[0]),
    )


def due_in(days: int) -> CrossingForecast:
    """A forecast whose chance becomes worth a recharge after so many days, by a hair: it is just as much then."""
    chance = np.where(np.arange(541) < days, 0.0, WEIGHTS.due_chance)
    return replace(forecast_of(200.0), chance_by_day=tuple(chance.tolist()), chance_over_already=float(chance[0]))


LEAK = LeakEstimate(
    conductance_g_per_day_per_kpa=Quantiles(0.031, 0.052, 0.088),
    air_changes_per_day=Quantiles(0.42, 0.71, 1.2),
    ingress_g_per_day=certain(0.05),
    ingress_summer_g_per_day=certain(0.09),
    ingress_winter_g_per_day=certain(0.03),
    grams_known=False,
    comparison="As tight as most gasketed boxes.",
)


def assessment_of(name: str, forecast: CrossingForecast | None, state: BoxState | None = None) -> Assessment:
    """Return the assessment that a box with this forecast would get."""
    return Assessment(
        box=Box(name=name, volume_liter=10.0, humidity_limit=forecast.humidity_limit if forecast else 0.20),
        as_of=AS_OF,
        state=state or (state_of(forecast, AS_OF) if forecast else BoxState.not_enough_evidence),
        latest=Reading(name, AS_OF - timedelta(minutes=20), 21.5, 0.121),
        charge=LedgerEntry(EntryKind.charge, name, AS_OF - timedelta(days=40), dry_mass_g=100.0),
        leak=LEAK if forecast else None,
        forecast=forecast,
        due_at=due_at(forecast, AS_OF) if forecast else None,
        evidence=("Forty days of readings since the beads went in.",) if forecast else (),
        sharpen="Weigh the beads once." if forecast else "",
        refusal="" if forecast else "two days of readings can't carry a forecast",
    )


GOOD = Outlook(leak=LEAK, forecast=forecast_of(100.0), evidence=("A week of readings.",), sharpen="Weigh the beads.")


class StubInference:
    """Answers what a test tells it to, and remembers what it was asked."""

    def __init__(self) -> None:
        self.answer: Callable[[BoxHistory, float], Outlook] = lambda history, limit: (
            GOOD if len(history.readings) else Outlook(refusal="nothing is known of it")
        )
        self.asked: list[list[BoxHistory]] = []
        self.change: WhatIf | None = None
        self.told: dict[str, object] = {}

    def __call__(
        self,
        histories: Sequence[BoxHistory],
        as_of: datetime,
        humidity_limits: Sequence[float] | None = None,
        change: WhatIf | None = None,
        **told: object,
    ) -> list[Outlook]:
        self.asked.append(list(histories))
        self.told = told
        limits = humidity_limits or [history.box.humidity_limit for history in histories]
        given = [self.answer(history, limit) for history, limit in zip(histories, limits, strict=True)]
        if change is None:
            return given
        self.change = change
        return [replace(one, forecast_if=one.forecast and forecast_of(200.0)) for one in given]

    def fitted(self, histories: Sequence[BoxHistory], as_of: datetime, *limits: Any, **told: Any) -> list[Fitted]:
        """The same, as one asks who keeps outlooks: without a fit behind them, and nothing to learn from."""
        told.pop("others", None)
        teaching = Teaching((), None, told.pop("rates", None) or DisturbanceRates(0.1, 0.1))
        return [Fitted(outlook, teaching) for outlook in self(histories, as_of, *limits, **told)]

    def stand_in(self, monkeypatch: pytest.MonkeyPatch) -> None:
        monkeypatch.setattr(inference, "fitted", self.fitted)
