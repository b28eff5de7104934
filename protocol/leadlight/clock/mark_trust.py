"""Trust in marks: how they earn it on probation, keep it and lose it.

A mark is free of every queue only if leader and follower heard the same transmission. A leader on the cable, another
access point, or one that turns group frames into copies for each station breaks that. Five things are looked at:

* *Causality.* Nearly all marks must lie inside what causality has proven, but for the time stamps' own error. A single
  stray may not.
* *Bias.* A queue that fills or empties drags the residuals to one side; time stamps scatter to both.
* *Soundings.* A constant error moves no residual, but it parts marks from what beacons and soundings alone make of the
  offset. Where most of a probation's marks lie beyond what those vouch for, all on one side, the two contradict each
  other, and marks give way. The soundings' error has a floor's size, a mark's may have any.
* *Sharpness.* Before so many marks are at hand, a few will do that agree far better than the beacons. A mark with a
  queue in it scatters as the beacons' delays do, which went through that same queue.
* What none of these can see is a constant error smaller than the soundings' own; the statistical bound says so.
"""

from __future__ import annotations

import math
from collections import deque
from statistics import median
from typing import Final

from leadlight.clock.bound import statistical_half_width_ns
from leadlight.clock.estimator import Estimate
from leadlight.units import MICROSECOND, LocalInstant

PROBATION: Final = 32
POSSIBLE_SHARE: Final = 0.98
"""Of a full probation's marks, but strays, so many must be possible by causality for trust to be earned."""
STRAY_DEVIATIONS: Final = 4.0
"""An impossible mark that is so far from the other marks as well is a stray: it speaks of a host that was late with one
packet, as some are with one in a hundred, and not of the way that marks take. One that agrees with the others does."""
POSSIBLE_SHARE_KEPT: Final = 0.9
"""Trust once earned is lost below this: a host that is late with one packet in a hundred is no reason."""
BIAS_DEVIATIONS: Final = 4.0
"""Residuals are biased if those above outnumber those below, or the other way, by so many of a fair coin's
deviations."""
SIDED_NS: Final = 10 * MICROSECOND
"""A smaller residual counts for neither side. Where both hosts stamp exactly nothing scatters, and what is left is how
the tracker lags behind a crystal that warms or cools: to one side, and too little for a queue."""
VOUCHED_TIMES: Final = 1.5
"""Marks are beyond what soundings vouch for at so many of their statistical half-widths. A clock that began in a jam
may be wrong by more than one of them for some minutes, and marks are what puts it right."""
CONTRADICTING_SHARE: Final = 0.5
"""Soundings contradict marks if more than this share lies beyond them, those on the other side taken off."""
SHARP_WINDOW: Final = 6
"""So many latest marks are looked at for sharpness."""
SHARP_MINIMUM: Final = 4
SHARP_SHARE: Final = 0.5
"""Their whole range must stay below this share of the beacon delays' median deviation; below half of it while the
window is not full. Marks that scatter as exponential delays do pass by chance once in 500 times (1 in 1000 full)."""
DELAYS_KEPT: Final = 16
STAMPING_NS: Final = 100 * MICROSECOND
"""By so much two hosts may differ in how soon they stamp a packet. It is added to the statistical bound of an estimate
by marks, and to what causality proves and soundings vouch for when marks are held against them."""


class _Recent:
    """What was found of the last ``PROBATION`` marks, and the sums, kept up with each: adding them up anew for every
    mark costs more."""

    __slots__ = ("_found", "beyond", "possible", "strays")

    def __init__(self) -> None:
        self._found: deque[tuple[bool, bool, int]] = deque()
        self.possible = 0
        """How many causality allows."""
        self.strays = 0
        self.beyond = 0
        """How many more lie beyond what soundings vouch for on one side than on the other."""

    def __len__(self) -> int:
        return len(self._found)

    def append(self, is_possible: bool, is_stray: bool, beyond: int) -> None:
        self._found.append((is_possible, is_stray, beyond))
        self.possible += is_possible
        self.strays += is_stray
        self.beyond += beyond
        if len(self._found) > PROBATION:
            was_possible, was_stray, was_beyond = self._found.popleft()
            self.possible -= was_possible
            self.strays -= was_stray
            self.beyond -= was_beyond


