"""What a listener notes of what reaches it, stepped by hand."""

from __future__ import annotations

from collections.abc import Callable
from random import Random
from typing import Any

import pytest

from leadlight.addresses import Address
from leadlight.cue import FrameRate
from leadlight.entropy import identity
from leadlight.follower.follower import Follower
from leadlight.follower.settings import FollowerSettings
from leadlight.leader.leader import Leader
from leadlight.leader.settings import LeaderSettings
from leadlight.playback.content import StoredShow
from leadlight.readiness.listening import NOTHING_REFUSED, UNTAGGED, Heard, Listener, Refused
from leadlight.terms import ClockState, Refusal
from leadlight.units import MICROSECOND, MILLISECOND, SECOND, LeaderInstant, LocalInstant
from leadlight.wire.codec import Codec
from leadlight.wire.messages import Sounding, Tally
from leadlight.wire.tags import KeyRing

GROUP = "quarry lake"
Maker = Callable[..., Any]


class Ear:
    """A listener that is handed messages by the second."""

    def __init__(self, keys: KeyRing | None = None) -> None:
        self.codec = Codec(GROUP, keys)
        self.listener = Listener("check jetty", self.codec, Random(1), LocalInstant(0), lambda source: str(source))

    def hear(self, message: Any, at_s: float, source: Address = "10.0.0.1", codec: Codec | None = None) -> None:
        data = (codec or self.codec).encode(message)
        self.listener.receive_datagram(data, source, LocalInstant(round(at_s * SECOND)))

    def heard(self, at_s: float = 10) -> Heard:
        return self.listener.heard(LocalInstant(round(at_s * SECOND)))


@pytest.fixture
def ear() -> Ear:
    return Ear()


def test_beacons_that_came_are_told_from_those_that_were_sent(ear: Ear, make_beacon: Maker) -> None:
    for serial in (65_534, 65_535, 65_538):
        ear.hear(make_beacon(serial=serial), at_s=serial - 65_534)
    ear.hear(make_beacon(serial=65_537, is_copy=True), at_s=3)
    (tenure,) = ear.heard().tenures
    assert sorted(tenure.arrivals) == [65_534, 65_535, 65_538]
    assert (tenure.copies, tenure.place) == (1, "10.0.0.1")
    assert tenure.sent_by(LocalInstant(4 * SECOND)) == 5


def test_beacons_that_are_due_at_the_end_count_as_sent_but_for_one_on_its_way(ear: Ear, make_beacon: Maker) -> None:
    ear.hear(make_beacon(interval_ns=500 * MILLISECOND), at_s=1)
    (tenure,) = ear.heard().tenures
    assert tenure.sent_by(LocalInstant(round(1.999 * SECOND))) == 1
    assert tenure.sent_by(LocalInstant(2 * SECOND)) == 2
    assert tenure.sent_by(LocalInstant(round(2.5 * SECOND))) == 3


def test_one_that_is_overtaken_counts_and_what_is_in_it_is_not_the_last_word(ear: Ear, make_beacon: Maker) -> None:
    for serial in (11, 12, 10):
        ear.hear(make_beacon(serial=serial, group_size=serial), at_s=1)
    (tenure,) = ear.heard().tenures
    assert (len(tenure.arrivals), tenure.first_serial, tenure.last_serial) == (3, 10, 12)
    assert tenure.beacon.group_size == 12


def test_spells_tell_a_takeover_from_two_that_lead_at_once(ear: Ear, make_beacon: Maker) -> None:
    def spells() -> list[int]:
        return [tenure.spells for tenure in ear.heard().tenures]

    for serial in (1, 2):
        ear.hear(make_beacon(tenure=7, serial=serial), at_s=serial)
    ear.hear(make_beacon(tenure=8, leader=12, serial=1), at_s=3)
    ear.hear(make_beacon(tenure=7, serial=1), at_s=3)  # one that was late
    assert spells() == [1, 1]
    ear.hear(make_beacon(tenure=7, serial=3), at_s=4)
    assert spells() == [2, 1]


def test_the_tenure_that_is_followed_is_the_leading_one(ear: Ear, make_beacon: Maker) -> None:
    assert ear.heard().leading is None
    ear.hear(make_beacon(), at_s=1)
    ear.hear(make_beacon(tenure=8, leader=12, rank=3), at_s=2)
    heard = ear.heard()
    assert heard.leading is not None
    assert (heard.followed, heard.leading.beacon.tenure) == (7, 7)


