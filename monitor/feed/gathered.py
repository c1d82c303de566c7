"""paho with its system calls gathered: a large read for many packets, one write for many acknowledgments.

paho 2.x reads a packet in three system calls and writes each acknowledgment in one. Its two methods next to the socket
are private; should a later paho call them otherwise, what is here is simply not used and all goes on, only slower.
"""

from __future__ import annotations

import select
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any

from paho.mqtt import client as paho

if TYPE_CHECKING:
    from collections.abc import Iterator

_READ_BYTES = 256 * 1024
_WRITE_WITHIN_S = 30.0


class GatheringClient(paho.Client):
    """Reads ahead, and holds writes back where asked to."""

    def __init__(self, *args: Any, **more: Any) -> None:
        super().__init__(*args, **more)
        self._unread = b""
        self._read_to = 0
        self._held: bytearray | None = None

    @property
    def has_unread(self) -> bool:
        """Whether bytes were read that no packet was made of yet."""
        return self._read_to < len(self._unread)

    def forget_unread(self) -> None:
        """Drop what an ended connection left behind."""
        self._unread, self._read_to = b"", 0

    @contextmanager
    def gathered_writes(self) -> Iterator[None]:
        """Write what the body sends in one go at its end."""
        self._held = bytearray()
        try:
            yield
        finally:
            held, self._held = self._held, None
            self._write_out(memoryview(held))

    def _sock_recv(self, bufsize: int) -> bytes:
        if not self.has_unread:
            self._unread, self._read_to = super()._sock_recv(_READ_BYTES), 0
        part = self._unread[self._read_to : self._read_to + bufsize]
        self._read_to += len(part)
        return part

    def _sock_send(self, buf: bytes | bytearray) -> int:
        if self._held is None:
            return super()._sock_send(buf)
        self._held += buf
        return len(buf)

    def _write_out(self, left: memoryview) -> None:
        while left and (socket := self.socket()):
            try:
                left = left[super()._sock_send(bytes(left)) :]
            except BlockingIOError:
                if not select.select([], [socket], [], _WRITE_WITHIN_S)[1]:
                    return
            except OSError:
                return  # the connection is gone; the next read finds out
