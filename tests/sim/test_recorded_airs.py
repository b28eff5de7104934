"""Recordings of known airs, made by the recorder's own code in virtual time, against what the air did to those packets.

Five minutes of each are a study; one minute of one of them is run with everything else. Hosts are microcontrollers,
whose interrupts stamp within some tens of µs: what a host adds of its own is in a recording, and is no air's.
"""

from __future__ import annotations

from functools import cache
from typing import Any, Final

import numpy as np
import pytest

from leadlight.recording import Recording
from leadlight.units import MICROSECOND, MILLISECOND, SECOND
from leadlight_sim.air import GROUP_OVERHEAD_BYTES, Radio
from leadlight_sim.air.contended import Beacons, ContendedAir
from leadlight_sim.air.sampled.air import SampledAir
from leadlight_sim.fitting.again import drawn_again
from leadlight_sim.fitting.air import Fit, fit
from leadlight_sim.fitting.losses import loss_runs, together
from leadlight_sim.kernel.kernel import TrueInstant
from leadlight_sim.recording import HostObserved, Observed, Way, observe
from leadlight_sim.scenario.model import Scenario, check_scenario
from leadlight_sim.testing.recording import VirtualRecording, record_virtually

HOST: Final = {"machine": "microcontroller"}
HOSTS: Final = ("jetty", "reed beds", "willow")
AIRS: Final[dict[str, dict[str, Any]]] = {
    "idle": {"air": {"preset": "idle"}},
    "busy": {"air": {"preset": "busy"}},
    "dozing": {"air": {"preset": "dozing"}},
    "model-e": {"air": {"preset": "model-e"}},
    "converted to copies": {"air": {"preset": "idle", "fidelity": "contended", "converts_multicast": True}},
    "beside a neighbour": {
        "air": {"preset": "idle", "fidelity": "contended"},
        "neighbours": [{"kind": "on-off", "load": 0.3, "mean_on_s": 0.3}],
    },
}
SHARES: Final = (0.5, 0.9, 0.99)


def known(name: str) -> Scenario:
    """Return a scenario on a known air, its leader on the cable."""
    plain: dict[str, Any] = {
        "name": "Known",
        "run": {"duration_s": 400, "seed": 3},
        "leader": {"name": "boathouse", "wired": True, "host": HOST},
        "followers": [{"name": host, "pixels": 100, "host": HOST} for host in HOSTS],
        "shows": [{"id": "tidefall", "duration_s": 192}],
        "cues": [{"at_s": 0, "show": "tidefall"}],
    }
    return check_scenario(plain | AIRS[name], "known")


@cache
def recorded(name: str, duration_s: float, seed: int = 3) -> tuple[VirtualRecording, Observed, Fit]:
    made = record_virtually(duration_s, scenario=known(name), seed=seed, hosts=HOSTS)
    observed = observe(made.recording, name)
    return made, observed, fit(observed)


def truth_of(made: VirtualRecording, recording: Recording, label: str, kind: str) -> dict[int, int | None]:
    """Return what the air did to each packet of one way, by number, as sent: its delay in ns, None if lost."""
    truth = made.truth
    if kind == "group":
        return {
            probe.number: None if (came := truth.group[probe.number].arrived_at.get(label)) is None
            else came - truth.group[probe.number].left_at
            for probe in recording.group_known_to(label)
        }  # fmt: skip
    trips = []
    for probe in recording.probes_known_to(label):
        true = truth.probes[label][probe.number]
        begin, end = (
            (true.left_at, true.arrived_at) if kind == "down" else (true.answer_left_at, true.answer_arrived_at)
        )
        if begin is not None:
            trips.append((begin, probe.number, None if end is None else end - begin))
    # Answers leave in the order in which probes arrive.
    return {number: delay for _, number, delay in sorted(trips)}


def way_of(host: HostObserved, kind: str) -> Way:
    way = getattr(host, kind)
    assert isinstance(way, Way)
    return way


STUDY = pytest.mark.parametrize(
    ("name", "duration_s"),
    [
        pytest.param(name, seconds, marks=pytest.mark.slow if seconds < 300 else pytest.mark.thorough)
        for name in AIRS
        for seconds in ((60.0, 300.0) if name == "dozing" else (300.0,))
    ],
)


