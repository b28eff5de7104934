"""The virtual loop: test your own asyncio player in milliseconds, on virtual time and over the modelled air.

with VirtualNetwork(preset="busy", seed=3) as network:
    boathouse, jetty = network.host("boathouse"), network.host("jetty", frequency_ppm=18)
    boathouse.start(lead())
    player = jetty.start(play())
    network.run_for(60)

What hosts run are ordinary coroutines with ordinary endpoints of ``leadlight.net``; the same seed gives the same run,
to the datagram. Read the time from the endpoint's clock or from the loop: ``time.monotonic`` knows nothing of it, and
``time.sleep`` sleeps. Interfaces that endpoints name are not looked at: a host has one.
"""

from __future__ import annotations

import asyncio
import contextvars
from collections.abc import Callable, Coroutine
from pathlib import Path
from types import TracebackType
from typing import Any, Final, ParamSpec, Protocol, Self, TypeVar

from leadlight.entropy import Entropy
from leadlight.errors import ConfigurationError, NetworkError
from leadlight.net import MACHINE, LocalClock, LoopWaker, WakingSettings, check_ports, group_address
from leadlight.units import SECOND, LocalInstant, seconds
from leadlight_sim import scenario as described
from leadlight_sim.air import Dropout
from leadlight_sim.air.choice import AnyAir, air_settings, make_air
from leadlight_sim.air.choice import preset as preset_settings
from leadlight_sim.air.contended import ContendedAir
from leadlight_sim.air.sampled import SampledAir
from leadlight_sim.hosts import Host, HostPreset, Oscillator
from leadlight_sim.kernel import Kernel, Stream, Streams, Trace, TrueInstant
from leadlight_sim.scenario import Scenario, resolve_scenario
from leadlight_sim.testing.loop import Deadlock, VirtualLoop, VirtualLoopError, name_of
from leadlight_sim.testing.sockets import Datagram, NodeSockets, Stack
from leadlight_sim.world import CLOCK_AT_BOOT_NS, InjectedFaults, extra_loss, make_host, make_oscillator

__all__ = ["Deadlock", "VirtualHost", "VirtualLoop", "VirtualLoopError", "VirtualNetwork"]

CLOSING_LIMIT_S: Final = 60
"""How long, in virtual time, programs may take to end once they are cancelled."""
HOSTS_MAXIMUM: Final = 65_000

_DescribedHost = described.Leader | described.Standby | described.Follower
_Result = TypeVar("_Result")
_Arguments = ParamSpec("_Arguments")


class _AwaitedIsDone(Exception):  # noqa: N818 - it ends a run, nothing has gone wrong
    pass


class _KeptFile:
    """A file in memory, gone when the host is switched off."""

    def __init__(self, boot: str) -> None:
        self.boot = boot
        self._content: bytes | None = None

    def read(self) -> bytes | None:
        return self._content

    def write(self, content: bytes) -> None:
        self._content = content

    def close(self) -> None:
        pass


