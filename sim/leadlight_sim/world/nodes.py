"""Leaders and followers as hosts in virtual time: the library's own state machines, with a clock, a host and a power
switch.

A node does what an embedding program does. It hands over datagrams with the instant of their arrival on its own clock,
calls the timer when it is due, and sends what there is to send. It adds nothing to the protocol.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import ClassVar, Protocol

from leadlight import Codec, Cue, Follower, KeyRing, Leader, LeaderSettings, StoredShow
from leadlight.addresses import Address
from leadlight.events import Event
from leadlight.terms import Kind
from leadlight.units import SECOND, LeaderInstant, LocalInstant
from leadlight.wire import Message
from leadlight_sim.air import Air
from leadlight_sim.hosts import Host, Oscillator
from leadlight_sim.kernel import Kernel, Stream, Trace, TrueInstant, plain_text
from leadlight_sim.world.injected_faults import InjectedFaults
from leadlight_sim.world.packets import PacketLog

CLOCK_AT_BOOT_NS = 5 * SECOND
"""What a monotonic clock shows when the program starts after a reboot."""

FAR_NS = 30 * 86_400 * SECOND
"""A timer that is due so much later is not set: no run lasts as long."""
DECODES_KEPT = 8


class SharedCodec(Codec):
    """A codec that decodes each datagram once, however many receivers it has.

    A group frame reaches every receiver as the same object, so its identity tells that nothing about it has changed.
    """

    def __init__(self, group: str, keys: KeyRing | None = None) -> None:
        super().__init__(group, keys)
        self._decoded: dict[int, tuple[bytes, Message]] = {}

    def decode(self, data: bytes) -> Message:
        """Return the message in a datagram, from memory if this very object was decoded lately."""
        known = self._decoded.get(id(data))
        if known is not None and known[0] is data:
            return known[1]
        message = super().decode(data)
        # Holding the datagram keeps its identity from being given to another one.
        self._decoded[id(data)] = (data, message)
        if len(self._decoded) > DECODES_KEPT:
            del self._decoded[next(iter(self._decoded))]
        return message


class Core(Protocol):
    """The five verbs, and what only a host can know."""

    def receive_datagram(self, data: bytes, source: Address, received_at: LocalInstant) -> None:
        """Take a datagram."""

    def handle_timer(self, now: LocalInstant) -> None:
        """Do what is due."""

    def next_timer(self) -> LocalInstant | None:
        """Return when to be called next."""

    def datagrams_to_send(self, now: LocalInstant) -> list[tuple[bytes, Address | None]]:
        """Return what to send."""

    def next_event(self) -> Event | None:
        """Return the oldest event not yet told."""

    def note_resumed(self, now: LocalInstant) -> None:
        """Take note that the host was suspended."""


class Node:
    """One host: a core that can be switched off and on. It is the air's station."""

    IDLE_KIND: ClassVar[int] = -1
    """Of this kind of message nothing ever comes that had to be sent, told or timed."""

    def __init__(
        self,
        name: str,
        number: int,
        kernel: Kernel,
        air: Air,
        oscillator: Oscillator,
        host: Host,
        trace: Trace,
        injected: InjectedFaults,
        wired: bool = False,
    ) -> None:
        self.name = name
        self.wired = wired
        self.powered = False
        self.events: list[tuple[TrueInstant, Event]] = []
        self.receive_delay_ns = host.receive_delay_ns
        self._number = number
        self._kernel = kernel
        self._air = air
        self.oscillator = oscillator
        self._local_at = oscillator.local_at
        self._host = host
        self._trace = trace
        self._injected = injected
        self._asleep = False
        self._stood_at = LocalInstant(0)
        self._shift_ns = 0
        self._core: Core | None = None
        self._armed_for: LocalInstant | None = None
        self.life = 0
        """Counts boots and power cuts: what was planned in another life is void."""
        self.switched: list[tuple[TrueInstant, bool]] = []
        """When it was switched on and off."""
        self.beacons_sent: list[tuple[bytes, TrueInstant]] | None = None
        """Beacons sent to the group, where somebody counts them."""
        self.packets: PacketLog | None = None
        """Where all that is sent and read is noted, if anywhere."""
        self.watch: Callable[[], None] | None = None
        """Called after everything the node does; for measures."""
        self.is_started = False
        """Whether it has ever been switched on."""
        self.off_since = TrueInstant(0)
        """When it was last switched off."""

    def local_at(self, true: TrueInstant) -> LocalInstant:
        """Return what this host's clock shows at a true instant."""
        shown, shift_ns = self._local_at(true), self._shift_ns
        return LocalInstant(shown + shift_ns) if shift_ns else shown

    def true_at(self, local: LocalInstant) -> TrueInstant:
        """Return the first true instant at which this host's clock shows ``local``."""
        shift_ns = self._shift_ns
        return self.oscillator.true_at(LocalInstant(local - shift_ns) if shift_ns else local)

    @property
    def now(self) -> LocalInstant:
        """What this host's clock shows now."""
        return self.local_at(self._kernel.now)

    # -- power ---------------------------------------------------------------------------------------------------

    def _boot(self) -> LocalInstant:
        """Switch on; after a power cut the clock begins anew. Return what it shows."""
        if self.is_started:
            self._shift_ns = CLOCK_AT_BOOT_NS - self.oscillator.local_at(self._kernel.now)
        self.is_started = True
        self.powered = True
        self.switched.append((self._kernel.now, True))
        self._armed_for = None
        self.life += 1
        return self.now

    def power_off(self) -> None:
        """Switch off: nothing is received, sent or remembered until the node is started again."""
        self.powered = self._asleep = False
        self.switched.append((self._kernel.now, False))
        self.off_since = self._kernel.now
        self.life += 1
        self._trace.note(b"-", self._kernel.now, self._number, b"")

    def suspend(self) -> None:
        """Suspend the host: it keeps its memory and hears nothing; its clock counts on."""
        self._asleep = True

    def resume(self) -> None:
        """End a suspension; timers that fell due meanwhile run now."""
        self._asleep = False
        if not self.powered or self._core is None:
            return
        self._armed_for = None
        self._core.note_resumed(self.now)
        self._core.handle_timer(self.now)
        self._settle(self._core, self.now)

    def stand_still(self) -> None:
        """Let the host stand still, and its clock with it."""
        self._asleep = True
        self._stood_at = self.now

    def go_on(self) -> None:
        """End a standstill: the clock goes on from where it stood, and the program knows of nothing."""
        if not self._asleep:
            return
        self._asleep = False
        self.step_clock(self._stood_at - self.now)

    def step_clock(self, by_ns: int) -> None:
        """Set the host's clock while it runs; timers go by what it shows then."""
        self._shift_ns += by_ns
        if not self.powered or self._core is None:
            return
        self._armed_for = None
        self._core.handle_timer(self.now)
        self._settle(self._core, self.now)

    @property
    def is_awake(self) -> bool:
        """Whether the host has power and neither sleeps nor stands still."""
        return self.powered and not self._asleep

    @property
    def shift_ns(self) -> int:
        """What its clock shows beyond its crystal's count, since it was last set or switched on."""
        return self._shift_ns

    # -- the air's side ------------------------------------------------------------------------------------------

    def receive(self, data: bytes, sender: str, arrived_at: TrueInstant, is_through: bool = False) -> None:
        """Take a datagram from the air, stamped as the program reads it; ``is_through`` the faults on its way."""
        if not (is_through or self._injected.is_quiet):
            for delay_ns, arriving in self._injected.arrivals(data, sender, self.name):
                if delay_ns:
                    self._kernel.schedule_after(delay_ns, self.receive, arriving, sender, arrived_at, True)
                else:
                    self.receive(arriving, sender, arrived_at, is_through=True)
            return
        core = self._core
        if not self.powered or self._asleep or core is None:
            return
        true = self._kernel.now
        self._trace.note(b"r", true, self._number, data)
        if self.packets is not None:
            self.packets.note_arrived(self._number, data, true)
        now = self._local_at(true)
        if self._shift_ns:
            now = LocalInstant(now + self._shift_ns)
        core.receive_datagram(data, sender, now)
        if len(data) <= 2 or data[2] & 0x0F != self.IDLE_KIND:
            self._settle(core, now)

    # -- the program's loop ----------------------------------------------------------------------------------------

    def _settle(self, core: Core, now: LocalInstant) -> None:
        """Send what there is to send, note what happened, and set the timer."""
        for data, destination in core.datagrams_to_send(now):
            self._send(data, destination)
        event = core.next_event()
        if event is not None:
            self._note_events(core, event)
        if self.watch is not None:
            self.watch()
        due = core.next_timer()
        armed_for = self._armed_for
        if due is None or (armed_for is not None and armed_for <= due):
            return
        if due - now > FAR_NS:
            return  # beyond what a crystal can be asked for; something will happen before
        self._armed_for = due
        at = max(self.true_at(due), self._kernel.now)
        self._kernel.schedule(TrueInstant(at + self._host.timer_lateness_ns()), self._wake, self.life, due)

    def _send(self, data: bytes, destination: Address | None) -> None:
        if self.beacons_sent is not None and destination is None and data[2] & 0x0F == Kind.BEACON:
            self.beacons_sent.append((data, self._kernel.now))
        to = None if destination is None else str(destination)
        if self.packets is not None:
            self.packets.note_sent(self._number, data, to, self._kernel.now)
        self._trace.note(b"s", self._kernel.now, self._number, data)
        self._air.send(self.name, data, to)

    def _note_events(self, core: Core, first: Event) -> None:
        event: Event | None = first
        while event is not None:
            self.events.append((self._kernel.now, event))
            self._trace.note(b"e", self._kernel.now, self._number, plain_text(event).encode())
            event = core.next_event()

    def _wake(self, life: int, due: LocalInstant) -> None:
        core = self._core
        if life != self.life or core is None:
            return  # set before a power cut
        if self._asleep:
            return  # it is called when the host is resumed
        if self._armed_for == due:
            self._armed_for = None
        now = self.now
        core.handle_timer(now)
        self._settle(core, now)


