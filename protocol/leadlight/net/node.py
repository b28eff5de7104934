"""A running node, whichever way it runs: what an endpoint and a thread answer and obey alike.

What a node is (``FollowerNode``, ``LeaderNode``) is apart from how it runs (``Endpoint``, ``EndpointThread``). Each
question and each order is written once, here, in terms of ``ask`` and ``tell``.
"""

from __future__ import annotations

import asyncio
import logging
import threading
from collections import deque
from collections.abc import Callable, Iterable, Mapping
from enum import Enum
from typing import Any, Generic, TypeVar, cast

from leadlight.cue import START, Cue
from leadlight.errors import ConfigurationError, LeadlightError, NotRunningError, check_kind, check_whole
from leadlight.events import Event, FollowerEvent, LeaderEvent, NodeFailed
from leadlight.follower import Follower, FollowerSettings, JournalLine, Snapshot
from leadlight.leader import Inheritance, Leader, LeaderSettings
from leadlight.net.attachment import Attachment
from leadlight.net.clock import LocalClock
from leadlight.net.driver import Core, CoreDriver, DatagramCounts
from leadlight.net.keeping import Keeping
from leadlight.net.machine import MACHINE, BoundSockets
from leadlight.net.remarks import Remarks
from leadlight.net.sockets import DEFAULT_PORT, EXPEDITED, check_address, check_dscp, check_ip_version, check_ports
from leadlight.net.waking import WakingSettings, raise_priority
from leadlight.playback import AtTick, Library, Recovery, Shown, StoredShow
from leadlight.terms import Role
from leadlight.units import INSTANT_MAXIMUM, SECOND, LeaderInstant, LocalInstant, ShowPosition
from leadlight.wire import Codec, KeyRing

_log = logging.getLogger(__name__)

EVENTS_KEPT = 1024
"""Events that nobody has taken yet; older ones are let go, because what is in force is the core's to tell."""

GOODBYE_SECONDS_MAXIMUM = 1.0
GOODBYE_LOOK_SECONDS = 0.01

EventType = TypeVar("EventType")
CoreType = TypeVar("CoreType", bound=Core[Any])
Answer = TypeVar("Answer")


class _Stage(Enum):
    NEW = "has not been entered yet: ask inside its with block"
    RUNNING = "is running"
    LEFT = "has been left: make another one"


