"""One scenario in the kernel and over real sockets: every node reports the same kinds of events in the same order."""

from __future__ import annotations

import asyncio
from collections.abc import Sequence
from contextlib import AsyncExitStack
from typing import Any

import pytest

from leadlight import Cue, CueState, FollowerSettings, LeaderSettings, ShowLine
from leadlight.events import Event
from leadlight.net.endpoint import Endpoint, FollowerEndpoint, LeaderEndpoint
from leadlight.units import LeaderInstant, LocalInstant, ShowPosition, seconds
from leadlight_sim.scenario.model import Scenario, check_scenario
from leadlight_sim.world.assembly import World, stored_shows

INTERFACE = "127.0.0.1"
INTERVAL_S = 0.05
LEAD_S = 0.3
CUE_AT_S = 1.3
REBOOT_AT_S = 1.7
"""Five intervals, 0.25 s, are silent before the leader counts as lost; the cue is in force by then."""
REBOOT_FOR_S = 0.5
END_S = 3.4
PIECES = ("jetty", "willow")

pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def scenario() -> Scenario:
    return check_scenario(
        {
            "name": "Same events",
            "run": {"duration_s": END_S, "settle_s": 1},
            "leader": {"name": "boathouse", "interval_s": INTERVAL_S, "lead_time_s": LEAD_S, "wired": True},
            "followers": [{"name": name, "pixels": 100, "host": "steady"} for name in PIECES],
            "air": {"preset": "idle", "dropouts": {"mean_loss_fraction": 0.0}},
            "shows": [{"id": "tidefall", "duration_s": 192}],
            "cues": [{"at_s": CUE_AT_S, "show": "tidefall"}],
            "faults": [{"kind": "leader-reboot", "at_s": REBOOT_AT_S, "for_s": REBOOT_FOR_S}],
        },
        "same events",
    )


def kinds(events: Sequence[Event]) -> list[str]:
    return [type(event).__name__ for event in events]


def in_the_kernel(scenario: Scenario) -> dict[str, list[str]]:
    world = World(scenario)
    world.run_to(world.end)
    return {node.name: kinds([event for _, event in node.events]) for node in [world.leader, *world.followers]}


async def over_sockets(scenario: Scenario, group: str, port: int) -> dict[str, list[str]]:
    show = stored_shows(scenario)[0]
    told: dict[str, list[Event]] = {name: [] for name in ("boathouse", *PIECES)}
    where: dict[str, Any] = {"group": group, "port": port, "interface": INTERFACE}
    settings = LeaderSettings(
        "boathouse",
        interval_ns=seconds(INTERVAL_S),
        lead_time_ns=seconds(LEAD_S),
        group_size=len(PIECES),
    )
    loop = asyncio.get_running_loop()
    begun = loop.time()

    async def note(name: str, node: Endpoint[Any, Any]) -> None:
        async for event in node.events():
            told[name].append(event)

    async def until(at_s: float) -> None:
        await asyncio.sleep(begun + at_s - loop.time())

    async with AsyncExitStack() as stack, asyncio.TaskGroup() as notes:
        for name in PIECES:
            piece = await stack.enter_async_context(FollowerEndpoint(FollowerSettings(name), shows=[show], **where))
            notes.create_task(note(name, piece))
        async with LeaderEndpoint(settings, **where) as first:
            notes.create_task(note("boathouse", first))
            begun_local = first.clock()
            cue_at = LocalInstant(begun_local + seconds(CUE_AT_S))
            first.schedule(Cue(show.key, CueState.ROLLING, ShowLine(LeaderInstant(cue_at), ShowPosition(0))))
            await until(REBOOT_AT_S)
        await until(REBOOT_AT_S + REBOOT_FOR_S)
        async with LeaderEndpoint(settings, **where) as second:
            notes.create_task(note("boathouse", second))
            now = second.clock()
            position = ShowPosition(now - cue_at)
            second.leader.resume_line(Cue(show.key, CueState.ROLLING, ShowLine(LeaderInstant(now), position)), now)
            second.pump()
            await until(END_S)
        await stack.aclose()
    return {name: kinds(events) for name, events in told.items()}


async def test_the_kernel_and_the_sockets_tell_the_same_story(scenario: Scenario, group: str, port: int) -> None:
    simulated = in_the_kernel(scenario)
    assert await over_sockets(scenario, group, port) == simulated
    # And it is a story worth comparing.
    for name in PIECES:
        for kind in ("LeaderFound", "LockAcquired", "CueAnnounced", "CueAdopted", "LeaderLost", "LeaderRestarted"):
            assert kind in simulated[name]
        assert simulated[name].count("LockAcquired") >= 2