@STUDY
@pytest.mark.parametrize("kind", ["up", "down", "group"])
def test_quantiles_above_the_least_delay_are_what_the_air_did_to_those_packets(
    name: str, duration_s: float, kind: str
) -> None:
    made, observed, _ = recorded(name, duration_s)
    for host in observed.hosts:
        truth = truth_of(made, made.recording, host.label, kind)
        true = np.array([delay for delay in truth.values() if delay is not None], dtype=float)
        least = np.min(true)
        # Where frames compete the least delay is most of it, and half of all take no more: so of the whole delay.
        delays = way_of(host, kind).delays
        found = np.quantile(delays - np.min(delays) + least, SHARES)
        assert found == pytest.approx(np.quantile(true, SHARES), rel=0.10)
        if name in ("idle", "busy", "dozing", "model-e"):
            assert found - least == pytest.approx(np.quantile(true - least, SHARES), rel=0.10)


@STUDY
def test_losses_are_counted_exactly_one_by_one(name: str, duration_s: float) -> None:
    made, observed, _ = recorded(name, duration_s)
    for host in observed.hosts:
        for kind in ("up", "down", "group"):
            truth = truth_of(made, made.recording, host.label, kind)
            assert np.isnan(way_of(host, kind).delay_ns).tolist() == [delay is None for delay in truth.values()]


@STUDY
def test_absolute_delays_are_within_half_the_least_round_trip_of_the_truth(name: str, duration_s: float) -> None:
    made, observed, _ = recorded(name, duration_s)
    for host in observed.hosts:
        for kind in ("up", "down", "group"):
            true = [delay for delay in truth_of(made, made.recording, host.label, kind).values() if delay is not None]
            off = way_of(host, kind).delays - np.array(true, dtype=float)
            # The hosts' own time is on top: an interrupt's, some tens of µs.
            assert np.max(np.abs(off)) <= host.bound_ns + 100 * MICROSECOND


@STUDY
def test_the_sum_of_both_ways_needs_no_clock_but_ones_own(name: str, duration_s: float) -> None:
    made, observed, _ = recorded(name, duration_s)
    for host in observed.hosts:
        up, down = (truth_of(made, made.recording, host.label, kind) for kind in ("up", "down"))
        true = [
            there + back for number, there in down.items()
            if there is not None and (back := up.get(number)) is not None
        ]  # fmt: skip
        off = host.round_trip.delays - np.array(true, dtype=float)
        assert np.quantile(np.abs(off), 0.99) <= 200 * MICROSECOND


@STUDY
def test_the_air_that_was_made_loses_in_runs_as_long(name: str, duration_s: float) -> None:
    _, observed, found = recorded(name, duration_s)
    seen = together([loss_runs(way) for way in observed.ways("group")])
    if len(seen.runs) < 40:
        pytest.skip(f"{len(seen.runs)} runs of losses are too few to tell their mean to a fifth")
    draws = [drawn_again(found, observed, seed) for seed in range(1, 9)]
    drawn = together([loss_runs(way) for one in draws for way in one.ways("group")])
    # Runs are some two hundred of each recording, and as long as they are: four standard errors are above a tenth.
    assert drawn.share == pytest.approx(seen.share, rel=0.25)
    assert drawn.mean_run == pytest.approx(seen.mean_run, rel=0.20)


@STUDY
def test_the_access_points_beat_is_found_where_there_is_one_and_nowhere_else(name: str, duration_s: float) -> None:
    made, _, found = recorded(name, duration_s)
    if name != "dozing":
        assert found.beat is None
        assert found.hold is not None
        assert (found.hold.share, found.unicast_share) == (0.0, 0.0)
        return
    assert found.beat is not None
    assert found.hold is not None
    assert found.beat.beacons == 2
    assert found.hold.share == pytest.approx(1.0, abs=0.01)
    # One in five of the packets to a host: a binomial of 720 or more, four standard errors.
    assert found.unicast_share == pytest.approx(0.2, abs=0.06)
    air = made.network.air
    assert isinstance(air, SampledAir)
    assert air.grid is not None
    grid = air.grid
    for at_s in (1.0, duration_s / 2, duration_s - 1):
        release = made.true_at(round(float(found.beat.next_release(np.array([at_s * SECOND]))[0])))
        nearest = min(abs(release - int(grid.next_dtim(TrueInstant(release - back)))) for back in (0, 102_400_000))
        assert nearest <= 2 * MILLISECOND