class _Life:
    """A host's program from power-on to power-off: its loop and its sockets. It is the machine under its endpoints."""

    def __init__(self, host: VirtualHost, shift_ns: int) -> None:
        self._host = host
        self._shift_ns = shift_ns
        self._local_at = host.oscillator.local_at
        self._true_at = host.oscillator.true_at
        self._kernel = host.network.kernel
        self._read_at: TrueInstant | None = None
        self._local_now = LocalInstant(0)
        self._asleep_since: LocalInstant | None = None
        self._slept_ns = 0
        self._timers: list[_VirtualTimer] = []
        self._kept: dict[tuple[str, str], _KeptFile] = {}
        network = host.network
        self.stack = Stack(host.address, network.addresses, host.send, host.send_to_self, host.report_membership)
        self.loop = VirtualLoop(
            host.name,
            network.kernel,
            self.awake_now,
            self.true_at,
            host.lateness_ns,
            self.stack,
            host.note_failure,
            network.after_turn,
        )

    def now(self) -> LocalInstant:
        """Return what the clock shows, read once an instant: a program may ask a dozen times."""
        true = self._kernel.now
        if true != self._read_at:
            self._read_at = true
            self._local_now = LocalInstant(self._local_at(true) + self._shift_ns)
        return self._local_now

    def awake_now(self) -> LocalInstant:
        """Return what a clock shows that stands still while the host is suspended, as timers see it."""
        local = self.now() if self._asleep_since is None else self._asleep_since
        return LocalInstant(local - self._slept_ns)

    def true_at(self, awake: LocalInstant) -> TrueInstant:
        return self._true_at(LocalInstant(awake + self._slept_ns - self._shift_ns))

    def clock(self) -> LocalClock:
        return LocalClock(self.awake_now, awake=self.awake_now, boot=self.now)

    def entropy(self) -> Entropy:
        return self._host.next_entropy()

    def waker(self, clock: LocalClock, settings: WakingSettings) -> LoopWaker:
        def make(loop: asyncio.AbstractEventLoop, callback: Callable[[], object]) -> _VirtualTimer:
            assert loop is self.loop
            made = _VirtualTimer(self, self._host.wake_lateness_ns, callback)
            self._timers.append(made)
            return made

        # How late it wakes is the host's, with its aim and spin in it: there is nothing to learn.
        return LoopWaker(clock, settings, make, aims=False)

    def kept_file(self, group: str, name: str) -> _KeptFile:
        return self._kept.setdefault((group, name), _KeptFile(f"boot {len(self._host.lives)}"))

    def open_sockets(
        self,
        group: str,
        *,
        port: int,
        interface: str | None,  # noqa: ARG002
        own_port: int,
        dscp: int,  # noqa: ARG002
        ip_version: int | None,  # noqa: ARG002
    ) -> NodeSockets:
        check_ports(port, own_port)
        try:
            return NodeSockets(self.stack, (group_address(group), port), own_port)
        except OSError as error:
            raise NetworkError(f"cannot use own port {own_port} of {self._host.name}: {error.strerror}") from error

    def context(self) -> contextvars.Context:
        """Return a context in which endpoints find this machine."""
        made = contextvars.copy_context()
        made.run(MACHINE.set, self)
        return made

    @property
    def is_asleep(self) -> bool:
        return self._asleep_since is not None

    def fall_asleep(self) -> None:
        if self._asleep_since is None:
            self._asleep_since = self.now()
            self.loop.is_frozen = True

    def wake_up(self) -> None:
        if self._asleep_since is not None:
            self._slept_ns += self.now() - self._asleep_since
            self._asleep_since = None
            self.loop.thaw()
            for timer in self._timers:
                timer.catch_up()

    def forget(self, timer: _VirtualTimer) -> None:
        """Let go of a timer that is closed."""
        if timer in self._timers:
            self._timers.remove(timer)

    def successor(self) -> _Life:
        """Return the life of what runs next in the same boot: on the same clock, with the same files."""
        made = _Life(self._host, self._shift_ns)
        made._slept_ns, made._kept = self._slept_ns, self._kept
        return made

    def freeze(self) -> None:
        """Stop for good, in the middle of whatever it was."""
        self.loop.is_frozen = True
        self.stack.is_mute = True


class _VirtualTimer:
    """A timer of a host's own, that is late as the host's player is."""

    def __init__(self, life: _Life, lateness_ns: Callable[[], int], callback: Callable[[], object]) -> None:
        self._life = life
        self._lateness_ns = lateness_ns
        self._callback = callback
        self._due: LocalInstant | None = None

    def set(self, in_ns: int) -> None:
        """Call back in so many ns of the host's clock."""
        self._due = LocalInstant(self._life.awake_now() + in_ns)
        self._plan(self._due)

    def _plan(self, due: LocalInstant) -> None:
        kernel = self._life.loop.kernel
        at = max(self._life.true_at(due), kernel.now)
        kernel.schedule(TrueInstant(at + self._lateness_ns()), self._fire, due)

    def _fire(self, due: LocalInstant) -> None:
        if due == self._due and not self._life.loop.is_frozen:
            self._due = None
            self._life.loop.act(self._callback)

    def catch_up(self) -> None:
        """Go off if it fell due while the host was suspended."""
        if self._due is not None:
            self._plan(self._due)

    def close(self) -> None:
        """Never call back again."""
        self._due = None
        self._life.forget(self)


