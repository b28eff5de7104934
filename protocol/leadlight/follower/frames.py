"""Frame after frame: what a player is handed, when to look again, and what became of a player that was too slow."""

from __future__ import annotations

from typing import NamedTuple, TypeAlias

from leadlight.cue import Cue
from leadlight.follower.follower import Follower
from leadlight.playback import StoredShow
from leadlight.units import LocalInstant


class DueFrame(NamedTuple):
    """What to hand to the output now.

    ``frame`` is ``None`` when dark; ``level``, 0 to 1, is the fade that everything authored is multiplied by.
    ``is_news`` tells of what is not simply the next frame: a cue has been put in force, or a jump was made. ``skipped``
    counts the frames that were due since the one before and were never handed over.
    """

    show: StoredShow | None
    frame: int | None
    level: float
    is_news: bool = False
    skipped: int = 0


class Look(NamedTuple):
    """What one look came to: what to hand to the output now, if anything has changed, and when to look again.

    ``next_at`` is ``None`` while nothing will change by itself; look again whenever the follower has done something.
    """

    due: DueFrame | None
    next_at: LocalInstant | None


_Handed: TypeAlias = tuple[StoredShow | None, int | None, float]


class FrameRow:
    """Hands one player the frames of a follower, each once; the newest that is due where the player was too slow.

    What it hands over is noted as shown; ``note_handed`` says when that was.
    """

    def __init__(self, follower: Follower) -> None:
        self._follower = follower
        self._handed: _Handed | None = None
        self._cue: Cue | None = None
        self._next_at: LocalInstant | None = None

    def may_look_ahead(self, at: LocalInstant) -> bool:
        """Return whether a look at ``at`` may be taken before: nothing is put in force by then."""
        due_at = self._follower.stage.next_timer()
        return due_at is None or due_at > at

    def note_handed(self, frame: int | None, at: LocalInstant) -> None:
        """Learn that a frame of the last look was handed over at ``at``."""
        if frame is not None:
            self._follower.note_frame_shown(frame, at)

    def look(self, now: LocalInstant, ahead_at: LocalInstant | None = None) -> Look:
        """Return what is to be handed over at ``now``: ``None`` if it was already.

        With ``ahead_at``, an instant shortly to come, it is what will be handed over then.
        """
        follower = self._follower
        if ahead_at is not None and ahead_at > now:
            now = ahead_at
        shown = follower.shown(now)
        is_planned = self._next_at is not None and now >= self._next_at
        self._next_at = shown.next_at
        before, self._cue, cue = self._handed, follower.cue, self._cue
        self._handed = shown.show, shown.frame, shown.level
        if self._handed == before:
            return Look(None, shown.next_at)
        frame = shown.frame
        if frame is not None:
            follower.frame_shown = frame
        return Look(DueFrame(*self._handed, *self._told(before, frame, cue, is_planned)), shown.next_at)

    def _told(self, before: _Handed | None, frame: int | None, cue: Cue | None, is_planned: bool) -> tuple[bool, int]:
        """Return whether what is handed over now is news, and how many frames were skipped."""
        if before is None or self._handed is None or before[0] is not self._handed[0]:
            return True, 0
        frame_before = before[1]
        if frame is None or frame_before is None or self._cue is not cue:
            return True, 0
        if not is_planned and frame != frame_before:
            return True, 0
        return False, max(frame - frame_before - 1, 0)
