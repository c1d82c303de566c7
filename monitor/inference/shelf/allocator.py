"""Memory that one box lets go of is left to this process for the next: to give it back and take it again costs more."""

from __future__ import annotations

import contextlib
import ctypes
import sys
from functools import cache

_MMAP_THRESHOLD, _TRIM_THRESHOLD = -3, -1
"""M_MMAP_THRESHOLD and M_TRIM_THRESHOLD. [code, no unit] By definition: malloc.h of glibc, mallopt(3)."""
_LARGEST_BYTES = 2 * 2**20
"""Larger arrays are still the system's. [bytes] Judgement: the courses of a forecast take 0.7 million, and nothing that
each box needs anew is larger than they."""
_LEFT_BYTES = 8 * 2**20
"""So much that is free stays with the process. [bytes] Judgement: what a box needs at once. Measured: the night of a
box touched 460 pages anew, a seventh of its processor time; with this it touches none."""


@cache
def keep_freed_memory() -> None:
    """Ask the allocator for it, where it is one that knows of this."""
    if sys.platform != "linux":
        return
    with contextlib.suppress(OSError, AttributeError):  # another C library than glibc
        mallopt = ctypes.CDLL(None).mallopt
        mallopt(_MMAP_THRESHOLD, _LARGEST_BYTES)
        mallopt(_TRIM_THRESHOLD, _LEFT_BYTES)
