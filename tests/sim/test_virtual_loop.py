"""Programs in virtual time: when they run, to the nanosecond; what is refused them; nothing that they raise is lost."""
# ruff: noqa: ARG002 - the fake has the signatures of what it stands for

from __future__ import annotations

import asyncio
import itertools
import os
import socket
import subprocess
import sys
import threading
import time
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import suppress
from pathlib import Path
from typing import Any

import pytest

from leadlight import FollowerSettings, FrameRate, LeaderSettings, StoredShow
from leadlight.errors import ConfigurationError, NotRunningError
from leadlight.events import CueAdopted, FollowerJoined, LeaderLost, LockAcquired
from leadlight.net.endpoint import Endpoint, FollowerEndpoint, LeaderEndpoint
from leadlight.net.thread import FollowerThread
from leadlight.terms import ClockState
from leadlight.units import MILLISECOND, SECOND, LeaderInstant, LocalInstant
from leadlight_sim.hosts.oscillator import Oscillator, OscillatorSettings
from leadlight_sim.kernel import Streams
from leadlight_sim.kernel.kernel import TrueInstant
from leadlight_sim.scenario.files import load_shipped
from leadlight_sim.scenario.problems import ScenarioError
from leadlight_sim.testing.network import Deadlock, VirtualHost, VirtualLoopError, VirtualNetwork
from leadlight_sim.world.assembly import World
from leadlight_sim.world.injected_faults import Rule

GROUP = "quarry lake"
TIDEFALL = StoredShow("tidefall", FrameRate(40), frame_count=7680)
HOUR_S = 3600


def crystal(ppm: float = 0.0, offset_ns: int = 0) -> Oscillator:
    """One that neither wanders nor cools."""
    return Oscillator(OscillatorSettings(offset_ns, ppm), Streams(1).stream("unused"))


class Leading:
    """A program that leads, and rolls a show at an instant of its loop's time."""

    def __init__(self, roll_after_s: float | None = None) -> None:
        self.events: list[Any] = []
        self._roll_after_s = roll_after_s

    async def run(self) -> None:
        async with LeaderEndpoint(LeaderSettings("boathouse"), group=GROUP, shows=[TIDEFALL]) as self.node:
            if self._roll_after_s is not None:
                asyncio.get_running_loop().call_later(self._roll_after_s, self.node.roll, TIDEFALL.key)
            async for event in self.node.events():
                self.events.append(event)


class Following:
    """A program that follows."""

    def __init__(self, name: str) -> None:
        self.name = name
        self.events: list[Any] = []

    async def run(self) -> None:
        async with FollowerEndpoint(FollowerSettings(self.name), group=GROUP, shows=[TIDEFALL]) as self.node:
            async for event in self.node.events():
                self.events.append(event)

    def told(self, kind: type) -> list[Any]:
        return [event for event in self.events if isinstance(event, kind)]


# -- time ----------------------------------------------------------------------------------------------------------


def test_an_hour_asleep_is_a_single_event() -> None:
    async def sleep() -> tuple[float, float]:
        loop = asyncio.get_running_loop()
        begun = loop.time()
        await asyncio.sleep(HOUR_S)
        return begun, loop.time()

    with VirtualNetwork() as network:
        asleep = network.host("jetty", oscillator=crystal(), kind="exact").start(sleep())
        real = time.monotonic()
        network.run_for(2 * HOUR_S)
        assert asleep.result() == (0.0, HOUR_S)
        # One to begin with, one when the sleep is over: nothing that could take an hour, or a minute.
        assert network.kernel.events_run == 2
        assert time.monotonic() - real < 60


def test_the_clocks_of_two_hosts_drift_apart_as_they_were_told() -> None:
    with VirtualNetwork() as network:
        fast = network.host("jetty", oscillator=crystal(+18.0))
        slow = network.host("willow", oscillator=crystal(-20.0, offset_ns=7 * SECOND))
        network.run_for(1000)
        assert (fast.now, slow.now) == (1000 * SECOND + 18 * MILLISECOND, 1007 * SECOND - 20 * MILLISECOND)
        assert (fast.loop.time(), slow.loop.time()) == (1000.018, 1006.98)


