"""Common view: one packet that leader and follower both hear is a sample free of every queue.

The name is time metrology's: two clocks that see one event can be compared without knowing how long it took to reach
them. Here the event is a Tally that some follower, the *marker*, sends to the group. The access point sends it once;
leader and followers hear it at one instant. The leader publishes when it heard it; with its own arrival a follower has
``offset = heard here - heard there``, whose error is two time stamps and nothing else.

It holds only if both heard the same transmission, so marks are on probation (``mark_trust``) before they steer, and may
be again.
"""

from __future__ import annotations

import math
from collections import OrderedDict
from typing import Final

from leadlight.clock.bound import CausalityBound
from leadlight.clock.estimator import Estimate
from leadlight.clock.mark_trust import STAMPING_NS, Probation
from leadlight.clock.tracker import OffsetTracker
from leadlight.units import MILLISECOND, SECOND, LeaderInstant, LocalInstant
from leadlight.wire import U32, Mark

HEARD_KEPT: Final = 64
HEARD_FOR_NS: Final = 10 * SECOND
"""A Tally is remembered this long, or three beacon intervals if that is longer."""
MARK_INTERVALS: Final = 3
"""A mark of an older Tally than so many beacon intervals is refused."""
MARKS_BEFORE_USE: Final = 4
STALE_NS: Final = 60 * SECOND
UNKNOWN_RADIO_NS: Final = 1 * MILLISECOND
"""Added to the statistical bound while nobody knows whether leader and follower share a radio."""


class CommonViewClock:
    """Remembers Tallies that went to the group and tracks the offset by the leader's marks."""

    def __init__(self) -> None:
        self._heard: OrderedDict[int, LocalInstant | None] = OrderedDict()
        self._tracker = OffsetTracker()
        self._probation = Probation()
        self.refused = 0
        """Marks that causality excluded, or that came too late."""

    def rebase(self) -> None:
        """Forget the offset and keep the trust earned: the same leader's host counts from elsewhere now."""
        self._heard.clear()
        self._probation.rebase()
        self._tracker.restart()

    def begin_anew(self) -> None:
        """Forget the offset alone: what the marks agreed on is disproven, and the next ones may agree on another."""
        self._tracker.restart()

    def restart(self) -> None:
        """Forget everything: another leader, or another radio."""
        self.rebase()
        self._probation.restart()

    def note_heard(self, turn: int, heard_at: LocalInstant) -> None:
        """Remember when the Tally for ``turn`` was heard. Two for one turn cannot both be the marker's: neither
        counts."""
        self._heard[turn] = None if turn in self._heard else heard_at
        if len(self._heard) > HEARD_KEPT:
            self._heard.popitem(last=False)

    def note_delay(self, delay_ns: int) -> None:
        """Remember how long a beacon to the group took, by the uncorrected estimate: a mark is judged beside it."""
        self._probation.note_delay(delay_ns)

    def observe(
        self,
        serial: int,
        sent_at: LeaderInstant,
        interval_ns: int,
        marks: tuple[Mark, ...],
        bound: CausalityBound,
        uncorrected: Estimate | None,
        now: LocalInstant,
        sounded: bool = True,
    ) -> None:
        """Take the marks that the beacon ``serial`` published. Each is used once; the second publication is a spare.

        ``sounded``: whether the uncorrected estimate rests on soundings too. One on beacons alone has their whole delay
        in it, and nothing that could be held against a mark.
        """
        keep_ns = max(MARK_INTERVALS * interval_ns, HEARD_FOR_NS)
        for turns_back, age_ns in marks:
            turn = (serial - turns_back) & U32
            heard_at = self._heard.get(turn)
            if heard_at is None:
                continue
            self._heard[turn] = None  # used; a late duplicate of that Tally must not pass for it
            if age_ns > MARK_INTERVALS * interval_ns or now - heard_at > keep_ns:
                self.refused += 1
                continue
            offset_ns = heard_at - (sent_at - age_ns)
            lower, upper = bound.interval_ns(now)
            # The interval is of now; the mark is of a moment ago, by which the offset can have moved a little.
            slack = 0 if uncorrected is None else round(abs(uncorrected.rate) * (now - heard_at))
            outside_ns = max(lower - slack - offset_ns, offset_ns - upper - slack)
            tracked, scatter_ns = self._tracker.estimate(), math.inf
            if tracked is not None and self._tracker.count >= MARKS_BEFORE_USE:
                scatter_ns = math.hypot(tracked.deviation_ns, self._tracker.noise_ns)
            self._probation.observe(
                heard_at,
                offset_ns,
                outside_ns <= STAMPING_NS,
                tracked,
                scatter_ns,
                uncorrected,
                sounded,
            )
            if outside_ns > 0:
                self.refused += 1
                continue
            self._tracker.observe(heard_at, offset_ns, uncorrected)

    @property
    def on_probation(self) -> bool:
        """Whether the marks have not, or no longer, earned trust, and are not sharp either."""
        return not self._probation.is_passed

    def estimate(self, now: LocalInstant) -> Estimate | None:
        """Return the estimate by marks, or ``None`` while they are on probation or have ceased."""
        if not self._probation.is_passed or self._tracker.count < MARKS_BEFORE_USE:
            return None
        estimate = self._tracker.estimate()
        if estimate is None or now - estimate.at > STALE_NS:
            return None
        return estimate
