"""Which network interface to use: a name or an address in, what the socket options need out."""

from __future__ import annotations

import ipaddress
import socket
import struct
import sys
from dataclasses import dataclass

from leadlight.errors import NetworkError

ANY_ADDRESS = "0.0.0.0"

# Linux netdevice(7).
_SIOCGIFADDR = 0x8915
_REQUEST_BYTES = 256
_NAME_BYTES = 15
_ADDRESS_OFFSET = 20


@dataclass(frozen=True, slots=True)
class Interface:
    """One interface as the socket options want it.

    ``index`` is 0 and ``address`` is ``0.0.0.0`` where they are not known; with neither, the system
    chooses by its routing table.
    """

    name: str
    index: int
    address: str

    @property
    def label(self) -> str:
        """The interface for people."""
        return self.name or (self.address if self.address != ANY_ADDRESS else "the default route")

    def membership(self, group: str) -> bytes:
        """Return the value for ``IP_ADD_MEMBERSHIP`` and ``IP_DROP_MEMBERSHIP``."""
        if sys.platform == "win32":
            return socket.inet_aton(group) + self._windows_address()
        if self.index:
            # struct ip_mreqn, Linux ip(7); BSD and macOS take it as well.
            return struct.pack("@4s4si", socket.inet_aton(group), socket.inet_aton(self.address), self.index)
        return socket.inet_aton(group) + socket.inet_aton(self.address)

    def sender(self) -> bytes:
        """Return the value for ``IP_MULTICAST_IF``."""
        if sys.platform == "win32":
            return self._windows_address()
        if self.index:
            return struct.pack("@4s4si", bytes(4), socket.inet_aton(self.address), self.index)
        return socket.inet_aton(self.address)

    def _windows_address(self) -> bytes:
        # Windows reads an address in 0.0.0.0/8 as an interface index in network byte order.
        if self.address == ANY_ADDRESS and self.index:
            return struct.pack("!I", self.index)
        return socket.inet_aton(self.address)


def resolve(interface: str | None) -> Interface:
    """Return the interface that a name or an IPv4 address of this host names; ``None`` leaves it to the
    system.

    Raises ``NetworkError`` naming the interfaces there are, if there is none of that name.
    """
    if interface is None or interface == ANY_ADDRESS:
        return Interface("", 0, ANY_ADDRESS)
    try:
        address = ipaddress.ip_address(interface)
    except ValueError:
        return _by_name(interface)
    if address.version != 4 or address.is_multicast:
        raise NetworkError(f"interface {interface}: give its IPv4 address or its name, such as {_names()}")
    return Interface("", 0, str(address))


def _by_name(name: str) -> Interface:
    try:
        index = socket.if_nametoindex(name)
    except (OSError, ValueError):
        raise NetworkError(f"there is no interface {name!r}; this host has {_names()}") from None
    return Interface(name, index, _address_of(name))


def _names() -> str:
    try:
        names = [name for _, name in socket.if_nameindex()]
    except OSError:
        names = []
    return ", ".join(names) or "none"


def _address_of(name: str) -> str:
    # Elsewhere the index alone has to do: the standard library offers no portable way from a name to an
    # address.
    if not sys.platform.startswith("linux"):
        return ANY_ADDRESS
    import fcntl  # not there on Windows

    request = struct.pack(f"{_REQUEST_BYTES}s", name.encode()[:_NAME_BYTES])
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        try:
            answer = fcntl.ioctl(probe.fileno(), _SIOCGIFADDR, request)
        except OSError:
            raise NetworkError(f"interface {name} has no IPv4 address; connect it, or name one of {_names()}") from None
    return socket.inet_ntoa(answer[_ADDRESS_OFFSET : _ADDRESS_OFFSET + 4])
