"""Virtual sockets: one host's UDP on the modelled network, as an asyncio program sees it.

Each host has one IPv4 address and is known by its name as well. What it sends to its own groups comes back to it, and
what it sends to itself stays there, as on a real host. Datagrams cross the air as payloads with ports beside them, so
that they take the airtime they would take.
"""

from __future__ import annotations

import asyncio
import errno
import ipaddress
import os
import socket
from collections import deque
from collections.abc import Callable, Sequence
from functools import cache
from typing import Any, Final

Endpoint = tuple[str, int]
"""An IPv4 address and a port."""

FIRST_FREE_PORT: Final = 49_152
"""The dynamic range of RFC 6335 begins here."""
LARGEST_PAYLOAD_BYTES: Final = 65_507
"""Of UDP over IPv4: 65,535 less the two headers."""
ANY_ADDRESS: Final = "0.0.0.0"


class Datagram(bytes):
    """A payload with the two ends it is meant for; the air sees bytes."""

    source: Endpoint
    destination: Endpoint


def make_datagram(data: bytes, source: Endpoint, destination: Endpoint) -> Datagram:
    """Return a payload with its two ends."""
    datagram = Datagram(data)
    datagram.source, datagram.destination = source, destination
    return datagram


@cache
def _parsed(address: str) -> ipaddress.IPv4Address | None:
    try:
        return ipaddress.IPv4Address(address)
    except ValueError:
        return None


def is_group(address: str) -> bool:
    """Return whether an IPv4 address is that of a group."""
    parsed = _parsed(address)
    return parsed is not None and parsed.is_multicast


def _error(number: int) -> OSError:
    return OSError(number, os.strerror(number))


class VirtualSocket:
    """One bound UDP socket; the part of a socket's methods that datagrams need. It never blocks."""

    def __init__(self, stack: Stack, bound_to: Endpoint) -> None:
        self._stack = stack
        self._bound_to = bound_to
        self._arrived: deque[tuple[bytes, Endpoint]] = deque()
        self._read: Callable[[], object] | None = None
        self._call_soon: Callable[[Callable[[], None]], object] | None = None
        self._is_told = False
        self._is_closed = False

    def fileno(self) -> int:
        """Return -1: the system knows nothing of it."""
        return -1

    def getsockname(self) -> Endpoint:
        """Return what it is bound to."""
        return self._bound_to

    def setsockopt(self, level: int, option: int, value: int | bytes, /) -> None:
        """Do nothing."""

    def getsockopt(self, level: int, option: int, /) -> int:  # noqa: ARG002
        """Return 0."""
        return 0

    def sendto(self, data: bytes, destination: Endpoint, /) -> int:
        """Send a datagram to an address or a host's name; raises ``OSError`` as a real socket does."""
        if self._is_closed:
            raise _error(errno.EBADF)
        if len(data) > LARGEST_PAYLOAD_BYTES:
            raise _error(errno.EMSGSIZE)
        self._stack.send(data, self._bound_to[1], self._stack.resolve(destination))
        return len(data)

    def recvfrom(self, room: int, /) -> tuple[bytes, Endpoint]:
        """Return the oldest datagram, cut to ``room`` bytes, and its source; raises ``BlockingIOError``."""
        if self._is_closed:
            raise _error(errno.EBADF)
        if not self._arrived:
            raise BlockingIOError(errno.EAGAIN, os.strerror(errno.EAGAIN))
        data, source = self._arrived.popleft()
        return data[:room], source

    def recvmsg(self, room: int, ancillary_room: int, /) -> tuple[bytes, Sequence[Any], int, Endpoint]:  # noqa: ARG002
        """Return the oldest datagram and its source; the system says nothing more of it."""
        data, source = self.recvfrom(room)
        return data, (), 0, source

    def close(self) -> None:
        """Close it; harmless when called twice."""
        self._is_closed = True
        self._arrived.clear()
        self.unwatch()
        self._stack.forget(self)

    # -- the loop's side and the network's -------------------------------------------------------------------------

    def watch(self, read: Callable[[], object], call_soon: Callable[[Callable[[], None]], object]) -> None:
        """Let ``read`` be called, by way of ``call_soon``, for as long as there is something to read."""
        self._read, self._call_soon = read, call_soon
        self._tell()

    def unwatch(self) -> bool:
        """Stop that; return whether it was watched."""
        was_watched = self._read is not None
        self._read = self._call_soon = None
        return was_watched

    def put(self, datagram: Datagram) -> None:
        """Take a datagram from the network."""
        self._arrived.append((bytes(datagram), datagram.source))
        self._tell()

    def _tell(self) -> None:
        if self._arrived and self._call_soon is not None and not self._is_told:
            self._is_told = True
            self._call_soon(self._on_readable)

    def _on_readable(self) -> None:
        self._is_told = False
        if self._arrived and self._read is not None:
            self._read()
        self._tell()


