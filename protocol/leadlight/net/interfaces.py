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
_SIOCGIFFLAGS = 0x8913
_IFF_UP = 0x1
_IFF_LOOPBACK = 0x8
_IFF_RUNNING = 0x40
_IFF_MULTICAST = 0x1000
_FLAGS = struct.Struct("@H")
_FLAGS_OFFSET = 16
_REQUEST_BYTES = 256
_NAME_BYTES = 15
_ADDRESS_OFFSET = 20


class NetworkAbsentError(NetworkError):
    """There is no such interface, address or route: not yet, or not any more."""


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
        raise NetworkError(f"interface {interface} is no IPv4 address of a host; name one of {_names()}")
    return Interface("", 0, str(address))


def _by_name(name: str) -> Interface:
    try:
        index = socket.if_nametoindex(name)
    except (OSError, ValueError):
        raise NetworkAbsentError(f"there is no interface {name!r}; name one that this host has: {_names()}") from None
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
    address = _asked_address(name)
    if address is None:
        raise NetworkAbsentError(f"interface {name} has no IPv4 address; connect it, or name one of {_names()}")
    return address


def _asked_address(name: str) -> str | None:
    answer = ask_kernel(name, _SIOCGIFADDR)
    return None if answer is None else socket.inet_ntoa(answer[_ADDRESS_OFFSET : _ADDRESS_OFFSET + 4])


def ask_kernel(name: str, request: int) -> bytes | None:
    """Return Linux's answer to a request about an interface, netdevice(7); ``None`` if it has none."""
    import fcntl  # not there on Windows

    asked = struct.pack(f"{_REQUEST_BYTES}s", name.encode()[:_NAME_BYTES])
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        try:
            return fcntl.ioctl(probe.fileno(), request, asked)
        except OSError:
            return None


@dataclass(frozen=True, slots=True)
class HostInterface:
    """One interface of this host that has an IPv4 address.

    ``is_fit``: whether it is up, connected, able to carry groups, and no loopback.
    """

    name: str
    address: str
    is_fit: bool


def host_interfaces() -> tuple[HostInterface, ...] | None:
    """Return this host's interfaces; ``None`` where the system does not tell what they are fit for."""
    if not sys.platform.startswith("linux"):
        return None
    found = []
    for _, name in socket.if_nameindex():
        address, answer = _asked_address(name), ask_kernel(name, _SIOCGIFFLAGS)
        if address is not None and answer is not None:
            (flags,) = _FLAGS.unpack_from(answer, _FLAGS_OFFSET)
            wanted = _IFF_UP | _IFF_RUNNING | _IFF_MULTICAST
            found.append(HostInterface(name, address, flags & (wanted | _IFF_LOOPBACK) == wanted))
    return tuple(found)


def address_towards(destination: tuple[str, int], interface: Interface) -> str | None:
    """Return the address of this host from which a datagram to ``destination`` leaves; ``None`` without a route."""
    if interface.address != ANY_ADDRESS:
        return interface.address
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        try:
            probe.setsockopt(socket.IPPROTO_IP, socket.IP_MULTICAST_IF, interface.sender())
            probe.connect(destination)  # sends nothing; it only looks up the route
        except OSError:
            return None
        return str(probe.getsockname()[0])
