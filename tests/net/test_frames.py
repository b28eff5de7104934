"""A player's loop on real sockets and real timers, in both forms and by both kinds of timer."""

from __future__ import annotations

import asyncio
import threading
import time
from collections.abc import Iterator
from typing import Any

import pytest

from leadlight.cue import START, Cue, FrameRate, ShowLine
from leadlight.errors import NotRunningError
from leadlight.follower import DueFrame, FollowerSettings
from leadlight.leader import LeaderSettings
from leadlight.net import FollowerEndpoint, FollowerThread, LeaderThread, machine
from leadlight.net.timers import ThreadTimer
from leadlight.net.waking import LoopWaker
from leadlight.playback import StoredShow
from leadlight.terms import CueState
from leadlight.units import MILLISECOND, SECOND, LeaderInstant, LocalInstant, ShowPosition

pytestmark = pytest.mark.slow

TIDEFALL = StoredShow("tidefall", FrameRate(40), 40 * 3600)
INTERFACE = "127.0.0.1"
SLACK_S = 0.5
"""How late anything may be here: test machines are busy. What it is worth is measured in tests/bench."""
LIMIT_S = 30


class Boathouse:
    """A leader on loopback."""

    def __init__(self, place: dict[str, Any]) -> None:
        settings = LeaderSettings("boathouse", interval_ns=50 * MILLISECOND, lead_time_ns=15 * SECOND)
        self.node = LeaderThread(settings, shows=[TIDEFALL], **place)

    def roll(self, in_s: float, position: ShowPosition = START) -> LocalInstant:
        """Let the show begin in so many seconds; return when, on the clock that all of this host share."""
        at = LocalInstant(self.node.now() + round(in_s * SECOND))
        self.node.schedule(Cue(TIDEFALL.key, CueState.ROLLING, ShowLine(LeaderInstant(at), position)))
        return at

    def await_leading(self) -> None:
        while not self.node.is_leading:
            time.sleep(0.02)


@pytest.fixture
def place(group: str, port: int) -> dict[str, Any]:
    return {"group": group, "port": port, "interface": INTERFACE}


@pytest.fixture
def boathouse(place: dict[str, Any]) -> Iterator[Boathouse]:
    made = Boathouse(place)
    with made.node:
        made.await_leading()
        yield made


@pytest.fixture(params=["timer descriptor", "timer of a thread"])
def timer(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> None:
    if request.param == "timer of a thread":
        monkeypatch.setattr(machine, "LoopWaker", lambda clock, settings: LoopWaker(clock, settings, ThreadTimer))


def evening(boathouse: Boathouse) -> Iterator[tuple[str, LocalInstant]]:
    """Give orders, one after another, each once what it says has been shown; yield its name and when it was due."""
    boathouse.roll(16)
    time.sleep(0.3)
    yield "brought forward", boathouse.roll(2)
    yield "sought", boathouse.roll(1, ShowPosition(1000 * SECOND))
    boathouse.node.stop()
    yield "stopped", LocalInstant(boathouse.node.now() + SECOND)


def is_of(order: str, due: DueFrame) -> bool:
    if order == "stopped":
        return due.frame is None
    return due.frame is not None and (due.frame >= 40_000) == (order == "sought")


class Seen:
    """What a player has seen of an evening; it gives each order when the one before was seen."""

    def __init__(self, boathouse: Boathouse, node: FollowerEndpoint | FollowerThread) -> None:
        self.late_s: dict[str, float] = {}
        self.news: dict[str, bool] = {}
        self._orders = evening(boathouse)
        self._clock = node.clock
        self._order: tuple[str, LocalInstant] | None = next(self._orders)

    def take(self, due: DueFrame) -> bool:
        """Return whether that was all."""
        assert self._order is not None
        name, at = self._order
        if is_of(name, due):
            self.late_s[name] = (self._clock() - at) / SECOND
            self.news[name] = due.is_news
            self._order = next(self._orders, None)
        return self._order is None

    def check(self) -> None:
        assert list(self.late_s) == ["brought forward", "sought", "stopped"]
        assert all(self.news.values())
        for name, late_s in self.late_s.items():
            # Without a key a cue comes 2 s after the last at the soonest: anybody could have sent it.
            allowed_s = SLACK_S + (2 if name == "sought" else 0)
            assert -0.2 < late_s < allowed_s, name


async def _await_lock(node: FollowerEndpoint) -> None:
    while node.snapshot().offset_ns is None:
        await asyncio.sleep(0.02)


@pytest.mark.thorough_except(timer="timer descriptor")
@pytest.mark.usefixtures("timer")
async def test_in_a_loop_news_comes_at_once_and_frames_at_their_instants(
    place: dict[str, Any], boathouse: Boathouse
) -> None:
    async def play() -> None:
        async with FollowerEndpoint(FollowerSettings("jetty"), shows=[TIDEFALL], **place) as node:
            await _await_lock(node)
            seen = Seen(boathouse, node)
            async for due in node.frames():
                if seen.take(due):
                    break
            seen.check()
            snapshot = node.snapshot()
            assert snapshot.frames_late_p95_ns is not None
            assert snapshot.frames_late_p95_ns >= 0

    await asyncio.wait_for(play(), LIMIT_S)


@pytest.mark.thorough
def test_in_a_thread_news_comes_at_once_and_frames_at_their_instants(
    place: dict[str, Any], boathouse: Boathouse
) -> None:
    with FollowerThread(FollowerSettings("jetty"), shows=[TIDEFALL], **place) as node:
        while node.snapshot().offset_ns is None:
            time.sleep(0.02)
        seen = Seen(boathouse, node)
        for due in node.frames():
            if seen.take(due):
                break
        seen.check()


def test_a_player_in_a_thread_ends_with_the_block(place: dict[str, Any]) -> None:
    handed: list[DueFrame] = []
    has_begun = threading.Event()

    def play() -> None:
        for due in node.frames():
            handed.append(due)
            has_begun.set()

    with FollowerThread(FollowerSettings("jetty"), shows=[TIDEFALL], **place) as node:
        player = threading.Thread(target=play)
        player.start()
        at = LocalInstant(node.now() + 20 * MILLISECOND)
        node.wait_until(at)
        assert node.now() >= at
        assert has_begun.wait(LIMIT_S)
    player.join(LIMIT_S)
    assert not player.is_alive()
    assert [due.frame for due in handed] == [None]  # dark, and then the end
    with pytest.raises(NotRunningError):
        node.wait_until(at)


async def test_a_player_in_a_loop_ends_with_the_block(place: dict[str, Any]) -> None:
    handed: list[DueFrame] = []
    has_begun = asyncio.Event()

    async def play(node: FollowerEndpoint) -> None:
        async for due in node.frames():
            handed.append(due)
            has_begun.set()

    async with FollowerEndpoint(FollowerSettings("jetty"), shows=[TIDEFALL], **place) as node:
        player = asyncio.create_task(play(node))
        at = LocalInstant(node.now() + 20 * MILLISECOND)
        await node.until(at)
        assert node.now() >= at
        await asyncio.wait_for(has_begun.wait(), LIMIT_S)
    await asyncio.wait_for(player, LIMIT_S)
    assert [due.frame for due in handed] == [None]
    with pytest.raises(NotRunningError):
        await node.until(at)
