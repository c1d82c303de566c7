"""`siccast size`: how many grams of beads hold how long, of a box that is known, or of one to be bought."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime, time
from typing import TYPE_CHECKING, Annotated

import typer

from monitor.cli import arguments
from monitor.cli.session import AsJson, Limit, open_to_read, shelf_of
from monitor.presentation import quantities
from monitor.records import Box
from monitor.records.declared import (
    LIMIT_RANGE_PCT,
    SIZED_MONTHS,
    SIZED_MONTHS_RANGE,
    USUAL_VOLUME_LITER,
    VOLUME_RANGE_LITER,
    Spool,
)
from monitor.records.words import METHODS, SPOOL_STATES, is_style

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from monitor.presentation.wording import Wording
    from monitor.services.sizing import Parcel, SizeQuestion, Sizing
    from monitor.services.supposing import Supposing
    from monitor.settings import Shelf

_NOON = time(12)  # hours; by definition


def register(app: typer.Typer) -> None:
    """Add the command of this module."""
    app.command()(size)


def size(
    context: typer.Context,
    box: Annotated[
        str | None,
        typer.Argument(
            metavar="BOX",
            help="A box of yours. Without it: --volume and --style, or --wvtr and --area.",
            autocompletion=arguments.box_names,
        ),
    ] = None,
    *,
    months: Annotated[
        float | None,
        typer.Option(
            min=SIZED_MONTHS_RANGE[0],
            max=SIZED_MONTHS_RANGE[1],
            help=f"How long it has to hold. Default: {SIZED_MONTHS:g}.",
        ),
    ] = None,
    grams: Annotated[
        str | None, typer.Option("--mass", help="How long this much holds instead: dry beads, like 180 or 0.2kg.")
    ] = None,
    beads: Annotated[str, typer.Option(metavar="KIND", help="`siccast words beads` lists them.")] = "silica_gel",
    method: Annotated[
        str | None, typer.Option(help="How they were dried: new, oven, microwave, hot_air … Default: as before.")
    ] = None,
    limit: Limit = None,
    other_limit: Annotated[float | None, typer.Option(metavar="RH", help="The limit to compare with.")] = None,
    begin: Annotated[
        str | None, typer.Option("--from", metavar="DATE", help="When you close it. Default: now.")
    ] = None,
    volume: Annotated[float | None, typer.Option(metavar="L", help="Liters of a box that is not known yet.")] = None,
    style: Annotated[str | None, typer.Option(help="How that box closes: gasket, clip_lid, tote, cabinet …")] = None,
    contents: Annotated[
        list[str] | None,
        typer.Option("--with", metavar="MATERIAL:G", help="Filament or printed parts in it, like PETG:2000."),
    ] = None,
    state: Annotated[str, typer.Option(help="How those go in: fresh, dried, open or wet.")] = "open",
    openings: Annotated[float, typer.Option(min=0.0, max=300.0, help="Openings a month of that box.")] = 0.0,
    wvtr: Annotated[
        float | None, typer.Option(min=1e-4, max=1e4, help="Of a sealed bag: g/m²/day at 38 °C and 90 % RH.")
    ] = None,
    area: Annotated[float | None, typer.Option(min=1e-3, max=1e3, help="Its area, both sides, in m².")] = None,
    standards: Annotated[
        bool, typer.Option("--standards", help="Also show what packaging standards ask for, and by which rules.")
    ] = False,
    as_json: AsJson = False,
) -> None:
    """Calculate how many grams of beads hold how long, or how long your beads hold.

    For one of your boxes it uses the leak that siccast knows from its readings. For a new box, a drawer or a sealed
    parcel it uses what such things usually let through. Beside it: half the leak, a better seal, drier beads, another
    limit.
    """
    from monitor.services.sizing import DAYS_A_MONTH, SizeQuestion

    shelf = shelf_of(context)
    if months is not None and grams is not None:
        raise typer.BadParameter("give --months or --mass, not both", param_hint="'--mass'")
    if box and (volume, style, contents, wvtr, area) != (None, None, None, None, None):
        raise typer.BadParameter("--volume, --style, --with, --wvtr and --area are for what is not in shelf.toml",
                                 param_hint="'BOX'")  # fmt: skip
    _known_word("--method", method, METHODS)
    _known_word("--state", state, SPOOL_STATES)
    parcel = _parcel(wvtr, area)
    subject = _declared(shelf, box) if box else _new_box(volume, style, contents or [], state, parcel)
    kind = arguments.desiccant(beads, "--beads") or beads
    mass_g = None if grams is None else quantities.mass_g(grams, shelf)
    question = SizeQuestion(
        box=subject,
        desiccant=kind,
        limit=_limit("--limit", limit, subject.humidity_limit) or subject.humidity_limit,
        begin_at=_begin(begin, shelf),
        months=None if mass_g is not None else months or SIZED_MONTHS,
        grams=mass_g,
        method=method,
        parcel=parcel,
        openings_per_day=openings / DAYS_A_MONTH,
        other_limit=_limit("--other-limit", other_limit, None),
    )
    _answer(shelf, question, box, standards=standards, as_json=as_json)


def _answer(shelf: Shelf, question: SizeQuestion, box: str | None, *, standards: bool, as_json: bool) -> None:
    from monitor.cli.output import show_json
    from monitor.presentation.sizing_wording import size_answer
    from monitor.presentation.wording import Wording
    from monitor.services.sizing import sizing

    known = _known(shelf, question.box.name) if box else ""
    told = sizing(question, box=None if isinstance(known, str) else known, climate=shelf.room)
    if as_json:
        show_json(size_answer(told, Wording.of(shelf)))
        return
    if isinstance(known, str) and known:
        typer.echo(f"No estimate of {question.box.name} yet: {known}")
    _show(told, Wording.of(shelf))
    if standards:
        _show_standards(told, Wording.of(shelf))
    else:
        typer.echo("What packaging standards ask for, and why it differs: --standards")


def _show(told: Sizing, wording: Wording) -> None:
    from monitor.cli.output import say, show_table
    from monitor.presentation.sizing_wording import air_sentence, leak_sentence, size_rows, size_sentence

    say(size_sentence(told, wording))
    if air := air_sentence(told, wording):
        say(air)
    say(leak_sentence(told, wording))
    answer = "beads, dry" if told.question.grams is None else "holds"
    show_table(("with", "limit", answer), size_rows(told, wording), right=(1,))


def _show_standards(told: Sizing, wording: Wording) -> None:
    from monitor.cli.output import say, show_notes, show_table
    from monitor.presentation.sizing_wording import at_second_hand, standard_rows, standard_rules

    show_table(("standard", "units", "silica gel", "why it differs"), standard_rows(told, wording), right=(1, 2),
               wrap={3: None})  # fmt: skip
    show_notes("What these standards say", standard_rules(told))
    say(at_second_hand())


def _known(shelf: Shelf, name: str) -> Supposing | str:
    from monitor.services.supposing import supposing

    as_of = shelf.now(datetime.now(tz=UTC))
    with open_to_read(shelf, shelf.influx) as stores:
        return supposing(
            stores.readings, stores.ledger, shelf.boxes, name, as_of, room_climate=shelf.room, kept=stores.outlooks
        )


def _declared(shelf: Shelf, name: str) -> Box:
    found = next((box for box in shelf.boxes if box.name == name), None)
    if found is None:
        known = ", ".join(box.name for box in shelf.boxes) or "none"
        raise typer.BadParameter(f"'{name}' is not in shelf.toml. Declared: {known}", param_hint="'BOX'")
    return found


def _new_box(
    volume: float | None, style: str | None, contents: Sequence[str], state: str, parcel: Parcel | None
) -> Box:
    liters = USUAL_VOLUME_LITER if volume is None else volume
    if not VOLUME_RANGE_LITER[0] <= liters <= VOLUME_RANGE_LITER[1]:
        raise typer.BadParameter(f"{liters:g} is not valid: 0.05 to 5000 L", param_hint="'--volume'")
    if style is not None and not is_style(style):
        raise typer.BadParameter(f"'{style}' is not known. `siccast words` lists styles", param_hint="'--style'")
    spools = tuple(replace(_spool(text), state=state) for text in contents)
    return Box("new", liters, style=style or ("bag" if parcel else "unknown"), spools=spools, spool_core="none")


def _known_word(option: str, word: str | None, words: Mapping[str, str]) -> None:
    if word is not None and not any(known in word for known in words):
        raise typer.BadParameter(f"'{word}' is not known. Known: {', '.join(words)}", param_hint=f"'{option}'")


def _spool(text: str) -> Spool:
    from monitor.physics import calculators

    material, _, mass = text.partition(":")
    if not mass.replace(".", "", 1).isdigit() or float(mass) <= 0.0 or not calculators.is_filament(material):
        raise typer.BadParameter(
            f"'{text}' is not valid: write a material and grams, like PETG:2000", param_hint="'--with'"
        )
    return Spool(material, float(mass))


def _parcel(wvtr: float | None, area: float | None) -> Parcel | None:
    from monitor.services.sizing import Parcel

    if (wvtr is None) != (area is None):
        raise typer.BadParameter("a parcel needs both --wvtr and --area", param_hint="'--wvtr'")
    return None if wvtr is None or area is None else Parcel(wvtr, area)


def _limit(option: str, limit_pct: float | None, otherwise: float | None) -> float | None:
    if limit_pct is None:
        return otherwise
    if not LIMIT_RANGE_PCT[0] <= limit_pct <= LIMIT_RANGE_PCT[1]:
        raise typer.BadParameter(f"{limit_pct:g} is not valid: a limit is from 1 to 95 %", param_hint=f"'{option}'")
    return limit_pct / 100.0


def _begin(text: str | None, shelf: Shelf) -> datetime:
    if text is None:
        return shelf.now(datetime.now(tz=UTC))
    try:
        return datetime.combine(date.fromisoformat(text), _NOON, shelf.timezone).astimezone(UTC)
    except ValueError:
        raise typer.BadParameter(f"'{text}' is no date: write it like 2026-07-01", param_hint="'--from'") from None
