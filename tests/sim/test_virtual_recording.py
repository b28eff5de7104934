"""A network is recorded in virtual time by the recorder's own code, and what it says is what the air did."""

from __future__ import annotations

from functools import cache

import pytest

from leadlight.errors import LeadlightError
from leadlight.recording import Plan
from leadlight.units import MICROSECOND, MILLISECOND, SECOND
from leadlight_sim.scenario import resolve_scenario
from leadlight_sim.testing import VirtualRecording, record_virtually


@cache
def recorded(preset: str, seed: int = 2) -> VirtualRecording:
    return record_virtually(20, preset=preset, seed=seed, hosts=("jetty", "willow"))


@pytest.mark.parametrize("preset", ["idle", "busy", "dozing", pytest.param("model-e", marks=pytest.mark.thorough)])
def test_of_every_probe_it_is_known_whether_it_was_heard_and_loss_is_what_the_air_lost(preset: str) -> None:
    made = recorded(preset)
    recording = made.recording
    assert recording.ended == "time"
    assert {host.label for host in recording.hosts} == {"jetty", "willow"}
    for host in recording.hosts:
        joined = [probe for probe in recording.group if probe.sent_at >= host.joined_at]
        assert recording.group_known_to(host.label) == joined
        assert len(joined) >= 20 / 0.25 * 0.9
        for probe in joined:
            assert (host.label in probe.heard) == (host.label in made.truth.group[probe.number].arrived_at)
        assert tuple(recording.probes_known_to(host.label)) == recording.probes[host.label]
        for one in recording.probes[host.label]:
            true = made.truth.probes[host.label][one.number]
            assert (one.heard_at is None) == (true.arrived_at is None)
            assert (one.came_at is None) == (true.answer_arrived_at is None)


def test_round_trips_are_what_the_air_took_and_the_hosts_own_lateness_on_top() -> None:
    made = recorded("idle")
    late = []
    for label, probes in made.recording.probes.items():
        for probe in probes:
            true = made.truth.probes[label][probe.number]
            if probe.came_at is None or probe.heard_at is None or probe.answered_at is None:
                continue
            assert true.arrived_at is not None
            assert true.answer_left_at is not None
            assert true.answer_arrived_at is not None
            air_ns = true.arrived_at - true.left_at + true.answer_arrived_at - true.answer_left_at
            measured_ns = (probe.came_at - probe.sent_at) - (probe.answered_at - probe.heard_at)
            late.append(measured_ns - air_ns)
    assert len(late) > 100
    assert min(late) >= -MICROSECOND  # two crystals over a round trip
    assert sorted(late)[len(late) // 2] < MILLISECOND


def test_the_probers_instants_are_true_ones_by_its_own_crystal() -> None:
    made = recorded("idle")
    for probe in made.recording.group:
        assert abs(made.true_at(probe.sent_at) - made.truth.group[probe.number].left_at) <= 1


def test_the_same_seed_gives_the_same_file_and_another_seed_another() -> None:
    again = record_virtually(20, preset="idle", seed=2, hosts=("jetty", "willow"))
    assert again.content == recorded("idle").content
    assert again.content != recorded("idle", 3).content


def test_probes_leave_within_two_fifths_of_their_interval_of_instants_that_are_one_apart() -> None:
    plan = Plan(20 * SECOND, group_interval_ns=200 * MILLISECOND)
    made = record_virtually(preset="idle", plan=plan, hosts=("jetty",))
    for probe in made.recording.group[1:]:
        nominal_ns = probe.number * plan.group_interval_ns
        assert abs(probe.sent_at - nominal_ns) <= 0.4 * plan.group_interval_ns + 20 * MILLISECOND
    assert len(made.recording.group) in (100, 101)


def test_a_network_that_carries_nothing_gives_no_recording() -> None:
    lake = resolve_scenario("quarry-lake")
    isolated = lake.model_copy(update={"air": lake.air.model_copy(update={"client_isolation": True})})
    with pytest.raises(LeadlightError, match="no host was heard"):
        record_virtually(5, scenario=isolated, hosts=("jetty",), prober_is_wired=False)