def test_a_crystal_in_ppm_begins_as_told_and_another_host_draws_its_own() -> None:
    with VirtualNetwork() as network:
        told, drawn = network.host("jetty", frequency_ppm=18), network.host("willow")
        assert told.oscillator.frequency_ppm_at(TrueInstant(0)) == pytest.approx(18, abs=0.01)  # it has begun to cool
        assert abs(drawn.oscillator.frequency_ppm_at(TrueInstant(0))) <= 50.01


def test_a_sleep_lasts_as_long_as_the_host_s_own_clock_says() -> None:
    woken_at: list[float] = []

    async def sleep(network: VirtualNetwork) -> None:
        await asyncio.sleep(100)
        woken_at.append(network.now_s)

    with VirtualNetwork() as network:
        network.host("jetty", oscillator=crystal(+100.0), kind="exact").start(sleep(network))
        network.run_for(101)
    # 100 / 1.0001, rounded up to the nanosecond: the first at which the clock shows 100 s.
    assert woken_at == [99.990_001]


def test_timers_are_as_late_as_the_host_says() -> None:
    async def naps(network: VirtualNetwork) -> list[float]:
        late = []
        for _ in range(200):
            due = network.now_s + 1
            await asyncio.sleep(1)
            late.append(network.now_s - due)
        return late

    with VirtualNetwork() as network:
        late = network.run_until(network.host("jetty", oscillator=crystal(), kind="small-board").start(naps(network)))
    assert min(late) >= 0
    # An exponential of mean 0.5 ms; of 200 draws the mean is within a quarter (3.5 σ) of it.
    assert sum(late) / len(late) == pytest.approx(0.5e-3, rel=0.25)


def test_what_asyncio_offers_keeps_virtual_time() -> None:
    done: list[tuple[str, float]] = []

    async def program() -> None:
        loop = asyncio.get_running_loop()
        loop.call_later(2, lambda: done.append(("called later", loop.time())))
        loop.call_at(3, lambda: done.append(("called at", loop.time())))
        with pytest.raises(TimeoutError):
            await asyncio.wait_for(asyncio.sleep(100), 4)
        done.append(("waited for", loop.time()))
        with pytest.raises(TimeoutError):
            async with asyncio.timeout(1):
                await asyncio.Event().wait()
        done.append(("timed out", loop.time()))
        async with asyncio.TaskGroup() as group:
            group.create_task(asyncio.sleep(1.5))
            group.create_task(asyncio.sleep(2.5))
        done.append(("grouped", loop.time()))
        cancelled = loop.call_later(1, done.append, ("never", 0))
        loop.call_soon_threadsafe(cancelled.cancel)
        await asyncio.sleep(2)

    with VirtualNetwork() as network:
        network.run_until(network.host("jetty", oscillator=crystal(), kind="exact").start(program()))
    assert done == [("called later", 2), ("called at", 3), ("waited for", 4), ("timed out", 5), ("grouped", 7.5)]


def test_a_suspended_host_sleeps_through_its_timers_and_its_endpoint_is_told() -> None:
    leading, jetty = Leading(roll_after_s=10), Following("jetty")
    with VirtualNetwork("idle") as network:
        network.host("boathouse").start(leading.run())
        board = network.host("jetty")
        board.start(jetty.run())
        network.schedule(30, board.suspend)
        network.schedule(90, board.resume)
        network.run_for(30)
        before, clock, received = board.loop.time(), jetty.node.clock(), jetty.node.counts.received
        network.run_for(59.9)
        assert jetty.node.counts.received == received
        assert board.loop.time() == before
        network.run_for(10.1)
        assert jetty.node.counts.resumed == 1
        assert jetty.node.clock.slept_ns == pytest.approx(60 * SECOND, rel=200e-6)
        assert jetty.node.clock() - clock == pytest.approx(70 * SECOND, rel=200e-6)
        assert board.loop.time() - before == pytest.approx(10, rel=200e-6)
        assert jetty.node.snapshot().clock is ClockState.LOCKED


# -- endpoints over the modelled air -------------------------------------------------------------------------------


