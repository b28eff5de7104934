"""What a player may get wrong by one argument: told at the call, and the beacons go on. On sockets and virtually."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable
from typing import Any, cast

import pytest

from leadlight.commands.compiled import IS_COMPILED
from leadlight.cue import Cue, FrameRate, ShowLine
from leadlight.errors import ConfigurationError, OrderError
from leadlight.events import Event, FollowerJoined
from leadlight.follower.settings import FollowerSettings
from leadlight.leader.settings import LeaderSettings
from leadlight.net.endpoint import FollowerEndpoint, LeaderEndpoint
from leadlight.net.thread import LeaderThread
from leadlight.playback.content import StoredShow
from leadlight.terms import CueState
from leadlight.units import MILLISECOND, SECOND, LeaderInstant, ShowPosition
from leadlight_sim.testing.network import VirtualNetwork

INTERFACE = "127.0.0.1"
TIDEFALL = StoredShow("tidefall", FrameRate(40), frame_count=7680)
SETTINGS = LeaderSettings("boathouse", lead_time_ns=200 * MILLISECOND, interval_ns=50 * MILLISECOND, listen_intervals=0)
PATIENCE_SECONDS = 10

REFUSED = (ConfigurationError, TypeError) if IS_COMPILED else ConfigurationError
"""Compiled code checks its arguments against their annotations first."""

Order = Callable[[Any], object]
SLIPS: dict[str, tuple[str, Order]] = {
    "a show of another kind": ("show", lambda node: node.roll(7.5)),
    "no show": ("show", lambda node: node.roll(None)),
    "the key of nothing": ("show", lambda node: node.roll(0)),
    "a key that no beacon can say": ("show", lambda node: node.roll(2**64)),
    "an id that no show has": ("show", lambda node: node.roll("tidefal")),
    "a fraction of a nanosecond": ("position", lambda node: node.roll(TIDEFALL.key, 30.5 * SECOND)),
    "a negative position": ("position", lambda node: node.roll(TIDEFALL, ShowPosition(-1))),
    "a position behind the end": ("position", lambda node: node.roll(TIDEFALL, TIDEFALL.length_ns + 1)),
    "an off time that is no instant": ("at", lambda node: node.set_off_at(1.5)),
    "an off time before the clock": ("at", lambda node: node.set_off_at(-1)),
    "music at a fraction": ("position", lambda node: node.report_media(0.5, 0)),
    "music from the future": ("latency_ns", lambda node: node.report_media(0, -1)),
    "a report at no instant": ("at", lambda node: node.report_media(0, 0, "now")),
    "a cue that is none": ("cue", lambda node: node.schedule("dark")),
    "a cue of no state": (
        "state",
        lambda node: node.schedule(Cue(1, cast(Any, 1), ShowLine(LeaderInstant(0), ShowPosition(0)))),
    ),
    "a line that is none": ("line", lambda node: node.resume_line(Cue(1, CueState.ROLLING, cast(Any, (0, 0))))),
    "a line too fast": (
        "rate_ppb",
        lambda node: node.schedule(Cue(1, CueState.ROLLING, ShowLine(LeaderInstant(0), ShowPosition(0), 2_000_000))),
    ),
    "a cue before the clock": (
        "leader_at",
        lambda node: node.resume_line(Cue(1, CueState.ROLLING, ShowLine(LeaderInstant(-1), ShowPosition(0)))),
    ),
}


async def slip_by_slip(node: LeaderEndpoint, pause: Callable[[], Awaitable[object]]) -> None:
    """Get everything wrong, one thing after another; after each of them beacons must go on."""
    for what, (field, order) in SLIPS.items():
        before = node.leader.cue, node.leader.scheduled
        with pytest.raises(REFUSED) as refused:
            order(node)
        if isinstance(refused.value, ConfigurationError):
            assert refused.value.field == field, what
        assert (node.leader.cue, node.leader.scheduled) == before, what
        sent = node.counts.sent
        await pause()
        assert node.counts.sent > sent, f"no beacon after {what}"
        assert node.is_running
    untimely: list[Callable[[], object]] = [node.pause, node.resume, lambda: node.seek(ShowPosition(0))]
    for give in untimely:
        with pytest.raises(OrderError, match="the show is dark"):
            give()
    sent = node.counts.sent
    await pause()
    assert node.counts.sent > sent
    assert node.counts.send_errors == 0


@pytest.mark.slow
async def test_each_slip_is_told_at_the_call_and_beacons_go_on(group: str, port: int) -> None:
    async with LeaderEndpoint(SETTINGS, group=group, port=port, interface=INTERFACE, shows=[TIDEFALL]) as node:

        async def next_beacon() -> None:
            sent = node.counts.sent
            async with asyncio.timeout(PATIENCE_SECONDS):
                while node.counts.sent == sent:
                    await asyncio.sleep(0.005)

        await slip_by_slip(node, next_beacon)
        assert node.roll("tidefall").show == TIDEFALL.key


def test_each_slip_is_told_at_the_call_in_the_virtual_loop_too() -> None:
    async def lead() -> None:
        async with LeaderEndpoint(SETTINGS, group="slips", shows=[TIDEFALL]) as node:
            await slip_by_slip(node, lambda: asyncio.sleep(0.12))
            assert node.roll("tidefall").show == TIDEFALL.key

    with VirtualNetwork() as network:
        network.run_until(network.host("boathouse").start(lead()), limit_s=60)


@pytest.mark.slow
def test_each_slip_is_told_at_the_call_through_a_thread_too(group: str, port: int) -> None:
    with LeaderThread(SETTINGS, group=group, port=port, interface=INTERFACE, shows=[TIDEFALL]) as node:
        for field, order in SLIPS.values():
            with pytest.raises(REFUSED) as refused:
                order(node)
            if isinstance(refused.value, ConfigurationError):
                assert refused.value.field == field
        assert node.roll(TIDEFALL).show == TIDEFALL.key
        assert node.is_running


async def a_raising_listener(place: dict[str, Any], caplog: pytest.LogCaptureFixture) -> None:
    told: list[Event] = []

    def stumble(event: Event) -> None:
        told.append(event)
        raise ZeroDivisionError("a player's mistake")

    async def heard() -> None:
        while not any(isinstance(event, FollowerJoined) for event in told):
            await asyncio.sleep(0.02)

    piece = FollowerEndpoint(FollowerSettings("jetty"), shows=[TIDEFALL], **place)
    async with LeaderEndpoint(SETTINGS, on_event=stumble, **place) as node, piece:
        await asyncio.wait_for(heard(), PATIENCE_SECONDS)
        sent = node.counts.sent
        await asyncio.sleep(0.2)
        assert node.counts.sent > sent
        assert node.is_running
    raised = [record for record in caplog.records if record.exc_info and record.exc_info[0] is ZeroDivisionError]
    assert len(raised) == len(told)
    assert "on_event" in raised[0].getMessage()


@pytest.mark.slow
async def test_a_callback_that_raises_is_logged_and_the_node_goes_on(
    group: str, port: int, caplog: pytest.LogCaptureFixture
) -> None:
    await a_raising_listener({"group": group, "port": port, "interface": INTERFACE}, caplog)


def test_a_callback_that_raises_is_logged_in_the_virtual_loop_too(caplog: pytest.LogCaptureFixture) -> None:
    with VirtualNetwork() as network:
        host = network.host("boathouse")
        network.run_until(host.start(a_raising_listener({"group": "slips"}, caplog)), limit_s=60)


@pytest.mark.parametrize(
    ("host", "port"), [("", 5000), ("two words", 5000), (None, 5000), ("10.0.0.1", 0), ("10.0.0.1", "5000")]
)
def test_a_leader_s_address_that_cannot_be_one_is_refused(host: Any, port: Any) -> None:
    async def follow() -> None:
        async with FollowerEndpoint(FollowerSettings("jetty"), group="slips", shows=[TIDEFALL]) as node:
            with pytest.raises(ConfigurationError, match=r"^(host|port): "):
                node.ask_leader(host, port)
            for frame in (0.5, -1, None):
                with pytest.raises(REFUSED):
                    node.note_frame_shown(frame)  # type: ignore[arg-type]
            assert node.shown().frame is None

    with VirtualNetwork() as network:
        network.run_until(network.host("jetty").start(follow()), limit_s=60)


WRONG_PLACES: list[dict[str, Any]] = [
    {"group": ""},
    {"group": None},
    {"group": "slips", "keys": {1: b"x" * 16}},
    {"group": "slips", "shows": ["tidefall"]},
    {"group": "slips", "on_event": "print"},
    {"group": "slips", "interface": 7},
    {"group": "slips", "port": "5000"},
    {"group": "slips", "own_port": 70_000},
    {"group": "slips", "clock": lambda: 1.5},
]


@pytest.mark.parametrize("place", WRONG_PLACES, ids=lambda place: list(place)[-1])
def test_where_and_with_what_a_node_runs_is_checked_where_it_is_made(place: dict[str, Any]) -> None:
    with pytest.raises(ConfigurationError) as refused:
        LeaderEndpoint(SETTINGS, **place)
    assert refused.value.field in place


def test_orders_that_are_right_move_every_follower_one_lead_time_later() -> None:
    lead_s = SETTINGS.lead_time_ns / SECOND

    async def lead(positions: list[float | None]) -> None:
        piece = FollowerEndpoint(FollowerSettings("jetty"), group="orders", shows=[TIDEFALL])
        async with LeaderEndpoint(SETTINGS, group="orders", shows=[TIDEFALL]) as node, piece:
            await asyncio.sleep(10)
            orders: list[Callable[[], object]] = [
                lambda: node.roll("tidefall"),
                lambda: node.seek(ShowPosition(60 * SECOND)),
                node.pause,
                lambda: node.seek(ShowPosition(90 * SECOND)),
                node.resume,
            ]
            for order in orders:
                order()
                await asyncio.sleep(lead_s + 5)
                frame = piece.frame_now()
                positions.append(None if frame is None else frame / 40)

    seen: list[float | None] = []
    with VirtualNetwork() as network:
        network.run_until(network.host("boathouse").start(lead(seen)), limit_s=120)
    # Five seconds after each took effect; a pause holds where the show was when it did.
    assert seen == pytest.approx([5, 65, 65 + lead_s, 90, 95], abs=2 / 40)
