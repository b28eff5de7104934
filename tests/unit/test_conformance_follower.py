"""What the specification asks of a follower, where no other test does: by hand-stepped time.

The leader's clock is five seconds behind the follower's, and packets take a millisecond.
"""

from __future__ import annotations

from collections.abc import Callable
from itertools import pairwise
from random import Random
from typing import Any

import pytest

from leadlight import events
from leadlight.addresses import GROUP
from leadlight.clock import CausalityBound, FollowerClock
from leadlight.clock.bound import CONTINUED_WITHIN_NS, DECLARED_DRIFT, UNPROVEN
from leadlight.clock.common_view import HEARD_KEPT
from leadlight.clock.edge_filter import NOISE_MINIMUM
from leadlight.clock.estimator import Exchange
from leadlight.cue import Cue, FrameRate, ShowLine
from leadlight.follower.exchange import SPACING_SPREAD, STEADY_INTERVAL_NS
from leadlight.follower.follower import Follower
from leadlight.follower.settings import FollowerSettings
from leadlight.follower.tallies import NEWS_PER_SECOND, TALLIES_PER_SECOND, TALLY_SOON_NS
from leadlight.playback.content import StoredShow
from leadlight.playback.fader import RETURN_FADE_NS
from leadlight.playback.stage import UNKEYED_SPACING_NS
from leadlight.terms import ClockState, CueState
from leadlight.units import MILLISECOND, SECOND, LeaderInstant, LocalInstant, ShowPosition
from leadlight.wire.codec import Codec
from leadlight.wire.messages import Message, SharedDelay, Sounding, Tally
from leadlight.wire.tags import KeyRing

Maker = Callable[..., Any]

PLAIN = Codec("Quarry Lake")
KEYED = Codec("Quarry Lake", KeyRing({1: bytes(range(32))}))
OFFSET = 5 * SECOND
DELAY = MILLISECOND
INTERVAL = 500 * MILLISECOND
TIDEFALL = StoredShow("Tidefall", FrameRate(40), 192 * 40)
EMBERS = StoredShow("Embers", FrameRate(40), 245 * 40)


def leader(seconds: float) -> LeaderInstant:
    return LeaderInstant(round(seconds * SECOND))


def local(seconds: float) -> LocalInstant:
    """The follower's clock when the leader's shows `seconds`."""
    return LocalInstant(round(seconds * SECOND) + OFFSET)


def cue_of(state: CueState, since: float, show: StoredShow = TIDEFALL) -> Cue:
    return Cue(show.key, state, ShowLine(leader(since), ShowPosition(0)))


