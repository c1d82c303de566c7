"""Data goes one way: every import in monitor/ is read and held against the table of rooms in DEVELOPERS.md."""

from __future__ import annotations

import ast
import re
import subprocess
import sys
from collections.abc import Mapping
from pathlib import Path

import pytest

PACKAGE = Path(__file__).resolve().parent.parent / "monitor"

GROUND = {"monitor", "records", "errors", "units", "retrying", "series", "texts", "day_names", "named_files"}
CONTRACTS = {"store.contracts", "store.kept_contracts"}
MAY_IMPORT: dict[str, set[str]] = {
    "errors": set(),
    "texts": set(),
    "day_names": {"texts"},
    "records": {"records", "texts"},
    "units": set(),
    "retrying": {"errors"},
    "named_files": set(),
    "series": {"series", "records", "texts"},
    "settings": {"settings", "physics", "records", "errors", "named_files"},
    "physics": {"physics", "units", "errors"},
    "feed": {"feed", *GROUND},
    "store": {"store", *GROUND},
    "planning": {"planning", *GROUND},
    "alerts": {"alerts", *GROUND},
    "inference": {"inference", "physics", *GROUND},
    "desk": {"desk", "store.contracts", "physics", "inference", *GROUND},
    "backtest": {"backtest", "inference", *GROUND},
    "services": {*CONTRACTS, *GROUND},
    "presentation": {"presentation", "services", "planning", "desk", "settings", "physics.calculators", *GROUND},
    "web": {
        "web",
        "presentation",
        "services",
        "planning",
        "desk",
        "settings",
        "store.opening",
        "store.listener_lock",
        "physics.calculators",
        *GROUND,
    },
    "cli": {
        "cli",
        "presentation",
        "services",
        "planning",
        "desk",
        "backtest",
        "alerts",
        "feed",
        "physics.calculators",
        "settings",
        "store.opening",
        "store.listener_lock",
        *GROUND,
    },
}
"""What a room, or a module at the top, may import of ours; a name with a dot opens one module of a room."""

EXTRA: dict[str, set[str]] = {
    "cli.site.serve": {"web"},
    "services.intake": {"feed"},
    "services.reread_rejected": {"feed"},
    "services.hand_readings": {"feed"},
    "services.site_check": {"feed", "physics.compiled", "services.doubtful_units", "services.sensor_habit"},
    "services.broker_check": {"feed", "services"},
    "services.doubtful_units": {"feed"},
    "services.housekeeping": {"feed", "services"},
    "services.adoption": {"settings"},
    "services.assess": {"inference", "planning", "services"},
    "services.box_by_box": {"services"},
    "services.dask_cluster": {"services"},
    "services.kept_outlooks": {"inference", "services"},
    "services.outlook_upkeep": {"services"},
    "services.at_rest": {"physics", "inference"},
    "services.route_check": {"services"},
    "services.watch": {"alerts", "planning"},
    "services.planning": {"desk", "inference", "physics", "services"},
    "services.plan_risk": {"physics"},
    "services.recharge_plan": {"planning", "services"},
    "services.kept_plan": {"desk", "planning", "services"},
    "services.plan_to_show": {"planning", "services"},
    "services.supposing": {"inference", "services"},
    "services.announcing": {"planning"},
    "services.sizing": {"inference", "physics", "services"},
    "services.histories": {"inference"},
    "services.packed_answers": {"inference", "services"},
    "services.empty_box_test": {"inference"},
}
"""What one module of a room may import besides."""


def modules() -> list[tuple[str, Path]]:
    names = []
    for path in sorted(PACKAGE.rglob("*.py")):
        parts = path.relative_to(PACKAGE).with_suffix("").parts
        names.append((".".join(part for part in parts if part != "__init__") or "monitor", path))
    return names


def ours(path: Path) -> set[str]:
    """Return the modules of ours that a file imports, without the leading package name."""
    found: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names if alias.name.split(".")[0] == "monitor"}
        elif isinstance(node, ast.ImportFrom) and (node.module or "").split(".")[0] == "monitor":
            module = str(node.module)
            found |= {f"{module}.{a.name}" if is_module(f"{module}.{a.name}") else module for a in node.names}
    return {name.removeprefix("monitor.") for name in found}


def is_module(name: str) -> bool:
    there = PACKAGE.joinpath(*name.split(".")[1:])
    return there.is_dir() or there.with_suffix(".py").exists()


@pytest.mark.parametrize(("module", "path"), modules(), ids=[name for name, _ in modules()])
def test_module_imports_only_what_its_room_may(module: str, path: Path) -> None:
    room = module.split(".", maxsplit=1)[0]
    if room == "monitor":
        return
    assert room in MAY_IMPORT, f"the table has no row for {room}"
    allowed = set(MAY_IMPORT[room])
    for corner, more in EXTRA.items():
        if module == corner or module.startswith(corner + "."):
            allowed |= more
    for name in ours(path):
        is_version = name.startswith("__")
        roots = {name, name.split(".")[0]}
        assert is_version or roots & allowed, f"{module} imports {name}; it may import {sorted(allowed)}"


def test_nothing_lies_deeper_than_two_folders() -> None:
    assert [name for name, path in modules() if len(path.relative_to(PACKAGE).parts) > 3] == []