def test_followers_lock_over_a_busy_air_and_a_cue_starts_on_both_at_its_frame() -> None:
    leading, pieces = Leading(roll_after_s=20), [Following("jetty"), Following("willow")]
    with VirtualNetwork("busy", seed=3) as network:
        boathouse = network.host("boathouse")
        boathouse.start(leading.run())
        for piece, ppm in zip(pieces, (+40, -40), strict=True):
            network.host(piece.name, frequency_ppm=ppm).start(piece.run())
        network.run_for(60)
        assert len({event.follower for event in leading.events if isinstance(event, FollowerJoined)}) == 2
        cue = leading.node.leader.cue
        position = cue.position_at(LeaderInstant(boathouse.now))
        for piece in pieces:
            assert piece.told(LockAcquired)
            assert [event.cue for event in piece.told(CueAdopted)] == [cue]
            snapshot = piece.node.snapshot()
            assert snapshot.clock is ClockState.LOCKED
            assert snapshot.bounds.causality_ns is not None
            here = piece.node.follower.position_at(piece.node.clock())
            assert here is not None
            # Inside the recovery's dead band of 0.5 ms nothing is corrected at once.
            assert abs(here - position) <= 500_000 + snapshot.bounds.causality_ns
            assert piece.node.frame_now() == TIDEFALL.frame_rate.frame_at(here)


@pytest.mark.parametrize("seed", range(1, 6))
def test_a_leader_without_power_is_missed_after_five_intervals(seed: int) -> None:
    leading, jetty = Leading(roll_after_s=10), Following("jetty")
    with VirtualNetwork("busy", seed=seed) as network:
        boathouse = network.host("boathouse")
        boathouse.start(leading.run())
        network.host("jetty", kind="steady").start(jetty.run())
        network.run_for(60)
        # On a busy network four beacons in a row are lost now and then, without anybody losing power.
        before = len(jetty.told(LeaderLost))
        boathouse.power_off()
        network.run_for(10)
        (lost,) = jetty.told(LeaderLost)[before:]
        # Beacons come every second; what is more is the timer's lateness, of mean 0.2 ms.
        assert 5 * SECOND <= lost.silent_ns < 5 * SECOND + 5 * MILLISECOND
        assert jetty.node.snapshot().clock is ClockState.HOLDOVER
        frame = jetty.node.frame_now()
        network.run_for(20)
        # It plays on by what it knows: 800 frames in twenty seconds.
        assert frame is not None
        assert jetty.node.frame_now() in (frame + 799, frame + 800, frame + 801)


def test_a_leader_and_a_follower_on_one_host_hear_each_other() -> None:
    leading, lantern = Leading(roll_after_s=10), Following("lantern")
    with VirtualNetwork("busy") as network:
        boathouse = network.host("boathouse")
        boathouse.start(leading.run())
        boathouse.start(lantern.run())
        network.run_for(20)
        assert lantern.told(LockAcquired)
        assert lantern.told(CueAdopted)
        # And each its own, which are known by what is in them.
        assert lantern.node.follower.counters["own copy"] > 0


def test_a_board_that_comes_back_begins_anew_and_joins_again() -> None:
    leading, first, second = Leading(roll_after_s=10), Following("jetty"), Following("jetty")
    with VirtualNetwork("busy") as network:
        network.host("boathouse").start(leading.run())
        jetty = network.host("jetty")
        jetty.start(first.run())
        network.run_for(30)
        before = jetty.loop
        told = len(first.events)
        jetty.power_off()
        network.run_for(10)
        jetty.power_on()
        assert jetty.loop is not before
        assert jetty.now == 5 * SECOND  # a monotonic clock begins anew
        jetty.start(second.run())
        network.run_for(20)
        assert len(first.events) == told
        assert second.told(CueAdopted)


def test_a_split_network_is_a_rule_of_its_injected_faults() -> None:
    leading, jetty = Leading(), Following("jetty")
    with VirtualNetwork("busy") as network:
        network.host("boathouse").start(leading.run())
        network.host("jetty").start(jetty.run())
        network.injected.add(Rule(lambda *ends: "jetty" in ends), TrueInstant(20 * SECOND), TrueInstant(40 * SECOND))
        network.run_for(39)
        assert len(jetty.told(LeaderLost)) == 1
        network.run_for(11)
        assert jetty.node.snapshot().clock is ClockState.LOCKED


