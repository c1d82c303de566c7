"""The shelf in one sentence: names and a day, and nothing in it that is not so."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import date, timedelta
from zoneinfo import ZoneInfo

import pytest
from answers_by_hand import AS_OF, LEAK, assessment_of, due_in, forecast_of

from monitor.planning.recharge import RechargePlan
from monitor.presentation.badges import badges
from monitor.presentation.headline import Headline, headline, named
from monitor.presentation.wording import Wording
from monitor.records import Assessment, BoxState, PlannedDay, Quantiles, Reading

WORDS = Wording(ZoneInfo("UTC"))
SATURDAY, NEXT_SATURDAY = date(2026, 3, 7), date(2026, 3, 14)
"""After `AS_OF`, a Wednesday."""


def over(name: str) -> Assessment:
    answer = assessment_of(name, forecast_of(-5.0), BoxState.over_limit)
    return replace(answer, latest=Reading(name, AS_OF - timedelta(hours=1), 21.0, 0.25))


def calm(name: str, days: int = 100) -> Assessment:
    return assessment_of(name, due_in(days))


def silent(name: str) -> Assessment:
    return replace(calm(name), latest=Reading(name, AS_OF - timedelta(days=40), 21.0, 0.12))


def never(name: str) -> Assessment:
    return replace(assessment_of(name, None, BoxState.no_readings), latest=None, charge=None)


def later(name: str) -> Assessment:
    return replace(never(name), only_later_until=AS_OF + timedelta(days=3650))


def young(name: str) -> Assessment:
    return assessment_of(name, None)


def failed(name: str) -> Assessment:
    return replace(assessment_of(name, None, BoxState.estimate_failed), failed=True)


def filled_today(name: str) -> Assessment:
    answer = over(name)
    assert answer.charge is not None
    return replace(answer, charge=replace(answer.charge, at=AS_OF - timedelta(hours=5)))


def plan(*days: tuple[date, Sequence[str]]) -> RechargePlan:
    return RechargePlan("oven", tuple(PlannedDay(on, "oven", tuple(boxes)) for on, boxes in days))


def said(answers: Sequence[Assessment], planned: RechargePlan | None = None) -> Headline:
    return headline(answers, planned, WORDS)


def names(count: int) -> list[str]:
    return [f"box-{number}" for number in range(count)]


@pytest.mark.parametrize(
    ("answers", "planned", "sentence"),
    [
        ([], None, "There is no box yet."),
        ([assessment_of("stranger", None, BoxState.undeclared)], None, "No box is declared yet."),
        ([never("a"), never("b")], plan(), "No box has sent a reading yet."),
        ([never("a"), later("b")], plan(), "Nothing is known of now: all readings of b are dated later."),
        ([young("a"), young("b")], plan(), "Nothing is known yet: a and b need more readings."),
        ([failed("a")], plan(), "Nothing is known: the estimate of a failed."),
        ([young("a"), silent("b")], plan(), "Nothing is known yet: a is too new, b is silent."),
        ([silent("a")], plan(), "Nothing is known of now: a is silent."),
        ([calm("a", 40), calm("b", 80)], plan(), "Nothing to dry: both boxes hold until 13 April."),
        ([calm(name, 40) for name in "abc"], plan(), "Nothing to dry: all 3 boxes hold until 13 April."),
        ([calm("a", 40)], plan(), "Nothing to dry: this box holds until 13 April."),
        ([calm("a", 400)], plan(), "Nothing to dry: this box holds until 8 April 2027."),
        ([calm("a", 40), calm("b", 50), young("c")], plan(), "Nothing to dry yet: 2 of 3 boxes hold until 13 April."),
        (
            [over("pc"), over("asa"), calm("pla", 40), calm("pva", 80)],
            plan((SATURDAY, ["pc", "asa"])),
            "Dry pc and asa on Saturday; the rest hold until 13 April.",
        ),
        (
            [over("pc"), calm("pla", 40), calm("pva", 80), young("abs"), silent("tpu")],
            plan((SATURDAY, ["pc"])),
            "Dry pc on Saturday; 2 others hold until 13 April.",
        ),
        ([over("pc"), calm("pla", 40)], plan((SATURDAY, ["pc"])), "Dry pc on Saturday; pla holds until 13 April."),
        ([over("pc")], plan((AS_OF.date(), ["pc"])), "Dry pc today."),
        ([calm("pc", 9)], plan((NEXT_SATURDAY, ["pc"])), "Dry pc on Saturday, 14 March."),
        ([over("pc"), calm("pla", 40)], None, "Dry pc now; pla holds until 13 April."),
        (
            [over(name) for name in names(18)],
            plan((SATURDAY, names(18))),
            "Dry box-0, box-1, box-2, box-3 and 14 more on Saturday.",
        ),
        ([replace(over("pc"), charge=None)], plan((SATURDAY, ["pc"])), "Put dry beads into pc on Saturday."),
        ([filled_today("pc")], plan(), "Look again at pc tomorrow: its beads have just gone in."),
    ],
)
def test_each_shelf_has_its_own_true_sentence(
    answers: Sequence[Assessment], planned: RechargePlan | None, sentence: str
) -> None:
    """Days are counted from 4 March: 40 days later is 13 April, the first day that the forecast calls due."""
    assert said(answers, planned).main == sentence


def test_who_holds_beyond_every_forecast_is_not_given_a_day_too_early() -> None:
    assert said([assessment_of("a", due_in(541))], plan()).main == (
        "Nothing to dry: this box holds beyond 26 August 2027."
    )  # 540 days after 4 March 2026


def test_what_does_not_fit_the_first_day_is_said_with_its_own() -> None:
    answers = [over("pc"), over("asa"), over("pa"), calm("tpu", 2), calm("pla", 60)]
    told = said(answers, plan((SATURDAY, ["pc"]), (NEXT_SATURDAY, ["asa", "tpu"])))
    assert told.main == "Dry pc on Saturday; pla holds until 3 May."
    assert told.beside == ("asa and tpu follow on Saturday, 14 March.", "Dry pa now: it is over the limit.")
    weeks = [(NEXT_SATURDAY + timedelta(weeks=k), [name]) for k, name in enumerate(("asa", "pa", "abs", "tpu"))]
    busy = said([over(name) for name in ("pc", "asa", "pa", "abs", "tpu")], plan((SATURDAY, ["pc"]), *weeks))
    assert busy.beside == (
        "asa follows on Saturday, 14 March.",
        "pa follows on Saturday, 21 March.",
        "2 more follow later.",
    )
    late = said([over("pc"), calm("tpu", 2)], plan((SATURDAY, ["pc"])))
    assert late.beside == ("tpu has no place in the plan in time.",)


def test_what_else_needs_a_person_stands_beside() -> None:
    leaky = replace(LEAK, changed_at=AS_OF - timedelta(days=9), change_factor=Quantiles(4.0, 6.0, 9.0))
    answers = [
        replace(calm("lid"), leak=leaky),
        silent("mute"),
        never("new"),
        young("young"),
        failed("broken"),
        assessment_of("stranger", None, BoxState.undeclared),
    ]
    assert said(answers, plan()).beside == (
        "Check the lid of lid: it leaks more than before.",
        "Nothing heard from mute for 40 days: check its sensor.",
        "No sensor has ever sent for new: switch it on, or log its beads for a forecast without one.",
        "young needs more readings.",
        "The estimate of broken failed; please report it.",
        "stranger sends readings and is no box yet: make it one.",
    )


def test_names_are_joined_as_in_a_sentence() -> None:
    assert [named([]), named(["a"]), named(["a", "b"])] == ["", "a", "a and b"]


# --- badges -----------------------------------------------------------------------------------------------------------


def test_a_box_that_is_well_has_no_badge() -> None:
    assert badges(calm("a"), WORDS) == ()


def test_badges_say_what_is_wrong_and_what_to_do() -> None:
    leaky = replace(
        LEAK,
        changed_at=AS_OF - timedelta(days=9),
        change_factor=Quantiles(4.0, 6.0, 9.0),
        change_words="It came slowly.",
    )
    wrong = replace(
        calm("a"),
        leak=leaky,
        latest=Reading("a", AS_OF - timedelta(days=40), 21.0, 0.12, battery_v=2.31),
        unlogged_rise_at=AS_OF - timedelta(days=12),
    )
    there = badges(wrong, WORDS)
    assert [badge.words for badge in there] == [
        "leaks 6 times as much", "silent for 40 days", "opened, not logged?", "battery low",
    ]  # fmt: skip
    assert len({badge.sign for badge in there}) == 4, "each has a shape of its own"
    why = [badge.why for badge in there]
    assert why[0].startswith("Check the lid and seal")
    assert why[0].endswith("It came slowly.")
    assert "Check its sensor" in why[1]
    assert why[2].startswith("About 20 Feb its humidity jumped")
    assert "2.31 V" in why[3]


def test_a_rise_of_long_ago_is_asked_about_no_more() -> None:
    assert badges(replace(calm("a"), unlogged_rise_at=AS_OF - timedelta(days=31)), WORDS) == ()


@pytest.mark.parametrize(
    ("volts", "low"),
    [(None, False), (1.55, False), (1.05, True), (2.3, True), (2.9, False), (3.3, False), (3.9, False)],
)
def test_only_voltages_that_are_low_for_any_cell_are_called_low(volts: float | None, low: bool) -> None:
    answer = replace(calm("a"), latest=Reading("a", AS_OF - timedelta(hours=1), 21.0, 0.12, battery_v=volts))
    assert bool(badges(answer, WORDS)) is low


def test_a_stranger_has_no_badges() -> None:
    stranger = replace(assessment_of("a", None, BoxState.undeclared), charge=None)
    assert badges(replace(stranger, latest=Reading("a", AS_OF - timedelta(days=9), 21.0, 0.1)), WORDS) == ()


def test_readings_that_are_all_dated_later_have_come_and_a_clock_is_to_be_set() -> None:
    assert said([calm("pla"), later("a"), later("b"), never("new")], plan()).beside == (
        "No sensor has ever sent for new: switch it on, or log its beads for a forecast without one.",
        "All readings of a and b are dated later: check the clocks of their sensors.",
    )
    assert WORDS.to_do(later("a")) == "check the clock of its sensor"


def test_where_all_sensors_are_silent_that_is_said_once_and_no_day_is_planned() -> None:
    told = said([silent("a"), silent("b")], plan((SATURDAY, ["a"])))
    assert told == Headline(
        "All sensors are silent: nothing heard for 40 days. Check the listener and the broker.",
        (),
    )
    assert "check its sensor" not in WORDS.to_do(silent("a"), all_silent=True)
    assert "check its sensor" in WORDS.to_do(silent("a"))
    assert "All sensors" not in said([silent("a"), calm("b")]).main
