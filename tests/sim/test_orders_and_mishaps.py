"""What people order in a scenario, and what else can befall hosts, clocks and packets in it."""

from __future__ import annotations

import tomllib
from typing import Any

import pytest

from leadlight import CueState
from leadlight.events import CueTookEffect
from leadlight.units import SECOND, seconds
from leadlight_sim.kernel import TrueInstant
from leadlight_sim.scenario import Scenario, ScenarioError, as_toml, check_scenario, load_shipped
from leadlight_sim.soak import random_evening
from leadlight_sim.world import World


def table(**changes: Any) -> dict[str, Any]:
    return {
        "name": "Ordered",
        "run": {"duration_s": 60, "seed": 5, "settle_s": 5},
        "leader": {"name": "boathouse", "interval_s": 0.5, "lead_time_s": 1.0},
        "standbys": [{"name": "second", "rank": 1}],
        "followers": [{"name": name, "pixels": 100, "host": "steady"} for name in ("jetty", "willow")],
        "air": {"preset": "idle"},
        "shows": [{"id": "tidefall", "duration_s": 192}],
        "cues": [{"at_s": 8, "show": "tidefall"}],
    } | changes


def evening(**changes: Any) -> Scenario:
    return check_scenario(table(**changes), "ordered")


def world_at(at_s: float, **changes: Any) -> World:
    world = World(evening(**changes))
    world.run_to(TrueInstant(seconds(at_s)))
    return world


def order(what: str, at_s: float, **more: Any) -> dict[str, Any]:
    return {"order": what, "at_s": at_s} | more


# -- scenario files --------------------------------------------------------------------------------------------------


def test_a_scenario_written_as_a_file_says_the_same() -> None:
    named = check_scenario(
        {
            "name": "odd names",
            "run": {"duration_s": 60, "settle_s": 5},
            "followers": [{"name": name, "pixels": 10} for name in ('a "b" \\ c', "d.e", "füße")],
            "shows": [{"id": "tidefall", "duration_s": 30}],
            "cues": [{"at_s": 10, "show": "tidefall"}],
            "site": {"places": {'a "b" \\ c': [0.1, 0.2], "d.e": [0.3, 0.4], "füße": [0.5, 0.6]}},
        },
        "names",
    )
    for scenario in (named, load_shipped(), *map(random_evening, range(30))):
        assert check_scenario(tomllib.loads(as_toml(scenario)), "again").digest() == scenario.digest()


@pytest.mark.parametrize(
    ("changes", "line"),
    [
        (
            {"orders": [order("stop", 5, node="jetty")]},
            'orders[0].node: "jetty" is not allowed; allowed: the name of the leader or of a standby',
        ),
        ({"orders": [order("roll", 5)]}, "orders[0].show: missing; allowed: the id of a show, where the order is roll"),
        (
            {"orders": [order("dark", 5, position_s=2)]},
            "orders[0].position_s: 2 is not allowed; allowed: left out, unless the order is roll or seek",
        ),
        (
            {"orders": [order("stop", 60)]},
            "orders[0].at_s: 60 is not allowed; allowed: before the end of the run at 60 s",
        ),
        (
            {"faults": [{"kind": "standby-reboot", "standby": "secnd", "at_s": 5, "for_s": 1}]},
            'faults[0].standby: "secnd" is not allowed; allowed: the name of a standby; did you mean "second"?',
        ),
        (
            {"faults": [{"kind": "leader-suspended", "node": "willow", "at_s": 5}]},
            'faults[0].node: "willow" is not allowed; allowed: the name of the leader or of a standby',
        ),
        (
            {"faults": [{"kind": "clock-step", "node": "wilow", "at_s": 5, "by_ms": 3}]},
            'faults[0].node: "wilow" is not allowed; allowed: the name of the leader, of a standby or of a follower; '
            'did you mean "willow"?',
        ),
    ],
)
def test_what_is_wrong_with_an_order_or_a_fault_is_said_in_one_line(changes: dict[str, Any], line: str) -> None:
    with pytest.raises(ScenarioError) as caught:
        check_scenario(table(**changes), "lake.toml")
    assert str(caught.value) == f"lake.toml: {line}"


# -- orders ----------------------------------------------------------------------------------------------------------


def test_orders_reach_the_node_they_are_for_and_what_it_refuses_changes_nothing() -> None:
    orders = [
        order("pause", 20),
        order("resume", 20.5, node="second"),
        order("resume", 25),
        order("seek", 30, position_s=90),
        order("dark", 35),
        order("roll", 40, show="tidefall", position_s=5),
        order("stop", 45),
    ]
    world = world_at(50, orders=orders)
    assert [one.order.order for one in world.obeyed] == ["pause", "resume", "seek", "dark", "roll", "stop"]
    states = [event.cue.state for _, event in world.leader.events if isinstance(event, CueTookEffect)]
    assert states == [
        *(CueState.ROLLING, CueState.PAUSED, CueState.ROLLING, CueState.ROLLING, CueState.DARK, CueState.ROLLING),
        CueState.STOPPED,
    ]
    begins = [one.begins_at for one in world.obeyed]
    assert begins[-1] is None
    assert begins[0] is not None
    assert abs(begins[0] - 21 * SECOND) < 100_000  # a lead time by its own crystal