def test_hosts_of_a_scenario_are_as_it_says() -> None:
    scenario = load_shipped()
    world = World(scenario, 4)
    with VirtualNetwork(scenario=scenario, seed=4) as network:
        for node in (world.leader, world.followers[5]):
            host = network.host(node.name)
            assert host.wired == node.wired
            assert [host.oscillator.local_at(TrueInstant(s * SECOND)) for s in (0, 700)] == [
                node.local_at(TrueInstant(s * SECOND)) for s in (0, 700)
            ]
        assert network.trace.hexdigest() == world.trace.hexdigest()


@pytest.mark.slow
def test_joining_and_joining_again_are_told_to_a_switch_that_forgets() -> None:
    changes = {"air.fidelity": "contended", "air.forgets_members": True}
    leading, jetty = Leading(), Following("jetty")
    with VirtualNetwork(scenario=load_shipped().with_changes(changes)) as network:
        network.host("boathouse").start(leading.run())
        network.host("jetty").start(jetty.run())
        # A member is forgotten after 260 s; its endpoint notices the silence and joins again.
        network.run_for(300)
        assert jetty.node.counts.joined_again >= 1
        assert jetty.node.snapshot().clock is ClockState.LOCKED


# -- the same draws -------------------------------------------------------------------------------------------------

STORY = """
import asyncio, sys
sys.path.insert(0, sys.argv[1])
from test_virtual_loop import trace_of
print(trace_of(int(sys.argv[2])))
"""


def trace_of(seed: int) -> str:
    leading, pieces = Leading(roll_after_s=10), [Following("jetty"), Following("willow")]
    with VirtualNetwork("dozing", seed=seed) as network:
        network.host("boathouse").start(leading.run())
        for piece in pieces:
            network.host(piece.name).start(piece.run())
        network.schedule(20, network.host("boathouse").power_off)
        network.run_for(30)
        return network.trace_hash


def test_the_same_seed_gives_the_same_datagrams_and_another_one_others() -> None:
    assert trace_of(3) == trace_of(3)
    assert trace_of(3) != trace_of(4)


@pytest.mark.slow
@pytest.mark.thorough_except(hash_seed="1")
@pytest.mark.parametrize("hash_seed", ["0", "1"])
def test_another_process_with_any_hash_seed_sends_the_same(hash_seed: str) -> None:
    finished = subprocess.run(
        [sys.executable, "-c", STORY, str(Path(__file__).parent), "3"],
        env={**os.environ, "PYTHONHASHSEED": hash_seed, "PYTHONPATH": os.pathsep.join(sys.path)},
        capture_output=True,
        text=True,
        check=True,
    )
    assert finished.stdout.strip() == trace_of(3)


def test_another_host_shifts_nobody_s_random_stream() -> None:
    def frames(*others: str) -> list[tuple[int, Any]]:
        leading, jetty = Leading(roll_after_s=10), Following("jetty")
        with VirtualNetwork("idle", seed=2) as network:
            network.host("boathouse").start(leading.run())
            board = network.host("jetty", kind="exact")
            board.start(jetty.run())
            for other in others:
                network.host(other)
            network.run_for(30)
            return [(event.at, type(event)) for event in jetty.events]

    assert frames("willow", "ferry") == frames() != []


# -- what comes out ------------------------------------------------------------------------------------------------


async def fail_after(delay_s: float, error: Exception) -> None:
    await asyncio.sleep(delay_s)
    raise error


def test_what_a_program_raises_comes_out_of_the_run_with_the_name_of_its_host() -> None:
    with VirtualNetwork() as network:
        jetty = network.host("jetty", oscillator=crystal(), kind="exact")
        jetty.start(fail_after(3, LookupError("no such show")))
        with pytest.raises(LookupError, match="no such show") as caught:
            network.run_for(10)
        assert caught.value.__notes__ == ["on host 'jetty', task 'fail_after', 3.000000 s after the network began"]
        # The run can be taken up where it stopped.
        assert network.now_s == 3
        network.run_for(7)
        assert network.now_s == 10


def test_several_that_fail_in_one_turn_come_as_a_group() -> None:
    with VirtualNetwork() as network:
        jetty = network.host("jetty", kind="exact")
        jetty.start(fail_after(1, LookupError("first")))
        jetty.start(fail_after(1, KeyError("second")))
        with pytest.raises(BaseExceptionGroup) as caught:
            network.run_for(10)
        assert [type(error) for error in caught.value.exceptions] == [LookupError, KeyError]


