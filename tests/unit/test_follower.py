"""A follower by hand-stepped time: what it is handed, what it answers, and exactly when.

The leader's clock is five seconds behind the follower's, every packet takes a millisecond, and chance always draws
the least, so that every deadline is a number.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from itertools import pairwise
from random import Random
from typing import Any

import pytest

from leadlight import events
from leadlight.addresses import GROUP
from leadlight.clock import ClockSettings
from leadlight.clock.bound import CausalityBound
from leadlight.clock.edge_filter import EdgeFilter
from leadlight.cue import Cue, FrameRate, ShowLine, dark_cue
from leadlight.errors import ConfigurationError
from leadlight.follower.follower import Follower
from leadlight.follower.frames import FrameRow
from leadlight.follower.journal import LINES_KEPT
from leadlight.follower.settings import FollowerSettings
from leadlight.follower.tallies import TALLIES_PER_SECOND
from leadlight.playback.content import StoredShow
from leadlight.playback.fader import HOLDOVER_FADE_NS, RETURN_FADE_NS, STOP_FADE_NS
from leadlight.playback.recovery import HoldRecovery, Recovery, Remedy
from leadlight.playback.stage import ASK_WITHIN_NS, STOP_CARRIED_NS, UNKEYED_SPACING_NS, Shown
from leadlight.playback.stills import Still
from leadlight.terms import ClockState, ContentState, CueState
from leadlight.units import MICROSECOND, MILLISECOND, MINUTE, SECOND, LeaderInstant, LocalInstant, ShowPosition
from leadlight.wire.codec import Codec
from leadlight.wire.messages import Beacon, Message, Sounding, Tally
from leadlight.wire.tags import KeyRing

Maker = Callable[..., Any]

OFFSET = 5 * SECOND
DELAY = MILLISECOND
INTERVAL = 500 * MILLISECOND
CODEC = Codec("Quarry Lake")
KEYED = Codec("Quarry Lake", KeyRing({1: bytes(range(32))}))
TIDEFALL = StoredShow("Tidefall", FrameRate(40), 192 * 40)
EMBERS = StoredShow("Embers", FrameRate(40), 245 * 40)


class Calm:
    """Chance that always draws the least delay, and numbers that count up where one of many must be told apart."""

    def __init__(self) -> None:
        self._count = 100

    def getrandbits(self, k: int, /) -> int:
        if k != 32:
            return 0
        self._count += 1
        return self._count


def leader(seconds: float) -> LeaderInstant:
    return LeaderInstant(round(seconds * SECOND))


def local(seconds: float) -> LocalInstant:
    """The follower's clock when the leader's shows `seconds`."""
    return LocalInstant(round(seconds * SECOND) + OFFSET)


def rolling(show: StoredShow, since: float, position: float = 0.0) -> Cue:
    return Cue(show.key, CueState.ROLLING, ShowLine(leader(since), ShowPosition(round(position * SECOND))))


def paused(show: StoredShow, since: float, position: float) -> Cue:
    return Cue(show.key, CueState.PAUSED, ShowLine(leader(since), ShowPosition(round(position * SECOND))))


def stopped(show: StoredShow, since: float) -> Cue:
    return Cue(show.key, CueState.STOPPED, ShowLine(leader(since), ShowPosition(0)))


class Board:
    """A follower with the leader's half of the conversation at hand."""

    def __init__(
        self,
        make_beacon: Maker,
        make_echo: Maker,
        stills: tuple[Still, ...] = (),
        codec: Codec = CODEC,
        recovery: Recovery | None = None,
        **settings: Any,
    ) -> None:
        shows = [replace(TIDEFALL, stills=stills), EMBERS]
        self.codec = codec
        self.follower = Follower(FollowerSettings("jetty", **settings), codec, Calm(), shows, recovery=recovery)
        self._make_beacon = make_beacon
        self._make_echo = make_echo
        self.cue = rolling(TIDEFALL, 100)
        self.serial = 1_000
        self.timebase = 9
        self.tenure = 7
        self.sent: list[tuple[LocalInstant, Message, Any]] = []

    def beacon(self, seconds: float, delay_ns: int = DELAY, **changes: Any) -> LocalInstant:
        """The beacon that the leader sends when its clock shows `seconds`; returns when it arrived."""
        self.serial += 1
        plain = {
            "serial": self.serial,
            "sent_at": leader(seconds),
            "cue": self.cue,
            "interval_ns": INTERVAL,
            "tenure": self.tenure,
            "timebase": self.timebase,
        }
        received_at = LocalInstant(local(seconds) + delay_ns)
        self.hear(self._make_beacon(**(plain | changes)), received_at)
        return received_at

    def hear(self, message: Message, received_at: LocalInstant) -> None:
        self.follower.receive_datagram(self.codec.encode(message), "boathouse", received_at)
        self.collect(received_at)

    def collect(self, now: LocalInstant, answering: bool = True) -> list[tuple[Message, Any]]:
        """What it sends at `now`; its Soundings are answered at once."""
        out = [(self.codec.decode(data), to) for data, to in self.follower.datagrams_to_send(now)]
        for message, to in out:
            self.sent.append((now, message, to))
            if isinstance(message, Sounding) and answering:
                at_leader = LeaderInstant(now + DELAY - OFFSET)
                echo = self._make_echo(
                    tenure=self.tenure,
                    timebase=self.timebase,
                    nonce=message.nonce,
                    received_at=at_leader,
                    sent_at=at_leader,
                )
                self.hear(echo, LocalInstant(now + 2 * DELAY))
        return out

    def run(self, until: float, answering: bool = True) -> None:
        """Call it at every deadline it names until the leader's clock shows `until`."""
        before, repeats = None, 0
        while (due := self.follower.next_timer()) is not None and due <= local(until):
            repeats = repeats + 1 if due == before else 0
            assert repeats < 3, "a deadline that has been met is still there"
            before = due
            self.follower.handle_timer(due)
            self.collect(due, answering)

    def lead(self, since: float, until: float, answering: bool = True, **changes: Any) -> None:
        """Beacons at every interval in [`since`, `until`) and all the follower's own deadlines between."""
        count = round((until - since) * SECOND) // INTERVAL
        for number in range(count):
            at = since + number * INTERVAL / SECOND
            self.run(at, answering)
            self.beacon(at, **changes)
        self.run(until, answering)

    def events(self) -> list[events.FollowerEvent]:
        return list(iter(self.follower.next_event, None))

    def told(self, kind: type) -> list[Any]:
        return [event for event in self.events() if type(event) is kind]

    def shown(self, seconds: float) -> Shown:
        return self.follower.shown(local(seconds))


@pytest.fixture
def make_board(make_beacon: Maker, make_echo: Maker) -> Callable[..., Board]:
    return lambda **settings: Board(make_beacon, make_echo, **settings)


@pytest.fixture
def board(make_board: Callable[..., Board]) -> Board:
    return make_board()


@pytest.fixture
def locked(board: Board) -> Board:
    """A board that has followed the show from its 60th second to its 70th; the leader's clock shows 170 s."""
    board.lead(160, 170)
    assert board.follower.clock.state is ClockState.LOCKED
    board.events()
    return board


# -- joining ---------------------------------------------------------------------------------------------------------


def test_before_it_hears_anything_it_shows_nothing_sends_nothing_and_waits_for_nothing(board: Board) -> None:
    assert board.shown(0) == (None, None, 0.0, None)
    assert board.follower.next_timer() is None
    assert board.follower.datagrams_to_send(local(0)) == []
    board.follower.handle_timer(local(0))
    assert board.events() == []


def test_one_beacon_and_one_sounding_are_enough_to_join_mid_show(board: Board) -> None:
    received_at = board.beacon(160)
    assert board.events() == [events.LeaderFound(received_at, 11, 7)]
    assert board.follower.next_timer() == received_at  # the first Sounding; chance drew the least delay
    board.follower.handle_timer(received_at)
    message, to = board.collect(received_at)[0]
    assert isinstance(message, Sounding)
    assert (message.sent_at, message.tenure, message.cookie, to) == (received_at, 7, None, "boathouse")
    answered_at = LocalInstant(received_at + 2 * DELAY)
    told = board.events()
    assert [type(event) for event in told] == [events.LockAcquired, events.CueAdopted]
    assert {event.at for event in told} == {answered_at}
    assert told[0] == events.LockAcquired(answered_at, board.follower.clock.bounds(answered_at).statistical_ns or 0)
    assert told[0].bound_ns > 0
    # Nothing more is ever heard. Frame 2600 runs from 65.000 s of the show to 65.025.
    assert board.shown(165.0125).frame == 2_600
    assert board.shown(165.0125).level == 1.0


def test_one_beacon_alone_is_shown_by_after_five_seconds(make_board: Callable[..., Board]) -> None:
    board = make_board(soundings=False)
    received_at = board.beacon(160)
    board.run(164.9)
    assert board.shown(164.9).frame is None
    board.run(166)
    assert [event.at for event in board.told(events.CueAdopted)] == [received_at + 5 * SECOND]
    # Its delay is not known, so the clock may be wrong by the delay and what was assumed of it: a millisecond each.
    assert board.shown(166.0125).frame == 2_640


