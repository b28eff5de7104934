"""What every clock estimator is: something shown samples that answers how far apart two clocks are.

The *offset* is this node's clock minus the leader's, and the *rate* is how fast the offset grows, as a pure number
(1e-6 is one part per million). An estimator never reads a clock: the local instants in its samples are all it
knows of time.
"""

from __future__ import annotations

import math
from functools import partial
from typing import Final, NamedTuple, Protocol

from leadlight.units import LeaderInstant, LocalInstant


class Exchange(NamedTuple):
    """The four instants of one Sounding and its Echo."""

    sent_at: LocalInstant
    leader_received_at: LeaderInstant
    leader_sent_at: LeaderInstant
    received_at: LocalInstant

    @property
    def round_trip_ns(self) -> int:
        """Time on the way, both ways together, without the leader's turnaround."""
        return (self.received_at - self.sent_at) - (self.leader_sent_at - self.leader_received_at)


class Estimate(NamedTuple):
    """An offset and its rate at one local instant, with what the estimator knows of its own error.

    ``deviation_ns`` and ``rate_deviation`` are standard deviations, infinite for an estimator that keeps no account.
    ``floor_ns`` is the least one-way delay it has learnt, half of which no measurement can tell from an offset.
    """

    at: LocalInstant
    offset_ns: int
    rate: float
    deviation_ns: float = math.inf
    rate_deviation: float = math.inf
    floor_ns: float = 0.0

    def offset_at(self, local: LocalInstant) -> int:
        """Return the offset at another local instant, by the rate."""
        # Taken apart at once, here and below: to read one field of a named tuple costs Python 3.11 as much.
        at, offset_ns, rate, _, _, _ = self
        return offset_ns + round(rate * (local - at))

    def leader_at(self, local: LocalInstant) -> LeaderInstant:
        """Return what the leader's clock shows at a local instant."""
        at, offset_ns, rate, _, _, _ = self
        return LeaderInstant(local - offset_ns - round(rate * (local - at)))

    def local_at(self, leader: LeaderInstant) -> LocalInstant:
        """Return what the local clock shows at a leader instant, to the nanosecond of rounding."""
        # local = leader + offset + rate·(local - at), solved for local.
        at, offset_ns, rate, _, _, _ = self
        elapsed = leader + offset_ns - at
        return LocalInstant(at + elapsed + round(elapsed * (rate / (1.0 - rate))))


new_estimate: Final = partial(tuple.__new__, Estimate)
"""Makes an ``Estimate`` of a whole tuple in order, in half the time: one is made for every packet."""


class Estimator(Protocol):
    """Turns samples into an offset. Samples arrive in order of local time."""

    def observe_beacon(self, sent_at: LeaderInstant, received_at: LocalInstant) -> None:
        """Take a beacon that was sent to the group."""

    def observe_copy(self, sent_at: LeaderInstant, received_at: LocalInstant) -> None:
        """Take a beacon that was sent to this follower alone."""

    def observe_exchange(self, exchange: Exchange) -> None:
        """Take a Sounding that was answered."""

    def estimate(self) -> Estimate | None:
        """Return the estimate after the last sample, or ``None`` before the first."""

    def rebase(self) -> None:
        """Forget the offset and keep what else was learnt: the same leader's host counts from elsewhere now."""

    def reopen_paths(self) -> None:
        """Forget what is known of the paths' delays, and keep the clock: the network has changed."""
