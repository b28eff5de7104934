"""A tenure by hand-stepped time. Chance always draws the least, so beacons stand exactly on their grid."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from itertools import pairwise
from random import Random
from typing import Any

import pytest

from leadlight import events
from leadlight.addresses import GROUP
from leadlight.clock.estimator import Estimate
from leadlight.cue import Cue, ShowLine, dark_cue, show_key
from leadlight.errors import ConfigurationError, OrderError
from leadlight.leader.answers import ANSWER_BURST_S
from leadlight.leader.beacon_times import CHANGE_BURST_NS, STOP_BURST_NS
from leadlight.leader.roster import ROSTER_MAXIMUM
from leadlight.leader.settings import LeaderSettings
from leadlight.leader.tenure import LOST_AFTER_NS, Inheritance, Tenure
from leadlight.terms import ContentState, CueState, Delivery
from leadlight.units import MICROSECOND, MILLISECOND, MINUTE, SECOND, LeaderInstant, LocalInstant, ShowPosition
from leadlight.wire.codec import SOUNDING_MINIMUM_BYTES, Codec
from leadlight.wire.messages import Beacon, DelayReport, Echo, Mark, Message, SharedDelay, Tally

Maker = Callable[..., Any]

CODEC = Codec("Quarry Lake")
START = 1_000
INTERVAL = 500 * MILLISECOND
ANY_TENURE = 7
"""The one that the plain messages name; a Tally's is replaced by the tenure at hand."""
TIDEFALL, EMBERS = show_key("Tidefall"), show_key("Embers")


class Calm:
    """Chance that always draws the least delay, and other numbers that count up."""

    def __init__(self) -> None:
        self._count = 100

    def getrandbits(self, k: int, /) -> int:
        if k == 84:
            return 0
        self._count += 1
        return self._count


def at(seconds: float) -> LocalInstant:
    """So many seconds after the leader started."""
    return LocalInstant(round((START + seconds) * SECOND))


def leader_at(seconds: float) -> LeaderInstant:
    return LeaderInstant(at(seconds))


def roll(tenure: Tenure, show: int, now: LocalInstant) -> Cue:
    """Order a show for one lead time from now, in the timebase."""
    leader_now = tenure.leader_at(now)
    begins_at = LeaderInstant(leader_now + tenure.settings.lead_time_ns)
    return tenure.order(Cue(show, CueState.ROLLING, ShowLine(begins_at, ShowPosition(0)), leader_now))


class Desk:
    """A leader, and everything it has sent."""

    def __init__(self, entropy: Any = None, inheritance: Inheritance | None = None, **settings: Any) -> None:
        plain: dict[str, Any] = {"name": "boathouse", "interval_ns": INTERVAL}
        self.leader = Tenure(LeaderSettings(**(plain | settings)), CODEC, entropy or Calm(), at(0), inheritance)
        self.sent: list[tuple[LocalInstant, Message, Any]] = []
        self._tallies = 0

    def wake(self, now: LocalInstant) -> list[Message]:
        """Its loop wakes at `now`, for whatever reason; return what it sends."""
        self.leader.handle_timer(now)
        out = self.leader.datagrams_to_send(now)
        self.sent += [(now, CODEC.decode(data), to) for data, to in out]
        return [CODEC.decode(data) for data, _ in out]

    def run(self, until: float) -> None:
        """Call it at every deadline it names up to `until`."""
        while (due := self.leader.next_timer()) is not None and due <= at(until):
            self.wake(due)
            assert self.leader.next_timer() != due, "a deadline that has been met is still there"

    def hear(self, message: Message, now: LocalInstant, source: str = "10.0.0.21") -> None:
        if isinstance(message, Tally):
            self._tallies += 1
            tenure = self.leader.tenure if message.tenure == ANY_TENURE else message.tenure
            message = message._replace(serial=self._tallies, tenure=tenure)
        self.leader.receive_message(message, source, now, len(CODEC.encode(message)))

    def beacons(self) -> list[Beacon]:
        return [message for _, message, _ in self.sent if isinstance(message, Beacon)]

    def events(self) -> list[Any]:
        return list(iter(self.leader.next_event, None))


@pytest.fixture
def desk() -> Desk:
    return Desk()


# -- the beat ---------------------------------------------------------------------------------------------------------


