"""When a follower reports: seldom enough that all of them together stay few, and soon where there is news."""

from __future__ import annotations

from typing import Final

from leadlight.entropy import Entropy, below, spread
from leadlight.follower.settings import TALLY_INTERVAL_NS
from leadlight.units import MILLISECOND, SECOND, LocalInstant

TALLY_SPREAD: Final = 0.5
"""Tally intervals vary by this share either way, so that no two followers keep step (RFC 3550 section 6.3.1)."""
TALLY_SOON_NS: Final = 200 * MILLISECOND
TALLIES_KEPT: Final = 16
"""So many Tallies heard last are remembered, so that one that comes twice counts once."""
TALLIES_PER_SECOND: Final = 12
"""What all followers' Tallies together may come to (RFC 3550 section 6.2's idea)."""
NEWS_PER_SECOND: Final = 60
"""The same of Tallies that tell news, which often comes to everyone at once: a cue, a start, a leader that is found."""


def tally_spacing_ns(group_size: int, interval_ns: int = TALLY_INTERVAL_NS) -> int:
    """Return how far apart a follower's reports are on average, in ns, in a group of so many (R-TALLY-1)."""
    return max(interval_ns, group_size * SECOND // TALLIES_PER_SECOND)


class TallySchedule:
    """When one follower's next Tally is due; ``interval_ns`` is how far apart they are at the least, on average."""

    __slots__ = ("_entropy", "_heard", "_interval_ns", "due_at", "group_size", "is_due")

    def __init__(self, entropy: Entropy, interval_ns: int) -> None:
        self._entropy = entropy
        self._interval_ns = interval_ns
        self.group_size = 0
        """How many followers share the rate, by what the leader says."""
        self.due_at: LocalInstant | None = None
        """When the next Tally is due; ``None`` while this node reports to nobody."""
        self.is_due = False
        """Whether a Tally is to be sent now."""
        # Tallies heard by the group lately, oldest first.
        self._heard: dict[tuple[int, int, int], None] = {}

    def begin(self, now: LocalInstant) -> None:
        """Report to a leader that is new, the first time at any instant of an interval."""
        self.due_at = LocalInstant(now + below(self._entropy, self._spacing_ns()))

    def cease(self) -> None:
        """Report no more."""
        self.due_at = None
        self.is_due = False

    def sent(self, now: LocalInstant) -> None:
        """Plan the next Tally: one has gone out."""
        self.is_due = False
        self.due_at = LocalInstant(now + spread(self._entropy, self._spacing_ns(), TALLY_SPREAD))

    def hasten(self, now: LocalInstant) -> None:
        """Let the next Tally go out shortly: something has changed."""
        if self.due_at is not None:
            within_ns = max(TALLY_SOON_NS, self.group_size * SECOND // NEWS_PER_SECOND)
            self.due_at = min(self.due_at, LocalInstant(now + below(self._entropy, within_ns)))

    def share(self, group_size: int, now: LocalInstant) -> None:
        """Take note of how many share the rate; what is planned by a smaller share than there is now comes sooner."""
        self.group_size = group_size
        if self.due_at is not None:
            longest_ns = round((1 + TALLY_SPREAD) * self._spacing_ns())
            self.due_at = min(self.due_at, LocalInstant(now + longest_ns))

    def is_repeated(self, follower: int, instance: int, serial: int) -> bool:
        """Take another follower's Tally to the group; return whether it was heard before."""
        heard = follower, instance, serial
        if heard in self._heard:
            return True
        self._heard[heard] = None
        if len(self._heard) > TALLIES_KEPT:
            del self._heard[next(iter(self._heard))]
        return False

    def _spacing_ns(self) -> int:
        return tally_spacing_ns(self.group_size, self._interval_ns)
