"""How wrong the clock can be: the causality bound, which is a proof, and the statistical bound, which is a judgement.

**Causality.** No packet arrives before it is sent. A packet from the leader, stamped ``T`` there and ``t`` here, proves
``offset <= t - T``; one to the leader, stamped ``t`` here and ``T`` there, proves ``offset >= t - T``. Between samples
the proof is aged by the *declared drift*, the most by which the offset's rate can differ from the rate in use. The
bound is true for as long as that declaration is, whatever the network does. Nothing but such a sample narrows it, and
nothing but a new timebase clears it.

**Statistics.** Inside the causality bound the estimator's deviation says more, but no measurement can tell an offset
from a difference between the two paths' floors. The statistical bound therefore adds a share of the floor.

**One way.** A clock that rests on beacons alone cannot tell its offset from what held all of them back. An access point
whose stations doze makes group frames wait for up to a third of a second, and longer if it is set so. How long the
luckiest may have waited follows from how the others scatter (``Lateness``), and is nothing that one or two can tell.
"""

from __future__ import annotations

import math
from typing import Final

from leadlight.clock.estimator import Estimate, Exchange
from leadlight.units import MILLISECOND, LeaderInstant, LocalInstant

DECLARED_DRIFT: Final = 200e-6
"""Declared drift until the clock has settled: worse than any crystal oscillator sold for boards."""
SETTLED_DRIFT: Final = 1e-6
"""Declared drift once settled, about the learnt rate, to which that rate's deviations are added."""
SETTLED_DEVIATIONS: Final = 5.0
"""How many of the rate's standard deviations: what was learnt in a long spell of congestion errs by more than three."""

FLOOR_SHARE: Final = 0.3
"""By how much of a path's floor its two directions may differ before the statistical bound fails."""
CONTINUED_WITHIN_NS: Final = 2 * MILLISECOND
"""By how much a timebase may be off that another leader continues, and so the widest bound with which one does."""
DEVIATIONS: Final = 3.0
"""How many of the estimator's standard deviations the statistical bound holds."""
RATE_WANDER: Final = 0.06e-6
"""Random walk of the rate, per square root of a second: crystals outdoors, with a margin of two."""

LATENESS_WINDOW: Final = 64
"""The lateness of so many packets is averaged; more have not found the edge any better, for clocks drift meanwhile."""
UNSEEN_WAITS: Final = 11.8
"""Of n waits that are even over some span the least is longer than 5.9 n-ths of it once in 370 times, as an error is
longer than three of its deviations; and the span is twice their mean. Of exponential waits it is half as much."""

UNPROVEN: Final = 1 << 62
"""An offset further out than this cannot be: 146 years."""


