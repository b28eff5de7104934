"""When to join the group again because nothing is heard any more. Told the time; touches no socket."""

from __future__ import annotations

from leadlight.units import SECOND, LocalInstant

FIRST_WAIT_NS = 10 * SECOND
"""Longer than a leader is silent in health: the longest beacon interval advised is 5 s."""
LONGEST_WAIT_NS = 160 * SECOND
"""Below the 260 s for which a snooping switch remembers a member (RFC 3376: 2 · 125 s + 10 s)."""


class SilenceWatch:
    """Says when the group has been silent for so long that joining again is worth a try.

    The wait doubles with each try that brings nothing, from ``first_wait_ns`` to ``longest_wait_ns``.
    """

    def __init__(
        self,
        now: LocalInstant,
        first_wait_ns: int = FIRST_WAIT_NS,
        longest_wait_ns: int = LONGEST_WAIT_NS,
    ) -> None:
        self._first_wait_ns = first_wait_ns
        self._longest_wait_ns = longest_wait_ns
        self.heard(now)

    def heard(self, now: LocalInstant) -> None:
        """Note that something came from the group."""
        self._wait_ns = self._first_wait_ns
        self.due_at = LocalInstant(now + self._wait_ns)

    def take_turn(self, now: LocalInstant) -> bool:
        """Return whether it is time to join again, and if so, put the next try off."""
        if now < self.due_at:
            return False
        self._wait_ns = min(2 * self._wait_ns, self._longest_wait_ns)
        self.due_at = LocalInstant(now + self._wait_ns)
        return True
