"""For tests of what is compiled: skipped where there was no compiler, a failure in CI, which has one."""

from __future__ import annotations

import os

import pytest

from monitor.inference.model import compiled_run
from monitor.physics.compiled import filter_kernel


def require_compiled_filter() -> None:
    kernel, why_not = filter_kernel()
    if kernel is None:
        reason = f"the compiled filter is not used: {why_not}"
        if os.environ.get("CI"):
            pytest.fail(reason)
        pytest.skip(reason)


def take_filter(path: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """Filter by what is compiled, or by 'numpy'."""
    if path == "numpy":
        monkeypatch.setattr(compiled_run, "filter_kernel", lambda: (None, "left aside by a test"))
    else:
        require_compiled_filter()
