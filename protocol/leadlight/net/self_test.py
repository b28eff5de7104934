"""Does multicast work here at all? Sends one datagram to the group and listens for it."""

from __future__ import annotations

import secrets
import select
import time

from leadlight.errors import NetworkError
from leadlight.net.sockets import DEFAULT_PORT, GroupSockets

LISTEN_SECONDS = 1.0
_NONCE_BYTES = 16


def multicast_trouble(
    group: str, *, port: int = DEFAULT_PORT, interface: str | None = None, listen_seconds: float = LISTEN_SECONDS
) -> str | None:
    """Return what keeps this host from hearing its own group, or ``None`` if it hears it.

    Hearing oneself says that sockets, routes and permissions are right. It does not say that the network carries the
    group to others.
    """
    nonce = secrets.token_bytes(_NONCE_BYTES)
    try:
        with GroupSockets(group, port=port, interface=interface) as sockets:
            sockets.own.sendto(nonce, sockets.group_destination)
            return None if _heard(sockets, nonce, listen_seconds) else _unheard(sockets)
    except NetworkError as error:
        return str(error)
    except OSError as error:
        return f"cannot send to the group: {error.strerror or error}; name an interface that has a multicast route"


def _heard(sockets: GroupSockets, nonce: bytes, listen_seconds: float) -> bool:
    give_up_at = time.monotonic() + listen_seconds
    while (left := give_up_at - time.monotonic()) > 0:
        readable, _, _ = select.select([sockets.shared], [], [], left)
        # Others of the group may be talking meanwhile.
        if readable and sockets.shared.recv(len(nonce) + 1) == nonce:
            return True
    return False


def _unheard(sockets: GroupSockets) -> str:
    return (
        f"sends to the group on {sockets.interface.label}, but does not hear it: a firewall, a container's own network,"
        " or another interface may be in the way"
    )
