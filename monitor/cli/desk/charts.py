"""Runs and methods side by side: as tables, in the terminal, and as a picture file."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from monitor.cli.desk.session import RoomAir, open_desk
from monitor.cli.session import AsJson
from monitor.presentation import quantities
from monitor.records.declared import APPLIANCE_RANGE_DEGC

if TYPE_CHECKING:
    from collections.abc import Sequence

    from matplotlib.axes import Axes

    from monitor.desk import Method, RunCurve
    from monitor.presentation.wording import Wording
    from monitor.records import RoomClimate

_WIDTH, _HEIGHT = 64, 15  # letters and lines; judgement: fits a terminal of 80 by 24
_COLORS = ("#0072b2", "#d55e00", "#009e73", "#cc79a7")
"""After Okabe and Ito: told apart by color-blind people too; each run also has its own marker."""
_MARKERS = "osD^"
_JAR_DEGC = 25.0  # where methods are compared: as `physics.drying.JAR_DEGC`; a judgement
_INCHES, _MARGIN_INCHES = 4.2, 1.0  # inches of one run and beside all; judgement: readable three to a page
_BAND_ALPHA, _GRID_ALPHA = 0.2, 0.25  # share of the ink; judgement: seen, and not in the way
_TITLE_POINTS, _LEGEND_POINTS = 10, 8  # judgement: a long verdict fits over its run
_DOTS_PER_INCH = 150  # count; judgement: sharp on a screen


def compare(
    context: typer.Context,
    runs: Annotated[
        list[str] | None, typer.Argument(metavar="RUN", help="Runs to compare, like bowl-1. Default: all.")
    ] = None,
    lot: Annotated[str | None, typer.Option(help="Only runs of this lot.")] = None,
    plot: Annotated[bool, typer.Option(help="Also draw them in the terminal.")] = False,
    picture: Annotated[Path | None, typer.Option(help="Draw them into this file, .png or .svg.")] = None,
    *,
    as_json: AsJson = False,
) -> None:
    """Compare runs: water removed, heating, water left.

    Also shows at how much water each run would end if you heated on.
    """
    if picture is not None and picture.suffix not in (".png", ".svg"):
        raise typer.BadParameter(f"'{picture}' is not valid: choose a file that ends in .png or .svg")
    from monitor.cli.output import show_json, show_table
    from monitor.desk import run_curves
    from monitor.errors import LedgerError
    from monitor.presentation.desk_answers import report_answer
    from monitor.presentation.desk_tables import compare_row

    with open_desk(context, read_only=True) as it:
        inventory = it.desk.inventory()
        names = runs or [
            run.name
            for run in inventory.runs.values()
            if run.weighings and (lot is None or run.charge_before.lot == lot)
        ]
        if not names:
            raise LedgerError("no run has a weighing yet. There is nothing to compare")
        curves = run_curves(inventory, names, it.shelf.boxes)
    if as_json:
        show_json({"runs": [report_answer(curve.report) for curve in curves]})
    else:
        headings = (
            "run",
            "started",
            "in",
            "heating",
            "water removed",
            "water left now",
            "would end at",
            "best possible",
            "verdict",
        )
        show_table(headings, [compare_row(curve.report, it.wording) for curve in curves], right=(3, 4))
    if plot and not as_json:
        for curve in curves:
            typer.echo("\n".join(terminal_plot(curve, it.wording)))
    if picture is not None:
        draw(curves, picture, it.wording)
        typer.echo(f"wrote {picture}", err=True)


def reach(
    context: typer.Context,
    of: Annotated[str, typer.Argument(metavar="CHARGE", help="A charge or a kind of beads.")] = "orange_gel",
    *,
    room: RoomAir = None,
    at_temperature: Annotated[
        list[str] | None, typer.Option("--also", metavar="T", help="Also show hot air of this temperature.")
    ] = None,
    as_json: AsJson = False,
) -> None:
    """Show how dry each appliance can get the beads in this room.

    Look here before you switch one on. Nothing is saved.
    """
    from monitor.cli.output import show_json
    from monitor.desk import compare_methods
    from monitor.presentation.desk_answers import method_answer
    from monitor.records import Appliance

    with open_desk(context, read_only=True) as it:
        degrees = [quantities.temperature_degc(text, it.shelf) for text in at_temperature or ()]
        for degc in degrees:
            if not _JAR_DEGC <= degc <= APPLIANCE_RANGE_DEGC[1]:
                right = it.wording.in_own_units("from 25 to 300 °C")
                raise typer.BadParameter(
                    f"{it.wording.degrees(degc):g} is not valid: hot air is {right}", param_hint="'--also'"
                )
        tools = [*it.shelf.appliances, *(Appliance("hot air", "other", degc) for degc in degrees)]
        air, known_from = it.desk.room(it.at, quantities.room(room, it.shelf))
        methods = compare_methods(it.desk.inventory(), tools, it.shelf.boxes, air, of=of)
    if as_json:
        answer = {"temperature_c": air.temperature_degc, "rh_pct": 100.0 * air.relative_humidity, "from": known_from}
        show_json({"of": of, "room": answer, "methods": [method_answer(method) for method in methods]})
    else:
        _show_methods(of, methods, air, known_from, it.wording)


def _show_methods(of: str, methods: Sequence[Method], air: RoomClimate, known_from: str, wording: Wording) -> None:
    """Show what each appliance can reach as a table, what its columns mean, and what can go wrong."""
    from monitor.cli.output import say, show_notes, show_table
    from monitor.presentation.amounts import sentence
    from monitor.presentation.desk_amounts import room_source
    from monitor.presentation.desk_tables import method_row, table_headings

    degc, rh_pct = wording.temperature(air.temperature_degc), 100 * air.relative_humidity
    say(f"'{of}' in a room at {degc}, {rh_pct:.0f} % RH ({room_source(known_from)})")
    rows = [method_row(method, wording) for method in methods]
    show_table(table_headings(methods, wording), rows, right=range(2, len(rows[0]) - 1))
    if methods:
        say(f"Calculated for beads that weigh {wording.mass(methods[0].dry_mass_g)} when fully dry.")
    say("'water left in the beads': in % of their weight when fully dry.")
    say("'can take in until 20 % RH': water that the finished beads can take in before a box reaches 20 % RH.")
    jar = wording.heat(_JAR_DEGC)
    say(f"'RH in a jar': what a hygrometer shows over the cooled beads in a closed jar at {jar}.")
    risks = [(method.reach.method, " ".join(map(sentence, method.risks))) for method in methods if method.risks]
    show_notes("Be careful:", [(f"  {method}:", wording.in_own_units(risk)) for method, risk in risks])


def terminal_plot(curve: RunCurve, wording: Wording) -> list[str]:
    """Return a run as lines of text: o weighed, · fitted, : interval, - the line this method can't pass."""
    low = min(curve.floor_g, float(curve.band_g[0].min())) - 1.0
    high = max(mass_g for _, mass_g in curve.weighed) + 1.0
    first, last = float(curve.heated_s[0]), float(curve.heated_s[-1])
    cells = [[" "] * _WIDTH for _ in range(_HEIGHT)]

    def put(heated_s: float, mass_g: float, mark: str) -> None:
        # seconds; judgement: no division by zero
        column = round((heated_s - first) / max(last - first, 1e-9) * (_WIDTH - 1))
        row = round((high - mass_g) / (high - low) * (_HEIGHT - 1))
        if 0 <= column < _WIDTH and 0 <= row < _HEIGHT:
            cells[row][column] = mark

    for column in range(_WIDTH):
        put(first + (last - first) * column / (_WIDTH - 1), curve.floor_g, "-")
    for heated_s, p05, p50, p95 in zip(curve.heated_s, *curve.band_g, strict=True):
        for mass_g, mark in ((p05, ":"), (p95, ":"), (p50, "·")):
            put(heated_s, mass_g, mark)
    for heated_s, mass_g in curve.weighed:
        put(heated_s, mass_g, "o")
    masses = [wording.mass_figures(high - (high - low) * row / (_HEIGHT - 1)) for row in range(_HEIGHT)]
    lines = [f"{mass:>6} {wording.mass_unit:>2}|{''.join(line)}" for mass, line in zip(masses, cells, strict=True)]
    start = curve.report.run.start
    title = f"{curve.report.run.name} in the {start.appliance}: o weighed, · fitted, : 90 % interval, - best possible"
    axis = f"{'':9} +{'-' * _WIDTH}"
    # 8 letters: half of the two figures' width, by definition of the formats
    return [title, *lines, axis, f"{first / 60:>12.0f} {'minutes of heating':^{_WIDTH - 8}}{last / 60:>7.0f}"]


