"""A leader that is started again on a host that stayed on leads on to the nanosecond; no follower sees a thing."""

from __future__ import annotations

import asyncio
import json
from collections.abc import Iterator
from typing import Any

import pytest

from leadlight import SECOND, FollowerSettings, FrameRate, LeaderSettings, StoredShow
from leadlight.events import CueAdopted, CueTakenUp, Event, Held, LeaderRestarted, Stepped, TimebaseEntered
from leadlight.net import FollowerEndpoint, LeaderEndpoint
from leadlight.terms import CueState
from leadlight.units import MINUTE, LocalInstant
from leadlight_sim.testing import VirtualHost, VirtualNetwork

SHOWS = [StoredShow("Tidefall", FrameRate(40), 40 * 600), StoredShow("Embers", FrameRate(40), 40 * 600)]
TIDEFALL, EMBERS = (show.key for show in SHOWS)
WITHIN_NS = MINUTE
HALF_A_FRAME_NS = SECOND // 80


class Evening:
    """One leader's host, whose program may be killed and started again, and one follower that watches its frames."""

    def __init__(self, network: VirtualNetwork) -> None:
        self.network = network
        self.boathouse = network.host("boathouse")
        self.jetty = network.host("jetty")
        self.events: list[Event] = []
        self.follower = self.jetty.call(
            FollowerEndpoint, FollowerSettings("jetty"), group="lake", shows=SHOWS, on_event=self.events.append
        )
        self.jetty.start(self._run(self.follower))
        self.leader = self.start(self.boathouse)
        network.run_for(10)

    def start(self, host: VirtualHost, name: str = "boathouse", rank: int = 0, purpose: str = "") -> LeaderEndpoint:
        self.led: list[Event] = []
        node = host.call(
            LeaderEndpoint,
            LeaderSettings(name, rank=rank),
            group="lake",
            shows=SHOWS,
            resumes_within_ns=WITHIN_NS,
            purpose=purpose,
            on_event=self.led.append,
        )
        host.start(self._run(node))
        return node

    @staticmethod
    async def _run(node: Any) -> None:
        async with node:
            await asyncio.get_running_loop().create_future()

    def again(self, away_s: float, **more: Any) -> LeaderEndpoint:
        self.boathouse.kill()
        self.network.run_for(away_s)
        self.leader = self.start(self.boathouse, **more)
        return self.leader

    def order(self, order: str, *arguments: Any) -> Any:
        return self.boathouse.call(getattr(self.leader, order), *arguments)

    @property
    def off_ns(self) -> int:
        """How far the follower's frame clock is from where the leader's own clock says the show is."""
        leader_now = self.leader.leader.leader_at(self.leader.clock())
        assert leader_now is not None
        shown = self.follower.follower.clock.leader_at(self.jetty.now)
        assert shown is not None
        return shown - leader_now


@pytest.fixture
def evening() -> Iterator[Evening]:
    with VirtualNetwork(preset="busy", seed=5) as network:
        yield Evening(network)


def test_the_same_line_goes_on_in_the_same_timebase(evening: Evening) -> None:
    evening.order("roll", "Tidefall")
    evening.network.run_for(20)
    before, timebase = evening.leader.cue, evening.leader.leader.timebase
    evening.events.clear()
    again = evening.again(5)
    assert again.kept == before
    evening.network.run_for(10)
    assert again.is_leading
    assert (again.cue, again.leader.timebase) == (before, timebase)
    assert [event.cue for event in evening.led if isinstance(event, CueTakenUp)] == [before]
    assert not [event for event in evening.events if isinstance(event, Stepped | Held | TimebaseEntered | CueAdopted)]
    assert any(isinstance(event, LeaderRestarted) for event in evening.events)
    assert abs(evening.off_ns) < HALF_A_FRAME_NS


@pytest.mark.parametrize("order", ["pause", "stop", "go_dark"])
def test_a_pause_a_stop_and_the_dark_last(evening: Evening, order: str) -> None:
    evening.order("roll", "Tidefall")
    evening.network.run_for(20)
    evening.order(order)
    evening.network.run_for(5)
    before = evening.leader.cue
    again = evening.again(5)
    evening.network.run_for(10)
    assert again.cue == before
    assert before.state is not CueState.ROLLING