class Node(Generic[CoreType, EventType]):
    """One core on the network for as long as its block runs.

    ``make_core`` is given the instant now and returns the state machine. ``group``, ``port``, ``interface``,
    ``own_port``, ``dscp`` and ``ip_version`` are those of ``leadlight.net.sockets.GroupSockets``, whose
    ``NetworkError`` entering may raise.
    ``on_event``, if given, is called for each event where the node runs, and must be quick: while it runs no datagram
    is read. What it raises is logged, and the node goes on. ``waking`` says how it wakes on time. Clock, chance, timers
    and sockets are those of the ``leadlight.net.machine.MACHINE`` in whose context the node is made.

    Where there is no network yet entering raises ``NetworkError``, unless the node ``waits_for_network``: then it runs
    without one, and tells ``NetworkLost`` and ``NetworkFound``. So it does when an interface goes, comes back or has
    another address.

    Outside the block ``ask`` and ``tell``, and all that is made of them, raise ``NotRunningError``; so they do when the
    node has failed, with what happened as its cause. A failure is logged and told as ``NodeFailed`` at once.
    """

    def __init__(
        self,
        make_core: Callable[[LocalInstant], CoreType],
        *,
        group: str,
        port: int = DEFAULT_PORT,
        interface: str | None = None,
        own_port: int = 0,
        dscp: int = EXPEDITED,
        waits_for_network: bool = False,
        ip_version: int | None = None,
        clock: LocalClock | None = None,
        waking: WakingSettings | None = None,
        on_event: Callable[[EventType], object] | None = None,
    ) -> None:
        if on_event is not None and not callable(on_event):
            raise ConfigurationError("on_event", on_event, "a function of one event")
        if interface is not None:
            check_kind("interface", interface, str, "a name or an address of one of this host's interfaces")
        check_kind("group", group, str, "a name")
        check_ports(port, own_port)
        check_dscp(dscp)
        check_ip_version(ip_version)
        machine = MACHINE.get()
        self.clock = machine.clock() if clock is None else clock
        now = self.clock()
        check_whole("clock", now, 0, INSTANT_MAXIMUM, "what returns the instant now in ns")
        self.core = make_core(now)
        self.group = group

        def open_sockets(before: int | None) -> BoundSockets:
            at = own_port or before or 0
            return machine.open_sockets(
                group, port=port, interface=interface, own_port=at, dscp=dscp, ip_version=ip_version
            )

        self._attachment = Attachment(open_sockets, self.clock, cast(Callable[[Event], None], self._take_event))
        self._waits_for_network = waits_for_network
        self._waking = waking or WakingSettings()
        self._make_waker = machine.waker
        self._on_event = on_event
        self._guard = threading.RLock()
        self._events: deque[EventType | NodeFailed] = deque(maxlen=EVENTS_KEPT)
        self._stage = _Stage.NEW
        self._failure: BaseException | None = None
        self._driver: CoreDriver[EventType] | None = None
        self._remarks = Remarks(group, now)

    def __repr__(self) -> str:
        stage = self._stage.name.lower() if self._failure is None else "failed"
        return f"<{type(self).__name__} {stage}, group {self.group!r}: {self.core!r}>"

    # -- the one mechanism ---------------------------------------------------------------------------------------

    def ask(self, question: Callable[[CoreType, LocalInstant], Answer]) -> Answer:
        """Return ``question(core, now)`` while the node stands still; keep it short."""
        with self._guard:
            self._check_running()
            return question(self.core, self.clock())

    def tell(self, order: Callable[[CoreType, LocalInstant], Answer]) -> Answer:
        """Return ``order(core, now)`` and see to it that what it caused is done at once."""
        answer = self.ask(order)
        self.pump()
        return answer

    def pump(self) -> None:
        """Carry out at once what the core was just told to do, instead of at its next timer."""
        raise NotImplementedError

    # -- what every node is asked --------------------------------------------------------------------------------

    @property
    def is_running(self) -> bool:
        """Whether it is on the network: entered, not left, and not failed."""
        return self._stage is _Stage.RUNNING and self._failure is None

    @property
    def counts(self) -> DatagramCounts:
        """What the network did so far."""
        return DatagramCounts() if self._driver is None else self._driver.counts

    def now(self) -> LocalInstant:
        """Return the instant now on this node's clock."""
        return self.ask(lambda _, now: now)

    # -- running -------------------------------------------------------------------------------------------------

    def _check_running(self) -> None:
        if not self.is_running:
            raise self._not_running() from self._failure

    def _check_new(self) -> None:
        if self._stage is _Stage.RUNNING:
            raise NotRunningError(f"{type(self).__name__} is running already: a node is entered once")
        if self._stage is not _Stage.NEW:
            raise self._not_running()

    def _check_entered(self) -> None:
        if self._stage is _Stage.NEW:
            raise self._not_running()

    def _not_running(self) -> NotRunningError:
        failure = self._failure
        what = self._stage.value if failure is None else f"has failed: {type(failure).__name__}: {failure}"
        return NotRunningError(f"{type(self).__name__} {what}")

    async def _open(self) -> None:
        """Open the sockets and begin to drive the core, in the running loop."""
        self._attachment.open(self._waits_for_network)
        self._driver = CoreDriver(
            self.core,
            self._attachment.sockets,
            self._take_event,
            self.clock,
            self._guard,
            on_failure=self._note_failure,
            after_pump=self._after_pump,
        )
        if self._waking.raises_priority:
            raise_priority()
        self._stage = _Stage.RUNNING
        self._running = asyncio.create_task(self._driver.run())
        self._running.add_done_callback(self._note_end)
        self._attached = asyncio.create_task(self._attachment.last(self._driver))

    async def _close(self) -> None:
        try:
            if self._failure is None:
                await self._take_leave()
        finally:
            await self._leave()

    async def _take_leave(self) -> None:
        """Say what is to be said before the sockets are closed."""

    async def _leave(self) -> None:
        with self._guard:
            self._stage = _Stage.LEFT
        self._running.cancel()
        self._attached.cancel()
        try:
            await asyncio.gather(self._running, self._attached, return_exceptions=True)
        finally:
            self._attachment.close()
            self._tell_news()

    def _note_end(self, running: asyncio.Task[None]) -> None:
        failure = None if running.cancelled() else running.exception()
        if failure is not None and self._failure is None:  # not in the core: nothing could be read here
            self._note_failure(failure)

    def _note_failure(self, failure: BaseException) -> None:
        """The core or its driver has failed: say so at once, and nothing else from now on."""
        self._failure = failure
        _log.critical("%r has failed and is silent from now on", self, exc_info=failure)
        self._take_event(NodeFailed(self.clock(), f"{type(failure).__name__}: {failure}"))

    def _take_event(self, event: EventType | NodeFailed) -> None:
        with self._guard:
            self._events.append(event)
        self._tell_news()
        if self._on_event is not None:
            try:
                self._on_event(event)  # type: ignore[arg-type]  # NodeFailed is one of both unions
            except Exception:  # noqa: BLE001 - a player's mistake must not end the show
                _log.exception("on_event of %r raised at %r", self, event)

    def _tell_news(self) -> None:
        """Wake whoever waits for events."""
        raise NotImplementedError

    def _after_pump(self) -> None:
        """Do what has to follow whatever the core did."""
        self._end_waits()
        now = self.clock()
        if self._remarks.is_due(now):
            with self._guard:
                found = self._remarks.look(now, self._counters(), self._hears_leader())
            for event in found:
                self._take_event(cast(EventType, event))  # each is one of both unions

    def _counters(self) -> Mapping[str, int]:
        """Return what the core has counted, by cause."""
        return {}

    def _hears_leader(self) -> bool:
        """Return whether there is a leader, or none is needed."""
        return True

    def _end_waits(self) -> None:
        """Let whoever waits for the core's next instant ask again which one it is."""
        raise NotImplementedError


