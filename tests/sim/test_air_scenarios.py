"""What a scenario file says of scans, switches, dozing boards, radars and access points, and that it happens."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise
from typing import Any

import numpy as np
import pytest

from leadlight.units import MILLISECOND, SECOND
from leadlight_sim.air.access_point import BEACON_INTERVAL_NS
from leadlight_sim.air.choice.choosing import contended_settings, tables_scene
from leadlight_sim.air.contended.air import ContendedAir
from leadlight_sim.air.contended.settings import MEMBERSHIP_LIFETIME_NS, Scans
from leadlight_sim.air.interface import LinkKind
from leadlight_sim.air.timing import Band
from leadlight_sim.kernel.kernel import TrueInstant
from leadlight_sim.scenario.faults import over_at_s
from leadlight_sim.scenario.model import Scenario, check_scenario
from leadlight_sim.world.assembly import World

PIECES = ("jetty", "willow", "ferry")
FAR = {"name": "far shore", "stations": ["ferry"], "band": "2.4"}

FIDELITIES = ("sampled", "tabled", "contended")

pytestmark = pytest.mark.slow


@pytest.fixture(autouse=True, scope="module")
def kept_tables(tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    """Tables are kept where no other run sees them."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("XDG_CACHE_HOME", str(tmp_path_factory.mktemp("tables")))
        yield


def scenario(air: dict[str, Any], **changes: Any) -> Scenario:
    table: dict[str, Any] = {
        "name": "Lake",
        "run": {"duration_s": 150, "seed": 9, "settle_s": 5},
        "leader": {"wired": True},
        "followers": [{"name": name, "pixels": 100} for name in PIECES],
        "air": {"preset": "idle", "dropouts": {"mean_loss_fraction": 0.0}} | air,
        "shows": [{"id": "tidefall", "duration_s": 192}],
        "cues": [{"at_s": 0, "show": "tidefall"}],
    }
    return check_scenario(table | changes, "lake")


def heard_by(described: Scenario) -> tuple[World, dict[str, list[float]]]:
    world = World(described)
    packets = world.keep_packets()
    world.run_to(world.end)
    sent_at, delays_ns = packets.beacons(leader=0, followers=len(world.followers))
    heard = (sent_at[:, None] + delays_ns) / SECOND
    return world, {
        node.name: sorted(heard[~np.isnan(heard[:, number]), number].tolist())
        for number, node in enumerate(world.followers)
    }


def silences(heard: list[float], longer_than_s: float = 2.5) -> list[tuple[int, int]]:
    """Return the gaps between beacons that are longer, in whole seconds."""
    return [(round(one), round(other)) for one, other in pairwise(heard) if other - one > longer_than_s]


# What is said is what the air is told.


def test_everything_that_only_competing_frames_show_reaches_the_air() -> None:
    described = scenario(
        {
            "fidelity": "contended",
            "name": "boathouse radio",
            "band": 5,
            "dozing": ["willow"],
            "scans": {"stations": ["jetty"], "every_s": 30, "for_s": 3},
            "converts_multicast": True,
            "forgets_members": True,
            "answer_loss_factor": 0.25,
        },
        access_points=[FAR | {"dtim_period": 3, "others_doze": True, "neighbours": [{"kind": "saturated"}]}],
    )
    settings = contended_settings(described)
    first, far = settings.access_points
    assert (first.name, first.radio.band, far.name, far.radio.band) == (
        "boathouse radio",
        Band.GHZ_5,
        "far shore",
        Band.GHZ_2_4,
    )
    assert settings.power_save.stations == ("willow",)
    assert settings.scans == Scans(("jetty",), 30 * SECOND, 3 * SECOND)
    assert settings.converts_multicast
    assert settings.answer_loss_factor == 0.25
    assert settings.membership_lifetime_ns == MEMBERSHIP_LIFETIME_NS
    assert far.beacons is not None
    assert (far.stations, far.beacons.period, far.others_doze, len(far.neighbours)) == (("ferry",), 3, True, 1)
    assert not first.others_doze


def test_a_plain_scenario_tells_the_air_of_none_of_it() -> None:
    settings = contended_settings(scenario({"fidelity": "contended"}))
    assert settings.further == ()
    assert settings.power_save.stations == ()
    assert settings.scans is None
    assert not settings.converts_multicast
    assert settings.membership_lifetime_ns is None


# And it happens.


