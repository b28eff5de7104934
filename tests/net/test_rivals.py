"""Well-formed beacons of somebody who has no business here, on real sockets: what each does at worst, and how it ends.

All nodes are on one host and one clock. The stranger has no key, and nor has the group.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Iterator
from typing import Any

import pytest

from leadlight import events
from leadlight.cue import Cue, FrameRate, ShowLine, dark_cue
from leadlight.follower.settings import FollowerSettings
from leadlight.leader.settings import LeaderSettings
from leadlight.net.endpoint import Endpoint, FollowerEndpoint, LeaderEndpoint
from leadlight.net.sockets import GroupSockets
from leadlight.playback.content import StoredShow
from leadlight.terms import CueState, Role
from leadlight.units import MILLISECOND, SECOND, LeaderInstant, ShowPosition
from leadlight.wire.codec import Codec
from leadlight.wire.messages import Beacon

Maker = Callable[..., Any]

INTERFACE = "127.0.0.1"
INTERVAL = 50 * MILLISECOND
TIDEFALL = StoredShow("Tidefall", FrameRate(40), frame_count=7680)
PATIENCE_SECONDS = 15
"""For a busy machine; healthy runs need a fifth of it."""

pytestmark = pytest.mark.slow


class Stranger:
    """Sends what it likes to a group, from a socket of its own."""

    def __init__(self, group: str, port: int) -> None:
        self.codec = Codec(group)
        self.sockets = GroupSockets(group, port=port, interface=INTERFACE)

    def send(self, message: Any) -> None:
        self.sockets.own.sendto(self.codec.encode(message), self.sockets.group_destination)


@pytest.fixture
def stranger(group: str, port: int) -> Iterator[Stranger]:
    one = Stranger(group, port)
    yield one
    one.sockets.close()


def leader(group: str, port: int, rank: int = 0) -> LeaderEndpoint:
    settings = LeaderSettings(
        f"boathouse {rank}", rank=rank, interval_ns=INTERVAL, lead_time_ns=200 * MILLISECOND,
        listen_intervals=0 if rank == 0 else 7,
    )  # fmt: skip
    return LeaderEndpoint(settings, group=group, port=port, interface=INTERFACE, shows=[TIDEFALL])


def follower(group: str, port: int) -> FollowerEndpoint:
    return FollowerEndpoint(FollowerSettings("jetty"), group=group, port=port, interface=INTERFACE, shows=[TIDEFALL])


def forged(boathouse: LeaderEndpoint, make_beacon: Maker, **changes: Any) -> Beacon:
    """Return the beacon that the leader would send next, but for what is changed."""
    node = boathouse.leader
    tenure = node._tenure
    assert tenure is not None
    plain: dict[str, Any] = {
        "leader": node.identity, "tenure": node.tenure, "timebase": node.timebase, "serial": tenure._serial + 1,
        "sent_at": LeaderInstant(boathouse.clock()), "interval_ns": INTERVAL, "cue": node.cue,
    }  # fmt: skip
    beacon: Beacon = make_beacon(**(plain | changes))
    return beacon


async def until(condition: Callable[[], bool]) -> None:
    async def look() -> None:
        while not condition():
            await asyncio.sleep(0.01)

    await asyncio.wait_for(look(), PATIENCE_SECONDS)


def told(node: Endpoint[Any, Any]) -> list[type]:
    return [type(event) for event in node._events]


async def rolling(boathouse: LeaderEndpoint, jetty: FollowerEndpoint) -> None:
    boathouse.roll(TIDEFALL.key)
    await until(lambda: jetty.shown().frame is not None and jetty.shown().level == 1.0)


async def test_a_forged_stop_darkens_a_piece_for_a_moment_only(
    group: str, port: int, stranger: Stranger, make_beacon: Maker
) -> None:
    async with leader(group, port) as boathouse, follower(group, port) as jetty:
        await rolling(boathouse, jetty)
        now = LeaderInstant(boathouse.clock())
        stop = Cue(TIDEFALL.key, CueState.STOPPED, ShowLine(now, ShowPosition(0)))
        # Somewhat ahead, since the leader's own next beacon may be on its way.
        stranger.send(forged(boathouse, make_beacon, cue=stop, serial=boathouse.leader._tenure._serial + 3))  # type: ignore[union-attr]
        await until(lambda: jetty.follower.cue.state is CueState.STOPPED)
        await until(lambda: jetty.follower.cue == boathouse.leader.cue and jetty.shown().level == 1.0)


async def test_a_player_that_sleeps_until_its_next_frame_is_put_to_sleep_by_no_forged_cue(
    group: str, port: int, stranger: Stranger, make_beacon: Maker
) -> None:
    """One that asks again when it was told to, and at no other time."""
    lit = asyncio.Event()

    async def play(jetty: FollowerEndpoint) -> None:
        while True:
            shown = jetty.shown()
            if shown.frame is not None:
                lit.set()
            due_at = shown.next_at or jetty.clock() + 20 * MILLISECOND
            await asyncio.sleep(max(0, due_at - jetty.clock()) / SECOND)

    async with leader(group, port) as boathouse, follower(group, port) as jetty:
        await until(lambda: jetty.follower.tenure == boathouse.leader.tenure)
        playing = asyncio.create_task(play(jetty))
        far = Cue(TIDEFALL.key, CueState.ROLLING, ShowLine(LeaderInstant((1 << 62) - 1), ShowPosition(0)))
        for _ in range(3):
            ahead = boathouse.leader._tenure._serial + 2  # type: ignore[union-attr]
            stranger.send(forged(boathouse, make_beacon, next_cue=far, off_at=LeaderInstant(0), serial=ahead))
            await asyncio.sleep(0.03)
        boathouse.roll(TIDEFALL.key)
        await asyncio.wait_for(lit.wait(), PATIENCE_SECONDS)
        playing.cancel()


async def test_a_live_leader_hears_a_ghost_on_real_sockets_and_leads_on(
    group: str, port: int, stranger: Stranger, make_beacon: Maker
) -> None:
    async with (
        leader(group, port) as boathouse,
        leader(group, port, rank=1) as hut,
        follower(group, port) as jetty,
    ):
        await rolling(boathouse, jetty)
        await until(lambda: hut.leader.role is Role.STANDBY)
        ghost = {
            "leader": 1, "tenure": 666, "timebase": 667, "interval_ns": 65_500 * MILLISECOND,
            "cue": dark_cue(LeaderInstant(0)),
        }  # fmt: skip
        tenure = boathouse.leader.tenure
        for serial in range(3):
            stranger.send(forged(boathouse, make_beacon, serial=serial, **ghost))
            await until(lambda: boathouse.leader.counters["other leader"] > serial)  # noqa: B023 - awaited at once
            await asyncio.sleep(0.1)
        assert (boathouse.leader.role, hut.leader.role) == (Role.LEADING, Role.STANDBY)
        assert boathouse.leader.tenure == jetty.follower.tenure == tenure
        assert jetty.shown().frame is not None
        assert events.LeaderChanged not in told(jetty)


async def test_a_flood_over_real_sockets_leaves_a_follower_its_answers_and_its_place(
    group: str, port: int, stranger: Stranger, make_sounding: Maker
) -> None:
    async with leader(group, port) as boathouse, follower(group, port) as jetty:
        await rolling(boathouse, jetty)
        await until(lambda: any(entry.tally is not None for entry in boathouse.leader.roster))
        to: Any = jetty.follower._address
        answered_at = jetty.follower.answered_at
        for number in range(1_500):
            question = make_sounding(follower=1_000 + number, nonce=number)
            stranger.sockets.own.sendto(stranger.codec.encode(question), to)
            if number % 50 == 49:
                await asyncio.sleep(0.05)
        assert answered_at is not None
        flooded_at = jetty.follower.answered_at
        assert flooded_at is not None
        assert flooded_at > answered_at
        await until(lambda: (jetty.follower.answered_at or 0) > flooded_at)
        assert boathouse.leader.counters["echo limited"] > 0
        assert boathouse.leader.roster.find(jetty.follower.identity) is not None
        assert len(boathouse.leader.roster) <= 258
