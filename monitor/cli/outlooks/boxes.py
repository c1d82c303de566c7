"""`siccast boxes` and `siccast today`: how every box is, and what needs the person today."""

from __future__ import annotations

from typing import TYPE_CHECKING

import typer

from monitor.cli.session import (
    AsJson,
    AsOf,
    BoxNames,
    Dask,
    Fresh,
    ask,
    has_boxes,
    say_as_of,
    shelf_of,
)
from monitor.errors import NEEDS_THE_PERSON

if TYPE_CHECKING:
    from collections.abc import Sequence

    from monitor.cli.session import Assessed
    from monitor.presentation.wording import Wording
    from monitor.records import Assessment


def register(app: typer.Typer) -> None:
    """Add the commands of this module."""
    app.command()(boxes)
    app.command()(today)


def boxes(
    context: typer.Context,
    boxes: BoxNames = None,
    *,
    as_of: AsOf = None,
    fresh: Fresh = False,
    dask: Dask = None,
    as_json: AsJson = False,
) -> None:
    """Show every box and what to do about it, worst first.

    With its newest reading, and how full its beads are. Beneath a reading older than a day stands how old it is.
    """
    from monitor.cli.output import show_json
    from monitor.presentation.answers import boxes_answer

    asked = ask(shelf_of(context), boxes, as_of, fresh=fresh, dask=dask)
    if as_json:
        show_json(boxes_answer(asked.assessments, asked.as_of, asked.wording))
        return
    show_boxes(asked)


def show_boxes(asked: Assessed) -> None:
    """Print every box with what to do about it, worst first."""
    from monitor.cli.output import say, show_table
    from monitor.planning.due import rule_of_days
    from monitor.presentation.wording import FULL_BEADS

    headings = ("box", "state", "what to do", "RH", "limit", "beads\nfull")
    if not say_as_of(asked):
        return
    say_faults(asked)
    wording = asked.wording
    show_table(
        headings,
        [_row(assessment, wording) for assessment in asked.worst_first],
        right=(3, 4, 5),
        wrap={0: 24, 1: 13, 2: None},
    )
    if asked.assessments:
        say(f"{rule_of_days()} {FULL_BEADS}")


def say_faults(asked: Assessed) -> None:
    """Say first which boxes leak more than they did."""
    from monitor.cli.output import say

    wording = asked.wording
    for assessment in asked.worst_first:
        if fault := wording.fault(assessment):
            say(f"{assessment.box.name}: {fault}")


def today(
    context: typer.Context, as_of: AsOf = None, fresh: Fresh = False, dask: Dask = None, as_json: AsJson = False
) -> None:
    """Say what needs you today; exit code 3 if anything does.

    Drying that is planned for today or tomorrow comes first, then lids that seem to be open, and boxes that leak more
    than they did. Then, worst first: boxes over their limit or due within a week, beads wetter than their drying run
    said, sensors that are silent or have a low battery, openings that nobody logged, boxes that are not in shelf.toml,
    and estimates that failed. `siccast watch` sends the same by mail and other routes.
    """
    from monitor.cli.output import say, show_json
    from monitor.planning.alerts import in_lines

    asked = ask(shelf_of(context), as_of=as_of, fresh=fresh, dask=dask)
    alerts = asked.alerts
    if as_json:
        said = [{"box": alert.box or None, "matter": alert.kind, "text": alert.text} for alert in alerts]
        show_json({"as_of": asked.as_of, "words": said})
    elif has_boxes(asked):
        for line in in_lines(alerts) or ["Nothing needs you today."]:
            say(line)
    if alerts:
        raise typer.Exit(NEEDS_THE_PERSON)


def _row(assessment: Assessment, wording: Wording) -> Sequence[str]:
    return (
        assessment.box.name,
        wording.state(assessment),
        wording.to_do(assessment),
        _reading(assessment, wording),
        wording.limit(assessment),
        wording.beads_full(assessment, brief=True),
    )


def _reading(assessment: Assessment, wording: Wording) -> str:
    """Return the last humidity of a box, with how old it is on lines of their own where nobody should go by it."""
    from monitor.planning.due import silent_for
    from monitor.presentation.amounts import age, percent

    silent = silent_for(assessment)
    if silent is None:
        return wording.reading(assessment, brief=True).replace(" (", "\n(")
    return f"{percent(assessment.latest.relative_humidity, 1)}\n{age(silent)}" if assessment.latest else "–"
