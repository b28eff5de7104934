"""How a command that runs a node ends, and which exit code tells it."""

from __future__ import annotations

import asyncio
import contextlib
import logging
import signal
from collections.abc import Callable, Iterator
from enum import Enum
from typing import Any, Protocol

from leadlight.commands.exits import EXIT_DONE, EXIT_HUNG_UP, EXIT_INTERRUPTED

_log = logging.getLogger(__name__)


class Ending(Enum):
    """What ended it, with the exit code of each."""

    OVER = EXIT_DONE, "the time is over"
    TERMINATED = EXIT_DONE, "told to end"
    INTERRUPTED = EXIT_INTERRUPTED, "interrupted"
    HUNG_UP = EXIT_HUNG_UP, "hung up"

    @property
    def exit_code(self) -> int:
        """What the process returns."""
        return self.value[0]


class Endings(Protocol):
    """Whoever may end it from outside."""

    def told(self) -> contextlib.AbstractContextManager[asyncio.Future[Ending]]:
        """Return, within the running loop, what comes true once it is to end; heeded for as long as the block lasts."""


class SignalEndings:
    """The real one: signals.

    A terminal that has gone is an output that has gone: it ends a node only ``on_hangup``. Ctrl-Z would stop the clock
    of everybody who follows, and so would writing from the background of a terminal that forbids it: neither stops it.
    """

    def __init__(self, on_hangup: bool = False) -> None:
        self._on_hangup = on_hangup

    @contextlib.contextmanager
    def told(self) -> Iterator[asyncio.Future[Ending]]:
        """Heed signals while the block lasts."""
        loop = asyncio.get_running_loop()
        told: asyncio.Future[Ending] = loop.create_future()

        def end(ending: Ending) -> None:
            if not told.done():
                told.set_result(ending)

        wanted: dict[str, Callable[[], Any]] = {
            "SIGINT": lambda: end(Ending.INTERRUPTED),
            "SIGTERM": lambda: end(Ending.TERMINATED),
            "SIGHUP": (lambda: end(Ending.HUNG_UP)) if self._on_hangup else _note_hangup,
            "SIGTSTP": _note_suspension,
        }
        with contextlib.ExitStack() as undo:
            for name, heed in wanted.items():
                if hasattr(signal, name):
                    undo.enter_context(_heeded(loop, getattr(signal, name), heed))
            if hasattr(signal, "SIGTTOU"):
                before = signal.signal(signal.SIGTTOU, signal.SIG_IGN)
                undo.callback(signal.signal, signal.SIGTTOU, before)
            yield told


@contextlib.contextmanager
def _heeded(loop: asyncio.AbstractEventLoop, number: signal.Signals, heed: Callable[[], Any]) -> Iterator[None]:
    before = signal.getsignal(number)
    try:
        loop.add_signal_handler(number, heed)
    except NotImplementedError:  # Windows
        signal.signal(number, lambda *_: loop.call_soon_threadsafe(heed))
    try:
        yield
    finally:
        with contextlib.suppress(NotImplementedError):
            loop.remove_signal_handler(number)
        signal.signal(number, before)  # taken away, it would be what the system does by default


def _note_hangup() -> None:
    _log.warning("hung up: goes on without a terminal; SIGTERM ends it, and --end-on-hangup lets a hangup do so")


def _note_suspension() -> None:
    _log.warning("Ctrl-Z would stop it for everybody who follows, and is not heeded; Ctrl-C ends it")
