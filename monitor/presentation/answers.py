"""What siccast answers, as JSON for scripts and other programs: names carry their units, shares are from 0 to 1."""

from __future__ import annotations

import math
from dataclasses import asdict
from typing import TYPE_CHECKING, Any

from monitor.presentation.amounts import sentence
from monitor.presentation.wording import CHANCES_WITHIN_DAYS, Wording, grams_rest_on
from monitor.records import BoxState

if TYPE_CHECKING:
    from collections.abc import Iterable
    from datetime import datetime

    from monitor.planning.recharge import RechargePlan
    from monitor.records import Assessment, CrossingForecast, DateQuantiles, LeakEstimate, Quantiles, WhatIf

Answer = dict[str, Any]


def forecast_answer(assessments: Iterable[Assessment], as_of: datetime, wording: Wording) -> Answer:
    """Return when each box passes its limit; what there is no evidence for is null."""
    return {"as_of": as_of, "boxes": [{"box": a.box.name, **box_outlook(a, wording)} for a in assessments]}


def box_outlook(assessment: Assessment, wording: Wording) -> Answer:
    """Return the outlook of one box, as `forecast` lists it and the broker retains it."""
    leak, forecast = assessment.leak, assessment.forecast
    return {
        "limit_rh_pct": _limit_pct(assessment),
        "state": wording.state(assessment, iso=True),
        "capacity_used": _quantiles(forecast.capacity_used) if forecast else None,
        "leak_g_per_day_per_kpa": _quantiles(leak.conductance_g_per_day_per_kpa) if leak else None,
        "ingress_g_per_day": _quantiles(leak.ingress_g_per_day) if leak else None,
        "cross_at": _dates(forecast.cross_at) if forecast else None,
        "chance_within": (
            {str(days): _rounded(forecast.chance_within(days)) for days in CHANCES_WITHIN_DAYS} if forecast else None
        ),
        "evidence": sentences(assessment),
        "sharpen": sentence(assessment.sharpen) if assessment.sharpen else None,
        "headroom_g": _quantiles(forecast.headroom_g) if forecast else None,
        "grams_known": leak.grams_known if leak else None,
        "spent_at": _dates(forecast.spent_at) if forecast else None,
        "chance_over_already": _rounded(forecast.chance_over_already) if forecast else None,
    }


def what_if_answer(assessments: Iterable[Assessment], as_of: datetime, change: WhatIf) -> Answer:
    """Return each box's forecast as it is and as it would be with something changed."""
    return {
        "as_of": as_of,
        "what_if": _change(change),
        "boxes": [
            {
                "box": a.box.name,
                "as_it_is": _crossing(a.forecast),
                "what_if": _crossing(a.forecast_if),
                "time_left_ratio": time_left_ratio(a),
                "evidence": sentences(a),
            }
            for a in assessments
        ],
    }


def time_left_ratio(assessment: Assessment) -> float | None:
    """Return how many times as long as now a changed box would last, by its medians; None where one isn't known."""
    now, then = assessment.forecast, assessment.forecast_if
    if now is None or then is None or now.cross_at.p50 is None or then.cross_at.p50 is None:
        return None
    left_s = (now.cross_at.p50 - assessment.as_of).total_seconds()
    return _rounded((then.cross_at.p50 - assessment.as_of).total_seconds() / left_s) if left_s > 0.0 else None


def _change(change: WhatIf) -> Answer:
    climate = change.room_climate
    return {
        "limit_rh_pct": None if change.humidity_limit is None else _rounded(100.0 * change.humidity_limit),
        "leak_times": change.conductance_factor,
        "beads": change.desiccant,
        "dry_mass_g": change.dry_mass_g,
        "room": None if climate is None else {
            "temperature_c": climate.temperature_degc,
            "rh_pct": _rounded(100.0 * climate.relative_humidity),
            "monthly_vapor_pressure_kpa": [_rounded(p / 1000.0) for p in climate.monthly_vapor_pressure_pa],
        },
    }  # fmt: skip


def _crossing(forecast: CrossingForecast | None) -> Answer | None:
    if forecast is None:
        return None
    return {
        "limit_rh_pct": _rounded(100.0 * forecast.humidity_limit),
        "capacity_used": _quantiles(forecast.capacity_used),
        "headroom_g": _quantiles(forecast.headroom_g),
        "cross_at": _dates(forecast.cross_at),
        "spent_at": _dates(forecast.spent_at),
        "chance_over_already": _rounded(forecast.chance_over_already),
        "chance_within": {str(days): _rounded(forecast.chance_within(days)) for days in CHANCES_WITHIN_DAYS},
    }


def outlook_topic(site: str, box: str) -> str:
    """Return where the broker retains the outlook of a box."""
    return f"siccast/1/{site}/{box}/outlook"


