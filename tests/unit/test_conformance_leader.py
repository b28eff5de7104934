"""What the specification asks of a leader and of a standby, where no other test does: by hand-stepped time."""

from __future__ import annotations

from collections.abc import Callable
from random import Random
from typing import Any

import pytest

from leadlight import events
from leadlight.addresses import GROUP
from leadlight.clock.bound import CONTINUED_WITHIN_NS
from leadlight.cue import Cue, FrameRate, ShowLine
from leadlight.follower.settings import SILENT_INTERVALS
from leadlight.follower.tenures import SERIAL_MASK
from leadlight.leader.beacon_times import CHANGE_BURST_NS, STOP_BURST_NS
from leadlight.leader.copies import COPIES_MAXIMUM, LEASE_NS
from leadlight.leader.leader import (
    ASK_PATIENCE_NS,
    ASK_SPACING_NS,
    ASK_TIMES,
    RANK_SPACING_NS,
    Leader,
)
from leadlight.leader.roster import ROSTER_MAXIMUM
from leadlight.leader.settings import LISTEN_INTERVALS, LeaderSettings
from leadlight.playback.content import StoredShow
from leadlight.terms import CueState, Delivery, Role
from leadlight.units import MICROSECOND, MILLISECOND, SECOND, LeaderInstant, LocalInstant, ShowPosition
from leadlight.wire.codec import Codec
from leadlight.wire.messages import Beacon, Echo, Message, Sounding, Tally
from leadlight.wire.tags import KeyRing

Maker = Callable[..., Any]

PLAIN = Codec("Quarry Lake")
KEYED = Codec("Quarry Lake", KeyRing({1: bytes(range(32))}))
INTERVAL = 500 * MILLISECOND
SHOW = StoredShow("Tidefall", FrameRate(40), 20 * 40)
AHEAD = 300 * SECOND
"""How far the other leader's clock is ahead of this node's."""


def at(seconds: float) -> LocalInstant:
    return LocalInstant(round((1_000 + seconds) * SECOND))


class Node:
    """One node that can lead, and another leader's half of the conversation."""

    def __init__(self, codec: Codec = PLAIN, seed: int = 1, **settings: Any) -> None:
        plain: dict[str, Any] = {"name": "boathouse", "interval_ns": INTERVAL, "listen_intervals": 0}
        self.codec = codec
        self.leader = Leader(LeaderSettings(**(plain | settings)), codec, Random(seed), at(0), [SHOW])
        self.sent: list[tuple[LocalInstant, Message, Any]] = []
        self.lengths: list[int] = []

    def hear(self, message: Message, now: LocalInstant, source: Any = "10.0.0.21") -> None:
        self.leader.receive_datagram(self.codec.encode(message), source, now)

    def wake(self, now: LocalInstant) -> list[tuple[Message, Any]]:
        self.leader.handle_timer(now)
        out = [(self.codec.decode(data), to) for data, to in self.leader.datagrams_to_send(now)]
        self.sent += [(now, message, to) for message, to in out]
        return out

    def run(self, until: float) -> None:
        while (due := self.leader.next_timer()) is not None and due <= at(until):
            self.wake(due)

    def beacons(self) -> list[tuple[LocalInstant, Beacon, Any]]:
        return [(now, message, to) for now, message, to in self.sent if isinstance(message, Beacon)]

    def roles(self) -> list[tuple[LocalInstant, Role]]:
        told = list(iter(self.leader.next_event, None))
        return [(event.at, event.role) for event in told if isinstance(event, events.RoleChanged)]


