"""The two sockets of a node: one that hears the group, and one of its own that sends and hears answers.

The group's port is shared by every node on a host, and a datagram to a shared port from one peer to
another reaches only one of the sharers. So whatever is meant for one node goes to that node's own port,
and all that a node sends comes from there: whoever answers the sender of a datagram answers the right
process.
"""

from __future__ import annotations

import contextlib
import errno
import logging
import socket
import sys
from hashlib import blake2s
from typing import Final, TypeAlias

from leadlight.errors import ConfigurationError, NetworkError, check_kind, check_whole
from leadlight.net.interfaces import ANY_ADDRESS, Interface, NetworkAbsentError, address_towards, resolve
from leadlight.net.timestamps import SocketOptions

_log = logging.getLogger(__name__)

SocketAddress: TypeAlias = tuple[str, int]

DEFAULT_PORT = 62_409
"""In the dynamic range of RFC 6335, and above the ports that Linux hands out by itself (32768 to 60999)."""

HOP_LIMIT = 1
"""Beacons stay on their own network segment."""

EXPEDITED = 46
"""The code point of Expedited Forwarding (RFC 3246), by which a network may let beacons go first."""

RECEIVE_BUFFER_BYTES = 256 * 1024
"""Room for a stall of some seconds at the busiest: the leader of a large group."""

_ORGANISATION_LOCAL = 0xEFC0_0000  # 239.192.0.0, the IPv4 Organization Local Scope of RFC 2365
_ORGANISATION_LOCAL_SIZE = 1 << 18
_RESERVED_SIZE = 1 << 8  # RFC 2365, section 9: the top 256 of a scope are reserved for relative assignment

# Linux ip(7): hear only the groups this socket joined, not every group that anyone on the host joined.
_LINUX_IP_MULTICAST_ALL = 49

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


def group_address(group: str) -> str:
    """Return the IPv4 multicast address of a group's name.

    It lies in 239.192.0.0/14 (RFC 2365), which is clear of the sACN range (ANSI E1.31: 239.255/16), and
    outside the scope's reserved top 256. Ethernet keeps only the low 23 bits of a group (RFC 1112, section
    6.4); in this range they begin with 64 to 67, so that none looks like 224.0.0.x, which switches flood.
    """
    digest = blake2s(group.encode(), digest_size=8, person=b"address").digest()
    index = int.from_bytes(digest, "big") % (_ORGANISATION_LOCAL_SIZE - _RESERVED_SIZE)
    return socket.inet_ntoa((_ORGANISATION_LOCAL + index).to_bytes(4, "big"))


def check_ports(port: int, own_port: int) -> None:
    """Raise ``ConfigurationError`` unless these are a group's port and a node's own, 0 for any that is free."""
    check_port(port)
    check_whole("own_port", own_port, 0, 65_535, "0 to 65535")
    if own_port == port:
        raise ConfigurationError("own_port", own_port, "0 to 65535, and not the group's port")


def check_dscp(dscp: int) -> None:
    """Raise ``ConfigurationError`` unless datagrams can be marked so."""
    check_whole("dscp", dscp, 0, 63, "a code point of RFC 2474, 0 to 63; 0 marks nothing")


def set_multicast_option(endpoint: SocketOptions, option: int, value: int) -> None:
    """Set the multicast hop limit or loop option as one byte, or as an int where one byte is refused.

    BSD kernels insist on a byte and some others on an int. Raises ``ConfigurationError`` outside 0 to 255
    before any system call: kernels read -1 as 1 and do not say so.
    """
    if not 0 <= value <= 255:
        raise ConfigurationError("multicast option", value, "0 to 255")
    try:
        endpoint.setsockopt(socket.IPPROTO_IP, option, bytes((value,)))
    except OSError:
        endpoint.setsockopt(socket.IPPROTO_IP, option, value)


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
    is free. ``interface`` is a name or an IPv4 address of this host; loopback is allowed; by default the
    system's multicast route decides. ``dscp`` marks what is sent, for networks that heed it (RFC 2474); where the
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
    ) -> None:
        check_ports(port, own_port)
        check_dscp(dscp)
        self.group_destination: SocketAddress = (group_address(group), port)
        """Where a datagram to the group goes."""
        self._named = interface
        self.interface: Interface = resolve(interface)
        self._leaves_from = address_towards(self.group_destination, self.interface)
        if interface is None and self._leaves_from is None:
            said = "no interface has a route for multicast; connect to the network, or name an interface"
            raise NetworkAbsentError(said)
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
                # The code point is the upper six bits of what was once the type of service (RFC 2474, section 3).
                endpoint.setsockopt(socket.IPPROTO_IP, socket.IP_TOS, dscp << 2)
        except OSError as error:
            _log.warning("datagrams are not marked for priority (DSCP %d): %s", dscp, error.strerror or error)
            return False
        return True

    def _new_socket(self) -> socket.socket:
        endpoint = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        self._open.append(endpoint)
        endpoint.setblocking(False)
        return endpoint

    def _bind_own(self) -> socket.socket:
        own = self._new_socket()
        own.setsockopt(socket.IPPROTO_IP, socket.IP_MULTICAST_IF, self.interface.sender())
        set_multicast_option(own, socket.IP_MULTICAST_TTL, HOP_LIMIT)
        # On, so that nodes on one host hear each other. One's own copies are known by what is in them.
        set_multicast_option(own, socket.IP_MULTICAST_LOOP, 1)
        own.bind((self.interface.address, self._own_port))
        return own

    def _bind_shared(self) -> socket.socket:
        shared = self._new_socket()
        shared.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        if sys.platform != "linux" and hasattr(socket, "SO_REUSEPORT"):
            # BSD and macOS want this one; on Linux it would also demand that all sharers belong to one user.
            shared.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEPORT, 1)
        if sys.platform == "linux":
            shared.setsockopt(socket.IPPROTO_IP, _LINUX_IP_MULTICAST_ALL, 0)
        if sys.platform == "win32":
            # Loopback is the receiver's option there.
            set_multicast_option(shared, socket.IP_MULTICAST_LOOP, 1)
            shared.bind((ANY_ADDRESS, self.group_destination[1]))
        else:
            # Bound to the group's address, it hears nothing that was sent to another group or to the host
            # alone.
            shared.bind(self.group_destination)
        shared.setsockopt(socket.IPPROTO_IP, socket.IP_ADD_MEMBERSHIP, self._membership())
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

    def _membership(self) -> bytes:
        return self.interface.membership(self.group_destination[0])

    def join_again(self) -> bool:
        """Leave the group and join it once more; return whether that worked.

        The join sends a fresh membership report. Switches forget members that nobody asks about (RFC
        4541), and an interface that was replaced takes the membership with it without telling the socket.
        """
        with contextlib.suppress(OSError):  # it was gone already, which is what this is for
            self.shared.setsockopt(socket.IPPROTO_IP, socket.IP_DROP_MEMBERSHIP, self._membership())
        try:
            self.shared.setsockopt(socket.IPPROTO_IP, socket.IP_ADD_MEMBERSHIP, self._membership())
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
        interface = resolve(self._named)
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
        address, port = self.group_destination
        advice = what_to_do(error)
        reason = error.strerror or str(error)
        own = f", own port {self._own_port}," if self._own_port else ""
        place = f"group {address} port {port}{own} on {self.interface.label}"
        kind = NetworkAbsentError if error.errno in _MAY_COME else NetworkError
        return kind(f"cannot use {place}: {reason}; {advice}")
