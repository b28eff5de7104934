"""A standby takes over: soon enough, without anybody's frame moving, and never while the leader lives."""

from __future__ import annotations

from typing import Any

import pytest

from leadlight.events import LeaderChanged, RoleChanged
from leadlight.terms import Role
from leadlight.units import SECOND
from leadlight_sim.kernel.kernel import TrueInstant
from leadlight_sim.measures.scoring import Scorer
from leadlight_sim.scenario.model import Scenario, check_scenario
from leadlight_sim.world.assembly import World

LOST_AT_S = 90
HALF_FRAME_MS = 12.5
SILENT_INTERVALS = 5


def garden(preset: str, followers: int, duration_s: float, **changes: Any) -> Scenario:
    """A small garden with a standby, on a network that loses a tenth of everything in bursts of half a second."""
    table: dict[str, Any] = {
        "name": "quarry lake with a standby",
        "run": {"duration_s": duration_s, "settle_s": 60},
        "leader": {"name": "boathouse", "lead_time_s": 2.0},
        "standbys": [{"name": "ticket hut", "rank": 1}],
        "followers": [{"name": f"piece {number}", "pixels": 500} for number in range(followers)],
        "air": {"preset": preset, "dropouts": {"mean_loss_fraction": 0.1, "mean_burst_s": 0.5}},
        "shows": [{"id": "embers", "duration_s": duration_s, "frame_rate": [40, 1]}],
        "cues": [{"at_s": 20, "show": "embers"}],
    }
    return check_scenario(table | changes, "a test")


def roles(world: World, node: int) -> list[tuple[float, Role]]:
    return [(at / SECOND, event.role) for at, event in world.leaders[node].events if isinstance(event, RoleChanged)]


@pytest.mark.slow
@pytest.mark.thorough_except(seed=1)
@pytest.mark.parametrize("preset", ["idle", "busy"])
@pytest.mark.parametrize("seed", range(1, 51))
def test_a_takeover_is_soon_and_moves_nobody_by_half_a_frame(preset: str, seed: int) -> None:
    lost = {"kind": "leader-lost", "at_s": LOST_AT_S}
    world = World(garden(preset, 4, 120, faults=[lost]), seed=seed)
    scorer = Scorer(world)
    scorer.run(world.end)
    led = [at for at, role in roles(world, 1) if role is Role.LEADING and at > LOST_AT_S]
    assert led, f"nobody took over: replay with seed {seed}, preset {preset}"
    # Within K + 2 intervals of the last beacon that the standby can have heard, which is from before the loss.
    assert led[0] - LOST_AT_S <= SILENT_INTERVALS + 2
    scores = scorer.scores()
    after = scores.times_s > LOST_AT_S - 5
    for score in scores.followers:
        moved = abs(score.errors[after]).max()
        assert moved < HALF_FRAME_MS, f"{score.name} moved {moved:.2f} ms: replay with seed {seed}, preset {preset}"
        assert score.visible_steps == 0


def test_all_followers_end_up_with_the_standby() -> None:
    world = World(garden("idle", 4, 120, faults=[{"kind": "leader-lost", "at_s": LOST_AT_S}]), seed=3)
    world.run_to(world.end)
    standby = world.leaders[1].leader
    for node in world.followers:
        assert node.follower.tenure == standby.tenure
        assert any(isinstance(event, LeaderChanged) for at, event in node.events if at > LOST_AT_S * SECOND)
        assert node.follower.cue.show == world.shows[0].key


@pytest.mark.slow
@pytest.mark.thorough_except(hours=1)
@pytest.mark.parametrize(("seed", "hours"), [(6, 1), *((seed, 10) for seed in range(1, 6))])
def test_a_standby_never_leads_while_the_leader_lives(seed: int, hours: int) -> None:
    # Ten hours each, fifty in all. Outages last 0.16 s on average. No asking tells a dead leader from an outage of this
    # node's own that outlasts five intervals and the asking; at a mean of half a second there is one a day.
    air = {"preset": "busy", "dropouts": {"mean_loss_fraction": 0.1, "mean_burst_s": 0.16}}
    world = World(garden("busy", 1, hours * 3_600, air=air), seed=seed)
    for hour in range(1, hours + 1):
        world.run_to(TrueInstant(hour * 3600 * SECOND))
        # Both begin at once: a standby that missed the first beacons leads for half a second, before there is a show.
        led = [at for at, role in roles(world, 1) if role is Role.LEADING and at > 20]
        assert not led, f"replay with seed {seed}"


def test_a_first_leader_that_comes_back_neither_darkens_nor_moves_the_show() -> None:
    reboot = {"kind": "leader-reboot", "at_s": LOST_AT_S, "for_s": 15}
    world = World(garden("idle", 4, 160, faults=[reboot]), seed=2)
    scorer = Scorer(world)
    scorer.run(world.end)
    # The standby led meanwhile, and the show rolls on under it: there is no boundary to take back at.
    assert world.leaders[0].leader.role is Role.STANDBY
    assert world.leaders[1].leader.role is Role.LEADING
    scores = scorer.scores()
    for score in scores.followers:
        assert abs(score.errors[scores.times_s > LOST_AT_S]).max() < HALF_FRAME_MS
        assert score.visible_steps == 0
    for node in world.followers:
        assert node.follower.shown(node.now).frame is not None


def test_the_first_leader_takes_back_between_shows() -> None:
    reboot = {"kind": "leader-reboot", "at_s": LOST_AT_S, "for_s": 15}
    shows = [{"id": "embers", "duration_s": 110, "frame_rate": [40, 1]}]
    world = World(garden("idle", 4, 160, faults=[reboot], shows=shows), seed=2)
    world.run_to(world.end)  # the show that begins at 20 s ends at 130 s
    taken_back = [at for at, role in roles(world, 0) if role is Role.LEADING and at > LOST_AT_S]
    assert len(taken_back) == 1
    assert taken_back[0] >= 130
    assert world.leaders[1].leader.role is Role.STANDBY


def test_two_leaders_after_a_split_become_one() -> None:
    split = {"kind": "split-network", "away": ["ticket hut", "piece 0", "piece 1"], "at_s": LOST_AT_S, "for_s": 20}
    world = World(garden("idle", 4, 160, faults=[split]), seed=4)
    world.run_to(TrueInstant((LOST_AT_S + 19) * SECOND))
    assert all(node.leader.role is Role.LEADING for node in world.leaders)
    world.run_to(world.end)
    assert world.leaders[0].leader.role is Role.LEADING
    assert world.leaders[1].leader.role is Role.STANDBY
    assert {node.follower.tenure for node in world.followers} == {world.leaders[0].leader.tenure}
