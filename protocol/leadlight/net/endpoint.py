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

from leadlight.events import FollowerEvent, LeaderEvent, NodeFailed
from leadlight.follower import DueFrame, Follower, FrameRow
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
        news = -1  # more than none: look at once
        is_running = self.is_running
        while is_running:
            waker = self._waker
            row.look_ahead(next_at)
            is_due = await waker.near(next_at, after_news=news)
            is_running = self.is_running
            if not is_running:
                break  # it was left or has failed meanwhile
            news = waker.news_so_far
            look = row.ready() if is_due else None
            at = waker.arrive(next_at) if is_due and next_at is not None else self.clock()
            if look is None or at >= look.holds_until:
                look = row.look(at)
            if look.due is not None:
                yield look.due
                # What is left to do can wait for others that are to show the same frame.
                waker.give_way()
            row.note_handed(look, at)
            next_at = look.next_at
        if self._failure is not None:
            raise self._not_running() from self._failure


class LeaderEndpoint(LeaderNode, Endpoint[Leader, LeaderEvent]):
    """A leader that runs in an asyncio program; arguments as for ``LeaderNode``."""
