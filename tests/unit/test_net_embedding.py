# ruff: noqa: ARG002 - the fake has the signatures of what it stands for
from __future__ import annotations

import os
import threading
from contextvars import copy_context
from inspect import signature
from queue import Queue
from types import SimpleNamespace
from typing import Any

import pytest

from leadlight.errors import FileError, NetworkError, NotRunningError
from leadlight.events import NodeFailed
from leadlight.follower.settings import FollowerSettings
from leadlight.leader.settings import LeaderSettings
from leadlight.net.clock import LocalClock
from leadlight.net.endpoint import Endpoint, FollowerEndpoint, LeaderEndpoint
from leadlight.net.keeping import KeptFile
from leadlight.net.machine import MACHINE, BoundSockets
from leadlight.net.thread import EndpointThread, FollowerThread, LeaderThread
from leadlight.net.waking import LoopWaker, WakingSettings
from leadlight.units import LocalInstant

# Tests that run at the same time must not meet: each process has its own group.
GROUP = f"embedding tests of {os.getpid()}"


class ObedientCore:
    """Reports each word it is told, and fails when told to."""

    def __init__(self) -> None:
        self.told: list[str] = []

    def receive_datagram(self, data: bytes, source: Any, received_at: LocalInstant) -> None:
        pass

    def handle_timer(self, now: LocalInstant) -> None:
        pass

    def next_timer(self) -> LocalInstant | None:
        return None

    def datagrams_to_send(self, now: LocalInstant) -> list[tuple[bytes, Any]]:
        return []

    def next_event(self) -> str | None:
        if self.told[:1] == ["fail"]:
            raise RuntimeError("a fault in the core")
        return self.told.pop(0) if self.told else None

    def note_resumed(self, now: LocalInstant) -> None:
        raise AssertionError("nobody sleeps here")


def endpoint(interface: str = "127.0.0.1", on_event: Any = None) -> Endpoint[ObedientCore, str]:
    return Endpoint(lambda _: ObedientCore(), group=GROUP, interface=interface, on_event=on_event)


def thread(interface: str = "127.0.0.1", on_event: Any = None) -> EndpointThread[ObedientCore, str]:
    return EndpointThread(lambda _: ObedientCore(), group=GROUP, interface=interface, on_event=on_event)


class PaperMachine:
    """Has a clock that stands at seven, chance that is always five, and sockets that hear nothing."""

    def __init__(self) -> None:
        self.opened: list[Any] = []

    def clock(self) -> LocalClock:
        return LocalClock(lambda: 7)

    def entropy(self) -> Any:
        return SimpleNamespace(getrandbits=lambda _: 5)

    def waker(self, clock: LocalClock, settings: WakingSettings) -> LoopWaker:
        return LoopWaker(clock, settings)

    def kept_file(self, group: str, name: str) -> KeptFile:
        raise FileError("runtime folder", f"{group}/{name}", "made of paper")

    def open_sockets(
        self, group: str, *, port: int, interface: str | None, own_port: int, dscp: int, ip_version: int | None
    ) -> BoundSockets:
        self.opened.append((group, port, interface, own_port, dscp))
        raise NetworkError("made of paper")


@pytest.mark.parametrize("make", [FollowerEndpoint, LeaderEndpoint])
async def test_an_endpoint_stands_on_the_machine_in_whose_context_it_was_made(make: Any) -> None:
    machine = PaperMachine()
    context = copy_context()
    context.run(MACHINE.set, machine)
    settings = {FollowerEndpoint: FollowerSettings, LeaderEndpoint: LeaderSettings}[make]("jetty")
    node = context.run(make, settings, group=GROUP, port=6000, own_port=6001)
    assert node.clock() == 7
    with pytest.raises(NetworkError, match="made of paper"):
        await node.__aenter__()
    assert machine.opened == [(GROUP, 6000, None, 6001, 46)]
    # Others stand where they stood.
    assert make(settings, group=GROUP).clock() != 7


async def test_events_come_in_order_and_end_with_the_block() -> None:
    async with endpoint() as node:
        node.core.told += ["first", "second"]
        node.pump()
    assert [event async for event in node.events()] == ["first", "second"]


async def test_an_event_wakes_whoever_waits_for_it() -> None:
    async with endpoint() as node:
        node.core.told.append("early")
        node.pump()
        events = node.events()
        assert await anext(events) == "early"
        node.core.told.append("late")
        node.pump()
        assert await anext(events) == "late"


def fail(node: Any) -> None:
    node.tell(lambda core, _: core.told.append("fail"))


WORDS = "has failed: RuntimeError: a fault in the core"


async def test_a_failed_node_says_so_at_once_and_at_every_later_call(caplog: pytest.LogCaptureFixture) -> None:
    told: list[Any] = []
    node = await endpoint(on_event=told.append).__aenter__()
    fail(node)
    assert not node.is_running
    assert [type(event) for event in told] == [NodeFailed]
    assert told[0].reason == "RuntimeError: a fault in the core"
    (record,) = caplog.records
    assert "has failed and is silent" in record.getMessage()
    assert record.exc_info is not None
    for call in (node.now, node.pump, lambda: node.ask(lambda *_: None), lambda: node.tell(lambda *_: None)):
        with pytest.raises(NotRunningError, match=WORDS) as caught:
            call()
        assert isinstance(caught.value.__cause__, RuntimeError)
    events = node.events()
    assert await anext(events) == told[0]
    with pytest.raises(NotRunningError, match=WORDS):
        await anext(events)
    with pytest.raises(NotRunningError, match=WORDS):
        await node.__aexit__(None, None, None)