class Conversation:
    """A node that hears another leader, whose clock is `AHEAD`, through packets of a millisecond."""

    def __init__(self, make_beacon: Maker, make_echo: Maker, codec: Codec = PLAIN, **settings: Any) -> None:
        self.node = Node(codec, listen_intervals=LISTEN_INTERVALS, **settings)
        self._make_beacon = make_beacon
        self._make_echo = make_echo
        self.serial = 10
        self.cue = Cue(SHOW.key, CueState.ROLLING, ShowLine(LeaderInstant(at(-1) + AHEAD), ShowPosition(0)))
        self.answering = True

    def beacon(self, seconds: float, **changes: Any) -> None:
        self.serial += 1
        sent_at = LeaderInstant(at(seconds) - MILLISECOND + AHEAD)
        plain = {"serial": self.serial, "sent_at": sent_at, "interval_ns": INTERVAL, "cue": self.cue}
        self.node.hear(self._make_beacon(**(plain | changes)), at(seconds), "other")
        self.answer()

    def answer(self) -> None:
        """Send what is to be sent, and let the other leader answer each Sounding after two milliseconds."""
        for now, message, _ in self.take():
            if isinstance(message, Sounding) and self.answering:
                there = LeaderInstant(now + MILLISECOND + AHEAD)
                tenure = message.tenure or 7
                echo = self._make_echo(nonce=message.nonce, received_at=there, sent_at=there, tenure=tenure)
                self.node.hear(echo, LocalInstant(now + 2 * MILLISECOND), "other")

    def take(self) -> list[tuple[LocalInstant, Message, Any]]:
        now = self._now
        return [(now, message, to) for message, to in self.node.wake(now)]

    _now = at(0)

    def run(self, until: float) -> None:
        while (due := self.node.leader.next_timer()) is not None and due <= at(until):
            self._now = max(due, self._now)
            self.answer()

    def lead(self, since: float, until: float, **changes: Any) -> None:
        steps = round((until - since) * SECOND) // INTERVAL
        for step in range(steps):
            seconds = since + step * INTERVAL / SECOND
            self.run(seconds)
            self._now = at(seconds)
            self.beacon(seconds, **changes)


@pytest.fixture
def make_conversation(make_beacon: Maker, make_echo: Maker) -> Callable[..., Conversation]:
    return lambda **settings: Conversation(make_beacon, make_echo, **settings)


# -- section 9 ---------------------------------------------------------------------------------------------------------


def test_every_start_draws_a_tenure_and_a_timebase_of_its_own() -> None:
    leaders = [Node(seed=seed).leader for seed in range(20)]
    assert len({leader.tenure for leader in leaders}) == 20
    assert len({leader.timebase for leader in leaders}) == 20
    assert all(leader.tenure and leader.timebase for leader in leaders)


def test_serials_count_every_beacon_and_say_when_it_left() -> None:
    node = Node()
    node.run(3)
    node.leader.roll(SHOW.key, at(3))  # with its burst between the regular ones
    node.run(8)
    beacons = node.beacons()
    serials = [beacon.serial for _, beacon, _ in beacons]
    assert len(serials) > 20
    assert serials == [(serials[0] + count) & SERIAL_MASK for count in range(len(serials))]
    assert all(int(beacon.sent_at) == now and beacon.interval_ns == INTERVAL for now, beacon, _ in beacons)


def test_bursts_are_sent_at_the_offsets_that_the_text_names() -> None:
    for is_stop, offsets in ((False, CHANGE_BURST_NS), (True, STOP_BURST_NS)):
        node = Node()
        node.run(2.1)
        if is_stop:
            node.leader.stop(at(2.1))
        else:
            node.leader.roll(SHOW.key, at(2.1))
        node.run(5)
        sent = {now for now, _, _ in node.beacons()}
        assert {LocalInstant(at(2.1) + offset) for offset in offsets} <= sent


# -- sections 13 to 15 -------------------------------------------------------------------------------------------------


def proven(node: Node, make_sounding: Maker, follower: int, address: str, now: LocalInstant, **changes: Any) -> int:
    """Let a follower sound twice from an address, the second time with the cookie; return the cookie."""
    node.hear(make_sounding(follower=follower, **changes), now, address)
    (cookie,) = [message.cookie for message, to in node.wake(now) if isinstance(message, Echo) and to == address]
    node.hear(make_sounding(follower=follower, cookie=cookie, **changes), now, address)
    node.wake(now)
    return cookie


