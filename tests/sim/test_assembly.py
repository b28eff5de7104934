"""A scenario becomes the world that it describes."""

from __future__ import annotations

from typing import Any

import pytest

from leadlight import CueState
from leadlight.cue import NO_SHOW, show_key
from leadlight.terms import ClockState, Delivery
from leadlight.units import MILLISECOND, SECOND
from leadlight_sim.air.choice.making import air_settings
from leadlight_sim.air.choice.presets import preset
from leadlight_sim.air.timing import Band, Radio
from leadlight_sim.kernel.kernel import TrueInstant
from leadlight_sim.scenario.files import load_shipped
from leadlight_sim.scenario.model import Scenario, check_scenario
from leadlight_sim.scenario.network import Air, Dropouts
from leadlight_sim.world.assembly import World, stored_shows


def small(**changes: Any) -> Scenario:
    table: dict[str, Any] = {
        "name": "Small",
        "run": {"duration_s": 60, "settle_s": 10},
        "leader": {"wired": True},
        "followers": [{"name": "jetty", "pixels": 100}, {"name": "willow", "pixels": 200, "trim_ms": -4.0}],
        "air": {"preset": "model-a"},
        "shows": [{"id": "tidefall", "duration_s": 192, "frame_rate": [30000, 1001]}],
        "cues": [{"at_s": 20, "show": "tidefall", "position_s": 7.0}],
    }
    return check_scenario(table | changes, "small")


@pytest.mark.parametrize("delivery", Delivery)
def test_boards_come_to_follow_by_every_delivery(delivery: Delivery) -> None:
    world = World(small(leader={"wired": True, "delivery": delivery.value}))
    world.leader.beacons_sent = []
    world.run_to(TrueInstant(30 * SECOND))
    assert [node.follower.clock.state for node in world.followers] == [ClockState.LOCKED] * 2
    # By copies alone nothing goes to the group that could tell a board where its leader is: it knows beforehand.
    assert (world.leader.beacons_sent == []) == (delivery is Delivery.COPIES)


def test_a_board_that_only_listens_hears_nothing_where_copies_alone_are_sent() -> None:
    boards = [{"name": "jetty", "pixels": 100, "sounds": False}, {"name": "willow", "pixels": 200}]
    world = World(small(leader={"wired": True, "delivery": "copies"}, followers=boards))
    world.run_to(TrueInstant(30 * SECOND))
    assert [node.follower.clock.state for node in world.followers] == [ClockState.FREE_RUN, ClockState.LOCKED]


@pytest.mark.parametrize("name", ["idle", "busy", "dozing", "model-a", "model-e"])
def test_an_air_of_which_nothing_is_said_is_its_preset_but_for_the_floors(name: Any) -> None:
    plain = preset(name)
    made = air_settings(Air(preset=name))
    assert (made.tables, made.dropout, made.shared_dropout, made.congestion) == (
        plain.tables,
        plain.dropout,
        plain.shared_dropout,
        plain.congestion,
    )
    assert made.floor_asymmetry == 0.25


def test_what_is_said_of_an_air_is_taken_over() -> None:
    made = air_settings(
        Air(
            preset="dozing",
            band="5",
            dtim_period=3,
            floor_asymmetry=0.1,
            measured_asymmetry=True,
            client_isolation=True,
        )
    )
    assert isinstance(made.radio, Radio)
    assert made.radio.band is Band.GHZ_5
    assert made.hold is not None
    assert made.hold.period == 3
    assert (made.floor_asymmetry, made.measured_asymmetry, made.client_isolation) == (0.1, True, True)


def test_stated_dropouts_are_shared_in_the_stated_part_and_make_the_stated_loss() -> None:
    made = air_settings(Air(dropouts=Dropouts(mean_loss_fraction=0.2, mean_burst_s=0.3, shared_fraction=0.25)))
    assert made.shared_dropout.mean_loss == pytest.approx(0.05)
    assert made.dropout.mean_loss == pytest.approx(0.15)


def test_a_shows_frames_are_those_that_begin_before_its_end() -> None:
    (show,) = stored_shows(small())
    assert show.key == show_key("tidefall", "1")
    # 192 s at 30000/1001 frames a second are 5754.2 frames.
    assert show.frame_count == 5754
    shipped = stored_shows(load_shipped())
    assert [each.frame_count for each in shipped] == [192 * 40, 167 * 40, 245 * 40]


def test_followers_are_set_up_as_described() -> None:
    world = World(small(leader={"wired": True, "tally_interval_s": 3.0, "sounding_budget": 0}))
    world.run_to(TrueInstant(60 * SECOND))
    jetty, willow = (node.follower.settings for node in world.followers)
    assert (jetty.name, willow.name) == ("jetty", "willow")
    assert (jetty.latency_ns, willow.latency_ns) == (3 * MILLISECOND, 6 * MILLISECOND)
    assert (jetty.trim_ns, willow.trim_ns) == (0, -4 * MILLISECOND)
    assert jetty.tally_interval_ns == 3 * SECOND
    assert [node.follower.answered_at for node in world.followers] == [None, None], "nobody sounds on a budget of 0"


def test_boards_come_up_within_the_first_second_and_not_together() -> None:
    world = World(load_shipped())
    world.run_to(TrueInstant(SECOND))
    ups = [node.switched[0][0] for node in world.followers]
    assert all(0 <= at < SECOND for at in ups)
    assert len(set(ups)) == len(ups)


def test_no_two_clocks_begin_alike_and_none_is_out_of_tolerance() -> None:
    world = World(load_shipped())
    nodes = [world.leader, *world.followers]
    assert len({node.local_at(TrueInstant(0)) for node in nodes}) == len(nodes)
    for node in nodes:
        gained_ns = node.local_at(TrueInstant(4 * SECOND)) - node.local_at(TrueInstant(0)) - 4 * SECOND
        # 50 ppm of four seconds, and cooling of up to 5 ppm that has begun to be felt.
        assert abs(gained_ns) <= 4 * (50_000 + 5_000)


def test_a_given_crystal_is_used_as_given() -> None:
    still = {"wander_ppm_per_sqrt_s": [0.0, 0.0], "cooling_ppm": [0.0, 0.0]}
    world = World(small(leader={"wired": True, "oscillator_ppm": 12.0}, clocks=still))
    gained_ns = world.leader.local_at(TrueInstant(SECOND)) - world.leader.local_at(TrueInstant(0)) - SECOND
    assert gained_ns == 12_000


def test_cues_are_planned_in_order_of_time_whatever_the_file_says() -> None:
    cues = [{"at_s": 30, "state": "dark"}, {"at_s": 20, "show": "tidefall", "position_s": 7.0}]
    try:
        described = small(cues=cues)
    except ValueError:
        described = small(cues=cues[::-1])  # where a file out of order is refused
    plan = World(described).plan
    assert [(planned.at, planned.show, planned.state) for planned in plan] == [
        (20 * SECOND, show_key("tidefall", "1"), CueState.ROLLING),
        (30 * SECOND, NO_SHOW, CueState.DARK),
    ]
    assert plan[0].position == 7 * SECOND


def test_a_seed_given_replaces_the_scenarios() -> None:
    assert World(small()).seed == 1
    assert World(small(), seed=8).seed == 8