async def test_a_fault_in_the_node_does_not_hide_what_ended_the_block() -> None:
    node = await endpoint().__aenter__()
    fail(node)
    await node.__aexit__(ZeroDivisionError, ZeroDivisionError(), None)


async def test_what_on_event_raises_is_logged_and_the_node_goes_on(caplog: pytest.LogCaptureFixture) -> None:
    told: list[str] = []

    def stumble(event: str) -> None:
        told.append(event)
        raise ValueError(f"no idea what {event} is")

    async with endpoint(on_event=stumble) as node:
        for word in ("first", "second"):
            node.core.told.append(word)
            node.pump()
        assert node.is_running
    assert told == ["first", "second"]
    assert [str(record.exc_info[1]) for record in caplog.records if record.exc_info] == [
        "no idea what first is",
        "no idea what second is",
    ]


async def test_a_call_before_entering_and_after_leaving_says_so() -> None:
    node = endpoint()
    for state in ("has not been entered yet", "has been left"):
        for call in (node.now, node.pump, lambda: node.tell(lambda *_: None)):
            with pytest.raises(NotRunningError, match=state):
                call()
        assert not node.is_running
        if state == "has not been entered yet":
            with pytest.raises(NotRunningError, match=state):
                await anext(node.events())
            async with node:
                with pytest.raises(NotRunningError, match="entered once"):
                    await node.__aenter__()
    with pytest.raises(NotRunningError, match="has been left"):
        await node.__aenter__()


async def test_an_endpoint_that_cannot_be_opened_raises_a_network_error() -> None:
    with pytest.raises(NetworkError, match="no-such-card"):
        async with endpoint("no-such-card"):
            pass


def test_a_thread_answers_and_obeys_from_outside() -> None:
    heard, arrived = [], threading.Event()

    def on_event(event: str) -> None:
        heard.append((event, threading.current_thread() is threading.main_thread()))
        arrived.set()

    with thread(on_event=on_event) as node:
        node.tell(lambda core, _: core.told.append("play"))
        assert arrived.wait(5)
        assert node.ask(lambda core, _: core.told) == []
        assert next(node.events()) == "play"
    assert heard == [("play", False)]
    assert list(node.events()) == []


def test_a_failed_thread_says_so_at_once_and_at_every_later_call() -> None:
    told: Queue[Any] = Queue()
    node = thread(on_event=told.put).__enter__()
    fail(node)
    assert isinstance(told.get(timeout=5), NodeFailed)
    assert not node.is_running
    for call in (node.now, node.pump, lambda: node.ask(lambda *_: None), lambda: node.tell(lambda *_: None)):
        with pytest.raises(NotRunningError, match=WORDS):
            call()
    events = node.events()
    assert isinstance(next(events), NodeFailed)
    with pytest.raises(NotRunningError, match=WORDS):
        next(events)
    with pytest.raises(NotRunningError, match=WORDS):
        node.__exit__(None, None, None)


def test_a_call_to_a_thread_before_entering_and_after_leaving_says_so() -> None:
    node = thread()
    for state in ("has not been entered yet", "has been left"):
        with pytest.raises(NotRunningError, match=state):
            node.now()
        if state == "has not been entered yet":
            with node:
                assert node.now() <= node.now()
    with pytest.raises(NotRunningError, match="has been left"):
        node.__enter__()


def test_what_keeps_a_thread_from_starting_is_raised_where_it_was_started() -> None:
    with pytest.raises(NetworkError, match="no-such-card"), thread("no-such-card"):
        pass


async def test_the_blocking_form_inside_a_running_loop_names_the_awaitable_one() -> None:
    with pytest.raises(NotRunningError, match=r"use `async with Endpoint"), thread():
        pass


def signatures(kind: type) -> dict[str, Any]:
    named = {name: getattr(kind, name) for name in dir(kind) if not name.startswith("_")}
    return {name: signature(what) if callable(what) else what for name, what in named.items()} | {
        "__init__": signature(kind)
    }


@pytest.mark.parametrize(
    ("awaited", "blocking"), [(FollowerEndpoint, FollowerThread), (LeaderEndpoint, LeaderThread)]
)
def test_endpoint_and_thread_are_one_interface(awaited: type, blocking: type) -> None:
    one, other = signatures(awaited), signatures(blocking)
    # Iterators of the same things; what waits for them differs.
    for iterated in {"events", "frames"} & set(one):
        assert str(one.pop(iterated)).replace("AsyncIterator", "Iterator") == str(other.pop(iterated))
    assert one.pop("until") == other.pop("wait_until")
    assert one == other


def test_the_one_interface_has_every_order_and_every_question() -> None:
    orders = {"roll", "pause", "resume", "seek", "go_dark", "stop", "take_back", "withdraw", "resume_line"}
    orders |= {"set_off_at", "report_media", "schedule"}
    assert orders <= signatures(LeaderThread).keys()
    questions = {"now", "shown", "frame_now", "snapshot", "journal", "is_running", "counts", "ask_leader"}
    assert questions <= signatures(FollowerThread).keys()
