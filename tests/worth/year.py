"""One site-year under all policies, and the file that site-years are kept in."""

from __future__ import annotations

import csv
import tempfile
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from monitor.physics.numerics import FloatArray
from monitor.store.opening import open_stores
from tests.worth.left_out import without_what_nobody_asks
from tests.worth.policies import EVENING, LINE, OVER, PLAN, POLICIES, WEEKS, Displays, Tool, begun, shown_by
from tests.worth.site import STEPS_A_WEEK, Site, draw_site
from tests.worth.truth import Truth, days_over

COLUMNS = (
    "site", "room", "begins", "policy", "box", "style", "beads", "method", "liter", "g_per_day_per_kpa", "dry_mass_g",
    "limit", "accuracy", "spools_g", "dried", "days_over", "days", "heating_days", "refused",
)  # fmt: skip


@dataclass(frozen=True)
class Year:
    """What all site-years have in common."""

    weeks: int
    rooms: tuple[Path, ...]

    def __call__(self, seed: int) -> list[dict[str, object]]:
        """Return a row for each policy and box of a site."""
        site = draw_site(seed, self.weeks, list(self.rooms))
        with (
            without_what_nobody_asks(),
            tempfile.TemporaryDirectory(prefix="worth") as folder,
            open_stores(begun(Path(folder)), synchronous="OFF", begin=True, now=site.start) as stores,
        ):
            return _rows(site, *_simulated(site, Tool(site, stores)))


def _simulated(site: Site, tool: Tool) -> tuple[FloatArray, FloatArray, int]:
    """Return which beads were dried at the end of which week (weeks × boxes × policies), and the days over."""
    limits = np.array([box.humidity_limit for box in site.boxes])
    truth, displays = Truth(site, len(POLICIES)), Displays(site, len(POLICIES))
    chosen = np.zeros((len(site.boxes), len(POLICIES)), bool)
    dried, over = np.zeros((site.weeks, *chosen.shape), bool), np.zeros(chosen.shape)
    plan, shown_late = POLICIES.index(PLAN), np.empty((0, *chosen.shape))
    for week in range(site.weeks):
        first = STEPS_A_WEEK * week
        tool.dried(week, chosen[:, plan])
        tool.swapped(week)
        humidity = truth.pass_week(chosen)
        over += days_over(humidity, limits)
        shown = shown_by(site, first, humidity)
        # days end on Friday evening, when all decide; after a drying the first of them is cut short
        seen = np.concatenate([shown_late, shown[:EVENING]])
        displays.see(seen[len(seen) % 12 :])
        tool.see(first - len(shown_late), seen[:, :, plan])
        shown_late = shown[EVENING:]
        chosen = _decided(site, week, tool, displays, limits)
        displays.dried(chosen)
        dried[week] = chosen
    return dried[:-1], over, tool.refused  # nothing that is dried at the end can be of use


def _decided(site: Site, week: int, tool: Tool, displays: Displays, limits: FloatArray) -> FloatArray:
    """Return what each policy dries tomorrow (boxes × policies)."""
    chosen = np.zeros((len(site.boxes), len(POLICIES)), bool)
    if week < site.weeks - 1:
        chosen[:, POLICIES.index(PLAN)] = tool.wants(site.at(STEPS_A_WEEK * week + EVENING))
    line = POLICIES.index(LINE)
    chosen[:, POLICIES.index(OVER)] = displays.over(limits)[:, POLICIES.index(OVER)]
    chosen[:, line] = displays.line_passes(limits, line)
    for weeks in WEEKS:
        chosen[:, POLICIES.index(f"every {weeks} weeks")] = (week + 1) % weeks == 0
    return chosen


def _rows(site: Site, dried: FloatArray, over: FloatArray, refused: int) -> list[dict[str, object]]:
    heating_days = dried.any(axis=1).sum(axis=0)
    conductance = np.ravel(site.physics.conductance_g_per_day_per_kpa)
    return [
        dict(zip(COLUMNS, (
            site.seed, site.room.name, f"{site.start:%Y-%m-%d}", policy, box.name, box.style, site.beads, site.method,
            box.volume_liter, f"{conductance[i]:.4f}", site.declared_g[i], box.humidity_limit, box.sensor.accuracy,
            sum(one.mass_g for one in box.spools), int(dried[:, i, p].sum()), int(over[i, p]), 7 * site.weeks,
            int(heating_days[p]), refused if policy == PLAN else "",
        ), strict=True))
        for p, policy in enumerate(POLICIES)
        for i, box in enumerate(site.boxes)
    ]  # fmt: skip


def sites_in(path: Path) -> set[int]:
    """Return the sites that a file holds whole; what a broken run left of one is taken out."""
    if not path.exists():
        return set()
    with path.open(encoding="utf-8", newline="") as lines:
        rows = list(csv.DictReader(lines))
    last = [row for row in rows if row["site"] == rows[-1]["site"]]
    if len(last) % len(POLICIES) or len(last) != len(POLICIES) * len({row["box"] for row in last}):
        rows = rows[: -len(last)]
        path.unlink()
        append(path, rows)
    return {int(row["site"]) for row in rows}


def append(path: Path, rows: list[dict[str, object]]) -> None:
    """Add the rows of a site."""
    with path.open("a", encoding="utf-8", newline="") as out:
        writer = csv.DictWriter(out, COLUMNS)
        if not out.tell():
            writer.writeheader()
        writer.writerows(rows)
        out.flush()
