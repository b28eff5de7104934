"""A leader and its followers over real sockets on one host, all on one clock, so that every offset is truly zero."""

from __future__ import annotations

import asyncio
import subprocess
import sys
from collections.abc import Iterator
from typing import Any, TypeVar

import pytest

from leadlight.cue import FrameRate
from leadlight.events import CueAdopted, FollowerJoined, LeaderFound, LeaderLost, LeaderRestarted, LockAcquired
from leadlight.follower.settings import FollowerSettings
from leadlight.leader.settings import LeaderSettings
from leadlight.net.endpoint import Endpoint, FollowerEndpoint, LeaderEndpoint
from leadlight.net.thread import FollowerThread
from leadlight.playback.content import StoredShow
from leadlight.terms import ClockState, CueState
from leadlight.units import MILLISECOND, SECOND
from leadlight.wire.tags import KeyRing

INTERFACE = "127.0.0.1"
TIDEFALL = StoredShow("Tidefall", FrameRate(40), frame_count=7680)
LISTEN_INTERVALS = 3
PATIENCE_SECONDS = 10
"""For a busy machine; healthy runs need a tenth of it."""

pytestmark = pytest.mark.slow

Wanted = TypeVar("Wanted")


def leader(group: str, port: int, keys: KeyRing | None = None, interval_ns: int = 50 * MILLISECOND) -> LeaderEndpoint:
    return LeaderEndpoint(
        LeaderSettings("boathouse", lead_time_ns=200 * MILLISECOND, interval_ns=interval_ns, listen_intervals=0),
        group=group,
        port=port,
        interface=INTERFACE,
        keys=keys,
    )


def follower(name: str, group: str, port: int, keys: KeyRing | None = None) -> FollowerEndpoint:
    return FollowerEndpoint(
        FollowerSettings(name), group=group, port=port, interface=INTERFACE, keys=keys, shows=[TIDEFALL]
    )


async def wait_for(node: Endpoint[Any, Any], wanted: type[Wanted]) -> Wanted:
    async def search() -> Wanted:
        async for event in node.events():
            if isinstance(event, wanted):
                return event
        raise AssertionError(f"the node ended without {wanted.__name__}")

    return await asyncio.wait_for(search(), PATIENCE_SECONDS)


async def test_two_followers_lock_and_a_cue_starts_on_both(group: str, port: int) -> None:
    async with (
        leader(group, port) as boathouse,
        follower("jetty", group, port) as jetty,
        follower("willow", group, port) as willow,
    ):
        pieces = (jetty, willow)
        for piece in pieces:
            await wait_for(piece, LockAcquired)
        cue = boathouse.roll(TIDEFALL.key)
        for piece in pieces:
            assert (await wait_for(piece, CueAdopted)).cue == cue
        now = boathouse.clock()
        for piece in pieces:
            snapshot = piece.follower.snapshot(now)
            assert snapshot.clock is ClockState.LOCKED
            assert snapshot.offset_ns is not None
            assert snapshot.bounds.causality_ns is not None
            assert abs(snapshot.offset_ns) <= snapshot.bounds.causality_ns
            position = piece.follower.position_at(now)
            assert position is not None
            # Inside the recovery's dead band nothing is corrected at once.
            dead_band_ns = 500_000
            error_ns = abs(position - cue.line.position_at(now))  # type: ignore[arg-type]
            assert error_ns <= dead_band_ns + snapshot.bounds.causality_ns
        assert {entry.follower for entry in boathouse.leader.roster} == {piece.follower.identity for piece in pieces}


async def test_a_stop_does_not_wait_for_the_next_beacon(group: str, port: int) -> None:
    async with (
        follower("jetty", group, port) as jetty,  # first, so that it hears the first of the rare beacons
        leader(group, port, interval_ns=5 * SECOND) as boathouse,
    ):
        await wait_for(jetty, LeaderFound)
        ordered_at = jetty.clock()
        boathouse.stop()
        adopted = await wait_for(jetty, CueAdopted)
        assert adopted.cue.state is CueState.STOPPED
        assert 0 < adopted.at - ordered_at < SECOND


