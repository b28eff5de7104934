"""The contended air: what a datagram meets when every frame competes for one channel."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from itertools import pairwise
from typing import Any

import pytest

from leadlight.errors import ConfigurationError
from leadlight.units import MICROSECOND, MILLISECOND, SECOND
from leadlight_sim.air.contended.access_rules import AccessRules
from leadlight_sim.air.contended.air import ContendedAir
from leadlight_sim.air.contended.neighbours import Neighbour, OnOff, Poisson, Saturated
from leadlight_sim.air.contended.rates import RateStep, fallback_chain
from leadlight_sim.air.contended.settings import Beacons, ContendedSettings, PowerSave, Scans
from leadlight_sim.air.distributions import Fixed
from leadlight_sim.air.dropouts import Dropout
from leadlight_sim.air.interface import Air, LinkKind, Station
from leadlight_sim.air.timing import Band, Radio
from leadlight_sim.kernel import Stream, Streams
from leadlight_sim.kernel.kernel import Kernel, TrueInstant
from saturation import saturation

RADIO = Radio(Band.GHZ_5)
# A window of one count, always 0: every wait is then known to the nanosecond.
NO_COUNT = replace(AccessRules.of(RADIO), cw_min=0, cw_max=0)
QUIET = ContendedSettings(radio=RADIO, beacons=None, cable=Fixed(0))
EXACT = replace(QUIET, rules=NO_COUNT)
TIMETABLE = Beacons(period=2, phase_ns=0, clock_error_ppb=0)
BEACON_NS = RADIO.group_frame_ns(250 - 80)
DTIM_NS = 204_800 * MICROSECOND


class Ear:
    """A station that writes down what it hears, and when."""

    def __init__(self, name: str, *, receive_delay_ns: int = 0) -> None:
        self.name = name
        # A name that begins with "wired" is on the cable.
        self.wired = name.startswith("wired")
        self._receive_delay_ns = receive_delay_ns
        self.heard: list[tuple[str, bytes, int]] = []

    def receive_delay_ns(self, stream: Stream) -> int:  # noqa: ARG002
        return self._receive_delay_ns

    def receive(self, data: bytes, sender: str, arrived_at: TrueInstant) -> None:
        self.heard.append((sender, data, arrived_at))

    @property
    def arrivals(self) -> list[int]:
        return [arrived_at for _, _, arrived_at in self.heard]


class Network:
    """A kernel, an air and its ears."""

    def __init__(self, settings: ContendedSettings, names: Sequence[str], seed: int = 1) -> None:
        self.kernel = Kernel()
        self.air = ContendedAir(self.kernel, Streams(seed), settings)
        self.ears = {name: Ear(name) for name in names}
        for ear in self.ears.values():
            self.air.attach(ear)

    def send_at(self, at: int, sender: str, data: bytes, destination: str | None = None) -> None:
        self.kernel.schedule(TrueInstant(at), self.air.send, sender, data, destination)

    def send_every(self, interval_ns: int, until: int, sender: str, data: bytes, destination: str | None = None) -> int:
        instants = range(0, until, interval_ns)
        for at in instants:
            self.send_at(at, sender, data, destination)
        return len(instants)

    def run_until(self, end: int) -> Network:
        self.kernel.run_until(TrueInstant(end))
        return self

    def heard(self, name: str) -> list[tuple[str, bytes, int]]:
        return self.ears[name].heard

    def injected(self, kind: LinkKind) -> tuple[int, int, int, int, int]:
        counts = self.air.counts[kind]
        return counts.sent, counts.delivered, counts.lost, counts.overflowed, counts.blocked


def numbered(number: int) -> bytes:
    return number.to_bytes(4, "big")


def test_the_contended_air_and_its_stations_fit_the_interface() -> None:
    network = Network(QUIET, [])
    air: Air = network.air
    station: Station = Ear("a")
    air.attach(station)
    assert (air.airtime_ns, air.over_capacity) == (0, False)


# One frame, exactly.


def test_a_wired_senders_group_frame_crosses_the_air_once() -> None:
    network = Network(EXACT, ["wired lead", "a", "b", "wired c"])
    network.send_at(1_000, "wired lead", bytes(64))
    network.run_until(SECOND)
    arrived = 1_000 + RADIO.group_frame_ns(64)
    assert network.ears["a"].arrivals == network.ears["b"].arrivals == [arrived]
    assert network.ears["wired c"].arrivals == [1_000]
    assert network.heard("wired lead") == []
    assert network.air.medium.attempts == 1


def test_a_radio_senders_group_frame_crosses_it_twice() -> None:
    network = Network(EXACT, ["a", "b", "wired c"])
    network.send_at(0, "a", bytes(64))
    network.run_until(SECOND)
    up_ns = RADIO.unicast_frame_ns(64)
    answered = up_ns + RADIO.sifs_ns + RADIO.acknowledgement_ns()
    assert network.ears["wired c"].arrivals == [up_ns]
    assert network.ears["b"].arrivals == [answered + RADIO.difs_ns + RADIO.group_frame_ns(64)]
    assert network.heard("a") == []
    assert network.injected(LinkKind.UP)[:2] == (1, 1)
    assert network.injected(LinkKind.GROUP)[:2] == (1, 1)


def test_unicast_between_two_radio_stations_crosses_it_twice() -> None:
    network = Network(EXACT, ["a", "b", "wired c"])
    network.send_at(0, "a", b"x", "b")
    network.send_at(SECOND, "wired c", b"y", "b")
    network.send_at(2 * SECOND, "b", b"z", "wired c")
    network.run_until(3 * SECOND)
    frame_ns = RADIO.unicast_frame_ns(1)
    answered = frame_ns + RADIO.sifs_ns + RADIO.acknowledgement_ns()
    assert network.ears["b"].arrivals == [answered + RADIO.difs_ns + frame_ns, SECOND + frame_ns]
    assert network.ears["wired c"].arrivals == [2 * SECOND + frame_ns]
    assert network.injected(LinkKind.UP) == (2, 2, 0, 0, 0)
    assert network.injected(LinkKind.DOWN) == (2, 2, 0, 0, 0)


def test_the_cable_between_wired_stations_takes_its_own_time_and_no_air() -> None:
    network = Network(replace(EXACT, cable=Fixed(70)), ["wired a", "wired b"])
    network.send_at(5, "wired a", b"x", "wired b")
    network.run_until(SECOND)
    assert network.heard("wired b") == [("wired a", b"x", 75)]
    assert network.air.medium.attempts == 0


def test_a_host_hears_later_than_its_radio_and_in_order() -> None:
    network = Network(EXACT, ["wired lead"])
    slow = Ear("slow", receive_delay_ns=700)
    network.air.attach(slow)
    network.send_at(0, "wired lead", b"x")
    network.run_until(RADIO.group_frame_ns(1) + 699)
    assert slow.heard == []
    network.run_until(RADIO.group_frame_ns(1) + 700)
    assert slow.heard == [("wired lead", b"x", RADIO.group_frame_ns(1))]


# A lone sender that always has something to send.


@pytest.mark.thorough_except(expected_per_second=(587, 921, 1559))
@pytest.mark.parametrize(
    ("radio", "payload", "expected_per_second"),
    [
        (Radio(long_slot=True), 64, 587),
        (Radio(), 638, 166),
        (Radio(Band.GHZ_5), 64, 3150),
        (Radio(Band.GHZ_5), 638, 921),
        (Radio(Band.GHZ_5, 12.0), 638, 1652),
        (Radio(Band.GHZ_5, 24.0), 1472, 1559),
    ],
)
@pytest.mark.slow
def test_a_lone_sender_reaches_the_rate_that_its_frames_allow(
    radio: Radio, payload: int, expected_per_second: int
) -> None:
    network = Network(replace(QUIET, radio=radio, rules=None), ["wired lead", "a"])
    seconds = 10
    network.send_every(SECOND // (expected_per_second + 50), seconds * SECOND, "wired lead", bytes(payload))
    network.run_until(seconds * SECOND)
    rate = len(network.heard("a")) / seconds
    # Uniform counts spread the time of n frames by 4.6 slots · √n, well inside; the tables are rounded to 1.
    assert rate == pytest.approx(expected_per_second, rel=0.005)
    assert network.air.over_capacity


@pytest.mark.slow
@pytest.mark.thorough_except(mcs=0)
@pytest.mark.parametrize(("mcs", "expected_per_second"), [(0, 918), (3, 2466), (7, 3656)])
def test_a_lone_unicast_sender_reaches_its_rate_too(mcs: int, expected_per_second: int) -> None:
    network = Network(replace(QUIET, radio=Radio(Band.GHZ_5, unicast_mcs=mcs)), ["wired lead", "a"])
    seconds = 10
    network.send_every(SECOND // (expected_per_second + 50), seconds * SECOND, "wired lead", bytes(638), "a")
    network.run_until(seconds * SECOND)
    assert len(network.heard("a")) / seconds == pytest.approx(expected_per_second, rel=0.005)


# The access point's beacons and what they release.


def test_held_group_frames_leave_right_after_the_dtim_beacon() -> None:
    settings = replace(EXACT, beacons=TIMETABLE, power_save=PowerSave(others_doze=True))
    network = Network(settings, ["wired lead", "a"])
    sent = [number * 100 * MILLISECOND for number in range(1, 8)]
    for at in sent:
        network.send_at(at, "wired lead", bytes(64))
    network.run_until(2 * SECOND)
    frame_ns = RADIO.group_frame_ns(64)
    after_beacon = BEACON_NS + RADIO.difs_ns + frame_ns
    waits = [104_800, 4_800, 109_600, 9_600, 114_400, 14_400, 119_200]
    expected = [at + wait * MICROSECOND + after_beacon for at, wait in zip(sent, waits, strict=True)]
    # Two frames in one DTIM interval leave one after the other.
    for index in range(1, len(expected)):
        if expected[index] == expected[index - 1]:
            expected[index] += RADIO.difs_ns + frame_ns
    assert network.ears["a"].arrivals == expected


def test_unicast_to_a_station_that_is_awake_is_not_held() -> None:
    settings = replace(EXACT, beacons=TIMETABLE, power_save=PowerSave(others_doze=True))
    network = Network(settings, ["wired lead", "a"])
    network.send_at(50 * MILLISECOND, "wired lead", b"group")
    network.send_at(50 * MILLISECOND, "wired lead", b"one", "a")
    network.run_until(SECOND)
    assert [data for _, data, _ in network.heard("a")] == [b"one", b"group"]
    assert network.ears["a"].arrivals[0] == 50 * MILLISECOND + RADIO.unicast_frame_ns(3)


def test_nothing_is_held_while_nobody_dozes() -> None:
    network = Network(replace(EXACT, beacons=TIMETABLE), ["wired lead", "a"])
    network.send_at(50 * MILLISECOND, "wired lead", bytes(64))
    network.run_until(SECOND)
    assert network.ears["a"].arrivals == [50 * MILLISECOND + RADIO.group_frame_ns(64)]


def test_beacons_take_air_and_go_before_all_else() -> None:
    network = Network(replace(EXACT, beacons=TIMETABLE), ["wired lead", "a"])
    # On the air when the beacon at 102.4 ms is due; another frame comes meanwhile.
    begun = 102_400 * MICROSECOND - 50_000
    network.send_at(begun, "wired lead", bytes(64), "a")
    network.send_at(begun + 1_000, "wired lead", bytes(64), "a")
    network.run_until(SECOND)
    frame_ns = RADIO.unicast_frame_ns(64)
    ended = begun + frame_ns + RADIO.sifs_ns + RADIO.acknowledgement_ns()
    beacon_ended = ended + RADIO.sifs_ns + RADIO.slot_ns + BEACON_NS
    assert network.ears["a"].arrivals == [begun + frame_ns, beacon_ended + RADIO.difs_ns + frame_ns]
    # At 0, 102.4 ... 921.6 ms.
    assert network.air.medium.busy_ns == 10 * BEACON_NS + 2 * (ended - begun)


def test_the_held_queue_keeps_its_128_newest() -> None:
    settings = replace(EXACT, beacons=TIMETABLE, power_save=PowerSave(others_doze=True))
    network = Network(settings, ["wired lead", "a", "b"])
    for number in range(130):
        network.send_at(10 * MILLISECOND + number, "wired lead", numbered(number))
    network.run_until(SECOND)
    assert [data for _, data, _ in network.heard("a")] == [numbered(number) for number in range(2, 130)]
    assert network.injected(LinkKind.GROUP) == (260, 256, 0, 4, 0)
    assert network.air.over_capacity


def test_frames_that_come_during_a_burst_push_out_its_oldest_and_wait_for_the_next() -> None:
    settings = replace(EXACT, beacons=TIMETABLE, power_save=PowerSave(others_doze=True))
    network = Network(settings, ["wired lead", "a"])
    for number in range(128):
        network.send_at(10 * MILLISECOND + number, "wired lead", numbered(number))
    frame_ns = RADIO.group_frame_ns(4)
    # The tenth frame is on the air; 118 wait, and ten of forty more find room.
    tenth_began = DTIM_NS + BEACON_NS + RADIO.difs_ns + 9 * (frame_ns + RADIO.difs_ns)
    for number in range(128, 168):
        network.send_at(tenth_began + 1_000 + number, "wired lead", numbered(number))
    network.run_until(SECOND)
    heard = [int.from_bytes(data, "big") for _, data, _ in network.heard("a")]
    assert heard == [*range(10), *range(40, 168)]
    assert [number for number, at in zip(heard, network.ears["a"].arrivals, strict=True) if at > 2 * DTIM_NS] == list(
        range(128, 168)
    )
    assert network.injected(LinkKind.GROUP) == (168, 138, 0, 30, 0)


def test_a_beacon_that_collided_wakes_nobody_and_still_lets_the_group_go() -> None:
    power_save = PowerSave(("a",), sleep_after_ns=100 * MILLISECOND)
    network = Network(replace(QUIET, beacons=TIMETABLE, power_save=power_save), ["wired lead", "a", "b"], seed=2)
    network.send_at(150 * MILLISECOND, "wired lead", b"one", "a")
    network.send_at(150 * MILLISECOND, "wired lead", b"group")
    # Begins with the beacon. The second try draws from 31 slots, and meets the group frame for one seed in 32.
    network.send_at(DTIM_NS, "b", bytes(64), "wired lead")
    network.run_until(SECOND)
    arrivals = {data: at for _, data, at in network.heard("a")}
    assert DTIM_NS < arrivals[b"group"] < DTIM_NS + 2 * MILLISECOND
    assert 307_200 * MICROSECOND < arrivals[b"one"] < 309 * MILLISECOND


def test_a_burst_outranks_unicast_that_waited_longer() -> None:
    settings = replace(EXACT, beacons=TIMETABLE, power_save=PowerSave(others_doze=True))
    network = Network(settings, ["wired lead", "a"])
    # Both wait while the DTIM beacon is on the air.
    network.send_at(DTIM_NS + 10_000, "wired lead", b"one", "a")
    for number in range(3):
        network.send_at(MILLISECOND + number, "wired lead", numbered(number))
    network.run_until(SECOND)
    assert [data for _, data, _ in network.heard("a")] == [*map(numbered, range(3)), b"one"]


def test_the_phase_and_clock_of_the_access_point_come_from_the_seed_unless_given() -> None:
    grids = [Network(replace(QUIET, beacons=Beacons()), [], seed).air.grid for seed in (1, 1, 2)]
    assert grids[0] == grids[1] != grids[2]
    assert Network(replace(QUIET, beacons=TIMETABLE), []).air.grid is not None
    assert Network(QUIET, []).air.grid is None


# Dozing stations.


def test_an_idle_station_dozes_holds_up_the_group_and_wakes_for_its_unicast() -> None:
    power_save = PowerSave(("a",), sleep_after_ns=100 * MILLISECOND)
    network = Network(replace(EXACT, beacons=TIMETABLE, power_save=power_save), ["wired lead", "a", "b"])
    # Awake until 100 ms, so this is not held; that at 110 ms is, until 204.8 ms.
    network.send_at(90 * MILLISECOND, "wired lead", b"soon")
    network.send_at(110 * MILLISECOND, "wired lead", b"held")
    # Asleep: waits for the beacon at 307.2 ms, and is kept awake by it until 407.2 ms and a little.
    network.send_at(210 * MILLISECOND, "wired lead", b"one", "a")
    network.send_at(400 * MILLISECOND, "wired lead", b"awake")
    network.run_until(SECOND)
    arrivals = {data: at for _, data, at in network.heard("a")}
    group_ns = RADIO.group_frame_ns(4)
    assert arrivals[b"soon"] == 90 * MILLISECOND + group_ns
    assert arrivals[b"held"] == DTIM_NS + BEACON_NS + RADIO.difs_ns + group_ns
    assert arrivals[b"one"] == 307_200 * MICROSECOND + BEACON_NS + RADIO.difs_ns + RADIO.unicast_frame_ns(3)
    assert arrivals[b"awake"] == 400 * MILLISECOND + RADIO.group_frame_ns(5)


def test_traffic_faster_than_the_idle_time_keeps_a_station_awake() -> None:
    power_save = PowerSave(("a",), sleep_after_ns=100 * MILLISECOND)
    network = Network(replace(EXACT, beacons=TIMETABLE, power_save=power_save), ["wired lead", "a"])
    for number in range(100):
        network.send_at(number * 99 * MILLISECOND + 50 * MILLISECOND, "wired lead", b"x", "a")
    network.run_until(11 * SECOND)
    delays = [at - number * 99 * MILLISECOND - 50 * MILLISECOND for number, at in enumerate(network.ears["a"].arrivals)]
    # Never more than a beacon and the frame itself.
    assert max(delays) < BEACON_NS + RADIO.difs_ns + MILLISECOND
    assert len(delays) == 100


def test_a_dozing_station_wakes_to_send() -> None:
    power_save = PowerSave(("a",), sleep_after_ns=100 * MILLISECOND)
    network = Network(replace(EXACT, beacons=TIMETABLE, power_save=power_save), ["wired lead", "a"])
    network.send_at(150 * MILLISECOND, "a", b"x", "wired lead")
    network.send_at(160 * MILLISECOND, "wired lead", b"y", "a")
    network.run_until(SECOND)
    assert network.ears["wired lead"].arrivals == [150 * MILLISECOND + RADIO.unicast_frame_ns(1)]
    assert network.ears["a"].arrivals == [160 * MILLISECOND + RADIO.unicast_frame_ns(1)]


@pytest.mark.parametrize("deaf", [False, True])
def test_some_chips_are_deaf_to_the_group_while_they_doze(deaf: bool) -> None:
    power_save = PowerSave(("a",), sleep_after_ns=100 * MILLISECOND, deaf=deaf)
    network = Network(replace(EXACT, beacons=TIMETABLE, power_save=power_save), ["wired lead", "a", "b"])
    network.send_at(150 * MILLISECOND, "wired lead", b"x")
    network.run_until(SECOND)
    assert len(network.heard("a")) == (not deaf)
    assert len(network.heard("b")) == 1


# Loss and retries.


@pytest.mark.slow
@pytest.mark.thorough_except(frames=15_000)
@pytest.mark.parametrize("frames", [15_000, 100_000])
def test_group_frames_get_one_try_and_unicast_frames_several(frames: int) -> None:
    chain = (RateStep(7, tries=4),)
    settings = replace(QUIET, dropout=Dropout.steady(0.2), chain=chain)
    for destination, kind, loss in ((None, LinkKind.GROUP, 0.2), ("a", LinkKind.DOWN, 0.2**4)):
        network = Network(settings, ["wired lead", "a"])
        network.send_every(MILLISECOND, frames * MILLISECOND, "wired lead", b"x", destination)
        network.run_until((frames + 1_000) * MILLISECOND)
        sent, delivered, lost, _, _ = network.injected(kind)
        assert sent == frames == delivered + lost
        # Binomial: three standard deviations.
        assert lost / frames == pytest.approx(loss, abs=3 * math.sqrt(loss * (1 - loss) / frames))


def test_a_frame_is_tried_seven_times_down_the_rate_chain_and_then_given_up() -> None:
    radio = Radio(Band.GHZ_5, unicast_mcs=7)
    network = Network(replace(EXACT, radio=radio, dropout=Dropout.steady(1.0)), ["wired lead", "a"])
    network.send_at(0, "wired lead", bytes(638), "a")
    network.run_until(SECOND)
    assert network.injected(LinkKind.DOWN) == (1, 0, 1, 0, 0)
    assert network.air.medium.attempts == 7
    rates = [replace(radio, unicast_mcs=mcs) for mcs in (7, 7, 3, 3, 0, 0, 0)]
    exchanges = [rate.unicast_frame_ns(638) + rate.sifs_ns + rate.acknowledgement_ns() for rate in rates]
    assert network.air.medium.busy_ns == sum(exchanges)
    assert network.air.airtime_ns == sum(exchanges) + 7 * radio.difs_ns
    assert fallback_chain(7) == (RateStep(7, 2), RateStep(3, 2), RateStep(0, 3))


def test_a_lower_rate_may_lose_less() -> None:
    chain = (RateStep(7, loss_factor=1.0), RateStep(0, loss_factor=0.0))
    network = Network(replace(EXACT, chain=chain, dropout=Dropout.steady(1.0)), ["wired lead", "a"])
    network.send_at(0, "wired lead", b"x", "a")
    network.run_until(SECOND)
    assert network.injected(LinkKind.DOWN) == (1, 1, 0, 0, 0)
    assert network.air.medium.attempts == 2


@pytest.mark.parametrize("destination", [None, "wired lead"])
def test_a_station_whose_link_is_dead_reaches_nobody_and_harms_nobody(destination: str | None) -> None:
    network = Network(EXACT, ["wired lead", "a"])
    network.air.attach(Ear("far"), Dropout.steady(1.0))
    network.send_at(0, "far", b"x", destination)
    network.send_at(MILLISECOND * 20, "wired lead", b"y")
    network.run_until(SECOND)
    assert network.injected(LinkKind.UP) == (1, 0, 1, 0, 0)
    assert [data for _, data, _ in network.heard("a")] == [b"y"]
    assert network.injected(LinkKind.GROUP) == (2, 1, 1, 0, 0)


def test_a_shared_dropout_takes_the_frame_from_everybody() -> None:
    settings = replace(QUIET, shared_dropout=Dropout.from_mean(0.3, 0.5))
    network = Network(settings, ["wired lead", "a", "b"])
    network.send_every(SECOND // 4, 100 * SECOND, "wired lead", b"x")
    network.run_until(101 * SECOND)
    assert network.heard("a") == network.heard("b")
    assert 0 < len(network.heard("a")) < 400


# Neighbours.


@pytest.mark.slow
def test_a_collided_group_frame_is_lost_to_all_and_a_unicast_one_is_tried_again() -> None:
    neighbours = tuple(Neighbour() for _ in range(10))
    network = Network(replace(QUIET, neighbours=neighbours), ["wired lead", "a", "b"])
    frames = network.send_every(50 * MILLISECOND, 60 * SECOND, "wired lead", b"x")
    network.send_every(50 * MILLISECOND, 60 * SECOND, "wired lead", b"x", "a")
    network.run_until(62 * SECOND)
    group, down = network.injected(LinkKind.GROUP), network.injected(LinkKind.DOWN)
    heard_by_group = [sum(data == b"x" for _, data, _ in network.heard(name)) for name in ("a", "b")]
    assert heard_by_group[0] - down[1] == heard_by_group[1] == group[1] // 2
    # One try among ten saturated neighbours, each of which transmits in any slot with Bianchi's τ. The model is good
    # to 0.01; the rest is 4 standard errors of a binomial.
    loss = group[2] / group[0]
    expected = saturation(10, window=16, stages=6).busy_chance
    assert loss == pytest.approx(expected, abs=0.01 + 4 * math.sqrt(expected * (1 - expected) / frames))
    assert down[2] / down[0] < loss**3


def test_what_a_radio_sender_sends_right_behind_a_group_frame_collides_with_it_once_in_sixteen() -> None:
    # The sender counts for its next frame and the access point for the group's, both from 0 to 15, from one instant on.
    network = Network(replace(QUIET, radio=Radio()), ["a", "b", "c"])
    frames = 4_000
    network.send_every(50 * MILLISECOND, frames * 50 * MILLISECOND, "a", bytes(100))
    network.send_every(50 * MILLISECOND, frames * 50 * MILLISECOND, "a", bytes(100), "b")
    network.run_until((frames + 2) * 50 * MILLISECOND)
    lost = 1 - len(network.heard("c")) / frames
    assert lost == pytest.approx(1 / 16, abs=4 * math.sqrt(1 / 16 * 15 / 16 / frames))


def test_a_poisson_neighbour_is_carried_as_often_as_it_asks() -> None:
    network = Network(replace(QUIET, neighbours=(Neighbour(Poisson(200.0)),)), [])
    network.run_until(100 * SECOND)
    (station,) = network.air.neighbours
    # 20,000 arrivals spread by their square root.
    assert station.carried == pytest.approx(20_000, abs=4 * math.sqrt(20_000))
    assert station.overflowed == 0


def test_a_neighbour_asked_for_more_than_the_air_carries_overflows() -> None:
    network = Network(replace(QUIET, neighbours=(Neighbour(Poisson(5_000.0)),)), [])
    network.run_until(5 * SECOND)
    (station,) = network.air.neighbours
    assert station.overflowed > 0
    assert network.air.busy_share == pytest.approx(1 - (34 + 67.5) / 661.5, abs=0.02)


@pytest.mark.slow
def test_an_on_off_neighbour_is_on_for_its_share() -> None:
    always = Network(replace(QUIET, neighbours=(Neighbour(Saturated()),)), []).run_until(10 * SECOND)
    sometimes = Network(replace(QUIET, neighbours=(Neighbour(OnOff(0.1, 0.3)),)), []).run_until(400 * SECOND)
    # About 1,000 cycles: the share of on-time is 0.25 with a standard error of 0.25·0.75·√2/√1000.
    share = sometimes.air.neighbours[0].carried / 40 / always.air.neighbours[0].carried
    assert share == pytest.approx(0.25, abs=4 * 0.0084)


def test_a_silent_neighbour_does_nothing() -> None:
    network = Network(replace(QUIET, neighbours=(Neighbour(Poisson(0.0)),)), []).run_until(SECOND)
    assert network.air.medium.attempts == 0
    assert network.air.busy_share == 0.0


@pytest.mark.slow
def test_the_load_next_door_delays_a_beacon() -> None:
    def median_delay(neighbours: int) -> float:
        settings = replace(QUIET, neighbours=tuple(Neighbour() for _ in range(neighbours)))
        network = Network(settings, ["wired lead", "a"])
        network.send_every(SECOND // 10, 60 * SECOND, "wired lead", numbered(0))
        network.run_until(60 * SECOND)
        delays = sorted(at % (SECOND // 10) for at in network.ears["a"].arrivals)
        return delays[len(delays) // 2] / MILLISECOND

    quiet, one, five = (median_delay(count) for count in (0, 1, 5))
    assert quiet == RADIO.group_frame_ns(4) / MILLISECOND
    assert quiet < one < five


# Scans, isolation, snooping, conversion, roaming, reboot.


def test_a_scan_loses_group_frames_and_only_delays_unicast() -> None:
    scans = Scans(("a",), period_ns=14 * SECOND, duration_ns=4 * SECOND)
    network = Network(replace(EXACT, scans=scans), ["wired lead", "a", "b"])
    cycles = 3
    # A millisecond past the tenths, so that none falls on the edge of a window.
    for number in range(cycles * 140):
        at = number * 100 * MILLISECOND + MILLISECOND
        network.send_at(at, "wired lead", b"g" + numbered(number))
        network.send_at(at, "wired lead", b"u" + numbered(number), "a")
    network.run_until(cycles * 14 * SECOND)
    group = [data for _, data, _ in network.heard("a") if data[:1] == b"g"]
    unicast = {data: at for _, data, at in network.heard("a") if data[:1] == b"u"}
    assert len(group) == cycles * 100
    assert len(unicast) == cycles * 140
    delays = [
        unicast[b"u" + numbered(number)] - number * 100 * MILLISECOND - MILLISECOND for number in range(cycles * 140)
    ]
    assert max(delays) == pytest.approx(4 * SECOND - MILLISECOND, abs=MILLISECOND)
    assert len(network.heard("b")) == cycles * 140


def test_a_scanning_station_sends_when_it_is_back() -> None:
    scans = Scans(("a",), period_ns=10 * SECOND, duration_ns=SECOND, phase_ns=SECOND)
    network = Network(replace(EXACT, scans=scans), ["wired lead", "a"])
    network.send_at(1_500 * MILLISECOND, "a", b"x", "wired lead")
    network.run_until(5 * SECOND)
    assert network.ears["wired lead"].arrivals == [2 * SECOND + RADIO.unicast_frame_ns(1)]


def test_a_frame_whose_turn_comes_while_its_station_scans_waits_for_it() -> None:
    scans = Scans(("a",), period_ns=10 * SECOND, duration_ns=SECOND, phase_ns=SECOND)
    network = Network(replace(EXACT, scans=scans), ["wired lead", "a", "b"])
    # That to b is on the air, and that to a is next, when a leaves.
    network.send_at(SECOND - 20_000, "wired lead", bytes(64), "b")
    network.send_at(SECOND - 10_000, "wired lead", bytes(64), "a")
    network.run_until(5 * SECOND)
    frame_ns = RADIO.unicast_frame_ns(64)
    assert network.ears["b"].arrivals == [SECOND - 20_000 + frame_ns]
    assert network.ears["a"].arrivals == [2 * SECOND + frame_ns]
    assert network.air.medium.attempts == 2


def test_a_station_that_scans_is_not_asleep_when_it_is_back() -> None:
    scans = Scans(("a",), period_ns=10 * SECOND, duration_ns=SECOND, phase_ns=50 * MILLISECOND)
    power_save = PowerSave(("a",), sleep_after_ns=100 * MILLISECOND)
    settings = replace(EXACT, scans=scans, beacons=TIMETABLE, power_save=power_save)
    network = Network(settings, ["wired lead", "a"])
    # After the beacon at 1.024 s, and long before the one at 1.1264 s.
    network.send_at(1_030 * MILLISECOND, "wired lead", b"x", "a")
    network.run_until(2 * SECOND)
    assert network.ears["a"].arrivals == [1_050 * MILLISECOND + RADIO.unicast_frame_ns(1)]


def test_isolated_clients_hear_the_cable_and_not_each_other() -> None:
    network = Network(replace(QUIET, client_isolation=True), ["a", "b", "wired c"])
    for number, (sender, destination) in enumerate([("a", None), ("a", "b"), ("a", "wired c"), ("wired c", None)]):
        network.send_at(number * MILLISECOND, sender, numbered(number), destination)
    network.run_until(SECOND)
    assert [data for _, data, _ in network.heard("b")] == [numbered(3)]
    assert [data for _, data, _ in network.heard("wired c")] == [numbered(0), numbered(2)]
    assert network.injected(LinkKind.GROUP) == (3, 2, 0, 0, 1)
    assert network.injected(LinkKind.UP) == (3, 2, 0, 0, 1)


SNOOPING = replace(EXACT, membership_lifetime_ns=260 * SECOND)


def test_snooping_without_a_querier_stops_delivery_after_260_seconds() -> None:
    network = Network(SNOOPING, ["wired lead", "a", "wired b"])
    network.send_every(SECOND, 1_800 * SECOND, "wired lead", b"x")
    network.send_at(300 * SECOND, "wired lead", b"one", "a")
    network.run_until(1_800 * SECOND)
    # At 0, 1 ... 259 s, and unicast still comes through.
    assert [at // SECOND for at in network.ears["a"].arrivals] == [*range(260), 300]
    assert len(network.heard("wired b")) == 260
    assert network.injected(LinkKind.GROUP) == (1_800, 260, 0, 0, 1_540)


def test_joining_again_after_five_missed_beacons_leaves_no_gap_longer_than_seven() -> None:
    network = Network(SNOOPING, ["wired lead", "a"])
    network.send_every(SECOND, 1_800 * SECOND, "wired lead", b"x")
    joined: list[int] = []

    def watch() -> None:
        now = network.kernel.now
        if now - max(network.ears["a"].arrivals[-1], joined[-1] if joined else 0) >= 5 * SECOND:
            network.air.report_membership("a")
            joined.append(now)
        network.kernel.schedule_after(SECOND // 2, watch)

    network.kernel.schedule(TrueInstant(SECOND), watch)
    network.run_until(1_800 * SECOND)
    arrivals = network.ears["a"].arrivals
    assert max(later - sooner for sooner, later in pairwise(arrivals)) <= 7 * SECOND
    # 1,800 s of lifetimes of 260 s and some five of silence.
    assert len(joined) == 6


def test_converted_group_frames_are_acknowledged_copies_that_wait_for_no_dtim() -> None:
    settings = replace(
        EXACT,
        beacons=TIMETABLE,
        power_save=PowerSave(others_doze=True),
        converts_multicast=True,
        dropout=Dropout.steady(0.3),
    )
    network = Network(settings, ["wired lead", "a", "b", "c"])
    frames = network.send_every(20 * MILLISECOND, 60 * SECOND, "wired lead", bytes(64))
    network.run_until(61 * SECOND)
    assert network.injected(LinkKind.GROUP) == (0, 0, 0, 0, 0)
    sent, delivered, lost, _, _ = network.injected(LinkKind.DOWN)
    assert sent == 3 * frames == delivered + lost
    # 0.3 to the power of seven is one in 4,572; a Poisson count of 2.
    assert lost < 10
    delays = [at % (20 * MILLISECOND) for name in "abc" for at in network.ears[name].arrivals]
    assert max(delays) < 15 * MILLISECOND


def test_a_roaming_station_misses_the_group_and_says_its_own_when_it_is_back() -> None:
    network = Network(EXACT, ["wired lead", "a", "b"])
    network.send_every(100 * MILLISECOND, 2 * SECOND, "wired lead", b"x")
    network.kernel.schedule(TrueInstant(550 * MILLISECOND), network.air.roam, "a", 300 * MILLISECOND)
    network.send_at(600 * MILLISECOND, "a", b"up", "wired lead")
    network.run_until(2 * SECOND)
    assert [at // (100 * MILLISECOND) for at in network.ears["a"].arrivals] == [*range(6), *range(9, 20)]
    assert len(network.heard("b")) == 20
    (back,) = network.ears["wired lead"].arrivals
    assert back == 850 * MILLISECOND + RADIO.unicast_frame_ns(2)


def test_unicast_to_a_station_that_roams_is_tried_in_vain() -> None:
    network = Network(EXACT, ["wired lead", "a"])
    network.kernel.schedule(TrueInstant(0), network.air.roam, "a", SECOND)
    network.send_at(MILLISECOND, "wired lead", b"x", "a")
    network.run_until(2 * SECOND)
    assert network.injected(LinkKind.DOWN) == (1, 0, 1, 0, 0)
    assert network.air.medium.attempts == 7


def test_an_access_point_that_reboots_forgets_its_queues_and_members_and_takes_everybody_along() -> None:
    settings = replace(SNOOPING, beacons=TIMETABLE, power_save=PowerSave(others_doze=True))
    network = Network(settings, ["wired lead", "a", "b"])
    network.send_at(210 * MILLISECOND, "wired lead", b"held")
    network.kernel.schedule(TrueInstant(300 * MILLISECOND), network.air.reboot, 60 * SECOND, 10 * SECOND)
    network.send_at(30 * SECOND, "wired lead", b"meanwhile")
    network.send_at(30 * SECOND, "wired lead", b"meanwhile", "a")
    network.send_at(30 * SECOND, "a", b"up", "wired lead")
    network.send_at(75 * SECOND, "wired lead", b"forgotten")
    network.kernel.schedule(TrueInstant(76 * SECOND), network.air.report_membership, "a")
    network.send_at(77 * SECOND, "wired lead", b"again")
    network.run_until(80 * SECOND)
    assert [data for _, data, _ in network.heard("a")] == [b"again"]
    (back,) = network.ears["wired lead"].arrivals
    assert 60_300 * MILLISECOND < back <= 70_301 * MILLISECOND
    sent, delivered, lost, overflowed, blocked = network.injected(LinkKind.GROUP)
    assert (sent, delivered, overflowed) == (8, 2, 0)
    # Held ones are lost; while it was down its switch had forgotten everybody, as it still had afterwards.
    assert (lost, blocked) == (2, 4)
    assert network.injected(LinkKind.DOWN)[2] == 1


def test_while_an_access_point_is_down_it_sends_nothing() -> None:
    network = Network(replace(EXACT, beacons=TIMETABLE), ["a"])
    network.air.attach(Ear("wired lead"))
    network.kernel.schedule(TrueInstant(SECOND), network.air.reboot, 60 * SECOND)
    network.send_at(30 * SECOND, "wired lead", b"x")
    network.send_at(30 * SECOND, "wired lead", b"x", "a")
    network.run_until(61 * SECOND)
    assert network.air.medium.busy_periods == 10
    assert network.injected(LinkKind.GROUP) == network.injected(LinkKind.DOWN) == (1, 0, 1, 0, 0)
    network.run_until(62 * SECOND)
    assert network.air.medium.busy_periods == 10 + 10


# The edges: nothing, one, too much.


def test_an_empty_network_stays_empty() -> None:
    network = Network(QUIET, []).run_until(3_600 * SECOND)
    assert (network.air.airtime_ns, network.air.busy_share, network.air.over_capacity) == (0, 0.0, False)


def test_a_lone_station_talks_to_the_air() -> None:
    network = Network(QUIET, ["a"])
    network.send_at(0, "a", b"x")
    network.send_at(SECOND, "a", b"x", "nobody")
    network.run_until(2 * SECOND)
    assert network.injected(LinkKind.UP) == (2, 1, 0, 0, 1)
    assert network.injected(LinkKind.GROUP) == (0, 0, 0, 0, 0)


def test_more_than_the_air_carries_is_dropped_and_counted_and_never_hangs() -> None:
    network = Network(replace(QUIET, radio=Radio()), ["wired lead", "a"])
    frames = network.send_every(SECOND // 480, 20 * SECOND, "wired lead", bytes(638))
    network.run_until(22 * SECOND)
    sent, delivered, lost, overflowed, _ = network.injected(LinkKind.GROUP)
    assert (sent, lost) == (frames, 0)
    assert delivered + overflowed == sent
    assert network.air.over_capacity
    # Oldest first: what gets through never waited for more than the queue's 128 frames of 6.03 ms and its own.
    assert delivered == pytest.approx(165.8 * 20 + 128, rel=0.005)


def test_a_queue_that_never_drains_is_bounded() -> None:
    # A station on leave for good, and an access point that knows: 64 frames wait, the rest is dropped.
    scans = Scans(("a",), period_ns=10_000 * SECOND, duration_ns=9_999 * SECOND)
    network = Network(replace(EXACT, scans=scans), ["wired lead", "a"])
    network.send_every(10 * MILLISECOND, 10 * SECOND, "wired lead", b"x", "a")
    network.send_every(10 * MILLISECOND, 10 * SECOND, "a", b"x", "wired lead")
    network.run_until(20 * SECOND)
    assert network.injected(LinkKind.DOWN) == (1_000, 0, 0, 936, 0)
    assert network.injected(LinkKind.UP) == (1_000, 0, 0, 936, 0)
    assert network.air.medium.attempts == 0


def test_sent_is_the_sum_of_all_outcomes_once_everything_has_settled() -> None:
    neighbours = (Neighbour(Poisson(300.0)), Neighbour(OnOff(0.1, 0.5)))
    settings = ContendedSettings(
        radio=Radio(), neighbours=neighbours, dropout=Dropout.from_mean(0.2, 0.1), power_save=PowerSave(("a", "b"))
    )
    network = Network(settings, ["wired lead", "a", "b", "c"])
    network.send_every(30 * MILLISECOND, 20 * SECOND, "wired lead", bytes(100))
    for name in "abc":
        network.send_every(70 * MILLISECOND, 20 * SECOND, name, bytes(64), "wired lead")
        network.send_every(110 * MILLISECOND, 20 * SECOND, "wired lead", bytes(64), name)
        network.send_every(500 * MILLISECOND, 20 * SECOND, name, bytes(64))
    network.run_until(30 * SECOND)
    for kind in LinkKind:
        sent, *injected = network.injected(kind)
        assert sent == sum(injected) > 0


@pytest.mark.slow
def test_the_same_seed_gives_the_same_minute_and_another_seed_another() -> None:
    def minute(seed: int) -> list[tuple[str, bytes, int]]:
        settings = replace(QUIET, beacons=Beacons(), neighbours=(Neighbour(Poisson(300.0)),))
        network = Network(settings, ["wired lead", "a"], seed)
        network.send_every(SECOND // 4, 60 * SECOND, "wired lead", b"x")
        return network.run_until(60 * SECOND).heard("a")

    assert minute(1) == minute(1)
    assert minute(1) != minute(2)


def test_a_name_can_be_taken_once_and_only_stations_send() -> None:
    network = Network(QUIET, ["a", "wired b"])
    with pytest.raises(ConfigurationError, match="a name that no other station has"):
        network.air.attach(Ear("a"))
    with pytest.raises(ConfigurationError, match="attached station"):
        network.air.send("nobody", b"x", None)
    with pytest.raises(ConfigurationError, match="radio station"):
        network.air.roam("wired b", SECOND)


@pytest.mark.parametrize(
    ("kind", "settings"),
    [
        (Beacons, {"period": 0}),
        (Beacons, {"phase_ns": DTIM_NS}),
        (Beacons, {"clock_error_ppb": 20_001}),
        (Beacons, {"frame_bytes": 20}),
        (PowerSave, {"stations": "abc"}),
        (PowerSave, {"sleep_after_ns": 0}),
        (Scans, {"stations": ("a",), "period_ns": 5, "duration_ns": 5}),
        (Scans, {"stations": ("a",), "period_ns": 5, "duration_ns": 1, "phase_ns": -1}),
        (Neighbour, {"payload_bytes": 1473}),
        (Neighbour, {"mcs": 8}),
        (Poisson, {"frames_per_second": float("nan")}),
        (Poisson, {"frames_per_second": 1e12}),
        (OnOff, {"mean_on_seconds": 0.0, "mean_off_seconds": 1.0}),
        (RateStep, {"mcs": 8}),
        (RateStep, {"mcs": 0, "tries": 0}),
        (RateStep, {"mcs": 0, "loss_factor": 1.1}),
        (ContendedSettings, {"chain": ()}),
        (ContendedSettings, {"group_queue_frames": 0}),
        (ContendedSettings, {"membership_lifetime_ns": 0}),
        (ContendedSettings, {"beacons": None, "power_save": PowerSave(others_doze=True)}),
    ],
)
def test_settings_that_make_no_sense_are_refused(kind: type, settings: dict[str, Any]) -> None:
    with pytest.raises(ConfigurationError):
        kind(**settings)


# Answers that are lost.


@pytest.mark.slow
@pytest.mark.thorough_except(factor=0.5)
@pytest.mark.parametrize(("sender", "destination"), [("wired lead", "a"), ("a", "wired lead")])
@pytest.mark.parametrize("factor", [0.0, 0.5, 1.0])
def test_a_frame_whose_answer_is_lost_is_tried_again_and_taken_once(
    sender: str, destination: str, factor: float
) -> None:
    loss, tries, frames = 0.4, 4, 20_000
    settings = replace(
        QUIET, dropout=Dropout.steady(loss), chain=(RateStep(7, tries),), answer_loss_factor=factor, rules=NO_COUNT
    )
    network = Network(settings, ["wired lead", "a"])
    network.send_every(2 * MILLISECOND, frames * 2 * MILLISECOND, sender, b"x", destination)
    network.run_until((frames + 10) * 2 * MILLISECOND)
    counts = network.air.counts[LinkKind.DOWN if destination == "a" else LinkKind.UP]
    # A try is answered for if neither it nor its answer is lost; the sender goes on until then, four times at most.
    answered = (1 - loss) * (1 - factor * loss)
    lost = loss**tries
    unaware = (1 - answered) ** tries - lost
    received = (1 - loss) * (1 - (1 - answered) ** tries) / answered
    assert counts.sent == counts.delivered + counts.lost == frames
    assert len(network.heard(destination)) == counts.delivered
    error = 4 / math.sqrt(frames)
    assert counts.lost / frames == pytest.approx(lost, abs=error * math.sqrt(lost))
    assert counts.unacknowledged / frames == pytest.approx(unaware, abs=error * math.sqrt(unaware) + 1e-12)
    # Receptions of one frame are one to four, so their spread is at most one and a half.
    assert (counts.delivered + counts.duplicates) / frames == pytest.approx(received, abs=1.5 * error)
    assert network.air.medium.attempts / frames == pytest.approx(received / (1 - loss), abs=1.5 * error)


def test_a_frame_that_arrived_without_an_answer_is_not_lost_when_its_receiver_goes() -> None:
    settings = replace(EXACT, dropout=Dropout.steady(0.5), answer_loss_factor=1.0)
    network = Network(settings, ["wired lead", "a"], seed=3)
    network.send_every(MILLISECOND, 2 * SECOND, "wired lead", b"x", "a")
    for number in range(1, 20):
        network.kernel.schedule(TrueInstant(number * 100 * MILLISECOND), network.air.reboot, 10 * MILLISECOND)
    network.run_until(3 * SECOND)
    counts = network.air.counts[LinkKind.DOWN]
    assert counts.sent == counts.delivered + counts.lost + counts.overflowed == 2_000
    assert counts.unacknowledged > 0
    assert len(network.heard("a")) == counts.delivered
