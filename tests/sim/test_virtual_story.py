"""One scenario, told by the kernel's own nodes and by real endpoints on the virtual loop: the same story."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import pytest

from leadlight import Codec, Cue, CueState, FollowerSettings, LeaderSettings, ShowLine
from leadlight.cue import show_key
from leadlight.events import Event
from leadlight.net.endpoint import Endpoint, FollowerEndpoint, LeaderEndpoint
from leadlight.units import SECOND, LeaderInstant, LocalInstant, ShowPosition, milliseconds, seconds
from leadlight.wire.messages import Echo, Message, Sounding
from leadlight_sim.kernel.kernel import TrueInstant
from leadlight_sim.kernel.trace import Trace
from leadlight_sim.scenario.model import Scenario, check_scenario
from leadlight_sim.testing.network import VirtualNetwork
from leadlight_sim.world.assembly import World, stored_shows

INTERVAL_S = 0.05
LEAD_S = 0.3
CUE_AT_S = 1.3
REBOOT_AT_S = 1.7
REBOOT_FOR_S = 0.5
END_S = 5.0
PIECES = ("jetty", "willow")

Told = dict[str, list[tuple[int, Event]]]
Carried = list[tuple[int, int, bytes, Message]]
"""True instant, number of the node, sent or received, and what."""


def scenario_on(air: dict[str, Any]) -> Scenario:
    return check_scenario(
        {
            "name": "Same story",
            "run": {"duration_s": END_S, "settle_s": 1},
            "leader": {"name": "boathouse", "interval_s": INTERVAL_S, "lead_time_s": LEAD_S, "wired": True},
            "followers": [{"name": name, "pixels": 100, "host": "steady"} for name in PIECES],
            "air": air,
            "shows": [{"id": "tidefall", "duration_s": 192}],
            "cues": [{"at_s": CUE_AT_S, "show": "tidefall"}],
            "faults": [{"kind": "leader-reboot", "at_s": REBOOT_AT_S, "for_s": REBOOT_FOR_S}],
        },
        "same story",
    )


def record(trace: Trace) -> Carried:
    """Keep what a trace is told of datagrams, less the cookies: those are made of addresses, which differ."""
    carried: Carried = []
    codec = Codec("Same story")
    note = trace.note

    def note_and_keep(kind: bytes, at: TrueInstant, node: int, data: bytes) -> None:
        note(kind, at, node, data)
        if kind in (b"s", b"r"):
            message = codec.decode(bytes(data))
            if isinstance(message, Echo | Sounding):
                message = message._replace(cookie=None)  # type: ignore[arg-type]
            carried.append((at, node, kind, message))

    trace.note = note_and_keep  # type: ignore[method-assign]
    return carried


def by_the_kernel_s_nodes(scenario: Scenario) -> tuple[Told, Carried]:
    world = World(scenario)
    carried = record(world.trace)
    world.run_to(world.end)
    return {node.name: list(node.events) for node in (world.leader, *world.followers)}, carried


def by_endpoints(scenario: Scenario) -> tuple[Told, Carried]:
    (show,) = stored_shows(scenario)
    told: Told = {name: [] for name in ("boathouse", *PIECES)}
    settings = LeaderSettings(
        "boathouse", interval_ns=seconds(INTERVAL_S), lead_time_ns=seconds(LEAD_S), group_size=len(PIECES)
    )

    async def note(name: str, node: Endpoint[Any, Any]) -> None:
        async for event in node.events():
            told[name].append((network.kernel.now, event))

    async def play(name: str) -> None:
        latency_ns = milliseconds(100 * 0.03)
        where = FollowerEndpoint(FollowerSettings(name, latency_ns=latency_ns), group="Same story", shows=[show])
        async with where as node:
            await note(name, node)

    async def lead() -> None:
        async with LeaderEndpoint(settings, group="Same story", shows=[show]) as node:
            at = LeaderInstant(boathouse.oscillator.local_at(TrueInstant(seconds(CUE_AT_S))))
            node.schedule(Cue(show.key, CueState.ROLLING, ShowLine(at, ShowPosition(0))))
            await note("boathouse", node)

    async def lead_again() -> None:
        async with LeaderEndpoint(settings, group="Same story", shows=[show]) as node:
            now: LocalInstant = node.clock()
            local_at = boathouse.oscillator.local_at
            position = ShowPosition(local_at(network.kernel.now) - local_at(TrueInstant(seconds(CUE_AT_S))))
            node.leader.resume_line(Cue(show.key, CueState.ROLLING, ShowLine(LeaderInstant(now), position)), now)
            node.pump()
            await note("boathouse", node)

    def reboot() -> None:
        boathouse.power_on()
        boathouse.start(lead_again())

    with VirtualNetwork(scenario=scenario) as network:
        carried = record(network.trace)
        boathouse = network.host("boathouse")
        boathouse.start(lead())
        for name in PIECES:
            # As in a rehearsal, boards come up within the first second.
            up_at = int(network.streams.stream("power-up", name).uniform(0, SECOND))
            board = network.host(name)
            network.schedule(up_at / SECOND, lambda board=board: board.start(play(board.name)))
        network.schedule(REBOOT_AT_S, boathouse.power_off)
        network.schedule(REBOOT_AT_S + REBOOT_FOR_S, reboot)
        network.run_for(END_S)
        assert network.kernel.now == seconds(END_S)
        carried = list(carried)  # what a leader says when it is left is not part of the story
    return told, carried


def kinds(told: Sequence[tuple[int, Event]]) -> list[str]:
    return [type(event).__name__ for _, event in told]


def cues(told: Sequence[tuple[int, Event]]) -> list[tuple[str, str]]:
    return [
        (type(event).__name__, "tidefall" if event.cue.show == show_key("tidefall") else event.cue.state.name)
        for _, event in told
        if hasattr(event, "cue")
    ]


@pytest.mark.parametrize("preset", ["model-a", "model-b", "model-c", "model-d", "model-e"])
def test_on_hosts_that_never_wake_late_every_event_and_every_datagram_is_the_same_to_the_nanosecond(
    preset: str,
) -> None:
    scenario = scenario_on({"preset": preset})
    told, carried = by_the_kernel_s_nodes(scenario)
    told_by_endpoints, carried_by_endpoints = by_endpoints(scenario)
    assert told_by_endpoints == told
    assert carried_by_endpoints == carried
    assert len(carried) > 100


@pytest.mark.slow
@pytest.mark.parametrize("preset", ["idle", "busy", "dozing"])
def test_on_hosts_that_wake_late_the_kinds_of_events_and_the_cues_are_the_same(preset: str) -> None:
    scenario = scenario_on({"preset": preset, "dropouts": {"mean_loss_fraction": 0.0}})
    told, _ = by_the_kernel_s_nodes(scenario)
    told_by_endpoints, _ = by_endpoints(scenario)
    assert {name: kinds(events) for name, events in told_by_endpoints.items()} == {
        name: kinds(events) for name, events in told.items()
    }
    assert {name: cues(events) for name, events in told_by_endpoints.items()} == {
        name: cues(events) for name, events in told.items()
    }
    # And it is a story worth comparing.
    for name in PIECES:
        for kind in ("LeaderFound", "LockAcquired", "CueAnnounced", "CueAdopted", "LeaderLost", "LeaderRestarted"):
            assert kind in kinds(told[name])
