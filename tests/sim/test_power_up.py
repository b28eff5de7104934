"""A hundred and twenty-eight boards come up at once, as after a power cut, and share what the leader will answer."""

from __future__ import annotations

from collections import Counter

import pytest

from leadlight.events import LockAcquired
from leadlight.terms import ClockState, Kind
from leadlight.units import SECOND
from leadlight_sim.kernel.kernel import TrueInstant
from leadlight_sim.scenario.model import check_scenario
from leadlight_sim.world.assembly import World

BUDGET = 60
FOLLOWERS = 128
LOCKED_WITHIN_S = 20
WINDOW_S = 5


def power_cut(preset: str, seed: int) -> World:
    """Everyone loses power for ten seconds, a minute into the evening; the leader, on the same Wi-Fi, does not."""
    names = [f"piece {number}" for number in range(FOLLOWERS)]
    scenario = check_scenario(
        {
            "name": "a large garden after a power cut",
            "run": {"duration_s": 120, "settle_s": 0},
            "leader": {"name": "boathouse", "wired": False, "sounding_budget": BUDGET},
            "followers": [{"name": name, "pixels": 500} for name in names],
            "air": {"preset": preset},
            "shows": [{"id": "embers", "duration_s": 100, "frame_rate": [40, 1]}],
            "cues": [{"at_s": 20, "show": "embers"}],
            "faults": [{"kind": "power-cut", "follower": name, "at_s": 60, "for_s": 10} for name in names],
        },
        "a test",
    )
    return World(scenario, seed=seed)


@pytest.mark.interpreted
@pytest.mark.slow
@pytest.mark.thorough_except(preset="busy", seed=1)
@pytest.mark.parametrize("preset", ["idle", "busy"])
@pytest.mark.parametrize("seed", [1, 2])
def test_soundings_stay_inside_the_budget_and_everyone_locks_in_time(preset: str, seed: int) -> None:
    world = power_cut(preset, seed)
    soundings: Counter[int] = Counter()
    send = world.air.send

    def counted(sender: str, data: bytes, destination: str | None) -> None:
        if data[2] & 0x0F == Kind.SOUNDING:
            soundings[world.kernel.now // SECOND] += 1
        send(sender, data, destination)

    world.air.send = counted  # type: ignore[method-assign]
    world.run_to(TrueInstant(100 * SECOND))
    # Each follower keeps to its share; how many fall into one second is chance, into five hardly any more.
    for begin in range(95):
        count = sum(soundings[second] for second in range(begin, begin + WINDOW_S))
        assert count <= BUDGET * WINDOW_S, f"{count} from second {begin}: replay with seed {seed}, preset {preset}"
    late = [
        node.name
        for node in world.followers
        if not any(
            isinstance(event, LockAcquired) and 70 * SECOND <= at <= (70 + LOCKED_WITHIN_S) * SECOND
            for at, event in node.events
        )
    ]
    assert not late, f"not locked after {LOCKED_WITHIN_S} s: {late}; replay with seed {seed}, preset {preset}"
    assert all(node.follower.clock.state is ClockState.LOCKED for node in world.followers)
