"""A player's loop on virtual time: every frame once and at its instant, and news at once."""

from __future__ import annotations

import asyncio
import tracemalloc
from collections.abc import Awaitable, Callable

import pytest

from leadlight import Cue, FollowerSettings, FrameRate, LeaderSettings, ShowLine, StoredShow
from leadlight.cue import START
from leadlight.errors import ConfigurationError
from leadlight.follower import DueFrame, Snapshot
from leadlight.net import FollowerEndpoint, LeaderEndpoint
from leadlight.terms import ClockState, CueState
from leadlight.units import MICROSECOND, MILLISECOND, SECOND, LeaderInstant, LocalInstant, ShowPosition
from leadlight.wire import KeyRing
from leadlight_sim.testing import VirtualNetwork

RATE = FrameRate(40)
TIDEFALL = StoredShow("tidefall", RATE, 7680)
SHORT = StoredShow("short", RATE, 80)
EVENING = StoredShow("evening", RATE, 90_000 * 40)
SHOWS = [TIDEFALL, SHORT, EVENING]
KEYS = KeyRing({1: bytes(32)})
GROUP = "quarry lake"
LISTENED_S = 5
"""By then the leader leads, and the piece follows it."""
CLOCK_S = 0.002
"""How well a clock is known on a quiet network in its first minute, with a margin of four."""


class Lake:
    """A leader that does as a test says and a piece with README's player, which keeps what it was handed and when."""

    def __init__(
        self,
        lead: Callable[[Lake, LeaderEndpoint], Awaitable[None]],
        kind: str = "exact",
        play: Callable[[FollowerEndpoint], Awaitable[None]] | None = None,
    ) -> None:
        self.network = VirtualNetwork(preset="idle", seed=3)
        self.handed: list[tuple[float, DueFrame]] = []
        self.told: list[float] = []
        """When the leader gave its orders."""
        self.rests: dict[int, float] = {}
        """By frame, how long the player takes over it, in s."""
        self.snapshot: Snapshot | None = None
        self._lead = lead
        self._player = play or self._note
        self.network.host("boathouse", kind="exact").start(self._boathouse())
        self.network.host("jetty", kind=kind).start(self._play())

    async def _boathouse(self) -> None:
        settings = LeaderSettings("boathouse", lead_time_ns=15 * SECOND)
        async with LeaderEndpoint(settings, group=GROUP, keys=KEYS, shows=SHOWS) as node:
            await asyncio.sleep(LISTENED_S)
            await self._lead(self, node)
            await asyncio.sleep(1_000_000)

    async def _play(self) -> None:
        async with FollowerEndpoint(FollowerSettings("jetty"), group=GROUP, keys=KEYS, shows=SHOWS) as node:
            await self._player(node)

    async def _note(self, node: FollowerEndpoint) -> None:
        async for due in node.frames():
            self.handed.append((self.network.now_s, due))
            self.snapshot = node.snapshot()
            await asyncio.sleep(self.rests.get(due.frame or 0, 0.0))

    def run_for(self, seconds: float) -> Lake:
        with self.network:
            self.network.run_for(seconds)
        return self

    def order(self, node: LeaderEndpoint, show: StoredShow, in_s: float, position: ShowPosition = START) -> None:
        """Let a show begin in so many seconds."""
        self.told.append(self.network.now_s)
        at = LeaderInstant(node.now() + round(in_s * SECOND))
        node.schedule(Cue(show.key, CueState.ROLLING, ShowLine(at, position)))

    @property
    def frames(self) -> list[int]:
        return [due.frame for _, due in self.handed if due.frame is not None]

    def at(self, frame: int) -> tuple[float, DueFrame]:
        return next((at, due) for at, due in self.handed if due.frame == frame)


async def roll(lake: Lake, node: LeaderEndpoint) -> None:
    lake.order(node, TIDEFALL, 3)


