"""Which network interface to use: a name or an address in, what the socket options need out."""

from __future__ import annotations

import ipaddress
import socket
import struct
import sys
from dataclasses import dataclass
from pathlib import Path
from typing import Any

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
_IFA_F_TENTATIVE = 0x40  # Linux if_addr.h
IPV6_ADDRESSES = Path("/proc/net/if_inet6")
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


def resolve(interface: str | None, ip_version: int | None = None) -> Interface:
    """Return the interface that a name or an address of this host names; ``None`` leaves it to the system.

    ``ip_version``: 4 or 6; by default 4 where the interface has such an address, and else 6.

    Raises ``NetworkError`` naming the interfaces there are, if there is none of that name.
    """
    if interface is None or interface == ANY_ADDRESS:
        return Interface("", 0, ANY_ADDRESS) if ip_version != 6 else _only_one_with_ipv6()
    try:
        address = ipaddress.ip_address(interface)
    except ValueError:
        return _by_name(interface, ip_version)
    if address.is_multicast or ip_version not in (None, address.version):
        kind = "address" if ip_version is None else f"IPv{ip_version} address"
        raise NetworkError(f"interface {interface} is no {kind} of a host; name one of {_names()}")
    if address.version == 4:
        return Interface("", 0, str(address))
    for name, own in _ipv6_addresses():
        if ipaddress.ip_address(own) == ipaddress.ip_address(interface.partition("%")[0]):
            return Interface(name, socket.if_nametoindex(name), own)
    raise NetworkAbsentError(f"no interface has the address {interface}; name one of {_names()}")


def _only_one_with_ipv6() -> Interface:
    """Return the interface to use where none is named: a group of one link needs one."""
    names = dict.fromkeys(name for name, own in _ipv6_addresses() if own != "::1")
    if len(names) == 1:
        return _by_name(next(iter(names)), 6)
    found = ", ".join(names) or "none has an IPv6 address yet"
    raise NetworkAbsentError(f"name an interface: with IPv6 a group is on one link alone; there are {found}")


def _ipv6_addresses() -> list[tuple[str, str]]:
    """Return the names of interfaces with an IPv6 address of each, those of the link first."""
    try:
        lines = IPV6_ADDRESSES.read_text(encoding="ascii").splitlines()
    except OSError:
        return []
    found = []
    for line in lines:
        digits, _, _, _, flags, name = line.split()
        if not int(flags, 16) & _IFA_F_TENTATIVE:  # nobody may send from it yet
            found.append((name, str(ipaddress.IPv6Address(bytes.fromhex(digits)))))
    return sorted(found, key=lambda one: not ipaddress.IPv6Address(one[1]).is_link_local)


def _by_name(name: str, ip_version: int | None) -> Interface:
    try:
        index = socket.if_nametoindex(name)
    except (OSError, ValueError):
        raise NetworkAbsentError(f"there is no interface {name!r}; name one that this host has: {_names()}") from None
    return Interface(name, index, _address_of(name, ip_version))


def _names() -> str:
    try:
        names = [name for _, name in socket.if_nameindex()]
    except OSError:
        names = []
    return ", ".join(names) or "none"


def _address_of(name: str, ip_version: int | None) -> str:
    # Elsewhere the index alone has to do: the standard library offers no portable way from a name to an
    # address.
    if not sys.platform.startswith("linux"):
        return "::" if ip_version == 6 else ANY_ADDRESS
    address = _asked_address(name) if ip_version != 6 else None
    if address is None and ip_version != 4:
        address = next((own for owner, own in _ipv6_addresses() if owner == name), None)
    if address is None:
        kind = "address" if ip_version is None else f"IPv{ip_version} address"
        raise NetworkAbsentError(f"interface {name} has no {kind}; connect it, or name one of {_names()}")
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


def address_towards(destination: tuple[Any, ...], interface: Interface) -> str | None:
    """Return the address of this host from which a datagram to ``destination`` leaves; ``None`` without a route."""
    if interface.address not in (ANY_ADDRESS, "::"):
        return interface.address
    if interface.address == "::":
        return None if not interface.index else interface.address
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        try:
            probe.setsockopt(socket.IPPROTO_IP, socket.IP_MULTICAST_IF, interface.sender())
            probe.connect(destination)  # sends nothing; it only looks up the route
        except OSError:
            return None
        return str(probe.getsockname()[0])
