"""What the desk puts into boxes and what it learns from them."""

from __future__ import annotations

from datetime import timedelta

import pytest
from desk_evening import AT, MICROWAVE, MICROWAVE_LOSSES, ROOM, dry

from monitor.desk import Desk, TrapError
from monitor.physics.materials import desiccant
from monitor.records import EntryKind, Reading, RoomClimate
from monitor.records.desk_events import ChargeSplit, RunWeighed


def test_the_next_episode_of_a_box_starts_with_the_loading(desk: Desk) -> None:
    dry(desk, "bowl", MICROWAVE, MICROWAVE_LOSSES)
    report = desk.finish("bowl", AT)
    desk.keep(ChargeSplit("bowl", "half", 108.0), AT)
    desk.put("bowl", "pla", AT)
    desk.put("half", "nylon", AT)
    for box in ("pla", "nylon"):
        [entry] = desk.stores.ledger.entries(box)
        q = report.loading_g_per_g
        assert entry.kind is EntryKind.charge
        assert entry.loading_g_per_g == (q.p05, q.p50, q.p95)
        assert (entry.mass_g, entry.method) == (108.0, "microwave")
        assert entry.dry_mass_g == pytest.approx(report.dry_mass_g.p50 / 2.0)


def test_half_dry_beads_are_asked_about_where_they_are_of_little_use(desk: Desk) -> None:
    """After two bursts they hold half of their water: near nothing is left up to 15 % RH, a good deal up to 30 %."""
    dry(desk, "bowl", MICROWAVE, MICROWAVE_LOSSES[:3])
    told = desk.finish("bowl", AT)
    assert [each.share for each in desk.services("bowl", AT)] == pytest.approx([each.share for each in told.services])
    nylon, petg = (desk.services("bowl", AT, box)[0] for box in ("nylon", "petg"))
    assert nylon.of_little_use
    assert not petg.of_little_use
    with pytest.raises(TrapError, match=r"^Not saved: 'bowl' holds about .* % water. In nylon, .* of little use"):
        desk.put("bowl", "nylon", AT)
    assert desk.inventory().charge("bowl").place == "spare"
    desk.put("bowl", "petg", AT)
    desk.put("bowl", "nylon", AT, confirmed=True)
    assert desk.inventory().charge("bowl").place == "box:nylon"


def test_beads_that_nobody_dried_are_put_without_a_question(desk: Desk) -> None:
    assert desk.services("tray", AT) == ()
    desk.put("tray", "nylon", AT)
    assert desk.inventory().charge("tray").place == "box:nylon"


def test_a_swap_lays_the_old_charge_aside_and_undo_brings_it_back(desk: Desk) -> None:
    desk.put("bowl", "pla", AT)
    desk.put("tray", "pla", AT + timedelta(days=1))
    assert (desk.inventory().charge("bowl").place, desk.inventory().charge("tray").place) == ("spare", "box:pla")
    assert [entry.kind for entry in desk.stores.ledger.entries("pla")] == [EntryKind.charge, EntryKind.recharge]
    desk.undo(desk.stores.events.events()[-1].event_id)
    assert (desk.inventory().charge("bowl").place, desk.inventory().charge("tray").place) == ("box:pla", "spare")
    assert len(desk.stores.ledger.entries("pla")) == 1


def test_beads_from_a_box_tell_the_grams_it_took_up(desk: Desk) -> None:
    dry(desk, "bowl", MICROWAVE, MICROWAVE_LOSSES)
    desk.finish("bowl", AT)
    desk.put("bowl", "pla", AT)
    later = AT + timedelta(days=60)
    run = desk.start("bowl", MICROWAVE, later, room=ROOM)
    desk.weigh(RunWeighed(run.name, 0.0, 243.0), later)
    *_, entry = desk.stores.ledger.entries("pla")
    assert (entry.kind, entry.mass_g, entry.scale_resolution_g) == (EntryKind.weighing, 243.0, 1.0)
    desk.undo(desk.stores.events.events()[-1].event_id)
    assert [kept.kind for kept in desk.stores.ledger.entries("pla")] == [EntryKind.charge]


def test_the_jar_is_foretold_from_the_loading(desk: Desk) -> None:
    """Beads at 2 % rest at about 1 % RH: the isotherm read backward, the lot's own capacity left aside."""
    report = dry(desk, "bowl", MICROWAVE, MICROWAVE_LOSSES)
    jar = report.jar_relative_humidity
    back = float(desiccant("orange_gel").isotherm.loading_g_per_g(jar.p50, 22.0))
    assert back == pytest.approx(report.loading_g_per_g.p50, rel=0.1)
    assert jar.p05 < jar.p50 < jar.p95 < 0.10


def test_first_days_in_a_box_are_a_jar_check(desk: Desk) -> None:
    desk.put("bowl", "pla", AT)
    assert desk.first_days("bowl") is None
    hours = range(100)
    desk.stores.readings.add([Reading("pla", AT + timedelta(hours=h), 22.0, 0.30 if h < 30 else 0.05) for h in hours])
    verdict = desk.first_days("bowl")
    assert verdict is not None
    expected = float(desiccant("orange_gel").isotherm.loading_g_per_g(0.05, 22.0))
    assert verdict.alone_g_per_g.p05 < expected < verdict.alone_g_per_g.p95


def test_the_room_comes_from_its_sensor_while_that_is_fresh(desk: Desk) -> None:
    assert desk.room(AT) == (ROOM, "shelf file")
    desk.stores.readings.add([Reading("room", AT - timedelta(hours=1), 23.0, 0.61)])
    assert desk.room(AT) == (RoomClimate(23.0, 0.61), "sensor")
    assert desk.room(AT + timedelta(days=1)) == (ROOM, "shelf file")
    assert desk.room(AT, RoomClimate(30.0, 0.8)) == (RoomClimate(30.0, 0.8), "told")
