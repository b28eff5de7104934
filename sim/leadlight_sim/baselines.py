"""Other estimators, for comparison: each in its textbook form, with its source.

They run beside the library's own on the same samples, so that a comparison is on the same luck.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

from leadlight.clock import CausalityBound, EdgeFilter, Estimate, Estimator, Exchange
from leadlight.units import LeaderInstant, LocalInstant


class LatestBeacon:
    """Believes the latest beacon: the leader's clock showed ``sent_at`` when it arrived. What a first attempt does."""

    def __init__(self) -> None:
        self._latest: Estimate | None = None

    def observe_beacon(self, sent_at: LeaderInstant, received_at: LocalInstant) -> None:
        """Take a beacon that was sent to the group."""
        self._latest = Estimate(received_at, received_at - sent_at, 0.0)

    observe_copy = observe_beacon

    def observe_exchange(self, exchange: Exchange) -> None:
        """Make nothing of an exchange."""

    def estimate(self) -> Estimate | None:
        """Return the estimate after the last sample, or ``None`` before the first."""
        return self._latest

    def rebase(self) -> None:
        """Forget the latest beacon."""
        self._latest = None

    def reopen_paths(self) -> None:
        """Forget nothing: there is nothing known of paths."""


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
