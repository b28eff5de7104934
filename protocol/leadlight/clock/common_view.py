"""Common view: one packet that leader and follower both hear is a sample free of every queue.

The name is time metrology's: two clocks that see one event can be compared without knowing how long it took to reach
them. Here the event is a Tally that some follower, the *marker*, sends to the group. The access point sends it once;
leader and followers hear it at one instant. The leader publishes when it heard it; with its own arrival a follower has
``offset = heard here - heard there``, whose error is two time stamps and nothing else.

It holds only if both heard the same transmission. A leader on the cable, another access point, or one that turns group
frames into copies for each station breaks that. So marks are on probation: they steer the clock only after
``PROBATION`` samples of which nearly all lie inside what causality has proven and whose residuals lean to neither side.
Until then they steer only while they are *sharp*: a mark with a queue in it scatters as the beacons' delays do, which
went through that same queue; so if a few marks agree far better than the beacons, there is no queue in them.
What no probation can see is a constant error smaller than the proven interval; the statistical bound says so.
"""

from __future__ import annotations

import math
from collections import OrderedDict, deque
from statistics import median
from typing import Final

from leadlight.clock.bound import CausalityBound
from leadlight.clock.estimator import Estimate
from leadlight.clock.tracker import OffsetTracker
from leadlight.messages import Mark
from leadlight.units import MICROSECOND, MILLISECOND, SECOND, LeaderInstant, LocalInstant

HEARD_KEPT: Final = 64
HEARD_FOR_NS: Final = 10 * SECOND
"""A Tally is remembered this long, or three beacon intervals if that is longer."""
MARK_INTERVALS: Final = 3
"""A mark of an older Tally than so many beacon intervals is refused."""
PROBATION: Final = 32
INSIDE_SHARE: Final = 0.98
"""Of a full probation's marks, but strays, so many must lie inside the causality bound for trust to be earned."""
STRAY_DEVIATIONS: Final = 4.0
"""A mark outside the bound and so far from the other marks as well is a stray: it speaks of a host that was late with
one packet, as some are with one in a hundred, and not of the way that marks take. One outside with the others does."""
INSIDE_SHARE_KEPT: Final = 0.9
"""Trust once earned is lost below this: a host that is late with one packet in a hundred is no reason."""
SHARP_WINDOW: Final = 6
"""So many latest marks are looked at for sharpness."""
SHARP_MINIMUM: Final = 4
SHARP_SHARE: Final = 0.5
"""Their whole range must stay below this share of the beacon delays' median deviation; below half of it while the
window is not full. Marks that scatter as exponential delays do pass by luck once in 500 times (1 in 1000 full)."""
DELAYS_KEPT: Final = 16
SAMPLES_BEFORE_USE: Final = 4
STALE_NS: Final = 60 * SECOND
STAMPING_NS: Final = 100 * MICROSECOND
"""Added to the statistical bound: by so much two hosts may differ for good in how soon they stamp a packet."""
UNKNOWN_RADIO_NS: Final = 1 * MILLISECOND
"""Added instead while nobody knows whether leader and follower share a radio."""


