"""News of a table where there is no screen: a line for each row that has changed, so that a log tells the story."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from leadlight.leader import RateLimiter
from leadlight.units import MINUTE, LocalInstant

LINES_AT_ONCE: Final = 6
LINE_EVERY_NS: Final = MINUTE
"""A row that goes back and forth, as that of two boards with one name, is told no more often in the long run."""


class RowNews:
    """Tells which rows have changed in the columns ``stable``: the numbers in the others flicker.

    Up to ``LINES_AT_ONCE`` lines of a row, and then one in ``LINE_EVERY_NS`` while it goes on changing.
    """

    def __init__(self, header: Sequence[str], stable: Sequence[int]) -> None:
        self._header = header
        self._stable = stable
        self._told: dict[str, list[str]] = {}
        self._limits: dict[str, RateLimiter] = {}

    def lines(self, rows: Sequence[Sequence[str]], now: LocalInstant) -> list[str]:
        """Return what to tell of ``rows`` at ``now``; each is named by its first cell."""
        lines = []
        for row in rows:
            kept = [row[column] for column in self._stable]
            if self._told.get(row[0]) != kept and self._may_tell(row[0], now):
                self._told[row[0]] = kept
                pairs = zip(self._header[1:], row[1:], strict=True)
                lines.append(f"{row[0]}: " + ", ".join(f"{name} {cell}" for name, cell in pairs))
        return lines

    def _may_tell(self, name: str, now: LocalInstant) -> bool:
        if name not in self._limits:
            self._limits[name] = RateLimiter.once_in(LINE_EVERY_NS, LINES_AT_ONCE)
        return self._limits[name].allow(now)
