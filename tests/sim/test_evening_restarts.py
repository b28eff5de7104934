"""A leader of a running order that is killed mid-show and started again with the same words."""

from __future__ import annotations

import argparse
import asyncio
import json
from collections.abc import Iterator
from datetime import datetime, timedelta
from pathlib import Path

import pytest
from evenings import BEGINS, Around, write_season

from leadlight import FollowerSettings
from leadlight.commands.lead import Lead, lead
from leadlight.commands.surroundings import Surroundings
from leadlight.events import CueAdopted, Event, Held, Stepped, TimebaseEntered
from leadlight.net import FollowerEndpoint
from leadlight.storage import read_manifest
from leadlight.units import MICROSECOND
from leadlight_sim.testing import VirtualNetwork

pytestmark = pytest.mark.slow


class Night:
    """A leader by a running order, and one follower."""

    def __init__(self, network: VirtualNetwork, folder: Path) -> None:
        self.network = network
        self.words = ["--group", "lake", "--name", "boathouse", "--running-order", str(folder / "order.toml")]
        self.boathouse, jetty = network.host("boathouse"), network.host("jetty")
        self.events: list[Event] = []
        self.node = jetty.call(
            FollowerEndpoint,
            FollowerSettings("jetty"),
            group="lake",
            shows=[entry.stored for entry in read_manifest(folder / "manifest.json").shows],
            on_event=self.events.append,
        )
        jetty.start(self.follow())
        self.start()

    async def follow(self) -> None:
        async with self.node:
            await asyncio.get_running_loop().create_future()

    def wall_clock(self) -> datetime:
        return BEGINS + timedelta(microseconds=self.network.kernel.now // MICROSECOND)

    def start(self) -> None:
        self.around = Around()
        parser = argparse.ArgumentParser()
        Lead().add_arguments(parser)
        around = Surroundings(self.around, self.around, self.wall_clock, orders=[self.around])
        self.boathouse.start(lead(parser.parse_args(self.words), around))

    def again(self, away_s: float) -> None:
        self.boathouse.kill()
        self.network.run_for(away_s)
        self.events.clear()
        self.start()

    def seen(self) -> list[Event]:
        return [event for event in self.events if isinstance(event, CueAdopted | Stepped | Held | TimebaseEntered)]


@pytest.fixture
def night(tmp_path: Path) -> Iterator[Night]:
    write_season(tmp_path, ["jetty"], repeat_until="17:30", off="17:40")
    with VirtualNetwork(preset="busy", seed=7) as network:
        yield Night(network, tmp_path)


def show_of(night: Night) -> str:
    answer = json.loads(json.dumps(night.around.take({"order": "status"})))
    return f"{answer['status']['cue'].get('show_name', 'dark')} {answer['status']['cue']['state']}"


def asked(night: Night) -> str:
    said: list[str] = []

    async def ask() -> None:
        said.append(show_of(night))

    night.boathouse.start(ask())
    night.network.run_for(0.01)
    return said[0]


def test_the_show_goes_on_unseen_and_the_next_comes_in_its_time(night: Night) -> None:
    night.network.run_for(120)
    assert asked(night) == "Tidefall rolling"
    night.again(4)
    night.network.run_for(60)
    assert night.seen() == []
    assert any("leads on with what it led: rolling Tidefall" in line for line in night.around.lines)
    # 17:00:00 + 192 s + 20 s: by then the next has begun, once.
    night.network.run_for(120)
    assert asked(night) == "Embers rolling"
    assert [event.cue.state.name for event in night.seen() if isinstance(event, CueAdopted)] == ["DARK", "ROLLING"]
    night.network.run_for(2130)  # past 17:40
    assert asked(night) == "dark dark"


def test_a_stop_outlasts_a_restart_and_an_order_ends_it(night: Night) -> None:
    night.network.run_for(120)

    async def stop() -> None:
        night.around.take({"order": "stop"})

    night.boathouse.start(stop())
    night.network.run_for(5)
    night.again(4)
    night.network.run_for(300)
    assert asked(night) == "Tidefall stopped"