class CommonViewClock:
    """Remembers Tallies that went to the group and tracks the offset by the leader's marks."""

    def __init__(self) -> None:
        self._heard: OrderedDict[int, LocalInstant | None] = OrderedDict()
        self._tracker = OffsetTracker()
        self._verdicts: deque[bool] = deque(maxlen=PROBATION)
        self._strays: deque[bool] = deque(maxlen=PROBATION)
        self._sides: deque[bool] = deque(maxlen=PROBATION)
        self._latest: deque[tuple[LocalInstant, int]] = deque(maxlen=SHARP_WINDOW)
        self._delays: deque[int] = deque(maxlen=DELAYS_KEPT)
        self._trusted = False
        self._sharp = False
        self.refused = 0
        """Marks that causality excluded, or that came too late."""

    def rebase(self) -> None:
        """Forget the offset and keep the trust earned: the same leader's host counts from elsewhere now."""
        self._heard.clear()
        self._latest.clear()
        self._delays.clear()
        self._tracker.restart()

    def restart(self) -> None:
        """Forget everything: another leader, or another radio."""
        self.rebase()
        self._verdicts.clear()
        self._strays.clear()
        self._sides.clear()
        self._trusted = self._sharp = False

    def note_heard(self, turn: int, heard_at: LocalInstant) -> None:
        """Remember when the Tally for ``turn`` was heard. Two for one turn cannot both be the marker's: neither
        counts."""
        self._heard[turn] = None if turn in self._heard else heard_at
        if len(self._heard) > HEARD_KEPT:
            self._heard.popitem(last=False)

    def note_delay(self, delay_ns: int) -> None:
        """Remember how long a beacon to the group took, by the uncorrected estimate: a mark is judged beside it."""
        self._delays.append(delay_ns)

    def observe(
        self,
        serial: int,
        sent_at: LeaderInstant,
        interval_ns: int,
        marks: tuple[Mark, ...],
        bound: CausalityBound,
        uncorrected: Estimate | None,
        now: LocalInstant,
    ) -> None:
        """Take the marks that the beacon ``serial`` published. Each is used once; the second publication is a spare."""
        keep_ns = max(MARK_INTERVALS * interval_ns, HEARD_FOR_NS)
        for turns_back, age_ns in marks:
            turn = serial - turns_back
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
            inside = lower - slack <= offset_ns <= upper + slack
            self._verdicts.append(inside)
            tracked = self._tracker.estimate()
            self._strays.append(not inside and self._is_stray(offset_ns, heard_at))
            if inside and tracked is not None and (residual := offset_ns - tracked.offset_at(heard_at)):
                self._sides.append(residual > 0)
            self._latest.append((heard_at, offset_ns))
            self._judge(0.0 if uncorrected is None else uncorrected.rate)
            if not inside:
                self.refused += 1
                continue
            self._tracker.observe(heard_at, offset_ns, uncorrected)

    @property
    def on_probation(self) -> bool:
        """Whether the marks have not, or no longer, earned trust, and are not sharp either."""
        return not (self._trusted or self._sharp)

    def _judge(self, rate: float) -> None:
        """Give or take trust by the last marks."""
        count, inside = len(self._verdicts), sum(self._verdicts)
        kept = inside >= INSIDE_SHARE_KEPT * count
        agreeing = count - sum(self._strays)
        if count < PROBATION:
            self._sharp = kept and inside == agreeing and self._are_sharp(rate)
            return
        self._sharp = False
        earned = kept and (self._trusted or inside >= INSIDE_SHARE * agreeing)
        # As many residuals above as below, to within four standard deviations of a fair coin.
        lean = abs(2 * sum(self._sides) - len(self._sides))
        self._trusted = earned and lean <= 4 * math.sqrt(len(self._sides) or 1)

    def _is_stray(self, offset_ns: int, heard_at: LocalInstant) -> bool:
        """Return whether a sample is far from what the marks so far agree on."""
        if self._tracker.count < SAMPLES_BEFORE_USE:
            return False
        tracked = self._tracker.estimate()
        assert tracked is not None
        scatter_ns = math.hypot(tracked.deviation_ns, self._tracker.noise_ns)
        return abs(offset_ns - tracked.offset_at(heard_at)) > STRAY_DEVIATIONS * scatter_ns

    def _are_sharp(self, rate: float) -> bool:
        """Return whether the latest marks agree far better than the beacons' delays do."""
        latest = self._latest
        if len(latest) < SHARP_MINIMUM or len(self._delays) < SHARP_MINIMUM:
            return False
        begin, _ = latest[0]
        offsets = [offset_ns - rate * (at - begin) for at, offset_ns in latest]
        middle = median(self._delays)
        share = SHARP_SHARE if len(latest) == SHARP_WINDOW else SHARP_SHARE / 2
        return max(offsets) - min(offsets) < share * median(abs(delay - middle) for delay in self._delays)

    def estimate(self, now: LocalInstant, floor_ns: float) -> Estimate | None:
        """Return the estimate by marks, or ``None`` while they are on probation or have ceased."""
        if self.on_probation or self._tracker.count < SAMPLES_BEFORE_USE:
            return None
        estimate = self._tracker.estimate(floor_ns)
        if estimate is None or now - estimate.at > STALE_NS:
            return None
        return estimate
