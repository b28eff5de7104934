"""Frame after frame: what a player is handed, when to look again, and what became of a player that was too slow."""

from __future__ import annotations

from typing import Final, NamedTuple, TypeAlias

from leadlight.cue import Cue
from leadlight.follower.follower import Follower
from leadlight.playback import StoredShow
from leadlight.units import MILLISECOND, LocalInstant

HOLDS_NS: Final = MILLISECOND
"""What was made ready is looked up anew where its instant is past by more: by then a fade may have gone on."""


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


class _Seen(NamedTuple):
    """What a look came to, and what it was told by."""

    look: Look
    handed: _Handed
    cue: Cue
    due_at: LocalInstant | None = None
    """When a frame that follows the one before was to be handed over."""


class FrameRow:
    """Hands one player the frames of a follower, each once; the newest that is due where the player was too slow."""

    def __init__(self, follower: Follower) -> None:
        self._follower = follower
        self._handed: _Handed | None = None
        self._handed_at = LocalInstant(0)
        self._cue: Cue | None = None
        self._due_at: LocalInstant | None = None
        self._next_at: LocalInstant | None = None
        self._ahead: _Seen | None = None
        self._holds_until = 0

    def look(self, now: LocalInstant) -> Look:
        """Return what is to be handed over at ``now``: ``None`` if it was already."""
        return self._hand(self._see(now), now)

    def look_ahead(self, at: LocalInstant | None) -> None:
        """Make ready what is to be handed over at ``at``, unless something is put in force by then.

        That holds until the follower has done anything.
        """
        due_at = self._follower.stage.next_timer()
        self._ahead = None
        if at is not None and (due_at is None or due_at > at):
            self._ahead = self._see(at)
            next_at = self._ahead.look.next_at
            self._holds_until = at + HOLDS_NS if next_at is None else min(at + HOLDS_NS, next_at)

    def take(self, now: LocalInstant) -> Look | None:
        """Return what was made ready for an instant that has come; ``None`` where nothing was, or it is over."""
        return self._hand(self._ahead, now) if self._ahead is not None and now < self._holds_until else None

    def note_handed(self) -> None:
        """Note that what was last looked at was handed over then."""
        if self._handed is not None and self._handed[1] is not None:
            self._follower.note_frame_shown(self._handed[1], self._handed_at, self._due_at)

    def _see(self, now: LocalInstant) -> _Seen:
        shown, cue, before = self._follower.shown(now), self._follower.cue, self._handed
        handed = shown.show, shown.frame, shown.level
        if handed == before:
            return _Seen(Look(None, shown.next_at), handed, cue)
        is_planned = self._next_at is not None and now >= self._next_at
        due = DueFrame(*handed, *self._told(handed, cue, is_planned))
        follows = before is not None and before[1] is not None and due.frame == before[1] + 1 and not due.is_news
        return _Seen(Look(due, shown.next_at), handed, cue, now if follows and now == self._next_at else None)

    def _hand(self, seen: _Seen, now: LocalInstant) -> Look:
        look, self._handed, self._cue, self._due_at = seen
        self._handed_at = now
        self._next_at = look.next_at
        self._ahead = None
        if look.due is not None and look.due.frame is not None:
            self._follower.frame_shown = look.due.frame
        return look

    def _told(self, handed: _Handed, cue: Cue, is_planned: bool) -> tuple[bool, int]:
        """Return whether what is handed over now is news, and how many frames were skipped."""
        before = self._handed
        if before is None or before[0] is not handed[0]:
            return True, 0
        frame, frame_before = handed[1], before[1]
        if frame is None or frame_before is None or self._cue is not cue:
            return True, 0
        if not is_planned and frame != frame_before:
            return True, 0
        return False, max(frame - frame_before - 1, 0)
