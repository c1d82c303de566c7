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
    """Show when each box passes its limit.

    A median day with its 90 % interval, the chance within 7 and 30 days, and what they rest on. Too little evidence is
    an answer too.
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

    The leak as grams a day for each kilopascal of vapor pressure difference, as air changes of the empty box, and as
    the water it takes in now, in a typical summer and in a typical winter.
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
    """Print when each box passes its limit, worst first, and what that rests on."""
    from monitor.cli.output import show_notes, show_table
    from monitor.presentation.answers import sentences

    headings = ("box", "limit", "state", "passes its limit (90 %)", "within\n7 days", "within\n30 days")
    rows = [_forecast_row(assessment, asked.wording) for assessment in asked.worst_first]
    show_table(headings, rows, right=(1, 4, 5), wrap={0: 24, 2: 13, 3: None})
    show_notes("What that rests on", [(a.box.name, " ".join(sentences(a))) for a in asked.worst_first])


def show_leaks(asked: Assessed) -> None:
    """Print how leaky each box is, and how the boxes compare."""
    from monitor.cli.output import (
        say,
        show_notes,
        show_table,
    )

    unit = asked.wording.mass_unit
    flows = (f"{unit}/day\nnow", "in\nsummer", "in\nwinter")
    headings = ("box", f"leak, {unit}/day/kPa (90 %)", "air\nchanges\na day", "half-time", *flows)
    rows = [_leak_row(assessment, asked.wording) for assessment in asked.assessments]
    show_table(headings, rows, right=(2, 3, 4, 5, 6), wrap={0: 24, 1: None})
    notes = [(a.box.name, " ".join(_leak_words(a, asked.wording))) for a in asked.assessments]
    show_notes("How they compare", [(box, text) for box, text in notes if text])
    say(_what_grams_rest_on(asked.assessments))


def _forecast_row(assessment: Assessment, wording: Wording) -> Sequence[str]:
    from monitor.presentation.answers import CHANCES_WITHIN_DAYS
    from monitor.presentation.wording import chance_cell

    there = assessment.forecast
    return (
        assessment.box.name,
        wording.limit(assessment),
        wording.state(assessment),
        wording.crossing_in_brief(there, assessment.as_of) if there else "–",
        *(chance_cell(there.chance_within(days)) if there else "–" for days in CHANCES_WITHIN_DAYS),
    )


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

    there = assessment.leak
    if there is None:
        return sentences(assessment)
    words = [there.comparison] if there.comparison else []
    if opened := wording.opening(there):
        words.append(opened)
    if changed := wording.change(there, assessment.as_of):
        words.append(changed)
    return words


def _what_grams_rest_on(assessments: Sequence[Assessment]) -> str:
    """Return for which boxes a weighing tells grams, and what the others' grams are worth."""
    known = [a.box.name for a in assessments if a.leak and a.leak.grams_known]
    assumed = [a.box.name for a in assessments if a.leak and not a.leak.grams_known]
    if not assumed:
        return "Grams rest on weighings or tests of the empty box." if known else ""
    stated = "on the beads' stated mass: humidity alone gives the leak for each gram of beads"
    if not known:
        return f"Grams rest {stated}; weighing the beads twice would tell grams."
    return f"Grams rest on a weighing or a test of the empty box for {', '.join(known)}; for the others {stated}."