async def test_a_member_without_the_key_is_neither_followed_nor_heard(group: str, port: int) -> None:
    ours, theirs = KeyRing({1: b"o" * 16}), KeyRing({1: b"t" * 16})
    async with (
        leader(group, port, keys=ours) as boathouse,
        follower("stranger", group, port, theirs) as stranger,
        follower("jetty", group, port, ours) as jetty,
    ):
        assert (await wait_for(boathouse, FollowerJoined)).follower == jetty.follower.identity
        await wait_for(jetty, LockAcquired)
        assert stranger.counts.received > 0
        assert stranger.follower.snapshot(stranger.clock()).leader is None
        assert stranger.follower.counters["bad tag"] == stranger.counts.received


class LeaderProcess:
    """A leader in a process of its own, which can be killed."""

    def __init__(self, group: str, port: int) -> None:
        words = ["lead", "--name", "boathouse", "--group", group, "--port", str(port), "--interface", INTERFACE]
        words += ["--interval", "0.1", "--listen", str(LISTEN_INTERVALS), "--json-lines", "--for", "60"]
        self._process = subprocess.Popen(
            [sys.executable, "-m", "leadlight", *words],
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )

    def kill(self) -> None:
        self._process.kill()
        self._process.wait()


@pytest.fixture
def leader_processes(group: str, port: int) -> Iterator[list[LeaderProcess]]:
    started: list[LeaderProcess] = []
    yield started
    for process in started:
        process.kill()


async def test_a_killed_leader_is_noticed_and_its_successor_is_followed(
    group: str, port: int, leader_processes: list[LeaderProcess]
) -> None:
    async with follower("jetty", group, port) as jetty:
        leader_processes.append(LeaderProcess(group, port))
        found = await wait_for(jetty, LeaderFound)
        await wait_for(jetty, LockAcquired)
        leader_processes[0].kill()
        lost = await wait_for(jetty, LeaderLost)
        assert lost.leader == found.leader
        assert jetty.snapshot().clock is ClockState.HOLDOVER
        leader_processes.append(LeaderProcess(group, port))
        restarted = await wait_for(jetty, LeaderRestarted)
        assert restarted.leader == found.leader
        assert restarted.tenure != found.tenure
        await wait_for(jetty, LockAcquired)


async def test_a_player_with_its_own_loop_reads_frames_from_a_thread(group: str, port: int) -> None:
    locked, rolling = asyncio.Event(), asyncio.Event()
    loop = asyncio.get_running_loop()

    def on_event(event: object) -> None:
        if isinstance(event, LockAcquired):
            loop.call_soon_threadsafe(locked.set)
        elif isinstance(event, CueAdopted):
            loop.call_soon_threadsafe(rolling.set)

    thread = FollowerThread(
        FollowerSettings("jetty"), group=group, port=port, interface=INTERFACE, shows=[TIDEFALL], on_event=on_event
    )
    async with leader(group, port) as boathouse:
        await asyncio.to_thread(thread.__enter__)
        try:
            await asyncio.wait_for(locked.wait(), PATIENCE_SECONDS)
            cue = boathouse.roll(TIDEFALL.key)
            await asyncio.wait_for(rolling.wait(), PATIENCE_SECONDS)
            before = boathouse.clock()
            frame = thread.frame_now()
            after = boathouse.clock()
            assert frame is not None
            earliest, latest = (
                TIDEFALL.frame_rate.frame_at(cue.line.position_at(instant))  # type: ignore[arg-type]
                for instant in (before, after)
            )
            assert earliest - 1 <= frame <= latest + 1
            assert thread.snapshot().clock is ClockState.LOCKED
        finally:
            await asyncio.to_thread(thread.__exit__, None, None, None)


@pytest.mark.parametrize("make", [leader, lambda group, port, keys: follower("pergola", group, port, keys)])
async def test_a_node_without_a_key_says_once_that_anybody_can_lead_it(
    make: Any, group: str, port: int, caplog: pytest.LogCaptureFixture
) -> None:
    for keys, warnings in ((None, 1), (KeyRing({1: b"o" * 16}), 0)):
        caplog.clear()
        async with make(group, port, keys):
            await asyncio.sleep(0.2)  # several beacon intervals
        said = [record.getMessage() for record in caplog.records if "key" in record.getMessage()]
        assert said == [f"group {group!r} has no key: anybody on this network can lead it"] * warnings
