"""What a host is like, measured: its interface, buffers, stamps, timers, radio and wall clock."""

from __future__ import annotations

import asyncio
import datetime
import ipaddress
from typing import Final

from leadlight.errors import NetworkError
from leadlight.net.families import group_address
from leadlight.net.interfaces import address_towards, host_interfaces, resolve
from leadlight.net.lateness import LEARNING_WAKES, record_lateness, wakes_by_waker
from leadlight.net.self_test import try_multicast
from leadlight.net.sockets import RECEIVE_BUFFER_BYTES, GroupSockets
from leadlight.net.waking import WakingSettings
from leadlight.net.wireless import is_wireless, rate_bps, saves_power, signal_dbm
from leadlight.readiness import HostFacts

WAKES: Final = 100
"""A hundred waits of ten milliseconds: a second in all."""


def measure_host(
    group: str, port: int, interface: str | None, record_ns: int = 0, ip_version: int | None = None
) -> HostFacts:
    """Return what this host is like for a member of ``group``; takes a second or two.

    ``record_ns``: for how long to record how late it wakes, by each of three ways of waiting.

    Raises ``ConfigurationError`` for a port that is none. Trouble with the network is among the facts.
    """
    trouble, buffer_bytes, is_stamped = None, None, None
    try:
        with GroupSockets(group, port=port, interface=interface, ip_version=ip_version) as sockets:
            buffer_bytes = sockets.receive_buffer_bytes
            tried = try_multicast(sockets)
            trouble, is_stamped = tried.trouble, tried.is_stamped
    except NetworkError as error:
        trouble = str(error)
    label, address = _way(group, port, interface, ip_version)
    others = host_interfaces()
    taken = next((other for other in others or () if other.address == address), None)
    name = label if taken is None else taken.name
    is_radio = is_wireless(name)
    return HostFacts(
        interface=name,
        address=address,
        is_named=interface is not None,
        is_loopback=address is not None and ipaddress.ip_address(address).is_loopback,
        is_fit=None if taken is None else taken.is_fit,
        alternatives=None if others is None else tuple(o.name for o in others if o.is_fit and o.name != name),
        multicast_trouble=trouble,
        buffer_bytes=buffer_bytes,
        buffer_wanted_bytes=RECEIVE_BUFFER_BYTES,
        is_stamped=is_stamped,
        wakes_ns=asyncio.run(wakes_by_waker(WakingSettings(), bool(is_stamped), WAKES, LEARNING_WAKES)),
        recorded_ns=record_lateness(record_ns) if record_ns else {},
        is_wireless=is_radio,
        saves_power=saves_power(name) if is_radio else None,
        signal_dbm=signal_dbm(name) if is_radio else None,
        rate_bps=rate_bps(name) if is_radio else None,
        wall_now=datetime.datetime.now().astimezone(),
        own_addresses=None if others is None else tuple(other.address for other in others),
    )


def interface_towards(group: str, port: int, interface: str | None, ip_version: int | None) -> str:
    """Return the name of the interface that datagrams to the group leave by, or what is known of it."""
    label, address = _way(group, port, interface, ip_version)
    return next((other.name for other in host_interfaces() or () if other.address == address), label)


def _way(group: str, port: int, interface: str | None, ip_version: int | None) -> tuple[str, str | None]:
    """Return the interface that datagrams to the group leave by, in words, and its address."""
    try:
        wanted = resolve(interface, ip_version)
    except NetworkError:
        return interface or "", None
    return wanted.label, address_towards((group_address(group), port), wanted)
