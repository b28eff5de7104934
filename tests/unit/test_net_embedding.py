# ruff: noqa: ARG002 - the fake has the signatures of what it stands for
from __future__ import annotations

import os
import threading
from contextvars import copy_context
from types import SimpleNamespace
from typing import Any

import pytest

from leadlight.errors import NetworkError
from leadlight.follower.settings import FollowerSettings
from leadlight.leader.settings import LeaderSettings
from leadlight.net.clock import LocalClock
from leadlight.net.endpoint import Endpoint, FollowerEndpoint, LeaderEndpoint
from leadlight.net.machine import MACHINE, BoundSockets
from leadlight.net.thread import EndpointThread
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


def endpoint(guard: Any = None, interface: str = "127.0.0.1") -> Endpoint[ObedientCore, str]:
    return Endpoint(lambda _: ObedientCore(), group=GROUP, interface=interface, guard=guard)


class PaperMachine:
    """Has a clock that stands at seven, chance that is always five, and sockets that hear nothing."""

    def __init__(self) -> None:
        self.opened: list[Any] = []

    def clock(self) -> LocalClock:
        return LocalClock(lambda: 7)

    def entropy(self) -> Any:
        return SimpleNamespace(getrandbits=lambda _: 5)

    def open_sockets(self, group: str, *, port: int, interface: str | None, own_port: int) -> BoundSockets:
        self.opened.append((group, port, interface, own_port))
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
    assert machine.opened == [(GROUP, 6000, None, 6001)]
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


async def test_a_fault_in_the_node_is_raised_to_the_reader_and_when_the_block_ends() -> None:
    node = await endpoint().__aenter__()
    node.core.told.append("fail")
    with pytest.raises(RuntimeError, match="a fault in the core"):
        await anext(node.events())
    with pytest.raises(RuntimeError, match="a fault in the core"):
        await node.__aexit__(None, None, None)


async def test_a_fault_in_the_node_does_not_hide_what_ended_the_block() -> None:
    node = await endpoint().__aenter__()
    node.core.told.append("fail")
    with pytest.raises(RuntimeError, match="a fault in the core"):
        await anext(node.events())
    await node.__aexit__(ZeroDivisionError, ZeroDivisionError(), None)


async def test_an_endpoint_that_cannot_be_opened_raises_a_network_error() -> None:
    with pytest.raises(NetworkError, match="no-such-card"):
        async with endpoint(interface="no-such-card"):
            pass


def test_a_thread_answers_and_obeys_from_outside() -> None:
    heard, arrived = [], threading.Event()

    def on_event(event: str) -> None:
        heard.append((event, threading.current_thread() is threading.main_thread()))
        arrived.set()

    with EndpointThread(endpoint, on_event) as node:
        node.tell(lambda running: running.core.told.append("play"))
        assert arrived.wait(5)
        assert node.ask(lambda running: running.core.told) == []
    assert heard == [("play", False)]


def test_a_fault_in_the_thread_is_raised_when_the_block_ends_and_answers_go_on() -> None:
    failed = threading.Event()

    class Failing(ObedientCore):
        def next_event(self) -> str | None:
            try:
                return super().next_event()
            except RuntimeError:
                failed.set()
                raise

    def make_endpoint(guard: Any) -> Endpoint[ObedientCore, str]:
        return Endpoint(lambda _: Failing(), group=GROUP, interface="127.0.0.1", guard=guard)

    node = EndpointThread(make_endpoint).__enter__()
    node.tell(lambda running: running.core.told.append("fail"))
    assert failed.wait(5)
    assert node.ask(lambda running: running.core.told) == ["fail"]
    with pytest.raises(RuntimeError, match="a fault in the core"):
        node.__exit__(None, None, None)


def test_what_keeps_a_thread_from_starting_is_raised_where_it_was_started() -> None:
    with (
        pytest.raises(NetworkError, match="no-such-card"),
        EndpointThread(lambda guard: endpoint(guard, "no-such-card")),
    ):
        pass


async def test_the_blocking_form_inside_a_running_loop_names_the_awaitable_one() -> None:
    with pytest.raises(RuntimeError, match=r"use `async with Endpoint"), EndpointThread(endpoint):
        pass