def outlook_messages(assessments: Iterable[Assessment], site: str, wording: Wording) -> list[tuple[str, Answer]]:
    """Return the topic and content of the message that the broker retains for each declared box."""
    return [
        (outlook_topic(site, a.box.name), {"as_of": a.as_of, **box_outlook(a, wording)})
        for a in assessments
        if a.state is not BoxState.undeclared
    ]


def leak_answer(assessments: Iterable[Assessment], as_of: datetime) -> Answer:
    """Return how leaky each box is."""
    return {"as_of": as_of, "boxes": [_box_leak(assessment) for assessment in assessments]}


def boxes_answer(assessments: Iterable[Assessment], as_of: datetime, wording: Wording) -> Answer:
    """Return the state of each box with its newest reading."""
    return {"as_of": as_of, "boxes": [_box_state(assessment, wording) for assessment in assessments]}


def plan_answer(plan: RechargePlan, as_of: datetime) -> Answer:
    """Return the days of a plan with a reason for each box, and a reason for each box on none of them."""
    return {
        "as_of": as_of,
        "appliance": plan.appliance,
        "days": [
            {"on": day.on, "boxes": [{"box": box, "reason": day.reasons[box]} for box in day.boxes]}
            for day in plan.days
        ],
        "left_out": [{"box": box, "reason": reason} for box, reason in plan.left_out.items()],
        "decisions": [
            {"number": one.decision_id, "kind": one.kind, "box": one.box or None, "on": one.on, "last": one.last}
            for one in (*plan.decided.in_force, *plan.decided.to_be_logged)
        ],
    }


def sentences(assessment: Assessment) -> list[str]:
    """Return in plain sentences why there is no forecast, what one rests on, and what would sharpen it most."""
    texts = (assessment.refusal, *assessment.evidence, grams_rest_on(assessment), assessment.sharpen)
    return [sentence(text) for text in texts if text]


def _box_leak(assessment: Assessment) -> Answer:
    leak = assessment.leak
    answer: Answer = {"box": assessment.box.name, "leak_g_per_day_per_kpa": None}
    if leak is not None:
        answer = {"box": assessment.box.name, **_leak(leak)}
    return {**answer, "evidence": sentences(assessment)}


def _leak(leak: LeakEstimate) -> Answer:
    return {
        "leak_g_per_day_per_kpa": _quantiles(leak.conductance_g_per_day_per_kpa),
        "air_changes_per_day": _quantiles(leak.air_changes_per_day),
        "half_time_days": _quantiles(leak.half_time_days),
        "ingress_g_per_day": _quantiles(leak.ingress_g_per_day),
        "ingress_summer_g_per_day": _quantiles(leak.ingress_summer_g_per_day),
        "ingress_winter_g_per_day": _quantiles(leak.ingress_winter_g_per_day),
        "capacity_share_per_day_per_kpa": (
            _quantiles(leak.capacity_share_per_day_per_kpa) if leak.capacity_share_per_day_per_kpa else None
        ),
        "grams_known": leak.grams_known,
        "for_its_kind": leak.for_its_kind,
        "comparison": leak.comparison,
        "changed_at": leak.changed_at,
        "changed_between": leak.changed_between,
        "change_factor": _quantiles(leak.change_factor) if leak.change_factor else None,
        "change_words": leak.change_words or None,
        "opening_g": _quantiles(leak.opening_g) if leak.opening_g else None,
        "opening_equals_hours_of_leak": _quantiles(leak.opening_hours) if leak.opening_hours else None,
    }


def _box_state(assessment: Assessment, wording: Wording) -> Answer:
    latest, forecast = assessment.latest, assessment.forecast
    return {
        "box": assessment.box.name,
        "limit_rh_pct": _limit_pct(assessment),
        "state": wording.state(assessment, iso=True),
        "latest": (
            {
                "t": latest.at,
                "temperature_c": _rounded(latest.temperature_degc),
                "rh_pct": _rounded(100.0 * latest.relative_humidity),
            }
            if latest
            else None
        ),
        "capacity_used": _quantiles(forecast.capacity_used) if forecast else None,
        "due_at": assessment.due_at,
        "evidence": sentences(assessment),
    }


def _limit_pct(assessment: Assessment) -> float | None:
    undeclared = assessment.state is BoxState.undeclared
    return None if undeclared else _rounded(100.0 * assessment.box.humidity_limit)


def _quantiles(values: Quantiles) -> dict[str, float]:
    return {name: _rounded(value) for name, value in asdict(values).items()}


def _dates(dates: DateQuantiles) -> dict[str, datetime | None]:
    return asdict(dates)


def _rounded(value: float) -> float:
    """Return a number without digits that only binary arithmetic put there."""
    return float(f"{value:.6g}") if math.isfinite(value) else value
