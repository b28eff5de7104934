"""Does multicast work here at all? Sends one datagram to the group and listens for it."""

from __future__ import annotations

import secrets
import select
import time
from dataclasses import dataclass

from leadlight.errors import NetworkError
from leadlight.net.sockets import DEFAULT_PORT, GroupSockets, what_to_do
from leadlight.net.timestamps import AncillaryData, enable_kernel_stamps, has_stamp, receive

LISTEN_SECONDS = 1.0
_NONCE_BYTES = 16


@dataclass(frozen=True, slots=True)
class SelfTest:
    """What became of the datagram: the trouble, if any, and whether the kernel stamped it if it was heard."""

    trouble: str | None
    is_stamped: bool | None = None


def multicast_trouble(
    group: str, *, port: int = DEFAULT_PORT, interface: str | None = None, listen_seconds: float = LISTEN_SECONDS
) -> str | None:
    """Return what keeps this host from hearing its own group, or ``None`` if it hears it.

    Hearing oneself says that sockets, routes and permissions are right. It does not say that the network carries the
    group to others.
    """
    try:
        with GroupSockets(group, port=port, interface=interface) as sockets:
            return try_multicast(sockets, listen_seconds).trouble
    except NetworkError as error:
        return str(error)


def try_multicast(sockets: GroupSockets, listen_seconds: float = LISTEN_SECONDS) -> SelfTest:
    """Send one datagram to the group and listen for it, on sockets that are open and that nobody else reads."""
    nonce = secrets.token_bytes(_NONCE_BYTES)
    enable_kernel_stamps(sockets.shared)
    try:
        sockets.own.sendto(nonce, sockets.group_destination)
        ancillary = _heard(sockets, nonce, listen_seconds)
    except OSError as error:
        advice = what_to_do(error, "name an interface that has a multicast route")
        return SelfTest(f"cannot send to the group: {error.strerror or error}; {advice}")
    return SelfTest(_unheard(sockets)) if ancillary is None else SelfTest(None, has_stamp(ancillary))


def _heard(sockets: GroupSockets, nonce: bytes, listen_seconds: float) -> AncillaryData | None:
    give_up_at = time.monotonic() + listen_seconds
    while (left := give_up_at - time.monotonic()) > 0:
        readable, _, _ = select.select([sockets.shared], [], [], left)
        # Others of the group may be talking meanwhile.
        if readable:
            data, ancillary, _ = receive(sockets.shared)
            if data == nonce:
                return ancillary
    return None


def _unheard(sockets: GroupSockets) -> str:
    return (
        f"sends to the group on {sockets.interface.label}, but does not hear it: a firewall, a container's own network,"
        " or another interface may be in the way"
    )
