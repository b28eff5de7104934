"""Who is sent copies of the beacons: followers that hear too little of the group, at addresses that answer.

A copy goes only to an address that has lately returned the cookie of an Echo sent there, so that nobody can have
beacons sent to a third party. Each Sounding with a good cookie renews the lease.
"""

from __future__ import annotations

from collections.abc import Hashable
from dataclasses import dataclass
from hashlib import blake2s
from typing import Final

from leadlight.units import SECOND, LocalInstant

COOKIES_KEPT: Final = 512
COPIES_MAXIMUM: Final = 64
"""Of a leader that is told no other limit."""
LEASE_NS: Final = 30 * SECOND
BEGIN_ABOVE_PERMILLE: Final = 250
END_BELOW_PERMILLE: Final = 80
END_AFTER_NS: Final = 60 * SECOND
"""The group must have been heard well for so long before the copies end: no flapping."""


class Cookies:
    """The cookies of one leader: whoever returns that of its address receives what is sent there.

    A cookie is a digest under ``secret``, and nothing need be kept of anybody. Those asked for lately are kept all the
    same, for each is asked for with every Sounding.
    """

    __slots__ = ("_known", "_secret")

    def __init__(self, secret: bytes) -> None:
        self._secret = secret
        self._known: dict[tuple[int, Hashable], int] = {}

    def of(self, follower: int, address: Hashable) -> int:
        """Return the cookie of a follower at an address."""
        whose = follower, address
        cookie = self._known.get(whose)
        if cookie is None:
            digest = blake2s(repr(whose).encode(), digest_size=8, key=self._secret, person=b"cookie")
            cookie = self._known[whose] = int.from_bytes(digest.digest(), "big")
            if len(self._known) > COOKIES_KEPT:
                del self._known[next(iter(self._known))]
        return cookie


@dataclass(slots=True)
class _Lease:
    address: Hashable
    until: LocalInstant
    served: bool = False
    well_since: LocalInstant | None = None


class CopyList:
    """Leases and who is served. Bounded: at most ``limit`` leases."""

    def __init__(self, limit: int = COPIES_MAXIMUM) -> None:
        self._limit = limit
        self.has_overflowed = False
        """Whether somebody was ever refused a lease for want of a place."""
        self._leases: dict[int, _Lease] = {}

    def renew(self, follower: int, address: Hashable, now: LocalInstant) -> None:
        """A follower has proven that it receives at ``address``."""
        lease = self._leases.get(follower)
        if lease is not None:
            lease.address = address
            lease.until = LocalInstant(now + LEASE_NS)
            return
        if len(self._leases) < self._limit:
            self._leases[follower] = _Lease(address, LocalInstant(now + LEASE_NS))
        else:
            self.has_overflowed = True

    def begin(self, follower: int) -> bool:
        """Serve a follower from now on, if it has a lease; return whether that has changed."""
        lease = self._leases.get(follower)
        if lease is None or lease.served:
            return False
        lease.served = True
        return True

    def consider(self, follower: int, loss_permille: int, everyone: bool, now: LocalInstant) -> bool:
        """Decide by a follower's own loss whether it is served; return whether that has changed."""
        lease = self._leases.get(follower)
        if lease is None or now > lease.until:
            return False
        before = lease.served
        if everyone or loss_permille > BEGIN_ABOVE_PERMILLE:
            lease.served = True
            lease.well_since = None
        elif loss_permille >= END_BELOW_PERMILLE:
            lease.well_since = None
        elif lease.served:
            if lease.well_since is None:
                lease.well_since = now
            elif now - lease.well_since >= END_AFTER_NS:
                lease.served = False
                lease.well_since = None
        return lease.served != before

    def is_served(self, follower: int) -> bool:
        """Return whether a follower is to have copies."""
        lease = self._leases.get(follower)
        return lease is not None and lease.served

    def addresses(self, now: LocalInstant) -> list[Hashable]:
        """Return the addresses to send a copy to."""
        return [lease.address for lease in self._leases.values() if lease.served and now <= lease.until]

    def expire(self, now: LocalInstant) -> list[int]:
        """Drop the leases that have run out; return the followers among them that were served."""
        over = [(follower, lease.served) for follower, lease in self._leases.items() if now > lease.until]
        for follower, _ in over:
            del self._leases[follower]
        return [follower for follower, served in over if served]
