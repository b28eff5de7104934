"""Whether followers do what the leader says: reports that contradict its cue for long, stops, and silence.

Beacons go out and nothing comes back of them but Tallies. Where those say otherwise, somebody may have deceived the
followers, or the leader is alone with its view: people are told, and the state is repeated in a burst.
"""

from __future__ import annotations

from typing import Final

from leadlight.leader.limiter import RateLimiter
from leadlight.leader.roster import Roster, RosterEntry
from leadlight.terms import CueState
from leadlight.units import MILLISECOND, SECOND, LocalInstant

CONTRADICTED_AFTER_NS: Final = 10 * SECOND
"""A follower may wait five seconds for a lock, two for another change, and tells of both shortly after."""
SILENT_AS_ONE_NS: Final = 15 * SECOND
"""Twice as long as a small group's Tallies are apart at the most."""
SILENT_SPACINGS: Final = 3
"""The same of a large group, in Tally spacings."""
REPEATED_EVERY_NS: Final = 10 * SECOND
"""The state is repeated no more often, whatever is reported."""
STOP_REPEATED_NS: Final = 140 * MILLISECOND
STOP_REPEATED_FOR_NS: Final = 600 * SECOND
"""As long as a follower may go on with a show without hearing a beacon; it is dark by itself after that."""


class Confirmation:
    """What one tenure makes of its followers' reports."""

    __slots__ = ("_repeats", "_was_silent", "stopped_at")

    def __init__(self, now: LocalInstant) -> None:
        self.stopped_at = now
        """When a stop was ordered last, if one is in force."""
        self._repeats = RateLimiter.once_in(REPEATED_EVERY_NS, 1)
        self._was_silent = False

    def may_repeat(self, now: LocalInstant) -> bool:
        """Return whether the state may be repeated in a burst at ``now``; if so, it counts."""
        return self._repeats.allow(now)

    @staticmethod
    def is_contradicted(entry: RosterEntry, state: CueState, now: LocalInstant) -> bool:
        """Take a follower's report that has just come; return whether it has contradicted ``state`` for long."""
        tally = entry.tally
        if tally is None or tally.cue_state is state:
            entry.contradicts_since = None
            entry.contradicts = False
            return False
        since = entry.contradicts_since
        # A board that has begun anew since has to find its way first.
        if since is None or since[:2] != (state, tally.instance):
            entry.contradicts_since = state, tally.instance, now
            entry.contradicts = False
            return False
        return now - since[2] >= CONTRADICTED_AFTER_NS

    def is_news_of_silence(self, roster: Roster, tally_spacing_ns: int, now: LocalInstant) -> int:
        """Return how many followers have fallen silent, where all that report have, two at least; 0 once told."""
        patience_ns = max(SILENT_AS_ONE_NS, SILENT_SPACINGS * tally_spacing_ns)
        last = roster.last_reported_at()
        if last is None or now - last < patience_ns:
            self._was_silent = False
            return 0
        if self._was_silent:
            return 0
        self._was_silent = True
        count = sum(entry.tally is not None and not entry.lost for entry in roster)
        return count if count > 1 else 0

    def has_stopped(self, entry: RosterEntry) -> bool:
        """Return whether a follower has confirmed the stop, since it was ordered."""
        tally, tallied_at = entry.tally, entry.tallied_at
        if tally is None or tally.cue_state is not CueState.STOPPED:
            return False
        return tallied_at is not None and tallied_at >= self.stopped_at

    def must_repeat_stop(self, roster: Roster, now: LocalInstant) -> bool:
        """Return whether somebody who has reported may still go on with a show that was stopped."""
        if now - self.stopped_at >= STOP_REPEATED_FOR_NS:
            return False
        return any(entry.tally is not None and not self.has_stopped(entry) for entry in roster)
