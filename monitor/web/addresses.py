"""Under which names and addresses other devices reach this machine, and a link as a code that a phone reads."""

from __future__ import annotations

import io
import ipaddress
import socket
from contextlib import suppress

import psutil
import segno

EVERY_ADDRESS = ("0.0.0.0", "::")


def names_of_this_machine() -> tuple[str, ...]:
    """Return its name, the same with '.local', and the addresses of its network interfaces."""
    name = socket.gethostname().lower()
    plain = name.removesuffix(".local")
    return (name, f"{plain}.local", *own_addresses())


def own_addresses() -> tuple[str, ...]:
    """Return the addresses that another device can open; first the one on the way to the rest of the world."""
    states = psutil.net_if_stats()
    found = [
        one.address
        for interface, addresses in psutil.net_if_addrs().items()
        for one in addresses
        if one.family in (socket.AF_INET, socket.AF_INET6) and interface in states and states[interface].isup
    ]
    usable = [address for address in found if "%" not in address and _is_reachable(address)]
    first = _way_out()
    return tuple(sorted(usable, key=lambda address: (address != first, ":" in address)))


def _is_reachable(address: str) -> bool:
    parsed = ipaddress.ip_address(address)
    return not (parsed.is_loopback or parsed.is_link_local or parsed.is_unspecified)


def _way_out() -> str:
    """Return the address that packets to elsewhere would bear; none is sent."""
    with suppress(OSError), socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        probe.connect(("192.0.2.1", 9))  # an address and a port for documentation (RFC 5737) and discarding (RFC 863)
        return str(probe.getsockname()[0])
    return ""


def in_address(host: str) -> str:
    """Return a host as it stands in an address of a page."""
    return f"[{host}]" if ":" in host else host


def as_code(link: str) -> str:
    """Return a link as a QR code of letters, for a terminal."""
    drawn = io.StringIO()
    segno.make(link, micro=False).terminal(drawn, compact=True, border=2)
    return drawn.getvalue()