class FollowerNode(Node[Follower, FollowerEvent]):
    """A follower on the network.

    ``group`` and ``keys`` are what its members share, ``shows`` what is stored here: shows, or a ``Library`` that knows
    of those that should be as well. ``on_event`` is called for each event. ``recovery`` decides how an error is
    removed, ``BlendedRecovery`` by default. ``interface``, ``port`` and ``own_port`` say where on the network, ``dscp``
    how datagrams are marked for priority, and ``waking`` how the node wakes on time.
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
        dscp: int = EXPEDITED,
        waits_for_network: bool = False,
        ip_version: int | None = None,
        clock: LocalClock | None = None,
        waking: WakingSettings | None = None,
        on_event: Callable[[FollowerEvent], object] | None = None,
    ) -> None:
        super().__init__(
            lambda _: Follower(settings, _codec(group, keys), MACHINE.get().entropy(), shows, recovery),
            group=group,
            port=port,
            interface=interface,
            own_port=own_port,
            dscp=dscp,
            waits_for_network=waits_for_network,
            ip_version=ip_version,
            clock=clock,
            waking=waking,
            on_event=on_event,
        )
        self.follower = self.core

    def _counters(self) -> Mapping[str, int]:
        return self.core.counters

    def _hears_leader(self) -> bool:
        return self.core.tenure is not None

    @property
    def journal(self) -> tuple[JournalLine, ...]:
        """What the last beacons found and did, oldest first."""
        return self.ask(lambda follower, _: follower.journal)

    def shown(self) -> Shown:
        """Return what to hand to the output now, and when to ask again."""
        return self.ask(lambda follower, now: follower.shown(now))

    def shown_at_tick(self, period_ns: int) -> AtTick:
        """Return what to hand over at the next tick of a loop that keeps a rate of its own.

        Call it at a tick; the next is ``period_ns`` later. What it returns is noted as shown then.
        """
        check_whole("period_ns", period_ns, 1, SECOND, "1 ns to 1 s")

        def ask(follower: Follower, now: LocalInstant) -> AtTick:
            tick_at = LocalInstant(now + period_ns)
            found = follower.shown_at_tick(tick_at)
            if found.frame is not None:
                follower.note_frame_shown(found.frame, tick_at)
            return found

        return self.ask(ask)

    def frame_now(self) -> int | None:
        """Return the frame to hand to the output now; ``None`` when dark."""
        return self.shown().frame

    def snapshot(self) -> Snapshot:
        """Return everything worth telling now."""
        return self.ask(lambda follower, now: follower.snapshot(now))

    def ask_leader(self, host: str, port: int) -> None:
        """Ask the leader on a host, at its own port, for copies: where nothing reaches the group.

        ``host`` is an address, or a name that this system can resolve; what cannot be sent is logged.
        """
        check_address(host, port)
        self.tell(lambda follower, now: follower.ask((host, port), now))

    def note_live_data(self) -> None:
        """Say that live pixel data has just arrived for this piece's own pixels; call it again while that lasts."""
        self.tell(lambda follower, now: follower.note_live_data(now))

    def note_frame_shown(self, frame: int) -> None:
        """Say that a frame has just been handed to the output; one that comes late is counted and told."""
        self.ask(lambda follower, now: follower.note_frame_shown(frame, now))

    def note_late_frame(self) -> None:
        """Say that a frame could not be shown in time; for a player that does not report its frames."""
        self.ask(lambda follower, _: follower.note_late_frame())


