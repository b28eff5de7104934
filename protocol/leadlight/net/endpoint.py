"""A running node inside somebody's asyncio program: sockets, driver and an iterator of events.

async with FollowerEndpoint(FollowerSettings("jetty"), group="quarry lake", shows=shows) as node:
    async for event in node.events():
        ...
"""

from __future__ import annotations

import asyncio
import logging
from collections import deque
from collections.abc import AsyncIterator, Callable, Iterable
from contextlib import AbstractContextManager
from functools import partial
from types import TracebackType
from typing import Any, Generic, Self, TypeVar

from leadlight.cue import Cue
from leadlight.events import FollowerEvent, LeaderEvent
from leadlight.follower import Follower, FollowerSettings, Snapshot
from leadlight.leader import Leader, LeaderSettings
from leadlight.net.clock import LocalClock
from leadlight.net.driver import Core, CoreDriver, DatagramCounts
from leadlight.net.machine import MACHINE
from leadlight.net.sockets import DEFAULT_PORT
from leadlight.playback import Library, Recovery, Shown, StoredShow
from leadlight.units import LocalInstant, ShowPosition
from leadlight.wire import Codec, KeyRing

_log = logging.getLogger(__name__)

_BEGINNING = ShowPosition(0)

EVENTS_KEPT = 1024
"""Events that nobody has taken yet; older ones are let go, because what is in force is the core's to tell."""

EventType = TypeVar("EventType")
CoreType = TypeVar("CoreType", bound=Core[Any])


class Endpoint(Generic[CoreType, EventType]):
    """One node on the network for as long as the ``async with`` block runs.

    ``make_core`` is given the instant now and returns the state machine. ``group``, ``port``, ``interface``
    and ``own_port`` are those of ``leadlight.net.sockets.GroupSockets``, whose ``NetworkError`` entering may
    raise. ``guard`` is held whenever the core is touched, for those who read it from another thread. Clock, chance
    and sockets are those of the ``leadlight.net.machine.MACHINE`` in whose context the endpoint is made.
    """

    def __init__(
        self,
        make_core: Callable[[LocalInstant], CoreType],
        *,
        group: str,
        port: int = DEFAULT_PORT,
        interface: str | None = None,
        own_port: int = 0,
        clock: LocalClock | None = None,
        guard: AbstractContextManager[Any] | None = None,
    ) -> None:
        machine = MACHINE.get()
        self.clock = machine.clock() if clock is None else clock
        self.core = make_core(self.clock())
        self._open_sockets = partial(machine.open_sockets, group, port=port, interface=interface, own_port=own_port)
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


def _codec(group: str, keys: KeyRing | None) -> Codec:
    if keys is None:
        _log.warning("group %r has no key: anybody on this network can lead it", group)
    return Codec(group, keys)


class FollowerEndpoint(Endpoint[Follower, FollowerEvent]):
    """A follower on the network for as long as the ``async with`` block runs.

    ``group`` and ``keys`` are what its members share, ``shows`` what is stored here: shows, or a ``Library`` that knows
    of those that should be as well. The rest is as in ``Endpoint``.
    """

    def __init__(
        self,
        settings: FollowerSettings,
        *,
        group: str,
        keys: KeyRing | None = None,
        shows: Iterable[StoredShow] | Library = (),
        recovery: Recovery | None = None,
        port: int = DEFAULT_PORT,
        interface: str | None = None,
        own_port: int = 0,
        clock: LocalClock | None = None,
        guard: AbstractContextManager[Any] | None = None,
    ) -> None:
        super().__init__(
            lambda _: Follower(settings, _codec(group, keys), MACHINE.get().entropy(), shows, recovery),
            group=group,
            port=port,
            interface=interface,
            own_port=own_port,
            clock=clock,
            guard=guard,
        )
        self.follower = self.core

    def shown(self) -> Shown:
        """Return what to hand to the output now, and when to ask again."""
        return self.follower.shown(self.clock())

    def frame_now(self) -> int | None:
        """Return the frame to hand to the output now; ``None`` when dark."""
        return self.shown().frame

    def snapshot(self) -> Snapshot:
        """Return everything worth telling now."""
        return self.follower.snapshot(self.clock())

    def ask_leader(self, host: str, port: int) -> None:
        """Ask the leader at an address, IPv4 and its own port, for copies: where nothing reaches the group."""
        self.follower.ask((host, port), self.clock())
        self.pump()

    def note_live_data(self) -> None:
        """Say that live pixel data has just arrived for this piece's own pixels; call it again while that lasts."""
        self.follower.note_live_data(self.clock())
        self.pump()

    def note_frame_shown(self, frame: int) -> None:
        """Say that a frame has just been handed to the output; one that comes late is counted and told."""
        self.follower.note_frame_shown(frame, self.clock())

    def note_late_frame(self) -> None:
        """Say that a frame could not be shown in time; for a player that does not report its frames."""
        self.follower.note_late_frame()


class LeaderEndpoint(Endpoint[Leader, LeaderEvent]):
    """A leader on the network for as long as the ``async with`` block runs; arguments as for a follower.

    ``shows`` are those whose length it should know, as ``Leader`` says. Its orders take the moment of calling for now,
    and what has to leave at once does.
    """

    def __init__(
        self,
        settings: LeaderSettings,
        *,
        group: str,
        keys: KeyRing | None = None,
        shows: Iterable[StoredShow] = (),
        port: int = DEFAULT_PORT,
        interface: str | None = None,
        own_port: int = 0,
        clock: LocalClock | None = None,
        guard: AbstractContextManager[Any] | None = None,
    ) -> None:
        super().__init__(
            lambda now: Leader(settings, _codec(group, keys), MACHINE.get().entropy(), now, shows),
            group=group,
            port=port,
            interface=interface,
            own_port=own_port,
            clock=clock,
            guard=guard,
        )
        self.leader = self.core

    def schedule(self, cue: Cue) -> None:
        """Let a cue take effect at its line's instant, which is one of this node's clock."""
        self.leader.schedule(cue)
        self.pump()

    def roll(self, show: int, position: ShowPosition = _BEGINNING) -> Cue:
        """Let the show of this key roll from ``position`` one lead time from now; return the cue."""
        cue = self.leader.roll(show, self.clock(), position)
        self.pump()
        return cue

    def report_media(self, position: ShowPosition, latency_ns: int, at: LocalInstant | None = None) -> None:
        """Let the show follow the music: the player hands over ``position``, which is heard ``latency_ns`` later.

        ``at`` is when, on this node's clock; now by default. The rest is as for ``Leader.report_media``.
        """
        self.leader.report_media(position, latency_ns, self.clock() if at is None else at)
        self.pump()

    def set_off_at(self, at: LocalInstant | None) -> None:
        """Set the instant from which on everything is dark, on this node's clock, or clear it."""
        self.leader.set_off_at(at)
        self.pump()

    def take_back(self) -> None:
        """Lead from now on, at whatever point of the show."""
        self.leader.take_back(self.clock())
        self.pump()

    def pause(self) -> None:
        """Hold the position, one lead time from now."""
        self.leader.pause(self.clock())
        self.pump()

    def go_dark(self) -> None:
        """Show nothing, one lead time from now."""
        self.leader.go_dark(self.clock())
        self.pump()

    def stop(self) -> None:
        """Stop now: everyone fades within a second."""
        self.leader.stop(self.clock())
        self.pump()
