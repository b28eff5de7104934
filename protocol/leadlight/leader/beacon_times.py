"""When a leader beacons: once in every interval, with dither, and in bursts where there is something to tell."""

from __future__ import annotations

from typing import Final

from leadlight.entropy import Entropy, below
from leadlight.units import MILLISECOND, LocalInstant

DITHER_SHARE: Final = 0.2
DITHER_MAXIMUM_NS: Final = 204_800_000
"""Two of an access point's own beacon intervals of 102.4 ms: the dither sweeps its rhythm instead of beating with
it."""
CHANGE_BURST_NS: Final = tuple(step * MILLISECOND for step in (0, 60, 200, 500, 1000, 1600))
"""A change is told six times within the default lead time, ever further apart: an outage that swallows the first ones,
mostly of a fraction of a second, does not last to the last."""
STOP_BURST_NS: Final = tuple(step * 140 * MILLISECOND for step in range(8))
"""Eight beacons within a second."""
GOODBYE_BURST_NS: Final = (0, 30 * MILLISECOND, 100 * MILLISECOND)
"""A process that is told to end takes no longer over its last beacons than anybody would notice."""


class BeaconTimes:
    """The beacons that are due and to come of one tenure that began at ``start``."""

    def __init__(self, start: LocalInstant, entropy: Entropy) -> None:
        # Periodic beacons are at start + k·interval + dither, never at a sum of intervals.
        self._start = start
        self._entropy = entropy
        self._k = 0
        self.regular_at = start
        """When the next periodic beacon is due."""
        self._extra: list[LocalInstant] = []
        self.is_regular_due = False
        """Whether a periodic beacon is to be sent now."""
        self.is_extra_due = False
        """Whether a beacon of a burst is to be sent now."""

    @property
    def next_extra(self) -> LocalInstant | None:
        """When the next beacon of a burst is due; ``None`` without one."""
        return self._extra[0] if self._extra else None

    @property
    def next_at(self) -> LocalInstant:
        """When the next beacon of either kind is due."""
        if self._extra and self._extra[0] < self.regular_at:
            return self._extra[0]
        return self.regular_at

    def plan(self, interval_ns: int, now: LocalInstant) -> int:
        """Plan the next periodic beacon, and let the one before be sent now.

        Those that fell due meanwhile are skipped, not sent in a burst; return how many.
        """
        self.is_regular_due = True
        before = self._k
        k = max(before + 1, (now - self._start) // interval_ns)
        dither = below(self._entropy, min(round(DITHER_SHARE * interval_ns), DITHER_MAXIMUM_NS))
        if self._start + k * interval_ns + dither <= now:
            k += 1
        self._k = k
        self.regular_at = LocalInstant(self._start + k * interval_ns + dither)
        return k - before - 1

    def burst(self, now: LocalInstant, pattern: tuple[int, ...]) -> None:
        """Beacon in a burst from now on; ``pattern``: when, in ns from now."""
        self._extra = sorted({*self._extra, *(LocalInstant(now + step) for step in pattern)})

    def end(self, now: LocalInstant) -> None:
        """Beacon in a last burst, and forget whatever else was due."""
        self._extra = [LocalInstant(now + step) for step in GOODBYE_BURST_NS]
        self.sent()

    def take_extra(self, now: LocalInstant) -> None:
        """Let what is due by ``now`` of a burst be sent, as one beacon."""
        while self._extra and now >= self._extra[0]:
            self._extra.pop(0)
            self.is_extra_due = True

    def sent(self) -> None:
        """What was due has been sent."""
        self.is_regular_due = self.is_extra_due = False