def test_a_program_that_waits_for_one_that_fails_fails_with_it_once() -> None:
    async def wait_for(other: asyncio.Task[None]) -> None:
        await other

    with VirtualNetwork() as network:
        jetty = network.host("jetty")
        failing = jetty.start(fail_after(1, LookupError("once")), name="failing")
        jetty.start(wait_for(failing), name="waiting")
        with pytest.raises(LookupError, match="once") as caught:
            network.run_for(10)
        assert [note.split(", ")[1] for note in caught.value.__notes__] == ["task 'failing'", "task 'waiting'"]


def test_a_program_that_exits_leaves_the_others_on_its_host_running() -> None:
    async def leave() -> None:
        await asyncio.sleep(1)
        raise SystemExit(3)

    output = Output()
    with VirtualNetwork() as network:
        jetty = network.host("jetty", oscillator=crystal(), kind="exact")
        leaving = jetty.start(leave())
        jetty.start(output.run())
        with pytest.raises(SystemExit):
            network.run_for(10)
        assert isinstance(leaving.exception(), SystemExit)
        network.run_for(1)
        assert output.frames == 80


def test_a_task_that_nobody_holds_on_to_does_not_fail_in_silence() -> None:
    async def careless() -> None:
        asyncio.get_running_loop().create_task(fail_after(1, LookupError("unseen")), name="forgotten")
        await asyncio.sleep(100)

    with VirtualNetwork() as network:
        network.host("jetty").start(careless())
        with pytest.raises(LookupError, match="unseen") as caught:
            network.run_for(10)
        assert "on host 'jetty', task 'forgotten'" in caught.value.__notes__[0]


def test_a_task_that_is_held_and_never_awaited_comes_out_at_the_end() -> None:
    held = []

    async def careless() -> None:
        held.append(asyncio.create_task(fail_after(1, LookupError("unseen")), name="held"))
        await asyncio.sleep(100)

    network = VirtualNetwork()
    network.host("jetty").start(careless())
    network.run_for(10)
    with pytest.raises(LookupError, match="unseen") as caught:
        network.close()
    assert "on host 'jetty', task 'held'" in caught.value.__notes__[0]


def test_what_a_program_takes_itself_is_nobody_else_s_business() -> None:
    async def careful() -> str:
        first, second = (asyncio.create_task(fail_after(delay, LookupError(str(delay)))) for delay in (2, 1))
        outcomes = await asyncio.gather(first, second, return_exceptions=True)
        return ", ".join(map(str, outcomes))

    with VirtualNetwork() as network:
        task = network.host("jetty").start(careful())
        network.run_for(10)
        assert task.result() == "2, 1"


def test_a_callback_that_fails_comes_out_too() -> None:
    def fail() -> None:
        raise KeyError("nothing")

    async def program() -> None:
        asyncio.get_running_loop().call_later(1, fail)
        await asyncio.sleep(100)

    with VirtualNetwork() as network:
        network.host("jetty").start(program())
        with pytest.raises(KeyError, match="nothing") as caught:
            network.run_for(10)
        assert "on host 'jetty'" in caught.value.__notes__[0]


class FaultyCore:
    """Fails at its first timer, three seconds after it was made."""

    def __init__(self, now: LocalInstant) -> None:
        self._due_at = LocalInstant(now + 3 * SECOND)

    def receive_datagram(self, data: bytes, source: Any, received_at: LocalInstant) -> None:
        pass

    def handle_timer(self, now: LocalInstant) -> None:
        raise LookupError("a fault in the core")

    def next_timer(self) -> LocalInstant | None:
        return self._due_at

    def datagrams_to_send(self, now: LocalInstant) -> list[tuple[bytes, Any]]:
        return []

    def next_event(self) -> None:
        return None

    def note_resumed(self, now: LocalInstant) -> None:
        pass


def test_a_fault_in_a_node_ends_its_program_and_comes_out() -> None:
    async def program() -> None:
        node: Endpoint[FaultyCore, None] = Endpoint(FaultyCore, group=GROUP)
        async with node:
            async for _ in node.events():
                pass

    with VirtualNetwork("idle") as network:
        network.host("jetty", oscillator=crystal(), kind="exact").start(program())
        with pytest.raises(NotRunningError, match="LookupError: a fault in the core"):
            network.run_for(60)
        assert network.now_s == 3


