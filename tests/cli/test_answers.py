"""`boxes`, `forecast`, `leak`, `plan` and `today` as a person and as a script sees them."""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from answers_by_hand import StubInference, assessment_of, forecast_of
from icalendar import Calendar

from monitor.cli.outlooks.boxes import _reading
from monitor.presentation.wording import Wording
from monitor.records import Reading
from monitor.store.opening import open_stores

Run = Callable[..., Any]


def answer_of(result: Any) -> Any:
    assert result.exit_code == 0, result.output
    return json.loads(result.stdout)


def test_forecast_json_has_the_agreed_shape(siccast: Run) -> None:
    """Keys and meaning as the design page fixes them; a refusal has nulls and says why."""
    answer = answer_of(siccast("forecast", "--json"))
    assert list(answer) == ["as_of", "boxes"]
    assert answer["as_of"] == "2026-03-04T12:00:00Z"
    boxes = {box["box"]: box for box in answer["boxes"]}
    assert list(boxes) == ["pa6-dry", "pla-white", "petg-new", "empty", "stray"]
    for box in boxes.values():
        assert list(box) == [
            "box",
            "limit_rh_pct",
            "state",
            "capacity_used",
            "leak_g_per_day_per_kpa",
            "ingress_g_per_day",
            "cross_at",
            "chance_within",
            "evidence",
            "sharpen",
            "headroom_g",
            "grams_known",
            "spent_at",
            "chance_over_already",
        ]
    due = boxes["pa6-dry"]
    assert (due["limit_rh_pct"], due["state"]) == (15, "due by 2026-03-13")
    assert due["capacity_used"] == {"p05": 0.4, "p50": 0.5, "p95": 0.6}
    assert due["leak_g_per_day_per_kpa"] == {"p05": 0.031, "p50": 0.052, "p95": 0.088}
    assert due["cross_at"] == {
        "p05": "2026-03-11T12:00:00Z",
        "p50": "2026-03-16T12:00:00Z",
        "p95": "2026-03-22T12:00:00Z",
    }
    assert due["chance_within"] == {"7": pytest.approx(0.5 - 5 / 12, abs=1e-5), "30": 1}
    assert due["evidence"] == ["A week of readings.", "Weigh the beads."]
    refused = boxes["petg-new"]
    assert (refused["state"], refused["cross_at"], refused["chance_within"]) == ("not enough evidence", None, None)
    assert refused["evidence"] == ["One day can't carry a forecast.", "A day of readings."]
    assert (boxes["empty"]["state"], boxes["stray"]["state"]) == ("no readings", "seen, not declared")
    assert boxes["stray"]["limit_rh_pct"] is None


def test_a_limit_asked_for_and_boxes_named(siccast: Run, stub: StubInference) -> None:
    answer = answer_of(siccast("forecast", "--json", "--limit", "30", "pla-white"))
    assert [(box["box"], box["limit_rh_pct"]) for box in answer["boxes"]] == [("pla-white", 30)]
    assert len(stub.asked[0]) == 4, "boxes inform each other, so all are assessed"


def test_as_of_sees_only_what_was_stamped_before(siccast: Run, stub: StubInference) -> None:
    for given in ("2026-03-01", "2026-03-01T00:00Z", "2026-03-01T01:00+01:00"):
        answer = answer_of(siccast("forecast", "--json", "--as-of", given))
        assert answer["as_of"] == "2026-03-01T00:00:00Z"
        ends = [history.readings.at_s.max() for history in stub.asked[-1] if len(history.readings)]
        assert max(ends) < datetime(2026, 3, 1, tzinfo=UTC).timestamp()


def test_forecast_table_shows_interval_chances_evidence_and_refusals(siccast: Run) -> None:
    shown = siccast("forecast").stdout
    assert "As of 4 Mar 2026, 13:00 (Europe/Vienna)" in shown
    rows = [line.split("  ") for line in shown.splitlines()]
    names = [row[0].strip() for row in rows if row[0].strip() in {"pa6-dry", "pla-white", "petg-new", "empty", "stray"}]
    assert names[:5] == ["pa6-dry", "empty", "petg-new", "pla-white", "stray"], "worst first"
    assert "above 15 % about 16 Mar (between 11 and 22 Mar)" in shown
    assert "One day can't carry a forecast." in shown
    assert "A week of readings. Weigh the beads." in " ".join(shown.split())


