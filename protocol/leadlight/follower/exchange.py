"""A follower's Soundings: when to send one, and which Echo answers which.

After a start, a new timebase or a resumed host sixteen Soundings go out a quarter of a second apart. The first four of
them are closer still, for whoever has just come up is dark until it knows the time. Then the spacing grows to one every
four seconds within some three minutes, for it takes that long to tell a rate. In a jam it does not grow for up to five
minutes, while too little is known of the clock. That is when it takes many to find one that is not late. A whole group
that comes up after a power cut shares the leader's sounding budget: no follower's spacing is ever shorter than its
share.
"""

from __future__ import annotations

from collections import OrderedDict
from typing import Final

from leadlight.clock import Exchange
from leadlight.entropy import Entropy, below, spread
from leadlight.units import MICROSECOND, MILLISECOND, MINUTE, SECOND, LocalInstant
from leadlight.wire import Echo

BURST: Final = 16
BURST_SPACING_NS: Final = 250 * MILLISECOND
FIRST_SOUNDINGS: Final = 4
FIRST_SPACING_NS: Final = 100 * MILLISECOND
"""Of the burst, so many are only so far apart: where exchanges are held for dozing stations it takes several."""
STEADY_INTERVAL_NS: Final = 4 * SECOND
SPACING_GROWTH: Final = 1.02
GROWTH_DEVIATION_NS: Final = 250 * MICROSECOND
"""While the uncorrected estimate's standard deviation is larger the spacing does not grow,"""
GROWTH_WAIT_NS: Final = 5 * MINUTE
"""for so long from the burst's beginning at the most: some networks never let it be smaller."""
SPACING_SPREAD: Final = 0.1
ANSWERED_WITHIN_NS: Final = 2 * SECOND
"""An Echo later than this measures nothing worth having."""
OUTSTANDING_MAXIMUM: Final = 16


def fair_spacing_ns(group_size: int, budget_per_second: int) -> int:
    """Return the spacing at which ``group_size`` followers together use up nine tenths of the budget, above 0.

    The last tenth is for chance: spacings vary, and so do their sums.
    """
    return group_size * SECOND * 10 // (9 * budget_per_second)


class SoundingSchedule:
    """Times Soundings and matches Echoes to them."""

    def __init__(self, entropy: Entropy) -> None:
        self._entropy = entropy
        self._outstanding: OrderedDict[int, LocalInstant] = OrderedDict()
        self._left_in_burst = 0
        self.due_at: LocalInstant | None = None
        """When the next Sounding is due; ``None`` while there is nobody to sound."""
        self.interval_ns = STEADY_INTERVAL_NS
        """The steady interval, once the burst and what follows it are over."""
        self._spacing_ns = STEADY_INTERVAL_NS
        self._is_resting = False
        self._fair_ns = 0
        self._grows_from = LocalInstant(0)
        self._group_size = self._budget = 0
        self.unmatched = 0
        """Echoes that answered nothing, or came too late."""

    def begin(self, now: LocalInstant, group_size: int, budget_per_second: int) -> None:
        """Start a burst; what is outstanding belongs to the past.

        The first Sounding goes out within one spacing, at random: a group that starts at once is spread evenly. Where
        the budget is 0 nobody sounds.
        """
        self._outstanding.clear()
        self._left_in_burst = BURST
        self._spacing_ns = FIRST_SPACING_NS
        self._grows_from = LocalInstant(now + GROWTH_WAIT_NS)
        self._is_resting = False
        self.share(group_size, budget_per_second, now)
        if budget_per_second > 0:
            self.due_at = LocalInstant(now + below(self._entropy, max(FIRST_SPACING_NS, self._fair_ns)))

    def begin_again(self, now: LocalInstant) -> None:
        """Start another burst among as many as before."""
        self.begin(now, self._group_size, self._budget)

    def hasten(self, now: LocalInstant) -> None:
        """Bring the next Sounding forward as far as the budget allows: something has to be found out."""
        if self.due_at is not None:
            within_ns = max(FIRST_SPACING_NS, self._fair_ns)
            self.due_at = min(self.due_at, LocalInstant(now + spread(self._entropy, within_ns, SPACING_SPREAD)))

    def share(self, group_size: int, budget_per_second: int, now: LocalInstant) -> None:
        """Take note at ``now`` of how many share the budget. One of 0 ends the Soundings.

        What is planned by a smaller share than there is now comes sooner.
        """
        if group_size == self._group_size and budget_per_second == self._budget:
            return
        self._group_size = group_size
        self._budget = budget_per_second
        if budget_per_second == 0:
            self.cease()
            return
        self._fair_ns = fair_spacing_ns(group_size, budget_per_second)
        self.interval_ns = max(STEADY_INTERVAL_NS, self._fair_ns)
        if self.due_at is not None:
            spacing_ns = self.interval_ns if self._is_resting else max(self._spacing_ns, self._fair_ns)
            self.due_at = min(self.due_at, LocalInstant(now + round((1 + SPACING_SPREAD) * spacing_ns)))

    def is_open(self, nonce: int) -> bool:
        """Return whether a Sounding of this nonce waits for its Echo."""
        return nonce in self._outstanding

    def rest(self, now: LocalInstant) -> None:
        """Keep to the steady interval until ``go_on``, whatever was left of the burst: nobody is there to answer."""
        self._is_resting = True
        self.due_at = LocalInstant(now + below(self._entropy, self.interval_ns))

    def go_on(self, now: LocalInstant) -> None:
        """End a rest: go on where the schedule was."""
        if not self._is_resting:
            return
        self._is_resting = False
        spacing_ns = max(self._spacing_ns, self._fair_ns)
        if spacing_ns < self.interval_ns:
            # At random within one spacing, as at the beginning: a whole group may have rested.
            self.due_at = LocalInstant(now + below(self._entropy, spacing_ns))

    def cease(self) -> None:
        """Send no more until ``begin``."""
        self.due_at = None
        self._is_resting = False

    def sent(self, now: LocalInstant, deviation_ns: float = 0.0) -> int:
        """A Sounding goes out at ``now``: return its nonce and plan the next.

        ``deviation_ns`` is the uncorrected estimate's standard deviation, 0 where nobody keeps account of one.
        """
        nonce = self._entropy.getrandbits(32)
        self._outstanding[nonce] = now
        if len(self._outstanding) > OUTSTANDING_MAXIMUM:
            self._outstanding.popitem(last=False)
        if self.due_at is None:
            return nonce  # one that was ordered, as a standby does that asks: none is planned
        if self._is_resting:
            self.due_at = LocalInstant(now + spread(self._entropy, self.interval_ns, SPACING_SPREAD))
            return nonce
        if self._left_in_burst > 1:
            self._left_in_burst -= 1
            if self._left_in_burst == BURST - FIRST_SOUNDINGS:
                self._spacing_ns = BURST_SPACING_NS
        elif deviation_ns <= GROWTH_DEVIATION_NS or now >= self._grows_from:
            self._spacing_ns = min(round(self._spacing_ns * SPACING_GROWTH), self.interval_ns)
        spacing_ns = max(self._spacing_ns, self._fair_ns)
        self.due_at = LocalInstant(now + spread(self._entropy, spacing_ns, SPACING_SPREAD))
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
