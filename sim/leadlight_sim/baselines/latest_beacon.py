"""The latest beacon: what a first attempt does."""

from __future__ import annotations

from leadlight.clock import Estimate, Exchange
from leadlight.units import LeaderInstant, LocalInstant


class LatestBeacon:
    """Believes the latest beacon: the leader's clock showed ``sent_at`` when it arrived. What a first attempt does."""

    def __init__(self) -> None:
        self._latest: tuple[LeaderInstant, LocalInstant] | None = None
        self._estimate: Estimate | None = None

    def observe_beacon(self, sent_at: LeaderInstant, received_at: LocalInstant) -> None:
        """Take a beacon that was sent to the group."""
        self._latest = sent_at, received_at
        self._estimate = None  # made when somebody asks

    def observe_copy(self, sent_at: LeaderInstant, received_at: LocalInstant) -> None:
        """Take a beacon that was sent to this follower alone: as good as any."""
        self.observe_beacon(sent_at, received_at)

    def observe_exchange(self, exchange: Exchange) -> None:
        """Make nothing of an exchange."""

    def estimate(self) -> Estimate | None:
        """Return the estimate after the last sample, or ``None`` before the first."""
        if self._estimate is None and self._latest is not None:
            sent_at, received_at = self._latest
            self._estimate = Estimate(received_at, received_at - sent_at, 0.0)
        return self._estimate

    def rebase(self) -> None:
        """Forget the latest beacon."""
        self._latest = self._estimate = None

    def reopen_paths(self) -> None:
        """Forget nothing: there is nothing known of paths."""
