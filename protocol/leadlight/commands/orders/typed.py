"""Orders typed on the terminal that owns the leader, a line each.

What is being typed stands in a line of its own under the table, so the terminal echoes nothing itself. A thread of its
own reads, since a terminal may have nothing to say for ever; it is never made non-blocking, for others share it.
"""

from __future__ import annotations

import asyncio
import codecs
import contextlib
import os
import re
import signal
import sys
import threading
from collections.abc import Callable
from typing import Any, Final

from leadlight.commands.orders.source import TakeOrder
from leadlight.commands.orders.words import typed_request
from leadlight.errors import LeadlightError

AGAIN_SECONDS: Final = 1.0
"""From the background a terminal may not be read; it is tried again so often."""
LINE_MAXIMUM_CHARACTERS: Final = 200
PROMPT: Final = "order> "

_KEYS: Final = re.compile(r"\x1b(?:\[[0-9;]*[ -/]*[@-~]|O.)")  # ECMA-48: cursor keys and the like


class LineEditor:
    """Makes lines of what is typed; ``text`` is the line that is not finished."""

    def __init__(self) -> None:
        self.text = ""
        self._decoder = codecs.getincrementaldecoder("utf-8")("ignore")

    def take(self, data: bytes) -> list[str]:
        """Take in what was typed; return the lines that are finished by it."""
        lines = []
        for character in _KEYS.sub("", self._decoder.decode(data)):
            if character in "\r\n":
                lines.append(self.text)
                self.text = ""
            elif character in "\x7f\b":
                self.text = self.text[:-1]
            elif character == "\x15":  # Ctrl-U
                self.text = ""
            elif character.isprintable() and len(self.text) < LINE_MAXIMUM_CHARACTERS:
                self.text += character
        return lines


class TypedOrders:
    """Brings what is typed on a terminal, by its descriptor; ``say`` tells what is wrong with a line that is none."""

    def __init__(self, descriptor: int) -> None:
        self.say: Callable[[str], object] = lambda _: None
        self.changed = asyncio.Event()
        self._descriptor = descriptor
        self._editor = LineEditor()
        self._is_over = False

    @property
    def prompt(self) -> str:
        """The line to show under everything else."""
        return PROMPT + self._editor.text

    async def bring(self, take: TakeOrder, group: str) -> None:  # noqa: ARG002 - a terminal has one leader
        """Take lines until cancelled, with the terminal echoing nothing meanwhile."""
        import termios  # not there on Windows

        loop = asyncio.get_running_loop()

        def hear(data: bytes) -> None:
            for line in self._editor.take(data):
                if line.strip():
                    self._order(take, line)
            self.changed.set()

        try:
            before = termios.tcgetattr(self._descriptor)
            quiet = [*before]
            quiet[3] &= ~(termios.ICANON | termios.ECHO)
            # At once: to wait for output that a stopped terminal does not take would be for ever.
            termios.tcsetattr(self._descriptor, termios.TCSANOW, quiet)
        except termios.error:
            return
        heeded = signal.signal(signal.SIGTTIN, signal.SIG_IGN)
        threading.Thread(target=self._read, args=(loop, hear), name="leadlight keyboard", daemon=True).start()
        try:
            await loop.create_future()
        finally:
            self._is_over = True
            signal.signal(signal.SIGTTIN, heeded)
            with contextlib.suppress(termios.error):  # it may have gone
                termios.tcsetattr(self._descriptor, termios.TCSANOW, before)

    def _order(self, take: TakeOrder, line: str) -> None:
        try:
            request = typed_request(line)
        except LeadlightError as error:
            self.say(str(error))
            return
        answer: dict[str, Any] = take(request)
        if request["order"] == "status":
            self.say(str(answer["said"]))

    def _read(self, loop: asyncio.AbstractEventLoop, hear: Callable[[bytes], None]) -> None:
        pause = threading.Event()
        while not self._is_over:
            try:
                data = os.read(self._descriptor, 1024)
            except OSError:
                pause.wait(AGAIN_SECONDS)
                continue
            if not data:
                return  # it has gone
            try:
                loop.call_soon_threadsafe(hear, data)
            except RuntimeError:
                return  # the loop is closed


def typed_here() -> TypedOrders | None:
    """Return what takes words typed on this process's terminal; ``None`` where it has none, or is in its background."""
    try:
        descriptor = sys.stdin.fileno()
        is_ours = sys.stdin.isatty() and sys.stdout.isatty() and os.tcgetpgrp(descriptor) == os.getpgrp()
    except (AttributeError, OSError, ValueError):
        return None
    return TypedOrders(descriptor) if is_ours else None