def draw(curves: Sequence[RunCurve], path: Path, wording: Wording) -> None:
    """Draw runs side by side on one scale of masses."""
    try:
        from matplotlib.figure import Figure
    except ImportError:
        raise typer.BadParameter("pictures need matplotlib. Install it with: pip install 'siccast[plot]'") from None
    from monitor.cli.output import whole_file

    figure = Figure(figsize=(_MARGIN_INCHES + _INCHES * len(curves), _INCHES), layout="constrained")
    axes = figure.subplots(1, len(curves), sharey=True, squeeze=False)[0]
    for place, (axis, curve) in enumerate(zip(axes, curves, strict=True)):
        _draw_run(axis, curve, wording, color=_COLORS[place % len(_COLORS)], marker=_MARKERS[place % len(_MARKERS)])
    axes[0].set_ylabel(f"beads with their water, {wording.mass_unit}")
    with whole_file(path) as beside:
        figure.savefig(beside, dpi=_DOTS_PER_INCH)


def _draw_run(axis: Axes, curve: RunCurve, wording: Wording, *, color: str, marker: str) -> None:
    """Draw one run: its weighings, the fitted curve with its interval, and the best that this method reaches."""
    from monitor.presentation.desk_amounts import CURVE_IN_HOURS_FROM_S, wording_scale
    from monitor.presentation.desk_wording import report_in_brief

    in_hours = float(curve.heated_s[-1]) > CURVE_IN_HOURS_FROM_S
    seconds = 3600.0 if in_hours else 60.0
    mass = wording_scale(wording)
    heated, (low, middle, high) = curve.heated_s / seconds, curve.band_g
    axis.fill_between(heated, mass * low, mass * high, color=color, alpha=_BAND_ALPHA, lw=0, label="90 % interval")
    axis.plot(heated, mass * middle, color=color, label="fitted curve")
    axis.axhline(mass * curve.floor_g, color="black", ls="--", lw=1, label="best possible with this method")
    weighed_at = [heated_s / seconds for heated_s, _ in curve.weighed]
    weighed = [mass * mass_g for _, mass_g in curve.weighed]
    axis.plot(weighed_at, weighed, marker, color=color, mec="black", label="weighed")
    start = curve.report.run.start
    heat = "" if start.temperature_degc is None else f", {wording.heat(start.temperature_degc)}"
    title = f"{curve.report.run.name}: {start.appliance}{heat}\n{report_in_brief(curve.report)}"
    axis.set_title(title, fontsize=_TITLE_POINTS)
    axis.set_xlabel("hours of heating" if in_hours else "minutes of heating")
    axis.grid(alpha=_GRID_ALPHA)
    axis.legend(fontsize=_LEGEND_POINTS, frameon=False)