def test_a_show_that_is_not_stored_here_is_told_and_stays_dark(board: Board) -> None:
    board.cue = board.cue._replace(show=12_345)
    board.lead(160, 161)
    assert [event.show for event in board.told(events.ShowMissing)] == [12_345]
    assert board.shown(161) == (None, None, 0.0, None)
    board.run(170)
    tallies = [message for _, message, _ in board.sent if isinstance(message, Tally)]
    assert tallies[-1].content is ContentState.MISSING


def test_frames_are_asked_for_exactly_when_they_are_due(locked: Board) -> None:
    frame = locked.shown(170).frame
    assert frame is not None
    now = local(170)
    for expected in range(frame + 1, frame + 40):
        due = locked.follower.shown(now).next_at
        assert due is not None
        assert locked.follower.shown(due).frame == expected
        assert locked.follower.shown(LocalInstant(due - 1)).frame == expected - 1
        now = due


def test_past_its_last_frame_a_show_is_dark(locked: Board) -> None:
    assert locked.shown(100 + 191.99).frame == 192 * 40 - 1
    assert locked.shown(100 + 192.01)[1:] == (None, 1.0, None)


# -- what comes next --------------------------------------------------------------------------------------------------


def test_an_announced_cue_is_adopted_at_its_instant_though_every_later_beacon_is_lost(locked: Board) -> None:
    received_at = locked.beacon(170, next_cue=rolling(EMBERS, 172))
    (announced,) = locked.told(events.CueAnnounced)
    assert (announced.at, announced.cue) == (received_at, rolling(EMBERS, 172))
    # To the clock's own error; without jitter that is below the least noise it assumes, 50 µs.
    assert abs(announced.takes_effect_at - local(172)) < 50_000
    locked.run(171.9)
    assert locked.told(events.CueAdopted) == []
    assert locked.shown(171.9875).frame == 40 * 71 + 39
    locked.run(172.1)
    (adopted,) = locked.told(events.CueAdopted)
    assert adopted.cue == rolling(EMBERS, 172)
    assert abs(adopted.at - local(172)) < 50_000
    assert locked.shown(172.0125).frame == 0
    assert locked.shown(180.0125).frame == 320


def test_an_announcement_is_told_once_and_a_changed_one_again(locked: Board) -> None:
    for at in (170, 170.06, 170.5):
        locked.beacon(at, next_cue=rolling(EMBERS, 175))
    locked.beacon(171, next_cue=rolling(EMBERS, 176))
    assert [event.cue.line.leader_at for event in locked.told(events.CueAnnounced)] == [leader(175), leader(176)]


def test_a_cue_taken_back_before_its_instant_does_not_come(locked: Board) -> None:
    locked.beacon(170, next_cue=rolling(EMBERS, 172))
    locked.beacon(170.5)
    locked.run(173)
    assert locked.told(events.CueAdopted) == []


def test_a_beacon_from_just_before_the_instant_does_not_undo_the_cue(locked: Board) -> None:
    locked.beacon(170, next_cue=rolling(EMBERS, 172))
    locked.run(172.005)
    assert len(locked.told(events.CueAdopted)) == 1
    locked.beacon(171.999, delay_ns=10 * MILLISECOND, next_cue=rolling(EMBERS, 172))
    locked.run(172.4)
    assert locked.told(events.CueAdopted) == []
    assert locked.follower.cue == rolling(EMBERS, 172)


def keyed_board(make_board: Callable[..., Board], **settings: Any) -> Board:
    """A board of a group with a key, which has proven to it who leads and is locked; the leader's clock shows 170 s."""
    board = make_board(codec=KEYED, **settings)
    board.cue = dark_cue(leader(100))
    board.lead(160, 170)
    assert board.follower.clock.state is ClockState.LOCKED
    board.events()
    return board


def test_the_first_frames_of_a_cue_are_handed_over_before_its_instant_so_that_their_light_is_on_time(
    make_board: Callable[..., Board],
) -> None:
    board = keyed_board(make_board, latency_ns=100 * MILLISECOND, trim_ns=10 * MILLISECOND)
    assert board.shown(170) == (None, None, 0.0, None)
    board.beacon(170, next_cue=rolling(TIDEFALL, 172))
    now = local(170.01)
    due = board.follower.shown(now).next_at
    assert due is not None
    assert due - local(171.91) == pytest.approx(0, abs=50_000), "known as soon as the cue is"
    assert board.follower.shown(LocalInstant(due - 1)).frame is None
    for frame in range(100):
        # A microsecond late, for where the cue is put in force its instant is worked out anew, to a nanosecond.
        shown = board.follower.shown(LocalInstant(due + 1_000))
        assert (shown.frame, shown.level) == (frame, 1.0)
        assert due - local(171.91 + frame * 0.025) == pytest.approx(0, abs=50_000)
        due = shown.next_at
        assert due is not None
        board.follower.handle_timer(due)
    (adopted,) = board.told(events.CueAdopted)
    assert adopted.at >= local(171.9999)


def test_a_cue_from_one_show_to_another_leaves_no_gap_however_late_the_timer_is(
    make_board: Callable[..., Board],
) -> None:
    board = keyed_board(make_board, latency_ns=60 * MILLISECOND)
    board.cue = rolling(TIDEFALL, 170)
    board.lead(170, 175)
    board.beacon(175, next_cue=rolling(EMBERS, 176.01))
    # Nobody calls the timer from here on.
    seen, now = [], local(175.5)
    while now < local(176.5):
        shown = board.follower.shown(now)
        assert shown.show is not None
        seen.append((shown.show.show, shown.frame))
        assert shown.next_at is not None
        assert shown.next_at > now
        now = shown.next_at
    changed = seen.index(("Embers", 0))
    assert seen[changed - 1] == ("Tidefall", 240)
    assert seen[changed:] == [("Embers", frame) for frame in range(len(seen) - changed)]


def test_a_cue_that_is_not_stored_or_taken_back_hands_over_nothing_early(make_board: Callable[..., Board]) -> None:
    board = keyed_board(make_board, latency_ns=100 * MILLISECOND)
    board.beacon(170, next_cue=rolling(StoredShow("Unheard", FrameRate(40), 40), 172))
    assert board.shown(171.95)[:2] == (None, None)
    board.beacon(170.5, next_cue=rolling(EMBERS, 172))
    board.beacon(171)
    assert board.shown(171.95) == (None, None, 0.0, None)


