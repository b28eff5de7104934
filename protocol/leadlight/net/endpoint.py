"""A running node inside somebody's asyncio program.

async with FollowerEndpoint(FollowerSettings("jetty"), group="quarry lake", shows=shows) as node:
    async for event in node.events():
        ...
"""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator
from types import TracebackType
from typing import Self

from leadlight.events import FollowerEvent, LeaderEvent, NodeFailed
from leadlight.follower import Follower
from leadlight.leader import Leader
from leadlight.net.node import CoreType, EventType, FollowerNode, LeaderNode, Node


class Endpoint(Node[CoreType, EventType]):
    """A node that runs in the loop of whoever enters its ``async with`` block; arguments as for ``Node``.

    Ask and order from that loop's thread. Leaving raises ``NotRunningError`` if the node failed.
    """

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

    def _tell_news(self) -> None:
        self._news.set()


class FollowerEndpoint(FollowerNode, Endpoint[Follower, FollowerEvent]):
    """A follower that runs in an asyncio program; arguments as for ``FollowerNode``."""


class LeaderEndpoint(LeaderNode, Endpoint[Leader, LeaderEvent]):
    """A leader that runs in an asyncio program; arguments as for ``LeaderNode``."""
