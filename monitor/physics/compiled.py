"""What of the package is compiled, and whether it may be used here: same answers to rounding, several times sooner.

Where nothing could be compiled, where the sources changed since, or where ``SICCAST_COMPILED=0`` is set, the numpy code
beside each compiled function does the work.
"""

from __future__ import annotations

import hashlib
import os
from functools import cache
from importlib import import_module
from pathlib import Path
from typing import Any

SWITCH = "SICCAST_COMPILED"
"""Of the environment; 0 leaves compiled functions aside."""
FILTER, FORECAST = "monitor.inference.model.filter_kernel", "monitor.inference.answers.forecast_kernel"
"""The compiled modules: the filter through what was seen, and the steps of a forecast."""
KERNELS = FILTER, FORECAST
SOURCES = "physics/balance_step.pxd", "inference/model/filter_kernel.pyx", "inference/answers/forecast_kernel.pyx"
"""What they are compiled from, below ``monitor``."""
_PACKAGE = Path(__file__).resolve().parent.parent


@cache
def filter_kernel() -> tuple[Any, str]:
    """Return the compiled filter, or None and why not.

    >>> module, reason = filter_kernel()
    >>> (module is None) == bool(reason)
    True
    """
    return _kernel(FILTER)


@cache
def forecast_kernel() -> tuple[Any, str]:
    """Return the compiled steps of a forecast, or None and why not."""
    return _kernel(FORECAST)


def _kernel(name: str) -> tuple[Any, str]:
    if os.environ.get(SWITCH, "").strip() == "0":
        return None, f"switched off by {SWITCH}=0"
    try:
        module = import_module(name)
    except ImportError:
        return None, "not compiled when siccast was installed here"
    if module.sources_sha256 != sources_sha256(_PACKAGE):
        return None, "compiled from other sources than these"
    return module, ""


def sources_sha256(package: Path) -> str:
    """Return the fingerprint of all sources below a folder; what is compiled bears it, so a stale file is known."""
    together = hashlib.sha256()
    for source in SOURCES:
        path = package / source
        together.update(path.read_bytes() if path.exists() else b"")
    return together.hexdigest()
