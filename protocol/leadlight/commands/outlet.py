"""Outputs that nobody waits for: each is written by a thread of its own, and a stalled one stalls that thread alone.

A terminal stopped by its user, a pipe that nobody reads, a full disk: any write may take for ever. So once a node runs,
nothing but these threads writes. They are daemons: a process that ends does not wait for them beyond ``close``. The
stream objects of `sys` are not used, since their locks would be waited for at the end. Nor is an output that was
inherited made non-blocking, since it is shared with whoever started this program.
"""

from __future__ import annotations

import contextlib
import os
import select
import threading
from collections.abc import Callable
from typing import Final, TextIO

from leadlight.commands.spool import Picture, Spool

LAST_SECONDS: Final = 1.0
"""How long an end waits for what is still to be written."""
AGAIN_SECONDS: Final = 1.0
"""A full disk or a reader that has gone is tried again so often: either may change."""


class Outlet:
    """Writes what is added with ``write``, which takes bytes as ``os.write`` does, in a thread of its own.

    ``finish`` is called there at the end.
    """

    def __init__(
        self,
        write: Callable[[bytes], int],
        spool: Spool,
        *,
        encoding: str = "utf-8",
        name: str = "output",
        finish: Callable[[], object] = lambda: None,
    ) -> None:
        self._write = write
        self._finish = finish
        self._spool = spool
        self._encoding = encoding
        self._changed = threading.Condition()
        self._is_closing = False
        self._thread = threading.Thread(target=self._work, name=f"leadlight {name}", daemon=True)
        self._thread.start()

    def add(self, line: str) -> None:
        """Let a line be written; returns at once."""
        with self._changed:
            self._spool.add(line)
            self._changed.notify()

    def draw(self, picture: Picture) -> None:
        """Let a picture be shown; returns at once."""
        with self._changed:
            self._spool.draw(picture)
            self._changed.notify()

    def close(self, within_seconds: float = LAST_SECONDS) -> None:
        """Write what waits, for so long at most."""
        with self._changed:
            self._is_closing = True
            self._changed.notify()
        self._thread.join(within_seconds)

    def _work(self) -> None:
        self._write_on()
        self._finish()

    def _write_on(self) -> None:
        while True:
            with self._changed:
                while not (text := self._spool.take()):
                    if self._is_closing:
                        return
                    self._changed.wait()
            characters = self._write_all(text)
            with self._changed:
                if characters == len(text):
                    self._spool.note_written()
                    continue
                self._spool.note_failed(characters)
                if self._changed.wait_for(lambda: self._is_closing, AGAIN_SECONDS):
                    return

    def _write_all(self, text: str) -> int:
        """Write text; return how many of its characters are out, which are fewer where the output refuses."""
        data = text.encode(self._encoding, "replace")
        written = 0
        try:
            while written < len(data):
                written += self._write(data[written:])
        except (OSError, ValueError):
            return len(data[:written].decode(self._encoding, "ignore"))
        return len(text)


def writer(stream: TextIO | None) -> Callable[[bytes], int]:
    """Return what writes where a stream of ``sys`` leads, blocking or not, and waits however long that takes.

    Where the stream was closed when this program began, it writes nowhere.
    """
    if stream is None:
        return len
    try:
        descriptor = stream.fileno()
    except (OSError, ValueError):
        in_memory = stream  # nothing that could stall
        return lambda data: len(data) if in_memory.write(data.decode()) else 0

    def write(data: bytes) -> int:
        while True:
            try:
                return os.write(descriptor, data)
            except BlockingIOError:
                # Whoever shares it has made it non-blocking.
                select.select([], [descriptor], [])

    return write


def say_at_the_end(text: str, stream: TextIO | None) -> None:
    """Write a last word, and wait for a stalled output no longer than an end may take."""
    speaking = threading.Thread(target=_try_to_say, args=(writer(stream), text), daemon=True)
    speaking.start()
    speaking.join(LAST_SECONDS)


def _try_to_say(write: Callable[[bytes], int], text: str) -> None:
    data = text.encode()
    with contextlib.suppress(OSError):
        while data:
            data = data[write(data) :]
