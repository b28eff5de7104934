"""The log book: what happened on a host, in a file, a line of JSON each with its time in UTC.

The files are turned over by size, with the standard library's handler. A full disk loses lines, which is told in the
book once there is room, and nothing else.
"""

from __future__ import annotations

import logging
import os
from io import TextIOWrapper
from logging.handlers import RotatingFileHandler
from pathlib import Path
from typing import Final

from leadlight.commands.outlet import Outlet
from leadlight.commands.spool import Spool
from leadlight.commands.telling import json_line, wall_now
from leadlight.storage import check_outputs

FILE_MAXIMUM_BYTES: Final = 8 * 1024 * 1024
"""About twenty hours of thirty followers, with a row a minute."""
OLDER_KEPT: Final = 4


class LogBookFile(RotatingFileHandler):
    """The file, as an output: the standard library turns it over, and lines go past its buffers."""

    def __init__(self, path: str | Path, maximum_bytes: int = FILE_MAXIMUM_BYTES) -> None:
        super().__init__(path, maxBytes=maximum_bytes, backupCount=OLDER_KEPT, encoding="utf-8", delay=True)
        self._is_between_lines = True

    def write(self, data: bytes) -> int:
        """Write what there is room for; return how many bytes that were, and raise ``OSError`` where none was."""
        if self._is_between_lines and self.shouldRollover(logging.makeLogRecord({"msg": data.decode()})):
            self.doRollover()
        stream = self.stream = self.stream or self._open()
        # A buffer would keep what was refused, and write it again behind what came later.
        written = os.write(stream.fileno(), data)
        self._is_between_lines = data[:written].endswith(b"\n")
        return written

    def _open(self) -> TextIOWrapper:
        stream = super()._open()
        if stream.tell() and not _ends_a_line(self.baseFilename):
            os.write(stream.fileno(), b"\n")  # a power cut left half a line
        return stream


def _ends_a_line(path: str) -> bool:
    with Path(path).open("rb") as file:
        file.seek(-1, 2)
        return file.read(1) == b"\n"


def open_log_book(path: str, maximum_bytes: int = FILE_MAXIMUM_BYTES) -> Outlet:
    """Return what writes a log book; ``FileError`` where that could not be."""
    check_outputs({"log book": path})
    file = LogBookFile(path, maximum_bytes)
    spool = Spool(lambda count: json_line(wall_now(), {"lost": count}), characters_at_once=1)
    return Outlet(file.write, spool, name="log book", finish=file.close)