@pytest.mark.parametrize("fidelity", FIDELITIES)
def test_a_radar_silences_everybody_for_a_minute_in_every_air(fidelity: str) -> None:
    fault = {"kind": "radar", "at_s": 50.5}
    described = scenario({"fidelity": fidelity, "band": "5"}, faults=[fault])
    _, ears = heard_by(described)
    for heard in ears.values():
        ((begin, end),) = silences(heard)
        assert (begin, end) in ((50, 111), (50, 110))
        # A beacon a second, and all others are there: of 150, those of a minute are not.
        assert len(heard) >= 150 - 61 - 3


@pytest.mark.thorough_except(fidelity=("sampled", "contended"))
@pytest.mark.parametrize("fidelity", FIDELITIES)
@pytest.mark.parametrize("kind", ["access-point-reboot", "radar"])
def test_stations_come_back_one_by_one_in_every_air(kind: str, fidelity: str) -> None:
    fault = {"kind": kind, "at_s": 40.5, "for_s": 20, "rejoin_s": 40}
    described = scenario({"fidelity": fidelity, "band": "5"}, faults=[fault])
    assert over_at_s(described.faults[0]) == 100.5
    _, ears = heard_by(described)
    ends = [silences(heard)[0][1] for heard in ears.values()]
    assert all(60 <= end <= 102 for end in ends)
    assert len(set(ends)) == 3


@pytest.mark.thorough_except(fidelity=("sampled", "contended"))
@pytest.mark.parametrize("fidelity", FIDELITIES)
def test_a_board_that_roams_misses_what_goes_out_meanwhile_in_every_air(fidelity: str) -> None:
    fault = {"kind": "roam", "follower": "ferry", "at_s": 30.5, "for_s": 5}
    _, ears = heard_by(scenario({"fidelity": fidelity}, faults=[fault]))
    assert silences(ears["ferry"]) == [(30, 36)]
    assert silences(ears["jetty"]) == silences(ears["willow"]) == []


@pytest.mark.thorough_except(fidelity=("sampled", "contended"))
@pytest.mark.parametrize("fidelity", FIDELITIES)
def test_isolated_boards_hear_a_leader_on_a_cable_and_none_on_the_radio_in_every_air(fidelity: str) -> None:
    for wired in (False, True):
        air = {"fidelity": fidelity, "client_isolation": True}
        world, ears = heard_by(scenario(air, leader={"wired": wired}, run={"duration_s": 30, "settle_s": 5}))
        counts = world.air.counts[LinkKind.GROUP]
        if wired:
            assert all(len(heard) >= 24 for heard in ears.values())
        else:
            assert not any(ears.values())
            assert counts.blocked == counts.sent > 0


@pytest.mark.thorough_except(wired=False)
@pytest.mark.parametrize("fidelity", ["tabled", "contended"])
@pytest.mark.parametrize("wired", [False, True])
def test_with_nobody_next_door_a_lone_board_loses_nothing_and_waits_for_nothing(wired: bool, fidelity: str) -> None:
    nobody = [{"kind": "poisson", "load": 0.0}]
    described = scenario(
        {"fidelity": fidelity},
        leader={"wired": wired},
        neighbours=nobody,
        followers=[{"name": "jetty", "pixels": 100}],
    )
    world, ears = heard_by(described)
    # Sent once a second, from a second or so on; one of its own soundings, every four seconds, may meet one of them.
    assert 147 <= len(ears["jetty"]) <= 150
    assert world.air.counts[LinkKind.UP].lost == world.air.counts[LinkKind.DOWN].lost == 0
    assert not world.air.over_capacity


def test_a_large_group_is_observed_by_a_few_that_sound_as_often_as_all() -> None:
    def scene_of(boards: int) -> tuple[int, float]:
        followers = [{"name": f"board {number}", "pixels": 10} for number in range(boards)]
        scene = tables_scene(scenario({"fidelity": "tabled"}, followers=followers))
        return scene.followers, scene.followers * SECOND / scene.sounding_interval_ns

    # A board sounds every 4 s, in the tables' scene every 2, as long as that is little.
    assert [scene_of(boards) for boards in (1, 8, 30, 60)] == [(1, 0.5), (8, 4.0), (30, 15.0), (30, 15.0)]
    # A hundred sound 25 times a second; a thousand share nine tenths of the budget of 60.
    assert scene_of(100) == (30, 25.0)
    crowd, together_per_s = scene_of(1_000)
    assert crowd == 30
    assert together_per_s == pytest.approx(54.0)


