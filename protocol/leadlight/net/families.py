"""What differs between the two families of addresses, IPv4 and IPv6: a group's address, and the options of sockets."""

from __future__ import annotations

import contextlib
import socket
import struct
import sys
from hashlib import blake2s
from typing import Any, Final, Protocol

from leadlight.errors import ConfigurationError
from leadlight.net.interfaces import ANY_ADDRESS, Interface
from leadlight.net.timestamps import SocketOptions

HOP_LIMIT = 1
"""Beacons stay on their own network segment."""

_ORGANISATION_LOCAL = 0xEFC0_0000  # 239.192.0.0, the IPv4 Organization Local Scope of RFC 2365
_ORGANISATION_LOCAL_SIZE = 1 << 18
_RESERVED_SIZE = 1 << 8  # RFC 2365, section 9: the top 256 of a scope are reserved for relative assignment

_TRANSIENT_LINK_LOCAL: Final = 0xFF12 << 112  # RFC 4291, section 2.7: not assigned for good, and for one link
_DYNAMIC: Final = 0x8000_0000  # RFC 3307, section 4.3: the upper half of group ids is for whoever needs one

# Linux ip(7) and ipv6(7): hear only the groups this socket joined, not every group that anyone on the host joined.
_LINUX_IP_MULTICAST_ALL = 49
_LINUX_IPV6_MULTICAST_ALL = 29


def _number(group: str) -> int:
    return int.from_bytes(blake2s(group.encode(), digest_size=8, person=b"address").digest(), "big")


def group_address(group: str) -> str:
    """Return the IPv4 multicast address of a group's name.

    It lies in 239.192.0.0/14 (RFC 2365), which is clear of the sACN range (ANSI E1.31: 239.255/16), and outside the
    scope's reserved top 256. Ethernet keeps only the low 23 bits of a group (RFC 1112, section 6.4). In this range they
    begin with 64 to 67, so that none looks like 224.0.0.x, which switches flood.
    """
    index = _number(group) % (_ORGANISATION_LOCAL_SIZE - _RESERVED_SIZE)
    return socket.inet_ntoa((_ORGANISATION_LOCAL + index).to_bytes(4, "big"))


def group_address_v6(group: str) -> str:
    """Return the IPv6 multicast address of a group's name: ``ff12::`` with a dynamic group id (RFC 3307)."""
    address = _TRANSIENT_LINK_LOCAL | _DYNAMIC | _number(group) % _DYNAMIC
    return socket.inet_ntop(socket.AF_INET6, address.to_bytes(16, "big"))


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


class Family(Protocol):
    """One family, on one interface."""

    socket_family: socket.AddressFamily

    def destination(self, group: str, port: int) -> Any:
        """Return where a datagram to the group goes."""

    def own_place(self, port: int) -> Any:
        """Return where a node's own socket is bound."""

    def anywhere(self, port: int) -> Any:
        """Return where the shared socket is bound where a group's address will not do."""

    def prepare_sender(self, own: SocketOptions) -> None:
        """Have a socket send to the group by the interface, no further than the segment, and to this host as well."""

    def prepare_hearer(self, shared: SocketOptions) -> None:
        """Have a socket hear the groups alone that it joins."""

    def join(self, shared: SocketOptions, group: str) -> None:
        """Join a group."""

    def leave(self, shared: SocketOptions, group: str) -> None:
        """Leave it."""

    def mark(self, endpoint: SocketOptions, dscp: int) -> None:
        """Mark what is sent (RFC 2474, section 3): the code point is the upper six bits of its byte."""


