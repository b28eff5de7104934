"""A running node inside somebody's asyncio program.

async with FollowerEndpoint(FollowerSettings("jetty"), group="quarry lake", shows=shows) as node:
    async for shown in node.frames():
        ...
"""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator
from types import TracebackType
from typing import Self

from leadlight.errors import NotRunningError
from leadlight.events import FollowerEvent, LeaderEvent, NodeFailed
from leadlight.follower import DueFrame, Follower, FrameRow, Look
from leadlight.leader import Leader
from leadlight.net.node import CoreType, EventType, FollowerNode, LeaderNode, Node
from leadlight.net.waking import Waker
from leadlight.units import LocalInstant


class Endpoint(Node[CoreType, EventType]):
    """A node that runs in the loop of whoever enters its ``async with`` block; arguments as for ``Node``.

    Ask and order from that loop's thread. Leaving raises ``NotRunningError`` if the node failed.
    """

    _made_waker: Waker | None = None

    async def __aenter__(self) -> Self:
        self._check_new()
        self._news = asyncio.Event()
        await self._open()
        return self

    async def __aexit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        traceback: TracebackType | None,
    ) -> None:
        await self._close()
        if self._made_waker is not None:
            self._made_waker.close()
        # A fault in the node must not pass unseen, nor hide what ended the block.
        if error is None and self._failure is not None:
            raise self._not_running() from self._failure

    def pump(self) -> None:
        """Carry out at once what the core was just told to do, instead of at its next timer."""
        self._check_running()
        assert self._driver is not None
        self._driver.pump()

    async def events(self) -> AsyncIterator[EventType | NodeFailed]:
        """Yield events as they happen, until the block ends; raise ``NotRunningError`` once the node has failed."""
        self._check_entered()
        while True:
            while self._events:
                yield self._events.popleft()
            if not self.is_running:
                if self._failure is not None:
                    raise self._not_running() from self._failure
                return
            self._news.clear()
            await self._news.wait()

    @property
    def _waker(self) -> Waker:
        """What wakes this node's waits; made for the first of them."""
        if self._made_waker is None:
            assert self._driver is not None
            self._made_waker = self._make_waker(self.clock, self._waking)
            self._made_waker.permit_spin(is_stamped=self._driver.is_stamped)
        return self._made_waker

    async def until(self, at: LocalInstant) -> None:
        """Return at an instant of this node's clock, or a little later; gives way to the loop at least once."""
        self._check_running()
        await self._waker.until(at)

    def _tell_news(self) -> None:
        self._news.set()
        self._end_waits()

    def _end_waits(self) -> None:
        if self._made_waker is not None:
            self._made_waker.tell_news()


class FollowerEndpoint(FollowerNode, Endpoint[Follower, FollowerEvent]):
    """A follower that runs in an asyncio program; arguments as for ``FollowerNode``."""

    async def frames(self) -> AsyncIterator[DueFrame]:
        """Yield what to hand to the output, at its instant: whenever frame, show or level changes.

        A cue that is brought forward, a stop, a seek and an end come at once, marked ``is_news``. Where the player is
        slow it gets the newest frame, which says how many were ``skipped``. Each is noted as shown. Ends when the block
        does; raises ``NotRunningError`` once the node has failed.
        """
        self._check_entered()
        row = FrameRow(self.core)
        next_at: LocalInstant | None = self.clock()
        ahead_at: LocalInstant | None = None

        def look(_: Follower, now: LocalInstant) -> Look:
            return row.look(now, ahead_at)

        while self.is_running:
            waker = self._waker
            at = next_at if await waker.near(next_at, or_news=True) else None
            ahead_at = at if at is not None and row.may_look_ahead(at) else None
            if at is not None and ahead_at is None:
                waker.arrive(at)
            try:
                due, next_at = self.ask(look)
            except NotRunningError:
                break  # it was left or has failed meanwhile
            if ahead_at is not None:
                waker.arrive(ahead_at)
            if due is not None:
                handed_at = self.clock()
                yield due
                # What is left to do can wait for others that are to show the same frame.
                waker.give_way()
                row.note_handed(due.frame, handed_at)
        if self._failure is not None:
            raise self._not_running() from self._failure


class LeaderEndpoint(LeaderNode, Endpoint[Leader, LeaderEvent]):
    """A leader that runs in an asyncio program; arguments as for ``LeaderNode``."""
