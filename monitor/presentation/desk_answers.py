"""What the recharge desk has to say, as JSON for scripts."""

from __future__ import annotations

from dataclasses import asdict
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from monitor.desk import Method, RunReport, Service


Answer = dict[str, Any]


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
        "stirred_after_min": [heated_s / 60.0 for heated_s in report.run.stirred_after_s],
        "water_off_g": report.water_off_g,
        "start_loading_g_per_g": asdict(report.start_loading_g_per_g),
        "loading_g_per_g": asdict(report.loading_g_per_g),
        "left_g": asdict(report.left_g),
        "left_is_known": report.left_is_known,
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
