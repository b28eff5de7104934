"""A running node in a thread of its own, for players that have their own main loop and no asyncio."""

from __future__ import annotations

import asyncio
import threading
from collections.abc import Callable, Iterable
from contextlib import AbstractContextManager
from types import TracebackType
from typing import Any, Generic, Self, TypeVar

from leadlight.cue import START, Cue
from leadlight.events import FollowerEvent, LeaderEvent
from leadlight.follower import Follower, FollowerSettings, Snapshot
from leadlight.leader import Leader, LeaderSettings
from leadlight.net.driver import Core
from leadlight.net.endpoint import Endpoint, FollowerEndpoint, LeaderEndpoint
from leadlight.net.sockets import DEFAULT_PORT
from leadlight.playback import Library, Recovery, Shown, StoredShow
from leadlight.units import LocalInstant, ShowPosition
from leadlight.wire import KeyRing

CoreType = TypeVar("CoreType", bound=Core[Any])
Answer = TypeVar("Answer")


class EndpointThread(Generic[CoreType]):
    """An endpoint that runs in a thread for as long as the ``with`` block lasts.

    ``make_endpoint`` is given the lock that guards the core. ``on_event``, if given, is called in that
    thread for each event, and must be quick: while it runs no datagram is read.

    Entering raises what opening the endpoint raises; leaving raises what ended the node early, if it
    failed. Raises ``RuntimeError`` where an asyncio loop is running already, as in a notebook: there
    ``async with`` is the form to use.
    """

    _awaitable_form = "async with Endpoint(...)"

    def __init__(
        self,
        make_endpoint: Callable[[AbstractContextManager[Any]], Endpoint[CoreType, Any]],
        on_event: Callable[[Any], None] | None = None,
    ) -> None:
        self._lock = threading.RLock()
        self._make_endpoint = make_endpoint
        self._on_event = on_event
        self._started = threading.Event()
        self._failure: BaseException | None = None
        self._thread = threading.Thread(target=self._main, name="leadlight", daemon=True)

    def __enter__(self) -> Self:
        try:
            asyncio.get_running_loop()
        except RuntimeError:
            pass
        else:
            raise RuntimeError(
                f"{type(self).__name__} blocks, and an asyncio loop is running here; use `{self._awaitable_form}`"
            )
        self._thread.start()
        self._started.wait()
        if self._failure is not None:
            self._thread.join()
            raise self._failure
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        traceback: TracebackType | None,
    ) -> None:
        self._call_soon(self._stop.set)
        self._thread.join()
        if error is None and self._failure is not None:
            raise self._failure

    def _call_soon(self, what: Callable[[], object]) -> None:
        """Let the loop do something; nothing if it has ended, as it does when the node has failed."""
        try:
            self._loop.call_soon_threadsafe(what)
        except RuntimeError:
            if not self._loop.is_closed():
                raise

    def ask(self, question: Callable[[Endpoint[CoreType, Any]], Answer]) -> Answer:
        """Return ``question(endpoint)`` while the node stands still. From any thread; keep it short.

        It goes on answering when the node has failed: the clock it learnt still runs.
        """
        with self._lock:
            return question(self._endpoint)

    def tell(self, order: Callable[[Endpoint[CoreType, Any]], Answer]) -> Answer:
        """Return ``order(endpoint)`` and see to it that what it caused is done at once. From any thread."""
        with self._lock:
            answer = order(self._endpoint)
        self._call_soon(self._endpoint.pump)
        return answer

    def _main(self) -> None:
        try:
            asyncio.run(self._serve())
        except BaseException as error:  # noqa: BLE001 - raised again in the thread that owns this one
            self._failure = error
        finally:
            self._started.set()

    async def _serve(self) -> None:
        self._loop = asyncio.get_running_loop()
        self._stop = asyncio.Event()
        async with self._make_endpoint(self._lock) as self._endpoint:
            self._started.set()
            listening = asyncio.create_task(self._listen())
            stopping = asyncio.create_task(self._stop.wait())
            await asyncio.wait({listening, stopping}, return_when=asyncio.FIRST_COMPLETED)
            stopping.cancel()
            if listening.done():
                listening.result()
            listening.cancel()

    async def _listen(self) -> None:
        async for event in self._endpoint.events():
            if self._on_event is not None:
                self._on_event(event)