class LeaderNode(Node):
    """A host that can lead, and the keeper of the truth about its clock and its show."""

    leader: Leader
    _is_leading = False
    led_until: TrueInstant | None = None
    """When it last ceased to lead; ``None`` if it never did."""
    last_led: tuple[int, Cue] | None = None
    """The timebase and the cue that it led with last; ``None`` if it never led."""

    def start(
        self, settings: LeaderSettings, codec: Codec, entropy: Stream, shows: Sequence[StoredShow] = ()
    ) -> Leader:
        """Switch on; return the leader for its cues to be set, then call ``run``."""
        now = self._boot()
        if not hasattr(self, "leader"):
            self._shifts: dict[int, int] = {}
        self._core = self.leader = Leader(settings, codec, entropy, now, shows)
        return self.leader

    def run(self) -> None:
        """Let the leader begin."""
        self._settle(self.leader, self.now)

    def _settle(self, core: Core, now: LocalInstant) -> None:
        super()._settle(core, now)
        leader = self.leader
        if leader.is_leading:
            timebase = leader.timebase
            assert timebase is not None
            self.last_led = timebase, leader.cue
            self._is_leading = True
            if self._shifts.get(timebase) != self._shift_ns and leader.leader_at(now) == LeaderInstant(now):
                self._shifts[timebase] = self._shift_ns  # its own clock, not one that it continues
        elif self._is_leading:
            self._is_leading = False
            self.led_until = self._kernel.now

    def power_off(self) -> None:
        """Switch off, and cease to lead."""
        if self._is_leading:
            self._is_leading = False
            self.led_until = self._kernel.now
        super().power_off()

    def clock_of(self, timebase: int, true: TrueInstant) -> LeaderInstant | None:
        """Return what a timebase that this host began shows at a true instant, ``None`` for others.

        A crystal goes on when its host is off, so a clock that has been left goes on as well.
        """
        shift = self._shifts.get(timebase)
        return None if shift is None else LeaderInstant(self.oscillator.local_at(true) + shift)


class FollowerNode(Node):
    """A follower's host."""

    IDLE_KIND: ClassVar[int] = int(Kind.TALLY)  # of others: a third of all that it hears
    follower: Follower

    def start(self, make: Callable[[], Follower]) -> None:
        """Switch on with a new follower."""
        self._boot()
        self.follower = make()
        self._core = self.follower
        self._settle(self.follower, self.now)

    def see_live_data(self) -> None:
        """Let the player see live pixel data for its own pixels."""
        if self.powered and not self._asleep:
            self.follower.note_live_data(self.now)
            self._settle(self.follower, self.now)
