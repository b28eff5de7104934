"""A running node inside somebody's asyncio program: sockets, driver and an iterator of events."""

from __future__ import annotations

import asyncio
from collections import deque
from collections.abc import AsyncIterator, Callable
from contextlib import AbstractContextManager
from functools import partial
from types import TracebackType
from typing import Any, Generic, Self, TypeVar

from leadlight.net.clock import LocalClock
from leadlight.net.driver import Core, CoreDriver, DatagramCounts
from leadlight.net.sockets import DEFAULT_PORT, GroupSockets

EVENTS_KEPT = 1024
"""Events that nobody has taken yet; older ones are let go, because what is in force is the core's to tell."""

EventType = TypeVar("EventType")
CoreType = TypeVar("CoreType", bound=Core[Any])


class Endpoint(Generic[CoreType, EventType]):
    """One node on the network for as long as the ``async with`` block runs.

    ``make_core`` is given the instant now and returns the state machine. ``group``, ``port`` and
    ``interface`` are those of ``leadlight.net.sockets.GroupSockets``, whose ``NetworkError`` entering may
    raise. ``guard`` is held whenever the core is touched, for those who read it from another thread.
    """

    def __init__(
        self,
        make_core: Callable[[int], CoreType],
        *,
        group: str,
        port: int = DEFAULT_PORT,
        interface: str | None = None,
        clock: LocalClock | None = None,
        guard: AbstractContextManager[Any] | None = None,
    ) -> None:
        self.clock = LocalClock() if clock is None else clock
        self.core = make_core(self.clock())
        self._open_sockets = partial(GroupSockets, group, port=port, interface=interface)
        self._guard = guard
        self._events: deque[EventType] = deque(maxlen=EVENTS_KEPT)
        self._news = asyncio.Event()

    async def __aenter__(self) -> Self:
        self._sockets = self._open_sockets()
        self._driver: CoreDriver[EventType] = CoreDriver(
            self.core, self._sockets, self._take_event, self.clock, self._guard
        )
        self._running = asyncio.create_task(self._driver.run())
        self._running.add_done_callback(lambda _: self._news.set())
        return self

    async def __aexit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        traceback: TracebackType | None,
    ) -> None:
        self._running.cancel()
        try:
            (outcome,) = await asyncio.gather(self._running, return_exceptions=True)
        finally:
            self._sockets.close()
        # A fault in the node must not pass unseen, nor hide what ended the block.
        if error is None and isinstance(outcome, Exception):
            raise outcome

    @property
    def counts(self) -> DatagramCounts:
        """What the network did so far."""
        return self._driver.counts

    def pump(self) -> None:
        """Carry out at once what the core was just told to do, instead of at its next timer."""
        self._driver.pump()

    async def events(self) -> AsyncIterator[EventType]:
        """Yield events as they happen, until the block ends; raise what ended the node if it failed."""
        while True:
            while self._events:
                yield self._events.popleft()
            if self._running.done():
                if not self._running.cancelled():
                    self._running.result()
                return
            self._news.clear()
            await self._news.wait()

    def _take_event(self, event: EventType) -> None:
        self._events.append(event)
        self._news.set()
