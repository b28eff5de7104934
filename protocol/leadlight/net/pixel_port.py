"""A look at the port to which live pixel data goes, for a while: it is bound where it is free, and else read about.

A port that somebody has is never shared: the system would give some of the data to us. Linux tells of every socket how
much waits in it and how much it had to drop, proc(5), and that is looked at instead.
"""

from __future__ import annotations

import contextlib
import errno
import socket
from collections.abc import Iterator
from pathlib import Path
from typing import Final

from leadlight.readiness import PIXEL_PORT, PixelFacts

_ACN_IDENTIFIER: Final = b"ASC-E1.17\x00\x00\x00"  # ANSI E1.31, section 5.3
_IDENTIFIER_AT: Final = 4
_TABLES: Final = ("udp", "udp6")


class PixelPort:
    """The port, watched while the block lasts; ``look`` now and then. ``system`` is where the kernel tells."""

    def __init__(self, port: int = PIXEL_PORT, system: Path = Path("/proc")) -> None:
        self._port = port
        self._system = system
        self._own: socket.socket | None = None
        self._holder: str | None = None
        self._arrivals = 0
        self._dropped: int | None = None

    def __enter__(self) -> PixelPort:
        own = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        try:
            own.bind(("", self._port))
            own.setblocking(False)
            self._own = own
        except OSError as error:
            own.close()
            if error.errno == errno.EADDRINUSE:
                self._holder = self._name_of_holder()
        self.look()
        return self

    def __exit__(self, *_: object) -> None:
        if self._own is not None:
            self._own.close()

    @property
    def facts(self) -> PixelFacts:
        """What was seen so far."""
        return PixelFacts(self._holder, self._arrivals)

    def look(self) -> None:
        """Count what has come."""
        if self._own is None:
            rows = list(self._rows())
            dropped = sum(int(row[12]) for row in rows)
            waits = any(int(row[4].partition(":")[2], 16) for row in rows)
            grew = self._dropped is not None and dropped > self._dropped
            self._dropped = dropped
            self._arrivals += waits or grew
            return
        with contextlib.suppress(OSError):
            while True:
                data = self._own.recv(64)
                self._arrivals += data[_IDENTIFIER_AT:].startswith(_ACN_IDENTIFIER)

    def _rows(self) -> Iterator[list[str]]:
        """Yield the kernel's rows about sockets at the port: address, queues, inode and drops among their words."""
        for table in _TABLES:
            with contextlib.suppress(OSError):
                lines = (self._system / "net" / table).read_text(encoding="ascii").splitlines()[1:]
                for line in lines:
                    row = line.split()
                    if len(row) > 12 and int(row[1].rpartition(":")[2], 16) == self._port:
                        yield row

    def _name_of_holder(self) -> str:
        wanted = {f"socket:[{row[9]}]" for row in self._rows()}
        for process in self._system.glob("[0-9]*"):
            with contextlib.suppress(OSError):
                if any(str(link.readlink()) in wanted for link in (process / "fd").iterdir()):
                    return (process / "comm").read_text(encoding="utf-8", errors="replace").strip()
        return ""
