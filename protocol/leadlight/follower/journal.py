"""A follower's journal: what its last beacons found and did, for whoever is told that a piece was late.

A line a beacon, the newest few kept. It says when the beacon came and how long after the one before, and where the
clock stood. It says how far the playhead was out and what was done about it, and which frame the player last said it
had shown.
"""

from __future__ import annotations

from typing import Final, NamedTuple, TypeAlias

from leadlight.clock import Estimate
from leadlight.playback import Moved, Remedy
from leadlight.units import LocalInstant

Notes: TypeAlias = tuple[LocalInstant, LocalInstant | None, Estimate | None, Moved | None, int | None]
"""What a line is written from: when this beacon and the one before came, the clock, the move, the frame reported."""
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

    @classmethod
    def of(
        cls,
        at: LocalInstant,
        before_at: LocalInstant | None,
        served: Estimate | None,
        moved: Moved | None,
        frame: int | None,
    ) -> JournalLine:
        """Return the line for these notes."""
        return cls(
            at,
            None if before_at is None else at - before_at,
            None if served is None else served.offset_at(at),
            None if moved is None else moved.error_ns,
            None if moved is None else moved.remedy,
            frame,
        )
