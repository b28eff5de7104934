"""What the baselines on beacons share: a beacon's offset, less the delay that exchanges suggest.

A beacon alone gives the offset plus its delay. Textbooks take the delay off as half a round trip. Estimators that
average take the mean one (the *mean path delay* of IEEE 1588-2019, 11.3). Those that look for the edge take the least.
So every baseline uses the same beacons and the same exchanges as the library's own estimator.
"""

from __future__ import annotations

from collections import deque
from typing import Protocol

from leadlight.clock import Estimate, Exchange
from leadlight.units import MILLISECOND, LeaderInstant, LocalInstant

ASSUMED_DELAY_NS = MILLISECOND
"""Before the first exchange."""


class PathDelay(Protocol):
    """Anything that says what to take off a beacon's offset."""

    @property
    def delay_ns(self) -> float:
        """The delay, in ns."""

    def observe(self, exchange: Exchange) -> None:
        """Take an exchange."""

    def restart(self) -> None:
        """Forget everything."""


class MeanPathDelay:
    """Half the round trip, smoothed exponentially with ``gain``."""

    def __init__(self, gain: float) -> None:
        self._gain = gain
        self.restart()

    def restart(self) -> None:
        """Forget everything."""
        self.delay_ns = float(ASSUMED_DELAY_NS)
        self._count = 0

    def observe(self, exchange: Exchange) -> None:
        """Take an exchange."""
        self._count += 1
        gain = max(self._gain, 1 / self._count)
        self.delay_ns += gain * (exchange.round_trip_ns / 2 - self.delay_ns)


class LeastPathDelay:
    """Half the least of the latest ``kept`` round trips."""

    def __init__(self, kept: int) -> None:
        self._round_trips: deque[int] = deque(maxlen=kept)
        self.restart()

    def restart(self) -> None:
        """Forget everything."""
        self.delay_ns = float(ASSUMED_DELAY_NS)
        self._round_trips.clear()

    def observe(self, exchange: Exchange) -> None:
        """Take an exchange."""
        self._round_trips.append(exchange.round_trip_ns)
        self.delay_ns = min(self._round_trips) / 2


class OneWay:
    """A baseline that tracks beacons. What it makes of them is ``_take``'s; ``_offset`` and ``_rate`` are its answer.

    Inside, offsets are in ns relative to the first one's and times in s since it, so that doubles are exact enough.
    """

    def __init__(self, path: PathDelay) -> None:
        self._path = path
        self._forget()

    def _forget(self) -> None:
        self._base: int | None = None
        self._begun = self._at = LocalInstant(0)
        self._offset = 0.0
        self._rate = 0.0

    def _take(self, at_s: float, offset: float) -> None:
        """Take a sample: set ``_offset``, in ns at this instant, and ``_rate``, in ns per second."""
        raise NotImplementedError

    def observe_beacon(self, sent_at: LeaderInstant, received_at: LocalInstant) -> None:
        """Take a beacon that was sent to the group."""
        if self._base is None:
            self._base = received_at - sent_at
            self._begun = received_at
        self._at = received_at
        self._take((received_at - self._begun) * 1e-9, received_at - sent_at - self._base - self._path.delay_ns)

    def observe_copy(self, sent_at: LeaderInstant, received_at: LocalInstant) -> None:
        """Take a beacon that was sent to this follower alone as any other."""
        self.observe_beacon(sent_at, received_at)

    def observe_exchange(self, exchange: Exchange) -> None:
        """Learn the path's delay."""
        self._path.observe(exchange)

    def estimate(self) -> Estimate | None:
        """Return the estimate after the last beacon, or ``None`` before the first."""
        if self._base is None:
            return None
        return Estimate(self._at, self._base + round(self._offset), self._rate * 1e-9)

    def rebase(self) -> None:
        """Begin anew, with the path's delay as it was."""
        self._forget()

    def reopen_paths(self) -> None:
        """Forget the path's delay."""
        self._path.restart()
