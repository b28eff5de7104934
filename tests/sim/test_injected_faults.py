"""A newcomer shifts nobody else's draws: what others hear, and when, stays as it was."""

from __future__ import annotations

from typing import Any

import pytest

from leadlight import Codec
from leadlight.wire.messages import Beacon
from leadlight_sim.air.sampled import SampledAir
from leadlight_sim.kernel.kernel import TrueInstant
from leadlight_sim.scenario.model import Scenario, check_scenario
from leadlight_sim.world.assembly import World

Outcomes = dict[str, list[tuple[int, int, int]]]
"""For each follower its group beacons: when sent by the leader's clock, and when at the antenna and in the program."""

PIECES = ["jetty", "willow", "ferry"]

pytestmark = [pytest.mark.slow, pytest.mark.interpreted]


def scenario(pieces: list[str], preset: str, *, wired: bool, **changes: Any) -> Scenario:
    table: dict[str, Any] = {
        "name": "Fates",
        "run": {"duration_s": 60, "seed": 9, "settle_s": 5},
        "leader": {"wired": wired},
        "followers": [{"name": name, "pixels": 100} for name in pieces],
        "air": {"preset": preset, "dropouts": {"mean_loss_fraction": 0.1}},
        "shows": [{"id": "tidefall", "duration_s": 192}],
        # In force from the start: in a change's burst a beacon may queue behind its sender's last one, which is longer
        # when it carries more followers' figures.
        "cues": [{"at_s": 0, "show": "tidefall"}],
    }
    return check_scenario(table | changes, "fates")


def outcomes(described: Scenario, monkeypatch: pytest.MonkeyPatch) -> Outcomes:
    world = World(described)
    codec = Codec(described.name)
    heard: Outcomes = {}
    for node in world.followers:
        entries = heard[node.name] = []

        def receive(
            data: bytes, sender: str, arrived_at: TrueInstant, node: Any = node, entries: Any = entries
        ) -> None:
            message = codec.decode(data)
            if isinstance(message, Beacon) and not message.is_copy:
                entries.append((message.sent_at, arrived_at, world.kernel.now))
            type(node).receive(node, data, sender, arrived_at)

        assert isinstance(world.air, SampledAir)
        monkeypatch.setattr(world.air._ports[node.name], "receive", receive)
    world.run_to(world.end)
    return heard


@pytest.mark.parametrize("preset", ["idle", "busy"])
@pytest.mark.parametrize("newcomer_first", [True, False])
def test_a_newcomer_changes_no_beacons_outcome_for_the_others(
    preset: str, newcomer_first: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    before = outcomes(scenario(PIECES, preset, wired=True), monkeypatch)
    pieces = ["mill wheel", *PIECES] if newcomer_first else [*PIECES, "mill wheel"]
    after = outcomes(scenario(pieces, preset, wired=True), monkeypatch)
    assert {name: after[name] for name in PIECES} == before
    # Some beacons are lost, and not the same ones everywhere: there are draws to be shifted.
    sent = {sent_at for entries in after.values() for sent_at, _, _ in entries}
    assert all(len(entries) < len(sent) for entries in before.values())
    assert len({tuple(sent_at for sent_at, _, _ in entries) for entries in before.values()}) == len(PIECES)


def test_a_newcomer_changes_what_is_lost_on_the_leaders_own_hop_as_little(monkeypatch: pytest.MonkeyPatch) -> None:
    before = outcomes(scenario(PIECES, "busy", wired=False), monkeypatch)
    after = outcomes(scenario([*PIECES, "mill wheel"], "busy", wired=False), monkeypatch)
    for name in PIECES:
        assert [entry[0] for entry in after[name]] == [entry[0] for entry in before[name]]
        for now, then in zip(after[name], before[name], strict=True):
            # A beacon with another mark in it is some bytes longer: on a retry that is some microseconds of air.
            assert abs(now[1] - then[1]) <= 100_000


def test_a_held_group_queue_is_shared_but_its_losses_are_not(monkeypatch: pytest.MonkeyPatch) -> None:
    before = outcomes(scenario(PIECES, "dozing", wired=True), monkeypatch)
    after = outcomes(scenario([*PIECES, "mill wheel"], "dozing", wired=True), monkeypatch)
    for name in PIECES:
        assert [entry[0] for entry in after[name]] == [entry[0] for entry in before[name]]


def test_another_kind_of_host_changes_when_a_program_wakes_and_not_what_reaches_the_antenna(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    small_boards = scenario(PIECES, "busy", wired=True)
    before = outcomes(small_boards, monkeypatch)
    after = outcomes(small_boards.with_changes({"followers[ferry].host": "busy"}), monkeypatch)
    assert after["jetty"] == before["jetty"]
    assert [entry[:2] for entry in after["ferry"]] == [entry[:2] for entry in before["ferry"]]
    assert [entry[2] for entry in after["ferry"]] != [entry[2] for entry in before["ferry"]]
