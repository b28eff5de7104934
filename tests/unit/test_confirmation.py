"""A leader whose followers say otherwise than it does, or nothing at all: it tells people, and repeats its state."""

from __future__ import annotations

from collections.abc import Callable
from random import Random
from typing import Any

import pytest

from leadlight import events
from leadlight.cue import Cue, FrameRate, ShowLine, show_key
from leadlight.leader.beacon_times import CHANGE_BURST_NS, STOP_BURST_NS
from leadlight.leader.confirmation import (
    CONTRADICTED_AFTER_NS,
    REPEATED_EVERY_NS,
    SILENT_AS_ONE_NS,
    SILENT_SPACINGS,
    STOP_REPEATED_FOR_NS,
    STOP_REPEATED_NS,
)
from leadlight.leader.settings import LeaderSettings
from leadlight.leader.tenure import Tenure
from leadlight.playback.content import StoredShow
from leadlight.terms import CueState
from leadlight.units import SECOND, LeaderInstant, LocalInstant, ShowPosition
from leadlight.wire.codec import Codec
from leadlight.wire.messages import Beacon

Maker = Callable[..., Any]

CODEC = Codec("Quarry Lake")
TIDEFALL = StoredShow("Tidefall", FrameRate(40), 192 * 40)
START = 1_000 * SECOND


def at(seconds: float) -> LocalInstant:
    return LocalInstant(START + round(seconds * SECOND))


class House:
    """A tenure that has rolled Tidefall since its third second, and followers that report by hand."""

    def __init__(self, make_tally: Maker, **settings: Any) -> None:
        self.tenure = Tenure(LeaderSettings("boathouse", **settings), CODEC, Random(5), at(0))
        self.beacons: list[tuple[LocalInstant, Beacon]] = []
        self._make_tally = make_tally
        self._serials: dict[tuple[int, int], int] = {}
        line = ShowLine(LeaderInstant(at(2)), ShowPosition(0))
        self.tenure.order(Cue(show_key("Tidefall"), CueState.ROLLING, line, LeaderInstant(at(0))))
        self.run(3)

    def run(self, seconds: float) -> None:
        while (due := self.tenure.next_timer()) is not None and due <= at(seconds):
            self.tenure.handle_timer(due)
            for data, _ in self.tenure.datagrams_to_send(due):
                self.beacons.append((due, CODEC.decode(data)))  # type: ignore[arg-type]

    def report(self, seconds: float, state: CueState, follower: int = 21, instance: int = 31) -> None:
        self.run(seconds)
        serial = self._serials[follower, instance] = self._serials.get((follower, instance), 0) + 1
        tally = self._make_tally(
            follower=follower, instance=instance, serial=serial, tenure=self.tenure.tenure, cue_state=state
        )
        self.tenure.receive_message(tally, "10.0.0.21", at(seconds), 100)

    def told(self, kind: type) -> list[Any]:
        return [event for event in iter(self.tenure.next_event, None) if isinstance(event, kind)]

    def sent_between(self, since: float, until: float) -> list[LocalInstant]:
        return [due for due, _ in self.beacons if at(since) <= due < at(until)]


@pytest.fixture
def house(make_tally: Maker) -> House:
    return House(make_tally, interval_ns=10 * SECOND)


def test_a_follower_that_reports_another_state_for_ten_seconds_raises_an_alarm_and_the_state_is_repeated(
    house: House,
) -> None:
    house.report(12, CueState.DARK)
    house.report(21.999, CueState.DARK)
    assert house.told(events.CueContradicted) == []
    house.report(22, CueState.DARK)
    assert house.told(events.CueContradicted) == [events.CueContradicted(at(22), 21, "jetty", CueState.DARK)]
    assert [entry.contradicts for entry in house.tenure.roster] == [True]
    house.run(25)
    bursts = [at(22) + step for step in CHANGE_BURST_NS]
    assert set(bursts) <= set(house.sent_between(22, 25))
    assert all(beacon.cue == house.tenure.cue for _, beacon in house.beacons[-len(bursts) :])
    # It is told once, and repeated at most every ten seconds.
    for second in (24, 26, 28, 30):
        house.report(second, CueState.DARK)
    assert house.told(events.CueContradicted) == []
    assert len(house.sent_between(24, 30)) <= 1
    house.report(32, CueState.DARK)
    house.run(34)
    assert len(house.sent_between(32, 34)) >= len(CHANGE_BURST_NS)
    assert (CONTRADICTED_AFTER_NS, REPEATED_EVERY_NS) == (10 * SECOND, 10 * SECOND)
    house.report(35, CueState.ROLLING)
    assert [entry.contradicts for entry in house.tenure.roster] == [False]


