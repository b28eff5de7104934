"""When a datagram arrived, as the kernel saw it, told on this node's own clock.

Without the kernel's stamp a datagram that waited in the socket while the player was busy looks newly arrived. The
kernel stamps with wall time (socket(7), SO_TIMESTAMPNS), so only its *age* at the moment of reading is used. Wall time
may be wrong by weeks and stepped at will without any effect, unless the step falls inside that short wait.
"""

from __future__ import annotations

import socket
import struct
import sys
import time
from collections.abc import Callable, Sequence
from typing import Any, Protocol, TypeAlias

from leadlight.units import SECOND, LocalInstant

AGE_MAXIMUM_NS = 10 * SECOND
"""A datagram that seems to have waited longer is taken as just arrived: the wall clock was stepped."""

# From the kernel's asm-generic/socket.h; Python names none of them. A few processor families number them
# otherwise, and there the option is refused or nothing comes with the datagram, which is noticed.
_SO_TIMESTAMPNS = 35
_TIMESPEC = struct.Struct("@ll")
_ANCILLARY_BYTES = 64

DATAGRAM_ROOM_BYTES = 2048
"""More than any datagram of the protocol, so that a longer one is seen to be too long and not cut to fit."""

AncillaryData: TypeAlias = Sequence[tuple[int, int, bytes]]


class SocketOptions(Protocol):
    """The part of a socket that setting options needs."""

    def setsockopt(self, level: int, option: int, value: int | bytes, /) -> None:
        """Set one option."""

    def getsockopt(self, level: int, option: int, /) -> int:
        """Return one option."""


class DatagramSocket(SocketOptions, Protocol):
    """The part of a socket that a node's driver uses: non-blocking, one datagram at a time."""

    def fileno(self) -> int:
        """Return the number by which the loop knows it."""

    def sendto(self, data: bytes, destination: Any, /) -> int:
        """Send a datagram; raises ``BlockingIOError`` where it cannot leave now."""

    def recvmsg(self, room: int, ancillary_room: int, /) -> tuple[bytes, AncillaryData, int, Any]:
        """Return a datagram, what the system says of it, flags, and its source; raises ``BlockingIOError``."""

    def recvfrom(self, room: int, /) -> tuple[bytes, Any]:
        """Return a datagram and its source; raises ``BlockingIOError``."""


def enable_kernel_stamps(endpoint: SocketOptions) -> bool:
    """Ask the kernel to stamp what this socket receives; return whether it will."""
    if not sys.platform.startswith("linux"):
        return False
    try:
        endpoint.setsockopt(socket.SOL_SOCKET, _SO_TIMESTAMPNS, 1)
    except OSError:
        return False
    return True


def receive(endpoint: DatagramSocket) -> tuple[bytes, AncillaryData, Any]:
    """Read one datagram without waiting; return it, what the kernel says of it, and its source.

    Raises ``BlockingIOError`` when there is none and ``OSError`` for what the network reports instead of one.
    """
    if not hasattr(endpoint, "recvmsg"):  # Windows
        data, source = endpoint.recvfrom(DATAGRAM_ROOM_BYTES)
        return data, (), source
    data, ancillary, _, source = endpoint.recvmsg(DATAGRAM_ROOM_BYTES, _ANCILLARY_BYTES)
    return data, ancillary, source


def has_stamp(ancillary: AncillaryData) -> bool:
    """Return whether the kernel has stamped a datagram."""
    return any(_is_stamp(level, kind, data) for level, kind, data in ancillary)


def _is_stamp(level: int, kind: int, data: bytes) -> bool:
    return level == socket.SOL_SOCKET and kind == _SO_TIMESTAMPNS and len(data) >= _TIMESPEC.size


def arrival(
    ancillary: AncillaryData,
    clock: Callable[[], LocalInstant],
    wall_clock: Callable[[], int] = time.time_ns,
) -> LocalInstant:
    """Return when a datagram arrived: now by ``clock``, less the age that its ancillary data shows.

    Returns now if there is no stamp or its age is negative or absurd.
    """
    for level, kind, data in ancillary:
        if _is_stamp(level, kind, data):
            whole_seconds, nanoseconds = _TIMESPEC.unpack(data[: _TIMESPEC.size])
            # Read once for nothing: a program that was idle fetches all that reading takes, which would lie between
            # the two readings that count.
            clock()
            # In this order a pause between the two readings makes the datagram look late, which does little harm, and
            # never early, which would: the clock's estimator believes the early ones.
            wall_now = wall_clock()
            now = clock()
            age_ns = wall_now - (whole_seconds * SECOND + nanoseconds)
            return LocalInstant(now - age_ns) if 0 <= age_ns <= AGE_MAXIMUM_NS else now
    return clock()
