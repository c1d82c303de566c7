"""A lid that was left open, and beads that are wetter than their drying run said: by made-up readings of a week."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import numpy as np
import pytest
from answers_by_hand import AS_OF, assessment_of, forecast_of
from stores_in_memory import FakeReadings

from monitor.physics import materials
from monitor.records import EntryKind, LedgerEntry, Reading
from monitor.series.open_lid import lid_open_since
from monitor.services.at_rest import weak_recharge

HOUR_S = 3600.0
AT_S = np.arange(0.0, 7.0 * 86_400.0, 1200.0)
NOW_S = float(AT_S[-1]) + 60.0
ROOM = 0.50 + 0.05 * np.sin(AT_S / 86_400.0 * 2.0 * np.pi)
NO_ROOM = np.empty(0)


def opened(hours_ago: float, settled_rh: float = 0.47, closed_hours_ago: float = 0.0) -> np.ndarray:
    """A box at 12 % that goes to the room's air within half an hour, and dries again with a pace of an hour."""
    ago_h = (NOW_S - AT_S) / HOUR_S
    open_h, closed_h = np.clip(hours_ago - ago_h, 0.0, None), np.clip(closed_hours_ago - ago_h, 0.0, None)
    return np.asarray(0.12 + (settled_rh - 0.12) * (1.0 - np.exp(-open_h / 0.2)) * np.exp(-closed_h / 1.0))


def since_h(rh: np.ndarray, *, with_room: bool = True, at_s: np.ndarray = AT_S, now_s: float = NOW_S) -> float | None:
    room = (AT_S, ROOM) if with_room else (NO_ROOM, NO_ROOM)
    since_s = lid_open_since(at_s, rh, *room, now_s)
    return None if since_s is None else (now_s - since_s) / HOUR_S


@pytest.mark.parametrize("with_room", [True, False])
@pytest.mark.parametrize("hours_ago", [4.0, 20.0, 100.0])
def test_a_lid_left_open_is_found_with_its_hour(with_room: bool, hours_ago: float) -> None:
    found = since_h(opened(hours_ago), with_room=with_room)
    assert found == pytest.approx(hours_ago, abs=1.0)


@pytest.mark.parametrize("with_room", [True, False])
def test_what_is_no_open_lid(with_room: bool) -> None:
    spent = np.linspace(0.12, 0.47, len(AT_S))
    damp_spool = np.where(AT_S > 5.0 * 86_400.0, 0.24, 0.12)
    quiet = {
        "closed": np.full(len(AT_S), 0.12),
        "just opened": opened(2.0),
        "closed again": opened(8.0, closed_hours_ago=7.0),
        "spent beads": spent,
        "a damp spool": damp_spool,
        "always open": np.full(len(AT_S), 0.48),
    }
    assert {why: since_h(rh, with_room=with_room) for why, rh in quiet.items()} == dict.fromkeys(quiet)


def test_a_room_that_becomes_dry_opens_no_box() -> None:
    dry_room = np.where(AT_S > 5.0 * 86_400.0, 0.14, 0.50)
    assert lid_open_since(AT_S, np.full(len(AT_S), 0.12), AT_S, dry_room, NOW_S) is None


def test_of_a_lid_nothing_is_said_once_its_sensor_is_silent() -> None:
    heard = AT_S[-1] - 4.0 * HOUR_S > AT_S
    assert since_h(opened(20.0)[heard], at_s=AT_S[heard]) is None


def box_at_rest(relative_humidity: float, **more: object) -> tuple[object, FakeReadings]:
    """A box of which the beads went in ten days ago, by their run at 1 to 3 % of water."""
    entry = LedgerEntry(
        EntryKind.recharge, "left", AS_OF - timedelta(days=10), desiccant="orange_gel", dry_mass_g=100.0,
        loading_g_per_g=(0.01, 0.02, 0.03),
    )  # fmt: skip
    readings = FakeReadings()
    readings.add(
        Reading("left", AS_OF - timedelta(hours=hours), 22.0, relative_humidity) for hours in range(1, 24 * 11, 1)
    )
    charge = replace(entry, **more)  # type: ignore[arg-type]
    return replace(assessment_of("left", forecast_of(200.0)), charge=charge), readings


def test_beads_that_are_as_dry_as_their_run_said() -> None:
    beads = materials.desiccant("orange_gel")
    for loading in (0.005, 0.02, 0.03):
        humidity = float(np.asarray(beads.isotherm.relative_humidity(loading, 22.0)))
        assert weak_recharge(*box_at_rest(humidity)) is None  # type: ignore[arg-type]


def test_beads_that_are_far_wetter_are_said_with_what_they_hold() -> None:
    beads = materials.desiccant("orange_gel")
    humidity = float(np.asarray(beads.isotherm.relative_humidity(0.12, 22.0)))
    found = weak_recharge(*box_at_rest(humidity))  # type: ignore[arg-type]
    assert found is not None
    assert found.loading_g_per_g.p05 < 0.12 < found.loading_g_per_g.p95
    assert found.expected_g_per_g == 0.03


@pytest.mark.parametrize(
    "more",
    [
        {"loading_g_per_g": None},
        {"desiccant": None},
        {"at": AS_OF - timedelta(days=3)},
        {"at": AS_OF - timedelta(days=31)},
    ],
    ids=["loading unknown", "beads unknown", "too early", "long ago"],
)
def test_where_nothing_can_be_contradicted_nothing_is_said(more: dict[str, object]) -> None:
    assert weak_recharge(*box_at_rest(0.6, **more)) is None  # type: ignore[arg-type]
