"""A table on the terminal that follows what changes: redrawn in place, or a line a change where there is
no screen."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Final, TextIO

from leadlight.leader import RateLimiter
from leadlight.units import MINUTE, LocalInstant

LINES_AT_ONCE: Final = 6
LINE_EVERY_NS: Final = MINUTE
"""A row that goes back and forth, as that of two boards with one name, is told no more often in the long run."""
_UP_AND_CLEAR = "\x1b[{}F\x1b[J"  # ECMA-48: cursor to an earlier line's start, erase to the end of the screen


def columns(header: Sequence[str], rows: Iterable[Sequence[str]]) -> list[str]:
    """Return the lines of a table: the header and the rows, each column as wide as its widest cell.

    A column whose cells all begin with a digit, a sign or a dash is set flush right.
    """
    table = [list(header), *map(list, rows)]
    widths = [max(len(row[column]) for row in table) for column in range(len(header))]
    flush_right = [
        len(table) > 1 and all(row[column][:1] in "0123456789+-–±" for row in table[1:])
        for column in range(len(header))
    ]
    return [
        "  ".join(
            cell.rjust(width) if right else cell.ljust(width)
            for cell, width, right in zip(row, widths, flush_right, strict=True)
        ).rstrip()
        for row in table
    ]


class LiveTable:
    """Shows rows on ``stream`` as they change.

    On a terminal the whole table is drawn over the last one. Otherwise each row whose ``stable`` part
    changed is written as one line, so that a log tells the story without its numbers flickering: up to
    ``LINES_AT_ONCE`` of a row, and then one in ``LINE_EVERY_NS`` while it goes on changing.
    """

    def __init__(self, stream: TextIO, header: Sequence[str], *, in_place: bool | None = None) -> None:
        self._stream = stream
        self._header = header
        self._in_place = stream.isatty() if in_place is None else in_place
        self._lines_shown = 0
        self._stable_shown: dict[str, Sequence[str]] = {}
        self._limits: dict[str, RateLimiter] = {}

    def show(
        self, rows: Sequence[Sequence[str]], stable: Sequence[int], now: LocalInstant, heading: str = ""
    ) -> None:
        """Show ``rows`` at ``now``, each named by its first cell; a change in the ``stable`` columns is news."""
        if self._in_place:
            self._redraw([*([heading] if heading else []), *columns(self._header, rows)])
            return
        for row in rows:
            kept = [row[column] for column in stable]
            if self._stable_shown.get(row[0]) != kept and self._may_tell(row[0], now):
                self._stable_shown[row[0]] = kept
                pairs = zip(self._header[1:], row[1:], strict=True)
                self._stream.write(f"{row[0]}: " + ", ".join(f"{name} {cell}" for name, cell in pairs) + "\n")
        self._stream.flush()

    def _may_tell(self, name: str, now: LocalInstant) -> bool:
        if name not in self._limits:
            self._limits[name] = RateLimiter.once_in(LINE_EVERY_NS, LINES_AT_ONCE)
        return self._limits[name].allow(now)

    def note(self, line: str) -> None:
        """Write a line that stays."""
        if self._lines_shown:
            self._stream.write(_UP_AND_CLEAR.format(self._lines_shown))
            self._lines_shown = 0
        self._stream.write(line + "\n")
        self._stream.flush()

    def _redraw(self, lines: Sequence[str]) -> None:
        start = _UP_AND_CLEAR.format(self._lines_shown) if self._lines_shown else ""
        self._stream.write(start + "\n".join(lines) + "\n")
        self._stream.flush()
        self._lines_shown = len(lines)
