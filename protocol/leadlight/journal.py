"""A follower's journal: what its last beacons found and did, for whoever is told that a piece was late.

A line a beacon, the newest few kept: when it came and how long after the one before, where the clock stood, how far the
playhead was out and what was done about it, and which frame the player last said it had shown.
"""

from __future__ import annotations

from functools import partial
from typing import Final, NamedTuple

from leadlight.recovery import Remedy
from leadlight.units import LocalInstant

LINES_KEPT: Final = 64
"""A minute of beacons at one a second."""


class JournalLine(NamedTuple):
    """What one beacon found and did; times in ns.

    ``gap_ns`` is the time since the beacon before, ``None`` for the first. ``offset_ns`` is this clock less the
    leader's, ``None`` while unknown. ``error_ns`` is the show's position less the playhead's, and ``remedy`` what was
    done about it; both ``None`` where nothing rolls or an old line is held. ``frame`` is the last that was reported.
    """

    at: LocalInstant
    gap_ns: int | None
    offset_ns: int | None
    error_ns: int | None
    remedy: Remedy | None
    frame: int | None


new_journal_line: Final = partial(tuple.__new__, JournalLine)
"""Makes one of a whole tuple in order, in half the time: every beacon writes one."""