def test_the_result_of_a_program_is_waited_for_in_virtual_time() -> None:
    async def program() -> int:
        await asyncio.sleep(50)
        return 7

    with VirtualNetwork() as network:
        jetty = network.host("jetty", oscillator=crystal(), kind="exact")
        assert network.run_until(jetty.start(program())) == 7
        assert network.now_s == 50
        with pytest.raises(LookupError):
            network.run_until(jetty.start(fail_after(1, LookupError())))
        with pytest.raises(VirtualLoopError, match=r"not done after 10 s: jetty: task 'nap', in .*program, "):
            network.run_until(jetty.start(program(), name="nap"), limit_s=10)


# -- how it ends ---------------------------------------------------------------------------------------------------


class Output:
    """A program that counts frames until it ends, and says how."""

    def __init__(self) -> None:
        self.frames = 0
        self.ended = False

    async def run(self) -> None:
        try:
            while True:
                await asyncio.sleep(0.025)
                self.frames += 1
        finally:
            self.ended = True


def test_a_power_cut_is_no_cancellation_but_nothing_is_left_over() -> None:
    output = Output()
    with VirtualNetwork() as network:
        jetty = network.host("jetty", oscillator=crystal(), kind="exact")
        task = jetty.start(output.run())
        network.run_for(1)
        jetty.power_off()
        network.run_for(60)
        assert (output.frames, output.ended) == (40, False)
        assert not task.done()
        loop = jetty.loop
    assert output.ended
    assert task.cancelled()
    assert loop.is_closed()


def test_an_endpoint_that_is_unwound_after_a_power_cut_sends_nothing_more() -> None:
    jetty = Following("jetty")
    with VirtualNetwork("idle") as network:
        board = network.host("jetty")
        board.start(jetty.run())
        network.run_for(3)
        board.power_off()
        network.run_for(10)
        before = network.trace_hash
    assert network.trace_hash == before


def test_programs_are_cancelled_at_the_end_and_may_take_their_time() -> None:
    said = []

    async def orderly() -> None:
        try:
            await asyncio.sleep(HOUR_S)
        finally:
            await asyncio.sleep(5)
            said.append("faded out")

    async def numbers() -> AsyncIterator[int]:
        try:
            for number in itertools.count():
                yield number
        finally:
            said.append("generator closed")

    async def reads_one() -> None:
        async for _ in numbers():
            break

    with VirtualNetwork() as network:
        network.host("jetty").start(orderly())
        network.host("jetty").start(reads_one())
        network.run_for(1)
    assert "faded out" in said
    assert "generator closed" in said


def test_one_that_does_not_end_is_named() -> None:
    async def stubborn() -> None:
        while True:
            with suppress(asyncio.CancelledError):
                await asyncio.sleep(1)

    network = VirtualNetwork()
    network.host("jetty").start(stubborn())
    network.run_for(1)
    with pytest.raises(VirtualLoopError, match=r"cancelled 60 s ago, and still not done: jetty: task '.*stubborn'"):
        network.close()
    network.close()
    with pytest.raises(VirtualLoopError, match="closed"):
        network.run_for(1)


def test_what_fails_while_ending_comes_out_and_hides_nothing_that_came_before() -> None:
    async def clumsy() -> None:
        try:
            await asyncio.sleep(HOUR_S)
        finally:
            raise LookupError("lost the lamp")

    def run(error: Exception | None) -> None:
        with VirtualNetwork() as network:
            network.host("jetty").start(clumsy())
            network.run_for(1)
            if error is not None:
                raise error

    with pytest.raises(LookupError, match="lost the lamp"):
        run(None)
    with pytest.raises(AssertionError, match="the test's own") as caught:
        run(AssertionError("the test's own"))
    assert "LookupError('lost the lamp') (on host 'jetty', task" in caught.value.__notes__[0]


# -- what is refused -----------------------------------------------------------------------------------------------


async def in_a_thread() -> None:
    await asyncio.to_thread(print)


async def in_an_executor() -> None:
    await asyncio.get_running_loop().run_in_executor(None, print)


async def in_a_process() -> None:
    await asyncio.create_subprocess_exec("true")


async def over_a_connection() -> None:
    await asyncio.open_connection("localhost", 80)


