"""Levels that never jump: the fades by which a piece goes dark and comes back.

A cut to black and back is a flash. Whatever the protocol darkens, it fades.
"""

from __future__ import annotations

from typing import Final

from leadlight.units import MILLISECOND, SECOND, LocalInstant

STOP_FADE_NS: Final = 1 * SECOND
HOLDOVER_FADE_NS: Final = 5 * SECOND
RETURN_FADE_NS: Final = 500 * MILLISECOND


class Fader:
    """A level between 0 (dark) and 1 (as authored) that moves in straight lines."""

    __slots__ = ("_from", "_over_ns", "_since", "target")

    def __init__(self, level: float = 1.0) -> None:
        self._from = level
        self.target = level
        """Where the level is going, or has gone."""
        self._since = LocalInstant(0)
        self._over_ns = 0

    def fade(self, to: float, now: LocalInstant, over_ns: int) -> None:
        """Move to ``to``, from wherever the level is, in ``over_ns``."""
        self._from = self.level_at(now)
        self.target = to
        self._since = now
        self._over_ns = over_ns

    def level_at(self, now: LocalInstant) -> float:
        """Return the level at ``now``."""
        elapsed = now - self._since
        if elapsed >= self._over_ns:
            return self.target
        if elapsed <= 0:
            return self._from
        return self._from + (self.target - self._from) * elapsed / self._over_ns

    def done_at(self) -> LocalInstant:
        """Return when the fade is over."""
        return LocalInstant(self._since + self._over_ns)