@pytest.mark.parametrize(("is_announced", "levels"), [(True, [0.0, 0.0]), (False, [0.5, 0.0])])
def test_dark_is_cut_to_where_it_was_announced_and_faded_to_where_it_was_not(
    make_board: Callable[..., Board], is_announced: bool, levels: list[float]
) -> None:
    board = keyed_board(make_board)
    board.cue = rolling(TIDEFALL, 170)
    board.lead(170, 175)
    if is_announced:
        board.beacon(175, next_cue=dark_cue(leader(176)))
        board.run(176.0001)
    else:
        board.cue = dark_cue(leader(90))
        board.beacon(176)
    begun = board.told(events.CueAdopted)[-1].at
    halves = [LocalInstant(begun + half * RETURN_FADE_NS // 2) for half in (1, 2)]
    assert [board.follower.shown(at).level for at in halves] == levels


def test_the_same_show_again_begins_anew_instead_of_waiting_for_itself(locked: Board) -> None:
    locked.cue = rolling(TIDEFALL, 172)
    locked.lead(172, 174)
    assert [event.cue for event in locked.told(events.CueAdopted)] == [locked.cue]
    assert locked.shown(174.0125).frame == 80


def test_a_line_that_moves_a_little_is_slewed_to_and_no_new_cue(locked: Board) -> None:
    locked.cue = rolling(TIDEFALL, 170, 70.040)
    locked.beacon(170)
    assert [event for event in locked.events() if isinstance(event, events.CueAdopted | events.Stepped)] == []
    before, after = locked.follower.position_at(local(170.5)), locked.follower.position_at(local(171.5))
    assert before is not None
    assert after is not None
    assert after - before == pytest.approx(1.02 * SECOND, abs=2_000)  # the clock's own rate, 2 ppm at most


def test_a_pause_holds_its_position_until_the_show_goes_on(locked: Board) -> None:
    locked.cue = paused(TIDEFALL, 170, 70)
    locked.lead(170, 175)
    assert locked.shown(175) == (TIDEFALL, 2_800, 1.0, None)
    locked.cue = rolling(TIDEFALL, 175, 70)
    locked.lead(175, 178)
    assert locked.shown(178.0125).frame == 2_920


def test_dark_shows_nothing(locked: Board) -> None:
    locked.cue = dark_cue(leader(170))
    locked.lead(170, 172)
    assert locked.shown(172).frame is None


# -- stopping --------------------------------------------------------------------------------------------------------


def test_a_stop_fades_within_a_second_at_once(locked: Board) -> None:
    locked.cue = stopped(TIDEFALL, 170)
    at = locked.beacon(170)
    assert [(event.at, event.cue) for event in locked.told(events.CueAdopted)] == [(at, locked.cue)]
    half = LocalInstant(at + STOP_FADE_NS // 2)
    assert locked.follower.stage.frame_at(half) == 70 * 40 + 20
    levels = [locked.follower.shown(LocalInstant(at + part * STOP_FADE_NS // 4)).level for part in range(5)]
    assert levels == [1.0, 0.75, 0.5, 0.25, 0.0]
    locked.run(172)
    assert locked.shown(172).frame is None


def test_only_a_later_stop_moves_what_a_stop_holds_back(locked: Board) -> None:
    locked.beacon(171, cue=stopped(TIDEFALL, 170.9))
    locked.beacon(171.1, cue=stopped(TIDEFALL, 170.5))
    for seconds, since, told in ((171.2, 170.7, CueState.STOPPED), (171.3, 171, CueState.ROLLING)):
        locked.beacon(seconds, cue=rolling(TIDEFALL, since))
        assert locked.follower.cue_told.state is told


def test_a_show_that_goes_on_after_a_stop_holds_nothing_back(locked: Board) -> None:
    locked.beacon(170, cue=stopped(TIDEFALL, 170))
    for seconds in (172, 172.1, 172.2):
        locked.beacon(seconds, cue=rolling(TIDEFALL, 172))
    locked.beacon(172.3, cue=paused(TIDEFALL, 171.5, 3))
    assert locked.follower.cue_told == paused(TIDEFALL, 171.5, 3)


def test_a_stop_does_not_wait_for_a_lock(board: Board) -> None:
    board.cue = stopped(TIDEFALL, 160)
    at = board.beacon(160)
    assert [event.at for event in board.told(events.CueAdopted)] == [at]


def test_a_stop_is_latched_until_a_later_cue(locked: Board) -> None:
    before = locked.cue
    locked.cue = stopped(TIDEFALL, 170)
    locked.lead(170, 173)
    locked.cue = before
    locked.lead(173, 174)
    assert locked.follower.cue.state is CueState.STOPPED
    assert locked.shown(174).frame is None
    locked.events()
    locked.cue = rolling(TIDEFALL, 175)
    at = locked.beacon(175)
    assert [event.cue for event in locked.told(events.CueAdopted)] == [locked.cue]
    assert locked.follower.shown(LocalInstant(at + RETURN_FADE_NS // 2)).level == 0.5
    assert locked.follower.shown(LocalInstant(at + RETURN_FADE_NS)).level == 1.0


def test_a_forged_stop_is_in_force_no_longer_than_it_takes_its_tenure_to_say_otherwise_for_an_interval(
    locked: Board,
) -> None:
    """One datagram of the followed tenure, of the next serial, with nothing implausible in it."""
    locked.beacon(169.9, cue=stopped(TIDEFALL, 169.9))
    locked.beacon(170)
    locked.beacon(170.5)
    assert locked.follower.cue.state is CueState.STOPPED
    assert locked.follower.cue_told.state is CueState.STOPPED
    locked.beacon(171)
    assert locked.follower.cue_told == locked.cue
    locked.lead(171.5, 173)  # without a key, changes are two seconds apart
    assert locked.follower.cue == locked.cue
    assert locked.follower.shown(LocalInstant(local(169.9) + UNKEYED_SPACING_NS + SECOND)).level == 1.0


def test_three_beacons_in_less_than_an_interval_release_no_stop(locked: Board) -> None:
    locked.beacon(170, cue=stopped(TIDEFALL, 170))
    for at in (170.1, 170.2, 170.3, 170.59):
        locked.beacon(at)
    assert locked.follower.cue_told.state is CueState.STOPPED
    locked.beacon(170.6)
    assert locked.follower.cue_told == locked.cue


def test_a_stop_said_again_between_lets_the_count_begin_anew(locked: Board) -> None:
    locked.beacon(170, cue=stopped(TIDEFALL, 170))
    for at in (170.5, 171):
        locked.beacon(at)
    locked.beacon(171.2, cue=stopped(TIDEFALL, 170))
    for at in (171.5, 172):
        locked.beacon(at)
        assert locked.follower.cue.state is CueState.STOPPED
    locked.beacon(172.5)
    assert locked.follower.cue == locked.cue


def test_another_tenure_in_the_timebase_never_releases_a_stop(locked: Board) -> None:
    locked.lead(170, 171, cue=stopped(TIDEFALL, 170))
    locked.tenure = 8
    locked.lead(171, 180)
    assert (locked.follower.tenure, locked.follower.cue.state) == (8, CueState.STOPPED)
    assert locked.shown(180).frame is None


def test_a_stop_with_an_instant_in_the_far_future_latches_no_longer_than_one_given_now(locked: Board) -> None:
    stop = stopped(TIDEFALL, 170)
    far = stop._replace(line=stop.line._replace(leader_at=LeaderInstant((1 << 62) - 1)))
    locked.lead(170, 173, cue=far)
    assert locked.shown(173).frame is None
    locked.cue = rolling(TIDEFALL, 172.9)
    locked.beacon(173)
    assert locked.follower.cue == locked.cue


def test_a_stop_from_long_ago_is_obeyed_and_releases_no_stop_of_now(locked: Board) -> None:
    before = locked.cue
    locked.beacon(170, cue=stopped(TIDEFALL, 170))
    locked.beacon(170.1, cue=stopped(TIDEFALL, 0))
    locked.beacon(170.2, cue=before)
    assert locked.follower.cue.state is CueState.STOPPED
    assert locked.shown(171.1).frame is None


def test_a_cue_that_was_ordered_after_a_stop_is_in_force_whatever_its_instant(locked: Board) -> None:
    """As a show that a person takes up again on the line on which it was stopped."""
    before = locked.cue
    locked.lead(170, 173, cue=stopped(TIDEFALL, 170))
    for ordered, is_in_force in ((170, False), (173.6, False), (173.1, True)):
        # One that would have been ordered after its own beacon was ordered by nobody.
        locked.beacon(173.5 if ordered != 173.1 else 173.6, cue=before._replace(ordered_at=leader(ordered)))
        assert (locked.follower.cue_told.state is CueState.ROLLING) is is_in_force


def test_a_stop_outlives_a_change_to_another_leaders_timebase_for_a_while(locked: Board) -> None:
    locked.lead(170, 173, cue=stopped(TIDEFALL, 170))
    locked.tenure, locked.timebase = 8, 10
    other: dict[str, Any] = {"leader": 5, "cue": locked.cue._replace(ordered_at=leader(99))}
    began = 173 + INTERVAL / SECOND / 2  # its second beacon is followed
    locked.beacon(173, **other)
    for number in range(6):
        locked.lead(began + number * INTERVAL / SECOND, began + (number + 1) * INTERVAL / SECOND, **other)
        assert (locked.follower.tenure, locked.follower.cue.state) == (8, CueState.STOPPED)
        assert locked.shown(began + number / 2).frame is None
    locked.lead(began + 3, began + 8, **other)
    assert locked.follower.cue.state is CueState.ROLLING
    assert STOP_CARRIED_NS == 3 * SECOND


def test_an_order_younger_than_a_stop_is_in_force_at_once_in_another_timebase(locked: Board) -> None:
    locked.lead(170, 173, cue=stopped(TIDEFALL, 170))
    locked.tenure, locked.timebase = 8, 10
    locked.cue = rolling(EMBERS, 171)._replace(ordered_at=leader(170.5))
    locked.beacon(173, leader=5)
    locked.beacon(173.25, leader=5)
    assert locked.follower.cue_told == locked.cue


FAR = LeaderInstant((1 << 62) - 1)


def test_a_forged_cue_in_the_far_future_lasts_until_the_next_beacon_and_puts_no_player_to_sleep(locked: Board) -> None:
    """Nothing is on; Embers is to roll at 174 s, as honest beacons have said."""
    dark = Cue(0, CueState.DARK, ShowLine(leader(165), ShowPosition(0)))
    coming = rolling(EMBERS, 174)
    locked.lead(170, 172.5, cue=dark, next_cue=coming)
    far = coming._replace(line=coming.line._replace(leader_at=FAR))
    now = locked.beacon(172.6, cue=dark, next_cue=far)
    assert locked.follower.next_cue == far
    asked_again = locked.follower.shown(now).next_at
    assert asked_again is not None
    assert asked_again - now <= ASK_WITHIN_NS
    locked.beacon(173, cue=dark, next_cue=coming)
    assert locked.follower.next_cue == coming
    locked.run(174.2)
    assert locked.shown(174.2).frame is not None


def test_a_forged_cue_in_the_far_future_hides_no_cue_whose_instant_has_come_meanwhile(locked: Board) -> None:
    dark = Cue(0, CueState.DARK, ShowLine(leader(165), ShowPosition(0)))
    locked.lead(170, 172.5, cue=dark, next_cue=rolling(EMBERS, 172.8))
    locked.beacon(172.6, cue=dark, next_cue=rolling(EMBERS, 172.8)._replace(line=ShowLine(FAR, ShowPosition(0))))
    locked.cue = rolling(EMBERS, 172.8)
    locked.lead(173, 174)
    assert locked.follower.cue == locked.cue
    assert locked.shown(174).frame is not None


@pytest.mark.parametrize("off_at_s", [0, 100.5, 170])
def test_a_forged_off_time_is_over_a_fade_after_the_beacon_that_takes_it_back(locked: Board, off_at_s: float) -> None:
    locked.beacon(170, off_at=leader(off_at_s))
    for number in range(1, 7):
        locked.run(170 + number / 2)
        locked.beacon(170 + number / 2)
    assert locked.follower.off_at is None
    shown = locked.shown(173)
    assert shown.frame is not None
    assert shown.next_at is not None
    assert locked.shown(173.5).level == 1.0


def test_stops_said_again_and_again_do_not_prolong_the_fade(locked: Board) -> None:
    at = locked.beacon(170, cue=stopped(TIDEFALL, 170))
    for number in range(1, 11):
        later = 170 + 0.3 * number
        locked.run(later)
        locked.beacon(later, cue=stopped(TIDEFALL, later))
        shown = locked.follower.shown(LocalInstant(local(later) + DELAY))
        assert shown.level == pytest.approx(max(0.0, 1 - 0.3 * number), abs=1e-6)
    assert locked.follower.shown(LocalInstant(at + STOP_FADE_NS)).frame is None


def test_a_cue_without_a_show_lights_nothing_whatever_its_state_says(locked: Board) -> None:
    """As where the leader was paused while it was dark, and this follower had missed the dark."""
    locked.cue = Cue(0, CueState.PAUSED, ShowLine(leader(170), ShowPosition(0)))
    locked.lead(170, 175)
    assert locked.shown(175).frame is None


def test_a_stop_yields_to_a_restarted_leader_whose_clock_began_again(locked: Board) -> None:
    locked.cue = stopped(TIDEFALL, 170)
    locked.lead(170, 173)
    # The new clock is a hundred seconds behind the old one: its instants are all "before" the stop.
    locked.tenure, locked.timebase = 8, 10
    cue = Cue(TIDEFALL.key, CueState.ROLLING, ShowLine(leader(60), ShowPosition(0)))
    for number in range(20):
        at = 174 + number / 2
        locked.serial += 1
        locked.run(at, answering=False)
        locked.hear(
            locked._make_beacon(tenure=8, timebase=10, serial=locked.serial, sent_at=leader(at - 100), cue=cue),
            LocalInstant(local(at) + DELAY),
        )
    assert locked.follower.cue == cue
    assert locked.shown(184).frame is not None


def test_a_fade_over_a_still_frame_asks_to_be_drawn(locked: Board) -> None:
    locked.cue = paused(TIDEFALL, 170, 70)
    locked.lead(170, 173)
    locked.cue = locked.cue._replace(state=CueState.STOPPED)
    at = locked.beacon(173)
    assert locked.follower.shown(at).next_at == at + 25 * MILLISECOND


# -- going dark by itself --------------------------------------------------------------------------------------------


def test_the_off_time_is_kept_in_holdover(locked: Board) -> None:
    locked.beacon(170, off_at=leader(200))
    locked.run(199.9)
    assert locked.shown(199.9).level == 1.0
    locked.run(202)
    (off,) = locked.told(events.OffTimeReached)
    assert off.off_at == leader(200)
    # Thirty seconds on the learnt rate, whose error is below 2 ppm here: 60 µs, and 50 µs of offset.
    assert abs(off.at - local(200)) < 110_000
    assert locked.follower.shown(LocalInstant(off.at + STOP_FADE_NS)).frame is None


def test_the_off_time_holds_from_the_first_beacon_on(board: Board) -> None:
    board.beacon(160, off_at=leader(170))
    board.run(169)
    assert board.shown(169).level == 1.0
    board.run(172)
    assert len(board.told(events.OffTimeReached)) == 1
    assert board.shown(172).frame is None


def test_after_the_off_time_only_a_later_cue_lights_up(locked: Board) -> None:
    locked.lead(170, 180, off_at=leader(175))
    assert locked.shown(180).frame is None
    locked.cue = rolling(TIDEFALL, 176)
    locked.lead(180, 182, off_at=leader(175))
    assert locked.told(events.OffTimeReached) != []
    assert locked.shown(182.0125).frame == 240


def test_a_board_that_starts_after_the_off_time_stays_dark(board: Board) -> None:
    board.lead(160, 170, off_at=leader(150))
    assert board.shown(170).frame is None
    assert board.told(events.OffTimeReached) == []


def test_a_show_cued_for_the_very_off_time_is_shown(locked: Board) -> None:
    locked.beacon(170, off_at=leader(172), next_cue=rolling(EMBERS, 172))
    locked.run(175)
    assert locked.shown(175.0125).frame == 120


# -- a leader that falls silent ---------------------------------------------------------------------------------------


def test_after_five_silent_intervals_the_leader_is_lost_and_the_show_goes_on(locked: Board) -> None:
    at = locked.beacon(170)
    locked.run(180)
    lost_at = LocalInstant(at + 5 * INTERVAL)
    assert locked.events() == [events.LeaderLost(lost_at, 11, 5 * INTERVAL), events.LockLost(lost_at)]
    assert locked.follower.clock.state is ClockState.HOLDOVER
    assert locked.shown(180.0125).frame == 80 * 40


def test_a_lost_leader_that_returns_is_told_and_locks_again(locked: Board) -> None:
    before = locked.beacon(170)
    locked.run(180)
    locked.events()
    at = locked.beacon(180)
    told = locked.events()
    assert told[0] == events.LeaderReturned(at, 11, at - before)
    assert [type(event) for event in told[1:]] == [events.LockAcquired]


def test_an_echo_alone_does_not_bring_a_lost_leader_back(locked: Board) -> None:
    locked.beacon(170)
    locked.run(190)
    assert any(isinstance(message, Sounding) and at > local(173) for at, message, _ in locked.sent)
    assert locked.follower.clock.state is ClockState.HOLDOVER


def test_holdover_ends_at_its_cap_with_a_slow_fade_and_then_silence(make_board: Callable[..., Board]) -> None:
    board = make_board(holdover_cap_ns=MINUTE)
    board.lead(160, 170)
    board.events()
    at = board.beacon(170)
    board.run(229)
    assert board.shown(229).level == 1.0
    board.events()
    board.run(240)
    ended_at = LocalInstant(at + MINUTE)
    assert board.events() == [events.HoldoverEnded(ended_at, MINUTE)]
    assert board.follower.shown(LocalInstant(ended_at + HOLDOVER_FADE_NS // 2)).frame is None  # halted by now
    assert board.follower.next_timer() is None
    assert all(sent_at < ended_at for sent_at, _, _ in board.sent)
    board.sent.clear()
    board.run(10_000)
    assert board.sent == []


def test_holdover_ends_when_the_clock_may_be_too_far_off_if_that_is_before_its_cap(
    make_board: Callable[..., Board],
) -> None:
    board = make_board(holdover_bound_ns=2 * MILLISECOND)
    board.lead(160, 190)
    assert board.follower.clock.state is ClockState.LOCKED
    board.run(1_000, answering=False)
    (ended,) = board.told(events.HoldoverEnded)
    assert ended.silent_ns < 10 * MINUTE
    before_ns, at_its_end_ns = (
        board.follower.clock.bounds(LocalInstant(ended.at - back)).statistical_ns for back in (1, 0)
    )
    assert before_ns is not None
    assert at_its_end_ns is not None
    assert before_ns <= 2 * MILLISECOND < at_its_end_ns


def test_answers_that_come_without_beacons_let_holdover_go_on_to_its_cap(make_board: Callable[..., Board]) -> None:
    for answering in (False, True):
        board = make_board(holdover_bound_ns=2 * MILLISECOND)
        board.lead(160, 190)
        board.run(1_000, answering=answering)
        (ended,) = board.told(events.HoldoverEnded)
        assert (ended.silent_ns == 10 * MINUTE) is answering


def test_a_clock_that_was_never_locked_goes_on_to_the_cap(make_board: Callable[..., Board]) -> None:
    board = make_board(holdover_bound_ns=0, soundings=False)
    board.beacon(160)
    board.run(1_000)
    assert [event.silent_ns for event in board.told(events.HoldoverEnded)] == [10 * MINUTE]


def test_the_slow_fade_takes_five_seconds(make_board: Callable[..., Board]) -> None:
    board = make_board(holdover_cap_ns=MINUTE)
    board.lead(160, 170)
    at = board.beacon(170)
    board.run(230.5)
    assert board.follower.shown(LocalInstant(at + MINUTE + 2 * SECOND)).level == pytest.approx(0.6)


def test_nothing_lights_up_after_the_cap_but_a_beacon(make_board: Callable[..., Board]) -> None:
    board = make_board(holdover_cap_ns=3 * SECOND)
    board.lead(160, 170)
    board.beacon(170, next_cue=rolling(EMBERS, 178))
    board.run(190)
    assert board.shown(190).frame is None


@pytest.mark.parametrize("state", [CueState.ROLLING, CueState.PAUSED])
def test_after_the_cap_a_returned_leader_is_followed_sounded_and_told(
    state: CueState, make_board: Callable[..., Board]
) -> None:
    board = make_board(holdover_cap_ns=MINUTE)
    board.cue = board.cue._replace(state=state)
    board.lead(160, 170)
    board.run(300)
    board.sent.clear()
    board.lead(300, 310, off_at=None)
    assert board.shown(310).level == 1.0
    kinds = {type(message) for _, message, _ in board.sent}
    assert kinds == {Sounding, Tally}


# -- late, twice, restarted -------------------------------------------------------------------------------------------


def test_a_late_packet_never_moves_the_clock(locked: Board) -> None:
    before = locked.follower.clock.served
    late: Beacon = locked._make_beacon(serial=locked.serial - 3, sent_at=leader(168.5), cue=rolling(EMBERS, 168))
    locked.hear(late, local(170))
    assert locked.follower.clock.served == before
    assert locked.follower.counters["late beacon"] == 1
    assert locked.follower.cue == locked.cue


def test_a_beacon_twice_counts_once(locked: Board) -> None:
    locked.beacon(170)
    before = locked.follower.clock.served
    locked.serial -= 1
    locked.beacon(170, delay_ns=5 * DELAY)
    assert locked.follower.clock.served == before
    assert locked.follower.counters["duplicate"] == 1


def test_serials_go_round(board: Board) -> None:
    board.serial = (1 << 32) - 3
    for number in range(6):
        board.serial %= 1 << 32
        board.beacon(160 + number / 2, serial=(board.serial + 1) % (1 << 32))
    assert board.follower.counters == {}
    assert board.follower.snapshot(local(163)).beacon_loss == 0.0


def test_a_restarted_leader_is_followed_at_once_and_its_old_tenure_is_refused(locked: Board) -> None:
    old = locked.serial
    locked.tenure, locked.serial = 8, 5
    at = locked.beacon(170)
    assert locked.events() == [events.LeaderRestarted(at, 11, 8)]
    assert locked.follower.clock.state is ClockState.LOCKED  # the timebase is the same
    before = locked.follower.clock.served
    locked.beacon(170.4, tenure=7, serial=old + 1)
    assert locked.follower.counters["retired tenure"] == 1
    assert locked.follower.clock.served == before
    assert locked.events() == []


def test_a_new_timebase_holds_the_old_line_until_its_clock_is_known(locked: Board) -> None:
    before = locked.shown(170.0125).frame
    locked.tenure, locked.timebase = 8, 10
    at = locked.beacon(170)
    told = locked.events()
    assert told[:2] == [events.LeaderRestarted(at, 11, 8), events.TimebaseEntered(at, 10)]
    assert type(told[2]) is events.LockLost
    timebase, leader_at = locked.follower.belief_at(local(170.0125)) or (0, 0)
    assert timebase == 9
    assert leader_at == pytest.approx(leader(170.0125), abs=MILLISECOND)
    assert locked.shown(170.0125).frame == before
    assert locked.shown(171.0125).frame == 71 * 40


def test_another_leader_of_lower_standing_is_not_followed_and_one_of_higher_is(locked: Board) -> None:
    locked.beacon(170, leader=12, tenure=50, rank=1)
    assert locked.follower.counters["other leader"] == 1
    locked.beacon(170.5, leader=5, tenure=60)
    assert locked.follower.counters["unconfirmed leader"] == 1
    at = locked.beacon(170.75, leader=5, tenure=60)
    assert events.LeaderChanged(at, 5, 60) in locked.events()


# -- what it sends ----------------------------------------------------------------------------------------------------


def test_the_markers_turn_is_answered_at_once_to_the_group(locked: Board) -> None:
    locked.sent.clear()
    at = locked.beacon(170, marker=locked.follower.identity)
    ((sent_at, tally, to),) = [entry for entry in locked.sent if isinstance(entry[1], Tally)]
    assert isinstance(tally, Tally)
    assert (sent_at, tally.turn, to) == (at, locked.serial, GROUP)
    assert (tally.clock, tally.cue_state, tally.name) == (ClockState.LOCKED, CueState.ROLLING, "jetty")
    assert tally.frame == 2_800


def test_a_copy_gives_no_turn_and_neither_does_anothers_beacon(locked: Board) -> None:
    locked.sent.clear()
    locked.beacon(170, marker=locked.follower.identity, is_copy=True)
    locked.beacon(170.1, marker=locked.follower.identity + 1)
    assert [message for _, message, _ in locked.sent if isinstance(message, Tally) and message.turn is not None] == []


def test_its_own_copies_and_another_board_of_its_name_are_counted_and_give_no_sample(locked: Board) -> None:
    locked.beacon(170, marker=locked.follower.identity)
    tally = next(message for _, message, to in locked.sent if isinstance(message, Tally) and to is GROUP)
    heard = len(locked.follower.clock.common_view._heard)
    locked.hear(tally, local(170.004))
    locked.hear(tally._replace(instance=tally.instance + 1), local(170.005))
    assert locked.follower.counters == {"own copy": 1, "cloned id": 1}
    locked.follower.receive_datagram(b"no more than a few words", "somebody", local(170.006))
    assert locked.follower.snapshot(local(170.006)).refused == {"other protocol": 1}
    assert len(locked.follower.clock.common_view._heard) == heard


def test_anothers_group_tally_is_remembered_for_its_mark(locked: Board, make_tally: Maker) -> None:
    locked.hear(make_tally(follower=21, turn=locked.serial), local(170))
    assert locked.follower.clock.common_view._heard[locked.serial] == local(170)
    locked.hear(make_tally(follower=21, turn=None), local(170))
    locked.hear(make_tally(follower=21, turn=5, radio=77), local(170))  # over another radio
    locked.hear(make_tally(follower=21, turn=6, tenure=99), local(170))
    assert list(locked.follower.clock.common_view._heard) == [locked.serial]


def test_the_cookie_of_the_last_echo_goes_back_with_the_next_sounding(locked: Board) -> None:
    soundings = [message for _, message, _ in locked.sent if isinstance(message, Sounding)]
    assert soundings[0].cookie is None
    assert {sounding.cookie for sounding in soundings[1:]} == {5}
    locked.tenure, locked.serial = 8, 5
    locked.beacon(170)
    locked.sent.clear()
    locked.run(175)
    assert next(message.cookie for _, message, _ in locked.sent if isinstance(message, Sounding)) is None


def test_an_echo_that_answers_nothing_is_counted(locked: Board, make_echo: Maker) -> None:
    before = locked.follower.clock.served
    locked.hear(make_echo(nonce=9_999_999), local(170))
    locked.hear(make_echo(tenure=99), local(170))
    locked.hear(make_echo(timebase=99), local(170))
    assert locked.follower.counters == {"unmatched echo": 1, "other tenure's echo": 2}
    assert locked.follower.clock.served == before


def test_a_node_that_may_not_sound_never_does(make_board: Callable[..., Board]) -> None:
    board = make_board(soundings=False)
    board.lead(160, 190)
    assert not any(isinstance(message, Sounding) for _, message, _ in board.sent)


def test_tallies_come_less_often_in_a_large_group(make_board: Callable[..., Board]) -> None:
    counts = {}
    for group_size in (8, 240):
        board = make_board()
        board.lead(160, 260, group_size=group_size)
        counts[group_size] = sum(isinstance(message, Tally) for _, message, _ in board.sent)
    # Chance draws the shortest, half the interval: 2.5 s among 8, and among 240 half of 240/12 = 20 s.
    assert 240 / TALLIES_PER_SECOND == 20
    assert 39 <= counts[8] <= 42
    assert 9 <= counts[240] <= 12


def test_a_tally_says_how_things_stand(locked: Board) -> None:
    locked.follower.note_late_frame()
    locked.follower.note_live_data(local(170))
    locked.sent.clear()
    locked.beacon(170)
    locked.run(176)
    tally = next(message for _, message, _ in locked.sent if isinstance(message, Tally))
    assert (tally.late_frames, tally.live_data, tally.content) == (1, True, ContentState.PRESENT)
    assert tally.bound_ns is not None
    assert 0 < tally.bound_ns <= 10 * MILLISECOND


def test_frames_are_made_ready_ahead_and_noted_by_when_they_were_handed_over(locked: Board) -> None:
    follower = locked.follower
    row = FrameRow(follower)
    look = row.look(local(170))
    row.note_handed(look, local(170))
    for number in range(1, 12):
        assert look.due is not None
        assert look.due.frame is not None
        assert look.next_at is not None
        before, at = follower.frame_shown, look.next_at
        row.look_ahead(at)
        assert follower.frame_shown == before
        expected = follower.shown(at)
        ready = row.ready()
        assert ready is not None
        assert ready.due is not None
        assert (ready.due[:3], ready.next_at, ready.at) == (expected[:3], expected.next_at, at)
        assert (ready.due.frame, ready.due.is_news, ready.due.skipped) == (look.due.frame + 1, False, 0)
        assert follower.frame_shown == expected.frame
        # A fade may have gone on after a millisecond.
        assert ready.holds_until == at + MILLISECOND
        row.note_handed(ready, LocalInstant(at + number * MICROSECOND))
        assert follower.snapshot(at).frame_late_ns == number * MICROSECOND
        look = ready
    assert follower.late_frames == 0


def test_what_was_made_ready_and_never_handed_over_is_counted_as_skipped(locked: Board) -> None:
    row = FrameRow(locked.follower)
    first = row.look(local(170))
    row.note_handed(first, local(170))
    row.look_ahead(first.next_at)
    ready = row.ready()
    assert first.due is not None
    assert first.due.frame is not None
    assert ready is not None
    assert ready.next_at is not None
    late = row.look(ready.next_at)
    assert late.due is not None
    assert (late.due.frame, late.due.skipped) == (first.due.frame + 2, 1)
    # What was ready beside it is void.
    assert row.ready() is None


def test_a_look_ahead_that_comes_to_nothing_new_hands_nothing_over(locked: Board) -> None:
    row = FrameRow(locked.follower)
    first = row.look(local(170))
    row.note_handed(first, local(170))
    noted = locked.follower.snapshot(local(170)).frame_late_ns
    row.look_ahead(LocalInstant(local(170) + 1))
    ready = row.ready()
    assert ready is not None
    assert (ready.due, ready.next_at) == (None, first.next_at)
    row.note_handed(ready, LocalInstant(local(170) + 1))
    assert locked.follower.snapshot(local(170)).frame_late_ns == noted


def test_nothing_is_made_ready_that_is_yet_to_be_put_in_force(locked: Board) -> None:
    locked.beacon(170, next_cue=rolling(EMBERS, 172))
    row = FrameRow(locked.follower)
    row.note_handed(row.look(local(170)), local(170))
    for at, ready in ((local(172) - MILLISECOND, 1), (local(172) - 30 * MILLISECOND, 2), (local(172) + MILLISECOND, 0)):
        row.look_ahead(LocalInstant(at))
        assert len(list(iter(row.ready, None))) == ready
    row.look_ahead(None)
    assert row.ready() is None


def test_a_frame_handed_over_when_the_next_was_due_is_late_and_counted(locked: Board) -> None:
    follower = locked.follower
    shown = locked.shown(170)
    assert shown.frame is not None
    assert shown.next_at is not None
    follower.note_frame_shown(shown.frame, LocalInstant(shown.next_at - 1))
    assert follower.late_frames == 0
    follower.note_frame_shown(shown.frame, shown.next_at)
    assert follower.late_frames == 1
    # One that comes early, before a player's own buffer, is not late.
    follower.note_frame_shown(shown.frame + 2, shown.next_at)
    snapshot = follower.snapshot(shown.next_at)
    assert (snapshot.late_frames, snapshot.frame_shown) == (1, shown.frame + 2)
    locked.sent.clear()
    locked.beacon(170.5)
    locked.run(176)
    assert next(message for _, message, _ in locked.sent if isinstance(message, Tally)).late_frames == 1


def test_how_late_frames_come_is_told_of_the_last_hundred(locked: Board) -> None:
    follower = locked.follower
    shown = locked.shown(170)
    assert shown.frame is not None
    assert shown.next_at is not None
    begins_at = LocalInstant(shown.next_at - 25 * MILLISECOND)
    for late_ms in [9] * 5 + [1] * 94:
        follower.note_frame_shown(shown.frame, LocalInstant(begins_at + late_ms * MILLISECOND))
    for late_ms, p95_ms in ((1, 9), (2, 2)):  # of a hundred five are late; then the first of the five is forgotten
        follower.note_frame_shown(shown.frame, LocalInstant(begins_at + late_ms * MILLISECOND))
        snapshot = follower.snapshot(LocalInstant(begins_at))
        assert snapshot.frame_late_ns == pytest.approx(late_ms * MILLISECOND, abs=1_000)
        assert snapshot.frames_late_p95_ns == pytest.approx(p95_ms * MILLISECOND, abs=1_000)


def test_nothing_is_late_while_nothing_is_shown(board: Board) -> None:
    board.follower.note_frame_shown(7, local(10))
    assert board.follower.late_frames == 0


def test_a_journal_tells_what_each_of_the_last_beacons_found_and_did(make_board: Callable[..., Board]) -> None:
    board = make_board()
    board.beacon(160)
    (first,) = board.follower.journal
    assert (first.gap_ns, first.error_ns, first.remedy, first.frame) == (None, None, None, None)
    board.lead(160.5, 175)
    board.follower.note_frame_shown(3_000, local(175))
    moved = ShowLine(leader(100), ShowPosition(250 * MILLISECOND))
    at = board.beacon(175.3, cue=board.cue._replace(line=moved))
    last = board.follower.journal[-1]
    assert (last.at, last.frame, last.remedy) == (at, 3_000, Remedy.STEP)
    assert last.gap_ns == 800 * MILLISECOND  # since the beacon of 174.5 s
    assert last.offset_ns == pytest.approx(OFFSET, abs=2 * MILLISECOND)
    assert last.error_ns == pytest.approx(250 * MILLISECOND, abs=MILLISECOND)
    board.lead(176, 226)
    assert len(board.follower.journal) == LINES_KEPT
    assert board.follower.journal[-1].at == local(225.5) + DELAY


def test_lost_beacons_are_counted_by_their_serials(locked: Board) -> None:
    for number in range(1_000):
        locked.serial += number % 4 == 3  # every fifth serial is lost
        locked.beacon(170 + number / 100)
    loss = locked.follower.snapshot(local(180)).beacon_loss
    # An average over about 64 serials: a fifth, give or take what one beacon weighs.
    assert loss == pytest.approx(0.2, abs=2 / 64)


# -- the verbs themselves ---------------------------------------------------------------------------------------------


def test_asking_changes_nothing_and_early_or_repeated_timers_do_no_harm(locked: Board) -> None:
    due = locked.follower.next_timer()
    assert due is not None
    assert locked.follower.next_timer() == due
    locked.follower.handle_timer(LocalInstant(due - 1))
    assert locked.follower.next_timer() == due
    assert locked.follower.datagrams_to_send(LocalInstant(due - 1)) == []
    locked.follower.handle_timer(due)
    locked.follower.handle_timer(due)
    assert len(locked.follower.datagrams_to_send(due)) == 1
    assert locked.follower.datagrams_to_send(due) == []


def test_the_same_inputs_give_the_same_bytes(make_board: Callable[..., Board]) -> None:
    boards = make_board(), make_board()
    for board in boards:
        board.lead(160, 190)
    assert boards[0].sent == boards[1].sent
    assert boards[0].sent


def test_any_bytes_are_counted_and_harm_nothing(locked: Board) -> None:
    random = Random(20)
    good = CODEC.encode(locked._make_beacon(serial=locked.serial + 1))
    before, cue = locked.follower.clock.served, locked.follower.cue
    for number in range(3_000):
        data = random.randbytes(random.randrange(600)) if number % 2 else good[: random.randrange(len(good))]
        locked.follower.receive_datagram(data, "anybody", local(170))
    assert sum(locked.follower.counters.values()) == 3_000
    assert (locked.follower.clock.served, locked.follower.cue) == (before, cue)
    assert locked.events() == []


@pytest.mark.slow
def test_well_formed_nonsense_never_raises(make_board: Callable[..., Board], make_beacon: Maker) -> None:
    """Unkeyed, anybody can send any legal values: every verb must bear them."""
    random = Random(21)
    edge = (0, 1, (1 << 62) - 1)
    for _ in range(30):
        board = make_board()
        now = local(160)
        for _ in range(40):
            now = LocalInstant(now + random.choice((0, 1, MILLISECOND, SECOND, MINUTE)))
            states = random.choices(list(CueState), k=2)
            cues = [
                Cue(
                    random.choice((0, TIDEFALL.key, EMBERS.key, 99)),
                    state,
                    ShowLine(
                        LeaderInstant(random.choice((*edge, now))),
                        ShowPosition(random.choice(edge)),
                        random.choice((-1_000_000, 0, 1_000_000)),
                    ),
                )
                for state in states
            ]
            beacon = make_beacon(
                leader=random.choice((11, 12)),
                rank=random.randrange(128),
                tenure=random.choice((7, 8, 9)),
                timebase=random.choice((9, 10)),
                serial=random.choice((0, 1, (1 << 32) - 1, random.getrandbits(32))),
                sent_at=LeaderInstant(random.choice((*edge, now, now - OFFSET))),
                interval_ns=random.choice((10, 500, 65_535)) * MILLISECOND,
                sounding_budget=random.choice((0, 255)),
                group_size=random.choice((0, 65_535)),
                off_at=random.choice((None, LeaderInstant(0), LeaderInstant((now // MILLISECOND) * MILLISECOND))),
                marker=random.choice((None, board.follower.identity)),
                cue=cues[0],
                next_cue=random.choice((None, cues[1])),
            )
            board.follower.receive_datagram(CODEC.encode(beacon), "x", now)
            board.follower.handle_timer(now)
            board.collect(now, answering=False)
            board.follower.shown(now)
            board.follower.snapshot(now)
            board.follower.next_timer()


@pytest.mark.parametrize(
    "wrong",
    [
        {"name": ""},
        {"name": "a" * 25},
        {"name": "tab\t"},
        {"latency_ns": -1},
        {"latency_ns": SECOND + 1},
        {"trim_ns": 10 * SECOND + 1},
        {"radio": 65_536},
        {"silent_intervals": 1},
        {"holdover_cap_ns": -1},
        {"tally_interval_ns": 99 * MILLISECOND},
    ],
)
def test_settings_that_make_no_sense_are_refused(wrong: dict[str, Any]) -> None:
    with pytest.raises(ConfigurationError):
        FollowerSettings(**({"name": "jetty"} | wrong))


# -- what the crowd would see -----------------------------------------------------------------------------------------


def watch(board: Board, since: float, until: float) -> list[tuple[float, int | None]]:
    """The frame at every five milliseconds, without moving the board."""
    return [(at, board.shown(at).frame) for at in (since + step / 200 for step in range(round((until - since) * 200)))]


def backward_moves(seen: list[tuple[float, int | None]]) -> list[float]:
    return [
        at
        for (_, before), (at, after) in pairwise(seen)
        if before is not None and after is not None and after < before
    ]


@pytest.mark.parametrize("what", ["the show line", "the sending instant"])
def test_hunting_between_two_times_steps_at_most_once_in_two_seconds(locked: Board, what: str) -> None:
    seen: list[tuple[float, int | None]] = []
    for tenth in range(100):
        at, swing_ns = 170 + tenth / 10, (-1) ** tenth * 250 * MILLISECOND
        locked.run(at)
        if what == "the show line":
            line = ShowLine(leader(100), ShowPosition(swing_ns + SECOND))
            locked.beacon(at, cue=locked.cue._replace(line=line))
        else:
            locked.beacon(at, sent_at=LeaderInstant(leader(at) + swing_ns))
        seen += watch(locked, at + 0.002, at + 0.1)
    steps = [event.at for event in locked.told(events.Stepped)]
    back = backward_moves(seen)
    assert all(later - earlier >= 2 * SECOND for earlier, later in pairwise(steps))
    assert all(later - earlier >= 2 for earlier, later in pairwise(back))
    assert len(back) <= len(steps)
    assert all(frame is not None for _, frame in seen)


def test_a_third_of_beacons_lost_leaves_no_frame_blank_and_none_out_of_order(make_board: Callable[..., Board]) -> None:
    board = make_board()
    board.lead(160, 170, interval_ns=SECOND)
    random = Random(1)
    seen: list[tuple[float, int | None]] = []
    for second in range(170, 230):
        board.run(second)
        if random.random() < 0.3:
            board.serial += 1
        else:
            board.beacon(second, interval_ns=SECOND)
        seen += watch(board, second + 0.002, second + 1)
    assert all(frame is not None for _, frame in seen)
    assert backward_moves(seen) == []


@pytest.mark.parametrize("is_marked", [True, False])
def test_a_step_waits_for_frames_marked_as_still_and_then_nothing_dims(
    is_marked: bool, make_board: Callable[..., Board]
) -> None:
    # The show began at 100 s by the leader's clock: its frames 3000 to 3040 are those of 175 s to 176 s.
    board = make_board(stills=(Still(3000, 3040),) if is_marked else ())
    board.lead(160, 174.5)
    board.events()
    moved = ShowLine(leader(100), ShowPosition(250 * MILLISECOND))
    board.beacon(174.5, cue=board.cue._replace(line=moved))
    levels = [board.shown(174.5 + step / 200).level for step in range(1, 80)]
    board.run(175.25)
    (step,) = board.told(events.Stepped)
    levels += [board.shown(175.25 + step / 200).level for step in range(1, 80)]
    if is_marked:
        # As well as it knows the leader's clock.
        assert abs(step.at - local(175)) < 3 * MILLISECOND
        # Slewed at 2 % for the half second until then.
        assert step.shift_ns == pytest.approx(240 * MILLISECOND, abs=MILLISECOND)
        assert set(levels) == {1.0}
    else:
        assert step.at == local(174.5) + DELAY
        assert step.shift_ns == pytest.approx(250 * MILLISECOND, abs=MILLISECOND)
        # In a group without a key a jump that is seen comes in softly.
        assert min(levels) < 0.02
    assert board.shown(175.51).frame == 3030


def test_a_step_that_waited_is_made_by_a_timer_that_is_late_too(make_board: Callable[..., Board]) -> None:
    board = make_board(stills=(Still(3000, 3040),))
    board.lead(160, 174.5)
    board.beacon(174.5, cue=board.cue._replace(line=ShowLine(leader(100), ShowPosition(250 * MILLISECOND))))
    board.run(174.98)
    board.events()
    board.follower.handle_timer(local(175.2))
    assert [event.at for event in board.told(events.Stepped)] == [local(175.2)]


def test_a_hold_is_told_once_when_it_begins(make_board: Callable[..., Board]) -> None:
    board = make_board(recovery=HoldRecovery())
    board.lead(160, 170)
    board.events()
    board.cue = board.cue._replace(line=ShowLine(leader(100.9), ShowPosition(0)))
    at = board.beacon(170)
    board.lead(170.5, 173)
    (held,) = board.events()
    assert type(held) is events.Held
    assert held.at == at
    assert held.ahead_ns == pytest.approx(900 * MILLISECOND, abs=3 * MILLISECOND)


@pytest.mark.parametrize(("after_ms", "frame", "error_ms"), [(10, 3_000, 10), (15, 3_001, -10), (26, 3_001, 1)])
def test_a_loop_with_ticks_of_its_own_is_given_the_frame_that_begins_nearest(
    locked: Board, after_ms: int, frame: int, error_ms: int
) -> None:
    locked.lead(170, 175)
    tick = locked.follower.shown_at_tick(LocalInstant(local(175) + after_ms * MILLISECOND))
    assert (tick.frame, tick.level) == (frame, 1.0)
    assert tick.error_ns == pytest.approx(error_ms * MILLISECOND, abs=2 * MILLISECOND)


def test_at_a_tick_a_picture_that_stands_is_in_its_time(locked: Board) -> None:
    locked.cue = paused(TIDEFALL, 170, 70.01)
    locked.lead(170, 175)
    tick = locked.follower.shown_at_tick(local(175))
    assert (tick.frame, tick.level, tick.error_ns) == (2_800, 1.0, 0)


def test_what_a_leader_no_longer_answers_is_not_held_against_it(board: Board) -> None:
    board.lead(160, 165, answering=False)
    assert board.follower.never_answered
    board.beacon(165, sounding_budget=0)
    assert not board.follower.never_answered


def test_the_answer_that_proves_a_leader_brings_its_cookie(make_board: Callable[..., Board]) -> None:
    board = make_board(codec=KEYED)
    board.lead(160, 165)
    first, *others = [message for _, message, _ in board.sent if isinstance(message, Sounding)]
    assert first.cookie is None
    assert {message.cookie for message in others} == {5}


def test_a_fade_in_is_over_when_it_was_to_be_whatever_else_is_cued(make_board: Callable[..., Board]) -> None:
    board = make_board(codec=KEYED)
    board.lead(160, 170)
    board.lead(170, 175, cue=stopped(TIDEFALL, 170))
    at = board.beacon(175, cue=rolling(TIDEFALL, 175))
    board.beacon(175.25, cue=paused(TIDEFALL, 175.25, 0.2))
    assert 0.4 < board.shown(175.26).level < 0.6
    assert board.follower.shown(LocalInstant(at + RETURN_FADE_NS)).level == 1.0


def test_what_begins_stopped_comes_in_from_the_dark(make_board: Callable[..., Board]) -> None:
    board = make_board(codec=KEYED)
    board.lead(160, 160.5, cue=stopped(TIDEFALL, 160))
    board.beacon(160.5, cue=rolling(TIDEFALL, 160.5))
    assert 0.0 < board.shown(160.51).level < 0.1


def test_a_packet_that_comes_before_a_late_timer_puts_the_cue_in_force(locked: Board) -> None:
    coming = paused(TIDEFALL, 172, 10)
    locked.beacon(170, next_cue=coming)
    locked.run(171)
    at = locked.beacon(172.5, next_cue=coming)
    assert locked.follower.cue == coming
    assert [event.at for event in locked.told(events.CueAdopted)] == [at]


# -- what a group without a key allows --------------------------------------------------------------------------------


def changes(board: Board) -> list[LocalInstant]:
    return [event.at for event in board.events() if isinstance(event, events.CueAdopted | events.Stepped)]


@pytest.mark.parametrize(
    "cues",
    [
        # Shows, states, places in one show, and pictures of a standing one: each a change in every beacon.
        (rolling(TIDEFALL, 100), rolling(EMBERS, 100)),
        (rolling(TIDEFALL, 100), dark_cue(leader(100))),
        (rolling(TIDEFALL, 100), paused(TIDEFALL, 100, 3)),
        (rolling(TIDEFALL, 100), rolling(TIDEFALL, 100, 30)),
        (paused(TIDEFALL, 100, 3), paused(TIDEFALL, 100, 3.5)),
    ],
)
def test_without_a_key_nothing_changes_more_often_than_every_two_seconds(locked: Board, cues: tuple[Cue, Cue]) -> None:
    for number in range(200):
        locked.cue = cues[number % 2]
        locked.run(170 + number / 10)
        locked.beacon(170 + number / 10)
    told = changes(locked)
    assert 5 <= len(told) <= 11
    assert all(later - earlier >= UNKEYED_SPACING_NS for earlier, later in pairwise(told))


def test_without_a_key_a_change_comes_in_over_half_a_second(locked: Board) -> None:
    locked.cue = rolling(EMBERS, 150)
    at = locked.beacon(170)
    levels = [locked.follower.shown(LocalInstant(at + part * RETURN_FADE_NS // 4)).level for part in range(5)]
    assert levels == [0.0, 0.25, 0.5, 0.75, 1.0]
    assert RETURN_FADE_NS == SECOND // 2


def test_without_a_key_dark_comes_over_half_a_second(locked: Board) -> None:
    locked.cue = dark_cue(leader(170))
    at = locked.beacon(170)
    levels = [locked.follower.shown(LocalInstant(at + part * RETURN_FADE_NS // 4)).level for part in range(5)]
    assert levels == [1.0, 0.75, 0.5, 0.25, 0.0]


def test_a_change_that_had_to_wait_comes_in_the_end_though_nothing_more_is_heard(locked: Board) -> None:
    locked.cue = rolling(EMBERS, 150)
    at = locked.beacon(170)
    locked.cue = rolling(TIDEFALL, 100)
    locked.beacon(170.1)
    locked.run(171.9)
    assert locked.follower.cue.show == EMBERS.key
    locked.run(172.1)
    assert changes(locked) == [at, at + UNKEYED_SPACING_NS]
    assert locked.follower.cue == locked.cue


def test_a_stop_never_waits(locked: Board) -> None:
    for number in range(6):
        at = 170 + number / 10
        locked.cue = stopped(TIDEFALL, at) if number % 2 else rolling((TIDEFALL, EMBERS)[number // 2 % 2], at)
        received_at = locked.beacon(at)
        if number % 2:
            assert locked.follower.cue == locked.cue
            # Wherever the level was, it only ever falls from here.
            tenths = [LocalInstant(received_at + part * SECOND // 10) for part in range(11)]
            levels = [locked.follower.shown(now).level for now in tenths]
            assert levels == sorted(levels, reverse=True)
            assert levels[-1] == 0.0


# -- copies -----------------------------------------------------------------------------------------------------------


class Spy(EdgeFilter):
    """The default estimator, which notes what it is fed."""

    fed: list[str]

    def __init__(self, bound: CausalityBound) -> None:
        super().__init__(bound)
        self.fed = []

    def observe_beacon(self, sent_at: LeaderInstant, received_at: LocalInstant) -> None:
        self.fed.append("beacon")
        super().observe_beacon(sent_at, received_at)

    def observe_copy(self, sent_at: LeaderInstant, received_at: LocalInstant) -> None:
        self.fed.append("copy")
        super().observe_copy(sent_at, received_at)


@pytest.mark.interpreted
def test_copies_feed_the_other_edge_and_never_the_group(make_board: Callable[..., Board]) -> None:
    board = make_board(clock=ClockSettings(estimator=Spy))
    for number in range(8):
        board.beacon(160 + number / 2, is_copy=True)
    spy = board.follower.clock.uncorrected
    assert isinstance(spy, Spy)
    assert spy.fed == ["copy"] * 8
    assert board.follower.clock.shared_delay.reports(1) == ()
    board.beacon(164)
    serial = board.serial
    board.beacon(164, serial=serial, is_copy=True)  # the same beacon's copy, later
    assert spy.fed == ["copy"] * 8 + ["beacon", "copy"]
    board.beacon(164, serial=serial)  # and each of the two once more
    board.beacon(164, serial=serial, is_copy=True)
    assert spy.fed == ["copy"] * 8 + ["beacon", "copy"]
    assert board.follower.counters["duplicate"] == 2


@pytest.mark.interpreted
def test_a_beacon_that_its_copy_outran_is_still_a_sample_a_delay_and_a_turn(make_board: Callable[..., Board]) -> None:
    board = make_board(clock=ClockSettings(estimator=Spy))
    board.lead(160, 168)
    spy = board.follower.clock.uncorrected
    assert isinstance(spy, Spy)
    spy.fed.clear()
    board.sent.clear()
    marker = board.follower.identity
    board.beacon(169, marker=marker, is_copy=True)
    cue, serial = board.follower.cue_told, board.serial
    board.beacon(169, serial=serial, marker=marker, delay_ns=5 * DELAY, cue=rolling(EMBERS, 170))
    assert spy.fed == ["copy", "beacon"]
    assert board.follower.cue_told == cue != rolling(EMBERS, 170)  # what it says is old news
    assert serial in {report.serial for report in board.follower.clock.shared_delay.reports(1)}
    turns = [message.turn for _, message, _ in board.sent if isinstance(message, Tally) and message.turn is not None]
    assert turns == [serial]
    assert board.follower.counters == {}


@pytest.mark.interpreted
def test_a_beacon_held_back_until_after_the_next_copy_is_still_a_sample(make_board: Callable[..., Board]) -> None:
    board = make_board(clock=ClockSettings(estimator=Spy))
    board.lead(160, 168)
    spy = board.follower.clock.uncorrected
    assert isinstance(spy, Spy)
    spy.fed.clear()
    board.beacon(169, is_copy=True)
    board.beacon(169.1, is_copy=True)
    serial = board.serial
    board.beacon(169, serial=serial - 1, delay_ns=200 * DELAY)
    board.beacon(169.1, serial=serial, delay_ns=200 * DELAY)
    assert spy.fed == ["copy", "copy", "beacon", "beacon"]
    board.beacon(169, serial=serial - 1, delay_ns=210 * DELAY)
    assert spy.fed == ["copy", "copy", "beacon", "beacon"]
    assert board.follower.counters == {"late beacon": 1}


def test_silence_is_told_as_loss(locked: Board) -> None:
    locked.sent.clear()
    locked.run(210)
    told = [message.beacon_loss_permille for _, message, _ in locked.sent if isinstance(message, Tally)]
    assert told == sorted(told)
    assert told[0] == 0
    # The 20 heard before, and since then forty seconds of half a second each but the one that may be under way.
    assert told[-1] > 700


def test_a_node_that_lights_nothing_tells_of_no_content(make_board: Callable[..., Board]) -> None:
    board = make_board(lights=False)
    board.cue = board.cue._replace(show=12_345)
    board.lead(160, 172)
    told = {message.content for _, message, _ in board.sent if isinstance(message, Tally)}
    assert told == {ContentState.UNKNOWN}


def test_a_tally_heard_twice_gives_its_mark_all_the_same(locked: Board, make_tally: Maker) -> None:
    tally = make_tally(follower=99, turn=locked.serial, tenure=7)
    locked.hear(tally, local(170))
    locked.hear(tally, LocalInstant(local(170) + MILLISECOND))
    assert locked.follower.clock.common_view._heard[locked.serial] == local(170)
    assert locked.follower.counters["repeated tally"] == 1


def test_a_late_packet_proves_the_leader_alive_when_it_was_sent(locked: Board) -> None:
    at = 170
    arrived_at = locked.beacon(at, delay_ns=700 * MILLISECOND)
    assert locked.follower.heard_at == arrived_at
    assert locked.follower.snapshot(local(171)).beacon_age_ns == local(171) - arrived_at
    assert locked.follower.alive_at == pytest.approx(local(at), abs=MILLISECOND)
    locked.run(at + 30, answering=False)  # nothing more comes: holdover does not change when that was
    assert locked.follower.clock.state is ClockState.HOLDOVER
    assert locked.follower.alive_at == pytest.approx(local(at), abs=MILLISECOND)


def test_without_a_lock_the_leader_was_alive_when_it_was_heard(board: Board) -> None:
    assert board.follower.alive_at is None
    assert board.follower.snapshot(local(160)).beacon_age_ns is None
    arrived_at = board.beacon(160, delay_ns=700 * MILLISECOND)
    assert board.follower.alive_at == arrived_at


@pytest.mark.parametrize("soundings", [True, False])
def test_after_a_short_suspension_it_asks_anew_at_once(make_board: Callable[..., Board], soundings: bool) -> None:
    board = make_board(soundings=soundings)
    board.lead(160, 170)
    board.sent.clear()
    board.follower.note_resumed(local(170.1))
    assert board.follower.counters["host resumed"] == 1
    board.run(170.4)
    assert (Sounding in {type(message) for _, message, _ in board.sent}) == soundings


def test_after_suspension_the_clock_begins_anew_and_the_show_goes_on(locked: Board) -> None:
    # The host slept for a minute, and its clock was set right afterwards, to 30 ms or so: nothing from before counts.
    locked.follower.note_resumed(local(230))
    assert [type(event) for event in locked.events()] == [events.LockLost]
    assert locked.follower.snapshot(local(230)).clock is ClockState.ACQUIRING
    assert locked.follower.clock.served is None
    assert locked.shown(230.0125).frame == 5_200  # by the plan, from the line's hundredth second on
    before = len(locked.sent)
    locked.run(231)
    burst = [now for now, message, _ in locked.sent[before:] if isinstance(message, Sounding)]
    assert len(burst) >= 5
    # It was not the leader that was away.
    assert [type(event) for event in locked.events()] == [events.LockAcquired]
    estimate = locked.follower.clock.uncorrected.estimate()
    assert estimate is not None
    assert estimate.at >= local(230)
    assert backward_moves([(230, locked.shown(230.5).frame), (231, locked.shown(231).frame)]) == []


@pytest.mark.parametrize(
    ("before", "after"),
    [(rolling(TIDEFALL, 162), rolling(EMBERS, 175)), (paused(TIDEFALL, 162, 10), rolling(TIDEFALL, 175, 10))],
    ids=["another show", "the end of a pause"],
)
def test_who_slept_through_a_change_makes_it_when_its_clock_is_known_and_all_at_once(
    locked: Board, before: Cue, after: Cue
) -> None:
    board = locked
    board.cue = before
    board.lead(162, 165, next_cue=after)
    board.events()
    was = board.shown(165)
    board.follower.note_resumed(local(175.3))
    board.follower.handle_timer(local(175.3))
    assert board.follower.cue == before
    assert board.shown(175.3).show == was.show
    # Its Sounding is answered.
    board.collect(local(175.3))
    assert board.follower.cue == after
    board.cue = after
    board.lead(175.5, 184)
    line = after.line
    assert board.shown(184.0125).frame == (line.position + 9 * SECOND) * 40 // SECOND
    told = [type(event) for event in board.events()]
    assert told == [events.LockLost, events.LockAcquired, events.CueAdopted]


def test_who_slept_through_the_off_time_goes_dark_though_nobody_is_heard_any_more(locked: Board) -> None:
    locked.lead(162, 165, off_at=leader(175))
    locked.follower.note_resumed(local(176))
    locked.run(180, answering=False)
    assert len(locked.told(events.OffTimeReached)) == 1
    assert locked.shown(180).frame is None


def test_a_host_that_slept_before_anybody_was_heard_has_nothing_to_forget(board: Board) -> None:
    board.follower.note_resumed(local(100))
    assert board.events() == []
    assert board.follower.next_timer() is None