def test_copies_go_only_where_the_cookie_came_back_from_and_for_thirty_seconds(make_sounding: Maker) -> None:
    node = Node(delivery=Delivery.AUTOMATIC)
    node.run(0)
    proven(node, make_sounding, 21, "honest", at(0.1), tenure=0)
    node.hear(make_sounding(follower=22, cookie=12345, tenure=0), at(0.1), "victim")
    node.run(40)
    copies = [(now, beacon, to) for now, beacon, to in node.beacons() if beacon.is_copy]
    groups = {beacon.serial: beacon for _, beacon, to in node.beacons() if to is GROUP}
    assert {to for _, _, to in copies} == {"honest"}
    assert max(now for now, _, _ in copies) <= at(0.1) + LEASE_NS
    assert all(beacon == groups[beacon.serial]._replace(is_copy=True) for _, beacon, _ in copies)


def test_a_cookie_from_another_address_or_for_another_follower_proves_nothing(make_sounding: Maker) -> None:
    node = Node(delivery=Delivery.AUTOMATIC)
    node.hear(make_sounding(follower=21, tenure=0), at(0.1), "honest")
    (cookie,) = [message.cookie for message, _ in node.wake(at(0.1)) if isinstance(message, Echo)]
    node.hear(make_sounding(follower=21, tenure=0, cookie=cookie), at(0.2), "victim")
    node.hear(make_sounding(follower=22, tenure=0, cookie=cookie), at(0.2), "honest")
    node.run(2)
    assert not [beacon for _, beacon, _ in node.beacons() if beacon.is_copy]


def test_no_more_addresses_are_served_than_the_limit(make_sounding: Maker) -> None:
    node = Node(delivery=Delivery.AUTOMATIC, sounding_budget=255)
    for follower in range(1, COPIES_MAXIMUM + 10):
        now = LocalInstant(at(0) + follower * MILLISECOND)
        proven(node, make_sounding, follower, f"board {follower}", now, tenure=0)
    before = len(node.sent)
    node.run(1.5)
    copies = [(beacon.serial, to) for _, beacon, to in node.beacons() if beacon.is_copy]
    assert len(node.sent) > before
    for serial in {serial for serial, _ in copies}:
        assert len([to for other, to in copies if other == serial]) <= COPIES_MAXIMUM
    assert len({to for _, to in copies}) == COPIES_MAXIMUM


@pytest.mark.parametrize("delivery", [Delivery.COPIES, Delivery.GROUP])
def test_a_lease_that_is_refused_is_told_of_once_where_copies_are_sent(
    delivery: Delivery, make_sounding: Maker
) -> None:
    node = Node(delivery=delivery, copies_limit=2)
    told: list[events.Event] = []
    for follower in range(1, 6):
        now = LocalInstant(at(0) + follower * MILLISECOND)
        proven(node, make_sounding, follower, f"board {follower}", now, tenure=0)
        while (event := node.leader.next_event()) is not None:
            told.append(event)
    full = [event.limit for event in told if isinstance(event, events.CopiesFull)]
    assert full == ([2] if delivery is Delivery.COPIES else [])
    node.run(1.5)
    assert len({to for _, beacon, to in node.beacons() if beacon.is_copy}) == (2 if full else 0)


def test_answers_are_limited_to_the_budget_and_what_is_beyond_changes_nothing(make_sounding: Maker) -> None:
    node = Node(sounding_budget=5)
    node.run(0)
    answers = 0
    for step in range(1_001):  # a hundred a second from the beginning of ten seconds to their end
        now = LocalInstant(at(0.1) + step * 10 * MILLISECOND)
        node.hear(make_sounding(follower=step + 1, nonce=step), now)
        answers += len([message for message, _ in node.wake(now) if isinstance(message, Echo)])
    # The budget for ten seconds, and at once a quarter of two seconds' worth and half of the rest, which is kept for
    # Soundings with a cookie; in whole answers.
    assert answers == 5 * 10 + 2 + 4 - 1
    assert len(node.leader.roster) == answers
    assert node.leader.counters["echo limited"] == 1_001 - answers


