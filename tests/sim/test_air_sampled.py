"""The sampled air: who hears what, when, and that nobody's draws are anybody else's."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from itertools import cycle, groupby, pairwise

import pytest

from leadlight.errors import ConfigurationError
from leadlight.units import MICROSECOND, MILLISECOND, SECOND
from leadlight_sim.air.access_point import BEACON_INTERVAL_NS, GroupHold
from leadlight_sim.air.conditions import LoadRecord
from leadlight_sim.air.distributions import AirTables, Exponential, Fixed, Uniform
from leadlight_sim.air.dropouts import Dropout
from leadlight_sim.air.interface import Air, LinkKind, Station
from leadlight_sim.air.sampled.air import SampledAir
from leadlight_sim.air.sampled.settings import Congestion, SampledSettings
from leadlight_sim.air.timing import Band, Radio, WeightlessRadio
from leadlight_sim.kernel import Stream, Streams
from leadlight_sim.kernel.kernel import Kernel, TrueInstant

NOTHING = Fixed(0)
NO_DELAY = AirTables(up=NOTHING, down=NOTHING, group=NOTHING, private=NOTHING, cable=NOTHING)
BARE = SampledSettings(tables=NO_DELAY, radio=WeightlessRadio())
LAWFUL = replace(
    BARE,
    tables=AirTables(
        up=Uniform(MILLISECOND, 5 * MILLISECOND),
        down=Uniform(MILLISECOND, 3 * MILLISECOND),
        group=Exponential(5 * MILLISECOND),
        private=Exponential(100 * MICROSECOND),
        cable=Fixed(50 * MICROSECOND),
        floor_ns=MILLISECOND,
    ),
)
TIMETABLE = GroupHold(period=2, phase_ns=0, clock_error_ppb=0)


class Ear:
    """A station that writes down what it hears, and when."""

    def __init__(self, name: str, kernel: Kernel, *, wired: bool = False, receive_delay_ns: int = 0) -> None:
        self.name = name
        self.wired = wired
        self._kernel = kernel
        self._receive_delay_ns = receive_delay_ns
        self.heard: list[tuple[str, bytes, int]] = []
        self.woken_at: list[int] = []

    def receive_delay_ns(self, stream: Stream) -> int:  # noqa: ARG002
        return self._receive_delay_ns

    def receive(self, data: bytes, sender: str, arrived_at: TrueInstant) -> None:
        self.heard.append((sender, data, arrived_at))
        self.woken_at.append(self._kernel.now)

    @property
    def arrivals(self) -> list[int]:
        return [arrived_at for _, _, arrived_at in self.heard]


class Network:
    """A kernel, an air and its ears."""

    def __init__(self, settings: SampledSettings, names: Sequence[str], seed: int = 1) -> None:
        self.kernel = Kernel()
        self.air = SampledAir(self.kernel, Streams(seed), settings)
        # A name that begins with "wired" is on the cable.
        self.ears = {name: Ear(name, self.kernel, wired=name.startswith("wired")) for name in names}
        for ear in self.ears.values():
            self.air.attach(ear)

    def send_at(self, at: int, sender: str, data: bytes, destination: str | None = None) -> None:
        self.kernel.schedule(TrueInstant(at), self.air.send, sender, data, destination)

    def run(self) -> None:
        self.kernel.run_all(limit=1_000_000)

    def heard(self, name: str) -> list[tuple[str, bytes, int]]:
        return self.ears[name].heard


def numbered(number: int) -> bytes:
    return number.to_bytes(4, "big")


def test_the_sampled_air_and_its_stations_fit_the_interface() -> None:
    network = Network(BARE, [])
    air: Air = network.air
    station: Station = Ear("a", network.kernel)
    air.attach(station)
    assert air.airtime_ns == 0


def test_everybody_but_its_sender_hears_a_group_frame() -> None:
    network = Network(BARE, ["a", "b", "wired c"])
    network.send_at(10, "a", b"x")
    network.send_at(20, "wired c", b"y")
    network.run()
    assert network.heard("a") == [("wired c", b"y", 20)]
    assert network.heard("b") == [("a", b"x", 10), ("wired c", b"y", 20)]
    assert network.heard("wired c") == [("a", b"x", 10)]


def test_a_unicast_frame_reaches_its_destination_alone() -> None:
    network = Network(BARE, ["a", "b", "wired c"])
    network.send_at(10, "a", b"x", "b")
    network.send_at(20, "wired c", b"y", "a")
    network.send_at(30, "b", b"z", "wired c")
    network.run()
    assert network.heard("a") == [("wired c", b"y", 20)]
    assert network.heard("b") == [("a", b"x", 10)]
    assert network.heard("wired c") == [("b", b"z", 30)]


def test_the_host_hears_later_than_the_radio() -> None:
    network = Network(BARE, ["a"])
    slow = Ear("slow", network.kernel, receive_delay_ns=700)
    network.air.attach(slow)
    network.send_at(100, "a", b"x")
    network.run()
    assert slow.heard == [("a", b"x", 100)]
    assert slow.woken_at == [800]


def test_a_radio_sender_crosses_the_air_twice_and_a_wired_one_once() -> None:
    tables = AirTables(up=Fixed(1_000), down=Fixed(20_000), group=Fixed(300_000), private=Fixed(4), cable=Fixed(50))
    network = Network(replace(BARE, tables=tables), ["a", "b", "wired c", "wired d"])
    for sender in ("a", "wired c"):
        network.send_at(0, sender, b"group")
        network.send_at(1_000_000, sender, b"one", "b")
        network.send_at(2_000_000, sender, b"one", "wired d")
    network.run()
    assert network.heard("b") == [
        ("wired c", b"group", 300_004),
        ("a", b"group", 301_004),
        ("wired c", b"one", 1_020_004),
        ("a", b"one", 1_021_004),
    ]
    assert network.heard("wired d") == [
        ("wired c", b"group", 54),
        ("a", b"group", 1_054),
        ("wired c", b"one", 2_000_054),
        ("a", b"one", 2_001_004),
    ]


def test_the_first_of_two_hops_may_have_its_own_distribution() -> None:
    tables = replace(NO_DELAY, up=Fixed(1_000), down=Fixed(20_000), group=Fixed(300_000), first_hop=Fixed(5))
    network = Network(replace(BARE, tables=tables), ["a", "b", "wired c"])
    network.send_at(0, "a", b"group")
    network.send_at(0, "a", b"one", "b")
    network.send_at(0, "a", b"one", "wired c")
    network.run()
    assert network.ears["b"].arrivals == [20_005, 300_005]
    assert network.ears["wired c"].arrivals == [5, 1_000]


def test_all_receivers_of_a_group_frame_share_its_common_delay() -> None:
    tables = replace(LAWFUL.tables, private=Uniform(0, 1_000))
    network = Network(replace(LAWFUL, tables=tables), ["wired lead", "a", "b", "c"])
    for number in range(200):
        network.send_at(number * SECOND, "wired lead", numbered(number))
    network.run()
    arrivals = list(zip(*(network.ears[name].arrivals for name in "abc"), strict=True))
    assert len(arrivals) == 200
    assert all(max(at) - min(at) <= 1_000 for at in arrivals)
    assert all(len(set(at)) > 1 for at in arrivals[:5])
    delays = [at[0] - number * SECOND for number, at in enumerate(arrivals)]
    assert max(delays) - min(delays) > 10 * MILLISECOND


# Held group frames.


def test_held_group_frames_walk_against_the_beacons_of_the_access_point() -> None:
    network = Network(replace(BARE, hold=TIMETABLE), ["wired lead", "a"])
    sent = [number * 100 * MILLISECOND for number in range(7)]
    for at in sent:
        network.send_at(at, "wired lead", b"x")
    network.run()
    arrivals = network.ears["a"].arrivals
    latencies_us = [(arrived - at) / MICROSECOND for at, arrived in zip(sent, arrivals, strict=True)]
    assert latencies_us == [0, 104_800, 4_800, 109_600, 9_600, 114_400, 14_400]


def test_unicast_frames_are_not_held() -> None:
    network = Network(replace(BARE, hold=TIMETABLE), ["wired lead", "a"])
    network.send_at(100 * MILLISECOND, "wired lead", b"group")
    network.send_at(100 * MILLISECOND, "wired lead", b"one", "a")
    network.run()
    assert network.heard("a") == [
        ("wired lead", b"one", 100 * MILLISECOND),
        ("wired lead", b"group", 204_800 * MICROSECOND),
    ]


def test_wired_stations_need_not_wait_for_the_beacon() -> None:
    network = Network(replace(BARE, hold=TIMETABLE), ["a", "b", "wired c"])
    network.send_at(MILLISECOND, "a", b"x")
    network.run()
    assert network.ears["wired c"].arrivals == [MILLISECOND]
    assert network.ears["b"].arrivals == [204_800 * MICROSECOND]


def test_held_frames_leave_back_to_back_by_their_airtime() -> None:
    radio = Radio()
    network = Network(replace(BARE, hold=TIMETABLE, radio=radio), ["wired lead", "a"])
    payloads = [bytes(64), bytes(638), bytes(64)]
    for number, payload in enumerate(payloads):
        network.send_at((1 + number) * MILLISECOND, "wired lead", payload)
    network.run()
    first = 204_800 * MICROSECOND
    short, long = radio.group_ns(64), radio.group_ns(638)
    assert network.ears["a"].arrivals == [first, first + short, first + short + long]
    assert network.air.airtime_ns == 2 * short + long


def test_a_full_held_queue_drops_its_oldest() -> None:
    network = Network(replace(BARE, hold=TIMETABLE), ["wired lead", "a", "b"])
    for number in range(130):
        network.send_at(1 + number, "wired lead", numbered(number))
    network.run()
    assert [data for _, data, _ in network.heard("a")] == [numbered(number) for number in range(2, 130)]
    counts = network.air.counts[LinkKind.GROUP]
    assert (counts.sent, counts.delivered, counts.overflowed) == (260, 256, 4)


def test_frames_of_several_senders_are_released_in_the_order_in_which_they_came() -> None:
    tables = replace(NO_DELAY, up=Fixed(10 * MILLISECOND))
    settings = replace(BARE, tables=tables, hold=TIMETABLE)
    network = Network(settings, ["a", "wired lead", "b"])
    network.send_at(1 * MILLISECOND, "a", b"slow")
    network.send_at(5 * MILLISECOND, "wired lead", b"quick")
    network.run()
    assert [data for _, data, _ in network.heard("b")] == [b"quick", b"slow"]


def test_the_phase_and_clock_of_the_access_point_come_from_the_seed_unless_given() -> None:
    drawn = [Network(replace(BARE, hold=GroupHold()), [], seed).air.grid for seed in (1, 1, 2)]
    assert drawn[0] == drawn[1] != drawn[2]
    given = Network(replace(BARE, hold=GroupHold(phase_ns=3)), [], 1).air.grid
    assert given is not None
    assert drawn[0] is not None
    assert (given.phase_ns, given.clock_error_ppb) == (3, drawn[0].clock_error_ppb)


def test_some_unicast_frames_find_their_station_asleep_but_never_one_that_stays_awake() -> None:
    hold = replace(TIMETABLE, doze_share=0.2, awake=("b",))
    network = Network(replace(BARE, hold=hold), ["wired lead", "a", "b"])
    sent = [1 + number * SECOND for number in range(2_000)]
    for at in sent:
        network.send_at(at, "wired lead", b"x", "a")
        network.send_at(at, "wired lead", b"x", "b")
    network.run()
    assert network.ears["b"].arrivals == sent
    waits = [arrived - at for at, arrived in zip(sent, network.ears["a"].arrivals, strict=True)]
    asleep = [wait for wait in waits if wait]
    # A binomial of 2,000 at 0.2 has a standard deviation of 17.9.
    assert len(asleep) == pytest.approx(400, abs=4 * 17.9)
    assert max(asleep) < 102_400 * MICROSECOND
    assert all(at % (102_400 * MICROSECOND) == 0 for at in network.ears["a"].arrivals if at not in set(sent))


# Order and backlog.


@pytest.mark.parametrize("share", [0.0, 0.5, 1.0])
def test_group_frames_are_held_for_a_share_of_the_time_in_runs(share: float) -> None:
    hold = replace(TIMETABLE, held_share=share, mean_held_seconds=2.0)
    network = Network(replace(BARE, hold=hold), ["wired lead", "a"], seed=2)
    # Right after each DTIM instant, so that a held frame waits for nearly all of a DTIM interval.
    period_ns = 2 * BEACON_INTERVAL_NS
    sent = [number * period_ns + MILLISECOND for number in range(5_000)]
    for at in sent:
        network.send_at(at, "wired lead", at.to_bytes(8, "big"))
    network.run()
    waits = [at - int.from_bytes(data, "big") for _, data, at in network.ears["a"].heard]
    assert set(waits) <= {0, period_ns - MILLISECOND}
    held = [wait > 0 for wait in waits]
    runs = [len(list(run)) for is_held, run in groupby(held) if is_held]
    # A thousand seconds are some 250 runs; each run and each gap is known to a sixteenth: four standard errors.
    assert sum(held) / len(held) == pytest.approx(share, abs=0.13 if 0 < share < 1 else 0.0)
    if 0 < share < 1:
        assert sum(runs) / len(runs) * period_ns / SECOND == pytest.approx(2.0, rel=0.25)


def test_what_is_held_waits_for_its_dtim_though_nobody_dozes_any_more() -> None:
    hold = replace(TIMETABLE, held_share=0.5, mean_held_seconds=1.0)
    network = Network(replace(BARE, hold=hold), ["wired lead", "a"])
    for number in range(2_000):
        at = number * 10 * MILLISECOND
        network.send_at(at, "wired lead", at.to_bytes(8, "big"))
    network.run()
    heard = [(int.from_bytes(data, "big"), at) for _, data, at in network.ears["a"].heard]
    overtaken = sum(later < earlier for (earlier, _), (later, _) in pairwise(heard))
    assert overtaken > 0
    assert {at % (2 * BEACON_INTERVAL_NS) for sent, at in heard if at != sent} == {0}
    assert len(heard) == 2_000


def test_group_frames_may_reach_each_receiver_apart() -> None:
    tables = replace(NO_DELAY, private=Fixed(3), apart=Fixed(5))
    network = Network(replace(BARE, tables=tables), ["wired lead", "a"])
    network.send_at(0, "wired lead", b"group")
    network.send_at(1000, "wired lead", b"own", "a")
    network.run()
    assert network.ears["a"].arrivals == [5, 1003]


@pytest.mark.parametrize("hold", [None, TIMETABLE])
@pytest.mark.parametrize("sender", ["wired lead", "b"])
@pytest.mark.parametrize("destination", [None, "a"])
def test_a_link_never_reorders(destination: str | None, sender: str, hold: GroupHold | None) -> None:
    network = Network(replace(LAWFUL, hold=hold), ["wired lead", "a", "b"])
    for number in range(2_000):
        # Closer together than the delays differ, yet fewer than 128 to a DTIM interval.
        network.send_at(number * 1_700 * MICROSECOND, sender, numbered(number), destination)
    network.run()
    assert [data for _, data, _ in network.heard("a")] == [numbered(number) for number in range(2_000)]
    arrivals = network.ears["a"].arrivals
    assert arrivals == sorted(arrivals)


@pytest.mark.parametrize("destination", [None, "a"])
def test_a_host_of_uneven_speed_never_reorders_either(destination: str | None) -> None:
    network = Network(BARE, ["wired lead"])

    class Uneven(Ear):
        def receive_delay_ns(self, stream: Stream) -> int:  # noqa: ARG002
            return next(delays_ns)

    delays_ns = cycle([1_000, 0, 500])
    uneven = Uneven("a", network.kernel)
    network.air.attach(uneven)
    for number in range(10):
        network.send_at(number * 10, "wired lead", numbered(number), destination)
    network.run()
    assert [data for _, data, _ in uneven.heard] == [numbered(number) for number in range(10)]


def test_a_frame_waits_for_the_one_before_it_even_at_a_receiver_that_lost_that_one() -> None:
    tables = replace(NO_DELAY, group=Exponential(50 * MILLISECOND))
    network = Network(replace(BARE, tables=tables, dropout=Dropout.steady(0.5)), ["wired lead", "a", "b"])
    for number in range(500):
        network.send_at(number * MILLISECOND, "wired lead", numbered(number))
    network.run()
    a, b = ({data: at for _, data, at in network.heard(name)} for name in "ab")
    shared = a.keys() & b.keys()
    # A quarter of 500 reach both.
    assert len(shared) > 80
    assert all(a[data] == b[data] for data in shared)


def test_a_stream_faster_than_the_air_queues_behind_itself_until_frames_are_dropped() -> None:
    radio = Radio()
    network = Network(replace(BARE, radio=radio), ["wired lead", "a"])
    interval_ns, frames = 1_000_000_000 // 240, 1_000
    for number in range(frames):
        network.send_at(number * interval_ns, "wired lead", numbered(number) + bytes(634))
    network.run()
    cost_ns = radio.group_ns(638)
    assert network.ears["a"].arrivals[:100] == [number * cost_ns for number in range(100)]
    counts = network.air.counts[LinkKind.GROUP]
    assert counts.overflowed == frames - counts.delivered
    # The queue holds a second: it took in what the air carried while frames came, and that second.
    assert counts.delivered == pytest.approx((frames * interval_ns + SECOND) / cost_ns, abs=2)


def test_senders_share_the_one_queue_that_the_access_point_has() -> None:
    # Four times 100 frames a second of 6.03 ms: 2.41 of the airtime.
    radio = Radio()
    leads = [f"wired {number}" for number in range(4)]
    network = Network(replace(BARE, radio=radio), [*leads, "a"])
    for number in range(1_000):
        for lead in leads:
            network.send_at(number * 10 * MILLISECOND, lead, numbered(number) + bytes(634))
    network.run()
    cost_ns = radio.group_ns(638)
    arrivals = network.ears["a"].arrivals
    assert arrivals == [number * cost_ns for number in range(len(arrivals))]
    # The queue holds a second: it took in what the air carried in the ten seconds while frames came, and that second.
    assert len(arrivals) == pytest.approx((10 * SECOND + SECOND) / cost_ns, abs=2)
    assert network.air.counts[LinkKind.GROUP].overflowed == 4_000 - len(arrivals)
    assert network.air.over_capacity


def test_a_network_that_carries_what_it_is_given_is_not_over_capacity() -> None:
    # Forty 638-byte group frames a second are 24 % of a radio that sends them at 1 Mb/s.
    network = Network(replace(BARE, radio=Radio()), ["wired lead", "a"])
    for number in range(400):
        network.send_at(number * 25 * MILLISECOND, "wired lead", bytes(638))
        network.send_at(number * 25 * MILLISECOND, "a", bytes(64), "wired lead")
    network.run()
    assert not network.air.over_capacity
    assert {at % (25 * MILLISECOND) for at in network.ears["a"].arrivals} == {0}


def test_more_unicast_than_the_air_carries_waits_is_dropped_and_said_to_be_too_much() -> None:
    radio = Radio()
    network = Network(replace(BARE, radio=radio), ["wired lead", "a", "b"])
    cost_ns = radio.unicast_ns(638)
    interval_ns, frames = cost_ns // 2, 20_000
    for number in range(frames):
        network.send_at(number * interval_ns, "wired lead", bytes(638), "ab"[number % 2])
    network.run()
    counts = network.air.counts[LinkKind.DOWN]
    assert network.air.over_capacity
    # Twice what the air carries: half of it, and what still waits, 1.1 s of it, gets through.
    carried = frames * interval_ns / cost_ns
    assert counts.delivered == pytest.approx(carried + 1.1 * SECOND / cost_ns, abs=2)
    assert counts.overflowed == frames - counts.delivered
    delays = [at - number * interval_ns for number, at in enumerate(network.ears["a"].arrivals[:100])]
    assert delays[0] == 0
    assert max(at for at in network.ears["a"].arrivals) <= frames * interval_ns + SECOND + cost_ns


def test_an_overloaded_radio_delays_what_the_cable_sends_to_the_group_too() -> None:
    radio = Radio()
    network = Network(replace(BARE, radio=radio), ["wired lead", "wired busy", "a"])
    cost_ns = radio.unicast_ns(1472)
    for number in range(2_000):
        network.send_at(number * cost_ns // 2, "wired busy", bytes(1472), "a")
    middle = 1_999 * cost_ns // 2
    network.send_at(middle, "wired lead", b"beacon")
    network.run()
    (beacon_at,) = (at for sender, _, at in network.heard("a") if sender == "wired lead")
    # Half the time of two thousand frames is asked for in excess; 100 ms of it delays nobody.
    assert beacon_at - middle == pytest.approx(1_000 * cost_ns - 100 * MILLISECOND, abs=2 * cost_ns)


def test_at_dtim_2_the_held_queue_carries_625_frames_a_second_and_no_more() -> None:
    # 128 frames in 204.8 ms. Small frames at 6 Mb/s, so that the queue is what limits and not the air.
    radio = Radio(Band.GHZ_5)
    seconds = 20
    for rate, lost_share in ((625, 0.0), (800, 1 - 625 / 800)):
        network = Network(replace(BARE, hold=TIMETABLE, radio=radio), ["wired lead", "a"])
        for number in range(seconds * rate):
            network.send_at(1 + number * SECOND // rate, "wired lead", numbered(number))
        network.run()
        counts = network.air.counts[LinkKind.GROUP]
        assert counts.sent == seconds * rate
        # The last burst may hold up to one DTIM interval of frames more.
        assert counts.overflowed == pytest.approx(lost_share * counts.sent, abs=128 * lost_share + 1)
        assert network.air.over_capacity == (rate > 625)
        # Oldest first: what gets through is never older than the 128 newest at its DTIM, an interval and a burst.
        heard = network.heard("a")
        sent_at = {numbered(number): 1 + number * SECOND // rate for number in range(seconds * rate)}
        slowest_ns = max(at - sent_at[data] for _, data, at in heard)
        assert slowest_ns < 204_800 * MICROSECOND + 128 * radio.group_ns(4)


def test_a_burst_longer_than_the_dtim_interval_drops_the_oldest_and_never_falls_further_behind() -> None:
    # A hundred frames of 6.03 ms a second are 60 % of the air; two hundred are more than all of it.
    radio = Radio()
    network = Network(replace(BARE, hold=TIMETABLE, radio=radio), ["wired lead", "a"])
    sent_at = {}
    for number in range(6_000):
        data = numbered(number) + bytes(634)
        sent_at[data] = number * 5 * MILLISECOND
        network.send_at(sent_at[data], "wired lead", data)
    network.run()
    cost_ns = radio.group_ns(638)
    heard = network.heard("a")
    delays = [at - sent_at[data] for _, data, at in heard]
    # No frame has more than 128 before it, and each waits for its own DTIM besides.
    assert max(delays) < 128 * cost_ns + 204_800 * MICROSECOND
    assert max(delays[-1_000:]) < max(delays[1_000:2_000]) + 204_800 * MICROSECOND
    assert len(heard) == pytest.approx(30 * SECOND / cost_ns, abs=128 + 34)
    assert network.air.over_capacity


def test_held_frames_of_different_senders_never_overtake_each_other_on_the_air() -> None:
    tables = replace(NO_DELAY, group=Exponential(20 * MILLISECOND))
    network = Network(replace(BARE, tables=tables, hold=TIMETABLE), ["wired x", "wired y", "a"])
    for number in range(600):
        network.send_at(1 + number * 3 * MILLISECOND, ("wired x", "wired y")[number % 2], numbered(number))
    network.run()
    assert [data for _, data, _ in network.heard("a")] == [numbered(number) for number in range(600)]


# Loss.


@pytest.mark.slow
@pytest.mark.thorough_except(frames=15_000)
@pytest.mark.parametrize("frames", [15_000, 100_000])
def test_group_frames_get_one_try_and_unicast_frames_several(frames: int) -> None:
    settings = replace(BARE, dropout=Dropout.steady(0.2), unicast_tries=4)
    network = Network(settings, ["wired lead", "a"])
    for _ in range(frames):
        network.air.send("wired lead", b"x", None)
        network.air.send("wired lead", b"x", "a")
    group, down = network.air.counts[LinkKind.GROUP], network.air.counts[LinkKind.DOWN]
    assert group.sent == down.sent == frames
    for lost, expected in ((group.lost, 0.2), (down.lost, 0.2**4)):
        # Binomial: three standard deviations.
        assert lost / frames == pytest.approx(expected, abs=3 * math.sqrt(expected * (1 - expected) / frames))
    assert down.lost + down.delivered == frames


def test_every_further_try_delays_a_unicast_frame_and_uses_the_air() -> None:
    radio = Radio()
    settings = replace(BARE, dropout=Dropout.steady(0.5), radio=radio)
    network = Network(settings, ["wired lead", "a"])
    for number in range(300):
        network.send_at(number * SECOND, "wired lead", b"", "a")
    network.run()
    elapsed_ns = [sum(radio.unicast_ns(0, attempt) for attempt in range(1, tries)) for tries in range(1, 8)]
    delays = [arrived % SECOND for arrived in network.ears["a"].arrivals]
    assert set(delays) <= set(elapsed_ns)
    assert len(set(delays)) >= 5
    whole_ns = [sum(radio.unicast_ns(0, attempt) for attempt in range(tries)) for tries in range(1, 8)]
    lost_ns = (300 - len(delays)) * whole_ns[-1]
    assert network.air.airtime_ns == lost_ns + sum(whole_ns[elapsed_ns.index(delay)] for delay in delays)


def test_tries_within_one_bad_spell_share_its_outcome() -> None:
    # Bad spells of a second lose everything, so seven tries in ten milliseconds rarely help.
    settings = replace(BARE, dropout=Dropout.from_mean(0.2, 1.0), radio=Radio())
    network = Network(settings, ["wired lead", "a"])
    for number in range(5_000):
        network.send_at(number * SECOND, "wired lead", b"x", "a")
    network.run()
    lost = network.air.counts[LinkKind.DOWN].lost / 5_000
    # Tries end within 11 ms, so at most 1.1 % of bad spells are outlived. Runs of bad seconds correlate: the
    # variance of the mean is at most that of the bad share, 2·π·(1−π)²·B / t, plus the binomial one.
    deviation = math.sqrt(2 * 0.2 * 0.8**2 * 1.0 / 5_000 + 0.2 * 0.8 / 5_000)
    assert lost == pytest.approx(0.2, abs=0.2 * 0.011 + 4 * deviation)


def test_a_shared_bad_spell_takes_the_frame_from_everybody() -> None:
    settings = replace(BARE, shared_dropout=Dropout.from_mean(0.3, 0.5))
    network = Network(settings, ["wired lead", "a", "b"])
    for number in range(500):
        network.send_at(number * SECOND, "wired lead", numbered(number))
    network.run()
    assert network.heard("a") == network.heard("b")
    assert 0 < len(network.heard("a")) < 500


@pytest.mark.parametrize(("destination", "kind"), [(None, LinkKind.GROUP), ("a", LinkKind.DOWN)])
def test_own_and_shared_loss_combine_as_independent_ones(destination: str | None, kind: LinkKind) -> None:
    own, shared = Dropout.steady(0.5), Dropout.steady(0.2)
    settings = replace(BARE, dropout=own, shared_dropout=shared, unicast_tries=1)
    network = Network(settings, ["wired lead", "a"])
    for _ in range(20_000):
        network.air.send("wired lead", b"x", destination)
    # Binomial at 0.6: 4 standard deviations.
    lost = network.air.counts[kind].lost / 20_000
    assert lost == pytest.approx(0.6, abs=4 * math.sqrt(0.6 * 0.4 / 20_000))


def test_a_radio_sender_whose_channel_is_dead_reaches_nobody() -> None:
    settings = replace(BARE, dropout=Dropout.steady(1.0))
    network = Network(settings, ["a", "b", "wired c"])
    network.send_at(0, "a", b"x")
    network.run()
    assert network.heard("wired c") == []
    counts = network.air.counts
    assert (counts[LinkKind.UP].lost, counts[LinkKind.GROUP].sent) == (1, 0)


def test_the_cable_loses_nothing() -> None:
    settings = replace(BARE, dropout=Dropout.steady(1.0), shared_dropout=Dropout.steady(1.0))
    network = Network(settings, ["wired a", "wired b"])
    network.send_at(0, "wired a", b"x")
    network.send_at(1, "wired a", b"y", "wired b")
    network.run()
    assert network.heard("wired b") == [("wired a", b"x", 0), ("wired a", b"y", 1)]
    assert network.air.airtime_ns == 0


# What the network does not carry.


def test_isolated_clients_hear_the_cable_and_not_each_other() -> None:
    network = Network(replace(BARE, client_isolation=True), ["a", "b", "wired c"])
    network.send_at(1, "a", b"group")
    network.send_at(2, "a", b"one", "b")
    network.send_at(3, "a", b"one", "wired c")
    network.send_at(4, "wired c", b"group")
    network.run()
    assert network.heard("b") == [("wired c", b"group", 4)]
    assert [data for _, data, _ in network.heard("wired c")] == [b"group", b"one"]
    assert network.air.counts[LinkKind.GROUP].blocked == 1
    assert network.air.counts[LinkKind.UP].blocked == 1


def test_an_address_that_nobody_has_swallows_what_is_sent_to_it() -> None:
    network = Network(BARE, ["wired lead"])
    network.air.send("wired lead", b"x", "nobody")
    assert network.air.counts[LinkKind.CABLE].blocked == 1


def test_a_name_can_be_taken_once_and_only_stations_send() -> None:
    network = Network(BARE, ["a"])
    with pytest.raises(ConfigurationError, match="a name that no other station has"):
        network.air.attach(Ear("a", network.kernel))
    with pytest.raises(ConfigurationError, match="attached station"):
        network.air.send("nobody", b"x", None)


def test_a_station_attached_late_hears_the_group_from_then_on() -> None:
    network = Network(BARE, ["wired lead", "a"])
    network.send_at(1, "wired lead", b"early")
    network.run()
    late = Ear("late", network.kernel)
    network.air.attach(late)
    network.send_at(2, "wired lead", b"later")
    network.run()
    assert late.heard == [("wired lead", b"later", 2)]


def test_congestion_begins_calm_and_then_holds_for_the_whole_network() -> None:
    jam = Congestion(replace(NO_DELAY, group=Fixed(7), up=Fixed(7)), 10.0, 10.0)
    network = Network(replace(BARE, congestion=jam), ["wired lead", "a"])
    for number in range(400):
        network.send_at(number * SECOND, "wired lead", b"x")
        network.send_at(number * SECOND, "a", b"x", "wired lead")
    network.run()
    delays = [at % SECOND for at in network.ears["a"].arrivals]
    assert delays[0] == 0
    assert set(delays) == {0, 7}
    assert delays == [at % SECOND for at in network.ears["wired lead"].arrivals]


def test_what_gets_to_the_access_point_before_a_frame_that_is_tried_again_is_not_held_up() -> None:
    tables = replace(NO_DELAY, up=Fixed(5 * MILLISECOND))
    radio = Radio(Band.GHZ_5)
    network = Network(replace(BARE, tables=tables, radio=radio, retries_block=True), ["lead", "wired b", "a"])
    network.air.attach(Ear("gone", network.kernel), Dropout.steady(1.0))
    # It is on its way to the access point for 5 ms, and then tried in vain.
    network.send_at(0, "lead", b"x", "gone")
    network.send_at(MILLISECOND, "wired b", b"before")
    network.send_at(5 * MILLISECOND + 1, "wired b", b"after")
    network.run()
    before, after = network.ears["a"].arrivals
    assert before == MILLISECOND
    assert after == 5 * MILLISECOND + sum(radio.unicast_ns(1, attempt) for attempt in range(1, 7))


def test_a_radio_senders_copies_do_not_overtake_what_it_sent_to_the_group() -> None:
    tables = replace(NO_DELAY, up=Uniform(MILLISECOND, 9 * MILLISECOND))
    settings = replace(BARE, tables=tables, radio=Radio(Band.GHZ_5), retries_block=True)
    network = Network(settings, ["lead", "a", "b"])
    network.air.attach(Ear("gone", network.kernel), Dropout.steady(1.0))
    for number in range(100):
        network.send_at(number * SECOND, "lead", b"group")
        network.send_at(number * SECOND, "lead", b"copy", "gone")
        network.send_at(number * SECOND, "lead", b"copy", "b")
    network.run()
    delays = [at % SECOND for at in network.ears["a"].arrivals]
    # The tries for the one that is gone take some ten ms, and none of that is added.
    assert len(delays) == 100
    assert max(delays) < 9 * MILLISECOND
    copies = [at % SECOND for _, data, at in network.heard("b") if data == b"copy"]
    assert all(copy >= group for copy, group in zip(copies, delays, strict=True))
    assert max(copies) > 15 * MILLISECOND


def test_a_station_that_never_answers_holds_others_up_for_a_backlog_at_most_and_that_is_told() -> None:
    radio = Radio(Band.GHZ_5)
    tables = replace(NO_DELAY, count_stretch=20.0)
    network = Network(replace(BARE, tables=tables, radio=radio, retries_block=True), ["wired lead", "a"])
    network.air.attach(Ear("gone", network.kernel), Dropout.steady(1.0))
    frames = 2_000
    for number in range(frames):
        network.send_at(number * 10 * MILLISECOND, "wired lead", b"x", "gone")
        network.send_at(number * 10 * MILLISECOND + 1, "wired lead", numbered(number))
    network.run()
    delays = [at - number * 10 * MILLISECOND - 1 for number, at in enumerate(network.ears["a"].arrivals)]
    tries_ns = sum(radio.unicast_ns(1, attempt) + 19 * radio.mean_backoff_ns(attempt) for attempt in range(1, 7))
    assert len(delays) == frames
    assert tries_ns > 100 * MILLISECOND
    assert SECOND / 2 < max(delays) <= SECOND + tries_ns
    counts = network.air.counts[LinkKind.DOWN]
    assert counts.sent == counts.lost + counts.overflowed == frames
    assert counts.overflowed > frames / 2
    assert network.air.over_capacity


def test_a_load_is_replayed_for_the_whole_network() -> None:
    busy = replace(NO_DELAY, group=Fixed(7), up=Fixed(7))
    record = LoadRecord((NO_DELAY, busy), bytes([0, 0, 0, 1]), SECOND, 2)
    network = Network(replace(BARE, load=record), ["wired lead", "a"])
    for number in range(400):
        network.send_at(number * SECOND, "wired lead", b"x")
        network.send_at(number * SECOND, "a", b"x", "wired lead")
    network.run()
    delays = [at % SECOND for at in network.ears["a"].arrivals]
    # A quarter of 200 independent blocks of two: within four standard deviations of 100.
    assert set(delays) == {0, 7}
    assert abs(delays.count(7) - 100) <= 4 * (200 * 0.5 * 0.5) ** 0.5
    assert delays == [at % SECOND for at in network.ears["wired lead"].arrivals]


def test_a_level_has_its_own_share_of_collisions() -> None:
    jammed = replace(NO_DELAY, group_loss=1.0)
    record = LoadRecord((NO_DELAY, jammed), bytes([0, 1]), SECOND, 2)
    network = Network(replace(BARE, load=record), ["wired lead", "a", "b"])
    for number in range(200):
        network.send_at(number * SECOND, "wired lead", numbered(number))
    network.run()
    # Each block of two seconds has one of each.
    assert len(network.heard("a")) == 100
    assert network.heard("a") == network.heard("b")
    assert network.air.counts[LinkKind.GROUP].lost == 200


def test_a_longer_frame_takes_as_much_longer_as_its_airtime_is() -> None:
    radio = Radio(Band.GHZ_2_4)
    distributions = replace(NO_DELAY, group=Fixed(3 * MILLISECOND), up=Fixed(MILLISECOND), down=Fixed(MILLISECOND))
    sized = replace(
        BARE, tables=distributions, radio=radio, group_distribution_bytes=100, unicast_distribution_bytes=100
    )
    network = Network(sized, ["wired lead", "a"])
    for number, size in enumerate((100, 160, 90)):
        network.send_at(2 * number * SECOND, "wired lead", bytes(size))
        network.send_at((2 * number + 1) * SECOND, "wired lead", bytes(size), "a")
    network.run()
    delays = [at % SECOND for at in network.ears["a"].arrivals]
    # At 1 Mb/s a byte is 8 µs; a unicast frame is rounded up to symbols of 4 µs and 104 bits: 182 bytes take 15 of
    # them, 242 take 19, 172 take 14.
    assert delays[::2] == [3 * MILLISECOND + step * 8 * MICROSECOND for step in (0, 60, -10)]
    assert delays[1::2] == [MILLISECOND + step * 4 * MICROSECOND for step in (0, 4, -1)]


@pytest.mark.parametrize("stretch", [1.0, 3.0])
def test_a_frame_that_is_tried_again_holds_up_all_that_the_access_point_has_to_send(stretch: float) -> None:
    radio = Radio(Band.GHZ_5)
    tables = replace(NO_DELAY, count_stretch=stretch)
    settings = replace(BARE, tables=tables, radio=radio, unicast_tries=3, retries_block=True)
    network = Network(settings, ["wired lead", "a"])
    gone = Ear("gone", network.kernel)
    network.air.attach(gone, Dropout.steady(1.0))
    network.send_at(0, "wired lead", b"x", "gone")
    network.send_at(1, "wired lead", b"group")
    network.send_at(2, "wired lead", b"one", "a")
    network.run()
    tries_ns = sum(radio.unicast_ns(1, attempt) for attempt in (1, 2))
    counts_ns = round((stretch - 1) * sum(radio.mean_backoff_ns(attempt) for attempt in (1, 2)))
    assert network.ears["a"].arrivals == [tries_ns + counts_ns] * 2
    assert gone.heard == []


def test_what_goes_right_behind_another_of_a_burst_has_its_own_delay_and_its_own_share_of_collisions() -> None:
    distributions = replace(NO_DELAY, group=Fixed(3 * MILLISECOND), behind=Fixed(2 * MILLISECOND), behind_loss=0.0)
    held = replace(BARE, tables=distributions, hold=TIMETABLE)
    dtim_ns = 204_800 * MICROSECOND
    arrivals = {}
    for lost in ("none", "first", "others"):
        tables = replace(distributions, group_loss=float(lost == "first"), behind_loss=float(lost == "others"))
        network = Network(replace(held, tables=tables), ["wired lead", "wired other", "a"])
        for number, sender in enumerate(("wired lead", "wired other", "wired lead", "wired lead")):
            # Three of two senders wait for one beacon, the fourth is alone after the next.
            network.send_at(dtim_ns * (number // 3) + 1 + number, sender, numbered(number))
        network.run()
        arrivals[lost] = [at / MILLISECOND for at in network.ears["a"].arrivals]
    # Each begins where the one before it ends, also where that one is lost.
    assert arrivals["none"] == [207.8, 209.8, 211.8, 412.6]
    assert arrivals["first"] == [209.8, 211.8]
    assert arrivals["others"] == [207.8, 412.6]


@pytest.mark.parametrize(("sender", "kind"), [("wired lead", LinkKind.DOWN), ("b", LinkKind.UP)])
def test_where_frames_competed_a_sender_carries_what_slow_counts_and_collisions_leave_it_time_for(
    sender: str, kind: LinkKind
) -> None:
    radio = Radio(Band.GHZ_5)
    # Half of the tries collide, and counts take thirty times as long as on an idle medium.
    tables = replace(NO_DELAY, group_loss=0.5, count_stretch=30.0)
    settings = replace(BARE, tables=tables, radio=radio, unicast_tries=3)
    destination = "a" if sender.startswith("wired") else "wired lead"
    tries = [radio.unicast_ns(1, attempt) + 29 * radio.mean_backoff_ns(attempt) for attempt in range(3)]
    kept_ns = tries[0] + tries[1] / 2 + tries[2] / 4
    frames = 4_000
    found = {}
    for competed in (False, True):
        network = Network(replace(settings, retries_block=competed), ["wired lead", "a", "b"])
        for number in range(frames):
            network.send_at(number * MILLISECOND, sender, b"x", destination)
        network.run()
        found[competed] = network.air.counts[kind], network.air.over_capacity
    assert kept_ns > 5 * MILLISECOND
    counts, over = found[False]
    # By its airtime alone, a quarter of a millisecond, a frame each millisecond is not too much.
    assert (counts.delivered, counts.overflowed, over) == (frames, 0, False)
    counts, over = found[True]
    assert over
    # Four seconds of work, and what may wait: half a second before anything is delayed, and one after.
    expected = (frames * MILLISECOND + 1.5 * SECOND) / kept_ns
    assert counts.delivered == pytest.approx(expected, abs=2)
    assert counts.overflowed == frames - counts.delivered


# Asymmetry.


def test_floors_up_and_down_are_apart_by_a_constant_of_each_station() -> None:
    tables = replace(NO_DELAY, up=Fixed(MILLISECOND), down=Fixed(MILLISECOND), floor_ns=MILLISECOND)
    names = ["wired lead", *(f"follower {number}" for number in range(40))]
    network = Network(replace(BARE, tables=tables, floor_asymmetry=0.25), names)
    for name in names[1:]:
        for at in (0, SECOND):
            network.send_at(at, name, b"x", "wired lead")
            network.send_at(at, "wired lead", b"x", name)
    network.run()
    up = [
        [arrived % SECOND for sender, _, arrived in network.heard("wired lead") if sender == name] for name in names[1:]
    ]
    down = [[arrived % SECOND for arrived in network.ears[name].arrivals] for name in names[1:]]
    assert all(first == second for first, second in up + down)
    for floors in (up, down):
        firsts = [first for first, _ in floors]
        assert len(set(firsts)) == 40
        # Uniform within ±25 %: 40 draws leave the outer tenth on one side empty with a chance of 0.9^40.
        assert min(firsts) < 0.8 * MILLISECOND
        assert min(firsts) >= 0.75 * MILLISECOND
        assert max(firsts) > 1.2 * MILLISECOND
        assert max(firsts) <= 1.25 * MILLISECOND
    assert up != down


def test_without_asymmetry_both_ways_have_the_same_floor() -> None:
    tables = replace(NO_DELAY, up=Fixed(MILLISECOND), down=Fixed(MILLISECOND), floor_ns=MILLISECOND)
    network = Network(replace(BARE, tables=tables), ["wired lead", "a"])
    network.send_at(0, "a", b"x", "wired lead")
    network.send_at(0, "wired lead", b"x", "a")
    network.run()
    assert network.ears["a"].arrivals == network.ears["wired lead"].arrivals == [MILLISECOND]


# Random streams.

LOSSY = replace(LAWFUL, dropout=Dropout.from_mean(0.2, 1.0, good_loss=0.05), floor_asymmetry=0.25)


def evening(names: Sequence[str], settings: SampledSettings = LOSSY) -> Network:
    """Beacons to the group from a wired leader; every follower sounds the leader and sends to the group."""
    network = Network(settings, ["wired lead", *names])
    for number in range(400):
        at = number * 250 * MILLISECOND
        network.send_at(at, "wired lead", numbered(number))
        for index, name in enumerate(names):
            own = at + 1 + index * MILLISECOND
            network.send_at(own, name, numbered(number), "wired lead")
            network.send_at(own, "wired lead", numbered(number), name)
            network.send_at(own + 17, name, numbered(number))
    network.run()
    return network


def test_adding_a_follower_changes_no_other_followers_packets() -> None:
    small, large = evening(["a", "b"]), evening(["a", "b", "c"])
    for name in ("a", "b", "wired lead"):
        without_c = [event for event in large.heard(name) if event[0] != "c"]
        assert sorted(without_c) == sorted(small.heard(name))
    assert len(large.heard("a")) > len(small.heard("a")) > 400


def test_adding_a_follower_delays_others_held_frames_and_changes_no_other_outcome_of_theirs() -> None:
    # Held frames leave in one line; where the loss is steady in time, a later place in it is all that a newcomer costs.
    settings = replace(LOSSY, dropout=Dropout.steady(0.2), hold=GroupHold(doze_share=0.2))
    small, large = evening(["a", "b"], settings), evening(["a", "b", "c"], settings)
    for name in ("a", "b", "wired lead"):
        without_c = sorted(event for event in large.heard(name) if event[0] != "c")
        alone = sorted(small.heard(name))
        assert [event[:2] for event in without_c] == [event[:2] for event in alone]
        assert all(later[2] >= sooner[2] for later, sooner in zip(without_c, alone, strict=True))
    assert len(large.heard("a")) > len(small.heard("a")) > 400


def test_the_same_seed_gives_the_same_evening_and_another_seed_another() -> None:
    def trace(seed: int) -> list[tuple[str, bytes, int]]:
        network = Network(LOSSY, ["wired lead", "a"], seed)
        for number in range(100):
            network.send_at(number * SECOND, "wired lead", numbered(number))
        network.run()
        return network.heard("a")

    assert trace(1) == trace(1)
    assert trace(1) != trace(2)


@pytest.mark.parametrize(
    "settings",
    [
        {"unicast_tries": 0},
        {"backlog_ns": -1},
        {"floor_asymmetry": 1.1},
        {"floor_asymmetry": float("nan")},
    ],
)
def test_settings_that_make_no_sense_are_refused(settings: dict[str, float]) -> None:
    with pytest.raises(ConfigurationError):
        replace(BARE, **settings)  # type: ignore[arg-type]
