"""Frame after frame: what a player is handed, when to look again, and what became of a player that was too slow."""

from __future__ import annotations

from typing import NamedTuple

from leadlight.cue import Cue
from leadlight.follower.follower import Follower
from leadlight.playback import Shown, StoredShow
from leadlight.units import LocalInstant


class Look(NamedTuple):
    """What one look came to: what to hand to the output now, if anything has changed, and when to look again.

    ``next_at`` is ``None`` while nothing will change by itself; look again whenever the follower has done something.
    """

    shown: Shown | None
    next_at: LocalInstant | None


class FrameRow:
    """Hands one player the frames of a follower, each once; the newest that is due where the player was too slow.

    What it hands over is noted as shown.
    """

    def __init__(self, follower: Follower) -> None:
        self._follower = follower
        self._handed: tuple[StoredShow | None, int | None, float] | None = None
        self._cue: Cue | None = None
        self._next_at: LocalInstant | None = None

    def look(self, now: LocalInstant) -> Look:
        """Return what is to be handed over at ``now``: ``None`` if it was already."""
        follower = self._follower
        shown = follower.shown(now)
        is_planned = self._next_at is not None and now >= self._next_at
        self._next_at = shown.next_at
        before, self._cue, cue = self._handed, follower.cue, self._cue
        self._handed = shown.show, shown.frame, shown.level
        if self._handed == before:
            return Look(None, shown.next_at)
        frame = shown.frame
        if frame is not None:
            follower.note_frame_shown(frame, now)
        if before is None:
            return Look(shown._replace(is_news=True), shown.next_at)
        show_before, frame_before, _ = before
        goes_on = frame is not None and frame_before is not None and shown.show is show_before
        if not goes_on or self._cue is not cue or not (is_planned or frame == frame_before):
            return Look(shown._replace(is_news=True), shown.next_at)
        assert frame is not None and frame_before is not None  # noqa: PT018
        return Look(shown._replace(skipped=max(frame - frame_before - 1, 0)), shown.next_at)