def test_with_a_budget_of_0_what_is_asked_all_the_same_is_answered_once_a_second(make_sounding: Maker) -> None:
    node = Node(sounding_budget=0)
    node.run(0)
    answered = []
    for step in range(101):
        now = LocalInstant(at(0.1) + step * 100 * MILLISECOND)
        node.hear(make_sounding(nonce=step), now)
        answered += [step for message, _ in node.wake(now) if isinstance(message, Echo)]
    assert answered == list(range(0, 101, 10))
    beacons = [message for _, message, _ in node.sent if isinstance(message, Beacon)]
    assert {beacon.sounding_budget for beacon in beacons} == {0}


def test_an_echo_is_never_longer_than_its_sounding_with_or_without_a_key(make_sounding: Maker) -> None:
    for codec in (PLAIN, KEYED):
        node = Node(codec)
        question = codec.encode(make_sounding())
        node.leader.receive_datagram(question, "anybody", at(0.1))
        node.leader.handle_timer(at(0.1))
        answers = [data for data, to in node.leader.datagrams_to_send(at(0.1)) if to == "anybody"]
        assert len(answers) == 1
        assert len(answers[0]) <= len(question)


def test_a_repeated_or_replayed_tally_is_ignored(make_tally: Maker) -> None:
    node = Node()
    tenure = node.leader.tenure
    node.hear(make_tally(tenure=tenure, serial=5, frame=40), at(0.1))
    for serial, told in ((5, 5), (4, 5), (6, 6), ((6 + (1 << 31)) & SERIAL_MASK, 6)):
        node.hear(make_tally(tenure=tenure, serial=serial), at(0.2))
        (entry,) = node.leader.roster
        assert entry.tally is not None
        assert entry.tally.serial == told


def test_strangers_never_push_out_a_follower_that_has_reported(make_sounding: Maker, make_tally: Maker) -> None:
    node = Node(sounding_budget=255)
    node.hear(make_tally(follower=1, tenure=node.leader.tenure), at(0))
    for number in range(2, 2 * ROSTER_MAXIMUM):
        now = LocalInstant(at(0) + number * 10 * MILLISECOND)
        node.hear(make_sounding(follower=number, nonce=number), now)
        node.wake(now)
    assert len(node.leader.roster) == ROSTER_MAXIMUM // 2 + 1
    assert node.leader.roster.find(1) is not None


def test_a_stranger_that_only_sounds_pushes_out_not_even_a_follower_that_is_lost(
    make_sounding: Maker, make_tally: Maker
) -> None:
    node = Node(sounding_budget=255)
    for follower in range(1, ROSTER_MAXIMUM + 1):
        node.hear(make_tally(follower=follower, tenure=node.leader.tenure), at(0))
    node.run(40)
    assert all(entry.lost for entry in node.leader.roster)
    for number in range(3):
        proven(node, make_sounding, 9_000 + number, "10.0.0.99", at(41 + number), tenure=0)
    assert [entry.follower for entry in node.leader.roster] == list(range(1, ROSTER_MAXIMUM + 1))
    node.hear(make_tally(follower=9_000, tenure=node.leader.tenure), at(45))
    assert node.leader.roster.find(9_000) is not None  # who reports is there


@pytest.mark.slow
def test_a_flood_of_soundings_takes_the_answers_from_nobody_who_has_a_cookie(make_sounding: Maker) -> None:
    """A thousand a second under ever new identities, for 25 s; ten followers ask four times a second between them."""
    node = Node(sounding_budget=8)
    cookies: dict[int, int | None] = dict.fromkeys(range(1, 11))
    nonce, asked, answered = 100_000, 0, 0
    for step in range(27_000):
        now = LocalInstant(at(0.1) + step * MILLISECOND)
        if step >= 2_500:  # each has a cookie by then
            node.hear(make_sounding(follower=1_000 + step, nonce=step), now, "elsewhere")
        if step % 250 == 0:
            nonce += 1
            follower = step // 250 % 10 + 1
            node.hear(make_sounding(follower=follower, nonce=nonce, cookie=cookies[follower]), now, f"board {follower}")
            asked += step >= 4_000
        for message, _ in node.wake(now):
            if isinstance(message, Echo) and message.nonce == nonce:
                cookies[follower] = message.cookie
                answered += step >= 4_000
    assert answered == asked == 92
    assert len(node.leader.roster) <= ROSTER_MAXIMUM // 2 + 11


