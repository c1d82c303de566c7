"""Beads straight from the recharge desk: the forecast starts from how dry the scale found them, before any reading."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
from simulated_shelf import outlooks

from monitor.inference.evidence.episodes import current_episode
from monitor.inference.evidence.hours import reduce_to_hours
from monitor.physics.materials import desiccant
from monitor.physics.psychrometrics import vapor_pressure_pa
from monitor.records import Box, BoxHistory, EntryKind, LedgerEntry, Outlook, ReadingSeries, RoomClimate
from monitor.series.spans import unmarked

AS_OF = datetime(2026, 3, 1, 20, 0, tzinfo=UTC)
DAYS, DRY_G, CONDUCTANCE = 60.0, 100.0, 0.12
BOX = Box("pla", 10.0, 0.20, style="gasket")


def sixty_days() -> ReadingSeries:
    """Return a box that a leak of 0.12 g/day/kPa fills in a room of 20 °C and 50 % RH: the balance by small steps."""
    isotherm = desiccant("silica_gel").isotherm
    hours = np.arange(DAYS * 24.0)
    loading, shown = 0.03, []
    room_kpa = float(vapor_pressure_pa(20.0, 0.5)) / 1e3
    for _ in hours:
        humidity = float(isotherm.relative_humidity(loading, 20.0))
        shown.append(humidity)
        loading += CONDUCTANCE * (room_kpa - float(vapor_pressure_pa(20.0, humidity)) / 1e3) / 24.0 / DRY_G
    at_s = (AS_OF - timedelta(days=DAYS)).timestamp() + 3600.0 * hours
    rounded = np.round(np.array(shown), 3)
    warmth = 20.0 + 0.2 * np.round(np.sin(hours), 1)  # hours without any change would be taken for a hung sensor
    return unmarked("pla", at_s, warmth, rounded)


def outlook(
    loading: tuple[float, float, float] | None, first_charge: bool = True, method: str | None = "microwave"
) -> Outlook:
    """Return the outlook an hour after beads of this loading went in."""
    first = LedgerEntry(
        EntryKind.charge, "pla", AS_OF - timedelta(days=DAYS, hours=1), desiccant="silica_gel", dry_mass_g=DRY_G
    )
    fresh = LedgerEntry(
        EntryKind.recharge, "pla", AS_OF - timedelta(hours=1), desiccant="silica_gel", dry_mass_g=DRY_G,
        method=method, loading_g_per_g=loading,
    )  # fmt: skip
    entries = (first, fresh) if first_charge else (fresh,)
    history = BoxHistory(BOX, sixty_days(), room_climate=RoomClimate(20.0, 0.5), entries=entries)
    [answer] = outlooks([history], AS_OF)
    return answer


def test_wetter_beads_pass_the_limit_sooner() -> None:
    dry, wet = (outlook((q - 0.005, q, q + 0.005)).forecast for q in (0.02, 0.09))
    assert dry is not None
    assert wet is not None
    assert dry.cross_at.p50 is not None
    assert wet.cross_at.p50 is not None
    assert dry.cross_at.p50 > wet.cross_at.p50 > AS_OF
    assert dry.headroom_g.p50 > wet.headroom_g.p50


def test_date_agrees_with_the_leak_of_before() -> None:
    """By hand: (u(20 %) − 0.02)·100 g over 0.12 g/day/kPa × (1.17 − 0.26) kPa, the humidity's mean on the way."""
    answer = outlook((0.015, 0.02, 0.025))
    assert answer.forecast is not None
    assert answer.forecast.cross_at.p50 is not None
    room = float(desiccant("silica_gel").isotherm.loading_g_per_g(0.20, 20.0)) - 0.02
    by_hand_days = room * DRY_G / (CONDUCTANCE * (1.169 - 0.26))
    days = (answer.forecast.cross_at.p50 - AS_OF) / timedelta(days=1)
    assert days == pytest.approx(by_hand_days, rel=0.35)
    assert "recharge desk" in answer.evidence[0]


@pytest.mark.parametrize(
    ("method", "words"),
    [
        ("oven_120C_3h", "as dry as this method (oven_120C_3h) usually makes them"),
        (None, "as dry as drying usually makes them"),
    ],
)
def test_a_recharge_that_was_only_logged_has_its_forecast_at_once(method: str | None, words: str) -> None:
    """The leak of before holds; how dry the beads are is open, so the interval is wider than after a weighed run."""
    logged, weighed = outlook(None, method=method).forecast, outlook((0.015, 0.02, 0.025)).forecast
    assert logged is not None
    assert weighed is not None
    assert logged.cross_at.p05 is not None
    assert weighed.cross_at.p05 is not None
    assert AS_OF < logged.cross_at.p05 < weighed.cross_at.p05
    assert words in outlook(None, method=method).evidence[0]


def test_without_an_earlier_leak_there_is_no_forecast_yet() -> None:
    lone = outlook((0.015, 0.02, 0.025), first_charge=False)
    assert lone.forecast is None or "recharge desk" not in " ".join(lone.evidence)
    assert outlook(None, first_charge=False).forecast is None


def test_the_kind_of_beads_is_known_where_only_their_new_mass_was_told() -> None:
    told = [
        LedgerEntry(EntryKind.charge, "pla", AS_OF - timedelta(days=9), desiccant="silica_gel", dry_mass_g=DRY_G),
        LedgerEntry(EntryKind.recharge, "pla", AS_OF - timedelta(days=5), dry_mass_g=80.0),
    ]
    episode = current_episode(BOX, reduce_to_hours(sixty_days()), tuple(told), AS_OF.timestamp())
    assert (episode.desiccant, episode.dry_mass_g) == ("silica_gel", 80.0)


def test_beads_that_were_not_dried_are_not_called_fresh() -> None:
    lain = outlook(None, method="not_dried")
    assert lain.forecast is not None
    assert lain.evidence[0].startswith("Some or all of the beads were not dried")
    fresh = outlook(None, method="microwave").forecast
    assert fresh is not None
    assert lain.forecast.capacity_used.p50 > fresh.capacity_used.p50


def test_a_leak_known_from_earlier_beads_is_not_called_what_is_known_of_such_boxes() -> None:
    answer = outlook(None)
    assert answer.leak is not None
    blind = BoxHistory(
        BOX, sixty_days(), room_climate=RoomClimate(20.0, 0.5),
        entries=tuple(
            LedgerEntry(
                EntryKind.recharge, "pla", AS_OF - timedelta(days=days), desiccant="silica_gel", dry_mass_g=DRY_G
            )
            for days in (DAYS, 3.0)
        ),
    )  # fmt: skip
    [said] = outlooks([blind], AS_OF)
    words = " ".join(said.evidence)
    assert "what was known of it before" in words
    assert "such boxes" not in words
