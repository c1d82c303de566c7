"""Hashing of the page's password, which is slow on purpose."""

from __future__ import annotations

from argon2 import PasswordHasher
from argon2.exceptions import Argon2Error, InvalidHashError

from monitor.errors import TypedError
from monitor.texts import say

SHORTEST = 8
"""A count of characters. A judgement: the least that NIST SP 800-63B, section 5.1.1.2, asks for."""
LONGEST = 1000  # a count of characters; judgement: no phrase is longer, and hashing more would cost time
# KiB, passes and lanes: the least memory that is advised (OWASP Password Storage Cheat Sheet, 2025), for small machines
_HASHER = PasswordHasher(memory_cost=19_456, time_cost=2, parallelism=1)


def hashed(password: str) -> str:
    """Return what is kept of a password.

    Raises
    ------
    TypedError
        Where it is too short or too long.
    """
    if not SHORTEST <= len(password) <= LONGEST:
        raise TypedError(
            say(
                "a password of {count} characters won't do: use {shortest} to {longest}",
                count=len(password),
                shortest=SHORTEST,
                longest=LONGEST,
            )
        )
    return _HASHER.hash(password)


def is_right(password: str, kept: str) -> bool:
    """Return whether this is the password."""
    try:
        return bool(kept) and len(password) <= LONGEST and _HASHER.verify(kept, password)
    except (Argon2Error, InvalidHashError):
        return False