def test_a_group_that_starts_as_one_is_answered_as_fast_as_its_budget_allows(make_sounding: Maker) -> None:
    """A hundred followers without cookies, at nine tenths of the budget, as R-SOUND-1 has them begin."""
    node = Node(sounding_budget=60)
    node.run(0)
    luck = Random(7)
    first = sorted(luck.uniform(0, 100 / 54) for _ in range(100))
    for number, seconds in enumerate(first):
        now = at(0.1 + seconds)
        node.hear(make_sounding(follower=number + 1, nonce=number), now)
        node.wake(now)
    assert node.leader.counters["echo limited"] == 0


# -- section 20 --------------------------------------------------------------------------------------------------------


def test_a_datagram_with_a_bad_tag_changes_nothing_but_a_count(make_sounding: Maker, make_tally: Maker) -> None:
    forger = Codec("Quarry Lake", KeyRing({1: b"another key of thirty-two bytes!"}))
    node = Node(KEYED, sounding_budget=1)
    for nonce in range(50):
        node.leader.receive_datagram(forger.encode(make_sounding(nonce=nonce)), "stranger", at(0.1))
        node.leader.receive_datagram(forger.encode(make_tally()), "stranger", at(0.1))
    assert len(node.leader.roster) == 0
    assert node.leader.counters["bad tag"] == 100
    node.hear(make_sounding(), at(0.1), "member")  # the one answer that the budget allows is still there
    assert [to for message, to in node.wake(at(0.1)) if isinstance(message, Echo)] == ["member"]


# -- section 18 --------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("rank", [0, 3])
def test_a_start_listens_for_its_intervals_and_its_rank_before_it_leads(rank: int) -> None:
    node = Node(listen_intervals=LISTEN_INTERVALS, rank=rank)
    node.run(60)
    assert node.roles()[0] == (LocalInstant(at(0) + (LISTEN_INTERVALS + rank) * INTERVAL), Role.LEADING)
    assert node.beacons()[0][0] == at(0) + (LISTEN_INTERVALS + rank) * INTERVAL


def test_a_start_that_hears_a_leader_stands_by_and_knows_its_show(make_conversation: Maker) -> None:
    conversation = make_conversation(rank=1)
    conversation.lead(1, 21)
    assert conversation.node.roles() == [(at(1), Role.STANDBY)]
    assert conversation.node.beacons() == []
    assert conversation.node.leader.cue == conversation.cue


@pytest.mark.parametrize("rank", [1, 4])
def test_an_unanswered_standby_asks_and_leads_no_sooner_than_its_rank_allows(
    rank: int, make_conversation: Maker
) -> None:
    conversation = make_conversation(rank=rank)
    conversation.lead(1, 11)
    conversation.answering = False
    node = conversation.node
    last = max(at(10.5), *(now for now, message, _ in node.sent if isinstance(message, Sounding)))
    assert last < at(11)
    node.roles()
    conversation.run(40)
    moves = node.roles()
    assert [role for _, role in moves] == [Role.ASKING, Role.LEADING]
    asked_at, leads_at = moves[0][0], moves[1][0]
    # From when the last beacon was sent, by a clock that errs by less than this; it came a millisecond later.
    silent_ns = asked_at - (at(10.5) - MILLISECOND)
    assert silent_ns == pytest.approx(SILENT_INTERVALS * INTERVAL, abs=10 * MICROSECOND)
    assert leads_at - asked_at == ASK_PATIENCE_NS + rank * RANK_SPACING_NS
    asked = [now for now, message, to in node.sent if isinstance(message, Sounding) and asked_at <= now < leads_at]
    assert {LocalInstant(asked_at + step * ASK_SPACING_NS) for step in range(ASK_TIMES)} <= set(asked)


