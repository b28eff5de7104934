"""What a node says of itself that nothing in its core happens by: no leader is heard, or what is heard is refused.

A program that embeds a node may never look at its counters. So the log tells which key, group or version is another
one, with what to do, and events say it to the program. Each is said at a limited rate: a stranger may send anything.
"""

from __future__ import annotations

import logging
from collections.abc import Mapping
from typing import Final

from leadlight.events import DatagramsRefused, Event, NoLeaderHeard
from leadlight.terms import Refusal
from leadlight.units import MINUTE, SECOND, LocalInstant

LOOK_EVERY_NS: Final = SECOND
AGAIN_NS: Final = MINUTE
"""The same is said again no sooner."""
UNHEARD_AFTER_NS: Final = 5 * SECOND
"""A follower that has not heard a leader for so long says so; the usual beacon interval is a second."""

_REMEDIES: Final = {
    Refusal.BAD_TAG: "its sender has another key; give every node of the group the same key file",
    Refusal.NO_KEY: "the group has a key that this node has not, or the reverse; give every node the same key file",
    Refusal.OTHER_GROUP: "another group is on this port; every node's group must be the same, to the letter",
    Refusal.OTHER_VERSION: "its sender speaks another version of the protocol; install the same on every node",
}

_log = logging.getLogger(__name__)


class Remarks:
    """What one node of ``group`` has to say; ``look`` is told how things are, as often as you like."""

    def __init__(self, group: str, now: LocalInstant) -> None:
        self._group = group
        self._looked_at = now
        self._led_at = now
        self._unheard_told_at: LocalInstant | None = None
        self._told: dict[Refusal, tuple[LocalInstant, int]] = {}

    def is_due(self, now: LocalInstant) -> bool:
        """Return whether it is time to look; what ``look`` is given may be costly to count."""
        return now - self._looked_at >= LOOK_EVERY_NS

    def look(self, now: LocalInstant, counters: Mapping[str, int], hears_leader: bool) -> list[Event]:
        """Return what there is to tell, and log what its owner has to mend."""
        self._looked_at = now
        found: list[Event] = []
        if hears_leader:
            self._led_at, self._unheard_told_at = now, None
        elif now - self._led_at >= UNHEARD_AFTER_NS and _is_time(self._unheard_told_at, now):
            self._unheard_told_at = now
            found.append(NoLeaderHeard(now, now - self._led_at))
        for reason in Refusal:
            told_at, told = self._told.get(reason, (None, 0))
            count = counters.get(str(reason), 0)
            if count > told and _is_time(told_at, now):
                self._told[reason] = now, count
                found.append(DatagramsRefused(now, reason, count - told))
                if reason in _REMEDIES:
                    _log.warning(
                        "%d datagrams refused in group %r: %s: %s",
                        count - told,
                        self._group,
                        reason,
                        _REMEDIES[reason],
                    )
        return found


def _is_time(told_at: LocalInstant | None, now: LocalInstant) -> bool:
    return told_at is None or now - told_at >= AGAIN_NS
