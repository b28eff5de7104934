"""Estimators side by side: one that steers, shadow clocks that steer nothing.

The others are shown each beacon once, as it first came: to the group, or as a copy. None of them can tell the two
apart, their constants were found for such samples, and who believes the latest beacon does not go back to one sent
before it.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

from leadlight.clock import CausalityBound, EdgeFilter, Estimate, Estimator, Exchange
from leadlight.units import LeaderInstant, LocalInstant
from leadlight_sim.baselines.latest_beacon import LatestBeacon


class Accompanied:
    """One estimator that steers, and others that are shown each of its beacons once, and every exchange."""

    def __init__(self, steering: Estimator, others: Sequence[Estimator]) -> None:
        self.steering = steering
        self.others = others
        self._newest: LeaderInstant | None = None

    def observe_beacon(self, sent_at: LeaderInstant, received_at: LocalInstant) -> None:
        """Show a beacon to all; to the others only if no later one, nor its copy, came before it."""
        self.steering.observe_beacon(sent_at, received_at)
        if self._is_news(sent_at):
            for other in self.others:
                other.observe_beacon(sent_at, received_at)

    def observe_copy(self, sent_at: LeaderInstant, received_at: LocalInstant) -> None:
        """Show a copy to all; to the others only if no later one, nor its beacon, came before it."""
        self.steering.observe_copy(sent_at, received_at)
        if self._is_news(sent_at):
            for other in self.others:
                other.observe_copy(sent_at, received_at)

    def observe_exchange(self, exchange: Exchange) -> None:
        """Show an exchange to all."""
        self.steering.observe_exchange(exchange)
        for other in self.others:
            other.observe_exchange(exchange)

    def estimate(self) -> Estimate | None:
        """Return the steering estimate."""
        return self.steering.estimate()

    def rebase(self) -> None:
        """Tell all."""
        self._newest = None
        self.steering.rebase()
        for other in self.others:
            other.rebase()

    def reopen_paths(self) -> None:
        """Tell all."""
        self.steering.reopen_paths()
        for other in self.others:
            other.reopen_paths()

    def _is_news(self, sent_at: LeaderInstant) -> bool:
        if self._newest is not None and sent_at <= self._newest:
            return False
        self._newest = sent_at
        return True


def accompanied(
    steering: Callable[[CausalityBound], Estimator] = EdgeFilter,
    others: Sequence[Callable[[], Estimator]] = (LatestBeacon,),
) -> Callable[[CausalityBound], Accompanied]:
    """Return a maker of estimators for ``ClockSettings``: one that steers, the others looking on."""
    return lambda bound: Accompanied(steering(bound), [make() for make in others])
