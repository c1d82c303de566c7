"""For pytest: which lines each test runs and how long it takes; or, of the tests there are, only some, quickest first.

`MUTATION_RECORD` names the file to record into, one for each process; `MUTATION_CHOSEN` one with node ids to run.
"""

from __future__ import annotations

import json
import os
from pathlib import Path

import pytest

RECORD, CHOSEN = "MUTATION_RECORD", "MUTATION_CHOSEN"


class Recording:
    """Coverage under the name of the test that runs; import time counts for none."""

    def __init__(self, path: Path) -> None:
        from coverage import Coverage

        self._coverage = Coverage(
            data_file=str(path), data_suffix=str(os.getpid()), source=["monitor"], config_file=False
        )
        self._seconds: dict[str, float] = {}
        self._passed: set[str] = set()
        self._path = path
        self._coverage.start()

    @pytest.hookimpl(wrapper=True)
    def pytest_runtest_protocol(self, item: pytest.Item) -> object:
        self._coverage.switch_context(item.nodeid)
        try:
            return (yield)
        finally:
            self._coverage.switch_context("")

    def pytest_runtest_logreport(self, report: pytest.TestReport) -> None:
        self._seconds[report.nodeid] = self._seconds.get(report.nodeid, 0.0) + report.duration
        if report.when == "call" and report.passed:
            self._passed.add(report.nodeid)

    def pytest_unconfigure(self) -> None:
        self._coverage.stop()
        self._coverage.save()
        passed = {name: round(self._seconds[name], 3) for name in sorted(self._passed)}
        Path(f"{self._path}.{os.getpid()}.seconds").write_text(json.dumps(passed))


class Choice:
    """Runs the tests of a list in the order of the list."""

    def __init__(self, path: Path) -> None:
        self._order = {name: place for place, name in enumerate(json.loads(path.read_text()))}

    def pytest_collection_modifyitems(self, config: pytest.Config, items: list[pytest.Item]) -> None:
        left_out = [item for item in items if item.nodeid not in self._order]
        config.hook.pytest_deselected(items=left_out)
        items[:] = sorted(
            (item for item in items if item.nodeid in self._order), key=lambda item: self._order[item.nodeid]
        )


def pytest_configure(config: pytest.Config) -> None:
    from hypothesis import settings

    # the same examples each time, on a busy machine too: no test fails but by the change
    settings.register_profile("mutation", deadline=None, derandomize=True, database=None)
    settings.load_profile("mutation")
    if path := os.environ.get(RECORD):
        config.pluginmanager.register(Recording(Path(path)))
    if path := os.environ.get(CHOSEN):
        config.pluginmanager.register(Choice(Path(path)))
