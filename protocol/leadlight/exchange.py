"""A follower's Soundings: when to send one, and which Echo answers which.

After a start, a new timebase or a resumed host sixteen Soundings go out a quarter of a second apart, then one every
four seconds. A whole group that comes up after a power cut shares the leader's sounding budget: each follower begins
after a random delay, the longer the larger the group.
"""

from __future__ import annotations

from collections import OrderedDict
from typing import Final

from leadlight.clock.estimator import Exchange
from leadlight.entropy import Entropy, below, spread
from leadlight.messages import Echo
from leadlight.units import MILLISECOND, SECOND, LocalInstant

BURST: Final = 16
BURST_SPACING_NS: Final = 250 * MILLISECOND
STEADY_INTERVAL_NS: Final = 4 * SECOND
STEADY_SPREAD: Final = 0.1
START_SPREAD_MINIMUM_NS: Final = 250 * MILLISECOND
ANSWERED_WITHIN_NS: Final = 2 * SECOND
"""An Echo later than this measures nothing worth having."""
OUTSTANDING_MAXIMUM: Final = 16


def steady_interval_ns(group_size: int, budget_per_second: int) -> int:
    """Return the interval between Soundings that keeps ``group_size`` followers inside the budget."""
    return max(STEADY_INTERVAL_NS, group_size * SECOND // max(budget_per_second, 1))


def start_spread_ns(group_size: int, budget_per_second: int) -> int:
    """Return the range from which a follower draws the delay before its first Sounding.

    All bursts together are ``16 · group_size`` Soundings; one burst already lasts four seconds.
    """
    all_of_them = group_size * BURST * SECOND // max(budget_per_second, 1)
    return max(START_SPREAD_MINIMUM_NS, all_of_them - BURST * BURST_SPACING_NS)


class SoundingSchedule:
    """Times Soundings and matches Echoes to them."""

    def __init__(self, entropy: Entropy) -> None:
        self._entropy = entropy
        self._outstanding: OrderedDict[int, LocalInstant] = OrderedDict()
        self._left_in_burst = 0
        self.due_at: LocalInstant | None = None
        """When the next Sounding is due; ``None`` while there is nobody to sound."""
        self.interval_ns = STEADY_INTERVAL_NS
        self.unmatched = 0
        """Echoes that answered nothing, or came too late."""

    def begin(self, now: LocalInstant, group_size: int, budget_per_second: int) -> None:
        """Start a burst; what is outstanding belongs to the past."""
        self._outstanding.clear()
        self._left_in_burst = BURST
        self.due_at = LocalInstant(now + below(self._entropy, start_spread_ns(group_size, budget_per_second)))

    def share(self, group_size: int, budget_per_second: int) -> None:
        """Take note of how many share the budget; tells the steady interval."""
        self.interval_ns = steady_interval_ns(group_size, budget_per_second)

    def cease(self) -> None:
        """Send no more until ``begin``."""
        self.due_at = None
        self._left_in_burst = 0

    def sent(self, now: LocalInstant) -> int:
        """A Sounding goes out at ``now``: return its nonce and plan the next."""
        nonce = self._entropy.getrandbits(32)
        self._outstanding[nonce] = now
        if len(self._outstanding) > OUTSTANDING_MAXIMUM:
            self._outstanding.popitem(last=False)
        if self._left_in_burst > 1:
            self._left_in_burst -= 1
            self.due_at = LocalInstant(now + BURST_SPACING_NS)
        else:
            self._left_in_burst = 0
            self.due_at = LocalInstant(now + spread(self._entropy, self.interval_ns, STEADY_SPREAD))
        return nonce

    def answered(self, echo: Echo, received_at: LocalInstant) -> Exchange | None:
        """Return the exchange that an Echo completes, or ``None`` if it completes none."""
        sent_at = self._outstanding.pop(echo.nonce, None)
        if sent_at is None or not 0 <= received_at - sent_at <= ANSWERED_WITHIN_NS:
            self.unmatched += 1
            return None
        if echo.sent_at < echo.received_at or echo.sent_at - echo.received_at > received_at - sent_at:
            # The leader cannot have kept it longer than it was away.
            self.unmatched += 1
            return None
        return Exchange(sent_at, echo.received_at, echo.sent_at, received_at)
