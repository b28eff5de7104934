"""The two sockets of a node: one that hears the group, and one of its own that sends and hears answers.

The group's port is shared by every node on a host, and a datagram to a shared port from one peer to another reaches
only one of the sharers. So whatever is meant for one node goes to that node's own port, and all that a node sends comes
from there. Whoever answers the sender of a datagram answers the right process.
"""

from __future__ import annotations

import contextlib
import errno
import logging
import socket
import sys
from typing import Any, Final, TypeAlias

from leadlight.errors import ConfigurationError, NetworkError, check_kind, check_whole
from leadlight.net.families import family_of
from leadlight.net.interfaces import Interface, NetworkAbsentError, address_towards, resolve
from leadlight.net.timestamps import SocketOptions

_log = logging.getLogger(__name__)

SocketAddress: TypeAlias = Any
"""An address as the socket's family has it: of two parts, or of four with the scope of IPv6."""

DEFAULT_PORT = 62_409
"""In the dynamic range of RFC 6335, and above the ports that Linux hands out by itself (32768 to 60999)."""

EXPEDITED = 46
"""The code point of Expedited Forwarding (RFC 3246), by which a network may let beacons go first."""

RECEIVE_BUFFER_BYTES = 256 * 1024
"""Room for a stall of some seconds at the busiest: the leader of a large group."""

_WHAT_TO_DO = {
    errno.EADDRINUSE: "another program holds this port alone; stop it or choose another port",
    errno.EADDRNOTAVAIL: "this host has no such address; name one of its interfaces",
    errno.ENODEV: "no interface has a route for multicast; name an interface, or add a multicast route",
    errno.ENETUNREACH: "no route for multicast; name an interface, or connect to the network first",
    errno.EHOSTUNREACH: "the network refuses; on macOS allow this program to use the local network",
    errno.EACCES: "not permitted; allow this program to use the network",
    errno.EPERM: "not permitted; a firewall rule may forbid it",
    errno.ENOBUFS: "too many multicast memberships on this host; raise the system's limit",
}


_MAY_COME: Final = frozenset(
    {errno.EADDRNOTAVAIL, errno.ENODEV, errno.ENETUNREACH, errno.EHOSTUNREACH, errno.ENETDOWN, errno.ENXIO}
)
"""What a network that is not there yet leads to."""


def what_to_do(error: OSError, otherwise: str = "check the interface and its address") -> str:
    """Return what to do about an error of the network, for people; ``otherwise`` where nothing better is known."""
    return _WHAT_TO_DO.get(error.errno or 0, otherwise)


def check_port(port: int) -> None:
    """Raise ``ConfigurationError`` unless a group can have this port."""
    check_whole("port", port, 1, 65_535, "1 to 65535")


def check_address(host: str, port: int) -> None:
    """Raise ``ConfigurationError`` unless these can be a host's address or name, and a port."""
    allowed = 'a host\'s address or name, such as "192.168.1.20"'
    check_kind("host", host, str, allowed)
    if not host.isascii() or not host.isprintable() or not host.strip() or " " in host:
        raise ConfigurationError("host", host, allowed)
    check_port(port)


def check_ports(port: int, own_port: int) -> None:
    """Raise ``ConfigurationError`` unless these are a group's port and a node's own, 0 for any that is free."""
    check_port(port)
    check_whole("own_port", own_port, 0, 65_535, "0 to 65535")
    if own_port == port:
        raise ConfigurationError("own_port", own_port, "0 to 65535, and not the group's port")


def check_ip_version(ip_version: int | None) -> None:
    """Raise ``ConfigurationError`` unless this is a version of the Internet Protocol, or ``None`` for either."""
    if ip_version not in (None, 4, 6):
        raise ConfigurationError("ip_version", ip_version, "4, 6, or None for what the interface has")


def check_dscp(dscp: int) -> None:
    """Raise ``ConfigurationError`` unless datagrams can be marked so."""
    check_whole("dscp", dscp, 0, 63, "a code point of RFC 2474, 0 to 63; 0 marks nothing")


def raise_receive_buffer(endpoint: SocketOptions, wanted_bytes: int) -> int:
    """Make the receive buffer at least ``wanted_bytes`` if it is smaller; never shrink it.

    Returns the size granted as the system counts it, which may be less than was wanted.
    """
    before = endpoint.getsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF)
    if before >= wanted_bytes:
        return before
    with contextlib.suppress(OSError):  # some systems refuse what is above their limit, others cut it down
        endpoint.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, wanted_bytes)
    return endpoint.getsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF)


