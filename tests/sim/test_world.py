"""What a world does when power comes and goes, on exact hosts and perfect crystals."""

from __future__ import annotations

from typing import Any

import pytest

from leadlight import ClockState, CueState
from leadlight.cue import show_key
from leadlight.events import CueAdopted, LeaderFound, LeaderLost, LeaderRestarted, LockAcquired
from leadlight.units import MILLISECOND, SECOND
from leadlight_sim.kernel.kernel import TrueInstant
from leadlight_sim.scenario.model import Scenario, check_scenario
from leadlight_sim.world.assembly import World
from leadlight_sim.world.nodes import CLOCK_AT_BOOT_NS

TIDEFALL, EMBERS = show_key("tidefall", "1"), show_key("embers", "1")
LISTENING_S = 8.0
"""A leader listens for seven intervals before it leads, one second each."""


def scenario(**changes: Any) -> Scenario:
    table: dict[str, Any] = {
        "name": "World",
        "run": {"duration_s": 120, "settle_s": 10},
        "leader": {"wired": True, "oscillator_ppm": 0.0},
        "followers": [{"name": name, "pixels": 100, "oscillator_ppm": 0.0} for name in ("jetty", "willow")],
        "clocks": {"wander_ppm_per_sqrt_s": [0.0, 0.0], "cooling_ppm": [0.0, 0.0]},
        "air": {"preset": "idle", "dropouts": {"mean_loss_fraction": 0.0}},
        "shows": [{"id": "tidefall", "duration_s": 300}, {"id": "embers", "duration_s": 300}],
        "cues": [{"at_s": 20.0, "show": "tidefall"}],
    }
    return check_scenario(table | changes, "world")


def run_to(world: World, at_s: float) -> None:
    world.run_to(TrueInstant(round(at_s * SECOND)))


def kinds_since(world: World, piece: int, since_s: float) -> list[type]:
    return [type(event) for at, event in world.followers[piece].events if at >= since_s * SECOND]


def shown_ms(world: World, piece: int, at_s: float) -> float:
    node = world.followers[piece]
    position = node.follower.position_at(node.local_at(TrueInstant(round(at_s * SECOND))))
    assert position is not None
    return position / MILLISECOND


def test_a_show_runs_by_true_time_from_its_planned_instant() -> None:
    world = World(scenario())
    run_to(world, 60)
    cue, position = world.ideal(TrueInstant(60 * SECOND))
    assert (cue.show, cue.state, position) == (TIDEFALL, CueState.ROLLING, 40 * SECOND)
    for piece in range(2):
        # The clock's error on an idle network, far below the 12.5 ms that would show.
        assert shown_ms(world, piece, 60) == pytest.approx(40_000, abs=2)


def test_a_board_without_power_does_nothing_and_begins_from_nothing() -> None:
    cut = {"kind": "power-cut", "follower": "willow", "at_s": 40.0, "for_s": 20.0}
    world = World(scenario(faults=[cut]))
    run_to(world, 39.9)
    willow = world.followers[1]
    before = willow.follower
    run_to(world, 59.9)
    assert world.followers[1].powered is False
    assert [at for at, _ in willow.events if at >= 40 * SECOND] == []
    run_to(world, 60)
    assert willow.powered
    assert willow.follower is not before
    assert willow.local_at(TrueInstant(60 * SECOND)) == CLOCK_AT_BOOT_NS
    run_to(world, 80)
    kinds = kinds_since(world, 1, 60)
    assert kinds[0] is LeaderFound
    assert {LockAcquired, CueAdopted} <= set(kinds)
    assert willow.follower.clock.state is ClockState.LOCKED
    assert shown_ms(world, 1, 80) == pytest.approx(60_000, abs=2)
    # The other one noticed nothing.
    assert kinds_since(world, 0, 30) == []


def test_timers_of_a_former_life_do_not_ring_in_the_next() -> None:
    # Off for a tenth of a second: a beacon's silence, a Sounding and a Tally of the old life fall due in the new.
    cut = {"kind": "power-cut", "follower": "willow", "at_s": 40.0, "for_s": 0.1}
    world = World(scenario(faults=[cut]))
    run_to(world, 60)
    kinds = kinds_since(world, 1, 40)
    assert LeaderLost not in kinds
    assert kinds.count(LeaderFound) == 1


