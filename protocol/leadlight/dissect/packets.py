"""The UDP datagrams inside a network's packets: link layer, IP and UDP taken off.

Link types are those of the registry that capture files share (draft-ietf-opsawg-pcaplinktype). Known are Ethernet, with
any number of VLAN tags up to two (IEEE 802.1Q); Linux cooked captures, both versions; raw IP; null and loopback. IPv4
is RFC 791, IPv6 RFC 8200, UDP RFC 768. Checksums are not looked at: hosts leave them to their network interfaces, so
that what is captured on its way out has none.
"""

from __future__ import annotations

from collections.abc import Callable
from enum import StrEnum
from ipaddress import IPv4Address, IPv6Address
from typing import Final, NamedTuple

from leadlight.dissect.capture import Packet

_IPV4: Final = 0x0800
_IPV6: Final = 0x86DD
_VLAN_TAGS: Final = (0x8100, 0x88A8, 0x9100)
_VLAN_TAGS_MAXIMUM: Final = 2
_UDP: Final = 17
_IPV6_FRAGMENT: Final = 44
_IPV6_EXTENSIONS: Final = (0, 43, 60)
"""Hop-by-hop options, routing, destination options: each says how long it is and what follows."""
_UDP_HEADER_BYTES: Final = 8
_FAMILY_IPV4: Final = (2,)
_FAMILY_IPV6: Final = (10, 24, 28, 30)
"""Systems number the family differently; the number is the capturing host's."""


class PassedOver(StrEnum):
    """Why a packet holds no datagram that could be looked at; a count and "packets" go before it."""

    NOT_IP = "not IP"
    NOT_UDP = "not UDP"
    FRAGMENT = "in fragments, which are not put together here"
    CUT_SHORT = "cut short by the capture before their contents"
    DAMAGED = "with headers that do not add up"
    UNKNOWN_LINK = "of a link type that is not read here"


class Datagram(NamedTuple):
    """A UDP datagram on its way.

    ``length`` is how many bytes of contents it had when it was sent: more than ``data`` has where the capture cut it
    short. ``at_ns`` is when it was captured, if that is known.
    """

    at_ns: int | None
    source: str
    source_port: int
    destination: str
    destination_port: int
    data: bytes
    length: int


def datagram_in(packet: Packet) -> Datagram | PassedOver:
    """Return the datagram in a captured packet, or why there is none to look at."""
    strip = _LINKS.get(packet.link_type)
    if strip is None:
        return PassedOver.UNKNOWN_LINK
    try:
        protocol, at = strip(packet.data)
        for _ in range(_VLAN_TAGS_MAXIMUM):
            if protocol in _VLAN_TAGS:
                protocol, at = _number(packet.data, at + 2), at + 4
        if protocol == _IPV4:
            return _in_ipv4(packet, at)
        if protocol == _IPV6:
            return _in_ipv6(packet, at)
    except IndexError:
        return PassedOver.CUT_SHORT if len(packet.data) < packet.length else PassedOver.DAMAGED
    return PassedOver.NOT_IP


def _number(data: bytes, at: int, size: int = 2) -> int:
    """Return a number of the network's, most significant byte first; ``IndexError`` if it is not all there."""
    if at + size > len(data):
        raise IndexError(at)
    return int.from_bytes(data[at : at + size], "big")


def _ethernet(data: bytes) -> tuple[int, int]:
    return _number(data, 12), 14


def _cooked(data: bytes) -> tuple[int, int]:
    return _number(data, 14), 16


def _cooked_2(data: bytes) -> tuple[int, int]:
    return _number(data, 0), 20


def _raw(data: bytes) -> tuple[int, int]:
    return {4: _IPV4, 6: _IPV6}.get(_number(data, 0, 1) >> 4, 0), 0


def _null(data: bytes) -> tuple[int, int]:
    # In the byte order of the host that captured it, which is not always that of the file; families are small.
    family = _number(data, 0, 4)
    family = min(family, int.from_bytes(data[:4], "little"))
    return _IPV4 if family in _FAMILY_IPV4 else _IPV6 if family in _FAMILY_IPV6 else 0, 4


def _ipv4(_data: bytes) -> tuple[int, int]:
    return _IPV4, 0


def _ipv6(_data: bytes) -> tuple[int, int]:
    return _IPV6, 0


_LINKS: Final[dict[int, Callable[[bytes], tuple[int, int]]]] = {
    0: _null,
    1: _ethernet,
    12: _raw,  # the number of raw IP on most systems, where a program wrote its own instead of the registry's
    14: _raw,  # and on one more
    101: _raw,
    108: _null,
    113: _cooked,
    228: _ipv4,
    229: _ipv6,
    276: _cooked_2,
}
"""By link type, what takes the link layer off: it returns the EtherType of what is behind it, and where that begins."""


def _in_ipv4(packet: Packet, at: int) -> Datagram | PassedOver:
    data = packet.data
    first = _number(data, at, 1)
    header_bytes = (first & 0x0F) * 4
    if first >> 4 != 4 or header_bytes < 20:
        return PassedOver.DAMAGED
    if _number(data, at + 6) & 0x3FFF:  # more fragments follow, or this is not the first
        return PassedOver.FRAGMENT
    if _number(data, at + 9, 1) != _UDP:
        return PassedOver.NOT_UDP
    source, destination = IPv4Address(_number(data, at + 12, 4)), IPv4Address(_number(data, at + 16, 4))
    return _in_udp(packet, at + header_bytes, str(source), str(destination))


def _in_ipv6(packet: Packet, at: int) -> Datagram | PassedOver:
    data = packet.data
    if _number(data, at, 1) >> 4 != 6:
        return PassedOver.DAMAGED
    source, destination = IPv6Address(_number(data, at + 8, 16)), IPv6Address(_number(data, at + 24, 16))
    following = _number(data, at + 6, 1)
    at += 40
    while following in _IPV6_EXTENSIONS:
        following, at = _number(data, at, 1), at + 8 + 8 * _number(data, at + 1, 1)
    if following == _IPV6_FRAGMENT:
        return PassedOver.FRAGMENT
    if following != _UDP:
        return PassedOver.NOT_UDP
    return _in_udp(packet, at, f"[{source}]", f"[{destination}]")


def _in_udp(packet: Packet, at: int, source: str, destination: str) -> Datagram | PassedOver:
    data = packet.data
    source_port, destination_port = _number(data, at), _number(data, at + 2)
    length = _number(data, at + 4) - _UDP_HEADER_BYTES
    _number(data, at + 6)  # the checksum: there, and not looked at
    begin = at + _UDP_HEADER_BYTES
    if length < 0 or begin + length > packet.length:
        return PassedOver.DAMAGED
    # By its own length: short Ethernet frames are padded behind it.
    contents = data[begin : begin + length]
    return Datagram(packet.at_ns, source, source_port, destination, destination_port, contents, length)
