"""A running node in a thread of its own, for players that have their own main loop and no asyncio.

with FollowerThread(FollowerSettings("jetty"), group="quarry lake", shows=shows) as node:
    for shown in node.frames():
        ...
"""

from __future__ import annotations

import asyncio
import threading
from collections.abc import Iterator
from types import TracebackType
from typing import Self

from leadlight.errors import NotRunningError
from leadlight.events import FollowerEvent, LeaderEvent, NodeFailed
from leadlight.follower import DueFrame, Follower, FrameRow
from leadlight.leader import Leader
from leadlight.net.node import CoreType, EventType, FollowerNode, LeaderNode, Node
from leadlight.net.waking import ThreadWaker, give_way, raise_priority
from leadlight.units import LocalInstant


class EndpointThread(Node[CoreType, EventType]):
    """A node that runs in a thread for as long as its ``with`` block lasts; arguments as for ``Node``.

    Ask and order from any thread. ``on_event`` is called in the node's own. Entering raises what opening the sockets
    raises, and ``NotRunningError`` where an asyncio loop is running already, as in a notebook: there ``async with`` is
    the form to use. Leaving raises ``NotRunningError`` if the node failed.
    """

    _awaitable_form = "Endpoint"
    _raised: BaseException | None = None

    def __enter__(self) -> Self:
        self._check_new()
        try:
            asyncio.get_running_loop()
        except RuntimeError:
            pass
        else:
            name, form = type(self).__name__, self._awaitable_form
            raise NotRunningError(
                f"{name} blocks, and an asyncio loop is running here; use `async with {form}(...)`"
            )
        self._news = threading.Condition(self._guard)
        self._waker = ThreadWaker(self.clock, self._waking)
        self._started = threading.Event()
        self._thread = threading.Thread(target=self._main, name="leadlight", daemon=True)
        self._thread.start()
        self._started.wait()
        if self._raised is not None:
            self._thread.join()
            raise self._raised
        assert self._driver is not None
        self._waker.permit_spin(is_stamped=self._driver.is_stamped)
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        traceback: TracebackType | None,
    ) -> None:
        self._loop.call_soon_threadsafe(self._stop.set)
        self._thread.join()
        if error is None and self._raised is not None:
            raise self._raised
        if error is None and self._failure is not None:
            raise self._not_running() from self._failure

    def pump(self) -> None:
        """Carry out at once what the core was just told to do, instead of at its next timer."""
        with self._guard:
            self._check_running()
            assert self._driver is not None
            self._loop.call_soon_threadsafe(self._driver.pump)

    def events(self) -> Iterator[EventType | NodeFailed]:
        """Yield events as they happen, until the block ends; raise ``NotRunningError`` once the node has failed."""
        self._check_entered()
        while True:
            with self._news:
                self._news.wait_for(lambda: bool(self._events) or not self.is_running)
                event = self._events.popleft() if self._events else None
            if event is not None:
                yield event
            elif self._failure is not None:
                raise self._not_running() from self._failure
            else:
                return

    def wait_until(self, at: LocalInstant) -> None:
        """Return at an instant of this node's clock, or a little later."""
        self._check_running()
        self._waker.until(at)

    def _main(self) -> None:
        try:
            asyncio.run(self._serve())
        except BaseException as error:  # noqa: BLE001 - raised again in the thread that enters or leaves
            self._raised = error
        finally:
            self._started.set()

    async def _serve(self) -> None:
        self._loop = asyncio.get_running_loop()
        self._stop = asyncio.Event()
        await self._open()
        self._started.set()
        try:
            await self._stop.wait()
        finally:
            await self._close()

    def _tell_news(self) -> None:
        with self._news:
            self._news.notify_all()
        self._end_waits()

    def _end_waits(self) -> None:
        self._waker.tell_news()


class FollowerThread(FollowerNode, EndpointThread[Follower, FollowerEvent]):
    """A follower that runs in a thread; arguments as for ``FollowerNode``."""

    _awaitable_form = "FollowerEndpoint"

    def frames(self) -> Iterator[DueFrame]:
        """Yield what to hand to the output, at its instant, in the thread that asks; as ``FollowerEndpoint.frames``."""
        self._check_entered()
        if self._waking.raises_priority:
            raise_priority()
        row, waker, guard = FrameRow(self.core), self._waker, self._guard
        next_at: LocalInstant | None = self.clock()
        news = waker.news_so_far
        is_running = self.is_running
        while is_running:
            with guard:
                row.look_ahead(next_at)
            is_due = waker.near(next_at, after_news=news)
            look = row.ready() if is_due else None
            at = waker.arrive(next_at) if is_due and next_at is not None else self.clock()
            is_running = self.is_running
            if not is_running:
                break  # it was left or has failed meanwhile
            before, news = news, waker.news_so_far
            if look is None or at >= look.holds_until or news != before:
                with guard:
                    look = row.look(at)
            if look.due is not None:
                yield look.due
                give_way()
            with guard:
                row.note_handed(look, at)
            next_at = look.next_at
        if self._failure is not None:
            raise self._not_running() from self._failure


class LeaderThread(LeaderNode, EndpointThread[Leader, LeaderEvent]):
    """A leader that runs in a thread; arguments as for ``LeaderNode``."""

    _awaitable_form = "LeaderEndpoint"
