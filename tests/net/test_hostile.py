"""Well-formed datagrams of somebody who means harm, over real sockets: an unkeyed group on one host and one clock."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager

import pytest

from leadlight.cue import FrameRate
from leadlight.follower.settings import FollowerSettings
from leadlight.leader.settings import LeaderSettings
from leadlight.net.endpoint import FollowerEndpoint, LeaderEndpoint
from leadlight.net.sockets import GroupSockets
from leadlight.playback.content import StoredShow
from leadlight.terms import ClockState
from leadlight.units import HOUR, MILLISECOND, LeaderInstant
from leadlight.wire import U32
from leadlight.wire.codec import Codec
from leadlight.wire.messages import Beacon

INTERFACE = "127.0.0.1"
TIDEFALL = StoredShow("Tidefall", FrameRate(40), frame_count=7680)
PATIENCE_SECONDS = 10
"""For a busy machine; healthy runs need a tenth of it."""

pytestmark = pytest.mark.slow


class Stranger:
    """Somebody on the network, who hears beacons and sends the group what they like."""

    def __init__(self, group: str, sockets: GroupSockets) -> None:
        self._codec = Codec(group)
        self._sockets = sockets

    async def next_beacon(self, tenure: int | None) -> Beacon:
        """Wait for the next beacon of a tenure."""
        loop = asyncio.get_running_loop()
        while True:
            data = await asyncio.wait_for(loop.sock_recv(self._sockets.shared, 2048), PATIENCE_SECONDS)
            message = self._codec.decode(data)
            if isinstance(message, Beacon) and message.tenure == tenure:
                return message

    def send(self, beacon: Beacon) -> None:
        self._sockets.own.sendto(self._codec.encode(beacon), self._sockets.group_destination)


class Garden:
    """A leader whose show is on, a follower that is locked to it, and a stranger."""

    def __init__(self, boathouse: LeaderEndpoint, jetty: FollowerEndpoint, stranger: Stranger) -> None:
        self.boathouse = boathouse
        self.jetty = jetty
        self.stranger = stranger

    async def until(self, holds: Callable[[], bool]) -> None:
        async def look() -> None:
            while not holds():
                await asyncio.sleep(0.005)

        await asyncio.wait_for(look(), PATIENCE_SECONDS)

    async def pass_beacons(self, count: int) -> Beacon:
        """Let so many of the leader's beacons go out; return the last."""
        for _ in range(count):
            beacon = await self.stranger.next_beacon(self.boathouse.leader.tenure)
        return beacon

    def is_well(self) -> bool:
        """Whether the follower is locked to the leader, and its picture is where the leader has it."""
        now = self.jetty.clock()
        follower = self.jetty.follower
        position = follower.position_at(now)
        due = self.boathouse.leader.cue.position_at(LeaderInstant(now))
        return (
            follower.clock.state is ClockState.LOCKED
            and follower.tenure == self.boathouse.leader.tenure
            and follower.cue == self.boathouse.leader.cue
            and position is not None
            and abs(position - due) < 5 * MILLISECOND
        )


@asynccontextmanager
async def garden(group: str, port: int) -> AsyncIterator[Garden]:
    where = {"group": group, "port": port, "interface": INTERFACE}
    settings = LeaderSettings("boathouse", lead_time_ns=0, interval_ns=50 * MILLISECOND, listen_intervals=0)
    async with (
        LeaderEndpoint(settings, **where) as boathouse,  # type: ignore[arg-type]
        FollowerEndpoint(FollowerSettings("jetty"), shows=[TIDEFALL], **where) as jetty,  # type: ignore[arg-type]
    ):
        with GroupSockets(group, port=port, interface=INTERFACE) as sockets:
            made = Garden(boathouse, jetty, Stranger(group, sockets))
            boathouse.roll(TIDEFALL.key)
            await made.until(made.is_well)
            yield made


@pytest.mark.parametrize("ahead_ns", [600_000 * MILLISECOND, HOUR])
async def test_a_beacon_from_the_future_moves_nothing_over_real_sockets(group: str, port: int, ahead_ns: int) -> None:
    async with garden(group, port) as made:
        for _ in range(3):
            last = await made.pass_beacons(1)
            made.stranger.send(
                last._replace(serial=last.serial + 9, sent_at=LeaderInstant(last.sent_at + ahead_ns))
            )
        await made.until(lambda: made.jetty.follower.counters["implausible"] == 3)
        assert made.is_well()
        await made.pass_beacons(10)
        assert made.is_well()


async def test_nobody_is_deafened_by_a_serial_far_ahead_or_a_tenure_that_is_none_over_real_sockets(
    group: str, port: int
) -> None:
    async with garden(group, port) as made:
        last = await made.pass_beacons(1)
        made.stranger.send(last._replace(serial=(last.serial + (1 << 31) - 1) & U32))
        await made.until(lambda: made.jetty.follower.counters["implausible"] == 1)
        last = await made.pass_beacons(1)
        made.stranger.send(last._replace(serial=(last.serial + 60) & U32))
        await made.pass_beacons(10)
        await made.until(made.is_well)
        last = await made.pass_beacons(1)
        made.stranger.send(last._replace(tenure=99, timebase=98, serial=5))
        await made.until(lambda: made.jetty.follower.tenure == 99)
        await made.pass_beacons(10)
        await made.until(made.is_well)
        made.stranger.send(last._replace(tenure=99, timebase=98, serial=6))
        await made.pass_beacons(3)
        assert made.is_well()