def test_beacons_are_sent_to_everyone_on_a_grid_from_the_start_on(desk: Desk) -> None:
    desk.run(100)
    assert [now for now, _, _ in desk.sent] == [at(k / 2) for k in range(201)]
    assert {to for _, _, to in desk.sent} == {GROUP}
    beacons = desk.beacons()
    assert all(beacon.sent_at == LeaderInstant(now) for (now, _, _), beacon in zip(desk.sent, beacons, strict=True))
    assert all(later.serial == earlier.serial + 1 for earlier, later in pairwise(beacons))
    assert {(beacon.tenure, beacon.timebase) for beacon in beacons} == {(desk.leader.tenure, desk.leader.timebase)}


def test_the_dither_stays_within_a_fifth_of_the_interval_and_never_adds_up() -> None:
    desk = Desk(Random(3))
    desk.run(500)
    dithers = [now - at(k / 2) for k, (now, _, _) in enumerate(desk.sent)]
    assert len(dithers) == 1_001 or len(dithers) == 1_000
    assert all(0 <= dither < INTERVAL // 5 for dither in dithers)
    assert max(dithers) - min(dithers) > INTERVAL // 6


@pytest.mark.parametrize("late_ms", [-16, 0, 16, 100])
def test_a_loop_that_wakes_when_it_likes_sends_one_beacon_a_period_stamped_as_it_goes(late_ms: int) -> None:
    desk = Desk()
    desk.run(0)
    for k in range(1, 40):
        assert desk.leader.next_timer() == at(k / 2)
        woken = LocalInstant(at(k / 2) + late_ms * MILLISECOND)
        desk.wake(woken)
        desk.wake(LocalInstant(max(woken, at(k / 2))))  # woken early, it waits again; else this finds nothing due
    stamps = [beacon.sent_at - at(0) for beacon in desk.beacons()[1:]]
    assert stamps == [k * INTERVAL + max(late_ms, 0) * MILLISECOND for k in range(1, 40)]
    assert desk.leader.counters == {}


def test_after_a_stall_one_beacon_goes_out_and_the_rest_are_counted_not_caught_up_with() -> None:
    desk = Desk(interval_ns=100 * MILLISECOND)
    desk.run(1)
    desk.sent.clear()
    assert len(desk.wake(at(6.05))) == 1
    # Due between 1.1 s and 6.0 s: fifty. One is sent, late; forty-nine are not.
    assert desk.leader.counters["beacon skipped"] == 49
    assert desk.wake(at(6.05)) == []
    assert desk.leader.next_timer() == at(6.1)


def test_asking_changes_nothing_and_early_timers_do_no_harm(desk: Desk) -> None:
    desk.run(0)
    assert desk.leader.next_timer() == desk.leader.next_timer() == at(0.5)
    assert desk.wake(LocalInstant(at(0.5) - 1)) == []
    assert desk.leader.next_timer() == at(0.5)


def test_the_same_inputs_give_the_same_bytes(make_tally: Maker, make_sounding: Maker) -> None:
    runs = []
    for _ in range(2):
        desk = Desk(Random(5))
        roll(desk.leader, TIDEFALL, at(0))
        for second in range(20):
            desk.run(second)
            desk.hear(make_tally(), at(second))
            desk.hear(make_sounding(nonce=second), at(second))
        runs.append(desk.sent)
    assert runs[0] == runs[1]


# -- cues -------------------------------------------------------------------------------------------------------------


def test_a_cue_is_announced_for_its_lead_time_in_a_burst_and_then_repeated_for_ever(desk: Desk) -> None:
    desk.run(10.2)
    desk.sent.clear()
    cue = roll(desk.leader, TIDEFALL, at(10.2))
    assert cue == Cue(TIDEFALL, CueState.ROLLING, ShowLine(leader_at(12.2), ShowPosition(0)), leader_at(10.2))
    assert desk.leader.next_timer() == at(10.2)
    desk.run(20)
    extra = {at(10.2) + step for step in CHANGE_BURST_NS}
    grid = {at(10.5 + k / 2) for k in range(20)}
    assert {now for now, _, _ in desk.sent} == extra | grid
    for beacon in desk.beacons():
        if beacon.sent_at < leader_at(12.2):
            assert (beacon.cue.state, beacon.next_cue) == (CueState.DARK, cue)
        else:
            assert (beacon.cue, beacon.next_cue) == (cue, None)
    assert [event.at for event in desk.events()] == [at(12.2)]


def test_a_cue_far_ahead_is_announced_one_lead_time_before_it(desk: Desk) -> None:
    cue = Cue(TIDEFALL, CueState.ROLLING, ShowLine(leader_at(30), ShowPosition(0)))
    desk.run(10)
    desk.leader.schedule(cue)
    desk.run(35)
    told = [beacon.sent_at for beacon in desk.beacons() if beacon.next_cue is not None]
    assert told[0] == leader_at(28)
    assert told[-1] < leader_at(30)


def test_cues_take_effect_in_the_order_of_their_instants_and_one_replaces_another_at_the_same(desk: Desk) -> None:
    for show, second in ((EMBERS, 9), (TIDEFALL, 7), (3, 9)):
        desk.leader.schedule(Cue(show, CueState.ROLLING, ShowLine(leader_at(second), ShowPosition(0))))
    desk.run(12)
    took = [(event.at, event.cue.show) for event in desk.events() if isinstance(event, events.CueTookEffect)]
    assert took == [(at(7), TIDEFALL), (at(9), 3)]


def test_without_a_lead_time_the_change_itself_is_told_in_a_burst() -> None:
    desk = Desk(lead_time_ns=0)
    desk.run(1.2)
    desk.sent.clear()
    roll(desk.leader, TIDEFALL, at(1.2))
    desk.run(1.4)
    assert [now for now, _, _ in desk.sent] == [at(1.2) + step for step in CHANGE_BURST_NS if step <= 200 * MILLISECOND]
    assert {beacon.cue.show for beacon in desk.beacons()} == {TIDEFALL}


def test_a_pause_holds_where_the_show_will_be_and_dark_is_a_cue_like_others(desk: Desk) -> None:
    roll(desk.leader, TIDEFALL, at(0))
    desk.run(10)
    desk.leader.pause(at(10))
    desk.run(12)
    line = ShowLine(leader_at(12), ShowPosition(10 * SECOND))
    assert desk.leader.cue == Cue(TIDEFALL, CueState.PAUSED, line, leader_at(10))
    desk.leader.order(dark_cue(leader_at(22), leader_at(20)))
    desk.run(22)
    assert desk.leader.cue.state is CueState.DARK


def test_a_resumed_show_rolls_from_where_it_was_paused_one_lead_time_later(desk: Desk) -> None:
    roll(desk.leader, TIDEFALL, at(0))
    desk.run(10)
    desk.leader.pause(at(10))
    desk.run(20)
    rolls = Cue(TIDEFALL, CueState.ROLLING, ShowLine(leader_at(22), ShowPosition(10 * SECOND)), leader_at(20))
    assert desk.leader.resume(at(20)) == rolls
    desk.run(21.9)
    assert desk.leader.cue.state is CueState.PAUSED
    desk.run(22)
    assert desk.leader.cue == rolls


@pytest.mark.parametrize("state", [CueState.ROLLING, CueState.PAUSED])
def test_a_seek_keeps_rolling_or_paused_and_takes_effect_one_lead_time_later(desk: Desk, state: CueState) -> None:
    roll(desk.leader, TIDEFALL, at(0))
    desk.run(10)
    if state is CueState.PAUSED:
        desk.leader.pause(at(10))
        desk.run(20)
    before = desk.leader.cue
    sought = Cue(TIDEFALL, state, ShowLine(leader_at(22), ShowPosition(90 * SECOND)), leader_at(20))
    assert desk.leader.seek(ShowPosition(90 * SECOND), at(20)) == sought
    desk.run(21.9)
    assert desk.leader.cue == before
    desk.run(22)
    assert desk.leader.cue == sought


def test_an_order_goes_by_what_will_be_in_force_when_it_takes_effect(desk: Desk) -> None:
    roll(desk.leader, TIDEFALL, at(0))
    desk.run(0.5)
    # Tidefall begins at 2 s: a pause ordered before that, and all that is ordered upon it.
    paused = desk.leader.pause(at(0.5))
    assert paused == Cue(
        TIDEFALL, CueState.PAUSED, ShowLine(leader_at(2.5), ShowPosition(SECOND // 2)), leader_at(0.5)
    )
    assert desk.leader.seek(ShowPosition(SECOND), at(0.5)) == paused._replace(
        line=ShowLine(leader_at(2.5), ShowPosition(SECOND))
    )
    rolls = desk.leader.resume(at(1))
    assert rolls == Cue(TIDEFALL, CueState.ROLLING, ShowLine(leader_at(3), ShowPosition(SECOND)), leader_at(1))
    desk.run(3)
    assert desk.leader.cue == rolls


def test_an_order_that_cannot_be_carried_out_says_why_and_changes_nothing(desk: Desk) -> None:
    tenure = desk.leader
    orders: dict[str, Callable[[], Cue]] = {
        "nothing can be paused": lambda: tenure.pause(at(10)),
        "nothing can be resumed": lambda: tenure.resume(at(10)),
        "no position to seek": lambda: tenure.seek(ShowPosition(0), at(10)),
    }
    for said, order in orders.items():
        with pytest.raises(OrderError, match=f"{said}: the show is dark"):
            order()
    roll(tenure, TIDEFALL, at(0))
    desk.run(10)
    with pytest.raises(OrderError, match="nothing can be resumed: the show is rolling"):
        tenure.resume(at(10))
    tenure.stop(at(10))
    with pytest.raises(OrderError, match="no position to seek: the show is stopped"):
        tenure.seek(ShowPosition(0), at(10))
    assert tenure.scheduled == []


def test_a_stop_is_in_force_at_once_and_told_eight_times_within_a_second(desk: Desk) -> None:
    roll(desk.leader, TIDEFALL, at(0))
    desk.run(10.2)
    roll(desk.leader, EMBERS, at(10.2))
    desk.run(10.3)
    desk.sent.clear()
    desk.events()
    desk.leader.stop(at(10.3))
    line = ShowLine(leader_at(10.3), ShowPosition(round(8.3 * SECOND)))
    stop = Cue(TIDEFALL, CueState.STOPPED, line, leader_at(10.3))
    assert desk.events() == [events.CueTookEffect(at(10.3), stop)]
    desk.run(11.3)
    assert {at(10.3) + step for step in STOP_BURST_NS} <= {now for now, _, _ in desk.sent}
    assert len(STOP_BURST_NS) == 8
    assert STOP_BURST_NS[-1] < SECOND
    desk.run(20)
    assert {(beacon.cue, beacon.next_cue) for beacon in desk.beacons()} == {(stop, None)}


def test_a_stop_before_a_show_s_first_frame_is_at_its_start(desk: Desk) -> None:
    desk.leader.resume_line(Cue(TIDEFALL, CueState.ROLLING, ShowLine(leader_at(3), ShowPosition(0))), at(0))
    desk.leader.stop(at(1))
    assert desk.leader.cue.line == ShowLine(leader_at(1), ShowPosition(0))
    desk.run(1)
    assert desk.beacons()[-1].cue == desk.leader.cue


def test_what_was_announced_before_a_stop_is_announced_anew_after_it(desk: Desk) -> None:
    cue = Cue(EMBERS, CueState.ROLLING, ShowLine(leader_at(20), ShowPosition(0)))
    desk.leader.schedule(cue)
    desk.run(18.5)
    assert desk.beacons()[-1].next_cue == cue
    desk.leader.stop(at(18.5))
    desk.run(19.8)
    desk.leader.schedule(cue)
    desk.sent.clear()
    desk.wake(at(19.8))
    desk.run(19.99)
    assert [beacon.next_cue for beacon in desk.beacons()] == [cue] * 2  # a burst: at once, and 60 ms later


def test_a_leader_that_comes_back_mid_show_puts_its_line_in_force(desk: Desk) -> None:
    cue = Cue(TIDEFALL, CueState.ROLLING, ShowLine(leader_at(-60), ShowPosition(0)))
    desk.leader.resume_line(cue, at(0))
    desk.run(0.1)
    assert {beacon.cue for beacon in desk.beacons()} == {cue}


def test_an_off_time_travels_in_whole_milliseconds_and_never_later(desk: Desk) -> None:
    desk.leader.off_at = LeaderInstant(at(50) + 999_999)
    desk.run(1)
    assert {beacon.off_at for beacon in desk.beacons()} == {leader_at(50)}


# -- answers ----------------------------------------------------------------------------------------------------------


def test_a_sounding_is_answered_with_both_instants(desk: Desk, make_sounding: Maker) -> None:
    desk.run(0)
    sounding = make_sounding(nonce=77)
    desk.hear(sounding, at(0.1), "here")
    (echo,) = desk.wake(LocalInstant(at(0.1) + 300))
    assert isinstance(echo, Echo)
    assert (echo.nonce, echo.tenure, echo.timebase) == (77, desk.leader.tenure, desk.leader.timebase)
    assert (echo.received_at, echo.sent_at) == (leader_at(0.1), leader_at(0.1) + 300)
    assert desk.sent[-1][2] == "here"


def test_a_cookie_is_of_one_follower_at_one_address(desk: Desk, make_sounding: Maker) -> None:
    cookies = []
    for follower, source in ((1, "a"), (1, "a"), (1, "b"), (2, "a")):
        desk.hear(make_sounding(follower=follower), at(0), source)
        echo = desk.wake(at(0))[0]
        assert isinstance(echo, Echo)
        cookies.append(echo.cookie)
    assert cookies[0] == cookies[1]
    assert len(set(cookies)) == 3
    other = Desk(Random(1))
    other.hear(make_sounding(follower=1), at(0), "a")
    echo = other.wake(at(0))[0]
    assert isinstance(echo, Echo)
    assert echo.cookie not in cookies


def test_an_answer_larger_than_its_question_is_not_sent(desk: Desk, make_sounding: Maker) -> None:
    desk.run(0)
    padded = CODEC.encode(make_sounding())
    assert len(padded) == SOUNDING_MINIMUM_BYTES
    bare = padded[: padded.index(b"\xc4", 8)] + b"\xc4\x00"  # the same, without its padding
    desk.leader.receive_message(CODEC.decode(bare), "anybody", at(0.1), len(bare))
    assert desk.wake(at(0.1)) == []
    assert desk.leader.counters["sounding too short"] == 1


def test_a_flood_of_soundings_is_not_all_answered(desk: Desk, make_sounding: Maker) -> None:
    desk.run(0)
    for nonce in range(100):
        desk.hear(make_sounding(nonce=nonce), at(0.1))
    answered = len(desk.wake(at(0.1)))
    assert answered <= 64
    assert desk.leader.counters["echo dropped"] == 100 - answered


def test_a_sounding_that_finds_the_queue_of_echoes_full_changes_nothing(make_sounding: Maker) -> None:
    desk = Desk(sounding_budget=255, delivery=Delivery.COPIES)
    desk.run(0)
    serial, tenure = desk.leader._serial, desk.leader.tenure
    desk.hear(make_sounding(follower=21), at(0.1), "here")
    cookie = next(message.cookie for message in desk.wake(at(0.1)) if isinstance(message, Echo))
    for number in range(64):
        desk.hear(make_sounding(follower=100 + number), at(0.2))
    known = len(desk.leader.roster)
    for follower in (1, 2, 3):
        report = make_sounding(follower=follower, tenure=tenure, delays=(DelayReport(serial & 0xFFFF, 5),))
        desk.hear(report, at(0.2))
    desk.hear(make_sounding(follower=21, tenure=0, cookie=cookie), at(0.2), "here")
    assert len(desk.wake(at(0.2))) == 64
    assert len(desk.leader.roster) == known
    assert desk.leader.served_copies() == frozenset()
    desk.sent.clear()
    desk.leader.settings = replace(desk.leader.settings, delivery=Delivery.GROUP)
    desk.run(1)
    assert {beacon.shared_delays for beacon in desk.beacons()} == {()}
    assert desk.leader.counters["echo dropped"] == 4


def test_three_reports_of_one_beacon_are_published_as_their_median(desk: Desk, make_sounding: Maker) -> None:
    desk.run(1)
    serial = desk.beacons()[-1].serial
    for follower, delay_ns in ((1, 5_000), (2, 7_000), (3, 9_000)):
        delays = (DelayReport(serial & 0xFFFF, delay_ns),)
        desk.hear(make_sounding(follower=follower, tenure=desk.leader.tenure, delays=delays), at(1.1))
    desk.run(1.5)
    beacon = desk.beacons()[-1]
    assert beacon.shared_delays == (SharedDelay(1, 7_000),)
    assert beacon.delay_doubt_ns > 0


def test_reports_about_another_tenures_beacons_are_not_collected(desk: Desk, make_sounding: Maker) -> None:
    desk.run(1)
    serial = desk.beacons()[-1].serial
    for follower in (1, 2, 3):
        desk.hear(make_sounding(follower=follower, tenure=99, delays=(DelayReport(serial & 0xFFFF, 1),)), at(1.1))
    desk.run(2)
    assert desk.beacons()[-1].shared_delays == ()


# -- marks ------------------------------------------------------------------------------------------------------------


def test_turns_go_round_and_a_marks_age_is_published_in_two_successive_beacons(desk: Desk, make_tally: Maker) -> None:
    for follower in (21, 22):
        desk.hear(make_tally(follower=follower), at(0))
    desk.run(0)
    turn = desk.beacons()[-1]
    assert turn.marker in (21, 22)
    desk.hear(make_tally(follower=turn.marker, tenure=desk.leader.tenure, turn=turn.serial), at(0.003))
    desk.run(2)
    first, second, third, *_ = desk.beacons()[1:]
    assert first.marker == 43 - (turn.marker or 0)
    assert first.marks == (Mark(1, 497 * MILLISECOND),)
    assert second.marks == (Mark(2, 997 * MILLISECOND),)
    assert third.marks == ()


def test_a_marks_age_is_of_leader_instants_also_where_a_timebase_of_another_rate_is_continued(
    make_tally: Maker,
) -> None:
    clock = Estimate(at(0), 5 * SECOND, 100e-6, 1_000.0, 1e-9)
    desk = Desk(inheritance=Inheritance(9, clock, dark_cue(clock.leader_at(at(0)))))
    desk.hear(make_tally(follower=21), at(0))
    desk.run(0)
    heard_at = LocalInstant(at(0.41) + 7)
    desk.hear(make_tally(follower=21, tenure=desk.leader.tenure, turn=desk.beacons()[-1].serial), heard_at)
    desk.run(1)
    for beacon, turns_back in zip(desk.beacons()[1:], (1, 2), strict=True):
        assert beacon.marks == (Mark(turns_back, beacon.sent_at - clock.leader_at(heard_at)),)
    (mark,) = desk.beacons()[-1].marks
    # This host's clock runs fast by 100 ppm: 59 us in 0.59 s.
    assert at(1) - heard_at - mark.age_ns == 59 * MICROSECOND


def test_a_tally_out_of_turn_makes_no_mark(desk: Desk, make_tally: Maker) -> None:
    desk.hear(make_tally(follower=21), at(0))
    desk.run(0)
    serial, tenure = desk.beacons()[-1].serial, desk.beacons()[-1].tenure
    desk.hear(make_tally(follower=22, tenure=tenure, turn=serial), at(0.1))  # another's turn
    desk.hear(make_tally(follower=21, tenure=tenure + 1, turn=serial), at(0.1))  # another tenure's
    desk.hear(make_tally(follower=21, tenure=tenure, turn=serial + 5), at(0.1))  # nobody's
    desk.run(0.5)
    assert desk.beacons()[-1].marks == ()
    assert desk.leader.counters["out of turn"] == 2


def test_a_mark_too_old_for_the_wire_is_left_out_and_the_beacon_goes(desk: Desk, make_tally: Maker) -> None:
    desk.hear(make_tally(follower=21), at(0))
    desk.run(0)
    desk.hear(make_tally(follower=21, tenure=desk.leader.tenure, turn=desk.beacons()[-1].serial), at(0.1))
    (beacon,) = desk.wake(at(61))
    assert isinstance(beacon, Beacon)
    assert beacon.marks == ()


def test_only_regular_beacons_give_turns_and_none_where_markers_are_off(make_tally: Maker) -> None:
    desk = Desk()
    desk.hear(make_tally(follower=21), at(0))
    desk.run(0.2)
    desk.sent.clear()
    roll(desk.leader, TIDEFALL, at(0.2))
    desk.run(0.4)
    assert {beacon.marker for beacon in desk.beacons()} == {None}
    off = Desk(markers=False)
    off.hear(make_tally(follower=21), at(0))
    off.run(3)
    assert {beacon.marker for beacon in off.beacons()} == {None}


# -- the roster -------------------------------------------------------------------------------------------------------


def test_a_follower_joins_under_its_own_name_though_a_sounding_came_first(
    desk: Desk, make_sounding: Maker, make_tally: Maker
) -> None:
    desk.hear(make_sounding(follower=21), at(0))
    assert desk.events() == []
    assert len(desk.leader.roster) == 1
    desk.hear(make_tally(follower=21, name="willow"), at(1))
    desk.hear(make_tally(follower=21, name="willow"), at(2))
    assert desk.events() == [events.FollowerJoined(at(1), 21, "willow")]


def test_a_silent_follower_is_lost_once(desk: Desk, make_tally: Maker) -> None:
    desk.hear(make_tally(), at(0))
    desk.events()
    desk.run(40)
    (lost,) = desk.events()
    assert (lost.follower, lost.name) == (21, "jetty")
    assert LOST_AFTER_NS < lost.at - at(0) <= LOST_AFTER_NS + INTERVAL


def test_one_that_only_sounded_was_never_told_of_and_is_not_told_lost(desk: Desk, make_sounding: Maker) -> None:
    desk.hear(make_sounding(), at(0))
    desk.run(40)
    assert desk.events() == []


def test_a_cloned_follower_is_named_once(desk: Desk, make_tally: Maker) -> None:
    for number in range(20):
        desk.hear(make_tally(instance=31 + number % 2), at(number))
    cloned = [event for event in desk.events() if isinstance(event, events.FollowerCloned)]
    assert cloned == [events.FollowerCloned(at(2), 21, "jetty")]


def test_the_budgets_are_shared_among_those_heard_lately_or_expected(make_tally: Maker) -> None:
    desk = Desk(group_size=2)
    for follower in range(1, 6):
        desk.hear(make_tally(follower=follower), at(0))
    desk.run(60)
    sizes = [beacon.group_size for beacon in desk.beacons()]
    assert sizes[0] == 5
    assert sizes[-1] == 2


# -- anything else ----------------------------------------------------------------------------------------------------


def test_what_is_not_for_a_leader_is_misdirected(desk: Desk, make_echo: Maker, make_beacon: Maker) -> None:
    desk.hear(make_echo(), at(0))
    desk.hear(make_beacon(), at(0))
    assert desk.leader.counters == {"misdirected": 2}


@pytest.mark.parametrize(
    "wrong",
    [
        {"name": ""},
        {"interval_ns": 49 * MILLISECOND},
        {"interval_ns": 10 * SECOND + MILLISECOND},
        {"interval_ns": 100 * MILLISECOND + 1},
        {"rank": -1},
        {"rank": 128},
        {"lead_time_ns": -1},
        {"lead_time_ns": MINUTE + 1},
        {"sounding_budget": -1},
        {"sounding_budget": 256},
        {"group_size": 65_536},
    ],
)
def test_settings_that_make_no_sense_are_refused(wrong: dict[str, Any]) -> None:
    with pytest.raises(ConfigurationError):
        LeaderSettings(**({"name": "boathouse"} | wrong))


# -- limits -----------------------------------------------------------------------------------------------------------


def test_a_flood_is_answered_within_the_sounding_budget(desk: Desk, make_sounding: Maker) -> None:
    desk.run(0)
    answered = 0
    for number in range(20_000):  # two thousand a second for ten seconds
        now = LocalInstant(at(1) + number * SECOND // 2_000)
        desk.hear(make_sounding(nonce=number, follower=number + 1), now)
        answered += sum(isinstance(message, Echo) for message in desk.wake(now))
    budget = desk.leader.settings.sounding_budget
    # Without a cookie they leave half of what is kept for those with one, of three quarters of two seconds' worth.
    assert answered == ANSWER_BURST_S * budget * 5 // 8 + 10 * budget - 2
    assert desk.leader.counters["echo limited"] == 20_000 - answered


def test_a_full_roster_is_told_of_once_and_makes_no_events_of_newcomers(desk: Desk, make_tally: Maker) -> None:
    for follower in range(1, ROSTER_MAXIMUM + 500):
        desk.hear(make_tally(follower=follower), at(0))
    told = desk.events()
    assert told[ROSTER_MAXIMUM] == events.RosterFull(at(0), ROSTER_MAXIMUM)
    assert len(told) == ROSTER_MAXIMUM + 1
    assert desk.leader.counters["roster full"] == 499


def test_a_leader_keeps_as_many_followers_as_it_is_told(make_tally: Maker) -> None:
    desk = Desk(roster_limit=3)
    for follower in (1, 2, 3):
        desk.hear(make_tally(follower=follower), at(0))
    assert not [event for event in desk.events() if isinstance(event, events.RosterFull)]
    desk.hear(make_tally(follower=4), at(1))
    assert desk.events() == [events.RosterFull(at(1), 3)]
    assert len(desk.leader.roster) == 3


def test_reports_to_another_tenure_are_no_reports_to_this_one(desk: Desk, make_tally: Maker) -> None:
    desk.hear(make_tally(tenure=desk.leader.tenure + 1), at(0))
    assert desk.leader.counters["other tenure's tally"] == 1
    assert len(desk.leader.roster) == 0


def test_a_cookie_from_elsewhere_gives_no_lease(make_sounding: Maker, make_tally: Maker) -> None:
    desk = Desk(delivery=Delivery.COPIES)
    desk.hear(make_sounding(follower=21, tenure=0), at(0), "here")
    cookie = next(message.cookie for message in desk.wake(at(0)) if isinstance(message, Echo))
    desk.hear(make_sounding(follower=21, tenure=0, cookie=cookie), at(0.1), "a third party")
    desk.hear(make_sounding(follower=22, tenure=0, cookie=cookie), at(0.1), "here")
    desk.hear(make_sounding(follower=21, tenure=0, cookie=cookie + 1), at(0.1), "here")
    desk.sent.clear()
    desk.run(5)
    assert desk.beacons() == []
    desk.hear(make_sounding(follower=21, tenure=0, cookie=cookie), at(5), "here")
    desk.run(10)
    assert {to for _, message, to in desk.sent if isinstance(message, Beacon)} == {"here"}
    assert all(beacon.is_copy for beacon in desk.beacons())


def test_a_lease_that_runs_out_ends_the_copies_and_is_told(make_sounding: Maker) -> None:
    desk = Desk(delivery=Delivery.COPIES)
    desk.hear(make_sounding(follower=21, tenure=0), at(0), "here")
    cookie = next(message.cookie for message in desk.wake(at(0)) if isinstance(message, Echo))
    desk.hear(make_sounding(follower=21, tenure=0, cookie=cookie), at(1), "here")
    desk.run(60)
    assert [type(event) for event in desk.events()] == [events.CopiesBegun, events.CopiesEnded]
    last = max(now for now, message, _ in desk.sent if isinstance(message, Beacon))
    assert last == at(31)


def test_whose_copies_end_is_told_by_name(make_sounding: Maker, make_tally: Maker) -> None:
    desk = Desk(delivery=Delivery.COPIES)
    desk.hear(make_sounding(follower=21, tenure=0), at(0), "here")
    cookie = next(message.cookie for message in desk.wake(at(0)) if isinstance(message, Echo))
    desk.hear(make_tally(follower=21, name="jetty"), at(0.5), "here")
    desk.hear(make_sounding(follower=21, tenure=0, cookie=cookie), at(1), "here")
    desk.run(60)
    told = [event for event in desk.events() if isinstance(event, events.CopiesBegun | events.CopiesEnded)]
    assert [(type(event), event.name) for event in told] == [
        (events.CopiesBegun, "jetty"),
        (events.CopiesEnded, "jetty"),
    ]


@pytest.mark.parametrize(
    ("delivery", "to_group", "to_one"),
    [(Delivery.GROUP, True, False), (Delivery.BOTH, True, True), (Delivery.COPIES, False, True)],
)
def test_how_beacons_are_delivered_is_a_setting(
    delivery: Delivery, to_group: bool, to_one: bool, make_sounding: Maker
) -> None:
    desk = Desk(delivery=delivery)
    desk.hear(make_sounding(follower=21, tenure=0), at(0), "here")
    cookie = next(message.cookie for message in desk.wake(at(0)) if isinstance(message, Echo))
    desk.hear(make_sounding(follower=21, tenure=0, cookie=cookie), at(1), "here")
    desk.sent.clear()
    desk.run(3)
    reached = {to for _, message, to in desk.sent if isinstance(message, Beacon)}
    assert reached == ({GROUP} if to_group else set()) | ({"here"} if to_one else set())
    by_serial: dict[int, set[LeaderInstant]] = {}
    for beacon in desk.beacons():
        by_serial.setdefault(beacon.serial, set()).add(beacon.sent_at)
    assert all(len(stamps) == 1 for stamps in by_serial.values())


def test_a_follower_that_is_lost_holds_up_no_show_and_yet_has_not_stopped(make_tally: Maker) -> None:
    desk = Desk(refuse_incomplete=True)
    desk.hear(make_tally(show=EMBERS, content=ContentState.MISSING), at(0))
    desk.run(40)
    roll(desk.leader, EMBERS, at(40))
    desk.run(45)
    assert desk.leader.cue.show == EMBERS
    desk.leader.stop(at(45))
    assert desk.leader.not_stopped() == ("jetty",)