class Watch(Protocol):
    """Is told what truly happens to every datagram on the air."""

    def left(self, host: str, data: bytes, at: TrueInstant) -> None:
        """A host has given a datagram to the air."""

    def arrived(self, host: str, data: bytes, sender: str, at: TrueInstant) -> None:
        """One has reached a host, which gets to it a little later."""


class VirtualHost:
    """One host of a virtual network; ``VirtualNetwork.host`` makes it, switched on. It is the air's station."""

    def __init__(
        self,
        network: VirtualNetwork,
        name: str,
        number: int,
        oscillator: Oscillator,
        host: Host,
        player: Host,
        wired: bool,
    ) -> None:
        self.network = network
        self.name = name
        self.address = f"10.0.{number + 1 >> 8}.{number + 1 & 0xFF}"
        """Its IPv4 address; its name will do as well."""
        self.wired = wired
        self.oscillator = oscillator
        self.receive_delay_ns = host.receive_delay_ns
        self.lateness_ns = host.timer_lateness_ns
        self.wake_lateness_ns = player.player_lateness_ns
        self.is_on = True
        self.lives: list[_Life] = []
        self._number = number
        self._loopback_stream = network.streams.stream("host", "own copies", "wake", name)
        self._loopback_ready_at = TrueInstant(0)
        self._nodes = 0
        network.addresses[name] = self.address
        self.lives.append(_Life(self, 0))

    def __repr__(self) -> str:
        return f"<VirtualHost {self.name} at {self.address}, {'on' if self.is_on else 'off'}>"

    # -- what a test does ------------------------------------------------------------------------------------------

    def start(self, program: Coroutine[Any, Any, _Result], *, name: str | None = None) -> asyncio.Task[_Result]:
        """Run a coroutine on this host; return its task.

        What it raises comes out of the network's run, with the host's name. Raises ``VirtualLoopError`` if the host is
        off.
        """
        if not self.is_on:
            program.close()
            raise self._off()
        name = name or getattr(program, "__qualname__", None)
        task: asyncio.Task[_Result] = self.loop.create_task(program, name=name, context=self.lives[-1].context())
        task.add_done_callback(self._note_end)
        return task

    def call(
        self, function: Callable[_Arguments, _Result], *arguments: _Arguments.args, **named: _Arguments.kwargs
    ) -> _Result:
        """Return what a function returns that is called on this host, such as a player's class that makes endpoints.

        Raises ``VirtualLoopError`` if the host is off.
        """
        if not self.is_on:
            raise self._off()
        return self.lives[-1].context().run(function, *arguments, **named)

    @property
    def loop(self) -> VirtualLoop:
        """The loop of its program since it was last switched on."""
        return self.lives[-1].loop

    @property
    def now(self) -> LocalInstant:
        """What its clock shows, in ns: what an endpoint's ``clock()`` returns here."""
        return self.lives[-1].now()

    def power_off(self) -> None:
        """Cut the power: nothing that it runs goes on, not even ``finally``, and nobody hears it any more.

        What is left of its program is cancelled when the network closes.
        """
        if not self.is_on:
            return
        if self.loop.is_running():
            # A program that switches off its own host: when the turn is over.
            self.network.kernel.schedule(self.network.kernel.now, self.power_off)
            return
        self.is_on = False
        self.lives[-1].freeze()
        self._note(b"-", b"")

    def power_on(self) -> None:
        """Switch on again after a power cut: with a new loop, a clock that begins anew, and nothing running."""
        if self.is_on:
            return
        self.is_on = True
        kernel = self.network.kernel
        self.lives.append(_Life(self, CLOCK_AT_BOOT_NS - self.oscillator.local_at(kernel.now)))

    def kill(self) -> None:
        """Kill what it runs, as ``kill -9`` does: not even ``finally`` runs. The host stays on, with the same clock."""
        if not self.is_on:
            return
        if self.loop.is_running():
            self.network.kernel.schedule(self.network.kernel.now, self.kill)
            return
        self.lives[-1].freeze()
        self.lives.append(self.lives[-1].successor())

    def suspend(self) -> None:
        """Suspend it: it hears nothing and does nothing until ``resume``, and then remembers everything.

        Its loop's time stands still meanwhile, as a monotonic clock does; an endpoint's clock is told and goes on.
        """
        if self.loop.is_running():
            self.network.kernel.schedule(self.network.kernel.now, self.suspend)
        elif self.is_on:
            self.lives[-1].fall_asleep()

    def resume(self) -> None:
        """End a suspension; harmless without one."""
        if self.is_on:
            self.lives[-1].wake_up()

    # -- the air's side --------------------------------------------------------------------------------------------

    def receive(self, data: bytes, sender: str, arrived_at: TrueInstant) -> None:
        """Take a datagram from the air."""
        if self.network.watch is not None:
            self.network.watch.arrived(self.name, data, sender, arrived_at)
        injected = self.network.injected
        if not injected.is_quiet:
            delay_ns = injected.delay_ns(sender, self.name)
            if delay_ns is None:
                return
            if delay_ns:
                self.network.kernel.schedule_after(delay_ns, self._take, data, True)
                return
        self._take(data, True)

    def _take(self, data: bytes, is_traced: bool) -> None:
        assert isinstance(data, Datagram)
        life = self.lives[-1]
        receivers = life.stack.receivers_of(data) if self.is_on and not life.is_asleep else []
        if not receivers:
            return
        if is_traced:
            self._note(b"r", data)
        life.loop.act(_put_into, receivers, data)

    # -- its program's side ----------------------------------------------------------------------------------------

    def send(self, datagram: Datagram, address: str | None) -> None:
        """Hand a datagram to the air, for the host at an address or for all."""
        self._note(b"s", datagram)
        if self.network.watch is not None:
            self.network.watch.left(self.name, datagram, self.network.kernel.now)
        self.network.air.send(self.name, datagram, None if address is None else self.network.name_at(address))

    def send_to_self(self, datagram: Datagram) -> None:
        """Bring back a datagram that is meant for this host as well; it is no less late than others."""
        kernel = self.network.kernel
        late = self.receive_delay_ns(self._loopback_stream)
        ready_at = self._loopback_ready_at = TrueInstant(max(self._loopback_ready_at, kernel.now + late))
        kernel.schedule(ready_at, self._take_own, datagram, self.lives[-1])

    def report_membership(self) -> None:
        """Tell the network that this host is a member of the group: joining does."""
        if isinstance(self.network.air, ContendedAir):
            self.network.air.report_membership(self.name)

    def _take_own(self, datagram: Datagram, life: _Life) -> None:
        if life is self.lives[-1]:
            self._take(datagram, False)

    def next_entropy(self) -> Stream:
        """Return the chance of the next node that is made here; named as in a rehearsal, so that it is the same."""
        self._nodes += 1
        return self.network.streams.compact("entropy", self.name, str(self._nodes))

    def note_failure(self, error: BaseException, where: str) -> None:
        """Keep what its program raised and nobody took, to come out of the run."""
        error.add_note(f"on host {self.name!r}, {where}, {self.network.now_s:.6f} s after the network began")
        # A task that waited for one that failed has failed with the same.
        if not any(error is known for known in self.network.failures):
            self.network.failures.append(error)

    def _note_end(self, task: asyncio.Task[Any]) -> None:
        if task.cancelled() or (error := task.exception()) is None:
            return
        # Those two go through the loop and come out of the run at once.
        if not isinstance(error, SystemExit | KeyboardInterrupt):
            self.note_failure(error, name_of(task))

    def _off(self) -> VirtualLoopError:
        return VirtualLoopError(f"{self.name} is off: power_on() comes first")

    def _note(self, kind: bytes, data: bytes) -> None:
        self.network.trace.note(kind, self.network.kernel.now, self._number, data)


