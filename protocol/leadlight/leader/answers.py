"""How many Soundings a leader answers: as many as its budget says, and most of them for who has answered before.

A Sounding that returns the cookie of its address comes from somebody who receives there. One without may come from
anywhere, a thousand times a second; it must not take the answers from those who are there.
"""

from __future__ import annotations

from typing import Final

from leadlight.leader.limiter import RateLimiter
from leadlight.units import SECOND, LocalInstant

ANSWER_BURST_S: Final = 2
"""Seconds' worth of the sounding budget that may be answered at once."""
PROVEN_PARTS: Final = 3
UNPROVEN_PARTS: Final = 1
"""Of a budget in four parts, so many are kept for Soundings with a good cookie, and so many are for all of them."""
PROVEN_RESERVE: Final = 0.5
"""Soundings without a cookie may take from what is kept, but leave this share of its burst: a group that starts as one
has no cookies yet, and is answered as fast as ever."""


class AnswerLimit:
    """Allows ``budget`` answers a second, one at least, and ``ANSWER_BURST_S`` seconds' worth at once.

    Where the budget is too small to be divided, whoever comes first is answered.
    """

    __slots__ = ("_kept", "_open")

    def __init__(self, budget: int) -> None:
        parts = PROVEN_PARTS + UNPROVEN_PARTS
        self._open: RateLimiter | None = None
        if budget < parts:
            self._kept = RateLimiter(budget, ANSWER_BURST_S * budget)
            return
        period_ns = SECOND * parts // budget
        burst = ANSWER_BURST_S * budget * UNPROVEN_PARTS // parts
        self._open = RateLimiter.once_in(period_ns // UNPROVEN_PARTS, burst)
        self._kept = RateLimiter.once_in(-(-period_ns // PROVEN_PARTS), ANSWER_BURST_S * budget - burst)

    def allow(self, now: LocalInstant, is_proven: bool) -> bool:
        """Return whether a Sounding that came at ``now`` is answered; if so, it counts."""
        if self._open is None:
            return self._kept.allow(now)
        if is_proven:
            return self._kept.allow(now) or self._open.allow(now)
        return self._open.allow(now) or self._kept.allow(now, PROVEN_RESERVE)
