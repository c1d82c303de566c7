"""`siccast leak-test`: its guide, what it finds from the store or a table, what later estimates know, what it refuses.

The course is the exponential of an empty box, p = p_room + (p_0 - p_room) exp(-n t), n V / (R_v T) its conductance.
"""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from typer.testing import CliRunner

from monitor.cli.app import app
from monitor.physics.leakage import conductance_from_air_changes
from monitor.physics.saturation import saturation_vapor_pressure_pa
from monitor.presentation.clock import utc_now
from monitor.records import Assessment, EntryKind, LedgerEntry, Reading
from monitor.services.assess import assess
from monitor.settings import load_shelf
from monitor.store.opening import open_stores

CLOSED = datetime(2026, 3, 1, tzinfo=UTC)
SHELF = """
[boxes.tall]
volume_l = 10
style = "gasket"
wall_material = "glass"
"""
SATURATION_KPA = float(saturation_vapor_pressure_pa(21.0)) / 1e3
CHANGES_PER_DAY = 0.4
SPAN = ("--from", "2026-03-01", "--to", "2026-03-04")


def course(first: datetime, days: int, start_kpa: float, room_kpa: float = 1.2) -> list[Reading]:
    """An empty box that drifts to its room, hour by hour, with the scatter of a fair sensor."""
    rng = np.random.default_rng(2)
    t = np.arange(24 * days) / 24.0
    inside = room_kpa + (start_kpa - room_kpa) * np.exp(-CHANGES_PER_DAY * t)
    shown = inside / SATURATION_KPA + 0.001 * rng.standard_normal(len(t))
    at = [first + timedelta(days=float(day)) for day in t]
    return [Reading("tall", a, 21.0, float(rh)) for a, rh in zip(at, shown, strict=True)] + [
        Reading("room", a, 21.0, room_kpa / SATURATION_KPA) for a in at
    ]


def shelf_with(folder: Path, readings: list[Reading]) -> Path:
    (folder / "shelf.toml").write_text(SHELF)
    with open_stores(folder / "siccast.sqlite3", synchronous="OFF") as stores:
        stores.readings.add(readings)
    return folder


def ask(shelf: Path, *words: str) -> Any:
    return CliRunner().invoke(app, ["--shelf", str(shelf), "leak-test", "tall", *words])


def found(shelf: Path, *words: str) -> dict[str, Any]:
    answer = ask(shelf, *words, "--json")
    assert answer.exit_code == 0, answer.output + str(answer.exception)
    return dict(json.loads(answer.stdout))


def test_the_guide_ends_with_the_command_to_run(tmp_path: Path) -> None:
    said = ask(shelf_with(tmp_path, [])).stdout
    assert said.startswith("1. Take beads, spools and cardboard out")
    assert "siccast leak-test tall --from" in said


@pytest.mark.parametrize(("start_kpa", "direction"), [(0.4, "up"), (2.0, "down")])
def test_both_directions_give_the_conductance_back(start_kpa: float, direction: str, tmp_path: Path) -> None:
    answer = found(shelf_with(tmp_path, course(CLOSED, 3, start_kpa)), *SPAN)
    truth = conductance_from_air_changes(CHANGES_PER_DAY, 10.0, 23.0)
    assert answer["leak_g_per_day_per_kpa"]["p50"] == pytest.approx(truth, rel=0.06)
    assert answer["leak_g_per_day_per_kpa"]["p05"] < truth < answer["leak_g_per_day_per_kpa"]["p95"]
    assert answer["half_time_days"]["p50"] == pytest.approx(np.log(2.0) / CHANGES_PER_DAY, rel=0.06)
    assert (answer["direction"], answer["hours"]) == (direction, 72)


def test_a_table_stands_in_for_the_store(tmp_path: Path) -> None:
    shelf = shelf_with(tmp_path, [])
    table = tmp_path / "test.csv"
    rows = [
        f"{r.box},{r.at.isoformat()},{r.temperature_degc},{100 * r.relative_humidity}" for r in course(CLOSED, 3, 0.4)
    ]
    table.write_text("\n".join(["box,t,temperature_c,rh_pct", *rows]))
    by_utf_8 = found(shelf, "--csv", str(table))
    assert by_utf_8["air_changes_per_day"]["p50"] == pytest.approx(CHANGES_PER_DAY, rel=0.06)
    table.write_text(table.read_text(encoding="utf-8"), encoding="utf-16")
    assert "--encoding utf-16" in str(ask(shelf, "--csv", str(table)).exception)
    assert found(shelf, "--csv", str(table), "--encoding", "utf-16")["hours"] == by_utf_8["hours"]
    table.write_text(table.read_text(encoding="utf-16"), encoding="utf-8")
    table.write_text("\n".join(["box,t,temperature_c,rh_pct", *rows[:5], "tall,2026-03-01T09:00:00Z,21.0,wet"]))
    answer = ask(shelf, "--csv", str(table))
    assert "test.csv, line 7" in str(answer.exception)


