"""Estimators side by side: one that steers, others that are shown the same samples and steer nothing."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from leadlight.clock import CausalityBound, EdgeFilter, Estimate, Estimator, Exchange
from leadlight.units import LeaderInstant, LocalInstant
from leadlight_sim.baselines.latest_beacon import LatestBeacon


class Accompanied:
    """One estimator that steers, and others that are shown the same samples and steer nothing."""

    def __init__(self, steering: Estimator, others: Sequence[Estimator]) -> None:
        self.steering = steering
        self.others = others

    def observe_beacon(self, sent_at: LeaderInstant, received_at: LocalInstant) -> None:
        """Show a beacon to all."""
        self.steering.observe_beacon(sent_at, received_at)
        for other in self.others:
            other.observe_beacon(sent_at, received_at)

    def observe_copy(self, sent_at: LeaderInstant, received_at: LocalInstant) -> None:
        """Show a copy to all."""
        self.steering.observe_copy(sent_at, received_at)
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
        self.steering.rebase()
        for other in self.others:
            other.rebase()

    def reopen_paths(self) -> None:
        """Tell all."""
        self.steering.reopen_paths()
        for other in self.others:
            other.reopen_paths()


def accompanied(
    steering: Callable[[CausalityBound], Estimator] = EdgeFilter,
    others: Sequence[Callable[[], Estimator]] = (LatestBeacon,),
) -> Callable[[CausalityBound], Accompanied]:
    """Return a maker of estimators for ``ClockSettings``: one that steers, the others looking on."""
    return lambda bound: Accompanied(steering(bound), [make() for make in others])