def test_leak_shows_conductance_air_changes_half_time_and_seasons(siccast: Run) -> None:
    shown = siccast("leak").stdout
    line = next(line for line in shown.splitlines() if line.startswith("pa6-dry"))
    assert line.split() == ["pa6-dry", "0.050", "(0.040", "–", "0.062)", "0.090", "0.030", "–"]
    details = shown.partition("\nDetails\n")[2]
    line = next(line for line in details.splitlines() if line.startswith("pa6-dry"))
    assert "  0.052 (0.031 – 0.088)  " in line
    assert line.split()[-3:] == ["0.71", "23", "hours"]
    assert "As tight as most gasketed boxes." in shown
    assert "Weigh the beads once to be sure.\n\nDetails" in shown
    box = answer_of(siccast("leak", "--json", "pa6-dry"))["boxes"][0]
    assert box["half_time_days"]["p50"] == pytest.approx(0.6931 / 0.71, rel=1e-3)
    assert box["ingress_summer_g_per_day"]["p50"] == pytest.approx(0.09)
    assert (box["grams_known"], box["comparison"]) == (False, "As tight as most gasketed boxes.")


def test_boxes_shows_latest_reading_capacity_and_due_day(siccast: Run) -> None:
    shown = siccast("boxes").stdout
    line = next(line for line in shown.splitlines() if line.startswith("pa6-dry"))
    for word in ("due by 13 Mar", "12.0 %", "15 %", "50 %"):
        assert word in line
    box = answer_of(siccast("boxes", "--json", "pa6-dry"))["boxes"][0]
    assert box["latest"] == {"t": "2026-03-04T06:00:00Z", "temperature_c": 21.5, "rh_pct": 12.0}
    assert box["due_at"] == "2026-03-13T12:00:00Z"


@pytest.mark.parametrize(("days", "shown"), [(0.9, "12.0 %"), (40.0, "12.0 %\n40 days ago")])
def test_a_reading_has_its_age_beneath_it_where_nobody_should_go_by_it(days: float, shown: str) -> None:
    box = assessment_of("bag", forecast_of(8.0))
    old = replace(box, latest=Reading("bag", box.as_of - timedelta(days=days), 21.0, 0.12), charge=None)
    assert _reading(old, Wording(ZoneInfo("UTC"))).replace("\N{NARROW NO-BREAK SPACE}", " ") == shown


def test_the_persons_units_and_zone(siccast: Run, site: Path) -> None:
    """0.052 g = 0.0018 oz by the definition of the ounce."""
    text = (site / "shelf.toml").read_text()
    text = text.replace('"Europe/Vienna"', '"Pacific/Auckland"\ntemperature_unit = "F"\nmass_unit = "oz"')
    (site / "shelf.toml").write_text(text)
    shown = siccast("boxes").stdout
    assert "As of 5 Mar 2026, 01:00 (Pacific/Auckland)" in shown
    assert "due by 14 Mar" in shown
    assert "60 days from Thu 5 Mar 2026" in siccast("plan").stdout
    assert "0.0018 (0.0011 – 0.0031)" in siccast("leak").stdout
    assert answer_of(siccast("boxes", "--json"))["boxes"][0]["latest"]["temperature_c"] == 21.5


def test_plan_names_day_boxes_and_reasons(siccast: Run) -> None:
    shown = siccast("plan").stdout
    assert shown.startswith("60 days from Wed 4 Mar 2026\noven: beads of up to 2 boxes at a time, on Saturdays\n")
    line = next(line for line in shown.splitlines() if "pa6-dry" in line)
    assert line.startswith("Sat 7 Mar")
    assert "It is due by Fri 13 Mar." in line
    assert "pla-white  It lasts beyond Sun 3 May." in shown
    assert "burn" in shown, "the caution stands where heat is planned"
    answer = answer_of(siccast("plan", "--json", "--appliance", "warm-box"))
    assert answer["appliance"] == "warm-box"
    assert [day["on"] for day in answer["days"]] == ["2026-03-07"]
    assert [box["box"] for box in answer["days"][0]["boxes"]] == ["pa6-dry"]
    assert {box["box"] for box in answer["left_out"]} == {"pla-white", "petg-new", "empty", "stray"}


def test_plan_as_a_calendar_is_read_back_by_a_calendar_library(siccast: Run, tmp_path: Path) -> None:
    """RFC 5545: whole-day events, CRLF, lines of at most 75 octets; made again, the event keeps its name."""
    file = tmp_path / "drying.ics"
    assert siccast("plan", "--calendar", str(file)).exit_code == 0
    text = file.read_bytes()
    assert all(len(line) <= 75 for line in text.split(b"\r\n"))
    (event,) = Calendar.from_ical(text).walk("VEVENT")
    assert event.decoded("dtstart") == date(2026, 3, 7)
    assert event.decoded("dtend") == date(2026, 3, 8)
    assert event["summary"] == "Dry beads (warm-box): pa6-dry"  # one box fills it, and it takes less work
    assert "It is due by Fri 13 Mar." in event["description"]
    siccast("plan", "--calendar", str(file), "--as-of", "2026-03-04T11:00Z")
    (again,) = Calendar.from_ical(file.read_bytes()).walk("VEVENT")
    assert again["uid"] == event["uid"]