def test_no_ring_between_modules() -> None:
    known = dict(modules())
    edges = {name: {other for other in ours(path) if other in known and other != name} for name, path in known.items()}
    done: set[str] = set()

    def walk(name: str, trail: tuple[str, ...]) -> None:
        assert name not in trail, " → ".join((*trail, name))
        if name in done:
            return
        for other in sorted(edges[name]):
            walk(other, (*trail, name))
        done.add(name)

    for name in known:
        walk(name, ())


def folder_of(module: str, packages: set[str]) -> str:
    """Return the folder a module stands in, two levels deep at most; what is deeper counts with the second level.

    A module that stands loose beside folders counts by itself: folders may lie between two of these.
    """
    parts = module.split(".")
    inside = ".".join((parts if module in packages else parts[:-1])[:2])
    has_folders = any(one.startswith(f"{inside}.") for one in packages) and "." not in inside
    return inside if inside and not has_folders else module


def rings_between_folders(edges: Mapping[str, set[str]], packages: set[str]) -> set[frozenset[str]]:
    """Return every set of folders of which each is reached from each other by imports of their modules."""
    arrows: dict[str, set[str]] = {}
    for module, others in edges.items():
        here = folder_of(module, packages)
        arrows.setdefault(here, set()).update(folder_of(other, packages) for other in others)
    reached = {folder: _reached(folder, arrows) for folder in arrows}
    rings = {
        frozenset({folder, *(other for other in beyond if folder in reached.get(other, ()))})
        for folder, beyond in reached.items()
    }
    return {ring for ring in rings if len(ring) > 1}


def _reached(folder: str, arrows: Mapping[str, set[str]]) -> set[str]:
    found: set[str] = set()
    waiting = [folder]
    while waiting:
        new = arrows.get(waiting.pop(), set()) - found
        found |= new
        waiting += new
    return found


def test_no_ring_between_folders() -> None:
    """A folder is not reached back from what it imports: then it can be read, and moved, by itself."""
    known = dict(modules())
    packages = {name for name, path in known.items() if path.name == "__init__.py"}
    edges = {name: {other for other in ours(path) if other in known and other != name} for name, path in known.items()}
    assert rings_between_folders(edges, packages) == set()


def test_a_ring_of_folders_is_found_where_no_module_is_in_one() -> None:
    """Model asks evidence and evidence asks another module of model; fit stands above both, feed beside them."""
    packages = {"inference", "inference.evidence", "inference.model", "inference.fit", "inference.fit.steps", "feed"}
    straight = {
        "inference.evidence.hours": {"records"},
        "inference.model.prior": {"inference.evidence.hours", "inference.model.table"},
        "inference.fit.steps.moves": {"inference.model.prior"},
        "inference.fit.fit": {"inference.fit.steps.moves", "inference.model"},
        "feed.decode": {"feed", "records"},
    }
    assert rings_between_folders(straight, packages) == set()
    bent = {**straight, "inference.evidence.bins": {"inference.model.table"}}
    ring = frozenset({"inference.evidence", "inference.model"})
    assert rings_between_folders(bent, packages) == {ring}
    longer = {**straight, "inference.evidence.bins": {"feed.decode"}, "feed.screen": {"inference.fit"}}
    assert rings_between_folders(longer, packages) == {ring | {"inference.fit", "feed"}}


def test_map_in_developers_names_every_room_of_the_import_table() -> None:
    text = (PACKAGE.parent / "DEVELOPERS.md").read_text(encoding="utf-8")
    for room in MAY_IMPORT:
        assert re.search(rf"\b{room}(\.py|/)", text), f"DEVELOPERS.md has no row for {room}"


HEAVY = (
    "numpy",
    "pandas",
    "scipy",
    "starlette",
    "uvicorn",
    "influxdb_client",
    "amqtt",
    "paho",
    "matplotlib",
    "distributed",
)


def test_help_leaves_heavy_libraries_unimported() -> None:
    program = (
        "import sys\n"
        "from monitor.cli.app import app\n"
        "try: app(['--help'])\n"
        "except SystemExit: pass\n"
        f"print('LOADED', [name for name in {HEAVY!r} if name in sys.modules])\n"
    )
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=True)
    assert done.stdout.strip().endswith("LOADED []")
    assert "Usage: " in done.stdout


def test_what_shows_a_kept_answer_imports_nothing_to_estimate_with() -> None:
    """A question whose answer is kept has to cost no more than reading it."""
    commands = [f"monitor.cli.outlooks.{name}" for name in ("boxes", "forecast", "plan", "what_if")]
    shown_by = [f"monitor.presentation.{name}" for name in ("answers", "wording", "what_if_input")]
    planned_by = [f"monitor.planning.{name}" for name in ("due", "reasons", "recharge")]
    needed = [*commands, *shown_by, *planned_by, "monitor.cli.session", "monitor.cli.output", "monitor.store.opening"]
    program = "import sys, {}\nprint(*sys.modules)".format(", ".join(needed))
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=True)
    imported = set(done.stdout.split())
    assert set(needed) <= imported
    assert imported & {"scipy", "pandas", "monitor.inference", "monitor.desk", "icalendar"} == set()
