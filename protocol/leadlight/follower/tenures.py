"""Tenures that were left: which of them have ended, and what it takes for one of them to be followed again.

A leader that begins anew ends its tenures before. Where nobody has to prove anything, one datagram can say that it has,
and its own next beacons say otherwise. Within a few intervals two of them bring the old tenure back. What was refused
or has ended may insist later on, but only where nobody else is left to follow, or where the node leads itself. Else one
forged serial or restart would leave a group with two leaders for good.
"""

from __future__ import annotations

from collections import OrderedDict
from dataclasses import dataclass, field
from typing import Final

from leadlight.units import LeaderInstant, LocalInstant
from leadlight.wire import Beacon

SERIAL_MASK: Final = 0xFFFF_FFFF
SERIAL_HALF: Final = 1 << 31
"""Serials compare as in RFC 1982: newer if ahead by less than half of the 32-bit circle."""
RETIRED_KEPT: Final = 32
PROVISIONAL_INTERVALS: Final = 3
"""For so many intervals of the old tenure, one that the same leader has begun anew is followed on trust."""
RETURNING_BEACONS: Final = 2
"""So many newer beacons of the old one within them, half an interval apart or more, and it had never ended."""
INSISTING_BEACONS: Final = 3
"""So many beacons over an interval, each newer than the one before, and what they contradict was false."""


def is_newer(serial: int, than: int) -> bool:
    """Return whether a serial is ahead of another on the 32-bit circle, as in RFC 1982."""
    return 0 < (serial - than) & SERIAL_MASK < SERIAL_HALF


class Insistence:
    """Beacons of one tenure that were not followed, each newer than the one before by serial and by instant."""

    __slots__ = ("_began_at", "_count", "_sent_at", "_serial", "_tenure")

    def __init__(self) -> None:
        self._count = 0
        self._tenure = self._serial = 0
        self._began_at = self._sent_at = LeaderInstant(0)

    def note(self, beacon: Beacon, count: int, span_ns: int) -> bool:
        """Take a beacon; return whether so many have come, over at least so long by when they were sent."""
        if self._count and beacon.tenure == self._tenure and beacon.serial == self._serial:
            return False  # its copy
        is_next = beacon.tenure == self._tenure and is_newer(beacon.serial, self._serial)
        if self._count == 0 or not is_next or beacon.sent_at <= self._sent_at:
            self._count = 0
            self._tenure = beacon.tenure
            self._began_at = beacon.sent_at
        self._count += 1
        self._serial = beacon.serial
        self._sent_at = beacon.sent_at
        if self._count < count or beacon.sent_at - self._began_at < span_ns:
            return False
        self._count = 0
        return True


@dataclass(slots=True)
class LeftTenure:
    """A tenure that was left, the last serial followed of it, and what has become of it."""

    leader: int
    serial: int
    sent_at: LeaderInstant
    interval_ns: int
    longest_ns: int
    """The longest interval that it has announced: one beacon's must not cut short what it is given."""
    has_ended: bool = False
    """Its own leader has begun another."""
    provisional_until: LocalInstant | None = None
    """Until when that other one is followed on trust."""
    is_refused: bool = False
    """It was followed on trust, and the one before it goes on."""
    returning: Insistence = field(default_factory=Insistence)
    insistence: Insistence = field(default_factory=Insistence)
    has_insisted: bool = False
    """It has gone on since, whatever is remembered of it: it is followed where a node is free to."""


class LeftTenures:
    """The last tenures that were left. ``proofs_asked``: whether a new tenure has to prove itself."""

    def __init__(self, proofs_asked: bool) -> None:
        self._proofs_asked = proofs_asked
        self._kept: OrderedDict[int, LeftTenure] = OrderedDict()
        self._insistence = Insistence()

    def __len__(self) -> int:
        return len(self._kept)

    def __contains__(self, tenure: int) -> bool:
        return tenure in self._kept

    def insists(self, beacon: Beacon, interval_ns: int) -> bool:
        """Take a beacon that contradicts what was followed; return whether enough of its tenure have."""
        return self._insistence.note(beacon, INSISTING_BEACONS, min(interval_ns, beacon.interval_ns))

    def may_return(self, beacon: Beacon, received_at: LocalInstant, is_free: bool) -> bool:
        """Return whether a beacon's tenure, one of these, may be followed again as if it were new.

        ``is_free``: whether the node follows nobody who lives, since its leader is lost or it leads itself.
        """
        left = self._kept[beacon.tenure]
        is_its = left.leader == beacon.leader
        is_next = is_its and is_newer(beacon.serial, left.serial)
        if is_next and not left.has_ended and (is_free or not left.is_refused):
            return True
        if self._proofs_asked:
            return False  # nobody can have forged what is remembered of it
        on_trial = left.provisional_until is not None and received_at <= left.provisional_until
        # What is late by its serial alone shows that the serial was forged, and no honest network holds it back.
        if left.has_ended and on_trial and (is_next or (is_its and beacon.sent_at > left.sent_at)):
            return left.returning.note(beacon, RETURNING_BEACONS, min(left.interval_ns, beacon.interval_ns) // 2)
        if is_next and left.has_insisted:
            return is_free
        if not left.insistence.note(beacon, INSISTING_BEACONS, min(left.interval_ns, beacon.interval_ns)):
            return False
        left.leader = beacon.leader
        left.serial = (beacon.serial - 1) & SERIAL_MASK  # this one may be judged again, once it is proven
        left.has_insisted = True
        return is_free

    def leave(self, tenure: int, left: LeftTenure) -> None:
        """Remember a tenure that is left."""
        self._kept[tenure] = left
        self._kept.move_to_end(tenure)
        if len(self._kept) > RETIRED_KEPT:
            self._kept.popitem(last=False)

    def follow(self, tenure: int, leader: int, before: int | None, received_at: LocalInstant) -> bool:
        """Follow a tenure after ``before``, which was left for it; return whether it is one that had never ended."""
        back = self._kept.pop(tenure, None)
        left = None if before is None else self._kept.get(before)
        if back is not None and back.has_ended and left is not None and left.leader == leader:
            left.is_refused = True
            return True
        for old in self._kept.values():
            if old.leader == leader:
                old.has_ended = True
                old.is_refused = old.has_insisted = False
        if left is not None and left.leader == leader and not self._proofs_asked:
            left.provisional_until = LocalInstant(received_at + PROVISIONAL_INTERVALS * left.longest_ns)
        return False