class FollowerThread(EndpointThread[Follower]):
    """A follower in a thread; arguments as for ``FollowerEndpoint``, and ``on_event`` as for ``EndpointThread``.

    Its questions may be asked from any thread.
    """

    _awaitable_form = "async with FollowerEndpoint(...)"

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
        on_event: Callable[[FollowerEvent], None] | None = None,
    ) -> None:
        super().__init__(
            lambda guard: FollowerEndpoint(
                settings,
                group=group,
                keys=keys,
                shows=shows,
                recovery=recovery,
                port=port,
                interface=interface,
                own_port=own_port,
                guard=guard,
            ),
            on_event,
        )

    def shown(self) -> Shown:
        """Return what to hand to the output now, and when to ask again."""
        return self.ask(lambda node: node.core.shown(node.clock()))

    def frame_now(self) -> int | None:
        """Return the frame to hand to the output now; ``None`` when dark."""
        return self.shown().frame

    def snapshot(self) -> Snapshot:
        """Return everything worth telling now."""
        return self.ask(lambda node: node.core.snapshot(node.clock()))

    def ask_leader(self, host: str, port: int) -> None:
        """Ask the leader at an address for copies, as ``FollowerEndpoint.ask_leader`` does."""
        self.tell(lambda node: node.core.ask((host, port), node.clock()))

    def note_live_data(self) -> None:
        """Say that live pixel data has just arrived for this piece's own pixels; call it again while that lasts."""
        self.tell(lambda node: node.core.note_live_data(node.clock()))

    def note_frame_shown(self, frame: int) -> None:
        """Say that a frame has just been handed to the output; one that comes late is counted and told."""
        self.ask(lambda node: node.core.note_frame_shown(frame, node.clock()))

    def note_late_frame(self) -> None:
        """Say that a frame could not be shown in time; for a player that does not report its frames."""
        self.ask(lambda node: node.core.note_late_frame())


class LeaderThread(EndpointThread[Leader]):
    """A leader in a thread; arguments as for ``LeaderEndpoint``, and ``on_event`` as for ``EndpointThread``.

    Its orders may be given from any thread.
    """

    _awaitable_form = "async with LeaderEndpoint(...)"

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
        on_event: Callable[[LeaderEvent], None] | None = None,
    ) -> None:
        super().__init__(
            lambda guard: LeaderEndpoint(
                settings,
                group=group,
                keys=keys,
                shows=shows,
                port=port,
                interface=interface,
                own_port=own_port,
                guard=guard,
            ),
            on_event,
        )

    def now(self) -> LocalInstant:
        """Return the instant now on this node's clock."""
        return self.ask(lambda node: node.clock())

    def schedule(self, cue: Cue) -> None:
        """Let a cue take effect at its line's instant, which is one of this node's clock."""
        self.tell(lambda node: node.core.schedule(cue))

    def roll(self, show: int, position: ShowPosition = START) -> Cue:
        """Let the show of this key roll from ``position`` one lead time from now; return the cue."""
        return self.tell(lambda node: node.core.roll(show, node.clock(), position))

    def pause(self) -> None:
        """Hold the position, one lead time from now."""
        self.tell(lambda node: node.core.pause(node.clock()))

    def go_dark(self) -> None:
        """Show nothing, one lead time from now."""
        self.tell(lambda node: node.core.go_dark(node.clock()))

    def stop(self) -> None:
        """Stop now: everyone fades within a second."""
        self.tell(lambda node: node.core.stop(node.clock()))

    def set_off_at(self, at: LocalInstant | None) -> None:
        """Set the instant from which on everything is dark, on this node's clock, or clear it."""
        self.tell(lambda node: node.core.set_off_at(at))

    def report_media(self, position: ShowPosition, latency_ns: int, at: LocalInstant | None = None) -> None:
        """Let the show follow the music, as ``LeaderEndpoint.report_media`` does."""
        self.tell(lambda node: node.core.report_media(position, latency_ns, node.clock() if at is None else at))