def test_a_run_the_other_way_is_told_beside_it(tmp_path: Path) -> None:
    later = CLOSED + timedelta(days=10)
    shelf = shelf_with(tmp_path, course(CLOSED, 3, 0.4) + course(later, 3, 2.0))
    assert found(shelf, *SPAN)["both_ways_g_per_day_per_kpa"] is None
    both = found(shelf, "--from", "2026-03-11", "--to", "2026-03-14")["both_ways_g_per_day_per_kpa"]
    assert both["p50"] == pytest.approx(conductance_from_air_changes(CHANGES_PER_DAY, 10.0, 23.0), rel=0.05)


def with_beads_after(shelf: Path) -> Assessment:
    """Ten days on beads at a humidity that a floor hides: the readings tell nothing of the leak."""
    again = CLOSED + timedelta(days=4)
    with open_stores(shelf / "siccast.sqlite3", synchronous="OFF") as stores:
        stores.ledger.log(
            LedgerEntry(
                EntryKind.charge, "tall", again, desiccant="silica_gel", dry_mass_g=200.0, method="oven_120C_3h"
            ),
            utc_now(),
        )
        hours = [again + timedelta(hours=h) for h in range(240)]
        stores.readings.add([Reading("tall", at, 21.0 + 0.1 * (i % 5), 0.20) for i, at in enumerate(hours)])
        stores.readings.add([Reading("room", at, 21.0 + 0.1 * (i % 3), 0.5) for i, at in enumerate(hours)])
        return assess(stores.readings, stores.ledger, load_shelf(shelf, {}).boxes, hours[-1])[0]


def test_later_estimates_know_what_the_test_found(tmp_path: Path) -> None:
    """At the floor the style's prior is all there is, unless the empty box was tested: then grams are known."""
    kept = shelf_with(tmp_path / "kept", course(CLOSED, 3, 0.4)) if (tmp_path / "kept").mkdir() is None else tmp_path
    found(kept, *SPAN)
    (tmp_path / "not").mkdir()
    looked = shelf_with(tmp_path / "not", course(CLOSED, 3, 0.4))
    assert found(looked, *SPAN, "--no-keep")["entry"] is None
    tested, blind = (with_beads_after(shelf).leak for shelf in (kept, looked))
    assert tested is not None
    assert blind is not None
    width = {
        name: np.log(leak.conductance_g_per_day_per_kpa.p95 / leak.conductance_g_per_day_per_kpa.p05)
        for name, leak in (("tested", tested), ("blind", blind))
    }
    assert width["tested"] < 0.7 * width["blind"]
    assert tested.grams_known
    assert not blind.grams_known
    truth = conductance_from_air_changes(CHANGES_PER_DAY, 10.0, 23.0)
    assert tested.conductance_g_per_day_per_kpa.p05 < truth < tested.conductance_g_per_day_per_kpa.p95


def test_the_entry_can_be_listed_and_taken_back(tmp_path: Path) -> None:
    shelf = shelf_with(tmp_path, course(CLOSED, 3, 0.4))
    said = ask(shelf, *SPAN).stdout
    assert "Kept as entry 1. `siccast log undo 1` removes it." in said
    assert "leak test" in CliRunner().invoke(app, ["--shelf", str(shelf), "log", "show"]).stdout
    assert CliRunner().invoke(app, ["--shelf", str(shelf), "log", "undo", "1"]).exit_code == 0
    with open_stores(shelf / "siccast.sqlite3", read_only=True) as stores:
        assert stores.ledger.entries("tall") == []


@pytest.mark.parametrize(
    ("readings", "words", "what"),
    [
        ([], SPAN, "no readings of 'room'"),
        (course(CLOSED, 3, 1.15), SPAN, "kPa from the room"),
        (course(CLOSED, 3, 0.4), ("--from", "2026-03-01", "--to", "2026-03-01T05:00"), "a test needs 12"),
        (course(CLOSED, 3, 0.4), ("--from", "2026-03-04", "--to", "2026-03-01"), "before it began"),
        (course(CLOSED, 3, 0.4), ("--from", "soon"), "Write it like"),
    ],
)
def test_what_tells_nothing_is_refused(
    readings: list[Reading], words: tuple[str, ...], what: str, tmp_path: Path
) -> None:
    answer = ask(shelf_with(tmp_path, readings), *words)
    assert answer.exit_code != 0
    assert what in answer.output + str(answer.exception)


def test_beads_within_the_test_are_named(tmp_path: Path) -> None:
    shelf = shelf_with(tmp_path, course(CLOSED, 3, 0.4))
    with open_stores(shelf / "siccast.sqlite3", synchronous="OFF") as stores:
        stores.ledger.log(LedgerEntry(EntryKind.recharge, "tall", CLOSED + timedelta(days=2)), utc_now())
    assert "beads went into tall on 2026-03-03 00:00 UTC" in str(ask(shelf, *SPAN).exception)


