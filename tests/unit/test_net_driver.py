# ruff: noqa: ARG002 - the fakes have the signatures of what they stand for

from __future__ import annotations

import asyncio
import errno
import socket
import sys
import time
from collections.abc import Iterator
from typing import Any

import pytest

from leadlight.net.clock import LocalClock
from leadlight.net.driver import CoreDriver, run_core
from leadlight.units import MILLISECOND, SECOND, LocalInstant

GROUP_DESTINATION = ("239.192.0.9", 62_409)
Event = tuple[str, Any]


class PeriodicCore:
    """Sends one datagram to the group each period and reports what it is told as events."""

    def __init__(self, period_ns: int = 100 * MILLISECOND) -> None:
        self.period_ns = period_ns
        self.due_at = LocalInstant(period_ns)
        self.handled: list[int] = []
        self.events: list[Event] = []
        self.outgoing: list[Any] = []

    def receive_datagram(self, data: bytes, source: Any, received_at: LocalInstant) -> None:
        if data == b"poison":
            raise RuntimeError("a fault in the core")
        self.events.append((data.decode(), source))

    def handle_timer(self, now: LocalInstant) -> None:
        self.handled.append(now)
        self.due_at = LocalInstant((now // self.period_ns + 1) * self.period_ns)
        self.outgoing.append(None)

    def next_timer(self) -> LocalInstant | None:
        return self.due_at

    def datagrams_to_send(self, now: LocalInstant) -> list[tuple[bytes, Any]]:
        sending, self.outgoing = self.outgoing, []
        return [(str(now).encode(), destination) for destination in sending]

    def next_event(self) -> Event | None:
        return self.events.pop(0) if self.events else None

    def note_resumed(self, now: LocalInstant) -> None:
        self.events.append(("resumed", now))


class FakeEndpoint:
    """A socket that sends nowhere, and refuses while ``refusal`` is set."""

    def __init__(self) -> None:
        self.refusal: OSError | None = None
        self.attempts = 0
        self.sent: list[tuple[bytes, Any]] = []

    def setsockopt(self, *_: Any) -> None:
        pass

    def sendto(self, data: bytes, destination: Any) -> int:
        self.attempts += 1
        if self.refusal is not None:
            raise self.refusal
        self.sent.append((data, destination))
        return len(data)


class FakeSockets:
    def __init__(self) -> None:
        self.own: Any = FakeEndpoint()
        self.shared: Any = FakeEndpoint()
        self.group_destination = GROUP_DESTINATION
        self.joins = 0

    def join_again(self) -> bool:
        self.joins += 1
        return True


class Clock:
    def __init__(self) -> None:
        self.now = 0

        self.slept_ns = 0

    def __call__(self) -> LocalInstant:
        return LocalInstant(self.now)


class Bench:
    """A driver that is pumped by hand at the instants a test names."""

    def __init__(self) -> None:
        self.core = PeriodicCore()
        self.sockets = FakeSockets()
        self.clock = Clock()
        self.events: list[Event] = []
        self.driver = CoreDriver(self.core, self.sockets, self.events.append, self.clock)

    def wake(self, now: int) -> None:
        self.clock.now = now
        self.driver.pump()


@pytest.fixture
def bench() -> Bench:
    return Bench()


def test_a_wake_up_before_the_timer_sends_nothing(bench: Bench) -> None:
    bench.wake(100 * MILLISECOND - 1)
    assert bench.core.handled == []
    assert bench.sockets.own.sent == []
    bench.wake(100 * MILLISECOND)
    bench.wake(100 * MILLISECOND + 1)
    assert bench.sockets.own.sent == [(b"100000000", GROUP_DESTINATION)]


def test_a_late_wake_up_sends_once_stamped_with_the_moment_of_sending(bench: Bench) -> None:
    bench.wake(5 * SECOND + 7)
    assert bench.sockets.own.sent == [(b"5000000007", GROUP_DESTINATION)]


def test_a_suspended_host_is_told_once_and_sends_one_beacon(bench: Bench) -> None:
    bench.wake(100 * MILLISECOND)
    bench.clock.slept_ns = 60 * SECOND
    for late_ns in (0, 1, 2):
        bench.wake(60 * SECOND + 150 * MILLISECOND + late_ns)
    assert bench.events == [("resumed", 60 * SECOND + 150 * MILLISECOND)]
    assert bench.driver.counts.resumed == 1
    assert [data for data, _ in bench.sockets.own.sent] == [b"100000000", b"60150000000"]
    # Once more is another time.
    bench.clock.slept_ns += SECOND
    bench.wake(62 * SECOND)
    assert bench.driver.counts.resumed == 2


def test_a_datagram_after_sleep_comes_after_the_word_of_it(bench: Bench) -> None:
    bench.clock.now, bench.clock.slept_ns = 60 * SECOND, 59 * SECOND
    bench.driver._take_in(bench.sockets.shared, b"beacon", "peer", LocalInstant(60 * SECOND))
    bench.driver.pump()
    assert bench.events == [("resumed", 60 * SECOND), ("beacon", "peer")]


def test_a_datagram_for_one_peer_goes_to_the_address_as_it_was_received(bench: Bench) -> None:
    peer = ("fe80::1", 5000, 0, 3)
    bench.core.outgoing = [peer]
    bench.wake(1)
    assert bench.sockets.own.sent == [(b"1", peer)]


@pytest.mark.parametrize(
    "refusal",
    [BlockingIOError(errno.EAGAIN, "would block"), OSError(errno.ENOBUFS, "no buffer space")],
    ids=["would block", "no buffer space"],
)
def test_beacons_are_dropped_and_never_queued_while_the_socket_is_busy(bench: Bench, refusal: OSError) -> None:
    bench.sockets.own.refusal = refusal
    for turn in range(1, 21):
        bench.wake(turn * 100 * MILLISECOND)
    assert bench.sockets.own.attempts == 20
    assert bench.driver.counts.dropped == 20
    bench.sockets.own.refusal = None
    bench.wake(2100 * MILLISECOND)
    assert bench.sockets.own.sent == [(b"2100000000", GROUP_DESTINATION)]
    assert bench.driver.counts.sent == 1


@pytest.mark.parametrize("number", [errno.ENETUNREACH, errno.EHOSTUNREACH, errno.ENODEV, errno.EINVAL])
def test_an_interface_that_is_down_costs_a_count_and_nothing_else(bench: Bench, number: int) -> None:
    bench.sockets.own.refusal = OSError(number, "down")
    bench.wake(100 * MILLISECOND)
    bench.sockets.own.refusal = None
    bench.wake(200 * MILLISECOND)
    assert bench.driver.counts.send_errors == 1
    assert bench.driver.counts.sent == 1


def test_one_dead_peer_does_not_keep_others_from_their_datagrams(bench: Bench) -> None:
    dead, alive = ("127.0.0.1", 1), ("127.0.0.1", 2)

    def send(data: bytes, destination: Any) -> int:
        if destination == dead:
            raise ConnectionRefusedError(errno.ECONNREFUSED, "refused")
        delivered.append(destination)
        return len(data)

    delivered: list[Any] = []
    bench.sockets.own.sendto = send
    bench.core.outgoing = [dead, alive]
    bench.wake(1)
    assert delivered == [alive]
    assert bench.driver.counts.send_errors == 1


def test_events_are_handed_on_in_order(bench: Bench) -> None:
    bench.core.events = [("first", 1), ("second", 2)]
    bench.wake(1)
    assert bench.events == [("first", 1), ("second", 2)]


def test_a_silent_group_is_joined_again(bench: Bench) -> None:
    bench.wake(10 * SECOND - 1)
    assert bench.sockets.joins == 0
    bench.wake(10 * SECOND)
    bench.wake(10 * SECOND + 1)
    assert bench.sockets.joins == 1
    assert bench.driver.counts.joined_again == 1


# -- in a loop, with two real sockets -----------------------------------------------------------


class LoopbackSockets(FakeSockets):
    def __init__(self) -> None:
        super().__init__()
        self.own, self.shared = (socket.socket(socket.AF_INET, socket.SOCK_DGRAM) for _ in range(2))
        for endpoint in (self.own, self.shared):
            endpoint.setblocking(False)
            endpoint.bind(("127.0.0.1", 0))
        self.group_destination = self.shared.getsockname()


@pytest.fixture
def loopback() -> Iterator[LoopbackSockets]:
    sockets = LoopbackSockets()
    yield sockets
    sockets.own.close()
    sockets.shared.close()


async def collect(driver: CoreDriver[Event], events: asyncio.Queue[Event], count: int) -> list[Event]:
    running = asyncio.create_task(driver.run())
    getting = asyncio.create_task(_get(events, count))
    await asyncio.wait({running, getting}, timeout=5, return_when=asyncio.FIRST_COMPLETED)
    running.cancel()
    getting.cancel()
    with pytest.raises(asyncio.CancelledError):
        await running
    return getting.result()


async def _get(events: asyncio.Queue[Event], count: int) -> list[Event]:
    return [await events.get() for _ in range(count)]


async def test_datagrams_of_both_sockets_reach_the_core_with_their_source(loopback: LoopbackSockets) -> None:
    core, events = PeriodicCore(SECOND), asyncio.Queue[Event]()
    core.due_at = LocalInstant(3600 * SECOND)
    core.outgoing = [None, loopback.own.getsockname()]
    driver = CoreDriver(core, loopback, events.put_nowait, Clock())
    received = await collect(driver, events, 2)
    assert received == [("0", loopback.own.getsockname())] * 2
    assert (driver.counts.sent, driver.counts.received) == (2, 2)


async def test_a_timer_wakes_the_core_without_any_datagram(loopback: LoopbackSockets) -> None:
    class Ticking(PeriodicCore):
        def handle_timer(self, now: LocalInstant) -> None:
            super().handle_timer(now)
            self.outgoing.clear()
            self.events.append(("tick", now))

    clock, events = Clock(), asyncio.Queue[Event]()

    def tick(event: Event) -> None:
        clock.now += 1
        events.put_nowait(event)

    core = Ticking(period_ns=1)
    driver = CoreDriver(core, loopback, tick, clock)
    clock.now = 1
    assert await collect(driver, events, 3) == [("tick", 1), ("tick", 2), ("tick", 3)]


async def test_a_reset_by_a_peer_that_quit_is_counted_and_reading_goes_on(
    loopback: LoopbackSockets,
) -> None:
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as gone:
        gone.bind(("127.0.0.1", 0))
        closed_port = gone.getsockname()
    # A connected socket is told of closed ports on every system, as an unconnected one is on Windows.
    loopback.own.connect(closed_port)
    core, events = PeriodicCore(SECOND), asyncio.Queue[Event]()
    core.due_at = LocalInstant(3600 * SECOND)
    driver = CoreDriver(core, loopback, events.put_nowait, Clock())
    loopback.own.send(b"to nobody")
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as peer:
        peer.bind(("127.0.0.1", 0))
        peer.sendto(b"beacon", loopback.shared.getsockname())
        assert await collect(driver, events, 1) == [("beacon", peer.getsockname())]
    with pytest.raises(BlockingIOError):
        loopback.own.recv(1)  # the error was taken away by reading
    assert driver.counts.receive_errors == 1


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="only Linux stamps what it receives")
async def test_a_datagram_read_late_has_arrived_when_it_came(loopback: LoopbackSockets) -> None:
    class Noting(PeriodicCore):
        def receive_datagram(self, data: bytes, source: Any, received_at: LocalInstant) -> None:
            self.events.append((data.decode(), received_at))

    core, events, clock = Noting(), asyncio.Queue[Event](), LocalClock()
    core.due_at = LocalInstant(clock() + 3600 * SECOND)
    driver = CoreDriver(core, loopback, events.put_nowait, clock)
    # The kernel begins to stamp a little after it was asked to, when it gets round to it.
    time.sleep(0.2)
    loopback.own.sendto(b"beacon", loopback.group_destination)
    # Long enough that no pause of this machine between the readings of its two clocks makes up for it.
    time.sleep(0.1)
    before_reading = clock()
    ((_, received_at),) = await collect(driver, events, 1)
    assert received_at < before_reading


async def test_a_fault_in_the_core_ends_the_run_and_is_raised(loopback: LoopbackSockets) -> None:
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as peer:
        peer.sendto(b"poison", loopback.own.getsockname())
    with pytest.raises(RuntimeError, match="a fault in the core"):
        await asyncio.wait_for(run_core(PeriodicCore(), loopback, lambda _: None, Clock()), 5)


async def test_cancelling_leaves_no_reader_and_no_timer_behind(loopback: LoopbackSockets) -> None:
    core = PeriodicCore()
    running = asyncio.create_task(run_core(core, loopback, lambda _: None, Clock()))
    await asyncio.sleep(0)
    running.cancel()
    with pytest.raises(asyncio.CancelledError):
        await running
    loop = asyncio.get_running_loop()
    assert not loop.remove_reader(loopback.own)
    assert not loop.remove_reader(loopback.shared)


async def test_a_loop_without_readers_is_read_by_completion(
    loopback: LoopbackSockets, monkeypatch: pytest.MonkeyPatch
) -> None:
    loop = asyncio.get_running_loop()
    real_add_reader = loop.add_reader
    monkeypatch.setattr(loop, "add_reader", _no_readers)
    # The completion call of this loop falls back on a reader of its own when there is nothing to read yet.
    monkeypatch.setattr(loop, "_add_reader", real_add_reader)
    core, events = PeriodicCore(SECOND), asyncio.Queue[Event]()
    core.due_at = LocalInstant(3600 * SECOND)
    core.outgoing = [None]
    driver = CoreDriver(core, loopback, events.put_nowait, Clock())
    assert await collect(driver, events, 1) == [("0", loopback.own.getsockname())]


def _no_readers(*_: Any) -> None:
    raise NotImplementedError