class GroupSockets:
    """The bound sockets of one node, non-blocking. A context manager that closes them.

    ``group`` is the group's name, ``port`` its shared UDP port, ``own_port`` this node's own, 0 for any that
    is free. ``interface`` is a name or an address of this host; loopback is allowed; by default the
    system's multicast route decides. ``ip_version``: 4 or 6; by default 4 where the interface has such an address, and
    else 6. ``dscp`` marks what is sent, for networks that heed it (RFC 2474); where the
    system refuses that is logged, and 0 marks nothing.

    Raises ``NetworkError`` saying what failed, where, and what to do about it.
    """

    def __init__(
        self,
        group: str,
        *,
        port: int = DEFAULT_PORT,
        interface: str | None = None,
        own_port: int = 0,
        dscp: int = EXPEDITED,
        ip_version: int | None = None,
    ) -> None:
        check_ports(port, own_port)
        check_dscp(dscp)
        self._named, self._ip_version, self._group = interface, ip_version, group
        self.interface: Interface = resolve(interface, ip_version)
        self._family = family_of(self.interface)
        self.group_destination: SocketAddress = self._family.destination(group, port)
        """Where a datagram to the group goes."""
        self._leaves_from = address_towards(self.group_destination, self.interface)
        if interface is None and self._leaves_from is None:
            place = f"group {self.group_destination[0]} port {port} on {self.interface.label}"
            advice = what_to_do(OSError(errno.ENETUNREACH, ""))
            raise NetworkAbsentError(f"cannot use {place}: nothing leads there; {advice}")
        self._own_port = own_port
        self._open: list[socket.socket] = []
        try:
            self.own = self._bind_own()
            self.shared = self._bind_shared()
        except OSError as error:
            self.close()
            if isinstance(error, NetworkError):
                raise
            raise self._explain(error) from error
        self._raise_buffers()
        self.is_marked = dscp > 0 and self._mark(dscp)
        """Whether what is sent is marked for priority, as far as the system says."""

    def _mark(self, dscp: int) -> bool:
        try:
            for endpoint in self._open:
                self._family.mark(endpoint, dscp)
        except OSError as error:
            _log.warning("datagrams are not marked for priority (DSCP %d): %s", dscp, error.strerror or error)
            return False
        return True

    def _new_socket(self) -> socket.socket:
        endpoint = socket.socket(self._family.socket_family, socket.SOCK_DGRAM)
        self._open.append(endpoint)
        endpoint.setblocking(False)
        return endpoint

    def _bind_own(self) -> socket.socket:
        own = self._new_socket()
        self._family.prepare_sender(own)
        own.bind(self._family.own_place(self._own_port))
        return own

    def _bind_shared(self) -> socket.socket:
        shared = self._new_socket()
        shared.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        if sys.platform != "linux" and hasattr(socket, "SO_REUSEPORT"):
            # BSD and macOS want this one; on Linux it would also demand that all sharers belong to one user.
            shared.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEPORT, 1)
        self._family.prepare_hearer(shared)
        if sys.platform == "win32":
            shared.bind(self._family.anywhere(self.group_destination[1]))
        else:
            # Bound to the group's address, it hears nothing that was sent to another group or to the host
            # alone.
            shared.bind(self.group_destination)
        self._family.join(shared, self._group)
        return shared

    def _raise_buffers(self) -> None:
        granted = min(raise_receive_buffer(endpoint, RECEIVE_BUFFER_BYTES) for endpoint in self._open)
        self.receive_buffer_bytes = granted
        """What each of the two receive buffers holds at least, as the system counts it."""
        if granted < RECEIVE_BUFFER_BYTES:
            _log.warning(
                "the receive buffer is %d bytes, %d were asked for: datagrams may be lost while the player"
                " is busy; raise the system's limit (Linux: net.core.rmem_max)",
                granted,
                RECEIVE_BUFFER_BYTES,
            )

    def join_again(self) -> bool:
        """Leave the group and join it once more; return whether that worked.

        The join sends a fresh membership report. Switches forget members that nobody asks about (RFC
        4541), and an interface that was replaced takes the membership with it without telling the socket.
        """
        with contextlib.suppress(OSError):  # it was gone already, which is what this is for
            self._family.leave(self.shared, self._group)
        try:
            self._family.join(self.shared, self._group)
        except OSError:
            return False
        return True

    @property
    def leaves_from(self) -> str | None:
        """The address that datagrams to the group leave from, where it is known."""
        return self._leaves_from

    def look(self) -> bool:
        """Return whether interface and address are those that the sockets were bound to.

        Raises ``NetworkAbsentError`` where they are gone.
        """
        interface = resolve(self._named, self._ip_version)
        leaves_from = address_towards(self.group_destination, interface)
        if leaves_from is None:
            raise NetworkAbsentError(f"nothing leads to group {self.group_destination[0]} any more")
        return (interface, leaves_from) == (self.interface, self._leaves_from)

    def close(self) -> None:
        """Close both sockets; harmless when called twice."""
        while self._open:
            self._open.pop().close()

    def __enter__(self) -> GroupSockets:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def _explain(self, error: OSError) -> NetworkError:
        address, port, *_ = self.group_destination
        advice = what_to_do(error)
        reason = error.strerror or str(error)
        own = f", own port {self._own_port}," if self._own_port else ""
        place = f"group {address} port {port}{own} on {self.interface.label}"
        kind = NetworkAbsentError if error.errno in _MAY_COME else NetworkError
        return kind(f"cannot use {place}: {reason}; {advice}")
