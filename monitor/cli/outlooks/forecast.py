"""`siccast forecast` and `siccast leak`: when each box passes its limit, and how leaky it is."""

from __future__ import annotations

from typing import TYPE_CHECKING

import typer

from monitor.cli.session import (
    AsJson,
    AsOf,
    BoxNames,
    Dask,
    Fresh,
    Limit,
    ask,
    say_as_of,
    shelf_of,
)

if TYPE_CHECKING:
    from collections.abc import Sequence

    from monitor.cli.session import Assessed
    from monitor.presentation.wording import Wording
    from monitor.records import Assessment, BoxState, LeakEstimate


def register(app: typer.Typer) -> None:
    """Add the commands of this module."""
    app.command()(forecast)
    app.command()(leak)


def forecast(
    context: typer.Context,
    boxes: BoxNames = None,
    *,
    limit: Limit = None,
    as_of: AsOf = None,
    fresh: Fresh = False,
    dask: Dask = None,
    as_json: AsJson = False,
) -> None:
    """Show by when to dry each box, and why.

    Beneath the table: when humidity rises above each limit, how likely that is in the next 7 and 30 days, how sure that
    is, and what would make it surer. Where the readings say too little, it says so.
    """
    from monitor.cli.output import show_json
    from monitor.presentation.answers import forecast_answer

    asked = ask(shelf_of(context), boxes, as_of, limit, fresh=fresh, dask=dask)
    if as_json:
        show_json(forecast_answer(asked.assessments, asked.as_of, asked.wording))
    elif say_as_of(asked):
        show_forecasts(asked)


def leak(
    context: typer.Context,
    boxes: BoxNames = None,
    *,
    as_of: AsOf = None,
    fresh: Fresh = False,
    dask: Dask = None,
    as_json: AsJson = False,
) -> None:
    """Show how leaky each box is.

    First how much water comes in now, in summer and in winter, and whether that is much for a box of its kind. Then, as
    details, the leak in grams a day for each kilopascal of vapor pressure between room and box, and how often the air
    of the empty box would change in a day.
    """
    from monitor.cli.output import show_json
    from monitor.presentation.answers import leak_answer

    asked = ask(shelf_of(context), boxes, as_of, fresh=fresh, dask=dask)
    if as_json:
        show_json(leak_answer(asked.assessments, asked.as_of))
    elif say_as_of(asked):
        show_leaks(asked)


def show_forecasts(asked: Assessed) -> None:
    """Print by when to dry each box, worst first, and beneath it why and how sure that is."""
    from monitor.cli.outlooks.boxes import say_faults
    from monitor.cli.output import (
        say,
        show_notes,
        show_table,
    )
    from monitor.planning.due import rule_of_days
    from monitor.presentation.wording import FULL_BEADS

    say_faults(asked)
    headings = ("box", "state", "what to do", "why")
    rows = [_forecast_row(assessment, asked.wording) for assessment in asked.worst_first]
    show_table(headings, rows, wrap={0: 24, 1: 13, 2: None, 3: None})
    say(f"{rule_of_days()} {FULL_BEADS}\n")
    alone = len(asked.assessments) == 1
    notes = [(a.box.name, _how_sure(a, asked.wording, with_grams=alone)) for a in asked.worst_first]
    show_notes("When, and how sure (brackets: 9 times in 10 the day is between these two)", [n for n in notes if n[1]])


def show_leaks(asked: Assessed) -> None:
    """Print how much water comes into each box, and beneath it the details for who wants them."""
    from monitor.cli.output import (
        say,
        show_notes,
        show_table,
    )
    from monitor.presentation.amounts import sentence

    unit = asked.wording.mass_unit
    headings = ("box", f"water in now,\n{unit} a day", "in\nsummer", "in\nwinter", "for its kind")
    show_table(headings, [_leak_row(a, asked.wording) for a in asked.assessments], right=(2, 3), wrap={0: 24, 1: None})
    notes = [(a.box.name, " ".join(_leak_words(a, asked.wording))) for a in asked.assessments]
    show_notes("What else is known", [(box, text) for box, text in notes if text])
    say(_what_grams_assume(asked.assessments))
    known = [(a.box.name, a.leak) for a in asked.assessments if a.leak]
    if not known:
        return
    say("\nDetails")
    details = ("box", f"leak, {unit}/day/kPa", "air changes\na day", "empty box,\nhalfway in")
    show_table(details, [_detail_row(*each, asked.wording) for each in known], right=(2, 3), wrap={0: 24})
    show_notes("How they compare", [(box, sentence(leak.comparison)) for box, leak in known if leak.comparison])
    say("Leak: water coming in each day, for each kilopascal by which the room's vapor pressure is above the box's. "
        "Halfway: how soon an empty box like this gets halfway to the room's humidity. "
        "In brackets: 9 times in 10 the true value is between these two.")  # fmt: skip


def _forecast_row(assessment: Assessment, wording: Wording) -> Sequence[str]:
    return (
        assessment.box.name,
        wording.state(assessment),
        wording.to_do(assessment),
        wording.reason(assessment),
    )


def _how_sure(assessment: Assessment, wording: Wording, *, with_grams: bool) -> str:
    """Return when a box passes its limit, what that is based on, and what would make it surer."""
    evidence = wording.evidence(assessment, with_grams=with_grams)
    return " ".join(filter(None, (wording.course(assessment), *evidence, wording.sharpen(assessment))))


def _leak_row(assessment: Assessment, wording: Wording) -> Sequence[str]:
    there = assessment.leak
    if there is None:
        # columns: all beside the two, by definition of the table
        return (assessment.box.name, _why_no_leak(assessment).value, *3 * ("–",))
    return (
        assessment.box.name,
        wording.masses(there.ingress_g_per_day),
        wording.mass_figures(there.ingress_summer_g_per_day.p50),
        wording.mass_figures(there.ingress_winter_g_per_day.p50),
        wording.for_its_kind(there),
    )


def _detail_row(box: str, leak: LeakEstimate, wording: Wording) -> Sequence[str]:
    from monitor.presentation.amounts import duration, figures

    return (
        box,
        wording.masses(leak.conductance_g_per_day_per_kpa),
        figures(leak.air_changes_per_day.p50),
        duration(leak.half_time_days.p50),
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
    """Return what came of a leak and of openings; why there is no estimate where there is none."""
    from monitor.presentation.answers import sentences

    there = assessment.leak
    if there is None:
        return sentences(assessment)
    return [said for said in (wording.change(there, assessment.as_of), wording.opening(there)) if said]


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