def test_a_node_that_is_asleep_gets_no_order() -> None:
    asleep = {"kind": "leader-suspended", "at_s": 18, "for_s": 5}
    assert world_at(30, faults=[asleep], orders=[order("stop", 20)]).obeyed == []


def test_the_off_time_of_an_order_is_kept_by_everyone() -> None:
    world = world_at(28, orders=[order("off-time", 20, off_in_s=5)])
    assert [node.follower.shown(node.now).frame for node in world.followers] == [None, None]


# -- hosts and clocks ------------------------------------------------------------------------------------------------


def test_a_clock_that_stands_still_falls_behind_by_just_as_long() -> None:
    still = world_at(30)
    stood = world_at(30, faults=[{"kind": "clock-stands", "node": "jetty", "at_s": 10, "for_s": 5}])
    assert still.followers[0].now - stood.followers[0].now == pytest.approx(5 * SECOND, abs=1_000_000)
    assert stood.followers[1].now == still.followers[1].now


def test_a_clock_is_set_by_as_much_as_the_scenario_says() -> None:
    still = world_at(30)
    stepped = world_at(30, faults=[{"kind": "clock-step", "node": "second", "at_s": 10, "by_ms": -250}])
    assert stepped.leaders[1].now - still.leaders[1].now == -SECOND // 4


def test_a_standby_that_restarts_stands_by_again() -> None:
    fault = {"kind": "standby-reboot", "standby": "second", "at_s": 15, "for_s": 3}
    world = world_at(30, faults=[fault])
    assert [on for _, on in world.leaders[1].switched] == [True, False, True]
    assert world.leaders[1].leader.tenure == world.leader.leader.tenure
    assert not world.leaders[1].leader.is_leading


# -- packets ---------------------------------------------------------------------------------------------------------


def counted(world: World, what: str) -> int:
    return sum(node.follower.counters[what] for node in world.followers)


@pytest.mark.parametrize(("direction", "hears", "is_heard"), [("inbound", False, True), ("outbound", True, False)])
def test_a_split_may_be_of_one_direction(direction: str, hears: bool, is_heard: bool) -> None:
    split = {"kind": "split-network", "away": ["jetty"], "direction": direction, "at_s": 12, "for_s": 40}
    world = world_at(50, faults=[split], leader={"interval_s": 0.5, "tally_interval_s": 1.0})
    cut, whole = (node.follower for node in world.followers)
    now = world.followers[0].now
    assert cut.heard_at is not None
    assert (now - cut.heard_at < 2 * SECOND) is hears
    entry = world.leader.leader.roster.find(cut.identity)
    assert entry is not None
    assert (world.leader.now - entry.heard_at < 10 * SECOND) is is_heard
    assert whole.heard_at is not None


def test_changed_bits_are_refused_where_there_is_a_key() -> None:
    fault = {"kind": "corruption", "share": 1.0, "at_s": 20, "for_s": 20}
    world = world_at(39, faults=[fault], keyed=True)
    assert all(node.now - (node.follower.heard_at or 0) > 18 * SECOND for node in world.followers)
    assert counted(world, "bad tag") > 30


def test_packets_that_come_twice_or_late_are_counted_and_nothing_else() -> None:
    twice = {"kind": "repetition", "share": 1.0, "within_ms": 100, "at_s": 20, "for_s": 20}
    late = {"kind": "reordering", "share": 0.3, "by_ms": 1500, "at_s": 20, "for_s": 20}
    assert counted(world_at(40), "duplicate") == 0
    assert counted(world_at(40, faults=[twice]), "duplicate") > 40
    assert counted(world_at(40, faults=[late]), "late beacon") > 2


@pytest.mark.parametrize("what", ["replays", "garbage", "beacons", "leaders", "followers"])
def test_a_stranger_is_heard_by_all_and_believed_by_none_that_has_a_key(what: str) -> None:
    fault = {"kind": "hostile-packets", "what": what, "every_s": 0.1, "at_s": 20, "for_s": 20}
    quiet, noisy = world_at(50, keyed=True), world_at(50, keyed=True, faults=[fault])
    assert sum(sum(node.follower.counters.values()) for node in noisy.followers) > 100
    assert [node.follower.tenure for node in noisy.followers] == [node.follower.tenure for node in quiet.followers]
    assert [node.follower.cue for node in noisy.followers] == [noisy.leader.leader.cue] * 2
