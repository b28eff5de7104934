"""Several access points on one cable, stations that roam between them, and one that makes way for a radar."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import pytest

from leadlight.errors import ConfigurationError
from leadlight.units import MICROSECOND, MILLISECOND, SECOND
from leadlight_sim.air.contended.access_rules import AccessRules
from leadlight_sim.air.contended.air import CHANNEL_AVAILABILITY_CHECK_NS, ContendedAir
from leadlight_sim.air.contended.neighbours import Neighbour
from leadlight_sim.air.contended.settings import AccessPoint, Beacons, ContendedSettings, PowerSave
from leadlight_sim.air.distributions import Fixed
from leadlight_sim.air.dropouts import Dropout
from leadlight_sim.air.interface import LinkKind
from leadlight_sim.air.timing import Band, Radio
from leadlight_sim.kernel import Stream, Streams
from leadlight_sim.kernel.kernel import Kernel, TrueInstant

RADIO = Radio(Band.GHZ_5)
SLOW = Radio(Band.GHZ_2_4, unicast_mcs=0)
CABLE_NS = 70
# Windows of one count, always 0: every wait is then known to the nanosecond.
NO_COUNT = replace(AccessRules.of(RADIO), cw_min=0, cw_max=0)
FAR = AccessPoint(
    name="far", stations=("c", "d"), radio=SLOW, rules=replace(AccessRules.of(SLOW), cw_min=0, cw_max=0), beacons=None
)
TWO = ContendedSettings(radio=RADIO, rules=NO_COUNT, beacons=None, cable=Fixed(CABLE_NS), further=(FAR,))
TIMETABLE = Beacons(period=2, phase_ns=0, clock_error_ppb=0)


class Ear:
    """A station that writes down what it hears, and when; one whose name begins with "wired" is on the cable."""

    def __init__(self, name: str) -> None:
        self.name = name
        self.wired = name.startswith("wired")
        self.heard: list[tuple[bytes, int]] = []

    def receive_delay_ns(self, stream: Stream) -> int:  # noqa: ARG002 - an exact host
        return 0

    def receive(self, data: bytes, sender: str, arrived_at: TrueInstant) -> None:  # noqa: ARG002
        self.heard.append((data, arrived_at))

    @property
    def arrivals(self) -> list[int]:
        return [at for _, at in self.heard]


class Network:
    """A kernel, an air and its ears."""

    def __init__(self, settings: ContendedSettings, names: Sequence[str], seed: int = 1) -> None:
        self.kernel = Kernel()
        self.air = ContendedAir(self.kernel, Streams(seed), settings)
        self.ears = {name: Ear(name) for name in names}
        for ear in self.ears.values():
            self.air.attach(ear)

    def at(self, instant: int, action: Any, *arguments: Any) -> None:
        self.kernel.schedule(TrueInstant(instant), action, *arguments)

    def send_every(self, interval_ns: int, until: int, sender: str, data: bytes, to: str | None = None) -> None:
        for at in range(0, until, interval_ns):
            self.at(at, self.air.send, sender, data, to)

    def run_until(self, end: int) -> Network:
        self.kernel.run_until(TrueInstant(end))
        return self

    def arrivals(self, name: str) -> list[int]:
        return self.ears[name].arrivals

    def open_frames(self, kind: LinkKind) -> int:
        counts = self.air.counts[kind]
        return counts.sent - counts.delivered - counts.lost - counts.overflowed - counts.blocked


EVERYBODY = ("wired lead", "a", "b", "c", "d")


def answered(radio: Radio, size: int) -> int:
    return radio.unicast_frame_ns(size) + radio.sifs_ns + radio.acknowledgement_ns()


# What goes where, exactly.


def test_what_the_cable_sends_to_the_group_goes_out_through_all_access_points_at_once() -> None:
    network = Network(TWO, EVERYBODY)
    network.at(1_000, network.air.send, "wired lead", bytes(64), None)
    network.run_until(SECOND)
    sent_at = 1_000 + CABLE_NS
    assert network.arrivals("a") == network.arrivals("b") == [sent_at + RADIO.group_frame_ns(64)]
    assert network.arrivals("c") == network.arrivals("d") == [sent_at + SLOW.group_frame_ns(64)]
    assert network.arrivals("wired lead") == []
    assert [cell.medium.attempts for cell in network.air.cells] == [1, 1]
    assert network.air.counts[LinkKind.GROUP].delivered == 4


def test_what_a_station_sends_to_the_group_crosses_its_own_radio_twice_and_the_other_once() -> None:
    network = Network(TWO, EVERYBODY)
    network.at(0, network.air.send, "a", bytes(64), None)
    network.run_until(SECOND)
    up_ns = RADIO.unicast_frame_ns(64)
    assert network.arrivals("wired lead") == [up_ns + CABLE_NS]
    assert network.arrivals("b") == [answered(RADIO, 64) + RADIO.difs_ns + RADIO.group_frame_ns(64)]
    assert network.arrivals("c") == network.arrivals("d") == [up_ns + CABLE_NS + SLOW.group_frame_ns(64)]
    assert network.arrivals("a") == []


def test_unicast_between_access_points_goes_over_the_cable() -> None:
    network = Network(TWO, EVERYBODY)
    network.at(0, network.air.send, "a", b"x", "c")
    network.at(SECOND, network.air.send, "c", b"y", "wired lead")
    network.at(2 * SECOND, network.air.send, "wired lead", b"z", "d")
    network.run_until(3 * SECOND)
    fast_ns, slow_ns = RADIO.unicast_frame_ns(1), SLOW.unicast_frame_ns(1)
    assert network.arrivals("c") == [fast_ns + CABLE_NS + slow_ns]
    assert network.arrivals("wired lead") == [SECOND + slow_ns + CABLE_NS]
    assert network.arrivals("d") == [2 * SECOND + CABLE_NS + slow_ns]


def test_channels_do_not_hear_each_other() -> None:
    crowded = replace(TWO, further=(replace(FAR, rules=None, neighbours=(Neighbour(),) * 10),))
    arrivals = []
    for settings in (TWO, crowded):
        network = Network(settings, EVERYBODY)
        network.send_every(10 * MILLISECOND, SECOND, "wired lead", bytes(64))
        network.run_until(2 * SECOND)
        arrivals.append((network.arrivals("a"), network.arrivals("c")))
    assert arrivals[0][0] == arrivals[1][0]
    assert len(arrivals[1][1]) < len(arrivals[0][1]) == 100
    assert network.air.busy_share > 0.8


def test_each_access_point_holds_group_frames_by_its_own_beacons() -> None:
    later = replace(TIMETABLE, period=1, phase_ns=30 * MILLISECOND)
    settings = replace(
        TWO,
        beacons=TIMETABLE,
        power_save=PowerSave(others_doze=True),
        further=(replace(FAR, beacons=later, others_doze=True),),
    )
    network = Network(settings, EVERYBODY)
    network.at(10 * MILLISECOND, network.air.send, "wired lead", bytes(64), None)
    network.run_until(SECOND)
    for name, radio, dtim_ns in (("a", RADIO, 204_800 * MICROSECOND), ("c", SLOW, 30 * MILLISECOND)):
        frames_ns = radio.group_frame_ns(250 - 80) + radio.difs_ns + radio.group_frame_ns(64)
        assert network.arrivals(name) == [dtim_ns + frames_ns]


def test_only_stations_of_one_radio_are_isolated_from_each_other() -> None:
    network = Network(replace(TWO, client_isolation=True), EVERYBODY)
    network.at(0, network.air.send, "a", b"x", None)
    network.at(SECOND, network.air.send, "a", b"y", "b")
    network.at(2 * SECOND, network.air.send, "a", b"z", "c")
    network.run_until(3 * SECOND)
    assert network.ears["b"].heard == []
    assert [data for data, _ in network.ears["c"].heard] == [b"x", b"z"]
    assert [data for data, _ in network.ears["wired lead"].heard] == [b"x"]


def test_a_shared_channel_is_shared_by_the_stations_of_one_access_point() -> None:
    settings = replace(TWO, further=(replace(FAR, shared_dropout=Dropout.steady(1.0)),))
    network = Network(settings, EVERYBODY)
    network.send_every(100 * MILLISECOND, SECOND, "wired lead", b"x")
    network.run_until(2 * SECOND)
    assert [len(network.arrivals(name)) for name in ("a", "b", "c", "d")] == [10, 10, 0, 0]


def test_a_further_access_point_shifts_nobody_elses_random_stream() -> None:
    usual = ContendedSettings(radio=RADIO, dropout=Dropout.steady(0.3), neighbours=(Neighbour(),))
    both = replace(usual, further=(AccessPoint(name="far", stations=("c",), neighbours=(Neighbour(),) * 3),))
    arrivals = []
    for settings in (usual, both):
        network = Network(settings, ["wired lead", "a", "b"])
        network.send_every(50 * MILLISECOND, 5 * SECOND, "wired lead", b"x")
        network.send_every(50 * MILLISECOND, 5 * SECOND, "a", b"x", "b")
        network.run_until(6 * SECOND)
        arrivals.append((network.arrivals("a"), network.arrivals("b")))
    assert arrivals[0] == arrivals[1]


# Roaming.


def test_a_station_that_roams_hears_nothing_on_the_way_and_the_other_access_point_after_it() -> None:
    network = Network(TWO, EVERYBODY)
    network.send_every(100 * MILLISECOND, 2 * SECOND, "wired lead", bytes(64))
    network.at(950 * MILLISECOND, network.air.roam, "a", 200 * MILLISECOND, "far")
    network.run_until(3 * SECOND)
    fast_ns, slow_ns = CABLE_NS + RADIO.group_frame_ns(64), CABLE_NS + SLOW.group_frame_ns(64)
    expected = [number * 100 * MILLISECOND + fast_ns for number in range(10)]
    expected += [number * 100 * MILLISECOND + slow_ns for number in range(12, 20)]
    assert network.arrivals("a") == expected
    assert len(network.arrivals("b")) == len(network.arrivals("c")) == 20
    assert network.air.counts[LinkKind.GROUP].lost == 2


def test_a_station_that_roams_takes_what_it_has_to_send_and_loses_what_waits_for_it() -> None:
    network = Network(TWO, EVERYBODY)
    network.at(0, network.air.roam, "a", SECOND, "far")
    network.at(1, network.air.send, "a", b"kept", "wired lead")
    # Told from afar in the same instant: the old access point has it, and tries it in vain.
    network.at(SECOND, network.air.send, "wired lead", b"there", "a")
    network.run_until(2 * SECOND)
    assert network.ears["wired lead"].heard == [(b"kept", SECOND + SLOW.unicast_frame_ns(4) + CABLE_NS)]
    assert [data for data, _ in network.ears["a"].heard] == [b"there"]
    late = Network(TWO, EVERYBODY)
    late.at(0, late.air.roam, "b", 50 * MILLISECOND)
    late.at(1, late.air.send, "wired lead", b"lost", "b")
    late.at(CABLE_NS + 100, late.air.roam, "b", SECOND, "far")
    late.run_until(3 * SECOND)
    assert late.ears["b"].heard == []
    assert late.air.counts[LinkKind.DOWN].lost == 1


def test_no_frame_is_left_over_after_thousands_of_changes() -> None:
    settings = replace(
        TWO, beacons=TIMETABLE, power_save=PowerSave(("a", "c")), further=(replace(FAR, beacons=TIMETABLE),)
    )
    network = Network(settings, EVERYBODY)
    for number in range(2_000):
        at = number * 37 * MILLISECOND
        network.at(at, network.air.roam, "acbd"[number % 4], 20 * MILLISECOND, ("far", "access point")[number % 3 % 2])
        for sender, destination in (("wired lead", "a"), ("a", "c"), ("c", "wired lead"), ("wired lead", None)):
            network.at(at + 11 * MILLISECOND, network.air.send, sender, bytes(64), destination)
    network.run_until(90 * SECOND)
    assert [network.open_frames(kind) for kind in LinkKind] == [0, 0, 0, 0]
    assert all(counts.delivered > 500 for counts in network.air.counts.values())
    # Everybody dozes again in the end, once each.
    assert sum(cell.holds_groups for cell in network.air.cells) >= 1


def test_a_switch_must_hear_of_a_member_that_has_come_from_elsewhere() -> None:
    settings = replace(TWO, membership_lifetime_ns=260 * SECOND, further=(replace(FAR, stations=()),))
    network = Network(settings, ["wired lead", "a", "b"])
    network.send_every(SECOND, 20 * SECOND, "wired lead", b"x")
    network.at(5 * SECOND + SECOND // 2, network.air.roam, "a", MILLISECOND, "far")
    network.at(12 * SECOND + SECOND // 2, network.air.report_membership, "a")
    network.run_until(30 * SECOND)
    assert [at // SECOND for at in network.arrivals("a")] == [*range(6), *range(13, 20)]
    assert len(network.arrivals("b")) == 20


# A radar.


def test_a_radar_silences_an_access_point_for_a_minute() -> None:
    assert CHANNEL_AVAILABILITY_CHECK_NS == 60 * SECOND
    network = Network(replace(TWO, membership_lifetime_ns=260 * SECOND), EVERYBODY)
    network.send_every(SECOND, 120 * SECOND, "wired lead", b"x")
    network.send_every(SECOND, 120 * SECOND, "a", b"up", "wired lead")
    network.at(20 * SECOND + SECOND // 2, network.air.radar)
    network.run_until(150 * SECOND)
    heard = [number for number in range(120) if not 20.5 < number < 80.5]
    assert [at // SECOND for at in network.arrivals("a")] == heard
    # Members are still known, and the other access point has heard nothing of it.
    assert [at // SECOND for at in network.arrivals("c")] == list(range(120))
    # What a station has to say waits in its own queue, 64 frames of it, for the minute.
    assert len(network.arrivals("wired lead")) == 120
    assert all(counts.overflowed == 0 for counts in network.air.counts.values())


def test_stations_come_back_from_a_radar_one_by_one() -> None:
    network = Network(replace(TWO, further=()), ["wired lead", *"abcdefgh"])
    network.send_every(100 * MILLISECOND, 100 * SECOND, "wired lead", b"x")
    network.at(10 * SECOND - 1, network.air.radar, 60 * SECOND, 10 * SECOND)
    network.run_until(101 * SECOND)
    back = [min(at for at in network.arrivals(name) if at > 10 * SECOND + MILLISECOND) for name in "abcdefgh"]
    assert all(70 * SECOND <= at <= 80 * SECOND + 200 * MILLISECOND for at in back)
    assert max(back) - min(back) > 3 * SECOND


def test_no_radar_drives_an_access_point_from_2_4_ghz() -> None:
    network = Network(TWO, EVERYBODY)
    with pytest.raises(ConfigurationError, match="band"):
        network.air.radar(access_point="far")


def test_a_reboot_takes_one_access_point_alone() -> None:
    network = Network(TWO, EVERYBODY)
    network.send_every(SECOND, 10 * SECOND, "wired lead", b"x")
    network.at(3 * SECOND - 1, network.air.reboot, 4 * SECOND, 0, "far")
    network.run_until(11 * SECOND)
    assert len(network.arrivals("a")) == 10
    assert [at // SECOND for at in network.arrivals("c")] == [0, 1, 2, 7, 8, 9]


@pytest.mark.parametrize(
    "make",
    [
        lambda: AccessPoint(name=""),
        lambda: AccessPoint(name="far", beacons=None, others_doze=True),
        lambda: AccessPoint(name="far", chain=()),
        lambda: AccessPoint(name="far", stations=("a", "a")),
        lambda: replace(TWO, name="far"),
        lambda: replace(TWO, further=(FAR, replace(FAR, name="third"))),
        lambda: replace(TWO, power_save=PowerSave(("a",)), beacons=TIMETABLE),
    ],
)
def test_access_points_that_cannot_be_are_refused(make: Any) -> None:
    with pytest.raises(ConfigurationError):
        make()


@pytest.mark.parametrize(
    ("method", "arguments"),
    [("roam", ("a", SECOND, "nowhere")), ("roam", ("wired lead", SECOND)), ("reboot", (SECOND, 0, "nowhere"))],
)
def test_names_that_nobody_has_are_refused(method: str, arguments: tuple[Any, ...]) -> None:
    network = Network(TWO, EVERYBODY)
    with pytest.raises(ConfigurationError):
        getattr(network.air, method)(*arguments)
