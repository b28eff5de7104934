"""Aiming at an instant: how early a wait should be woken, and the last stretch of it, waited for in the processor.

A timer that is exact still wakes late by what the system takes to get round to the program. So it is set early by what
this host has lately been late. By the least of that costs nothing: hardly any wake then comes too soon. By nearly the
most of it costs the wait from waking to the instant, which is spent asking the clock: a spin. That takes a little of
one core: waits are given credit for a share of the time that passes, and none spins for longer than it has.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable
from time import monotonic_ns
from typing import Final

from leadlight.units import MICROSECOND, MILLISECOND, SECOND, LocalInstant

WAKES_KEPT: Final = 128
"""About three seconds of frames: soon enough to follow what else the host begins to do."""
LATE_SHARE: Final = 0.02
"""The share of wakes that may come later than the spin is long."""
MEDIANS_MAXIMUM: Final = 3
"""A spin is not longer than so many medians: what comes later is another program's doing, and rare."""
MARGIN_NS: Final = 20 * MICROSECOND
"""Between waking and the first look at the clock lies a turn of the loop."""
LEAD_AT_FIRST_NS: Final = 300 * MICROSECOND
"""Before anything is known: what an idle computer was measured to need."""
LEAD_MAXIMUM_NS: Final = 2 * MILLISECOND
"""Whatever wakes later than this is not waited out: the loop stands still for as long."""
_CREDIT_KEPT_NS: Final = SECOND // 4
"""Credit is kept for so much time, so that a rare wait may spin for as long as it needs."""
_LEARNT_EVERY: Final = 8


class Aim:
    """How long before an instant a node should be woken, learnt from how late it has been; and the wait from there.

    ``share`` is the most that spinning may cost of one core, 0 to 1; with 0 there is none.
    """

    def __init__(self, share: float, clock: Callable[[], LocalInstant]) -> None:
        self.share = share
        self.spun_ns = 0
        """What spinning has cost so far."""
        self._clock = clock
        self._late: deque[int] = deque(maxlen=WAKES_KEPT)
        self._least_ns = 0
        self._most_ns = LEAD_AT_FIRST_NS
        self._notes = 0
        self._credit_ns = 0.0
        self._credited_at = clock()

    def lead_ns(self, now: LocalInstant) -> int:
        """Return how long before its instant a wait that begins now should be woken, in ns."""
        if self.share <= 0.0:
            return self._least_ns
        credit = self._credit_ns + (now - self._credited_at) * self.share
        self._credit_ns = min(credit, _CREDIT_KEPT_NS * self.share)
        self._credited_at = now
        return max(min(self._most_ns, self._least_ns + int(self._credit_ns)), self._least_ns)

    def note_woken(self, late_ns: int) -> None:
        """Learn that the timer woke so many ns after it was due."""
        self._late.append(late_ns)
        self._notes += 1
        if self._notes % _LEARNT_EVERY == 0:
            ordered = sorted(self._late)
            most_ns = min(ordered[int(len(ordered) * (1.0 - LATE_SHARE))], MEDIANS_MAXIMUM * ordered[len(ordered) // 2])
            self._most_ns = min(most_ns + MARGIN_NS, LEAD_MAXIMUM_NS)
            self._least_ns = min(max(ordered[0] - MARGIN_NS, 0), LEAD_MAXIMUM_NS)

    def spin(self, at: LocalInstant) -> None:
        """Return when the clock shows ``at``, having done nothing else."""
        # By the system's clock, which is read in a tenth of the time. They part by 500 ppm at most; a thousandth more
        # makes sure that it is not too soon, and so does reading it second.
        left_ns = at - self._clock()
        began_at = now = monotonic_ns()
        until = began_at + left_ns + (left_ns >> 10)
        while now < until:
            now = monotonic_ns()
        self.spun_ns += now - began_at
        self._credit_ns -= now - began_at