class CausalityBound:
    """The interval in which the offset must lie, in whole nanoseconds.

    ``declared_drift`` is a pure number. Until ``settle`` it is about a rate of zero, afterwards about the learnt rate.
    """

    __slots__ = ("_at", "_declared_drift", "_rate", "broken", "contradiction_ns", "drift", "lower_ns", "upper_ns")

    def __init__(self, declared_drift: float = DECLARED_DRIFT) -> None:
        self._at: LocalInstant | None = None
        self._rate = 0.0
        self._declared_drift = declared_drift
        self.drift = declared_drift
        self.lower_ns = -UNPROVEN
        self.upper_ns = UNPROVEN
        self.broken = 0
        """How often two proofs contradicted each other: the declared drift was not true."""
        self.contradiction_ns = 0
        """By how much the last two did."""

    def settle(self, rate: float, rate_deviation: float) -> None:
        """Declare from now on that the rate stays near ``rate``, the drift by its standard deviation."""
        if rate_deviation == math.inf:
            return  # an estimator that keeps no account of its rate has nothing to declare
        self._rate = rate
        self.drift = SETTLED_DRIFT + SETTLED_DEVIATIONS * rate_deviation

    def clear(self) -> None:
        """Forget every proof: the clock that they were about is no longer the leader's."""
        self._at = None
        self._rate = 0.0
        self.drift = self._declared_drift
        self.lower_ns = -UNPROVEN
        self.upper_ns = UNPROVEN

    def widened(self, by_ns: int) -> CausalityBound:
        """Return another whose sides are so much looser: what may still be judged by when it is no proof any more."""
        wider = CausalityBound(self._declared_drift)
        wider._at, wider._rate, wider.drift = self._at, self._rate, self.drift
        wider.lower_ns = self.lower_ns - by_ns if self.lower_ns > -UNPROVEN else -UNPROVEN
        wider.upper_ns = self.upper_ns + by_ns if self.upper_ns < UNPROVEN else UNPROVEN
        return wider

    def observe_arrival(self, sent_at: LeaderInstant, received_at: LocalInstant) -> None:
        """A packet from the leader came at ``received_at``: the offset is no greater than it shows."""
        offset_ns = received_at - sent_at
        behind = self._age(received_at)
        if behind:
            offset_ns += math.ceil(behind * (self._rate + self.drift))
        if offset_ns < self.upper_ns:
            self._prove_upper(offset_ns)

    def observe_exchange(self, exchange: Exchange) -> None:
        """Both ways of an exchange: the way up was proven when it was sent, and has aged since."""
        sent_at, leader_received_at, leader_sent_at, received_at = exchange
        behind = self._age(received_at)
        self._prove_upper(received_at - leader_sent_at + math.ceil(behind * (self._rate + self.drift)))
        flight = received_at - sent_at + behind
        self._prove_lower(sent_at - leader_received_at + math.floor(flight * (self._rate - self.drift)))

    @property
    def is_two_sided(self) -> bool:
        """Whether both sides are proven; one-way packets alone never prove that a clock is not ahead."""
        return self.lower_ns > -UNPROVEN and self.upper_ns < UNPROVEN

    @property
    def declared_rates(self) -> tuple[float, float]:
        """The least and the greatest rate of the offset that proofs are aged by: what is declared now."""
        return self._rate - self.drift, self._rate + self.drift

    def half_width_ns(self, estimate: Estimate, now: LocalInstant) -> int | None:
        """Return the largest error that ``estimate`` can have at ``now``; ``None`` while one side is unproven."""
        if not self.is_two_sided:
            return None
        offset = estimate.offset_at(now)
        lower, upper = self.interval_ns(now)
        ahead, behind = upper - offset, offset - lower
        return ahead if ahead > behind else behind

    def interval_ns(self, now: LocalInstant) -> tuple[int, int]:
        """Return the lower and upper limit of the offset at ``now``; a side that is not proven is ``UNPROVEN`` away."""
        elapsed = 0 if self._at is None else now - self._at
        if not elapsed:
            return self.lower_ns, self.upper_ns
        # The offset moves by ``elapsed`` times a rate between these two; for the past they change places.
        slow, fast = elapsed * (self._rate - self.drift), elapsed * (self._rate + self.drift)
        if elapsed < 0:
            slow, fast = fast, slow
        lower, upper = self.lower_ns, self.upper_ns
        if lower > -UNPROVEN:
            lower += math.floor(slow)
        if upper < UNPROVEN:
            upper += math.ceil(fast)
        return lower, upper

    def _age(self, now: LocalInstant) -> int:
        """Carry the proofs to ``now``; return by how much a sample of ``now`` is older than what they are about.

        Two sockets may hand over their datagrams a little out of order.
        """
        if self._at is None:
            self._at = now
        elif now > self._at:
            elapsed = now - self._at  # as interval_ns has it, and here never below zero
            if self.lower_ns > -UNPROVEN:
                self.lower_ns += math.floor(elapsed * (self._rate - self.drift))
            if self.upper_ns < UNPROVEN:
                self.upper_ns += math.ceil(elapsed * (self._rate + self.drift))
            self._at = now
        return self._at - now

    def _prove_upper(self, offset_ns: int) -> None:
        if offset_ns < self.upper_ns:
            self.upper_ns = offset_ns
            if offset_ns < self.lower_ns:
                # The older proof has aged under a false declaration; the fresh one has not aged at all.
                self.contradiction_ns = self.lower_ns - offset_ns
                self.lower_ns = -UNPROVEN
                self.broken += 1

    def _prove_lower(self, offset_ns: int) -> None:
        if offset_ns > self.lower_ns:
            self.lower_ns = offset_ns
            if offset_ns > self.upper_ns:
                self.contradiction_ns = offset_ns - self.upper_ns
                self.upper_ns = UNPROVEN
                self.broken += 1