def _put_into(receivers: list[Any], datagram: Datagram) -> None:
    for receiver in receivers:
        receiver.put(datagram)


class VirtualNetwork:
    """Hosts on one modelled network, in virtual time. A context manager that ends all that still runs.

    ``preset`` names a ready network, ``busy`` if nothing is said. Or ``scenario`` gives the air, and those of its hosts
    that are asked for by name. It is a scenario that was checked, or its file's or shipped name. ``seed`` seeds it all:
    the scenario's, or 1.

    Raises ``ConfigurationError`` for a network that there is not, or if both are given.
    """

    def __init__(
        self,
        preset: str | None = None,
        *,
        scenario: Scenario | str | Path | None = None,
        seed: int | None = None,
    ) -> None:
        if preset is not None and scenario is not None:
            raise ConfigurationError("preset", preset, "one of preset and scenario")
        if scenario is not None and not isinstance(scenario, Scenario):
            scenario = resolve_scenario(str(scenario))
        self.kernel = Kernel()
        if scenario is None:
            preset = preset or "busy"
            preset_settings(preset)  # refuses a name there is not, in words
            self._described_air = described.Air.model_validate({"preset": preset})
            self.streams = Streams(1 if seed is None else seed)
            self.air: AnyAir = SampledAir(self.kernel, self.streams, air_settings(self._described_air))
        else:
            self._described_air = scenario.air
            self.streams = Streams(scenario.run.seed if seed is None else seed)
            self.air = make_air(scenario, self.kernel, self.streams)
        self._scenario = scenario
        self.injected = InjectedFaults(self.kernel, self.streams)
        """What goes wrong between hosts, for a test to add rules to; see ``leadlight_sim.world.injected_faults``."""
        self.watch: Watch | None = None
        """Who is told of every datagram that is given to the air and that comes from it, if anybody is."""
        self.trace = Trace()
        self.hosts: dict[str, VirtualHost] = {}
        self.addresses: dict[str, str] = {}
        self.failures: list[BaseException] = []
        self._names: dict[str, str] = {}
        self._planned = 0
        self._awaited: asyncio.Task[Any] | None = None
        self._is_closing = False
        self._is_closed = False

    def host(
        self,
        name: str,
        *,
        frequency_ppm: float | None = None,
        oscillator: Oscillator | None = None,
        kind: str | None = None,
        wired: bool | None = None,
    ) -> VirtualHost:
        """Return the host of this name, made when it is first asked for, and then as told.

        ``frequency_ppm`` is by how much its crystal runs fast when the run begins; drawn if not given. It wanders and
        cools as in a rehearsal; ``oscillator`` is another crystal altogether. ``kind`` is how late it wakes, one of
        ``leadlight_sim.hosts.HostPreset``, and ``wired`` whether it hangs on the access point's cable. What is left
        out is the scenario's, or a small board's on the radio.

        Raises ``ConfigurationError`` if it is there already and anything is told again.
        """
        told = (frequency_ppm, oscillator, kind, wired)
        made = self.hosts.get(name)
        if made is not None:
            if told != (None,) * len(told):
                raise ConfigurationError("host", name, "a host that is not there yet, to be told how it is")
            return made
        if not name or len(self.hosts) >= HOSTS_MAXIMUM:
            raise ConfigurationError("host", name, f"a name, and at most {HOSTS_MAXIMUM} hosts")
        planned, lost = self._in_scenario(name)
        if frequency_ppm is None and planned is not None:
            frequency_ppm = planned.oscillator_ppm
        if kind is not None and kind not in set(HostPreset):
            raise ConfigurationError("kind", kind, "one of " + ", ".join(HostPreset))
        if wired is None:
            wired = getattr(planned, "wired", False)
        if oscillator is None:
            clocks = described.Clocks() if self._scenario is None else self._scenario.clocks
            oscillator = make_oscillator(clocks, self.streams, name, frequency_ppm)
        what = self._kind(kind, planned)
        host, player = (make_host(self._described_air, self.streams, name, what, use) for use in ("host", "player"))
        made = VirtualHost(self, name, len(self.hosts), oscillator, host, player, wired)
        self.air.attach(made, lost)
        self.hosts[name] = made
        self._names[made.address] = name
        return made

    def _kind(self, kind: str | None, planned: _DescribedHost | None) -> described.Host | HostPreset:
        if kind is not None:
            return HostPreset(kind)
        if planned is None or self._scenario is None:
            return described.Host()
        return described.host_of(self._scenario, planned)

    def _in_scenario(self, name: str) -> tuple[_DescribedHost | None, Dropout | None]:
        if self._scenario is None:
            return None, None
        for follower in self._scenario.followers:
            if follower.name == name:
                return follower, extra_loss(follower, self._scenario.air)
        leaders: list[_DescribedHost] = [self._scenario.leader, *self._scenario.standbys]
        for leader in leaders:
            if leader.name == name:
                return leader, None
        return None, None

    def name_at(self, address: str) -> str:
        """Return the name of the host at an address, or the address where there is none."""
        return self._names.get(address, address)

    # -- running ---------------------------------------------------------------------------------------------------

    @property
    def now_s(self) -> float:
        """True seconds since the network began: virtual ones."""
        return self.kernel.now / SECOND

    @property
    def trace_hash(self) -> str:
        """A digest of all that hosts sent and heard so far, and when: the same for the same programs and seed."""
        return self.trace.hexdigest()

    def schedule(self, at_s: float, action: Callable[..., object], *arguments: Any) -> None:
        """Call ``action(*arguments)`` once the network has run for ``at_s`` seconds, such as a host's ``power_off``."""
        self.kernel.schedule(TrueInstant(seconds(at_s, field="at_s")), self._act, action, arguments)
        self._planned += 1

    def run_for(self, duration_s: float) -> None:
        """Let so many virtual seconds pass.

        What a program raised and nobody took comes out here, with a note that names its host and task; several at once
        come as a group. Raises ``Deadlock`` once tasks wait and nothing is scheduled on any host, and
        ``VirtualLoopError`` where an asyncio loop is running already.
        """
        self._run(seconds(duration_s, field="duration_s"))

    def run_until(self, task: asyncio.Task[_Result], limit_s: float = 3600.0) -> _Result:
        """Let virtual time pass until a task of a host is done, and return its result.

        Raises what it raised, and otherwise as ``run_for`` does; ``VirtualLoopError`` too if it is not done within the
        limit, and ``Deadlock`` if nothing can wake its host any more.
        """
        self._awaited = task
        try:
            if not task.done():
                self._run(seconds(limit_s, field="limit_s"))
        except _AwaitedIsDone:
            pass
        finally:
            self._awaited = None
        if not task.done():
            raise VirtualLoopError(f"not done after {limit_s:g} s: {'; '.join(self._waiting(task))}")
        return task.result()

    def _run(self, duration_ns: int) -> None:
        if self._is_closed:
            raise VirtualLoopError("the network is closed")
        if asyncio._get_running_loop() is not None:
            raise VirtualLoopError(
                "a virtual network cannot run inside of an asyncio loop: make the test a plain function, no coroutine; "
                "in a notebook, which is inside of one, call that function in a thread"
            )
        self._raise_failures()
        self._look_for_deadlock()
        self.kernel.run_until(TrueInstant(self.kernel.now + duration_ns))
        self._raise_failures()

    def _act(self, action: Callable[..., object], arguments: tuple[Any, ...]) -> None:
        self._planned -= 1
        action(*arguments)
        self.after_turn(False)

    def after_turn(self, has_plans: bool) -> None:
        """Look at what a turn has left: failures come out, the end of what is awaited, and that nothing is planned."""
        if self._is_closing:
            return
        self._raise_failures()
        if self._awaited is not None and self._awaited.done():
            raise _AwaitedIsDone
        if not has_plans:
            self._look_for_deadlock()

    def _raise_failures(self) -> None:
        if not self.failures:
            return
        failures, self.failures = self.failures, []
        if len(failures) == 1:
            raise failures[0]
        raise BaseExceptionGroup("several programs failed", failures)

    def _look_for_deadlock(self) -> None:
        awaited = self._awaited
        if awaited is not None and not self._planned:
            loop = awaited.get_loop()
            if isinstance(loop, VirtualLoop) and (loop.is_frozen or not loop.has_plans):
                state = "is off or suspended" if loop.is_frozen else "has nothing scheduled"
                raise Deadlock(f"{loop.host} {state}, and what is awaited there waits", self._waiting(awaited))
        on = [host.loop for host in self.hosts.values() if host.is_on and not host.loop.is_frozen]
        if self._planned or any(loop.has_plans for loop in on):
            return
        waiting = [line for loop in on for line in loop.waiting()]
        if waiting:
            raise Deadlock(
                f"at {self.now_s:.6f} s nothing is scheduled on any host, and tasks wait for what only the test or the "
                "world outside could bring (what a test is to do meanwhile, network.schedule() does)",
                waiting,
            )

    def _waiting(self, task: asyncio.Task[Any]) -> list[str]:
        loop = task.get_loop()
        return loop.waiting() if isinstance(loop, VirtualLoop) else [name_of(task)]

    # -- ending ----------------------------------------------------------------------------------------------------

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, traceback: TracebackType | None
    ) -> None:
        try:
            self.close()
        except BaseException as failure:
            if error is None:
                raise
            # What ended the block goes before what came of it; neither vanishes.
            error.add_note(f"and when the network closed: {failure!r}{''.join(_notes(failure))}")

    def close(self) -> None:
        """Cancel all that still runs, on hosts that are off as well, and close the loops; harmless when called twice.

        Raises what programs raised meanwhile, and what tasks raised before and nobody has taken.
        """
        if self._is_closed:
            return
        if asyncio._get_running_loop() is not None:
            raise VirtualLoopError("a virtual network cannot be closed from inside of an asyncio loop")
        self._is_closing = True
        lives = [life for host in self.hosts.values() for life in host.lives]
        for life in lives:
            life.wake_up()
            life.loop.thaw()
        for task in [task for life in lives for task in life.loop.tasks]:
            task.cancel()
        self._is_closed = True
        try:
            if self._finish(lives):
                for life in lives:
                    life.loop.create_task(life.loop.shutdown_asyncgens())
                self._finish(lives)
        finally:
            for host in self.hosts.values():
                for life in host.lives:
                    for failure, where in life.loop.untaken_failures():
                        host.note_failure(failure, where)
                    life.loop.close()
        self._raise_failures()

    def _finish(self, lives: list[_Life]) -> bool:
        """Run until no task is left, and return whether that came to pass."""
        for _ in range(CLOSING_LIMIT_S):
            # A moment first: programs that end at once should not be given a second.
            self.kernel.run_until(self.kernel.now)
            if not any(life.loop.tasks for life in lives):
                return True
            self.kernel.run_until(TrueInstant(self.kernel.now + SECOND))
        left = "; ".join(line for life in lives for line in life.loop.waiting())
        self.failures.append(VirtualLoopError(f"cancelled {CLOSING_LIMIT_S} s ago, and still not done: {left}"))
        return False


def _notes(error: BaseException) -> list[str]:
    return [f" ({note})" for note in getattr(error, "__notes__", [])]