def test_beads_that_the_ledger_still_has_in_the_box_are_asked_about(tmp_path: Path) -> None:
    shelf = shelf_with(tmp_path, course(CLOSED, 3, 0.1))
    assert "beads went in" not in " ".join(found(shelf, *SPAN, "--no-keep")["notes"])
    with open_stores(shelf / "siccast.sqlite3") as stores:
        stores.ledger.log(LedgerEntry(EntryKind.charge, "tall", CLOSED - timedelta(days=9)), CLOSED)
    assert "2026-02-20" in " ".join(found(shelf, *SPAN, "--no-keep")["notes"])


def warm_course(first: datetime, days: int, per_kelvin: float = 0.065) -> list[Reading]:
    """A box with something in it that holds its humidity: the room is warmer by day, and vapor pressure goes along."""
    readings = []
    for r in course(first, days, 0.5):
        warm = 21.0 + 2.0 * float(np.sin(2.0 * np.pi * r.at.hour / 24.0))
        saturation = float(saturation_vapor_pressure_pa(warm)) / 1e3
        kpa = r.relative_humidity * SATURATION_KPA * (np.exp(per_kelvin * (warm - 21.0)) if r.box == "tall" else 1.0)
        readings.append(Reading(r.box, r.at, warm, float(kpa) / saturation))
    return readings


def entries(shelf: Path) -> list[LedgerEntry]:
    with open_stores(shelf / "siccast.sqlite3", read_only=True) as stores:
        return list(stores.ledger.entries("tall"))


def test_a_test_of_a_box_that_was_not_empty_is_said_and_not_kept(tmp_path: Path) -> None:
    shelf = shelf_with(tmp_path, warm_course(CLOSED, 3))
    answer = ask(shelf, *SPAN)
    assert answer.exit_code == 3
    assert "as over beads, spools, cardboard" in " ".join(answer.stdout.split())
    assert "It is not kept" in answer.stdout
    assert entries(shelf) == []
    told = json.loads(ask(shelf, *SPAN, "--json").stdout)
    assert told["entry"] is None
    assert "as over beads" in told["notes"][1]


def test_the_same_swings_in_an_empty_box_are_no_reason(tmp_path: Path) -> None:
    shelf = shelf_with(tmp_path, warm_course(CLOSED, 3, per_kelvin=0.0))
    assert ask(shelf, *SPAN).exit_code == 0
    assert len(entries(shelf)) == 1


def test_the_same_test_again_is_kept_once(tmp_path: Path) -> None:
    shelf = shelf_with(tmp_path, course(CLOSED, 3, 0.4))
    number = found(shelf, *SPAN)["entry"]
    again = ask(shelf, *SPAN)
    assert (again.exit_code, again.stdout.count(f"It is already kept, as entry {number}")) == (0, 1)
    assert found(shelf, "--from", "2026-03-01", "--to", "2026-03-04T00:20")["entry"] == number
    assert len(entries(shelf)) == 1


@pytest.mark.parametrize("span", [("2026-03-01", "2026-03-03T14:00"), ("2026-03-01", "2026-03-05")])
def test_hours_that_a_kept_test_rests_on_count_once(span: tuple[str, str], tmp_path: Path) -> None:
    """Reckoned again a day later, or for fewer hours, it is the same air."""
    shelf = shelf_with(tmp_path, course(CLOSED, 4, 0.4))
    number = found(shelf, *SPAN)["entry"]
    again = ask(shelf, "--from", span[0], "--to", span[1])
    assert again.exit_code == 3
    assert f"`siccast log undo {number}`" in again.stdout
    assert [entry.entry_id for entry in entries(shelf)] == [number]
    assert CliRunner().invoke(app, ["--shelf", str(shelf), "log", "undo", str(number)]).exit_code == 0
    assert ask(shelf, "--from", span[0], "--to", span[1]).exit_code == 0


def test_two_tests_of_which_one_must_be_wrong_are_not_both_kept(tmp_path: Path) -> None:
    """The other was found ten times as leaky a week before, both by narrow intervals."""
    shelf = shelf_with(tmp_path, course(CLOSED, 3, 0.4))
    truth = conductance_from_air_changes(CHANGES_PER_DAY, 10.0, 23.0)
    with open_stores(shelf / "siccast.sqlite3", synchronous="OFF") as stores:
        points = (9.0 * truth, 10.0 * truth, 11.0 * truth)
        stores.ledger.log(
            LedgerEntry(
                EntryKind.leak_test, "tall", CLOSED - timedelta(days=7), method="empty box, downward",
                conductance_g_per_day_per_kpa=points,
            ),
            CLOSED,
        )  # fmt: skip
    answer = ask(shelf, *SPAN)
    assert answer.exit_code == 3
    assert "`siccast log undo 1`" in answer.stdout
    assert len(entries(shelf)) == 1
    assert CliRunner().invoke(app, ["--shelf", str(shelf), "log", "undo", "1"]).exit_code == 0
    assert ask(shelf, *SPAN).exit_code == 0
