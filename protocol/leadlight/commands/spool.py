"""What waits to be written to one output: lines that stay, in order, and the newest picture of a table under them.

Nothing here writes, or waits for anybody. Whoever has an output takes what is next, writes it, and says how that went.
Of pictures only the newest waits; of lines as many as fit, the oldest are let go, counted, and told as soon as anything
can be told.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable
from typing import Final, NamedTuple

CHARACTERS_KEPT: Final = 256 * 1024
"""Lines that wait may have so many in all: a few thousand lines, and no strain for the smallest board."""
CHARACTERS_AT_ONCE: Final = 4096

# ECMA-48: cursor to an earlier line's start; erase to the end of the line, of the screen; cursor to the first line.
_UP = "\x1b[{}F"
_CLEAR_LINE = "\x1b[K"
_CLEAR_BELOW = "\x1b[J"
_HOME = "\x1b[H"


class Picture(NamedTuple):
    """Lines that stand on a screen until the next picture takes their place; none of them is wider than the screen.

    ``size``: the screen's columns and rows when they were made.
    """

    lines: tuple[str, ...]
    size: tuple[int, int]


class Spool:
    """What waits for one output. ``lost_line`` makes a line of how many lines were lost."""

    def __init__(self, lost_line: Callable[[int], str], *, characters_at_once: int = CHARACTERS_AT_ONCE) -> None:
        self._lost_line = lost_line
        self._characters_at_once = characters_at_once
        self._waiting: deque[str] = deque()
        self._characters = 0
        self._lost = 0
        self._picture: Picture | None = None
        self._shown: Picture | None = None
        self._is_broken = False
        # What was taken and not answered for: its text, its lines and where in the text each ends.
        self._taken = ""
        self._lines_taken: list[str] = []
        self._ends: list[int] = []
        self._picture_taken: Picture | None = None
        self._lost_taken = 0

    @property
    def lost(self) -> int:
        """Lines let go and not told of yet."""
        return self._lost

    def add(self, line: str) -> None:
        """Let a line be written when its turn comes; text of several lines counts as so many."""
        for part in line.splitlines() or [""]:
            self._waiting.append(part)
            self._characters += len(part)
        self._let_go()

    def draw(self, picture: Picture) -> None:
        """Let a picture take the place of the one before."""
        self._picture = picture

    def take(self) -> str:
        """Return what is to be written next; empty if nothing is. It must be answered for before the next."""
        picture = self._picture
        if not self._waiting and not self._lost and picture is self._shown and not self._is_broken:
            return ""
        self._lost_taken = self._lost
        self._lines_taken = [self._lost_line(self._lost)] if self._lost else []
        room = self._characters_at_once
        while self._waiting and room > 0:
            line = self._waiting.popleft()
            self._characters -= len(line)
            room -= len(line)
            self._lines_taken.append(line)
        text = self._beginning(picture)
        line_end = "\n" if picture is None else f"{_CLEAR_LINE}\n"
        self._ends = []
        for line in self._lines_taken:
            text += line + line_end
            self._ends.append(len(text))
        if picture is not None:
            text += "".join(line + line_end for line in picture.lines) + _CLEAR_BELOW
        self._picture_taken = picture
        self._taken = text
        return text

    def note_written(self) -> None:
        """All of what was taken is out."""
        self._lost -= self._lost_taken
        self._shown = self._picture_taken
        self._is_broken = False

    def note_failed(self, characters: int) -> None:
        """The output refused what was taken after its first ``characters``: the rest waits again."""
        if characters:
            self._is_broken = self._picture_taken is not None or self._taken[characters - 1] != "\n"
        out = sum(end <= characters for end in self._ends)
        if self._lost_taken and out:
            self._lost -= self._lost_taken
        elif self._lost_taken:
            out = 1  # not told, and made anew of what is lost by then
        again = self._lines_taken[out:]
        self._waiting.extendleft(reversed(again))
        self._characters += sum(map(len, again))
        self._let_go()

    def _let_go(self) -> None:
        while self._characters > CHARACTERS_KEPT:
            self._characters -= len(self._waiting.popleft())
            self._lost += 1

    def _beginning(self, picture: Picture | None) -> str:
        """Return what goes before the first line: from where the cursor stands to where it is to write."""
        shown = self._shown
        if self._is_broken:
            # Part of something stands there. On a screen nobody knows what.
            return "\n" if picture is None else _HOME + _CLEAR_BELOW
        if shown is None:
            return ""
        if picture is not None and picture.size != shown.size:
            return _HOME + _CLEAR_BELOW  # terminals differ in where lines go when the screen's width changes
        return _UP.format(len(shown.lines)) if shown.lines else ""
