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
"""So many frames are looked up at a time: the code and data that one lookup needs are in the caches for the next."""


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


_Handed: TypeAlias = tuple[StoredShow | None, int | None, float]


class Look(NamedTuple):
    """What one look came to: what to hand to the output, if anything has changed, and when to look again.

    ``next_at`` is ``None`` while nothing will change by itself; look again whenever the follower has done something.
    """

    due: DueFrame | None
    next_at: LocalInstant | None
    holds_until: LocalInstant
    """Where it was taken ahead: by then it must have been handed over."""
    at: LocalInstant
    due_at: LocalInstant | None
    """When a frame that follows the one before was to be handed over."""
    of: _Handed
    cue: Cue


class FrameRow:
    """Hands one player the frames of a follower, each once; the newest that is due where the player was too slow."""

    def __init__(self, follower: Follower) -> None:
        self._follower = follower
        self._last: Look | None = None
        self._ahead: deque[Look] = deque()

    def look(self, now: LocalInstant) -> Look:
        """Return what is to be handed over at ``now``; tell ``note_handed`` when it was."""
        self._ahead.clear()
        return self._announce(self._see(now, self._last))

    def look_ahead(self, at: LocalInstant | None) -> None:
        """Make ready what is to be handed over from ``at``, when to look again, until something is put in force.

        Where the follower has done anything since, that is void: look.
        """
        ahead, look = self._ahead, self._last
        if ahead:
            return
        due_at = self._follower.stage.next_timer()
        while at is not None and (due_at is None or at < due_at) and len(ahead) < MADE_READY:
            look = self._see(at, look)
            ahead.append(look)
            at = look.next_at

    def ready(self) -> Look | None:
        """Return what was made ready for the instant that comes next; ``None`` where nothing was."""
        return self._announce(self._ahead.popleft()) if self._ahead else None

    def note_handed(self, look: Look, at: LocalInstant) -> None:
        """Note that what a look came to was handed over at ``at``."""
        self._last = look
        if look.due is not None and look.due.frame is not None:
            self._follower.note_frame_shown(look.due.frame, at, look.due_at)

    def _announce(self, look: Look) -> Look:
        if look.due is not None and look.due.frame is not None:
            self._follower.frame_shown = look.due.frame
        return look

    def _see(self, now: LocalInstant, last: Look | None) -> Look:
        shown, cue = self._follower.shown(now), self._follower.cue
        next_at, of = shown.next_at, (shown.show, shown.frame, shown.level)
        until = LocalInstant(now + HOLDS_NS)
        if next_at is not None and next_at < until:
            until = next_at
        if last is not None and of == last.of:
            return Look(None, next_at, until, now, None, of, cue)
        is_news, skipped = _told(of, cue, now, last)
        follows = not is_news and last is not None and now == last.next_at and shown.frame == (last.of[1] or 0) + 1
        return Look(DueFrame(*of, is_news, skipped), next_at, until, now, now if follows else None, of, cue)


def _told(of: _Handed, cue: Cue, now: LocalInstant, last: Look | None) -> tuple[bool, int]:
    """Return whether what is handed over now is news, and how many frames were skipped."""
    if last is None or last.of[0] is not of[0]:
        return True, 0
    frame, before = of[1], last.of[1]
    if frame is None or before is None or last.cue is not cue:
        return True, 0
    if (last.next_at is None or now < last.next_at) and frame != before:
        return True, 0
    return False, max(frame - before - 1, 0)
