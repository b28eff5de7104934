"""When a datagram leaves, written into it beforehand.

Between reading the clock and handing a datagram over lie its making and its tag: tens of microseconds that a receiver
would take for time on the way. A leader takes longer over an Echo than a follower over a Sounding. The difference would
look like an unequal path, and put every clock out by half of it. So a datagram is stamped with the instant at which it
will leave, by how long the last ones took to make, and held back if it is ready before. It never leaves earlier than it
says: what receivers prove by its stamp stays proven.

What is left was measured by ``tests/bench/exchange.py`` between two processes of one idle x86 virtual machine, over the
loopback interface; medians of 101 exchanges, in µs. Half of the difference is what a part adds to the error.

====================================================  ========  ====  ====
part of the way                                       Sounding  Echo  half
====================================================  ========  ====  ====
from the instant in the stamp to the system's call         5.4   2.2   1.6
from the call to the receiving kernel's stamp             33.2   7.0  13.1
from that stamp to the instant taken for the arrival       0.8   0.6   0.1
====================================================  ========  ====  ====

They come to 15; the estimator then adds or takes 2 to 5. The large one is that a program which was idle takes longer
over the call than one that has just received something. A stamp later than the call could take it away, but a datagram
might then leave before it says.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable
from typing import Final

from leadlight.units import MICROSECOND, LocalInstant

MAKINGS_KEPT: Final = 16
READY_SHARE: Final = 0.75
"""The share of datagrams that should be ready by the instant in their stamp."""
LEAD_MAXIMUM_NS: Final = 200 * MICROSECOND
"""A datagram is not held back for longer than this; where making takes longer it leaves later than it says."""


class Departure:
    """Stamps what one node sends."""

    def __init__(self, clock: Callable[[], LocalInstant]) -> None:
        self._clock = clock
        self._lead_ns = 0
        self._began_at = LocalInstant(0)
        self._took_ns: deque[int] = deque(maxlen=MAKINGS_KEPT)

    def stamp(self) -> LocalInstant:
        """Return the instant at which a datagram that is made now will leave."""
        ordered = sorted(self._took_ns)
        if ordered:
            self._lead_ns = min(ordered[int((len(ordered) - 1) * READY_SHARE)], LEAD_MAXIMUM_NS)
        self._began_at = self._clock()
        return LocalInstant(self._began_at + self._lead_ns)

    def await_stamp(self, stamp: LocalInstant) -> None:
        """Hold a datagram back that is ready before the instant in its stamp, and learn how long its making took."""
        clock = self._clock
        now = clock()
        self._took_ns.append(now - self._began_at)
        # Nothing comes after this: it would lie between the instant in the stamp and the call.
        while now < stamp:
            now = clock()