class Talk:
    """A follower, and the leader's half of the conversation."""

    def __init__(self, make_beacon: Maker, make_echo: Maker, codec: Codec = PLAIN, **settings: Any) -> None:
        self.codec = codec
        self.follower = Follower(FollowerSettings("jetty", **settings), codec, Random(3), [TIDEFALL, EMBERS])
        self._make_beacon = make_beacon
        self._make_echo = make_echo
        self.serial = 1_000
        self.cue = cue_of(CueState.ROLLING, 90)
        self.answering = True
        self.sent: list[tuple[LocalInstant, Message, Any]] = []

    def beacon(self, seconds: float, source: str = "boathouse", **changes: Any) -> None:
        self.serial += 1
        plain = {"serial": self.serial, "sent_at": leader(seconds), "interval_ns": INTERVAL, "cue": self.cue}
        self.hear(self._make_beacon(**(plain | changes)), LocalInstant(local(seconds) + DELAY), source)

    def hear(self, message: Message, received_at: LocalInstant, source: str = "boathouse") -> None:
        self.follower.receive_datagram(self.codec.encode(message), source, received_at)
        self.collect(received_at)

    def collect(self, now: LocalInstant) -> None:
        for data, to in self.follower.datagrams_to_send(now):
            message = self.codec.decode(data)
            self.sent.append((now, message, to))
            if isinstance(message, Sounding) and self.answering:
                self.answer(message, now)

    def answer(self, sounding: Sounding, now: LocalInstant, **changes: Any) -> None:
        there = LeaderInstant(now + DELAY - OFFSET)
        plain = {"nonce": sounding.nonce, "tenure": sounding.tenure or 7, "received_at": there, "sent_at": there}
        self.hear(self._make_echo(**(plain | changes)), LocalInstant(now + 2 * DELAY))

    def run(self, until: float) -> None:
        while (due := self.follower.next_timer()) is not None and due <= local(until):
            self.follower.handle_timer(due)
            self.collect(due)

    def lead(self, since: float, until: float, **changes: Any) -> None:
        for number in range(round((until - since) * SECOND) // INTERVAL):
            at = since + number * INTERVAL / SECOND
            self.run(at)
            self.beacon(at, **changes)
        self.run(until)

    def soundings(self) -> list[tuple[LocalInstant, Sounding, Any]]:
        return [(now, message, to) for now, message, to in self.sent if isinstance(message, Sounding)]

    def tallies(self) -> list[tuple[LocalInstant, Tally, Any]]:
        return [(now, message, to) for now, message, to in self.sent if isinstance(message, Tally)]

    def events(self) -> list[Any]:
        return list(iter(self.follower.next_event, None))


@pytest.fixture
def make_talk(make_beacon: Maker, make_echo: Maker) -> Callable[..., Talk]:
    return lambda **settings: Talk(make_beacon, make_echo, **settings)


# -- section 3 ---------------------------------------------------------------------------------------------------------


def test_a_level_0_follower_of_a_keyed_group_follows_by_beacons_alone_and_says_that_it_trusts(make_talk: Maker) -> None:
    talk = make_talk(codec=KEYED, soundings=False)
    talk.lead(100, 130)
    assert talk.follower.tenure == 7
    assert talk.follower.shown(local(120)).frame is not None
    assert talk.soundings() == []
    assert talk.tallies()
    assert all(tally.unverified for _, tally, _ in talk.tallies())


def test_a_level_2_follower_sounds_and_reports_to_the_leader_and_is_not_unverified(make_talk: Maker) -> None:
    talk = make_talk(codec=KEYED)
    talk.lead(100, 130)
    assert talk.soundings()
    assert {to for _, _, to in talk.sent} == {"boathouse"}
    assert talk.tallies()
    assert not any(tally.unverified for _, tally, _ in talk.tallies())


# -- section 11 --------------------------------------------------------------------------------------------------------


def test_with_a_key_nothing_is_followed_before_a_fresh_nonce_has_come_back(make_talk: Maker) -> None:
    talk = make_talk(codec=KEYED)
    talk.answering = False
    talk.lead(100, 110)
    assert talk.follower.tenure is None
    assert talk.follower.clock.state is ClockState.FREE_RUN
    challenges = talk.soundings()
    assert {(sounding.tenure, sounding.cookie, sounding.delays) for _, sounding, _ in challenges} == {(7, None, ())}
    assert len({sounding.nonce for _, sounding, _ in challenges}) == len(challenges) == 20
    now, last, _ = challenges[-1]
    talk.answer(last, now, nonce=last.nonce ^ 1)
    assert talk.follower.tenure is None
    talk.answer(last, now)
    assert talk.follower.tenure == 7


def test_who_was_proven_last_is_taken_with_its_own_arrival(make_talk: Maker) -> None:
    talk = make_talk(codec=KEYED)
    talk.answering = False
    talk.beacon(100)
    (now, challenge, to), *_ = talk.soundings()
    assert to == "boathouse"
    talk.answer(challenge, LocalInstant(now + 100 * MILLISECOND))
    assert talk.follower.heard_at == local(100) + DELAY


def test_an_honest_answer_counts_though_beacons_come_faster_than_answers(make_talk: Maker) -> None:
    talk = make_talk(codec=KEYED)
    talk.answering = False
    for step in range(6):  # a beacon and a challenge every quarter of a second, and answers that take a second
        talk.beacon(100 + step / 4)
        if step == 4:
            (asked, challenge, _), *_ = talk.soundings()
            assert len(talk.soundings()) == 5
            talk.answer(challenge, LocalInstant(asked + SECOND))
    assert talk.follower.tenure == 7


def test_after_holdovers_end_a_new_tenure_is_challenged_and_nothing_else_sent_until_it_is_proven(
    make_talk: Maker,
) -> None:
    talk = make_talk(codec=KEYED, holdover_cap_ns=10 * SECOND)
    talk.lead(100, 110)
    talk.run(130)
    sent = len(talk.sent)
    talk.answering = False
    talk.lead(130, 135, tenure=8)
    assert {(type(message), message.tenure) for _, message, _ in talk.sent[sent:]} == {(Sounding, 8)}
    talk.answering = True
    talk.lead(135, 145, tenure=8)
    assert talk.follower.tenure == 8
    assert {type(message) for _, message, _ in talk.sent[sent:]} == {Sounding, Tally}


def test_soundings_and_tallies_go_to_the_source_of_the_last_beacon(make_talk: Maker) -> None:
    talk = make_talk()
    talk.lead(100, 110)
    sent = len(talk.sent)
    talk.lead(110, 140, source="boathouse, moved")
    destinations = {to for now, _, to in talk.sent[sent:] if now > local(110.1)}
    assert destinations == {"boathouse, moved"}


# -- section 12 --------------------------------------------------------------------------------------------------------


def test_a_continued_timebase_ends_every_proof_and_keeps_the_clock() -> None:
    clock = FollowerClock()
    now = local(100)
    clock.observe_exchange(Exchange(now, leader(100.001), leader(100.001), LocalInstant(now + 2 * DELAY)))
    at = LocalInstant(now + 2 * DELAY)
    served = clock.served
    clock.continue_timebase()
    assert clock.bound.interval_ns(at) == (-UNPROVEN, UNPROVEN)
    assert clock.served == served


def test_what_was_proven_before_a_timebase_was_continued_limits_the_judgement_until_the_next_exchange() -> None:
    clock = FollowerClock()
    now = local(100)
    clock.observe_exchange(Exchange(now, leader(100.001), leader(100.001), LocalInstant(now + 2 * DELAY)))
    at = LocalInstant(now + 2 * DELAY)
    proven_ns = clock.bounds(at).causality_ns
    assert proven_ns is not None
    for times in (1, 2):  # whoever leads on, and again another before anybody has answered
        clock.continue_timebase()
        assert clock.bounds(at) == (None, proven_ns + times * CONTINUED_WITHIN_NS)
    again = LocalInstant(now + SECOND)
    clock.observe_exchange(Exchange(again, leader(101.001), leader(101.001), LocalInstant(again + 4 * DELAY)))
    causality_ns, statistical_ns = clock.bounds(LocalInstant(again + 4 * DELAY))
    assert causality_ns == statistical_ns


def test_a_continued_timebase_ends_the_proofs_of_a_clock_that_rests_on_beacons_alone(make_beacon: Maker) -> None:
    clock = FollowerClock()
    clock.observe_beacon(make_beacon(sent_at=leader(100)), LocalInstant(local(100) + DELAY), None)
    at = LocalInstant(local(101) + DELAY)
    served = clock.served
    clock.continue_timebase()
    assert clock.bound.upper_ns == UNPROVEN
    assert clock.served == served
    # The new leader took the old one's clock to be 3 ms behind what it was: no proof of the old one's says otherwise.
    sent_at = LeaderInstant(leader(101) - 3 * MILLISECOND)
    clock.observe_beacon(make_beacon(sent_at=sent_at, tenure=8), at, None)
    assert clock.bound.interval_ns(at)[1] == at - sent_at


def test_a_new_tenure_of_the_same_leader_in_one_timebase_ends_the_proofs_too(make_talk: Maker) -> None:
    talk = make_talk()
    talk.lead(100, 110)
    talk.answering = False
    at = LocalInstant(local(110) + DELAY)
    talk.beacon(110, tenure=8)
    assert talk.follower.tenure == 8
    # What this very beacon proves is all that is proven.
    assert talk.follower.clock.bound.interval_ns(at) == (-UNPROVEN, at - leader(110))


# -- section 13 --------------------------------------------------------------------------------------------------------


# In the burst; while the spacing grows; and when it has grown to the steady one.
@pytest.mark.parametrize("until", [100.5, 102, 140, 320])
def test_a_lost_leader_is_still_sounded_now_and_then(until: float, make_talk: Maker) -> None:
    talk = make_talk()
    talk.lead(100, until)
    talk.answering = False
    sent = len(talk.sent)
    talk.run(until + 100)
    lost_at = until - 0.5 + 5 * INTERVAL / SECOND
    asked = [now for now, message, _ in talk.sent[sent:] if isinstance(message, Sounding) and now > local(lost_at)]
    gaps = [later - sooner for sooner, later in pairwise(asked)]
    assert len(asked) > 10
    assert min(gaps) >= (1 - SPACING_SPREAD) * STEADY_INTERVAL_NS


def test_a_leader_lost_early_and_back_again_is_sounded_as_fast_as_before(make_talk: Maker) -> None:
    talk = make_talk()
    talk.lead(100, 100.5)
    talk.run(160)
    sent = len(talk.soundings())
    talk.lead(160, 165)
    assert len(talk.soundings()) - sent >= 15  # the steady interval allows two


def test_within_a_budget_of_0_a_new_tenure_is_challenged_and_nothing_else_sounded(make_talk: Maker) -> None:
    talk = make_talk(codec=KEYED)
    talk.lead(100, 160, sounding_budget=0)
    talk.run(200)  # nor while the leader is lost
    assert [(sounding.tenure, sounding.delays) for _, sounding, _ in talk.soundings()] == [(7, ())]
    assert talk.follower.tenure == 7
    assert talk.tallies()
    talk.lead(200, 210, sounding_budget=60)
    assert len(talk.soundings()) > 16


def test_a_cookie_is_returned_only_within_the_tenure_that_gave_it(make_talk: Maker) -> None:
    talk = make_talk()
    talk.lead(100, 110)
    assert talk.soundings()[0][1].cookie is None
    assert talk.soundings()[-1][1].cookie == 5
    sent = len(talk.sent)
    talk.answering = False
    talk.lead(110, 120, tenure=8)
    after = [message.cookie for _, message, _ in talk.sent[sent:] if isinstance(message, Sounding)]
    assert after
    assert set(after) == {None}


def test_an_echo_of_an_impossible_turnaround_or_another_timebase_moves_no_clock(make_talk: Maker) -> None:
    talk = make_talk()
    talk.answering = False
    talk.lead(100, 101)
    for changes in (
        {"sent_at": leader(104)},  # kept for longer than it was away
        {"timebase": 10},
        {"tenure": 8},
    ):
        now, sounding, _ = talk.soundings()[-1]
        before = talk.follower.clock.bound.lower_ns
        talk.answer(sounding, now, **changes)
        assert talk.follower.clock.bound.lower_ns == before
        talk.lead(101, 102)


# -- section 14 --------------------------------------------------------------------------------------------------------


def test_who_hears_no_group_asks_a_known_address_with_tenure_0_and_keeps_the_cookie(make_talk: Maker) -> None:
    talk = make_talk()
    talk.follower.ask("boathouse", local(100))
    talk.run(110)
    soundings = talk.soundings()
    assert {to for _, _, to in soundings} == {"boathouse"}
    assert {sounding.tenure for _, sounding, _ in soundings} == {0}
    assert soundings[0][1].cookie is None
    assert soundings[-1][1].cookie == 5
    assert talk.follower.tenure is None


def test_a_copy_leads_like_a_beacon(make_talk: Maker) -> None:
    talk = make_talk()
    talk.lead(100, 130, is_copy=True, marker=talk.follower.identity)
    assert talk.follower.clock.state is ClockState.LOCKED
    assert talk.follower.cue == talk.cue
    assert not [to for _, _, to in talk.sent if to is GROUP]
    assert talk.tallies()[-1][1].beacon_loss_permille == 1000


# -- section 15 --------------------------------------------------------------------------------------------------------


def test_news_is_told_within_a_fifth_of_a_second(make_talk: Maker) -> None:
    talk = make_talk()
    talk.lead(100, 110)
    for number, cue in enumerate((cue_of(CueState.ROLLING, 90, EMBERS), cue_of(CueState.DARK, 111))):
        now = 110 + 3 * number
        talk.cue = cue
        sent = len(talk.tallies())
        talk.beacon(now)
        talk.run(now + (DELAY + TALLY_SOON_NS) / SECOND)
        told = talk.tallies()[sent:]
        assert [(tally.cue_state, tally.turn) for _, tally, _ in told] == [(cue.state, None)]
        talk.lead(now + 0.5, now + 3)


def first_tallies(make_beacon: Maker, *tenures: int) -> list[float]:
    """When each of 512 followers first reports after the last of some beacons, a second apart, in seconds."""
    told = []
    for number in range(512):
        follower = Follower(FollowerSettings(f"board {number}", soundings=False), PLAIN, Random(number))
        for step, tenure in enumerate(tenures):
            plain = {"tenure": tenure, "serial": step, "sent_at": leader(100 + step), "interval_ns": INTERVAL}
            beacon = make_beacon(group_size=512, **plain)
            heard_at = LocalInstant(local(100 + step) + DELAY)
            follower.receive_datagram(PLAIN.encode(beacon), "boathouse", heard_at)
        while not follower.datagrams_to_send(now := follower.next_timer() or heard_at):
            follower.handle_timer(now)
        told.append((now - heard_at) / SECOND)
    return sorted(told)


def busiest_second(instants: list[float]) -> int:
    return max(sum(begin <= instant < begin + 1 for instant in instants) for begin in instants)


def test_a_large_group_whose_leader_begins_anew_reports_at_the_rate_that_all_share(make_beacon: Maker) -> None:
    told = first_tallies(make_beacon, *[7] * 8, 8)  # by the eighth each shows what it can: no more news
    assert told[0] < 1
    assert 41 < told[-1] < 512 / TALLIES_PER_SECOND
    assert busiest_second(told) < 2 * TALLIES_PER_SECOND  # of a Poisson count of mean 12: less than one in a thousand


def test_news_that_comes_to_a_large_group_at_once_is_told_at_a_rate_that_all_share(make_beacon: Maker) -> None:
    told = first_tallies(make_beacon, 7)  # a clock that had nothing is acquiring now
    assert told[0] < 0.1
    assert 8 < told[-1] < 512 / NEWS_PER_SECOND
    assert busiest_second(told) < 1.5 * NEWS_PER_SECOND


# -- section 17 --------------------------------------------------------------------------------------------------------


def test_proofs_of_one_packet_age_as_the_text_says_to_the_nanosecond() -> None:
    bound = CausalityBound()
    sent_at, received_at = local(100), LocalInstant(local(100) + 2 * DELAY)
    bound.observe_exchange(Exchange(sent_at, leader(100.001), leader(100.001), received_at))
    elapsed = 10 * SECOND
    drift = round(DECLARED_DRIFT * 1e6)
    lower, upper = bound.interval_ns(LocalInstant(received_at + elapsed))
    assert upper == OFFSET + DELAY + elapsed * drift // 1_000_000
    assert lower == OFFSET - DELAY - (elapsed + 2 * DELAY) * drift // 1_000_000


def test_beacons_that_are_held_back_do_not_pull_the_clock_that_exchanges_carry() -> None:
    held_ns = 50 * MILLISECOND
    estimates = []
    for delay_ns in (DELAY, held_ns):
        clock = FollowerClock()
        for number in range(240):
            at = 100 + number / 2
            clock.bound.observe_arrival(leader(at), LocalInstant(local(at) + delay_ns))
            clock.uncorrected.observe_beacon(leader(at), LocalInstant(local(at) + delay_ns))
            sent_at = local(at + 0.2)
            there = LeaderInstant(sent_at + DELAY - OFFSET)
            clock.observe_exchange(Exchange(sent_at, there, there, LocalInstant(sent_at + 2 * DELAY)))
        assert clock.served is not None
        estimates.append(clock.served.offset_at(local(220)))
    # Both ways of an exchange take a millisecond, so its midpoint errs by nothing; what may be left is less than the
    # least noise of stamping that the filter allows for.
    assert all(abs(offset_ns - OFFSET) < NOISE_MINIMUM * SECOND for offset_ns in estimates)


def test_medians_leave_the_causality_bound_as_it_was(make_beacon: Maker) -> None:
    clock = FollowerClock()
    clock.observe_exchange(
        Exchange(local(100), leader(100.001), leader(100.001), LocalInstant(local(100) + 2 * DELAY))
    )
    plain = FollowerClock()
    plain.observe_exchange(
        Exchange(local(100), leader(100.001), leader(100.001), LocalInstant(local(100) + 2 * DELAY))
    )
    for number in range(40):
        at = 101 + number / 2
        medians = (SharedDelay(1, 900_000_000),) if number else ()
        for one, delays in ((clock, medians), (plain, ())):
            beacon = make_beacon(serial=number, sent_at=leader(at), shared_delays=delays, interval_ns=INTERVAL)
            one.observe_beacon(beacon, LocalInstant(local(at) + DELAY), None)
    assert clock.bound.interval_ns(local(130)) == plain.bound.interval_ns(local(130))
    assert clock.uncorrected.estimate() == plain.uncorrected.estimate()


def test_one_late_packet_does_not_move_a_locked_clock_out_of_its_bound(make_talk: Maker) -> None:
    for late_ns in (10 * MILLISECOND, 100 * MILLISECOND, 1_500 * MILLISECOND):
        talk = make_talk()
        talk.lead(100, 160)
        assert talk.follower.clock.state is ClockState.LOCKED
        talk.serial += 1
        sent_at = leader(160)
        beacon = talk._make_beacon(serial=talk.serial, sent_at=sent_at, interval_ns=INTERVAL, cue=talk.cue)
        now = LocalInstant(local(160) + late_ns)
        talk.follower.receive_datagram(PLAIN.encode(beacon), "boathouse", now)
        served = talk.follower.clock.served
        bound_ns = talk.follower.clock.bounds(now).statistical_ns
        assert served is not None
        assert bound_ns is not None
        assert abs(served.offset_at(now) - OFFSET) <= bound_ns


# -- section 20 --------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("is_keyed", [True, False])
def test_without_a_key_changes_are_two_seconds_apart_and_come_in_softly(is_keyed: bool, make_talk: Maker) -> None:
    talk = make_talk(codec=KEYED if is_keyed else PLAIN)
    talk.lead(100, 120)
    talk.events()
    for number in range(40):  # another show with every beacon
        talk.cue = cue_of(CueState.ROLLING, 90, (EMBERS, TIDEFALL)[number % 2])
        talk.lead(120 + number / 2, 120.5 + number / 2)
    moved = talk.events()
    adopted = [event.at for event in moved if isinstance(event, events.CueAdopted)]
    gaps = [
        later.at - sooner.at
        for sooner, later in pairwise(e for e in moved if isinstance(e, events.CueAdopted | events.Stepped))
    ]
    if is_keyed:
        assert len(adopted) == 40
    else:
        assert 5 <= len(adopted) <= 10
        assert min(gaps) >= UNKEYED_SPACING_NS
        level = talk.follower.shown(LocalInstant(adopted[-1] + RETURN_FADE_NS // 2)).level
        assert level == pytest.approx(0.5)


def test_without_a_key_a_stop_is_held_up_by_nothing(make_talk: Maker) -> None:
    talk = make_talk()
    talk.lead(100, 120)
    talk.cue = cue_of(CueState.ROLLING, 120, EMBERS)
    talk.beacon(120)
    talk.cue = cue_of(CueState.STOPPED, 120.1, EMBERS)
    talk.beacon(120.1)
    assert talk.follower.cue == talk.cue


def test_a_flood_of_datagrams_fills_no_memory(make_talk: Maker, make_tally: Maker) -> None:
    talk = make_talk(codec=KEYED)
    talk.lead(100, 110)
    talk.answering = False
    for number in range(2_000):
        now = LocalInstant(local(110) + number * MILLISECOND)
        tally = make_tally(follower=5, serial=number, turn=number, tenure=7)
        talk.follower.receive_datagram(KEYED.encode(tally), "member", now)
        beacon = talk._make_beacon(tenure=1_000 + number, serial=number, leader=4, sent_at=leader(110))
        talk.follower.receive_datagram(KEYED.encode(beacon), "member", now)
    assert len(talk.follower.clock.common_view._heard) == HEARD_KEPT
    assert len(talk.follower.datagrams_to_send(local(113))) < 10
