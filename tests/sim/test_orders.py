"""Orders to a leader that the command runs, in virtual time, brought by a source of the test's own."""

from __future__ import annotations

import argparse
import asyncio
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from evenings import Around

from leadlight import MILLISECOND, SECOND, FollowerSettings, FrameRate, StoredShow
from leadlight.commands.lead import Lead, lead
from leadlight.commands.surroundings import Surroundings
from leadlight.cue import Cue, show_key
from leadlight.net import FollowerEndpoint
from leadlight.terms import CueState
from leadlight.units import MICROSECOND
from leadlight_sim.testing import VirtualNetwork

BEGINS = datetime(2026, 12, 4, 17, 0, tzinfo=UTC)
LEAD_TIME_NS = 2 * SECOND


class Garden:
    """A leader by the command, and one follower, that have found each other."""

    def __init__(self, network: VirtualNetwork, *words: str) -> None:
        self.network, self.page = network, Around()
        parser = argparse.ArgumentParser()
        Lead().add_arguments(parser)
        arguments = parser.parse_args(["--group", "quarry lake", "--name", "boathouse", *words])
        around = Surroundings(self.page, self.page, self.wall_clock, orders=[self.page])
        self.boathouse = network.host("boathouse")
        self.boathouse.start(lead(arguments, around))
        shows = [StoredShow(show, FrameRate(40), 40 * 200) for show in ("Tidefall", "Embers")]
        jetty = network.host("jetty")
        self.node = jetty.call(FollowerEndpoint, FollowerSettings("jetty"), group="quarry lake", shows=shows)
        jetty.start(self._follow())
        network.run_for(10)

    async def _follow(self) -> None:
        async with self.node:
            await asyncio.get_running_loop().create_future()

    def wall_clock(self) -> datetime:
        return BEGINS + timedelta(microseconds=self.network.kernel.now // MICROSECOND)

    def order(self, order: str, **more: Any) -> dict[str, Any]:
        answers: list[dict[str, Any]] = []

        async def give() -> None:
            answers.append(self.page.take({"order": order, **more}))

        self.boathouse.start(give())
        self.network.run_for(0.01)
        return answers[0]

    @property
    def cue(self) -> Cue:
        return self.node.follower.cue

    @property
    def state(self) -> str:
        return self.cue.state.name.lower()


@pytest.fixture
def garden() -> Iterator[Garden]:
    with VirtualNetwork(preset="busy", seed=3) as network:
        yield Garden(network)


def test_each_order_is_answered_with_when_it_takes_effect_and_takes_effect_then(garden: Garden) -> None:
    answer = garden.order("roll", show="Tidefall", position_ns=30 * SECOND)
    at = garden.wall_clock() + timedelta(seconds=1.99)
    assert answer["accepted"]
    assert answer["said"] == f"Tidefall rolls from 0:00:30 in 2.0 s, at {at:%H:%M:%S}"
    assert answer["in_ns"] == LEAD_TIME_NS
    assert garden.state == "dark"
    garden.network.run_for(2)
    assert garden.cue[:2] == (show_key("Tidefall"), CueState.ROLLING)

    assert "Tidefall pauses at 0:00:3" in garden.order("pause")["said"]
    garden.network.run_for(2)
    assert garden.state == "paused"
    assert "rolls on from" in garden.order("resume")["said"]
    garden.network.run_for(2)
    assert garden.state == "rolling"
    assert "goes to 0:01:00" in garden.order("seek", position_ns=60 * SECOND)["said"]
    garden.network.run_for(2)
    assert garden.cue.line.position == 60 * SECOND
    status = garden.order("status")
    assert status["status"]["cue"]["show_name"] == "Tidefall"
    assert status["said"].startswith("boathouse, leading, quarry lake: rolling Tidefall at 0:01:0")
    assert "goes dark in 2.0 s" in garden.order("dark")["said"]
    garden.network.run_for(2)
    assert garden.state == "dark"


def test_a_stop_takes_effect_at_once(garden: Garden) -> None:
    garden.order("roll", show="Tidefall")
    garden.network.run_for(3)
    answer = garden.order("stop")
    garden.network.run_for(0.5)
    assert answer["in_ns"] == 0
    assert garden.state == "stopped"


def test_of_two_orders_at_once_the_second_finds_the_first(garden: Garden) -> None:
    garden.order("roll", show="Tidefall")
    garden.network.run_for(3)
    first, second = garden.order("pause"), garden.order("seek", position_ns=10 * SECOND)
    assert first["accepted"]
    assert second["accepted"]
    garden.network.run_for(2.2)
    assert (garden.cue.state, garden.cue.line.position) == (CueState.PAUSED, 10 * SECOND)


def test_what_was_not_announced_yet_is_withdrawn() -> None:
    with VirtualNetwork(preset="busy", seed=3) as network:
        garden = Garden(network, "--show", "Embers", "--show-at", "+60")
        assert garden.order("withdraw")["said"] == "withdrawn: 1 of 1 to come"
        network.run_for(70)
        assert garden.state == "dark"


@pytest.mark.parametrize(
    ("request_made", "said"),
    [
        ({"order": "pause"}, "nothing can be paused: the show is dark"),
        ({"order": "rewind"}, "there is no order 'rewind'"),
        ({"order": "roll"}, "show: None is not allowed"),
        ({"order": "roll", "show": "Tidefall", "position_ns": 0.5}, "position: 0.5 is not allowed"),
        ({"order": "pause", "show": "Tidefall"}, "pause has no show"),
        ({"order": ["roll"]}, "there is no order ['roll']"),
        (["roll"], "an order is an object"),
        ({}, "there is no order None"),
    ],
)
def test_an_order_that_cannot_be_is_answered_with_why_and_changes_nothing(
    garden: Garden, request_made: object, said: str
) -> None:
    answer = garden.page.take(request_made)
    assert not answer["accepted"]
    assert answer["said"].startswith(said)
    garden.network.run_for(3)
    assert garden.state == "dark"


def test_orders_and_their_answers_stand_among_the_lines(garden: Garden) -> None:
    garden.order("roll", show="Embers")
    garden.order("seek", position_ns=-1)
    told = [line for line in garden.page.lines if "ordered" in line]
    assert "ordered roll: Embers rolls in 2.0 s" in told[0]
    assert "ordered seek: position: -1 is not allowed" in told[1]


def test_an_order_while_another_leads_says_so() -> None:
    with VirtualNetwork(preset="busy", seed=3) as network:
        other = Garden(network)
        parser = argparse.ArgumentParser()
        Lead().add_arguments(parser)
        arguments = parser.parse_args(["--group", "quarry lake", "--name", "gatehouse", "--rank", "1"])
        page = Around()
        gatehouse = network.host("gatehouse")
        gatehouse.start(lead(arguments, Surroundings(page, page, other.wall_clock, orders=[page])))
        network.run_for(10)
        answers = []

        async def give() -> None:
            answers.append(page.take({"order": "roll", "show": "Embers"})["said"])
            answers.append(page.take({"order": "pause"})["said"])

        gatehouse.start(give())
        network.run_for(10 * MILLISECOND / SECOND)
        assert answers[0].endswith("if this node leads by then: another leads now")
        assert answers[1] == "only the leader can pause: this node is standby"


@pytest.mark.slow
def test_an_order_is_in_force_at_150_followers_by_the_lead_time(garden: Garden) -> None:
    shows = [StoredShow("Tidefall", FrameRate(40), 40 * 200)]
    nodes = []
    for number in range(150):
        host = garden.network.host(f"piece {number}")
        node = host.call(FollowerEndpoint, FollowerSettings(host.name), group="quarry lake", shows=shows)
        host.start(_run(node))
        nodes.append(node)
    garden.network.run_for(8)
    garden.order("roll", show="Tidefall")
    # A small board wakes up some milliseconds late for it.
    garden.network.run_for(LEAD_TIME_NS / SECOND + 0.05)
    assert {node.follower.cue.state.name for node in nodes} == {"ROLLING"}


async def _run(node: FollowerEndpoint) -> None:
    async with node:
        await asyncio.get_running_loop().create_future()
