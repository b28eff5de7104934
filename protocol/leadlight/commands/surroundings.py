"""What a command that runs a node takes from its host: an output, a log book, the wall clock, and whoever may end it.

Each is handed in, so that an evening of hours runs through the commands' own code in virtual time. Here are the real
ones; an output and a log book that stall hold up nobody (see ``outlet``).
"""

from __future__ import annotations

import contextlib
import datetime
import logging
import os
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import Final, Protocol, TextIO

from leadlight.commands.endings import Endings, SignalEndings
from leadlight.commands.log_book import open_log_book
from leadlight.commands.orders import OrderSource, TypedOrders
from leadlight.commands.outlet import LAST_SECONDS, Outlet, writer
from leadlight.commands.spool import Picture, Spool
from leadlight.commands.telling import json_line, stamped, wall_now
from leadlight.errors import LeadlightError

USUAL_SIZE: Final = (80, 24)
"""Of a screen that does not say how large it is."""

WallClock = Callable[[], datetime.datetime]

log = logging.getLogger(__name__)


class Output(Protocol):
    """Where people or scripts read what happens. Nothing here ever waits."""

    @property
    def size(self) -> tuple[int, int] | None:
        """Columns and rows, where pictures can be drawn; ``None`` where there are only lines."""

    def add(self, line: str) -> None:
        """Add a line that stays."""

    def draw(self, picture: Picture) -> None:
        """Let a picture take the place of the one before, under the lines."""


@dataclass(frozen=True, slots=True)
class Surroundings:
    """What stands round a node that a command runs.

    ``log_book`` takes lines of JSON, if there is one. ``note_running`` is told once the node runs. ``orders`` bring
    orders to a leader, and ``typed`` is the one of them whose line is shown while it is typed.
    """

    output: Output
    endings: Endings
    wall_clock: WallClock
    log_book: Callable[[str], None] | None = None
    note_running: Callable[[], None] = lambda: None
    orders: Sequence[OrderSource] = ()
    typed: TypedOrders | None = None


class ThisOutput:
    """An output of this process: a screen, or a file or a pipe of lines."""

    def __init__(self, stream: TextIO | None, lost_line: Callable[[int], str], name: str) -> None:
        self._stream = stream
        self.is_screen = stream is not None and stream.isatty() and os.environ.get("TERM") != "dumb"
        encoding = getattr(stream, "encoding", None) or "utf-8"
        self._outlet = Outlet(writer(stream), Spool(lost_line), encoding=encoding, name=name)
        self.add = self._outlet.add
        self.draw = self._outlet.draw
        self.close = self._outlet.close

    @property
    def size(self) -> tuple[int, int] | None:
        """Columns and rows of a screen now."""
        if not self.is_screen or self._stream is None:
            return None
        try:
            columns, rows = os.get_terminal_size(self._stream.fileno())
        except OSError:  # it has gone
            return USUAL_SIZE
        return columns or USUAL_SIZE[0], rows or USUAL_SIZE[1]


@contextlib.contextmanager
def this_host(*, as_json: bool, end_on_hangup: bool, log_book: str | None) -> Iterator[Surroundings]:
    """Give what stands round a node on this host; at the end, write for at most ``LAST_SECONDS`` what waits.

    Once the node runs, what is logged, and every warning, goes to the standard error output by a thread of its own as
    well, and to the log book. Trouble that keeps it from running is to be told alone. Raises ``FileError`` for a log
    book that cannot be written.
    """

    def lost_line(count: int) -> str:
        if as_json:
            return json_line(wall_now(), {"lost": count})
        return stamped(f"{count} line{'' if count == 1 else 's'} could not be written here", wall_now())

    book = None if log_book is None else open_log_book(log_book)
    output = ThisOutput(sys.stdout, lost_line, "output")
    errors = output
    if as_json or not (output.is_screen and _is_same(sys.stdout, sys.stderr)):
        errors = ThisOutput(sys.stderr, lost_line, "error output")
    handler = _LogToLines(errors.add, None if book is None else book.add)
    root = logging.getLogger()
    root.addHandler(handler)
    logging.captureWarnings(True)
    try:
        yield Surroundings(
            output, SignalEndings(end_on_hangup), wall_now, None if book is None else book.add, handler.begin
        )
    except LeadlightError:
        raise
    except BaseException:
        handler.begin()
        raise
    finally:
        logging.captureWarnings(False)
        root.removeHandler(handler)
        until = time.monotonic() + LAST_SECONDS
        for close in dict.fromkeys((output.close, errors.close, *([] if book is None else [book.close]))):
            close(max(0.0, until - time.monotonic()))


class _LogToLines(logging.Handler):
    """Makes lines of log records, and says of a fault where it was."""

    def __init__(self, errors: Callable[[str], None], book: Callable[[str], None] | None) -> None:
        super().__init__(logging.WARNING)
        self._errors = errors
        self._book = book
        self._held: list[logging.LogRecord] | None = []

    def emit(self, record: logging.LogRecord) -> None:
        """Hand a record on."""
        if self._held is not None:
            self._held.append(record)
            return
        said = self.format(record)
        self._errors(stamped(said, wall_now()))
        if self._book is not None:
            self._book(json_line(wall_now(), {"log": said, "level": record.levelname.lower()}))

    def begin(self) -> None:
        """Hand on what was held until now, and from now on at once."""
        held, self._held = self._held or [], None
        for record in held:
            self.emit(record)


def _is_same(one: TextIO | None, other: TextIO | None) -> bool:
    """Return whether two streams lead to one place."""
    try:
        return one is not None and other is not None and os.path.sameopenfile(one.fileno(), other.fileno())
    except (OSError, ValueError):
        return False
