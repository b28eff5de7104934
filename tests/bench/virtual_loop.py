"""How fast programs run on the virtual loop: a leader and eight followers, each an asyncio program with its endpoint.

They keep a show in step over the air of preset ``busy``, and each follower asks for its frame forty times a second, as
a player does. Beside it, in the same run, the kernel's own nodes with the same network: what is more is the price of
asyncio, of the endpoints and of the frames; ``bare`` leaves the frames out. Seconds are this process's own on its core.

Prints one line of JSON last: ``times_real_time`` is how much faster than real time the programs ran, ``ratio`` their
seconds over those of the nodes, ``bare_ratio`` the same without frames. Run with ``PYTHONPATH=protocol:sim python
tests/bench/virtual_loop.py``; ``--quick`` takes one minute of it instead of ten, and one round instead of five.
"""

from __future__ import annotations

import argparse
import asyncio
import gc
import json
import logging
from time import process_time

from leadlight import FollowerSettings, LeaderSettings, StoredShow
from leadlight.net.endpoint import FollowerEndpoint, LeaderEndpoint
from leadlight.units import MILLISECOND, SECOND
from leadlight_sim.kernel.kernel import TrueInstant
from leadlight_sim.scenario.model import Scenario, check_scenario
from leadlight_sim.testing.network import VirtualNetwork
from leadlight_sim.world.assembly import World, stored_shows

FOLLOWERS = 8
SPAN_S = 600
QUICK_S = 60
ROUNDS = 5
ROLL_AFTER_S = 8
NO_FRAME_NS = 20 * MILLISECOND


def evening(duration_s: float) -> Scenario:
    """Return an evening of one long show."""
    return check_scenario(
        {
            "name": "Programs",
            "run": {"duration_s": duration_s, "seed": 1, "settle_s": 1},
            "leader": {"name": "boathouse"},
            "followers": [{"name": f"piece {number}", "pixels": 500} for number in range(FOLLOWERS)],
            "air": {"preset": "busy"},
            "shows": [{"id": "evening", "duration_s": duration_s}],
            "cues": [{"at_s": ROLL_AFTER_S, "show": "evening"}],
        },
        "programs",
    )


async def lead(show: StoredShow) -> None:
    """Lead, and roll the show."""
    settings = LeaderSettings("boathouse", group_size=FOLLOWERS)
    async with LeaderEndpoint(settings, group="Programs", shows=[show]) as node:
        await asyncio.sleep(ROLL_AFTER_S)
        node.roll(show.key)
        async for _ in node.events():
            pass


async def follow(name: str, show: StoredShow, frames: list[int] | None) -> None:
    """Follow, and count frames where they are asked for."""
    async with FollowerEndpoint(FollowerSettings(name), group="Programs", shows=[show]) as node:
        if frames is None:
            async for _ in node.events():
                pass
        while frames is not None:
            shown = node.shown()
            frames[0] += shown.frame is not None
            due_at = shown.next_at or node.clock() + NO_FRAME_NS
            await asyncio.sleep(max(0, due_at - node.clock()) / SECOND)


def run_programs(scenario: Scenario, with_frames: bool) -> tuple[float, int]:
    """Return the seconds that the programs took and the frames they had to show."""
    gc.collect()
    begun = process_time()
    (show,) = stored_shows(scenario)
    frames = [0]
    with VirtualNetwork(scenario=scenario) as network:
        network.host("boathouse").start(lead(show))
        for follower in scenario.followers:
            network.host(follower.name).start(follow(follower.name, show, frames if with_frames else None))
        network.run_for(scenario.run.duration_s)
    return process_time() - begun, frames[0]


def run_nodes(scenario: Scenario) -> float:
    """Return the seconds that the kernel's nodes took."""
    gc.collect()
    begun = process_time()
    world = World(scenario)
    world.run_to(TrueInstant(world.end))
    return process_time() - begun


def main() -> None:
    """Run the benchmark."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--quick", action="store_true", help="one minute, one round")
    arguments = parser.parse_args()
    logging.disable(logging.WARNING)  # that the group has no key
    span_s = QUICK_S if arguments.quick else SPAN_S
    scenario = evening(span_s)
    nodes, bare, programs, counts = [], [], [], set()
    for _ in range(1 if arguments.quick else ROUNDS):
        nodes.append(run_nodes(scenario))
        bare.append(run_programs(scenario, with_frames=False)[0])
        taken, frames = run_programs(scenario, with_frames=True)
        programs.append(taken)
        counts.add(frames)
    (frames,) = counts  # the same draws, the same frames
    expected = FOLLOWERS * 40 * (span_s - ROLL_AFTER_S - 2)
    assert abs(frames - expected) < expected / 100, (frames, expected)
    print(f"{span_s} s of {FOLLOWERS} players: {min(programs):.2f} s; the kernel's nodes: {min(nodes):.2f} s")
    print(
        json.dumps(
            {
                "bench": "virtual_loop",
                "span_s": span_s,
                "frames": frames,
                "times_real_time": round(span_s / min(programs)),
                "ratio": round(min(programs) / min(nodes), 2),
                "bare_ratio": round(min(bare) / min(nodes), 2),
            }
        )
    )


if __name__ == "__main__":
    main()