def test_any_answer_sends_an_asking_standby_back(make_conversation: Maker) -> None:
    conversation = make_conversation(rank=1)
    conversation.lead(1, 11)
    conversation.node.roles()
    conversation.run(60)  # no beacon any more, but every Sounding is answered
    roles = {role for _, role in conversation.node.roles()}
    assert Role.LEADING not in roles
    assert conversation.node.leader.role in (Role.STANDBY, Role.ASKING)


def test_who_takes_over_continues_a_timebase_that_it_knows_well(make_conversation: Maker) -> None:
    conversation = make_conversation(rank=1)
    off_at = LeaderInstant(at(3_600) + AHEAD)
    conversation.lead(1, 61, off_at=off_at)
    node = conversation.node
    conversation.answering = False
    conversation.run(70)
    assert node.leader.is_leading
    _, beacon, _ = node.beacons()[0]
    assert beacon.timebase == 9
    assert beacon.tenure not in (0, 7)
    assert (beacon.cue, beacon.off_at) == (conversation.cue, off_at)
    sent_at = node.beacons()[0][0] + AHEAD
    assert abs(beacon.sent_at - sent_at) <= CONTINUED_WITHIN_NS


def test_who_knows_the_clock_badly_begins_a_timebase_and_translates_the_line(make_conversation: Maker) -> None:
    conversation = make_conversation(rank=1)
    conversation.answering = False  # by beacons alone it cannot know the clock to two milliseconds
    conversation.lead(1, 4)
    node = conversation.node
    position_there = conversation.cue.position_at(LeaderInstant(at(20) + AHEAD))
    conversation.run(30)
    assert node.leader.is_leading
    _, beacon, _ = node.beacons()[0]
    assert beacon.timebase not in (0, 9)
    assert beacon.cue.show == SHOW.key
    position_here = beacon.cue.position_at(LeaderInstant(beacon.sent_at + at(20) - node.beacons()[0][0]))
    assert abs(position_here - position_there) < 50 * MILLISECOND  # one packet's unknown delay, and no more


@pytest.mark.parametrize("faster_ppm", [0, 150, -150])
def test_a_show_goes_on_at_the_old_leaders_pace_in_a_timebase_of_the_new_ones(
    faster_ppm: int, make_conversation: Maker
) -> None:
    conversation = make_conversation(rank=1)
    conversation.answering = False  # by beacons alone it cannot know the clock to two milliseconds
    for second in range(1, 121):
        conversation.run(second)
        conversation._now = at(second)
        ahead_ns = AHEAD + faster_ppm * 1_000 * second
        conversation.beacon(second, sent_at=LeaderInstant(at(second) - MILLISECOND + ahead_ns))
    conversation.run(150)
    assert conversation.node.leader.is_leading
    line = conversation.node.beacons()[0][1].cue.line
    # By two minutes of packets that all took a millisecond, as well as the filter itself says it knows the rate.
    assert line.rate_ppb == pytest.approx(faster_ppm * 1_000, abs=5_000)


def test_a_leader_yields_to_one_that_outranks_it_and_to_no_other(make_conversation: Maker) -> None:
    for rank, expected in ((5, [Role.STANDBY]), (0, [])):
        conversation = make_conversation(rank=rank)
        node = conversation.node
        conversation.run(10)
        assert node.leader.is_leading
        node.roles()
        conversation.serial = 500
        conversation._now = at(10.2)
        conversation.beacon(10.2, rank=2, leader=99)
        assert node.leader.is_leading  # once is not enough, though it has answered
        conversation._now = at(10.2 + INTERVAL / 2 / SECOND)
        conversation.beacon(10.2 + INTERVAL / 2 / SECOND, rank=2, leader=99)
        assert [role for _, role in node.roles()] == expected
        assert node.leader.is_leading is (not expected)


def test_with_a_key_a_leader_yields_only_to_one_that_has_answered(make_conversation: Maker) -> None:
    conversation = make_conversation(rank=5, codec=KEYED)
    node = conversation.node
    conversation.run(10)
    conversation.answering = False
    conversation._now = at(10.2)
    conversation.beacon(10.2, rank=2)
    assert node.leader.is_leading  # it may be a recording
    conversation.answering = True
    conversation._now = at(10.7)
    conversation.beacon(10.7, rank=2)
    assert not node.leader.is_leading


