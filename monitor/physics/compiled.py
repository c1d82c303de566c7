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
KERNEL = "monitor.inference.model.filter_kernel"
SOURCES = "physics/balance_step.pxd", "inference/model/filter_kernel.pyx"
"""What it is compiled from, below ``monitor``."""
_PACKAGE = Path(__file__).resolve().parent.parent


@cache
def filter_kernel() -> tuple[Any, str]:
    """Return the compiled filter, or None and why not.

    >>> module, reason = filter_kernel()
    >>> (module is None) == bool(reason)
    True
    """
    if os.environ.get(SWITCH, "").strip() == "0":
        return None, f"switched off by {SWITCH}=0"
    try:
        module = import_module(KERNEL)
    except ImportError:
        return None, "not compiled when siccast was installed here"
    if module.sources_sha256 != sources_sha256(_PACKAGE):
        return None, "compiled from other sources than these"
    return module, ""


def sources_sha256(package: Path) -> str:
    """Return the fingerprint of the sources below a folder; what is compiled bears it, so a stale file is known."""
    together = hashlib.sha256()
    for source in SOURCES:
        path = package / source
        together.update(path.read_bytes() if path.exists() else b"")
    return together.hexdigest()
