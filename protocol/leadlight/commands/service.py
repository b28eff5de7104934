"""What a service manager wants to hear of a node: that it runs, that it is alive, and that it is about to end.

By the protocol that systemd documents in sd_notify(3), and only where its variables ask for it: a datagram of
``NAME=VALUE`` to a Unix socket. The node's own loop says that it is alive; so a loop that hangs is noticed.
"""

from __future__ import annotations

import asyncio
import logging
import os
import socket
from collections.abc import Callable, Mapping
from typing import Final

from leadlight.units import MICROSECOND, SECOND

SIGNS_IN_A_SPAN: Final = 3
"""How often it is said within the time after which the manager would end the node."""

_log = logging.getLogger(__name__)


class ServiceManager:
    """The manager that started this process, if one did and asks; ``environment`` is what it left to be read."""

    def __init__(self, environment: Mapping[str, str] = os.environ, process: int | None = None) -> None:
        path = environment.get("NOTIFY_SOCKET", "")
        self._address = f"\0{path[1:]}" if path.startswith("@") else path
        span_us = environment.get("WATCHDOG_USEC", "")
        whose = environment.get("WATCHDOG_PID", "")
        is_meant = not whose or whose == str(os.getpid() if process is None else process)
        self.span_ns = int(span_us) * MICROSECOND if span_us.isdecimal() and is_meant and self._address else 0
        """The manager ends who is not heard for so long; 0 where it does not watch."""

    def say(self, words: str) -> None:
        """Say this, if anybody asked; waits for nobody."""
        if not self._address or not hasattr(socket, "AF_UNIX"):
            return
        try:
            with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as telling:
                telling.setblocking(False)
                telling.sendto(words.encode(), self._address)
        except OSError as error:
            _log.warning("the service manager does not hear %s: %s", words, error.strerror or error)

    async def feed(self, is_alive: Callable[[], bool]) -> None:
        """Say again and again that the node is alive, for as long as it is."""
        while self.span_ns:
            if is_alive():
                self.say("WATCHDOG=1")
            await asyncio.sleep(self.span_ns / SIGNS_IN_A_SPAN / SECOND)
