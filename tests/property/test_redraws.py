"""Whatever is drawn and told, and however often an output refuses, a screen shows the last picture and nothing else
where pictures go."""

from __future__ import annotations

import re

from hypothesis import given
from hypothesis import strategies as st

from leadlight.commands.spool import Picture, Spool

CONTROL = re.compile(r"\x1b\[(\d*)([FKJH])")


class Screen:
    """A terminal: so much of ECMA-48 as is used, with lines that wrap at its width and scroll off its top."""

    def __init__(self, columns: int, rows: int) -> None:
        self.columns = columns
        self.rows = rows
        self.lines = [""] * rows
        self.row = self.column = 0

    def write(self, text: str) -> None:
        while text:
            control = CONTROL.match(text)
            if control:
                self._obey(control[2], int(control[1] or 1))
                text = text[control.end() :]
            else:
                self._put(text[0])
                text = text[1:]

    def _obey(self, what: str, count: int) -> None:
        if what == "F":
            self.row, self.column = max(self.row - count, 0), 0
        elif what == "H":
            self.row = self.column = 0
        else:
            self.lines[self.row] = self.lines[self.row][: self.column]
            if what == "J":
                self.lines[self.row + 1 :] = [""] * (self.rows - self.row - 1)

    def _put(self, character: str) -> None:
        if character == "\n":
            self._next_row()
            return
        if self.column == self.columns:
            self._next_row()
        line = self.lines[self.row].ljust(self.column)
        self.lines[self.row] = line[: self.column] + character + line[self.column + 1 :]
        self.column += 1

    def _next_row(self) -> None:
        self.column = 0
        self.row += 1
        if self.row == self.rows:
            self.lines = [*self.lines[1:], ""]
            self.row -= 1

    def resize(self, columns: int, rows: int) -> None:
        """As terminals do that break lines anew: what was above the cursor stays there, in more rows or fewer."""
        above = [
            line[at : at + columns]
            for line in self.lines[: self.row + 1]
            for at in range(0, max(len(line), 1), columns)
        ]
        self.columns, self.rows = columns, rows
        self.lines = above[-rows:]
        self.row = len(self.lines) - 1
        self.lines += [""] * (rows - len(self.lines))

    def shown(self) -> list[str]:
        """Return the lines down to the cursor's."""
        assert not any(self.lines[self.row :]), "something stands below the cursor"
        return [line.rstrip() for line in self.lines[: self.row]]


COLUMNS, ROWS = 12, 8
SIZES = [(COLUMNS, ROWS), (9, 6)]
steps = st.one_of(
    st.text("abc ", max_size=30).map(lambda line: ("line", line.strip())),
    st.lists(st.text("xyz", min_size=1, max_size=COLUMNS), max_size=5).map(lambda lines: ("picture", lines)),
    st.integers(0, 60).map(lambda characters: ("refuse", characters)),
    st.sampled_from(SIZES).map(lambda size: ("size", size)),
)


@given(st.lists(st.tuples(steps, st.booleans()), min_size=3, max_size=30))
def test_a_screen_shows_the_last_picture_and_no_rest_of_any_other(
    steps: list[tuple[tuple[str, object], bool]],
) -> None:
    spool = Spool(lambda lost: f"{lost} lost")
    screen = Screen(COLUMNS, ROWS)
    size, last = SIZES[0], None

    def write() -> None:
        while text := spool.take():
            screen.write(text)
            spool.note_written()

    for (what, value), is_written in steps:
        if what == "line":
            spool.add(value)  # type: ignore[arg-type]
        elif what == "picture":
            last = Picture(tuple(line[: size[0]] for line in value), size)  # type: ignore[attr-defined]
            spool.draw(last)
        elif what == "size":
            size = value  # type: ignore[assignment]
            screen.resize(*size)
            if last is not None:
                last = Picture(tuple(line[: size[0]] for line in last.lines), size)
                spool.draw(last)
        elif what == "refuse":
            text = spool.take()
            if text:
                part = text[: min(value, len(text) - 1)]  # type: ignore[call-overload]
                if CONTROL.sub("", part).find("\x1b") < 0:  # not in the middle of a control sequence
                    screen.write(part)
                    spool.note_failed(len(part))
                else:
                    screen.write(text)
                    spool.note_written()
        if is_written:
            write()
    write()
    if last is not None:
        shown = screen.shown()
        where = len(shown) - len(last.lines)
        assert shown[where:] == list(last.lines)
        assert not any(set("xyz") & set(line) for line in shown[:where])