async def as_a_server() -> None:
    await asyncio.start_server(lambda *_: None, "127.0.0.1", 0)


async def on_signals() -> None:
    asyncio.get_running_loop().add_signal_handler(2, print)


async def from_a_real_socket() -> None:
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as real:
        await asyncio.get_running_loop().sock_recv(real, 1)


async def reading_a_real_socket() -> None:
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as real:
        asyncio.get_running_loop().add_reader(real, print)


async def through_a_real_socket() -> None:
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as real:
        await asyncio.get_running_loop().create_datagram_endpoint(asyncio.DatagramProtocol, sock=real)


async def by_broadcast() -> None:
    await asyncio.get_running_loop().create_datagram_endpoint(asyncio.DatagramProtocol, allow_broadcast=True)


@pytest.mark.parametrize(
    ("program", "what"),
    [
        (in_a_thread, "a thread"),
        (in_an_executor, "a thread"),
        (in_a_process, "a subprocess"),
        (over_a_connection, "a connection to the real world"),
        (as_a_server, "a server in the real world"),
        (on_signals, "signals"),
        (from_a_real_socket, "a real socket"),
        (reading_a_real_socket, "a real socket or file"),
        (through_a_real_socket, "a real socket"),
        (by_broadcast, "a datagram endpoint with allow_broadcast"),
    ],
)
def test_what_needs_the_real_world_is_refused_in_words(program: Callable[[], Awaitable[None]], what: str) -> None:
    with VirtualNetwork() as network:
        network.host("jetty").start(program())  # type: ignore[arg-type]
        with pytest.raises(VirtualLoopError, match=f"jetty: a program on virtual time cannot use {what}"):
            network.run_for(1)


def test_another_thread_cannot_reach_in() -> None:
    raised = []

    def reach(host: VirtualHost) -> None:
        try:
            host.loop.call_soon_threadsafe(print)
        except VirtualLoopError as error:
            raised.append(str(error))

    with VirtualNetwork() as network:
        thread = threading.Thread(target=reach, args=(network.host("jetty"),))
        thread.start()
        thread.join()
    assert raised == [error for error in raised if "cannot use a thread" in error] != []


def test_a_program_that_blocks_its_thread_is_told_of_the_other_form() -> None:
    async def play() -> None:
        with FollowerThread(FollowerSettings("jetty"), group=GROUP):
            pass

    with VirtualNetwork() as network:
        network.host("jetty").start(play())
        with pytest.raises(RuntimeError, match="use `async with FollowerEndpoint"):
            network.run_for(1)


def test_an_endpoint_that_was_made_outside_of_its_host_is_refused() -> None:
    async def play(node: FollowerEndpoint) -> None:
        async with node:
            await asyncio.sleep(1)

    with VirtualNetwork() as network:
        jetty = network.host("jetty")
        jetty.start(play(FollowerEndpoint(FollowerSettings("jetty"), group=GROUP, interface="127.0.0.1")))
        with pytest.raises(NotRunningError, match=r"made inside .* or by host\.call"):
            network.run_for(2)
        node = jetty.call(FollowerEndpoint, FollowerSettings("jetty"), group=GROUP)
        network.run_until(jetty.start(play(node)))
        assert node.counts.sent == 0


def test_a_program_that_never_waits_is_told_instead_of_stopping_time() -> None:
    async def restless() -> None:
        while True:
            await asyncio.sleep(0)

    with VirtualNetwork() as network:
        network.host("jetty").start(restless())
        with pytest.raises(VirtualLoopError, match=r"jetty: time stands still .*task '.*restless', in "):
            network.run_for(1)


def test_tasks_that_wait_for_what_cannot_come_are_named() -> None:
    async def wait_for_a_thread(done: asyncio.Event) -> None:
        await done.wait()

    async def short() -> None:
        await asyncio.sleep(2)

    with VirtualNetwork() as network:
        done = asyncio.Event()
        network.host("jetty", oscillator=crystal(), kind="exact").start(wait_for_a_thread(done))
        network.host("willow", oscillator=crystal(), kind="exact").start(short())
        with pytest.raises(Deadlock, match=r"at 2\.0+ s nothing is scheduled on any host") as caught:
            network.run_for(10)
        (waiting,) = caught.value.waiting
        assert "jetty: task" in waiting
        assert "wait_for_a_thread" in waiting
        with pytest.raises(Deadlock):
            network.run_for(10)
        # What the test itself is going to do is something to wait for.
        network.schedule(5, done.set)
        network.run_for(10)
        assert network.now_s == 12