def test_a_stop_that_is_contradicted_is_repeated_as_a_stop(house: House) -> None:
    house.tenure.stop(at(12))
    house.report(13, CueState.ROLLING)
    house.report(24, CueState.ROLLING)
    house.run(26)
    assert {at(24) + step for step in STOP_BURST_NS} <= set(house.sent_between(24, 26))


def test_a_board_that_has_just_begun_anew_contradicts_nobody(house: House) -> None:
    house.report(12, CueState.DARK, instance=31)
    house.report(21, CueState.DARK, instance=32)
    house.report(30.9, CueState.DARK, instance=32)
    assert house.told(events.CueContradicted) == []


def test_what_contradicts_since_before_a_change_begins_to_count_anew(house: House) -> None:
    house.report(12, CueState.DARK)
    house.tenure.stop(at(20))
    house.report(23, CueState.ROLLING)
    house.report(32.9, CueState.ROLLING)
    assert house.told(events.CueContradicted) == []


def test_a_group_that_falls_silent_as_one_raises_an_alarm_once(make_tally: Maker) -> None:
    house = House(make_tally)
    for second in range(5, 20, 5):
        house.report(second, CueState.ROLLING, follower=21)
        house.report(second + 1, CueState.ROLLING, follower=22)
    house.run(30.9)
    assert house.told(events.RosterSilent) == []
    house.run(40)
    told = house.told(events.RosterSilent)
    assert [event.count for event in told] == [2]
    assert 0 <= told[0].at - at(16) - SILENT_AS_ONE_NS <= 1.2 * SECOND
    house.report(41, CueState.ROLLING, follower=21)
    house.run(70)
    assert [event.count for event in house.told(events.RosterSilent)] == []  # one alone is no group: it is told as lost


def test_a_large_group_may_be_silent_for_three_of_its_spacings(make_tally: Maker) -> None:
    house = House(make_tally, group_size=120)
    for follower in (21, 22):
        house.report(5, CueState.ROLLING, follower=follower)
    house.run(5 + SILENT_SPACINGS * 10 - 0.1)
    assert house.told(events.RosterSilent) == []
    house.run(5 + SILENT_SPACINGS * 10 + 1.3)
    assert len(house.told(events.RosterSilent)) == 1


def test_a_stop_pressed_again_keeps_its_instant_and_is_told_again(house: House) -> None:
    house.tenure.stop(at(12))
    house.run(14)
    first = house.tenure.cue
    house.tenure.stop(at(14.5))
    # The same stop, but for when it was last ordered: whoever has heard of an order between is told of the later one.
    assert house.tenure.cue == first._replace(ordered_at=LeaderInstant(at(14.5)))
    house.run(16)
    assert {at(14.5) + step for step in STOP_BURST_NS} <= set(house.sent_between(14.5, 16))
    assert len(house.told(events.CueTookEffect)) == 2  # the roll, and one stop


def test_a_stop_goes_on_to_be_told_while_somebody_may_not_have_heard_of_it(house: House) -> None:
    house.report(12, CueState.ROLLING, follower=21)
    house.report(12.1, CueState.ROLLING, follower=22)
    house.tenure.stop(at(13))
    house.report(13.3, CueState.STOPPED, follower=21)
    house.run(20)
    last = at(13) + STOP_BURST_NS[-1]
    told = [due for due in house.sent_between(13.99, 20) if due != house.beacons[0][0]]
    assert set(told) >= {last + STOP_REPEATED_NS * number for number in range(1, 40)}
    house.report(20, CueState.STOPPED, follower=22)
    house.run(25)
    assert len(house.sent_between(20.2, 25)) <= 1
    # A board that never says so is dark by itself after ten minutes without a beacon.
    house.report(30, CueState.ROLLING, follower=23)
    house.run(13 + STOP_REPEATED_FOR_NS / SECOND + 1)
    silent_since = 13 + STOP_REPEATED_FOR_NS / SECOND + 1
    house.run(silent_since + 25)
    assert len(house.sent_between(silent_since, silent_since + 25)) <= 3