class Stack:
    """One host's sockets, for one life of its program.

    ``to_network`` sends a datagram to the host at an address, or to all for ``None``; ``to_self`` brings one back to
    this host; ``report_membership`` is called whenever a group is joined. ``addresses`` are the network's hosts by
    name.
    """

    def __init__(
        self,
        address: str,
        addresses: dict[str, str],
        to_network: Callable[[Datagram, str | None], None],
        to_self: Callable[[Datagram], None],
        report_membership: Callable[[], None],
    ) -> None:
        self.address = address
        self.is_mute = False
        """Set when the power goes: what is still sent goes nowhere."""
        self._addresses = addresses
        self._to_network = to_network
        self._to_self = to_self
        self.report_membership = report_membership
        self._bound: dict[int, VirtualSocket] = {}
        self._members: dict[VirtualSocket, Endpoint] = {}
        self._next_port = FIRST_FREE_PORT

    @property
    def is_open(self) -> bool:
        """Whether any socket is."""
        return bool(self._bound or self._members)

    def bind(self, port: int = 0, host: str | None = None) -> VirtualSocket:
        """Return a socket of this host's own, on any free port for 0. Raises ``OSError`` if it cannot be."""
        if host not in (None, "", ANY_ADDRESS) and not self._is_self(self.resolve((host or "", port))[0]):
            raise _error(errno.EADDRNOTAVAIL)
        if not port:
            while self._next_port in self._bound:
                self._next_port += 1
            port = self._next_port
            self._next_port += 1
        if port in self._bound:
            raise _error(errno.EADDRINUSE)
        self._bound[port] = made = VirtualSocket(self, (self.address, port))
        return made

    def join(self, group: Endpoint) -> VirtualSocket:
        """Return a socket that hears a group; any number may share it."""
        made = VirtualSocket(self, group)
        self._members[made] = group
        self.report_membership()
        return made

    def forget(self, closed: VirtualSocket) -> None:
        """Let go of a socket."""
        self._members.pop(closed, None)
        port = closed.getsockname()[1]
        if self._bound.get(port) is closed:
            del self._bound[port]

    def resolve(self, place: Endpoint) -> Endpoint:
        """Return a place with its address for its name. Raises ``socket.gaierror`` for a name nobody has."""
        host, port = place[0], place[1]
        address = "127.0.0.1" if host == "localhost" else self._addresses.get(host, host)
        if _parsed(address) is None:
            known = ", ".join(self._addresses)
            raise socket.gaierror(socket.EAI_NONAME, f"no host {host!r} on this network; there are {known}")
        return address, port

    def send(self, data: bytes, port: int, destination: Endpoint) -> None:
        """Send from one of this host's ports."""
        if self.is_mute:
            return
        datagram = make_datagram(data, (self.address, port), destination)
        if is_group(destination[0]):
            if destination in self._members.values():
                self._to_self(datagram)
            self._to_network(datagram, None)
        elif self._is_self(destination[0]):
            self._to_self(datagram)
        else:
            self._to_network(datagram, destination[0])

    def receivers_of(self, datagram: Datagram) -> list[VirtualSocket]:
        """Return the sockets that a datagram is meant for."""
        address, port = datagram.destination
        if is_group(address):
            return [member for member, group in self._members.items() if group == datagram.destination]
        return [self._bound[port]] if port in self._bound else []

    def _is_self(self, address: str) -> bool:
        parsed = _parsed(address)
        return address == self.address or (parsed is not None and parsed.is_loopback)


class NodeSockets:
    """The two sockets of an endpoint: one that hears the group, and one of its own."""

    def __init__(self, stack: Stack, group: Endpoint, own_port: int) -> None:
        self.group_destination = group
        self._stack = stack
        self.own = stack.bind(own_port)
        self.shared = stack.join(group)

    def join_again(self) -> bool:
        """Report the membership once more; return true."""
        self._stack.report_membership()
        return True

    def close(self) -> None:
        """Close both; harmless when called twice."""
        self.own.close()
        self.shared.close()


class VirtualTransport(asyncio.DatagramTransport):
    """A datagram endpoint's transport over a virtual socket."""

    def __init__(
        self,
        loop: asyncio.AbstractEventLoop,
        endpoint: VirtualSocket,
        protocol: asyncio.DatagramProtocol,
        remote: Endpoint | None,
    ) -> None:
        extra: dict[str, Any] = {"socket": endpoint, "sockname": endpoint.getsockname()}
        if remote is not None:
            extra["peername"] = remote
        super().__init__(extra)
        self._loop = loop
        self._endpoint = endpoint
        self._protocol: asyncio.BaseProtocol = protocol
        self._datagrams = protocol
        self._remote = remote
        self._is_closing = False
        loop.call_soon(protocol.connection_made, self)
        loop.call_soon(self._begin_reading)

    def sendto(self, data: Any, addr: Any = None) -> None:
        """Send a datagram; what the network refuses is told to the protocol."""
        destination = self._remote if addr is None else addr
        if destination is None or (self._remote is not None and addr not in (None, self._remote)):
            raise ValueError(f"cannot send to {addr!r}: this endpoint's peer is {self._remote!r}")
        if self._is_closing:
            return
        try:
            self._endpoint.sendto(bytes(data), destination)
        except OSError as error:
            self._datagrams.error_received(error)

    def get_protocol(self) -> asyncio.BaseProtocol:
        """Return the protocol."""
        return self._protocol

    def set_protocol(self, protocol: asyncio.BaseProtocol) -> None:
        """Set the protocol."""
        assert isinstance(protocol, asyncio.DatagramProtocol)
        self._protocol = self._datagrams = protocol

    def is_closing(self) -> bool:
        """Return whether it is closed or about to be."""
        return self._is_closing

    def close(self) -> None:
        """Close it."""
        if not self._is_closing:
            self._is_closing = True
            self._endpoint.close()
            self._loop.call_soon(self._datagrams.connection_lost, None)

    def abort(self) -> None:
        """Close it."""
        self.close()

    def _begin_reading(self) -> None:
        if not self._is_closing:
            self._loop.add_reader(self._endpoint, self._take)

    def _take(self) -> None:
        data, source = self._endpoint.recvfrom(LARGEST_PAYLOAD_BYTES)
        # A connected socket hears its peer alone.
        if self._remote is None or source == self._remote:
            self._datagrams.datagram_received(data, source)