def test_every_frame_is_handed_over_once_and_at_its_instant() -> None:
    lake = Lake(roll).run_for(30)
    assert lake.frames == list(range(len(lake.frames)))
    assert len(lake.frames) > 20 * 40
    for at, due in lake.handed:
        if due.frame is not None:
            assert at == pytest.approx(lake.told[0] + 3 + due.frame / 40, abs=CLOCK_S)
            assert (due.is_news, due.skipped) == (due.frame == 0, 0)
    assert lake.snapshot is not None
    assert lake.snapshot.frame_shown == lake.frames[-1]  # noted without being asked for
    assert lake.snapshot.late_frames == 0


def test_lateness_of_the_host_is_told_in_the_snapshot() -> None:
    lake = Lake(roll, kind="small-board").run_for(30)
    assert lake.snapshot is not None
    assert lake.snapshot.frames_late_p95_ns is not None
    # By kind alone a host has the older timer: an exponential of mean 0.5 ms, whose p95 is 1.5 ms; of 100 frames it is
    # known to a fifth or so.
    assert 0.7 * MILLISECOND < lake.snapshot.frames_late_p95_ns < 3 * MILLISECOND
    exact = Lake(roll).run_for(30).snapshot
    assert exact is not None
    assert exact.frames_late_p95_ns is not None
    assert exact.frames_late_p95_ns < MICROSECOND


def test_a_cue_that_is_brought_forward_by_thirteen_seconds_starts_on_time() -> None:
    async def lead(lake: Lake, node: LeaderEndpoint) -> None:
        lake.order(node, TIDEFALL, 17)
        await asyncio.sleep(2.5)  # by now it is announced, and the player sleeps until it begins
        lake.order(node, TIDEFALL, 1.5)

    lake = Lake(lead).run_for(15)
    begun_at, due = lake.at(0)
    assert begun_at == pytest.approx(lake.told[1] + 1.5, abs=CLOCK_S)
    assert due.is_news
    assert lake.told[0] + 17 - begun_at == pytest.approx(13, abs=0.01)


def test_a_seek_and_a_stop_come_at_once_as_news() -> None:
    async def lead(lake: Lake, node: LeaderEndpoint) -> None:
        lake.order(node, TIDEFALL, 3)
        await asyncio.sleep(6)
        lake.order(node, TIDEFALL, 2, ShowPosition(100 * SECOND))
        await asyncio.sleep(5)
        lake.told.append(lake.network.now_s)
        node.stop()

    lake = Lake(lead).run_for(25)
    sought_at, due = lake.at(4000)
    assert sought_at == pytest.approx(lake.told[1] + 2, abs=CLOCK_S)
    assert (due.is_news, due.skipped) == (True, 0)
    # A stop fades within a second, in steps of a frame, and then it is dark.
    at, last = lake.handed[-1]
    assert (last.frame, last.level, last.is_news) == (None, 0.0, True)
    assert at == pytest.approx(lake.told[2] + 1, abs=0.1)
    fading = [due.level for at, due in lake.handed if at > lake.told[2] + 0.1]
    assert fading == sorted(fading, reverse=True)


def test_a_player_that_was_busy_gets_the_newest_frame_and_is_told_how_many_it_missed() -> None:
    lake = Lake(roll)
    lake.rests[100] = 0.31
    lake.run_for(20)
    _, after = lake.at(112)
    assert (after.skipped, after.is_news) == (11, False)
    assert lake.frames == [*range(101), *range(112, lake.frames[-1] + 1)]


def test_what_is_handed_over_is_what_is_due_then_however_long_the_player_took() -> None:
    async def lead(lake: Lake, node: LeaderEndpoint) -> None:
        lake.order(node, TIDEFALL, 17)
        await asyncio.sleep(2.51)
        lake.order(node, TIDEFALL, 0.5)
        await asyncio.sleep(2.52)
        lake.order(node, TIDEFALL, 0.5, ShowPosition(100 * SECOND))
        await asyncio.sleep(2.53)
        node.stop()

    seen: list[int | None] = []

    async def play(node: FollowerEndpoint) -> None:
        async for due in node.frames():
            shown = node.shown()
            assert (due.frame, due.level) == (shown.frame, shown.level)
            seen.append(due.frame)
            await asyncio.sleep(0.02 * (len(seen) % 4))

    Lake(lead, play=play).run_for(15)
    assert {0 < (frame or 0) < 1000 for frame in seen} == {True, False}
    assert any((frame or 0) >= 4000 for frame in seen)
    assert seen[-1] is None


