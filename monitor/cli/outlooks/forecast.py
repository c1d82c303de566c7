"""`siccast forecast` and `siccast leak`: when each box passes its limit, and how leaky it is."""

from __future__ import annotations

from typing import TYPE_CHECKING

import typer

from monitor.cli.session import (
    AsJson,
    AsOf,
    BoxNames,
    Limit,
    ask,
    say_as_of,
    shelf_of,
)

if TYPE_CHECKING:
    from collections.abc import Sequence

    from monitor.cli.session import Assessed
    from monitor.presentation.wording import Wording
    from monitor.records import Assessment, BoxState


def register(app: typer.Typer) -> None:
    """Add the commands of this module."""
    app.command()(forecast)
    app.command()(leak)


def forecast(
    context: typer.Context, boxes: BoxNames = None, limit: Limit = None, as_of: AsOf = None, as_json: AsJson = False
) -> None:
    """Show by when to dry each box, and why.

    Beneath the table: when each box passes its limit, how likely that is within 7 and 30 days, how sure that is, and
    what would make it surer. Where the readings say too little, it says so.
    """
    from monitor.cli.output import show_json
    from monitor.presentation.answers import forecast_answer

    asked = ask(shelf_of(context), boxes, as_of, limit)
    if as_json:
        show_json(forecast_answer(asked.assessments, asked.as_of, asked.wording))
    else:
        say_as_of(asked)
        show_forecasts(asked)


def leak(context: typer.Context, boxes: BoxNames = None, as_of: AsOf = None, as_json: AsJson = False) -> None:
    """Show how leaky each box is.

    The leak itself is in grams of water a day for each kilopascal of vapor pressure between room and box. Beside it:
    how often the air of the empty box would change in a day, and how much water comes in now, in summer and in winter.
    """
    from monitor.cli.output import show_json
    from monitor.presentation.answers import leak_answer

    asked = ask(shelf_of(context), boxes, as_of)
    if as_json:
        show_json(leak_answer(asked.assessments, asked.as_of))
    else:
        say_as_of(asked)
        show_leaks(asked)


def show_forecasts(asked: Assessed) -> None:
    """Print by when to dry each box, worst first, and beneath it why and how sure that is."""
    from monitor.cli.output import (
        say,
        show_notes,
        show_table,
    )
    from monitor.services.assess import rule_of_days

    headings = ("box", "state", "what to do", "why")
    rows = [_forecast_row(assessment, asked.wording) for assessment in asked.worst_first]
    show_table(headings, rows, wrap={0: 24, 1: 13, 2: None, 3: None})
    say(f"{rule_of_days()}\n")
    notes = [(a.box.name, _how_sure(a, asked.wording)) for a in asked.worst_first]
    show_notes("When, and how sure (brackets: 9 times in 10 the day is between these two)", [n for n in notes if n[1]])


def show_leaks(asked: Assessed) -> None:
    """Print how leaky each box is, and how the boxes compare."""
    from monitor.cli.output import (
        say,
        show_notes,
        show_table,
    )

    unit = asked.wording.mass_unit
    flows = (f"water in,\n{unit}/day\nnow", "in\nsummer", "in\nwinter")
    headings = ("box", f"leak, {unit}/day/kPa", "air\nchanges\na day", "empty box\nhalfway to\nroom in", *flows)
    rows = [_leak_row(assessment, asked.wording) for assessment in asked.assessments]
    show_table(headings, rows, right=(2, 3, 4, 5, 6), wrap={0: 24, 1: None})
    notes = [(a.box.name, " ".join(_leak_words(a, asked.wording))) for a in asked.assessments]
    show_notes("How they compare", [(box, text) for box, text in notes if text])
    say("Leak: water coming in each day, for each kilopascal by which the room's vapor pressure is above the box's. "
        "In brackets: 9 times in 10 the true value is between these two.")  # fmt: skip
    say(_what_grams_assume(asked.assessments))


def _forecast_row(assessment: Assessment, wording: Wording) -> Sequence[str]:
    return (
        assessment.box.name,
        wording.state(assessment),
        wording.to_do(assessment),
        wording.reason(assessment),
    )


def _how_sure(assessment: Assessment, wording: Wording) -> str:
    """Return when a box passes its limit, what that is based on, and what would make it surer."""
    from monitor.presentation.wording import sentence

    evidence = [wording.in_own_units(text) for text in assessment.evidence]
    texts = (wording.course(assessment), *evidence, assessment.sharpen)
    return " ".join(sentence(text) for text in texts if text)


def _leak_row(assessment: Assessment, wording: Wording) -> Sequence[str]:
    from monitor.presentation.wording import duration, figures

    there = assessment.leak
    if there is None:
        # columns: all beside the two, by definition of the table
        return (assessment.box.name, _why_no_leak(assessment).value, *5 * ("–",))
    return (
        assessment.box.name,
        wording.masses(there.conductance_g_per_day_per_kpa),
        figures(there.air_changes_per_day.p50),
        duration(there.half_time_days.p50),
        *(
            wording.mass_figures(ingress.p50)
            for ingress in (there.ingress_g_per_day, there.ingress_summer_g_per_day, there.ingress_winter_g_per_day)
        ),
    )


def _why_no_leak(assessment: Assessment) -> BoxState:
    """Return why there is no leak in the words of a state; over its limit a box is whatever is known of its leak."""
    from monitor.records import BoxState

    if assessment.failed:
        return BoxState.estimate_failed
    if assessment.state is BoxState.over_limit:
        return BoxState.not_enough_evidence
    return assessment.state


def _leak_words(assessment: Assessment, wording: Wording) -> Sequence[str]:
    """Return what a leak compares with and rests on; why there is none where there is none."""
    from monitor.presentation.answers import sentences
    from monitor.presentation.wording import sentence

    there = assessment.leak
    if there is None:
        return sentences(assessment)
    words = [sentence(there.comparison)] if there.comparison else []
    if opened := wording.opening(there):
        words.append(opened)
    if changed := wording.change(there, assessment.as_of):
        words.append(changed)
    return words


def _what_grams_assume(assessments: Sequence[Assessment]) -> str:
    """Return for which boxes grams were measured, and what the grams of the others assume."""
    known = [a.box.name for a in assessments if a.leak and a.leak.grams_known]
    assumed = [a.box.name for a in assessments if a.leak and not a.leak.grams_known]
    if not assumed:
        return "The grams are measured, by weighing the beads or by a test of the empty box." if known else ""
    entered = "the mass of beads you entered. Weigh the beads once to be sure."
    if not known:
        return f"The grams assume {entered}"
    return f"The grams of {', '.join(known)} are measured. The others assume {entered}"
