"""A node in somebody's program says by itself what keeps it from following."""

from __future__ import annotations

import asyncio
from typing import Any

import pytest

from leadlight import FollowerSettings, KeyRing, LeaderSettings
from leadlight.events import DatagramsRefused, Event, NoLeaderHeard
from leadlight.net import FollowerEndpoint, LeaderEndpoint
from leadlight.terms import Refusal
from leadlight_sim.testing import VirtualNetwork

OURS, THEIRS = KeyRing({1: bytes(32)}, 1), KeyRing({1: bytes(31) + b"x"}, 1)


async def run(node: Any) -> None:
    async with node:
        await asyncio.get_running_loop().create_future()


@pytest.mark.parametrize(
    ("keys", "reason"), [(THEIRS, Refusal.BAD_TAG), (None, Refusal.NO_KEY), (OURS, None)]
)
def test_a_wrong_key_is_told_in_events_and_in_the_log(
    keys: KeyRing | None, reason: Refusal | None, caplog: pytest.LogCaptureFixture
) -> None:
    told: list[Event] = []
    with VirtualNetwork(preset="busy", seed=3) as network:
        boathouse, jetty = network.host("boathouse"), network.host("jetty")
        boathouse.start(run(boathouse.call(LeaderEndpoint, LeaderSettings("boathouse"), group="lake", keys=OURS)))
        network.run_for(10)  # it listens first
        node = jetty.call(FollowerEndpoint, FollowerSettings("jetty"), group="lake", keys=keys, on_event=told.append)
        jetty.start(run(node))
        network.run_for(20)
    refused = [event for event in told if isinstance(event, DatagramsRefused)]
    unheard = [event for event in told if isinstance(event, NoLeaderHeard)]
    logged = [record.getMessage() for record in caplog.records if "refused in group 'lake'" in record.getMessage()]
    assert [event.reason for event in refused] == ([] if reason is None else [reason])
    assert len(logged) == len(refused)
    assert len(unheard) == len(refused)
