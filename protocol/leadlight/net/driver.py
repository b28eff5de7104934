"""Drives a sans-IO core over real sockets in an asyncio loop.

The core decides everything; this keeps time for it, carries its datagrams and counts what the network
does. It queues nothing: a beacon that cannot leave now is worth less than the next one.
"""

from __future__ import annotations

import asyncio
import contextlib
import errno
import logging
import socket
from collections.abc import Callable, Iterable
from contextlib import AbstractContextManager, nullcontext
from dataclasses import dataclass
from typing import Any, Generic, Protocol, TypeVar

from leadlight.net.departure import Departure
from leadlight.net.silence import SilenceWatch
from leadlight.net.timestamps import DATAGRAM_ROOM_BYTES, DatagramSocket, arrival, enable_kernel_stamps, receive
from leadlight.units import SECOND, LocalInstant

_log = logging.getLogger(__name__)

DRAIN_MAXIMUM = 256
"""Datagrams read in one go before the loop's other work gets its turn."""

_READ_ERROR_PAUSE_SECONDS = 0.1

_BUSY = frozenset({errno.ENOBUFS, errno.EAGAIN, errno.EWOULDBLOCK})

EventType = TypeVar("EventType")
_EventOut = TypeVar("_EventOut", covariant=True)


class Core(Protocol[_EventOut]):
    """The five verbs of a leader or a follower, and what only its host can know."""

    def receive_datagram(self, data: bytes, source: Any, received_at: LocalInstant) -> None:
        """Take in a datagram that arrived at ``received_at`` from ``source``."""

    def handle_timer(self, now: LocalInstant) -> None:
        """Do what is due; harmless when early or called twice."""

    def next_timer(self) -> LocalInstant | None:
        """Return when ``handle_timer`` wants to be called; asking changes nothing."""

    def datagrams_to_send(self, now: LocalInstant) -> Iterable[tuple[bytes, Any]]:
        """Return what is to be sent now, stamped ``now``; a destination of ``None`` is the group."""

    def next_event(self) -> _EventOut | None:
        """Return the next thing that happened, or ``None``."""

    def note_resumed(self, now: LocalInstant) -> None:
        """The host was suspended and is awake again."""


class NodeSockets(Protocol):
    """What the driver needs of ``leadlight.net.sockets.GroupSockets``."""

    @property
    def own(self) -> DatagramSocket:
        """The one that sends, and hears answers."""

    @property
    def shared(self) -> DatagramSocket:
        """The one that hears the group."""

    @property
    def group_destination(self) -> Any:
        """Where a datagram to the group goes."""

    def join_again(self) -> bool:
        """Leave the group and join it once more; return whether that worked."""


@dataclass(slots=True)
class DatagramCounts:
    """What the network did. Nothing here stops a show; a number that grows says where to look."""

    received: int = 0
    receive_errors: int = 0
    """Among them the network's word that a peer has gone, which some systems report on reading."""
    sent: int = 0
    dropped: int = 0
    """Not sent because the socket or the interface was busy, or because there is no network."""
    send_errors: int = 0
    joined_again: int = 0
    resumed: int = 0
    """How often the host was found to have been suspended."""


