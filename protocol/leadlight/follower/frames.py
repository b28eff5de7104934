"""Frame after frame: what a player is handed, when to look again, and what became of a player that was too slow."""

from __future__ import annotations

from collections import deque
from typing import Final, NamedTuple, TypeAlias

from leadlight.cue import Cue
from leadlight.follower.follower import Follower
from leadlight.playback import StoredShow
from leadlight.units import MILLISECOND, LocalInstant

HOLDS_NS: Final = MILLISECOND
"""What was made ready is looked up anew where its instant is past by more: by then a fade may have gone on."""


MADE_READY: Final = 4
"""So many frames are looked up at a time: what the host has just fetched to look up one is there for the next."""


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
    """What a look came to, and what the next is told by."""

    look: Look
    handed: _Handed
    cue: Cue
    at: LocalInstant
    due_at: LocalInstant | None
    """When a frame that follows the one before was to be handed over."""


class FrameRow:
    """Hands one player the frames of a follower, each once; the newest that is due where the player was too slow."""

    def __init__(self, follower: Follower) -> None:
        self._follower = follower
        self._last: _Seen | None = None
        self._handed_at = LocalInstant(0)
        self._ahead: deque[_Seen] = deque()

    def look(self, now: LocalInstant) -> Look:
        """Return what is to be handed over at ``now``: ``None`` if it was already."""
        self._ahead.clear()
        return self._hand(self._see(now, self._last), now)

    def look_ahead(self, at: LocalInstant | None) -> None:
        """Make ready what is to be handed over from ``at``, when to look again, until something is put in force.

        Where the follower has done anything since, that is void: look.
        """
        ahead, seen = self._ahead, self._last
        if ahead:
            return
        due_at = self._follower.stage.next_timer()
        while at is not None and (due_at is None or at < due_at) and len(ahead) < MADE_READY:
            seen = self._see(at, seen)
            ahead.append(seen)
            at = seen.look.next_at

    def take(self, now: LocalInstant) -> Look | None:
        """Return what was made ready for an instant that has come; ``None`` where nothing was, or it is over."""
        if not self._ahead:
            return None
        seen = self._ahead.popleft()
        next_at = seen.look.next_at
        if 0 <= now - seen.at < HOLDS_NS and (next_at is None or now < next_at):
            return self._hand(seen, now)
        self._ahead.clear()
        return None

    def note_handed(self) -> None:
        """Note that what was last looked at was handed over then."""
        last = self._last
        if last is not None and last.handed[1] is not None:
            self._follower.note_frame_shown(last.handed[1], self._handed_at, last.due_at)

    def _see(self, now: LocalInstant, last: _Seen | None) -> _Seen:
        shown, cue = self._follower.shown(now), self._follower.cue
        handed = shown.show, shown.frame, shown.level
        if last is None:
            return _Seen(Look(DueFrame(*handed, is_news=True), shown.next_at), handed, cue, now, None)
        if handed == last.handed:
            return _Seen(Look(None, shown.next_at), handed, cue, now, None)
        is_news, skipped = _told(handed, cue, now, last)
        follows = not is_news and shown.frame == (last.handed[1] or 0) + 1 and now == last.look.next_at
        due = DueFrame(*handed, is_news, skipped)
        return _Seen(Look(due, shown.next_at), handed, cue, now, now if follows else None)

    def _hand(self, seen: _Seen, now: LocalInstant) -> Look:
        self._last = seen
        self._handed_at = now
        due = seen.look.due
        if due is not None and due.frame is not None:
            self._follower.frame_shown = due.frame
        return seen.look


def _told(handed: _Handed, cue: Cue, now: LocalInstant, last: _Seen) -> tuple[bool, int]:
    """Return whether what is handed over now is news, and how many frames were skipped."""
    if last.handed[0] is not handed[0]:
        return True, 0
    frame, before = handed[1], last.handed[1]
    if frame is None or before is None or last.cue is not cue:
        return True, 0
    is_planned = last.look.next_at is not None and now >= last.look.next_at
    if not is_planned and frame != before:
        return True, 0
    return False, max(frame - before - 1, 0)
