"""A limit on how often something may be done: what is asked beyond it is dropped, not queued."""

from __future__ import annotations

from leadlight.units import SECOND, LocalInstant


class RateLimiter:
    """Allows ``per_second`` in the long run and ``burst`` at once. Exact, in whole nanoseconds."""

    __slots__ = ("_capacity_ns", "_cost_ns", "_filled_at", "_level_ns")

    def __init__(self, per_second: int, burst: int) -> None:
        # The bucket holds time: each permission costs 1/rate of a second, and a second fills it by a second.
        self._cost_ns = SECOND // max(per_second, 1)
        self._capacity_ns = self._cost_ns * max(burst, 1)
        self._level_ns = self._capacity_ns
        self._filled_at: LocalInstant | None = None

    @classmethod
    def once_in(cls, period_ns: int, burst: int) -> RateLimiter:
        """Return one that allows once in ``period_ns`` in the long run and ``burst`` at once."""
        limiter = cls(1, burst)
        limiter._cost_ns = period_ns
        limiter._capacity_ns = limiter._level_ns = period_ns * max(burst, 1)
        return limiter

    def allow(self, now: LocalInstant, reserve: float = 0.0) -> bool:
        """Return whether it may be done at ``now``; if so, it counts.

        ``reserve`` is the share of the burst that must be left when it is done.
        """
        if self._filled_at is not None and now > self._filled_at:
            self._level_ns = min(self._level_ns + now - self._filled_at, self._capacity_ns)
        if self._filled_at is None or now > self._filled_at:
            self._filled_at = now
        if self._level_ns < self._cost_ns + round(reserve * self._capacity_ns):
            return False
        self._level_ns -= self._cost_ns
        return True