class LeaderNode(Node[Leader, LeaderEvent]):
    """A leader on the network; arguments as for ``FollowerNode``.

    ``shows`` are those whose length it should know, and that orders may name by their id. Orders take the moment of
    calling for now, and what has to leave at once does. One that is wrong in itself raises ``ConfigurationError``, one
    that cannot be carried out as things stand ``OrderError``, and nothing changes.

    With ``resumes_within_ns`` it keeps on this host what it leads. Another of the same name, group and ``purpose`` that
    is started within so long, in the same boot, leads on with that, in the same timebase. ``kept`` tells what that is.
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
        dscp: int = EXPEDITED,
        waits_for_network: bool = False,
        ip_version: int | None = None,
        clock: LocalClock | None = None,
        waking: WakingSettings | None = None,
        on_event: Callable[[LeaderEvent], object] | None = None,
        resumes_within_ns: int = 0,
        purpose: str = "",
    ) -> None:
        check_whole("resumes_within_ns", resumes_within_ns, 0, INSTANT_MAXIMUM, "ns, 0 to keep nothing")
        check_kind("purpose", purpose, str, "a text")
        self._keeping: Keeping | None = None
        self._keep_timer: asyncio.TimerHandle | None = None
        self._keep_at: LocalInstant | None = None

        def make_core(now: LocalInstant) -> Leader:
            entropy = MACHINE.get().entropy()
            kept = None
            if resumes_within_ns:
                kept = self._open_keeping(settings.name, group, resumes_within_ns, purpose)
            return Leader(settings, _codec(group, keys), entropy, now, shows, kept)

        super().__init__(
            make_core,
            group=group,
            port=port,
            interface=interface,
            own_port=own_port,
            dscp=dscp,
            waits_for_network=waits_for_network,
            ip_version=ip_version,
            clock=clock,
            waking=waking,
            on_event=on_event,
        )
        self.leader = self.core

    def _counters(self) -> Mapping[str, int]:
        return self.core.counters

    def _open_keeping(self, name: str, group: str, within_ns: int, purpose: str) -> Inheritance | None:
        machine = MACHINE.get()
        try:
            file = machine.kept_file(group, name)
        except LeadlightError as error:
            _log.warning("what is led cannot be kept for a restart: %s", error)
            return None
        self._keeping = Keeping(file, self.clock, within_ns, purpose)
        return self._keeping.take_up(machine.entropy().getrandbits(32) or 1)

    def _after_pump(self) -> None:
        super()._after_pump()
        if self._keeping is None:
            return
        with self._guard:
            now = self.clock()
            again_at = self._keeping.note(self.core.bequest or self.core.kept, now)
        if again_at == self._keep_at:
            return
        if self._keep_timer is not None:
            self._keep_timer.cancel()
        self._keep_at = again_at
        if again_at is not None and self._stage is _Stage.RUNNING:
            wait = max(0, again_at - now) / SECOND
            self._keep_timer = self._running.get_loop().call_later(wait, self._after_pump)

    async def _leave(self) -> None:
        if self._keep_timer is not None:
            self._keep_timer.cancel()
        await super()._leave()
        if self._keeping is not None:
            self._keeping.close()

    @property
    def kept(self) -> Cue | None:
        """What an earlier run led, and this one will unless another leads by then: a cue on this node's clock."""
        kept = self.core.kept
        if kept is None:
            return None
        at = LeaderInstant(kept.clock.local_at(kept.cue.line.leader_at))
        return kept.cue._replace(line=kept.cue.line._replace(leader_at=at))

    async def _take_leave(self) -> None:
        """Say goodbye: a standby need not wait for as long as after a silence."""
        with self._guard:
            self.core.end(self.clock())
        assert self._driver is not None
        self._driver.pump()
        for _ in range(round(GOODBYE_SECONDS_MAXIMUM / GOODBYE_LOOK_SECONDS)):
            if self.core.has_ended or self._failure is not None:
                return
            await asyncio.sleep(GOODBYE_LOOK_SECONDS)

    @property
    def role(self) -> Role:
        """What this node is doing: listening, standing by, asking or leading."""
        return self.ask(lambda leader, _: leader.role)

    @property
    def is_leading(self) -> bool:
        """Whether this node leads, by what the protocol says; ``is_running`` says whether anything leaves."""
        return self.ask(lambda leader, _: leader.is_leading)

    @property
    def cue(self) -> Cue:
        """What is in force, as far as this node knows; its instant is in the timebase."""
        return self.ask(lambda leader, _: leader.cue)

    def schedule(self, cue: Cue) -> None:
        """Let a cue take effect at its line's instant, which is one of this node's clock."""
        self.tell(lambda leader, _: leader.schedule(cue))

    def roll(self, show: StoredShow | str | int, position: ShowPosition = START) -> Cue:
        """Let a show roll from ``position`` one lead time from now; return the cue.

        ``show`` is a stored show, the id of one of those given, or a key.
        """
        return self.tell(lambda leader, now: leader.roll(show, now, position))

    def pause(self) -> Cue:
        """Hold the position, one lead time from now; return the cue."""
        return self.tell(lambda leader, now: leader.pause(now))

    def resume(self) -> Cue:
        """Let what is paused roll from where it was paused, one lead time from now; return the cue."""
        return self.tell(lambda leader, now: leader.resume(now))

    def seek(self, position: ShowPosition) -> Cue:
        """Go to ``position`` of the show, one lead time from now, rolling or paused as before; return the cue."""
        return self.tell(lambda leader, now: leader.seek(position, now))

    def go_dark(self) -> None:
        """Show nothing, one lead time from now."""
        self.tell(lambda leader, now: leader.go_dark(now))

    def stop(self) -> None:
        """Stop now: everyone fades within a second."""
        self.tell(lambda leader, now: leader.stop(now))

    def take_back(self) -> None:
        """Lead from now on, at whatever point of the show."""
        self.tell(lambda leader, now: leader.take_back(now))

    def withdraw(self) -> None:
        """Let nothing take effect that was scheduled here and is not announced yet."""
        self.tell(lambda leader, _: leader.withdraw())

    def resume_line(self, cue: Cue) -> None:
        """Put a cue in force at once, its line already under way: a leader that comes back mid-show."""
        self.tell(lambda leader, now: leader.resume_line(cue, now))

    def set_off_at(self, at: LocalInstant | None) -> None:
        """Set the instant from which on everything is dark, on this node's clock, or clear it."""
        self.tell(lambda leader, _: leader.set_off_at(at))

    def report_media(self, position: ShowPosition, latency_ns: int, at: LocalInstant | None = None) -> None:
        """Let the show follow the music: the player hands over ``position``, which is heard ``latency_ns`` later.

        ``at`` is when, on this node's clock; now by default. The rest is as for ``Leader.report_media``.
        """
        self.tell(lambda leader, now: leader.report_media(position, latency_ns, now if at is None else at))


def _codec(group: str, keys: KeyRing | None) -> Codec:
    codec = Codec(group, keys)
    if keys is None:
        _log.warning("group %r has no key: anybody on this network can lead it", group)
    return codec