class Probation:
    """Judges one follower's marks, one after the other."""

    def __init__(self) -> None:
        self.is_passed = False
        """Whether marks may steer: they have earned trust, or are sharp."""
        self._delays: deque[int] = deque(maxlen=DELAYS_KEPT)
        self._latest: deque[tuple[LocalInstant, int]] = deque(maxlen=SHARP_WINDOW)
        self.restart()

    def rebase(self) -> None:
        """Forget the offsets and keep the trust earned: the same leader's host counts from elsewhere now."""
        self._delays.clear()
        self._latest.clear()

    def restart(self) -> None:
        """Forget everything: another leader, or another radio."""
        self.rebase()
        self._begin()
        self._contradicted = False

    def _begin(self) -> None:
        self._recent = _Recent()
        self._sides: deque[bool] = deque(maxlen=PROBATION)
        self._trusted = self.is_passed = False

    def note_delay(self, delay_ns: int) -> None:
        """Remember how long a beacon to the group took, by the uncorrected estimate: a mark is judged beside it."""
        self._delays.append(delay_ns)

    def observe(
        self,
        heard_at: LocalInstant,
        offset_ns: int,
        possible: bool,
        tracked: Estimate | None,
        scatter_ns: float,
        uncorrected: Estimate | None,
        sounded: bool,
    ) -> None:
        """Judge the marks so far and this one: its sample of the offset, and whether causality allows it.

        ``tracked`` is what the marks before it agree on, if they are enough to agree, and ``scatter_ns`` the standard
        deviation of a mark about that. ``uncorrected`` is the estimate from beacons, and from soundings too if
        ``sounded``.
        """
        residual = 0 if tracked is None else offset_ns - tracked.offset_at(heard_at)
        is_stray = not possible and scatter_ns < math.inf and abs(residual) > STRAY_DEVIATIONS * scatter_ns
        beyond = _beyond(heard_at, offset_ns, uncorrected) if sounded and uncorrected is not None else 0
        self._recent.append(possible, is_stray, beyond)
        if possible and abs(residual) >= SIDED_NS:
            self._sides.append(residual > 0)
        self._latest.append((heard_at, offset_ns))
        self._judge(0.0 if uncorrected is None else uncorrected.rate)

    def _judge(self, rate: float) -> None:
        """Give or take trust by the last marks."""
        recent = self._recent
        count, possible = len(recent), recent.possible
        if count >= SHARP_MINIMUM and abs(recent.beyond) > CONTRADICTING_SHARE * count:
            # From the beginning, and the whole of it: marks that go a crooked way can be as sharp as others.
            self._begin()
            self._contradicted = True
            return
        kept = possible >= POSSIBLE_SHARE_KEPT * count
        agreeing = count - recent.strays
        if count < PROBATION:
            self.is_passed = kept and not self._contradicted and possible == agreeing and self._are_sharp(rate)
            return
        earned = kept and (self._trusted or possible >= POSSIBLE_SHARE * agreeing)
        sided = len(self._sides)
        bias = abs(2 * sum(self._sides) - sided)
        self._trusted = earned and bias <= BIAS_DEVIATIONS * math.sqrt(sided or 1)
        self.is_passed = self._trusted

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


def _beyond(heard_at: LocalInstant, offset_ns: int, uncorrected: Estimate) -> int:
    """Return on which side a mark lies beyond what the uncorrected estimate vouches for: -1, 1, or 0 for neither."""
    apart = offset_ns - uncorrected.offset_at(heard_at)
    # The stamps' own error covers most, and costs no root.
    if -STAMPING_NS <= apart <= STAMPING_NS:
        return 0
    if abs(apart) <= VOUCHED_TIMES * statistical_half_width_ns(uncorrected, heard_at) + STAMPING_NS:
        return 0
    return 1 if apart > 0 else -1
