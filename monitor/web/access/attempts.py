"""How often somebody may guess a password or a pairing link before they have to wait."""

from __future__ import annotations

import ipaddress
import time
from collections import OrderedDict, deque
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Callable

_WITHIN_S = 60.0  # judgement: so far back do failures count
_MOST_OF_ONE = 5  # a count of failures; judgement: a person who types on a phone needs fewer
_MOST_OF_ALL = 30  # a count of failures; judgement: a household together makes fewer in a minute
_LOCKED_S = 120.0  # judgement: a person can wait so long, and a guesser gets 150 tries an hour
_MOST_ADDRESSES = 1000  # a count; judgement: more than a home network has, and little memory
_IPV6_HOUSEHOLD_BITS = 64  # one host may take any address of its network (RFC 4291, section 2.5.4)


@dataclass(slots=True)
class _Failures:
    at: deque[float]
    locked_until: float = 0.0

    def add(self, now: float) -> None:
        self.at.append(now)
        if len(self.at) == self.at.maxlen and now - self.at[0] <= _WITHIN_S:
            self.locked_until = now + _LOCKED_S
            self.at.clear()


@dataclass(eq=False)
class Attempts:
    """Failures of the last minute, by address and in all."""

    clock: Callable[[], float] = time.monotonic
    _by_address: OrderedDict[str, _Failures] = field(default_factory=OrderedDict)
    _all: _Failures = field(default_factory=lambda: _Failures(deque(maxlen=_MOST_OF_ALL)))

    def wait_s(self, address: str) -> float:
        """Return how long nobody at this address may try, 0 where they may."""
        theirs = self._by_address.get(_household(address))
        until = max(self._all.locked_until, theirs.locked_until if theirs else 0.0)
        return max(0.0, until - self.clock())

    def add(self, address: str) -> None:
        """Count an attempt as failed; it is counted before its answer is known, so that many at once gain nothing."""
        household, now = _household(address), self.clock()
        theirs = self._by_address.pop(household, None) or _Failures(deque(maxlen=_MOST_OF_ONE))
        self._by_address[household] = theirs
        while len(self._by_address) > _MOST_ADDRESSES:
            self._by_address.popitem(last=False)
        theirs.add(now)
        self._all.add(now)

    def succeeded(self, address: str) -> None:
        """Forget the failures of somebody who got it right."""
        theirs = self._by_address.pop(_household(address), None)
        for at in theirs.at if theirs else ():
            if at in self._all.at:
                self._all.at.remove(at)


def _household(address: str) -> str:
    try:
        parsed = ipaddress.ip_address(address.partition("%")[0])
    except ValueError:
        return address
    if isinstance(parsed, ipaddress.IPv6Address) and parsed.ipv4_mapped is None:
        return str(ipaddress.ip_network((parsed, _IPV6_HOUSEHOLD_BITS), strict=False))
    return str(parsed)