def test_a_leader_that_comes_back_takes_up_where_the_music_would_have_been() -> None:
    world = World(scenario(faults=[{"kind": "leader-reboot", "at_s": 40.0, "for_s": 20.0}]))
    run_to(world, 55)
    for piece in range(2):
        assert kinds_since(world, piece, 40)[0] is LeaderLost
        assert world.followers[piece].follower.clock.state is ClockState.HOLDOVER
        # Perfect crystals: what the learnt rate is off by is all that holdover adds in 15 s.
        assert shown_ms(world, piece, 55) == pytest.approx(35_000, abs=3)
    run_to(world, 60 + LISTENING_S + 5)
    at_s = 60 + LISTENING_S + 5
    assert world.ideal(world.kernel.now)[1] / MILLISECOND == pytest.approx((at_s - 20) * 1000, abs=0.001)
    for piece in range(2):
        assert LeaderRestarted in kinds_since(world, piece, 60)
        assert shown_ms(world, piece, at_s) == pytest.approx((at_s - 20) * 1000, abs=3)


def test_a_cue_of_the_leaders_outage_is_in_force_when_it_is_back() -> None:
    cues = [{"at_s": 20.0, "show": "tidefall"}, {"at_s": 50.0, "show": "embers", "position_s": 5.0}]
    world = World(scenario(cues=cues, faults=[{"kind": "leader-reboot", "at_s": 40.0, "for_s": 20.0}]))
    run_to(world, 55)
    # Nobody could be told: the pieces go on with the old one, though the evening has gone on.
    cue, position = world.ideal(world.kernel.now)
    assert (cue.show, position) == (EMBERS, 10 * SECOND)
    assert world.followers[0].follower.cue.show == TIDEFALL
    at_s = 60 + LISTENING_S + 5
    run_to(world, at_s)
    for piece in range(2):
        assert world.followers[piece].follower.cue.show == EMBERS
        assert shown_ms(world, piece, at_s) == pytest.approx((at_s - 50 + 5) * 1000, abs=3)


def test_the_evening_goes_on_while_a_leader_that_is_back_still_listens() -> None:
    cues = [{"at_s": 20.0, "show": "tidefall"}, {"at_s": 50.0, "show": "embers", "position_s": 5.0}]
    world = World(scenario(cues=cues, faults=[{"kind": "leader-reboot", "at_s": 40.0, "for_s": 20.0}]))
    for at_s in (45.0, 55.0, 61.0, 66.0, 75.0):
        run_to(world, at_s)
        cue, position = world.ideal(world.kernel.now)
        expected_s, show = (at_s - 20, TIDEFALL) if at_s < 50 else (at_s - 50 + 5, EMBERS)
        assert (cue.show, position) == (show, expected_s * SECOND)


def test_a_paused_show_stays_where_it_was_over_the_leaders_restart() -> None:
    cues = [
        {"at_s": 20.0, "show": "tidefall"},
        {"at_s": 35.0, "show": "tidefall", "state": "paused", "position_s": 9.0},
    ]
    world = World(scenario(cues=cues, faults=[{"kind": "leader-reboot", "at_s": 40.0, "for_s": 20.0}]))
    run_to(world, 60 + LISTENING_S + 5)
    cue, position = world.ideal(world.kernel.now)
    assert (cue.state, position) == (CueState.PAUSED, 9 * SECOND)
    for piece in range(2):
        assert shown_ms(world, piece, 60 + LISTENING_S + 5) == 9_000


def test_a_pause_that_falls_due_in_the_outage_is_one_afterwards() -> None:
    cues = [
        {"at_s": 20.0, "show": "tidefall"},
        {"at_s": 50.0, "show": "tidefall", "state": "paused", "position_s": 9.0},
    ]
    world = World(scenario(cues=cues, faults=[{"kind": "leader-reboot", "at_s": 40.0, "for_s": 20.0}]))
    run_to(world, 60 + LISTENING_S + 5)
    cue, position = world.ideal(world.kernel.now)
    assert (cue.state, position) == (CueState.PAUSED, 9 * SECOND)


def test_every_timebase_is_remembered_so_that_a_held_clock_can_be_judged() -> None:
    world = World(scenario(faults=[{"kind": "leader-reboot", "at_s": 40.0, "for_s": 20.0}]))
    run_to(world, 30)
    old = world.leader.leader.timebase
    assert old is not None
    shown = world.leader_time(old, TrueInstant(30 * SECOND))
    assert shown is not None
    run_to(world, 90)
    assert world.leader.leader.timebase != old
    # A perfect crystal: sixty seconds later by sixty seconds, off or on.
    assert world.leader_time(old, TrueInstant(90 * SECOND)) == shown + 60 * SECOND
    assert world.leader_time(12_345, TrueInstant(90 * SECOND)) is None
