"""What the recharge desk has to say, in sentences for people and as JSON for scripts; every face uses these."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict
from typing import TYPE_CHECKING, Any

from monitor.presentation.wording import (
    TO,
    Wording,
    beads,
    spread,
)
from monitor.records import Quantiles
from monitor.units import grams_to_ounces

if TYPE_CHECKING:
    from monitor.desk import Method, RunReport, Service
    from monitor.desk.inventory import Charge, Run

Answer = dict[str, Any]

_USED_AS = {
    "microwave": "in the microwave",
    "oven": "in the oven",
    "filament_dryer": "in the filament dryer",
    "print_bed": "on the print bed",
}
_ROOM_SOURCES = {"told": "as you entered it", "sensor": "from the room sensor", "shelf file": "from the shelf file"}
_FIELDS = {
    "mass": "weight",
    "dry_mass": "dry weight",
    "end_mass": "weight at the end",
    "dry_mass_relative_sd": "uncertainty of the dry weight",
    "kept_share": "share of the beads left",
    "tare": "empty holder",
    "power_w": "power in W",
    "start_loading": "water at the start",
    "loading": "water held",
    "heated": "heating",
    "shown": "scale shows",
    "resolution": "scale step",
}
_USUAL = {"hot": False, "factor": 1.0, "fits": True, "kept_share": 1.0}  # no unit; judgement: nearly every entry
"""What the log of the desk leaves out, because it is so nearly always."""
_WELL, _SHORT = 0.6, 0.25  # shares of what dry beads take; judgement: weeks saved, or hardly worth closing the box
_SEEN_ON_A_SCALE_G = 0.05  # judgement: half a step of a fine kitchen scale


def report_lines(report: RunReport, wording: Wording) -> list[tuple[str, str]]:
    """Return what a run is at, as pairs of a label and its value."""
    start, judgement = report.run.start, report.judgement
    used = _USED_AS.get(start.appliance_kind, f"in '{start.appliance}'")
    heat = "" if start.temperature_degc is None else f" at {wording.temperature(start.temperature_degc)}"
    air = f"{wording.temperature(start.room_temperature_degc)}, {100.0 * start.room_relative_humidity:.0f} % RH"
    start_g = report.mass_g + report.water_off_g
    whole = spread(_less(report.end_g, start_g), wording_scale(wording))
    lines = [
        (
            "run",
            f"{report.run.name}: {minutes(report.heated_s)} {used}{heat}; room {air} ({room_source(start.room_from)})",
        ),
        ("water removed", f"{wording.mass(report.water_off_g)} so far, {whole} {wording.mass_unit} in the end"),
        (
            "left in the beads",
            f"{shares(report.loading_g_per_g)} of their dry weight, {spread(report.left_g, wording_scale(wording))}"
            f" {wording.mass_unit}",
        ),
        ("this method ends at", f"{100.0 * report.floor_g_per_g:.1f} % ({report.floor_because})"),
        ("dry weight", f"{spread(report.dry_mass_g, wording_scale(wording))} {wording.mass_unit}"),
    ]
    if len(report.run.weighings) > 1:
        seen = judgement.next_gain_g.p95 >= _SEEN_ON_A_SCALE_G
        gain = f"{spread(judgement.next_gain_g, wording_scale(wording))} {wording.mass_unit}"
        lines += [
            (
                f"{minutes(judgement.next_step_s)} more heat",
                f"{gain} lighter" if seen else "nothing that a scale would show",
            ),
            ("weight settles after", f"{time_spread(report.time_to_end_s)} more heat"),
        ]
    spent = f"{report.energy_so_far_kwh:.2f} kWh so far, about {report.energy_to_end_kwh:.2f} kWh still to come"
    return [*lines, ("energy", f"{spent} (typical power)")]


def verdict_sentence(report: RunReport, wording: Wording) -> str:
    """Return the verdict with its reason; at a stop also what is left, and what another appliance would bring."""
    verdict, because = report.verdict.value, report.judgement.because
    said = f"{verdict[0].upper()}{verdict[1:]}. "
    if report.verdict.stops:
        left, grams = 100.0 * report.loading_g_per_g.p50, wording.mass_figures(report.left_g.p50)
        said += f"{left:.1f} % is left: {grams} {wording.mass_unit} of water. "
    said += f"{because[0].upper()}{because[1:]}."
    return f"{said} {_further(report, wording)}" if report.verdict.stops else said


def _further(report: RunReport, wording: Wording) -> str:
    """Say what other declared appliances would still bring."""
    if not report.further:
        return "None of your other appliances would remove more than a scale can show."
    told = [
        f"{further.appliance}{_at(further.temperature_degc, wording)} removes another {wording.mass(further.water_g)}"
        f" in about {time_spread(further.time_s)}"
        for further in report.further
    ]
    return f"Still possible: {'; '.join(told)}."


def _at(temperature_degc: float | None, wording: Wording) -> str:
    return "" if temperature_degc is None else f" at {wording.temperature(temperature_degc)}"


def service_lines(services: Sequence[Service], wording: Wording) -> list[str]:
    """Return what the beads would do, one line for each limit among the boxes."""
    return [
        f"{', '.join(service.box for service in alike)}: {_service(alike[0], wording)}"
        for alike in by_limit(services).values()
    ]


def by_limit(services: Sequence[Service]) -> dict[float, list[Service]]:
    """Return boxes of one limit together, the strictest first: what beads can do there is the same."""
    limits = sorted({service.humidity_limit for service in services})
    return {limit: [service for service in services if service.humidity_limit == limit] for limit in limits}


def _service(service: Service, wording: Wording) -> str:
    share = f"{100.0 * service.share:.0f} % of what dry beads take up until {100.0 * service.humidity_limit:.0f} % RH"
    if service.share < _SHORT:
        return f"of little use, {share}"
    word = "good" if service.share >= _WELL else "good for a while"
    return f"{word}, {share} ({spread(service.usable_g, wording_scale(wording))} {wording.mass_unit})"


def jar_sentence(report: RunReport) -> str:
    """Return what a jar check should show, for the second opinion that needs no scale."""
    low, middle, high = (
        100.0 * value for value in (getattr(report.jar_relative_humidity, name) for name in ("p05", "p50", "p95"))
    )
    return f"In a closed jar, a hygrometer should settle near {middle:.1f} % RH ({low:.1f} {TO} {high:.1f})"


def report_answer(report: RunReport) -> Answer:
    """Return a run as JSON."""
    start, judgement = report.run.start, report.judgement
    return {
        "run": report.run.name,
        "charge": start.charge,
        "appliance": start.appliance,
        "temperature_c": start.temperature_degc,
        "room": {
            "temperature_c": start.room_temperature_degc,
            "rh_pct": 100.0 * start.room_relative_humidity,
            "from": start.room_from,
        },
        "weighings": [
            {"number": w.event_id, "t": w.at, "heated_min": w.heated_s / 60.0, "mass_g": w.mass_g}
            for w in report.run.weighings
        ],
        "water_off_g": report.water_off_g,
        "start_loading_g_per_g": asdict(report.start_loading_g_per_g),
        "loading_g_per_g": asdict(report.loading_g_per_g),
        "left_g": asdict(report.left_g),
        "kept_share": report.kept_share,
        "fits": report.fits,
        "dry_mass_g": asdict(report.dry_mass_g),
        "end_mass_g": asdict(report.end_g),
        "end_loading_g_per_g": asdict(report.end_loading_g_per_g),
        "floor_g_per_g": report.floor_g_per_g,
        "verdict": report.verdict.value,
        "because": judgement.because,
        "next_step_min": judgement.next_step_s / 60.0,
        "next_gain_g": asdict(judgement.next_gain_g),
        "time_to_end_min": {name: value / 60.0 for name, value in asdict(report.time_to_end_s).items()},
        "energy_kwh": {"so_far": report.energy_so_far_kwh, "to_end": report.energy_to_end_kwh},
        "further": [
            {
                "appliance": further.appliance,
                "temperature_c": further.temperature_degc,
                "water_off_g": further.water_g,
                "time_min": {name: value / 60.0 for name, value in asdict(further.time_s).items()},
            }
            for further in report.further
        ],
        "boxes": [service_answer(service) for service in report.services],
        "jar_rh_pct": {name: 100.0 * value for name, value in asdict(report.jar_relative_humidity).items()},
        "remarks": list(report.remarks),
    }


def service_answer(service: Service) -> Answer:
    """Return what beads would do in a box as JSON."""
    return {
        "box": service.box,
        "limit_rh_pct": 100.0 * service.humidity_limit,
        "usable_g": asdict(service.usable_g),
        "share": service.share,
    }


def method_answer(method: Method) -> Answer:
    """Return what a method can reach as JSON."""
    it = method.reach
    return {
        "method": it.method,
        "kind": it.kind,
        "temperature_c": it.temperature_degc,
        "end_loading_g_per_g": asdict(it.end_g_per_g),
        "jar_rh_pct_at_25_c": None if it.jar_relative_humidity is None else 100.0 * it.jar_relative_humidity,
        "time_h": {name: value / 3600.0 for name, value in asdict(it.time_s).items()},
        "water_off_g": it.water_off_g,
        "energy_kwh": it.energy_kwh,
        "least_energy_kwh": it.least_energy_kwh,
        "hands_on_min": it.hands_on_min,
        "over_ceiling": it.over_ceiling,
        "risks": list(method.risks),
        "boxes": [service_answer(service) for service in method.services],
    }


def method_row(method: Method, wording: Wording) -> tuple[str, ...]:
    """Return what a method can reach as a row of a table."""
    it = method.reach
    heat = "" if it.temperature_degc is None else f" {wording.temperature(it.temperature_degc)}"
    jar = "–" if it.jar_relative_humidity is None else f"{100.0 * it.jar_relative_humidity:.1f} %"
    return (
        f"{it.method}{heat}",
        shares(it.end_g_per_g),
        jar,
        time_spread(it.time_s),
        *(wording.mass_figures(alike[0].usable_g.p50) for alike in by_limit(method.services).values()),
        f"{it.energy_kwh:.1f}",
        str(it.hands_on_min),
        "no: too hot for these beads" if it.over_ceiling else "",
    )


def compare_row(report: RunReport, wording: Wording) -> tuple[str, ...]:
    """Return a run as a row of a table."""
    start = report.run.start
    heat = "" if start.temperature_degc is None else f" {wording.temperature(start.temperature_degc)}"
    return (
        report.run.name,
        wording.moment(report.run.started_at),
        f"{start.appliance}{heat}",
        minutes(report.heated_s),
        wording.mass(report.water_off_g),
        shares(report.loading_g_per_g),
        shares(report.end_loading_g_per_g),
        f"{100.0 * report.floor_g_per_g:.1f} %",
        report.verdict.value,
    )


def charge_lines(
    charge: Charge, runs: Sequence[Run], capacity: tuple[float, float], wording: Wording
) -> list[tuple[str, str]]:
    """Return what is known of a charge, as pairs of a label and its value."""
    holds, sd = 100.0 * capacity[0], 100.0 * capacity[0] * capacity[1]
    lines = [
        ("charge", f"{charge.name}, of lot {charge.lot}; {wording.mass(charge.mass_g)} now"),
        ("where", "retired" if charge.retired else _where(charge.place)),
        ("dried", f"{charge.cycles} times" if charge.cycles != 1 else "once"),
        (
            "capacity",
            f"{holds:.0f} ± {sd:.0f} % of what such beads usually hold",
        ),
    ]
    if charge.lightest_g is not None:
        lines.append(("lowest weight", wording.mass(charge.lightest_g)))
    if charge.dry_mass_g is not None:
        sd_g = charge.dry_mass_g * charge.dry_mass_relative_sd
        lines.append(("dry weight", f"{wording.mass(charge.dry_mass_g)} ± {wording.mass(sd_g)}"))
    if charge.loading_g_per_g is not None:
        lines.append(("water when judged", shares(Quantiles(*charge.loading_g_per_g))))
    if charge.color:
        lines.append(("color", charge.color))
    for run in runs:
        verdict = run.finished.verdict if run.finished else "in progress"
        lines.append(("run", f"{run.name}, {wording.moment(run.started_at)}, {run.start.appliance}: {verdict}"))
    return lines


def charge_row(charge: Charge, wording: Wording) -> tuple[str, ...]:
    """Return a charge as a row of a table."""
    low_middle_high = charge.loading_g_per_g
    held = "–" if low_middle_high is None else f"{100.0 * low_middle_high[1]:.1f} %"
    dry = "–" if charge.dry_mass_g is None else wording.mass(charge.dry_mass_g)
    where = "retired" if charge.retired else _where(charge.place)
    return (charge.name, charge.lot, where, wording.mass(charge.mass_g), dry, held, str(charge.cycles), charge.color)


def _where(place: str) -> str:
    return place.replace("box:", "box ").replace("in:", "in the ")


def event_details(values: Mapping[str, Any], wording: Wording) -> str:
    """Return what an event says, value by value, in the units of the shelf."""
    told = {key: value for key, value in values.items() if value not in (None, "", ()) and _USUAL.get(key) != value}
    return ", ".join(_told(key, value, wording) for key, value in told.items())


def _told(key: str, value: Any, wording: Wording) -> str:
    if key == "desiccant":
        value = beads(value)
    if key == "room_from":
        value = room_source(value).removeprefix("from the ")
    if key == "place":
        value = _where(value)
    if isinstance(value, bool):
        value = "yes" if value else "no"
    if key.endswith("_g_per_g"):
        points = [100.0 * point for point in (value if isinstance(value, Sequence) else (value,))]
        return f"{_spoken(key, '_g_per_g')} {f' {TO} '.join(f'{point:.1f}' for point in points)} %"
    if key.endswith("_g"):
        return f"{_spoken(key, '_g')} {wording.weight(value)}"
    if key.endswith("_s"):
        return f"{_spoken(key, '_s')} {minutes(value)}"
    if key.endswith("_degc"):
        return f"{_spoken(key, '_degc')} {wording.temperature(value)}"
    if isinstance(value, float):
        return f"{_spoken(key)} {value:.3g}"
    return f"{_spoken(key)} {', '.join(value) if isinstance(value, tuple) else value}"


def _spoken(key: str, unit: str = "") -> str:
    name = key.removesuffix(unit)
    return _FIELDS.get(name, name.replace("_", " "))


def minutes(duration_s: float) -> str:
    """Return a heating time in the unit that suits it.

    >>> minutes(540.0), minutes(14400.0), minutes(0.0)
    ('9 min', '4 h', '0 min')
    """
    if duration_s < 2.0 * 3600.0:
        return f"{duration_s / 60.0:.0f} min"
    return f"{duration_s / 3600.0:.0f} h" if duration_s < 2.0 * 86_400.0 else f"{duration_s / 86_400.0:.1f} days"


def time_spread(time_s: Quantiles) -> str:
    """Return a time with its interval.

    >>> from monitor.records import Quantiles
    >>> time_spread(Quantiles(300.0, 600.0, 1200.0))
    '10 min (5 min – 20 min)'
    """
    return f"{minutes(time_s.p50)} ({minutes(time_s.p05)} {TO} {minutes(time_s.p95)})"


def shares(loading: Quantiles) -> str:
    """Return a loading with its interval in per cent of dry mass.

    >>> from monitor.records import Quantiles
    >>> shares(Quantiles(0.01, 0.02, 0.046))
    '2.0 % (1.0 – 4.6)'
    """
    return f"{100.0 * loading.p50:.1f} % ({100.0 * loading.p05:.1f} {TO} {100.0 * loading.p95:.1f})"


def room_source(known_from: str) -> str:
    """Return where the air of a room is known from, in words for a person.

    >>> room_source("told"), room_source("assumed")
    ('as you entered it', 'assumed')
    """
    return _ROOM_SOURCES.get(known_from, known_from)


def wording_scale(wording: Wording) -> float:
    """Return what turns grams into the unit of the shelf."""
    return grams_to_ounces(1.0) if wording.ounces else 1.0


def table_headings(methods: Sequence[Method], wording: Wording) -> tuple[str, ...]:
    """Return the headings above the rows of methods."""
    limits = by_limit(methods[0].services) if methods else {}
    boxes = [f"{wording.mass_unit} to {100.0 * limit:.0f} %" for limit in limits]
    return ("method", "left in beads", "jar", "time", *boxes, "kWh", "your minutes", "")


def _less(end_g: Quantiles, start_g: float) -> Quantiles:
    return Quantiles(*(max(start_g - end, 0.0) for end in (end_g.p95, end_g.p50, end_g.p05)))