def test_an_order_of_a_moment_ago_is_kept_and_what_fell_due_meanwhile_is_under_way(evening: Evening) -> None:
    evening.order("roll", "Tidefall")
    evening.network.run_for(20)
    ordered = evening.order("roll", "Embers")
    evening.network.run_for(1.1)  # changes are written once a second
    again = evening.again(3)
    evening.network.run_for(10)
    assert again.cue == ordered
    evening.order("set_off_at", LocalInstant(evening.boathouse.now + 20 * SECOND))
    evening.network.run_for(2)
    again = evening.again(3)
    evening.network.run_for(20)
    assert evening.follower.shown().frame is None


def test_what_another_leads_by_then_outranks(evening: Evening) -> None:
    evening.order("roll", "Tidefall")
    evening.network.run_for(5)
    gatehouse = evening.network.host("gatehouse")
    standby = evening.start(gatehouse, "gatehouse", rank=1)
    evening.network.run_for(10)
    evening.boathouse.kill()
    evening.network.run_for(20)
    assert standby.is_leading
    gatehouse.call(standby.roll, "Embers")
    evening.network.run_for(5)
    again = evening.leader = evening.start(evening.boathouse)
    assert (again.kept or again.cue).show == TIDEFALL
    evening.network.run_for(20)
    assert again.core.kept is None
    assert again.cue.show == evening.follower.follower.cue.show == EMBERS
    # Nor is there anything left of it, should both be killed by now.
    evening.boathouse.kill()
    gatehouse.power_off()
    evening.network.run_for(1)
    assert evening.start(evening.boathouse).kept is None


def test_what_was_started_for_something_else_begins_anew(evening: Evening) -> None:
    evening.order("roll", "Tidefall")
    evening.network.run_for(20)
    again = evening.again(5, purpose="another evening")
    assert again.kept is None
    evening.network.run_for(10)
    assert again.cue.state is CueState.DARK


def test_after_too_long_it_begins_anew(evening: Evening) -> None:
    evening.order("roll", "Tidefall")
    evening.network.run_for(20)
    assert evening.again(70).kept is None


def test_after_a_boot_it_begins_anew(evening: Evening) -> None:
    evening.order("roll", "Tidefall")
    evening.network.run_for(20)
    evening.boathouse.power_off()
    evening.network.run_for(5)
    evening.boathouse.power_on()
    assert evening.start(evening.boathouse).kept is None


def test_a_host_that_slept_meanwhile_goes_on_under_a_new_name_for_its_clock(evening: Evening) -> None:
    evening.order("roll", "Tidefall")
    evening.network.run_for(20)
    before, timebase = evening.leader.cue, evening.leader.leader.timebase
    evening.boathouse.kill()
    evening.boathouse.suspend()
    evening.network.run_for(10)
    evening.boathouse.resume()
    evening.leader = evening.start(evening.boathouse)
    kept = evening.leader.leader.kept
    assert kept is not None
    assert kept.timebase != timebase
    evening.network.run_for(20)
    assert evening.leader.cue == before
    assert abs(evening.off_ns) < HALF_A_FRAME_NS


@pytest.mark.parametrize(
    "content",
    [b"", b"{", b"[]", b'{"kept": 1}', b"[" * 10_000, b'{"boot": "boot 0", "purpose": "", "at": 1e999}'],
)
def test_what_cannot_be_read_begins_anew(evening: Evening, content: bytes) -> None:
    file = evening.boathouse.lives[-1].kept_file("lake", "boathouse")
    evening.boathouse.kill()
    file.write(content)
    evening.leader = evening.start(evening.boathouse)
    assert evening.leader.kept is None


@pytest.mark.parametrize(
    ("field", "value"),
    [
        ("timebase", 0),
        ("clock", [1, 2]),
        ("clock", [1, 2, float("nan")]),
        ("cue", ["x", "ROLLING", 0, 0, 0, None]),
        ("cue", ["1", "SOON", 0, 0, 0, None]),
        ("cue", ["1", "ROLLING", -1, 0, 0, None]),
        ("scheduled", [1]),
        ("off_at", "soon"),
    ],
)
def test_a_value_that_no_leader_writes_begins_anew(evening: Evening, field: str, value: object) -> None:
    evening.order("roll", "Tidefall")
    evening.network.run_for(5)
    file = evening.boathouse.lives[-1].kept_file("lake", "boathouse")
    evening.boathouse.kill()
    content = file.read()
    assert content is not None
    file.write(json.dumps(json.loads(content) | {field: value}).encode())
    assert evening.start(evening.boathouse).kept is None
