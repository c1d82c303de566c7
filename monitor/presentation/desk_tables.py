"""Tables of the recharge desk: methods, runs and charges, a row or a line each."""

from __future__ import annotations

from typing import TYPE_CHECKING

from monitor.presentation.desk_amounts import minutes, percents, shares, so_often, time_spread, weighable, whereabouts
from monitor.presentation.desk_wording import by_limit, finished_in_brief, report_in_brief
from monitor.records import Quantiles
from monitor.texts import say

if TYPE_CHECKING:
    from collections.abc import Sequence

    from monitor.desk import Method, RunReport
    from monitor.desk.inventory import Charge, Run
    from monitor.presentation.wording import Wording


def method_row(method: Method, wording: Wording) -> tuple[str, ...]:
    """Return what a method can reach as a row of a table."""
    it = method.reach
    heat = "" if it.temperature_degc is None else f" {wording.heat(it.temperature_degc)}"
    jar = "–" if it.jar_relative_humidity is None else f"{100.0 * it.jar_relative_humidity:.1f} %"
    return (
        f"{it.method}{heat}",
        shares(it.end_g_per_g),
        jar,
        time_spread(it.time_s),
        *(weighable(alike[0].usable_g.p50, wording) for alike in by_limit(method.services).values()),
        f"{it.energy_kwh:.1f}",
        str(it.hands_on_min),
        say("no: too hot for these beads") if it.over_ceiling else "",
    )


def compare_row(report: RunReport, wording: Wording) -> tuple[str, ...]:
    """Return a run as a row of a table."""
    start = report.run.start
    heat = "" if start.temperature_degc is None else f" {wording.heat(start.temperature_degc)}"
    return (
        report.run.name,
        wording.moment(report.run.started_at),
        f"{start.appliance}{heat}",
        minutes(report.heated_s),
        wording.mass(report.water_off_g),
        shares(report.loading_g_per_g),
        shares(report.end_loading_g_per_g),
        f"{100.0 * report.floor_g_per_g:.1f} %",
        report_in_brief(report),
    )


def charge_lines(
    charge: Charge,
    runs: Sequence[Run],
    capacity: tuple[float, float],
    wording: Wording,
    share_left: Quantiles | None = None,
) -> list[tuple[str, str]]:
    """Return what is known of a charge, as pairs of a label and its value; ``share_left``: of its first uptake."""
    holds, sd = 100.0 * capacity[0], 100.0 * capacity[0] * capacity[1]
    lines = [
        (
            say("charge"),
            say(
                "{charge}, of lot {lot}; {mass} now",
                charge=charge.name,
                lot=charge.lot,
                mass=wording.mass(charge.mass_g),
            ),
        ),
        (say("where"), say("no longer used") if charge.retired else whereabouts(charge.place)),
        (say("dried"), so_often(charge.cycles)),
        (
            say("capacity"),
            say("{holds} % (± {sd}) of what such beads usually hold", holds=f"{holds:.0f}", sd=f"{sd:.0f}"),
        ),
    ]
    if share_left is not None:
        low, middle, high = percents(share_left)
        lines.append(
            (
                say("takes up"),
                say("{middle} of what it did at its first run ({low} – {high} %)", middle=middle, low=low, high=high),
            )
        )
    if charge.lightest_g is not None:
        lines.append((say("lowest weight"), wording.mass(charge.lightest_g)))
    if charge.dry_mass_g is not None:
        sd_g = charge.dry_mass_g * charge.dry_mass_relative_sd
        shown = f"{weighable(charge.dry_mass_g, wording)} {wording.mass_unit}"
        lines.append((say("weight when dry"), f"{shown} (± {weighable(sd_g, wording)})"))
    if charge.loading_g_per_g is not None:
        lines.append((say("water, last weighing"), shares(Quantiles(*charge.loading_g_per_g))))
    if charge.color:
        lines.append((say("color"), charge.color))
    for run in runs:
        verdict = finished_in_brief(run.finished) if run.finished else say("in progress")
        lines.append((say("run"), f"{run.name}, {wording.moment(run.started_at)}, {run.start.appliance}: {verdict}"))
    return lines


def charge_row(charge: Charge, wording: Wording) -> tuple[str, ...]:
    """Return a charge as a row of a table."""
    low_middle_high = charge.loading_g_per_g
    held = "–" if low_middle_high is None else f"{100.0 * low_middle_high[1]:.1f} %"
    dry = "–" if charge.dry_mass_g is None else wording.mass(charge.dry_mass_g)
    where = say("no longer used") if charge.retired else whereabouts(charge.place)
    color = charge.color or "–"
    return (charge.name, charge.lot, where, wording.mass(charge.mass_g), dry, held, str(charge.cycles), color)


def table_headings(methods: Sequence[Method], wording: Wording) -> tuple[str, ...]:
    """Return the headings above the rows of methods."""
    limits = by_limit(methods[0].services) if methods else {}
    first = say("can take in, {unit}:", unit=wording.mass_unit) + "\n"
    until = [say("until {limit} % RH", limit=f"{100.0 * limit:.4g}") for limit in limits]
    boxes = [f"{'' if place else first}{limit}" for place, limit in enumerate(until)]
    return (
        say("method"),
        say("water left\nin the beads"),
        say("RH in a jar"),
        say("time"),
        *boxes,
        "kWh",
        say("your work,\nmin"),
        "",
    )