class Lateness:
    """How late packets from the leader are beside the earliest, which may have been held back itself.

    ``count`` is how many there were. The mean is over the last ``LATENESS_WINDOW`` or so.
    """

    __slots__ = ("_at", "_earliest_ns", "_sum_ns", "count")

    def __init__(self) -> None:
        self.count = 0
        self._at = LocalInstant(0)
        self._earliest_ns = 0.0
        self._sum_ns = 0.0

    def note(self, offset_ns: int, at: LocalInstant, rate: float) -> None:
        """Take a packet that came at ``at`` and by itself shows ``offset_ns``; the offset grows at ``rate``."""
        before = self.count if self.count < LATENESS_WINDOW else LATENESS_WINDOW - 1
        if self.count >= LATENESS_WINDOW:
            self._sum_ns -= self._sum_ns / LATENESS_WINDOW
        self.count += 1
        late_ns = offset_ns - self._earliest_at(at, rate)
        if before == 0 or late_ns < 0.0:
            # All that came before are later than was thought.
            self._sum_ns -= before * late_ns
            self._at, self._earliest_ns = at, float(offset_ns)
        else:
            self._sum_ns += late_ns

    @property
    def mean_ns(self) -> float:
        """How much later than the earliest the others are on average; 0 before the second."""
        count = self.count if self.count < LATENESS_WINDOW else LATENESS_WINDOW
        return 0.0 if count < 2 else self._sum_ns / (count - 1)

    def _earliest_at(self, now: LocalInstant, rate: float) -> float:
        return self._earliest_ns + rate * (now - self._at)

    def half_width_ns(self, estimate: Estimate, now: LocalInstant, bound: CausalityBound) -> float:
        """Return the largest error at ``now`` that no packet speaks against; infinite before the second.

        The offset is below what is proven, and above what the earliest shows less its path's floor and the longest wait
        that all may have shared.
        """
        count = self.count if self.count < LATENESS_WINDOW else LATENESS_WINDOW
        if count < 2:
            return math.inf
        wait_ns = UNSEEN_WAITS * self.mean_ns / count
        offset_ns = estimate.offset_at(now)
        _, upper = bound.interval_ns(now)
        return max(upper - offset_ns, offset_ns - self._earliest_at(now, estimate.rate) + wait_ns + estimate.floor_ns)


def deviation_at_ns(estimate: Estimate, now: LocalInstant) -> float:
    """Return the standard deviation of ``estimate`` at ``now`` by its own account and its age.

    The rate's deviation grows the error linearly, its random walk as the age to the power of three halves.
    """
    at, _, _, deviation_ns, rate_deviation, _ = estimate
    age = now - at
    if age <= 0:
        return deviation_ns
    age_s = age * 1e-9
    wander_ns = RATE_WANDER * math.sqrt(age_s / 3) * age
    return math.hypot(deviation_ns, rate_deviation * age, wander_ns)


def statistical_half_width_ns(estimate: Estimate, now: LocalInstant) -> float:
    """Return the statistical bound of ``estimate`` at ``now``: its own account, its age, and the floors' doubt."""
    at, _, _, deviation_ns, _, floor_ns = estimate
    if at < now:
        deviation_ns = deviation_at_ns(estimate, now)
    return DEVIATIONS * deviation_ns + FLOOR_SHARE * floor_ns