@pytest.mark.parametrize(
    ("duration_s", "within_ms"),
    [pytest.param(60.0, 2.0, marks=pytest.mark.slow), pytest.param(300.0, 1.0, marks=pytest.mark.thorough)],
)
@pytest.mark.parametrize("seed", [3, 4, 5])
def test_where_frames_compete_held_ones_leave_when_the_beacon_has_been_sent(
    duration_s: float, within_ms: float, seed: int
) -> None:
    plain = known("beside a neighbour").model_dump(mode="json", exclude_unset=True)
    dozing = check_scenario(plain | {"air": {"preset": "dozing", "fidelity": "contended"}}, "known")
    made = record_virtually(duration_s, scenario=dozing, seed=seed, hosts=HOSTS)
    beat = fit(observe(made.recording, "x")).beat
    air = made.network.air
    assert isinstance(air, ContendedAir)
    assert air.grid is not None
    assert beat is not None
    assert beat.beacons == 2
    beacon_ns = Radio().group_frame_ns(Beacons().frame_bytes - GROUP_OVERHEAD_BYTES)
    for at_s in (1.0, duration_s / 2, duration_s - 1):
        release = made.true_at(round(float(beat.next_release(np.array([at_s * SECOND]))[0]))) - beacon_ns
        nearest = min(abs(release - int(air.grid.next_dtim(TrueInstant(release - back)))) for back in (0, 102_400_000))
        assert nearest <= within_ms * MILLISECOND


@STUDY
def test_copies_are_told_from_one_transmission(name: str, duration_s: float) -> None:
    _, _, found = recorded(name, duration_s)
    assert found.signatures.copies is (name == "converted to copies")
    assert found.signatures.cut_off == ()
    assert found.signatures.forgotten == ()


@pytest.mark.thorough
def test_members_that_a_switch_forgets_are_named_with_when() -> None:
    air = {"preset": "idle", "fidelity": "contended", "converts_multicast": True, "forgets_members": True}
    plain = known("idle").model_dump(mode="json", exclude_unset=True)
    made = record_virtually(320.0, scenario=check_scenario(plain | {"air": air}, "known"), seed=3, hosts=HOSTS)
    observed = observe(made.recording, "x")
    forgotten = fit(observed).signatures.forgotten
    assert [label for label, _, _ in forgotten] == [host.label for host in observed.hosts]
    for label, at_s, span_s in forgotten:
        sent = [probe for probe in made.recording.group if probe.sent_at > 250 * SECOND]
        missed = [probe.sent_at for probe in sent if label not in probe.heard]
        assert at_s == pytest.approx(min(missed) / SECOND, abs=1e-6)
        assert span_s == pytest.approx((max(missed) - min(missed)) / SECOND, abs=1e-6)
        assert 250 < at_s < 270


@pytest.mark.slow
def test_two_crossings_of_the_radio_are_taken_as_one_way_and_drawn_as_such() -> None:
    made = record_virtually(60.0, preset="dozing", seed=3, prober_is_wired=False)
    observed = observe(made.recording, "x")
    found = fit(observed)
    assert found.crosses_twice
    assert found.beat is not None
    assert found.beat.beacons == 2
    again = drawn_again(found, observed)
    recorded_ms, drawn_ms = (
        np.quantile(np.concatenate([way.delays for way in one.ways("round_trip")]), (0.5, 0.9)) / MILLISECOND
        for one in (observed, again)
    )
    # Of 720 round trips, a quarter of which wait for a beacon: the p90 of either is known to some twelfth.
    assert drawn_ms == pytest.approx(recorded_ms, rel=0.2)