def test_with_a_key_a_leader_that_does_not_answer_is_noted_and_not_followed(make_beacon: Maker) -> None:
    ear = Ear(KeyRing({1: bytes(32)}))
    ear.hear(make_beacon(), at_s=1)
    heard = ear.heard()
    assert heard.followed is None
    assert heard.leading is not None
    assert heard.leading.beacon.tenure == 7


def test_what_is_refused_is_counted_by_cause_with_where_it_came_from(make_beacon: Maker) -> None:
    ear = Ear(KeyRing({1: bytes(32)}))
    ear.hear(make_beacon(), at_s=1, source="a", codec=Codec(GROUP))
    ear.hear(make_beacon(), at_s=2, source="b", codec=Codec(GROUP))
    ear.hear(make_beacon(), at_s=3, source="c", codec=Codec(GROUP, KeyRing({1: bytes(31)})))
    ear.hear(make_beacon(), at_s=4, source="d", codec=Codec(GROUP, KeyRing({2: bytes(32)})))
    ear.listener.receive_datagram(b"who is there?", "e", LocalInstant(5))
    assert ear.heard().refused == {
        UNTAGGED: Refused(2, ("a", "b")),
        Refusal.BAD_TAG: Refused(1, ("c",)),
        Refusal.NO_KEY: Refused(1, ("d",)),
        Refusal.OTHER_PROTOCOL: Refused(1, ("e",)),
    }
    assert ear.heard().refused.get("nothing", NOTHING_REFUSED).count == 0


def test_a_tagged_datagram_that_a_node_without_key_hears_is_of_a_key_it_lacks(ear: Ear, make_beacon: Maker) -> None:
    ear.hear(make_beacon(), at_s=1, codec=Codec(GROUP, KeyRing({1: bytes(32)})))
    assert ear.heard().refused == {Refusal.NO_KEY: Refused(1, ("10.0.0.1",))}


def turn(make_tally: Maker, instance: int, taken: int, name: str = "willow") -> Tally:
    tally: Tally = make_tally(follower=identity(name), name=name, instance=instance, turn=taken, serial=taken)
    return tally


@pytest.mark.parametrize(
    ("taken", "is_cloned"),
    [
        ([(31, 1), (31, 2)], False),
        ([(31, 1), (32, 2)], False),  # one board that began anew
        ([(31, 1), (32, 1)], True),  # both took one turn
        ([(31, 1), (32, 2), (31, 3)], True),  # one that was replaced came back
        ([(31, 1), (32, 2), (33, 3)], False),
        ([(31, 1), (31, 1)], False),  # the network's copy
    ],
)
def test_two_boards_of_one_name_are_told_from_one_that_restarts(
    ear: Ear, make_tally: Maker, taken: list[tuple[int, int]], is_cloned: bool
) -> None:
    for instance, serial in taken:
        ear.hear(turn(make_tally, instance, serial), at_s=serial, source=f"10.0.0.{instance}")
    (follower,) = ear.heard().followers
    assert follower.is_cloned is is_cloned
    assert set(follower.instances) == {instance for instance, _ in taken}
    assert follower.places == {f"10.0.0.{instance}" for instance, _ in taken}


def test_a_tally_that_is_for_the_leader_alone_says_nothing_of_who_is_heard(ear: Ear, make_tally: Maker) -> None:
    ear.hear(make_tally(), at_s=1)
    assert ear.heard().followers == ()


def test_its_own_tally_is_none_of_the_followers_and_another_check_of_its_name_is_noted(
    make_hall: Any, make_tally: Maker
) -> None:
    codec = Codec(GROUP)
    hall = make_hall(codec)
    hall.echoes = True
    settings = LeaderSettings("boathouse", interval_ns=100 * MILLISECOND, listen_intervals=0)
    hall.add("boathouse", lambda now: Leader(settings, codec, Random(1), now))
    listener = hall.add("check", lambda now: Listener("check jetty", codec, Random(2), now))
    hall.run(12)
    own = [m for _, sender, to, m in hall.sent if sender == "check" and type(m) is Tally and to is None]
    assert own
    heard = listener.heard(hall.local("check"))
    assert (heard.followers, heard.has_namesake) == ((), False)
    hall.inject("check", codec.encode(own[0]._replace(instance=own[0].instance ^ 1)), "other")
    assert listener.heard(hall.local("check")).has_namesake