def test_its_own_tenures_beacons_are_its_own_copies(make_conversation: Maker) -> None:
    node = Node()
    node.run(1)
    told = len(node.roles())
    _, beacon, _ = node.beacons()[-1]
    node.hear(beacon, at(1.1))
    assert node.leader.counters["own copy"] == 1
    assert told == 1
    assert node.roles() == []


def test_a_standby_ordered_to_stop_leads_at_once_and_keeps_the_lead_for_a_while(make_conversation: Maker) -> None:
    conversation = make_conversation(rank=5)
    conversation.lead(1, 21)
    node = conversation.node
    node.leader.stop(at(21))
    assert node.leader.is_leading
    conversation._now = at(21)
    conversation.answer()
    assert node.beacons()[-1][1].cue.state is CueState.STOPPED
    conversation.lead(21.5, 23)
    assert node.leader.is_leading
    conversation.lead(24, 26)
    assert not node.leader.is_leading


@pytest.mark.parametrize(
    ("state", "after_s", "is_held"),
    [
        (CueState.ROLLING, 1.9, True),
        (CueState.ROLLING, 2.1, False),
        (CueState.STOPPED, 0.1, False),
    ],
)
def test_a_stop_ordered_at_a_standby_holds_against_whatever_else_is_ordered_within_two_seconds(
    make_conversation: Maker, state: CueState, after_s: float, is_held: bool
) -> None:
    conversation = make_conversation(rank=5)
    conversation.lead(1, 21)
    node = conversation.node
    node.leader.stop(at(21))
    line = ShowLine(LeaderInstant(at(21 + after_s) + AHEAD), ShowPosition(0))
    cue = Cue(SHOW.key, state, line, ordered_at=line.leader_at)
    conversation.lead(21.5 + after_s, 22.9 + after_s, cue=cue)
    assert node.leader.is_leading is is_held


@pytest.mark.parametrize(("ahead_s", "is_obeyed"), [(0.1, True), (-0.1, False)])
def test_a_stop_without_an_order_is_obeyed_where_it_is_later_than_the_cue_in_force(
    make_conversation: Maker, ahead_s: float, is_obeyed: bool
) -> None:
    conversation = make_conversation(rank=0)
    node = conversation.node
    conversation.run(10)
    node.leader.resume_line(Cue(SHOW.key, CueState.ROLLING, ShowLine(LeaderInstant(at(10)), ShowPosition(0))), at(10))
    line = ShowLine(LeaderInstant(at(10 + ahead_s) + AHEAD), ShowPosition(0))
    for seconds in (10.5, 11, 11.5):
        conversation._now = at(seconds)
        conversation.beacon(seconds, rank=2, leader=99, cue=Cue(SHOW.key, CueState.STOPPED, line))
        conversation.run(seconds + 0.4)
    assert node.leader.is_leading
    assert (node.leader.cue.state is CueState.STOPPED) is is_obeyed


def test_a_leader_makes_a_later_stop_of_one_behind_it_its_own(make_conversation: Maker) -> None:
    conversation = make_conversation(rank=0)
    node = conversation.node
    conversation.run(10)
    node.leader.resume_line(Cue(SHOW.key, CueState.ROLLING, ShowLine(LeaderInstant(at(5)), ShowPosition(0))), at(10))
    stop = Cue(SHOW.key, CueState.STOPPED, ShowLine(LeaderInstant(at(10.9) + AHEAD), ShowPosition(0)))
    conversation._now = at(11)
    conversation.beacon(11, rank=2, leader=99, cue=stop)
    conversation.run(12)
    assert node.leader.is_leading
    assert node.beacons()[-1][1].cue.state is CueState.STOPPED
    assert isinstance(node.beacons()[-1][1], Beacon)
    assert not [message for _, message, _ in node.sent if isinstance(message, Tally)]