class IPv4:
    """IPv4 on one interface, or on the one that the system's routes lead to."""

    socket_family = socket.AF_INET

    def __init__(self, interface: Interface) -> None:
        self._interface = interface

    def destination(self, group: str, port: int) -> Any:
        """Return where a datagram to the group goes."""
        return group_address(group), port

    def own_place(self, port: int) -> Any:
        """Return where a node's own socket is bound."""
        return self._interface.address, port

    def anywhere(self, port: int) -> Any:
        """Return where the shared socket is bound where a group's address will not do."""
        return ANY_ADDRESS, port

    def prepare_sender(self, own: SocketOptions) -> None:
        """Have a socket send to the group by the interface."""
        own.setsockopt(socket.IPPROTO_IP, socket.IP_MULTICAST_IF, self._interface.sender())
        set_multicast_option(own, socket.IP_MULTICAST_TTL, HOP_LIMIT)
        # On, so that nodes on one host hear each other. One's own copies are known by what is in them.
        set_multicast_option(own, socket.IP_MULTICAST_LOOP, 1)

    def prepare_hearer(self, shared: SocketOptions) -> None:
        """Have a socket hear the groups alone that it joins."""
        if sys.platform == "linux":
            shared.setsockopt(socket.IPPROTO_IP, _LINUX_IP_MULTICAST_ALL, 0)
        if sys.platform == "win32":
            # Loopback is the receiver's option there.
            set_multicast_option(shared, socket.IP_MULTICAST_LOOP, 1)

    def join(self, shared: SocketOptions, group: str) -> None:
        """Join a group."""
        shared.setsockopt(socket.IPPROTO_IP, socket.IP_ADD_MEMBERSHIP, self._interface.membership(group_address(group)))

    def leave(self, shared: SocketOptions, group: str) -> None:
        """Leave it."""
        shared.setsockopt(
            socket.IPPROTO_IP, socket.IP_DROP_MEMBERSHIP, self._interface.membership(group_address(group))
        )

    def mark(self, endpoint: SocketOptions, dscp: int) -> None:
        """Mark what is sent."""
        endpoint.setsockopt(socket.IPPROTO_IP, socket.IP_TOS, dscp << 2)


class IPv6:
    """IPv6 on one interface, whose index is part of every address: a link-local one means nothing without it."""

    socket_family = socket.AF_INET6

    def __init__(self, interface: Interface) -> None:
        self._interface = interface

    def destination(self, group: str, port: int) -> Any:
        """Return where a datagram to the group goes."""
        return group_address_v6(group), port, 0, self._interface.index

    def own_place(self, port: int) -> Any:
        """Return where a node's own socket is bound."""
        return self._interface.address, port, 0, self._interface.index

    def anywhere(self, port: int) -> Any:
        """Return where the shared socket is bound where a group's address will not do."""
        return "::", port, 0, 0

    def prepare_sender(self, own: SocketOptions) -> None:
        """Have a socket send to the group by the interface."""
        own.setsockopt(socket.IPPROTO_IPV6, socket.IPV6_V6ONLY, 1)
        own.setsockopt(socket.IPPROTO_IPV6, socket.IPV6_MULTICAST_IF, self._interface.index)
        own.setsockopt(socket.IPPROTO_IPV6, socket.IPV6_MULTICAST_HOPS, HOP_LIMIT)
        own.setsockopt(socket.IPPROTO_IPV6, socket.IPV6_MULTICAST_LOOP, 1)

    def prepare_hearer(self, shared: SocketOptions) -> None:
        """Have a socket hear the groups alone that it joins."""
        shared.setsockopt(socket.IPPROTO_IPV6, socket.IPV6_V6ONLY, 1)
        if sys.platform == "linux":
            # Linux has it since 4.20; bound to the group's address, a socket hears no other group anyhow.
            with contextlib.suppress(OSError):
                shared.setsockopt(socket.IPPROTO_IPV6, _LINUX_IPV6_MULTICAST_ALL, 0)

    def join(self, shared: SocketOptions, group: str) -> None:
        """Join a group."""
        shared.setsockopt(socket.IPPROTO_IPV6, socket.IPV6_JOIN_GROUP, self._membership(group))

    def leave(self, shared: SocketOptions, group: str) -> None:
        """Leave it."""
        shared.setsockopt(socket.IPPROTO_IPV6, socket.IPV6_LEAVE_GROUP, self._membership(group))

    def mark(self, endpoint: SocketOptions, dscp: int) -> None:
        """Mark what is sent."""
        endpoint.setsockopt(socket.IPPROTO_IPV6, socket.IPV6_TCLASS, dscp << 2)

    def _membership(self, group: str) -> bytes:
        # struct ipv6_mreq, RFC 3493, section 5.2.
        return socket.inet_pton(socket.AF_INET6, group_address_v6(group)) + struct.pack("@I", self._interface.index)


def family_of(interface: Interface) -> Family:
    """Return the family of the interface's address."""
    return IPv6(interface) if ":" in interface.address else IPv4(interface)
