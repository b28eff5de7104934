"""A recording's file as it is written: in a thread of its own, a record whole or not at all, synced once a second."""

from __future__ import annotations

import os
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import Final

from leadlight.errors import FileError
from leadlight.recording import Record, to_line

SYNC_SECONDS: Final = 1.0
LAST_SECONDS: Final = 5.0
"""How long an end waits for a slow disk."""
WHAT: Final = "recording"


class RecordingFile:
    """A new file, opened; an old one is never written over.

    ``on_trouble`` is called once, in another thread, when a record cannot be written; nothing is written after it.
    Raises ``FileError`` where the file is there already, or cannot be made.
    """

    def __init__(self, path: str | Path, on_trouble: Callable[[FileError], None]) -> None:
        self._path = str(path)
        self._on_trouble = on_trouble
        try:
            self._file = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL | getattr(os, "O_BINARY", 0), 0o644)
        except FileExistsError:
            raise FileError(WHAT, self._path, "it is there already, and no recording is written over") from None
        except (OSError, ValueError) as error:
            raise FileError(WHAT, self._path, getattr(error, "strerror", None) or str(error)) from None
        self.written_bytes = 0
        """Of whole records in the file."""
        self._waiting: list[bytes] = []
        self._changed = threading.Condition()
        self._is_closing = False
        self._is_broken = False
        self._thread = threading.Thread(target=self._work, name="leadlight recording", daemon=True)
        self._thread.start()

    def add(self, record: Record) -> None:
        """Let a record be written; returns at once."""
        with self._changed:
            self._waiting.append(to_line(record))
            self._changed.notify()

    def close(self, within_seconds: float = LAST_SECONDS) -> None:
        """Write what waits, for so long at most."""
        with self._changed:
            self._is_closing = True
            self._changed.notify()
        self._thread.join(within_seconds)

    def remove(self) -> None:
        """Take the file away again if nothing stands in it."""
        if not self.written_bytes:
            Path(self._path).unlink(missing_ok=True)

    def _work(self) -> None:
        synced_at, is_synced = time.monotonic(), True
        while True:
            with self._changed:
                wait = None if is_synced else max(0.0, synced_at + SYNC_SECONDS - time.monotonic())
                self._changed.wait_for(lambda: self._waiting or self._is_closing, wait)
                lines, self._waiting = self._waiting, []
                is_last = self._is_closing
            try:
                for line in lines:
                    self._write(line)
                is_synced = is_synced and not lines
                if not is_synced and (is_last or time.monotonic() >= synced_at + SYNC_SECONDS):
                    os.fsync(self._file)
                    synced_at, is_synced = time.monotonic(), True
            except OSError as error:
                reason = error.strerror or str(error)
                self._on_trouble(FileError(WHAT, self._path, f"{reason}; {self.written_bytes} bytes of it are whole"))
                break
            if is_last:
                break
        os.close(self._file)

    def _write(self, line: bytes) -> None:
        """Write a record, or leave the file as it was."""
        written = 0
        try:
            while written < len(line):
                written += os.write(self._file, line[written:])
        except OSError:
            if written:
                os.ftruncate(self._file, self.written_bytes)
            raise
        self.written_bytes += len(line)