class CoreDriver(Generic[EventType]):
    """One core on one pair of sockets.

    ``on_event`` is called for each event, in order, in the loop's thread, outside ``guard``. ``guard`` is
    held whenever the core is touched, for those who read it from another thread. ``on_failure`` is called once, and
    first, with what the core or ``on_event`` raised; from then on nothing is driven any more. ``after_pump`` is called
    whenever the core may have changed its mind, and ``on_unsent`` with each datagram that could not leave, at once.
    """

    def __init__(
        self,
        core: Core[EventType],
        sockets: NodeSockets | None,
        on_event: Callable[[EventType], None],
        clock: Callable[[], LocalInstant],
        guard: AbstractContextManager[Any] | None = None,
        on_failure: Callable[[BaseException], None] | None = None,
        after_pump: Callable[[], None] | None = None,
        on_unsent: Callable[[bytes], None] | None = None,
    ) -> None:
        self.counts = DatagramCounts()
        self._core = core
        self._sockets = sockets
        self._on_event = on_event
        self._clock = clock
        self._guard: AbstractContextManager[Any] = nullcontext() if guard is None else guard
        self._slept_ns = 0
        self._send_errors: set[int | None] = set()
        self._silence = SilenceWatch(clock())
        self._loop: asyncio.AbstractEventLoop | None = None
        self._timer: asyncio.TimerHandle | None = None
        self._on_failure = on_failure
        self._failure: BaseException | None = None
        self._end: asyncio.Future[None] | None = None
        self._after_pump = after_pump
        self._on_unsent = on_unsent
        self._departure = Departure(clock)
        self._readers = contextlib.ExitStack()
        self.is_stamped = self._enable_stamps()
        """Whether the kernel stamps what is received."""

    def use(self, sockets: NodeSockets | None) -> None:
        """Send and hear by other sockets from now on, or by none: there is no network, and what is sent is dropped.

        Call it in the loop's thread; the ones before are the caller's to close.
        """
        self._readers.close()
        self._sockets = sockets
        self.is_stamped = self._enable_stamps()
        self._send_errors.clear()
        if self._loop is not None:
            self._read(self._loop)

    def _enable_stamps(self) -> bool:
        sockets = self._sockets
        stamped = [] if sockets is None else [enable_kernel_stamps(one) for one in (sockets.own, sockets.shared)]
        return all(stamped)

    async def run(self) -> None:
        """Drive the core until cancelled.

        What the core or ``on_event`` raises ends the run and is raised here.
        """
        self._loop = asyncio.get_running_loop()
        self._end = self._loop.create_future()
        self._read(self._loop)
        try:
            if self._failure is not None:
                raise self._failure
            self.pump()
            await self._end
        finally:
            self._readers.close()
            self._end.cancel()
            if self._timer is not None:
                self._timer.cancel()

    def pump(self) -> None:
        """Do all that is due: timers, sends, events; then arrange to be woken for the next timer.

        Call it, in the loop's thread, after telling the core something from outside.
        """
        if self._failure is not None:
            return
        try:
            with self._guard:
                events = self._step()
            for event in events:
                self._on_event(event)
            with self._guard:
                due_at = self._core.next_timer()
        except Exception as error:  # noqa: BLE001 - handed on to whoever awaits run()
            self._fail(error)
            return
        self._wake_at(due_at)
        if self._after_pump is not None:
            self._after_pump()

    def _notice_sleep(self, now: LocalInstant) -> None:
        """Tell the core once for each time the host was suspended, before anything that came afterwards."""
        slept_ns = getattr(self._clock, "slept_ns", 0)
        if slept_ns > self._slept_ns:
            self._slept_ns = slept_ns
            self.counts.resumed += 1
            self._core.note_resumed(now)

    def _step(self) -> list[EventType]:
        now = self._clock()
        self._notice_sleep(now)
        due_at = self._core.next_timer()
        if due_at is not None and due_at <= now:
            self._core.handle_timer(now)
        if self._silence.take_turn(now) and self._sockets is not None and self._sockets.join_again():
            self.counts.joined_again += 1
        # A fresh reading: the stamp is the moment of sending and not of waking.
        stamp = self._departure.stamp()
        is_awaited = False
        for data, destination in self._core.datagrams_to_send(stamp):
            if not is_awaited:
                is_awaited = True
                self._departure.await_stamp(stamp)
            if not self._send(data, destination) and self._on_unsent is not None:
                self._on_unsent(data)
        return list(iter(self._core.next_event, None))

    def _send(self, data: bytes, destination: Any) -> bool:
        """Send a datagram; return whether it has left."""
        if self._sockets is None:
            self.counts.dropped += 1
            return False
        if destination is None:
            destination = self._sockets.group_destination
        try:
            self._sockets.own.sendto(data, destination)
        except (BlockingIOError, InterruptedError):
            self.counts.dropped += 1
        except OSError as error:
            # A full interface queue is not announced when it empties, so there is nothing to wait for.
            if error.errno in _BUSY:
                self.counts.dropped += 1
            else:
                self.counts.send_errors += 1
                self._note_send_error(error, destination)
        else:
            self.counts.sent += 1
            return True
        return False

    def _note_send_error(self, error: OSError, destination: Any) -> None:
        """Log each kind of trouble once: an unknown name, a network that is down, a firewall."""
        if error.errno not in self._send_errors:
            self._send_errors.add(error.errno)
            _log.warning("cannot send to %s: %s", destination, error)

    def _wake_at(self, due_at: LocalInstant | None) -> None:
        if self._loop is None or (self._end is not None and self._end.done()):
            return
        if self._timer is not None:
            self._timer.cancel()
        wake_at = self._silence.due_at if due_at is None else min(due_at, self._silence.due_at)
        # The loop may wake us early or late by its clock. Early finds nothing due and waits once more.
        self._timer = self._loop.call_later(max(0, wake_at - self._clock()) / SECOND, self.pump)

    def _fail(self, error: BaseException) -> None:
        if self._failure is not None:
            return
        self._failure = error
        if self._on_failure is not None:
            self._on_failure(error)
        elif self._end is None:
            raise error
        if self._end is not None and not self._end.done():
            self._end.set_exception(error)

    # -- reading ---------------------------------------------------------------------------------------------

    def _read(self, loop: asyncio.AbstractEventLoop) -> None:
        """Have the loop read from the sockets there are."""
        for endpoint in () if self._sockets is None else (self._sockets.shared, self._sockets.own):
            try:
                loop.add_reader(endpoint, self._drain, endpoint)
            except NotImplementedError:
                # The completion-based loop that Windows uses by default has no readers.
                assert isinstance(endpoint, socket.socket)
                task = loop.create_task(self._read_by_completion(loop, endpoint))
                self._readers.callback(task.cancel)
            else:
                self._readers.callback(loop.remove_reader, endpoint)

    def _drain(self, endpoint: DatagramSocket) -> None:
        for _ in range(DRAIN_MAXIMUM):
            try:
                data, ancillary, source = receive(endpoint)
            except (BlockingIOError, InterruptedError):
                break
            except OSError:
                # Reading takes the error away; the socket itself is sound.
                self.counts.receive_errors += 1
                continue
            try:
                self._take_in(endpoint, data, source, arrival(ancillary, self._clock))
            except Exception as error:  # noqa: BLE001 - handed on to whoever awaits run()
                self._fail(error)
                return
        self.pump()

    async def _read_by_completion(self, loop: asyncio.AbstractEventLoop, endpoint: socket.socket) -> None:
        while True:
            try:
                data, source = await loop.sock_recvfrom(endpoint, DATAGRAM_ROOM_BYTES)
            except OSError:
                self.counts.receive_errors += 1
                await asyncio.sleep(_READ_ERROR_PAUSE_SECONDS)
                continue
            try:
                self._take_in(endpoint, data, source, self._clock())
            except Exception as error:  # noqa: BLE001 - handed on to whoever awaits run()
                self._fail(error)
                return
            self.pump()

    def _take_in(self, endpoint: DatagramSocket, data: bytes, source: Any, received_at: LocalInstant) -> None:
        self.counts.received += 1
        if self._sockets is not None and endpoint is self._sockets.shared:
            self._silence.heard(received_at)
        with self._guard:
            self._notice_sleep(received_at)
            self._core.receive_datagram(data, source, received_at)


async def run_core(
    core: Core[EventType],
    sockets: NodeSockets,
    on_event: Callable[[EventType], None],
    clock: Callable[[], LocalInstant],
) -> None:
    """Drive ``core`` over ``sockets`` until cancelled; see ``CoreDriver`` for the arguments."""
    await CoreDriver(core, sockets, on_event, clock).run()