def test_a_calendar_written_again_moves_what_was_moved_and_other_plans_announce_nothing(
    siccast: Run, site: Path, tmp_path: Path
) -> None:
    file = tmp_path / "drying.ics"

    def events(*words: str) -> list[tuple[str, int, str, date]]:
        assert siccast("plan", "--calendar", str(file), *words).exit_code == 0
        found = Calendar.from_ical(file.read_bytes()).walk("VEVENT")
        return [(str(one["uid"]), one["sequence"], one["status"], one.decoded("dtstart")) for one in found]

    [(uid, _, _, _)] = events()
    siccast("plan", "move", "pa6-dry", "2026-03-18")
    assert events("--days", "30") == [(uid, 1, "CONFIRMED", date(2026, 3, 18))]
    with open_stores(site / "siccast.sqlite3", read_only=True) as stores:
        assert [one.sequence for one in stores.announcements.all()] == [0], "nobody is held to a plan of 30 days"
    assert events() == [(uid, 1, "CONFIRMED", date(2026, 3, 18))]
    siccast("plan", "skip", "pa6-dry", "--until", "2026-05-30")
    assert events() == [(uid, 2, "CANCELLED", date(2026, 3, 18))]
    assert "burn" in Calendar.from_ical(file.read_bytes()).walk("VEVENT")[0]["description"]


def test_a_calendar_that_cannot_be_written_is_named(siccast: Run, tmp_path: Path) -> None:
    result = siccast("plan", "--calendar", str(tmp_path / "nowhere" / "drying.ics"))
    assert "drying.ics: No such file or directory" in str(result.exception)


def test_today_exits_with_3_where_something_needs_the_person(siccast: Run, site: Path) -> None:
    result = siccast("today")
    assert result.exit_code == 3
    assert result.stdout.splitlines() == [
        "empty: no sensor has ever sent for it. Switch one on, or log its beads for a forecast without one.",
        "stray: sends readings and is no box yet. `siccast adopt stray` makes it one.",
    ]
    matters = json.loads(siccast("today", "--json").stdout)["words"]
    assert [word["matter"] for word in matters] == ["silent", "seen, not declared"]
    (site / "shelf.toml").write_text((site / "shelf.toml").read_text().replace("[boxes.empty]", "[boxes.stray]"))
    result = siccast("today")
    assert (result.exit_code, result.stdout) == (0, "Nothing needs you today.\n")


def test_an_empty_shelf_is_told_what_to_do(tmp_path: Path, stub: StubInference) -> None:
    from typer.testing import CliRunner

    from monitor.cli.app import app

    shelf = tmp_path / "new"
    shelf.mkdir()
    for command in ("boxes", "forecast", "leak"):
        result = CliRunner().invoke(app, ["--shelf", str(shelf), command])
        assert result.exit_code == 1
        assert "there is no database" in str(result.exception)
        assert "`siccast listen` starts one" in str(result.exception)
    assert list(shelf.iterdir()) == []
    with open_stores(shelf / "siccast.sqlite3"):
        pass
    for command in ("boxes", "forecast", "leak", "today", "plan", "what-if --limit 30"):
        result = CliRunner().invoke(app, ["--shelf", str(shelf), *command.split()])
        assert result.exit_code == 0
        assert result.stdout.rstrip().endswith(
            "There are no boxes yet. Leave `siccast listen` running and switch a sensor on: once it has sent a "
            "reading, `siccast adopt NAME` makes it a box"
        ), "and of no box more is said"
    for command, said in (
        ("lot list", "No lot is written down yet. `siccast lot buy` begins one."),
        ("charge list", "No charge is written down yet. `siccast charge weigh-out` begins one."),
    ):
        assert CliRunner().invoke(app, ["--shelf", str(shelf), *command.split()]).stdout.strip() == said


@pytest.mark.parametrize("columns", [60, 80, 120])
@pytest.mark.parametrize("command", ["boxes", "forecast", "leak", "plan"])
def test_tables_fit_the_terminal(siccast: Run, command: str, columns: int, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COLUMNS", str(columns))
    monkeypatch.setenv("FORCE_COLOR", "1")
    shown = re.sub(r"\x1b\[[0-9;]*m", "", siccast(command).stdout)
    assert "pa6-dry" in shown
    if columns >= 80:
        assert max(map(len, shown.splitlines()[1:])) <= columns