def test_a_host_that_nothing_can_wake_is_not_waited_for() -> None:
    async def wait_for_ever() -> None:
        await asyncio.get_running_loop().create_future()

    leading = Leading()
    with VirtualNetwork() as network:
        network.host("boathouse").start(leading.run())  # goes on for ever
        jetty = network.host("jetty")
        task = jetty.start(wait_for_ever())
        with pytest.raises(Deadlock, match="jetty has nothing scheduled"):
            network.run_until(task)
        jetty.power_off()
        with pytest.raises(Deadlock, match="jetty is off or suspended"):
            network.run_until(task)


def test_a_program_that_hears_the_network_may_wait_without_end() -> None:
    async def listen() -> None:
        await asyncio.get_running_loop().create_datagram_endpoint(asyncio.DatagramProtocol, ("0.0.0.0", 5000))
        await asyncio.get_running_loop().create_future()

    with VirtualNetwork() as network:
        network.host("jetty").start(listen())
        network.run_for(10)


def test_a_host_that_is_off_starts_nothing() -> None:
    with VirtualNetwork() as network:
        jetty = network.host("jetty")
        jetty.power_off()
        jetty.power_off()
        with pytest.raises(VirtualLoopError, match=r"jetty is off: power_on\(\) comes first"):
            jetty.start(asyncio.sleep(1))
        with pytest.raises(VirtualLoopError, match="jetty is off"):
            jetty.call(print)


def test_a_program_may_cut_its_own_power() -> None:
    async def suicidal(host: VirtualHost) -> None:
        await asyncio.sleep(1)
        host.power_off()
        await asyncio.sleep(1)
        raise AssertionError("it runs without power")

    with VirtualNetwork() as network:
        jetty = network.host("jetty")
        jetty.start(suicidal(jetty))
        network.run_for(10)
        assert not jetty.is_on


def test_the_network_alone_runs_its_loops() -> None:
    async def program() -> None:
        asyncio.get_running_loop().stop()

    with VirtualNetwork() as network:
        jetty = network.host("jetty")
        with pytest.raises(VirtualLoopError, match=r"network\.run_for"):
            jetty.loop.run_until_complete(asyncio.sleep(1))
        jetty.start(program())
        with pytest.raises(VirtualLoopError, match=r"network\.run_for"):
            network.run_for(1)


async def test_a_test_that_is_a_coroutine_is_told_to_be_none() -> None:
    network = VirtualNetwork()
    network.host("jetty")
    with pytest.raises(VirtualLoopError, match="make the test a plain function"):
        network.run_for(1)
    await asyncio.get_running_loop().run_in_executor(None, network.close)


@pytest.mark.parametrize(
    ("arguments", "error", "words"),
    [
        ({"preset": "crowded"}, ConfigurationError, "'crowded' is not allowed; allowed: one of idle, busy, dozing"),
        ({"preset": "busy", "scenario": "quarry-lake"}, ConfigurationError, "one of preset and scenario"),
        ({"scenario": "quary-lake"}, ScenarioError, "did you mean quarry-lake"),
        ({"seed": 1.5}, ConfigurationError, "seed"),
    ],
)
def test_a_network_that_there_is_not_is_refused(arguments: dict[str, Any], error: type, words: str) -> None:
    with pytest.raises(error, match=words):
        VirtualNetwork(**arguments)


def test_a_host_is_told_once_how_it_is() -> None:
    with VirtualNetwork() as network:
        jetty = network.host("jetty", frequency_ppm=18)
        assert network.host("jetty") is jetty
        with pytest.raises(ConfigurationError, match="a host that is not there yet"):
            network.host("jetty", frequency_ppm=18)
        with pytest.raises(ConfigurationError, match="kind: 'fast' is not allowed"):
            network.host("willow", kind="fast")
        with pytest.raises(ConfigurationError, match="at_s"):
            network.schedule(-1, print)
        with pytest.raises(ConfigurationError, match="duration_s"):
            network.run_for(float("nan"))