def test_a_fault_of_one_access_point_leaves_the_other_alone() -> None:
    fault = {"kind": "access-point-reboot", "access_point": "far shore", "at_s": 40.5, "for_s": 20}
    _, ears = heard_by(scenario({"fidelity": "contended"}, access_points=[FAR], faults=[fault]))
    assert silences(ears["ferry"]) == [(40, 61)]
    assert silences(ears["jetty"]) == silences(ears["willow"]) == []


def test_a_board_roams_from_one_access_point_to_another() -> None:
    faults: list[dict[str, Any]] = [
        {"kind": "roam", "follower": "ferry", "to": "access point", "at_s": 30.5, "for_s": 5},
        # It is not there any more when its former access point falls silent, but the others are where they were.
        {"kind": "access-point-reboot", "access_point": "far shore", "at_s": 50.5, "for_s": 20},
        {"kind": "access-point-reboot", "at_s": 90.5, "for_s": 20},
    ]
    world, ears = heard_by(scenario({"fidelity": "contended"}, access_points=[FAR], faults=faults))
    assert silences(ears["ferry"]) == [(30, 36), (90, 111)]
    assert silences(ears["jetty"]) == [(90, 111)]
    assert isinstance(world.air, ContendedAir)
    assert [len(cell.ports) for cell in world.air.cells] == [3, 0]


def test_a_board_that_scans_misses_what_goes_to_the_group_meanwhile() -> None:
    scans = {"stations": ["willow"], "every_s": 50, "for_s": 5}
    _, ears = heard_by(scenario({"fidelity": "contended", "scans": scans}))
    # From 0 to 5, 50 to 55 and 100 to 105 s.
    assert ears["willow"][0] > 5
    assert all(begin in (49, 50, 99, 100) for begin, _ in silences(ears["willow"]))
    assert all(end in (55, 56, 105, 106) for _, end in silences(ears["willow"]))
    assert len(silences(ears["willow"])) == 2
    assert silences(ears["jetty"]) == []


def test_a_switch_that_forgets_lets_the_group_through_for_260_seconds() -> None:
    described = scenario(
        {"fidelity": "contended", "forgets_members": True}, run={"duration_s": 300, "seed": 9, "settle_s": 5}
    )
    # Copies of the beacon would come to their aid, so the level of the group's own frames is looked at.
    world = World(described)
    world.run_to(TrueInstant(259 * SECOND))
    before = world.air.counts[LinkKind.GROUP].blocked
    world.run_to(TrueInstant(270 * SECOND))
    assert before == 0
    assert world.air.counts[LinkKind.GROUP].blocked >= 3 * 8


def share_after_dtim(described: Scenario) -> float:
    world, ears = heard_by(described)
    grid = world.air.grid
    assert grid is not None
    heard = [TrueInstant(round(at * SECOND)) for at in ears["jetty"]]
    waits = [2 * BEACON_INTERVAL_NS - (grid.next_dtim(at) - at) for at in heard]
    return sum(wait < 10 * MILLISECOND for wait in waits) / len(waits)


def test_while_one_board_dozes_everybodys_beacons_come_after_the_access_points_own() -> None:
    # Ten of 204.8 ms, unless they are held.
    assert share_after_dtim(scenario({"fidelity": "contended"})) < 0.2
    # The board is awake for a tenth of a second after each of its own packets, one in some seconds.
    assert share_after_dtim(scenario({"fidelity": "contended", "dozing": ["willow"]})) > 0.8


def test_copies_for_each_member_are_acknowledged() -> None:
    world, _ = heard_by(scenario({"fidelity": "contended", "converts_multicast": True}))
    assert world.air.counts[LinkKind.GROUP].sent == 0
    assert world.air.counts[LinkKind.DOWN].delivered >= 3 * 149


@pytest.mark.parametrize("fidelity", ["sampled", "contended"])
def test_an_air_tells_what_a_link_loses_and_a_cable_nothing(fidelity: str) -> None:
    # Spells of five seconds in which nothing gets through, a tenth of the time.
    spells = {"mean_loss_fraction": 0.1, "mean_burst_s": 5.0}
    world = World(scenario({"fidelity": fidelity, "dropouts": spells}))
    losses = [world.air.loss_at("jetty", TrueInstant(second * SECOND)) for second in range(5000)]
    assert set(losses) == {0.0, 1.0}
    assert 0.05 < sum(losses) / len(losses) < 0.15
    assert world.air.loss_at(world.leader.name, TrueInstant(0)) == 0.0
