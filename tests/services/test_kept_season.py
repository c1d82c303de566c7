"""A season night by night: what was carried on is as good as what is fitted anew.

SICCAST_KEPT_SEASON=90 plays so many nights and prints how far the two are apart.
"""

from __future__ import annotations

import os
from pathlib import Path

import numpy as np
import pytest
from kept_site import DAY, LEAK_NOISE, NAMES, Site, made, with_fewer_draws

from monitor.records import Assessment

LONG = int(os.environ.get("SICCAST_KEPT_SEASON", "0"))
NIGHTS, COMPARED_EVERY = (LONG, 10) if LONG else (8, 4)
BEGIN = made(120)[1] + 20 * DAY
PINBALL_NOISE = 0.005 if LONG else 0.01
HORIZON_DAYS = 540.0


def test_a_season_night_by_night(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Leak within 10 % each time; dates by the mean quantile loss of ln(days), held against the days that came true."""
    if not LONG:
        with_fewer_draws(monkeypatch, 400)
    site = Site.begun(tmp_path, 120)
    apart, carried_loss, fresh_loss = [], [], []
    for night in range(NIGHTS + 1):
        at = BEGIN + night * DAY
        site.arrive(at)
        carried = site.ask(at)
        if night % COMPARED_EVERY:
            continue
        fresh = site.ask(at, fresh=True)
        for name in NAMES:
            if (crossed := site.crossed_at(name)) < at + DAY:
                continue
            apart.append(np.abs(_leaks(carried[name]) - _leaks(fresh[name])))
            left = np.log((crossed - at).total_seconds() / 86_400.0)
            carried_loss.append(_pinball(_days(carried[name], at), left))
            fresh_loss.append(_pinball(_days(fresh[name], at), left))
    difference = float(np.mean(carried_loss) - np.mean(fresh_loss))
    print(f"\n{NIGHTS} nights: ln leak apart at most {np.max(apart, axis=0).round(3)} (5, 50, 95 % points), on average "
          f"{np.mean(apart, axis=0).round(3)}; quantile loss {np.mean(carried_loss):.4f} carried on, "
          f"{np.mean(fresh_loss):.4f} fresh, {difference:+.4f}")  # fmt: skip
    assert np.max(apart, axis=0)[1] < LEAK_NOISE
    assert abs(difference) < PINBALL_NOISE


def _leaks(answer: Assessment) -> np.ndarray:
    assert answer.leak is not None
    found = answer.leak.conductance_g_per_day_per_kpa
    return np.log([found.p05, found.p50, found.p95])


def _days(answer: Assessment, at: object) -> np.ndarray:
    assert answer.forecast is not None
    dates = answer.forecast.cross_at
    days = [HORIZON_DAYS if one is None else (one - at) / DAY for one in (dates.p05, dates.p50, dates.p95)]
    return np.log(np.clip(days, 0.25, HORIZON_DAYS))


def _pinball(quantiles: np.ndarray, outcome: float) -> float:
    """Mean quantile loss at 5, 50 and 95 %."""
    level = np.array([0.05, 0.5, 0.95])
    error = outcome - quantiles
    return float(np.mean(np.maximum(level * error, (level - 1.0) * error)))