def test_a_show_s_end_is_news_and_nothing_comes_after_it() -> None:
    async def lead(lake: Lake, node: LeaderEndpoint) -> None:
        lake.order(node, SHORT, 3)

    lake = Lake(lead).run_for(20)
    assert lake.frames == list(range(80))
    assert [(due.frame, due.is_news) for _, due in lake.handed[-2:]] == [(79, False), (None, True)]


def test_a_player_that_asks_without_pause_is_not_dark_when_its_cue_comes() -> None:
    found: list[int | None] = []

    async def play(node: FollowerEndpoint) -> None:
        while node.follower.next_cue is None or node.follower.clock.state is not ClockState.LOCKED:
            await asyncio.sleep(0.1)
        served = node.follower.clock.served
        assert served is not None
        at = served.local_at(node.follower.next_cue.line.leader_at)
        # From here on nothing but this runs: no timer of the node's.
        found.extend(node.follower.shown(LocalInstant(at + step * 25 * MILLISECOND)).frame for step in (-1, 0, 1, 2))

    Lake(roll, play=play).run_for(10)
    assert found == [None, 0, 1, 2]


def test_a_suspended_host_goes_on_with_the_frame_of_now() -> None:
    lake = Lake(roll)
    lake.network.schedule(15, lake.network.host("jetty").suspend)
    lake.network.schedule(18, lake.network.host("jetty").resume)
    lake.run_for(25)
    late = [(at, due) for at, due in lake.handed if due.frame is not None and at >= 18]
    at, first = late[0]
    assert first.frame is not None
    assert at - lake.told[0] - 3 == pytest.approx(first.frame / 40, abs=0.03)
    assert at < 18.1


async def roll_all_evening(lake: Lake, node: LeaderEndpoint) -> None:
    lake.order(node, EVENING, 3)


@pytest.mark.thorough
def test_all_evening_every_frame_is_handed_over_once_and_nothing_is_kept() -> None:
    # tests/bench/frames.py does it for a day.
    last, held = [-1], []

    async def play(node: FollowerEndpoint) -> None:
        async for due in node.frames():
            if due.frame is not None:
                assert (due.frame, due.skipped) == (last[0] + 1, 0)
                last[0] = due.frame

    lake = Lake(roll_all_evening, play=play)
    with lake.network as network:
        network.run_for(60)
        tracemalloc.start()
        for _ in range(5):
            network.run_for(60)
            held.append(tracemalloc.get_traced_memory()[0])
        tracemalloc.stop()
    assert last[0] > 5.5 * 60 * 40
    assert held[-1] - held[1] < 64 * 1024


@pytest.mark.parametrize("rate_hz", [30, 60, 144])
def test_a_loop_of_a_rate_of_its_own_is_given_the_frame_nearest_at_its_next_tick(rate_hz: int) -> None:
    given: list[tuple[float, int, int]] = []
    period_ns = SECOND // rate_hz

    async def play(node: FollowerEndpoint) -> None:
        at = node.clock()
        while True:
            at = LocalInstant(at + period_ns)
            await node.until(at)
            tick = node.shown_at_tick(period_ns)
            if tick.frame is not None:
                given.append((lake.network.now_s + period_ns / SECOND, tick.frame, tick.error_ns))

    lake = Lake(roll, play=play)
    lake.run_for(20)
    assert len(given) > 9 * rate_hz
    for tick_at_s, frame, error_ns in given[2:]:
        shown_s = tick_at_s - lake.told[0] - 3
        assert abs(shown_s * 40 - frame) <= 0.5 + 40 * CLOCK_S
        assert shown_s - frame / 40 == pytest.approx(error_ns / SECOND, abs=CLOCK_S)


async def test_a_period_that_cannot_be_is_refused() -> None:
    def ask(node: FollowerEndpoint) -> None:
        with pytest.raises(ConfigurationError, match="period_ns"):
            node.shown_at_tick(0)

    ask(FollowerEndpoint(FollowerSettings("jetty"), group=GROUP, keys=KEYS))