def test_in_a_sound_group_everything_is_heard_answered_and_known(make_hall: Any) -> None:
    codec = Codec(GROUP)
    hall = make_hall(codec)
    settings = LeaderSettings("boathouse", interval_ns=100 * MILLISECOND, listen_intervals=0)
    show = StoredShow("Tidefall", FrameRate(40), 4000)
    leader = hall.add("boathouse", lambda now: Leader(settings, codec, Random(1), now))
    hall.add("jetty", lambda _: Follower(FollowerSettings("jetty"), codec, Random(2), [show]), offset_ns=SECOND)
    hall.run(8)
    leader.roll(show.key, hall.local("boathouse"))
    listener = hall.add(
        "check", lambda now: Listener("check willow", codec, Random(3), now, lambda source: f"at {source}"), -7 * SECOND
    )
    hall.run(10)
    heard = listener.heard(hall.local("check"))
    assert heard.listened_ns == 10 * SECOND
    (tenure,) = heard.tenures
    assert (tenure.beacon.leader, tenure.place) == (identity("boathouse"), "at boathouse")
    assert len(tenure.arrivals) == tenure.sent_by(heard.now) >= 98
    # Every packet takes a millisecond; a clock cannot tell one way's delay from the other's, nor from no delay at all.
    assert {abs(delay_ns - MILLISECOND) < MILLISECOND // 10 for delay_ns in heard.delays_ns} == {True}
    assert len(heard.delays_ns) == len(tenure.arrivals)
    assert heard.soundings == len(heard.round_trips_ns) >= 16
    assert set(heard.round_trips_ns) == {2 * MILLISECOND}
    assert heard.clock is ClockState.LOCKED
    assert heard.bound_ns is not None
    # Half a round trip, and by how much crystals may part from the best exchanges until now: 10 s at 10 ppm at most.
    assert MILLISECOND <= heard.bound_ns <= MILLISECOND + 100 * MICROSECOND
    assert [follower.tally.name for follower in heard.followers] == ["jetty"]
    assert not heard.followers[0].is_cloned
    assert heard.rounds > 20
    assert [cue.show for cue in heard.cues()] == [show.key]


def test_soundings_that_nobody_answers_are_counted_once_they_could_have_been(make_hall: Any) -> None:
    codec = Codec(GROUP)
    hall = make_hall(codec)
    settings = LeaderSettings("boathouse", interval_ns=100 * MILLISECOND, listen_intervals=0)
    hall.add("boathouse", lambda now: Leader(settings, codec, Random(1), now))
    # A network that keeps stations apart: only what the leader sends to the group gets through.
    hall.outcome = lambda source, *_: [MILLISECOND] if source == "boathouse" else []
    listener = hall.add("check", lambda now: Listener("check jetty", codec, Random(3), now))
    hall.run(5)
    now = hall.local("check")
    heard = listener.heard(now)
    assert heard.round_trips_ns == ()
    sent = [at for at, sender, _, message in hall.sent if sender == "check" and isinstance(message, Sounding)]
    assert heard.soundings == sum(hall.now - at >= 500 * MILLISECOND for at in sent) > 10


def test_a_round_trip_leaves_out_what_the_leader_kept_it_and_counts_once(
    ear: Ear, make_beacon: Maker, make_echo: Maker
) -> None:
    ear.hear(make_beacon(sent_at=LeaderInstant(0)), at_s=1)
    due = ear.listener.next_timer()
    assert due is not None
    ear.listener.handle_timer(due)
    sent = [ear.codec.decode(data) for data, _ in ear.listener.datagrams_to_send(due)]
    (nonce,) = [message.nonce for message in sent if isinstance(message, Sounding)]
    kept = LeaderInstant(SECOND), LeaderInstant(SECOND + 3 * MILLISECOND)
    answer = make_echo(nonce=nonce, received_at=kept[0], sent_at=kept[1])
    for _ in range(2):  # the second is the network's copy
        ear.hear(answer, at_s=(due + 10 * MILLISECOND) / SECOND)
    heard = ear.listener.heard(LocalInstant(due + 10 * MILLISECOND))
    assert (heard.soundings, heard.round_trips_ns) == (1, (7 * MILLISECOND,))
