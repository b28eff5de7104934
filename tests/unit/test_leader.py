"""Nodes that can lead, in a hall stepped by hand: who leads when, and what becomes of the show meanwhile.

Boathouse has rank 0 and the music; ticket hut, rank 1, stands by. Clocks differ by whole seconds and packets take a
millisecond, so every deadline is a number.
"""

from __future__ import annotations

from collections.abc import Callable
from random import Random
from types import SimpleNamespace
from typing import Any

import pytest

from leadlight import events
from leadlight.clock.estimator import Estimate
from leadlight.cue import Cue, FrameRate, ShowLine
from leadlight.errors import ConfigurationError, OrderError
from leadlight.follower.follower import Follower
from leadlight.follower.settings import SILENT_INTERVALS, FollowerSettings
from leadlight.leader.leader import ASK_PATIENCE_NS, ASK_SPACING_NS, ASK_TIMES, LAST_RANK, RANK_SPACING_NS, Leader
from leadlight.leader.settings import LISTEN_INTERVALS, LeaderSettings
from leadlight.leader.succession import _on_own_clock
from leadlight.playback.content import StoredShow
from leadlight.terms import ClockState, ContentState, CueState, OnMusicLost, Role
from leadlight.units import MILLISECOND, MINUTE, SECOND, LeaderInstant, LocalInstant, ShowPosition
from leadlight.wire.codec import Codec
from leadlight.wire.messages import Beacon, Echo, Sounding, Tally
from leadlight.wire.tags import KeyRing

Maker = Callable[..., Any]

CODEC = Codec("Quarry Lake")
KEYED = Codec("Quarry Lake", KeyRing({1: b"a lantern's key!"}))
INTERVAL = 500 * MILLISECOND
TIDEFALL = StoredShow("Tidefall", FrameRate(40), 192 * 40)
EMBERS = StoredShow("Embers", FrameRate(40), 245 * 40)
SHOWS = [TIDEFALL, EMBERS]
TAKEOVER_NS = SILENT_INTERVALS * INTERVAL + ASK_PATIENCE_NS + RANK_SPACING_NS

Hall = Any


def add_leader(hall: Hall, name: str, rank: int = 0, offset_s: int = 0, shows: Any = SHOWS, **settings: Any) -> Leader:
    plain: dict[str, Any] = {"interval_ns": INTERVAL, "rank": rank, "listen_intervals": LISTEN_INTERVALS}
    made = LeaderSettings(name, **(plain | settings))
    leader: Leader = hall.add(
        name, lambda now: Leader(made, hall.codec, Random(f"{name} {now}"), now, shows), offset_s * SECOND
    )
    return leader


def add_follower(hall: Hall, name: str, offset_s: int = 0, shows: Any = SHOWS, **settings: Any) -> Follower:
    made = FollowerSettings(name, **settings)
    follower: Follower = hall.add(
        name, lambda now: Follower(made, hall.codec, Random(f"{name} {now}"), shows), offset_s * SECOND
    )
    return follower


@pytest.fixture(params=["unkeyed", "keyed"])
def hall(request: pytest.FixtureRequest, make_hall: Maker) -> Hall:
    return make_hall(KEYED if request.param == "keyed" else CODEC)


def populate(hall: Hall, **settings: Any) -> tuple[Leader, Leader, Follower, Follower]:
    """Boathouse leads two followers, Tidefall rolls, ticket hut stands by; thirty seconds have passed."""
    boathouse = add_leader(hall, "boathouse", listen_intervals=0)
    hut = add_leader(hall, "ticket hut", rank=1, offset_s=-300, **settings)
    jetty, willow = add_follower(hall, "jetty", 40), add_follower(hall, "willow", -70)
    boathouse.roll(TIDEFALL.key, hall.local("boathouse"))
    hall.run(30)
    assert (boathouse.role, hut.role) == (Role.LEADING, Role.STANDBY)
    return boathouse, hut, jetty, willow


def beacons(hall: Hall, name: str, since: int = 0) -> list[Beacon]:
    return [message for at, who, _, message in hall.sent if who == name and at >= since and isinstance(message, Beacon)]


def roles(hall: Hall, name: str) -> list[tuple[LocalInstant, Role]]:
    return [(event.at, event.role) for event in hall.nodes[name].told(events.RoleChanged)]


def lose(*names: str, kind: type | None = None) -> Callable[..., list[int]]:
    """Let nothing, or no message of a kind, come from or to these."""

    def outcome(source: str, to: str, message: Any, at: int) -> list[int]:
        if (source in names or to in names) and (kind is None or isinstance(message, kind)):
            return []
        return [MILLISECOND]

    return outcome


def split(*away: str) -> Callable[..., list[int]]:
    """Let these hear each other, the others each other, and neither side the other."""

    def outcome(source: str, to: str, message: Any, at: int) -> list[int]:
        return [MILLISECOND] if (source in away) == (to in away) else []

    return outcome


def always(*delays: int) -> Callable[..., list[int]]:
    """Let a copy of everything arrive after each of these delays."""
    return lambda *_: list(delays)


def to_one(name: str, outcome: Callable[..., list[int]]) -> Callable[..., list[int]]:
    """Let what goes to one node have this outcome, and everything else arrive."""
    return lambda source, to, message, at: outcome(source, to, message, at) if to == name else [MILLISECOND]


def to_followers(outcome: Callable[..., list[int]]) -> Callable[..., list[int]]:
    """Let what goes to anybody but boathouse have this outcome."""
    return lambda source, to, message, at: [MILLISECOND] if to == "boathouse" else outcome(source, to, message, at)


def no_beacon(source: str, to: str, message: Any, at: int) -> list[int]:
    return [] if isinstance(message, Beacon) else [MILLISECOND]


def no_group(source: str, to: str, message: Any, at: int) -> list[int]:
    return [] if isinstance(message, Beacon) and not message.is_copy else [MILLISECOND]


def role_of(node: Leader) -> Role:
    return node.role


def frames(hall: Hall, *names: str) -> list[int | None]:
    return [hall.nodes[name].core.shown(hall.local(name)).frame for name in names]


# -- before it leads --------------------------------------------------------------------------------------------------


def test_a_starting_leader_listens_for_seven_intervals_and_then_leads(hall: Hall) -> None:
    boathouse = add_leader(hall, "boathouse")
    assert boathouse.role is Role.LISTENING
    assert boathouse.next_timer() == hall.local("boathouse") + 7 * INTERVAL
    started = hall.local("boathouse")
    hall.run(10)
    assert roles(hall, "boathouse") == [(started + 7 * INTERVAL, Role.LEADING)]
    assert beacons(hall, "boathouse")[0].sent_at == started + 7 * INTERVAL


def test_one_that_hears_another_follows_it_and_sends_no_beacon(hall: Hall) -> None:
    boathouse = add_leader(hall, "boathouse", rank=1, listen_intervals=0)
    boathouse.roll(TIDEFALL.key, hall.local("boathouse"))
    hall.run(10)
    hut = add_leader(hall, "ticket hut", rank=0, offset_s=50)
    hall.run(60)  # it outranks the other, and yet Tidefall is not over
    assert hut.role is Role.STANDBY
    assert hut.cue == boathouse.cue
    assert hut.tenure == boathouse.tenure
    assert beacons(hall, "ticket hut") == []


def test_orders_given_while_it_listens_hold_once_it_leads(hall: Hall) -> None:
    boathouse = add_leader(hall, "boathouse")
    begins_at = LeaderInstant(hall.local("boathouse") + SECOND)
    cue = Cue(TIDEFALL.key, CueState.ROLLING, ShowLine(begins_at, ShowPosition(0)))
    boathouse.schedule(cue)
    hall.run(3.4)
    assert boathouse.cue.state is CueState.DARK
    hall.run(1)
    # It fell due while the node was listening, and is under way by now.
    assert boathouse.cue == cue
    assert beacons(hall, "boathouse")[0].cue == cue


def test_a_show_rolled_while_it_listens_begins_once_it_can_announce_it(hall: Hall) -> None:
    boathouse = add_leader(hall, "boathouse")
    jetty = add_follower(hall, "jetty", 5)
    now = hall.local("boathouse")
    cue = boathouse.roll(TIDEFALL.key, now)
    assert cue.line.leader_at == now + LISTEN_INTERVALS * INTERVAL + 2 * SECOND
    hall.run(6)
    assert boathouse.cue == jetty.cue == cue


def test_a_node_that_waits_wakes_no_more_often_than_it_must(hall: Hall) -> None:
    """A boundary that has passed while the clock is not yet known is no reason to wake."""
    add_leader(hall, "boathouse", rank=1, listen_intervals=0)
    hall.run(1)
    hall.outcome = lose("ticket hut", kind=Sounding)
    hut = add_leader(hall, "ticket hut", rank=0, offset_s=50)
    hall.run(10)
    due = hut.next_timer()
    assert due is None or due > hall.local("ticket hut") or hut.role is Role.LEADING


# -- leading at once --------------------------------------------------------------------------------------------------


def with_a_show_on(hall: Hall) -> tuple[Leader, Follower]:
    """A node of rank 1 has led Tidefall for thirty seconds when one that outranks it starts."""
    hut = add_leader(hall, "ticket hut", rank=1, listen_intervals=0)
    jetty = add_follower(hall, "jetty", 40)
    hut.roll(TIDEFALL.key, hall.local("ticket hut"))
    hall.run(30)
    return hut, jetty


def test_one_that_leads_at_once_with_nothing_to_lead_neither_darkens_nor_moves_the_show(hall: Hall) -> None:
    hut, jetty = with_a_show_on(hall)
    hall.nodes["jetty"].events.clear()
    boathouse = add_leader(hall, "boathouse", offset_s=-300, listen_intervals=0)
    assert boathouse.role is Role.LEADING
    hall.run(20)
    assert (role_of(boathouse), hut.role) == (Role.STANDBY, Role.LEADING)
    assert hall.nodes["jetty"].events == []
    assert jetty.cue == hut.cue
    hall.run(130)
    assert boathouse.cue == hut.cue
    hall.run(30)  # Tidefall is over, and boathouse outranks
    assert role_of(boathouse) is Role.LEADING


def test_what_was_ordered_for_later_waits_while_another_leads(hall: Hall) -> None:
    hut, jetty = with_a_show_on(hall)
    boathouse = add_leader(hall, "boathouse", offset_s=-300, listen_intervals=0)
    begins_at = LeaderInstant(hall.local("boathouse") + 240 * SECOND)
    boathouse.schedule(Cue(EMBERS.key, CueState.ROLLING, ShowLine(begins_at, ShowPosition(0))))
    hall.run(20)
    assert (boathouse.role, jetty.cue) == (Role.STANDBY, hut.cue)
    assert [cue.line.leader_at for cue in boathouse.waiting] == [begins_at]
    hall.run(230)
    assert boathouse.role is Role.LEADING
    assert jetty.cue.show == EMBERS.key
    position = jetty.position_at(hall.local("jetty"))
    assert position is not None
    assert abs(position - 10 * SECOND) < 2 * MILLISECOND  # as well as boathouse knew the clock that it continued


def test_one_that_leads_at_once_with_a_show_of_its_own_takes_the_lead_for_it(hall: Hall) -> None:
    hut, jetty = with_a_show_on(hall)
    boathouse = add_leader(hall, "boathouse", offset_s=-300, listen_intervals=0)
    cue = boathouse.roll(EMBERS.key, hall.local("boathouse"))
    hall.run(20)
    assert (boathouse.role, hut.role) == (Role.LEADING, Role.STANDBY)
    assert jetty.cue == cue


@pytest.mark.parametrize("ordered", [False, True])
def test_one_that_leads_at_once_sends_its_own_rank_when_it_would_have_listened_or_has_something_to_lead(
    make_hall: Maker, ordered: bool
) -> None:
    hall = make_hall(CODEC)
    boathouse = add_leader(hall, "boathouse", rank=3, listen_intervals=0)
    started = hall.now
    if ordered:
        hall.run(1)
        boathouse.stop(hall.local("boathouse"))
    own_from = started + (SECOND if ordered else LISTEN_INTERVALS * INTERVAL)
    hall.run(10)
    sent = [(at, message.rank) for at, _, _, message in hall.sent if isinstance(message, Beacon)]
    assert {rank for at, rank in sent if at < own_from} == {LAST_RANK}
    assert {rank for at, rank in sent if at >= own_from} == {3}


@pytest.mark.interpreted
def test_a_leader_wakes_for_whichever_comes_first(hall: Hall, monkeypatch: pytest.MonkeyPatch) -> None:
    boathouse = add_leader(hall, "boathouse", listen_intervals=0)
    hall.run(1)
    due = boathouse.next_timer()
    assert due is not None
    for ear_at, first in ((None, due), (due - 1, due - 1), (due + 1, due)):
        monkeypatch.setattr(boathouse, "_ear", SimpleNamespace(next_timer=lambda ear_at=ear_at: ear_at))
        assert boathouse.next_timer() == first


def test_a_show_taken_over_on_ones_own_clock_keeps_the_pace_that_it_had() -> None:
    # Local time runs 20 ppm faster than the leader's, by which the show was 100 ppm fast.
    served, now = Estimate(LocalInstant(1_000 * SECOND), 5 * SECOND, 20e-6), LocalInstant(1_000 * SECOND)
    for since_s in (900, 1_100):
        line = ShowLine(LeaderInstant(since_s * SECOND), ShowPosition(7 * SECOND), 100_000)
        own = _on_own_clock(Cue(1, CueState.ROLLING, line, LeaderInstant(800 * SECOND)), served, now)
        assert own.line.rate_ppb == 79_998
        assert own.ordered_at == LeaderInstant(served.local_at(LeaderInstant(800 * SECOND)))
        for after_s in (200, 300):
            there = LocalInstant(now + after_s * SECOND)
            assert own.position_at(LeaderInstant(there)) == pytest.approx(
                line.position_at(served.leader_at(there)), abs=1_000
            )


def test_an_order_to_lead_ends_the_deference(hall: Hall) -> None:
    hut, jetty = with_a_show_on(hall)
    boathouse = add_leader(hall, "boathouse", offset_s=-300, listen_intervals=0)
    boathouse.take_back(hall.local("boathouse"))
    hall.run(20)
    assert (boathouse.role, hut.role) == (Role.LEADING, Role.STANDBY)
    assert jetty.cue.state is CueState.ROLLING  # nothing was cued here, and so the show goes on


# -- asking and taking over -------------------------------------------------------------------------------------------


@pytest.mark.parametrize("rank", [0, 1, 5])
def test_a_standby_asks_four_times_and_leads_when_nobody_answers(make_hall: Maker, rank: int) -> None:
    hall = make_hall(CODEC)
    add_leader(hall, "aaa", rank=0, listen_intervals=0).roll(TIDEFALL.key, hall.local("aaa"))
    add_leader(hall, "ticket hut", rank=rank, offset_s=-300)
    hall.run(30)
    hall.crash("aaa")
    crashed = hall.now
    ear = hall.nodes["ticket hut"].core._ear
    alive_at = ear.alive_at
    assert 0 <= max(ear.heard_at, ear.answered_at) - alive_at <= 5 * MILLISECOND  # on the way so long
    hall.run(10)
    silence_at = alive_at + SILENT_INTERVALS * INTERVAL
    assert roles(hall, "ticket hut")[1:] == [
        (silence_at, Role.ASKING),
        (silence_at + ASK_PATIENCE_NS + rank * RANK_SPACING_NS, Role.LEADING),
    ]
    true_silence_at = silence_at - hall.nodes["ticket hut"].offset_ns
    asked = [
        at - true_silence_at
        for at, who, to, message in hall.sent
        if who == "ticket hut" and to == "aaa" and at >= crashed and isinstance(message, Sounding)
    ]
    assert [number * ASK_SPACING_NS for number in range(ASK_TIMES)] == [at for at in asked if at >= 0][:4]
    assert ASK_TIMES == 4
    assert (ASK_TIMES - 1) * ASK_SPACING_NS < ASK_PATIENCE_NS


def test_any_answer_keeps_a_standby_from_leading(hall: Hall) -> None:
    boathouse, hut, jetty, _ = populate(hall)
    hall.outcome = lose("ticket hut", kind=Beacon)  # neither group frames nor copies
    hall.run(120)
    assert hut.role in (Role.STANDBY, Role.ASKING)
    assert Role.LEADING not in {role for _, role in roles(hall, "ticket hut")}
    assert jetty.tenure == boathouse.tenure


def test_a_beacon_while_it_asks_sends_it_back(hall: Hall) -> None:
    _, hut, *_ = populate(hall)
    hall.outcome = lose("ticket hut")
    hall.run(SILENT_INTERVALS * INTERVAL / SECOND + 0.6)
    assert hut.role is Role.ASKING
    hall.outcome = lose()
    hall.run(1.2)
    assert role_of(hut) is Role.STANDBY


def test_a_standby_that_knows_the_clock_continues_its_timebase_and_nobody_notices(hall: Hall) -> None:
    boathouse, hut, jetty, willow = populate(hall)
    timebase, cue = boathouse.timebase, boathouse.cue
    hall.crash("boathouse")
    hall.nodes["jetty"].events.clear()
    hall.run(20)
    assert hut.role is Role.LEADING
    assert hut.timebase == timebase
    assert hut.cue == cue
    assert {jetty.tenure, willow.tenure} == {hut.tenure}
    kinds = {type(event) for event in hall.nodes["jetty"].events}
    assert events.LeaderChanged in kinds
    assert not kinds & {events.TimebaseEntered, events.Stepped, events.Held, events.CueAdopted}
    position = jetty.position_at(hall.local("jetty"))
    assert position is not None
    # Boathouse's clock is true time here. Nobody measured more than that it was known to within two milliseconds.
    assert abs(position - cue.line.position_at(hall.now)) < 2 * MILLISECOND


def test_one_that_knows_it_poorly_leaves_the_timebase_and_translates_the_cues(make_hall: Maker) -> None:
    hall = make_hall(CODEC)
    delay_ns = 9 * MILLISECOND  # three tenths of such a floor are more than the two milliseconds allowed
    hall.outcome = always(delay_ns)
    boathouse, hut, jetty, _ = populate(hall)
    announced = boathouse.roll(EMBERS.key, hall.local("boathouse"))
    hall.run(0.5)
    before, timebase = boathouse.cue, boathouse.timebase
    hall.crash("boathouse")
    hall.nodes["jetty"].events.clear()
    hall.run(1)
    assert before.show == TIDEFALL.key
    assert role_of(hut) is Role.STANDBY
    hall.run(9)
    assert role_of(hut) is Role.LEADING
    assert hut.timebase != timebase
    assert len(hall.nodes["jetty"].told(events.TimebaseEntered)) == 1
    assert hut.cue.show == EMBERS.key
    position = jetty.position_at(hall.local("jetty"))
    assert position is not None
    # Twice an offset measured over paths of nine milliseconds each way, at worst.
    assert abs(position - announced.line.position_at(hall.now)) < 2 * delay_ns
    assert hall.nodes["jetty"].told(events.Stepped) == []


def test_of_two_standbys_the_one_of_the_next_rank_waits_and_follows(hall: Hall) -> None:
    _, hut, jetty, _ = populate(hall)
    mill = add_leader(hall, "mill", rank=2, offset_s=9)
    hall.run(20)
    hall.crash("boathouse")
    hall.run(20)
    assert (hut.role, mill.role) == (Role.LEADING, Role.STANDBY)
    assert {jetty.tenure, mill.tenure} == {hut.tenure}
    assert beacons(hall, "mill") == []


@pytest.mark.parametrize(
    ("setting", "state_by_seconds"),
    [
        (OnMusicLost.CONTINUE, {10: CueState.ROLLING, 200: CueState.ROLLING}),
        (OnMusicLost.FINISH, {10: CueState.ROLLING, 200: CueState.DARK}),
        (OnMusicLost.DARK, {10: CueState.DARK, 200: CueState.DARK}),
    ],
)
def test_what_becomes_of_a_show_whose_music_is_lost_is_a_setting(
    make_hall: Maker, setting: OnMusicLost, state_by_seconds: dict[int, CueState]
) -> None:
    hall = make_hall(CODEC)
    boathouse, hut, jetty, _ = populate(hall, on_music_lost=setting)
    ends_at = boathouse.cue.line.instant_of(TIDEFALL.frame_rate.position_of(TIDEFALL.frame_count))
    hall.crash("boathouse")
    passed = 0
    for seconds, state in state_by_seconds.items():
        hall.run(seconds - passed)
        passed = seconds
        assert hut.role is Role.LEADING
        assert (hut.cue.state, jetty.cue.state) == (state, state)
    if setting is OnMusicLost.FINISH:
        assert hut.cue.line.leader_at == ends_at


def test_a_show_that_was_announced_does_not_begin_without_its_music(make_hall: Maker) -> None:
    hall = make_hall(CODEC)
    boathouse = add_leader(hall, "boathouse", listen_intervals=0, lead_time_ns=20 * SECOND)
    hut = add_leader(hall, "ticket hut", rank=1, on_music_lost=OnMusicLost.FINISH)
    jetty = add_follower(hall, "jetty")
    hall.run(20)
    boathouse.roll(TIDEFALL.key, hall.local("boathouse"))
    hall.run(2)
    assert jetty.next_cue is not None
    hall.crash("boathouse")
    hall.run(60)
    assert hut.role is Role.LEADING
    assert hut.scheduled == ()
    assert jetty.cue.state is CueState.DARK


def test_an_off_time_is_inherited_and_holds_after_a_takeover(hall: Hall) -> None:
    boathouse, _, jetty, willow = populate(hall)
    boathouse.set_off_at(LocalInstant(hall.local("boathouse") + 5 * SECOND))
    hall.run(1)
    hall.crash("boathouse")
    hall.run(3.5)
    assert None not in frames(hall, "jetty", "willow")
    hall.run(30)
    assert frames(hall, "jetty", "willow") == [None, None]
    assert len(hall.nodes["jetty"].told(events.OffTimeReached)) == 1
    assert {jetty.tenure, willow.tenure} == {hall.nodes["ticket hut"].core.tenure}


# -- giving back ------------------------------------------------------------------------------------------------------


def test_a_first_leader_that_returns_takes_back_at_the_end_of_the_show(hall: Hall) -> None:
    boathouse, hut, jetty, _ = populate(hall)
    ends_at = boathouse.cue.line.instant_of(TIDEFALL.frame_rate.position_of(TIDEFALL.frame_count))
    hall.crash("boathouse")
    hall.run(20)
    boathouse = add_leader(hall, "boathouse", offset_s=600)
    hall.run(20)
    assert (boathouse.role, hut.role) == (Role.STANDBY, Role.LEADING)
    hall.run((ends_at - hall.now) / SECOND - 0.1)
    assert boathouse.role is Role.STANDBY
    hall.run(3)
    assert (boathouse.role, hut.role) == (Role.LEADING, Role.STANDBY)
    (_, standby), (taken_at, leading) = roles(hall, "boathouse")[-2:]
    assert (standby, leading) == (Role.STANDBY, Role.LEADING)
    # By its own reading of a clock that two others have handed on: two milliseconds each.
    assert abs(taken_at - 600 * SECOND - ends_at) < 4 * MILLISECOND
    hall.run(10)
    assert jetty.tenure == boathouse.tenure


def test_on_order_it_takes_back_in_the_middle_and_the_show_goes_on(hall: Hall) -> None:
    boathouse, hut, jetty, _ = populate(hall)
    cue = boathouse.cue
    hall.crash("boathouse")
    hall.run(20)
    boathouse = add_leader(hall, "boathouse", offset_s=600)
    hall.run(20)
    hall.nodes["jetty"].events.clear()
    boathouse.take_back(hall.local("boathouse"))
    hall.run(10)
    assert (boathouse.role, hut.role) == (Role.LEADING, Role.STANDBY)
    assert boathouse.cue == cue
    assert jetty.tenure == boathouse.tenure
    assert not {type(event) for event in hall.nodes["jetty"].events} & {events.Stepped, events.CueAdopted}


def test_a_node_of_later_rank_ordered_to_lead_yields_again(hall: Hall) -> None:
    boathouse, hut, jetty, _ = populate(hall)
    hut.take_back(hall.local("ticket hut"))
    assert hut.role is Role.LEADING
    hall.run(3)
    assert (boathouse.role, hut.role) == (Role.LEADING, Role.STANDBY)
    assert jetty.tenure == boathouse.tenure


# -- splits -----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("deaf", [None, "boathouse"])
def test_two_leaders_after_a_split_become_one_and_everybody_follows_it(hall: Hall, deaf: str | None) -> None:
    boathouse, hut, jetty, willow = populate(hall)
    hall.outcome = split("ticket hut", "willow")
    hall.run(30)
    assert (boathouse.role, hut.role) == (Role.LEADING, Role.LEADING)
    assert (jetty.tenure, willow.tenure) == (boathouse.tenure, hut.tenure)
    tenure = boathouse.tenure
    hall.outcome = lose() if deaf is None else to_one(deaf, no_beacon)
    hall.run(10)
    assert (boathouse.role, hut.role) == (Role.LEADING, Role.STANDBY)
    assert {boathouse.tenure, hut.tenure, jetty.tenure, willow.tenure} == {tenure}
    hall.run(20)
    assert {node.cue for node in (boathouse, hut, jetty, willow)} == {boathouse.cue}
    assert len(set(frames(hall, "jetty", "willow"))) == 1


def test_a_rival_is_told_once_and_makes_nobody_send_more(hall: Hall, make_beacon: Maker) -> None:
    boathouse, *_ = populate(hall)
    sent = len(beacons(hall, "boathouse"))
    for number in range(10):
        rival = make_beacon(leader=99, rank=7, tenure=50 + number % 2, serial=number)
        hall.inject("boathouse", hall.codec.encode(rival), "elsewhere")
    assert [event.tenure for event in hall.nodes["boathouse"].told(events.RivalHeard)] == [50, 51]
    assert boathouse.role is Role.LEADING
    assert len(beacons(hall, "boathouse")) == sent


# -- one's own --------------------------------------------------------------------------------------------------------


def test_its_own_datagrams_come_back_and_change_nothing(make_hall: Maker) -> None:
    halls = []
    for echoes in (False, True):
        hall = make_hall(CODEC)
        hall.echoes = echoes
        populate(hall)
        halls.append(hall)
    quiet, echoing = halls
    assert quiet.sent == echoing.sent
    assert {name: node.events for name, node in quiet.nodes.items()} == {
        name: node.events for name, node in echoing.nodes.items()
    }
    leader = echoing.nodes["boathouse"].core
    assert leader.counters["own copy"] == len(beacons(echoing, "boathouse")) > 50
    assert leader.counters["own id"] == 0


def test_late_copies_of_a_tenure_it_has_given_back_are_its_own(make_hall: Maker) -> None:
    hall = make_hall(CODEC)
    _, hut, *_ = populate(hall)
    hut.take_back(hall.local("ticket hut"))
    hall.run(3)
    assert hut.role is Role.STANDBY
    for beacon in beacons(hall, "ticket hut") * 2:
        hall.inject("ticket hut", CODEC.encode(beacon), "boathouse")
    assert hall.nodes["ticket hut"].told(events.LeaderCloned) == []


def test_a_clone_of_a_leader_is_told_once_and_what_its_last_run_left_over_is_none(
    make_hall: Maker, make_beacon: Maker
) -> None:
    hall = make_hall(CODEC)
    leader = add_leader(hall, "boathouse", listen_intervals=0)
    own = leader.identity

    def hear(serial: int, tenure: int = 50) -> None:
        hall.inject("boathouse", CODEC.encode(make_beacon(leader=own, tenure=tenure, serial=serial)), "elsewhere")

    hear(1)
    hear(1)  # on another interface
    assert hall.nodes["boathouse"].told(events.LeaderCloned) == []
    for serial in range(2, 10):
        hear(serial)
    assert [event.tenure for event in hall.nodes["boathouse"].told(events.LeaderCloned)] == [50]
    assert leader.role is Role.LEADING


# -- restarts and recordings ------------------------------------------------------------------------------------------


def test_a_restarted_leader_is_followed_at_its_first_beacon_or_after_one_fresh_answer(hall: Hall) -> None:
    add_leader(hall, "boathouse", listen_intervals=0)
    jetty = add_follower(hall, "jetty", 5)
    hall.run(20)
    hall.crash("boathouse")
    hall.run(10)
    boathouse = add_leader(hall, "boathouse", offset_s=700, listen_intervals=0)
    started = hall.local("jetty")
    hall.run(0.0015)
    is_keyed = hall.codec is KEYED
    assert (jetty.tenure == boathouse.tenure) is not is_keyed
    hall.run(0.002)  # there and back
    assert jetty.tenure == boathouse.tenure
    (restarted,) = hall.nodes["jetty"].told(events.LeaderRestarted)
    # What had to be proven counts from when it was: nothing that has been shown meanwhile is changed.
    assert restarted.at - started == (3 if is_keyed else 1) * MILLISECOND
    hall.run(5)
    assert jetty.clock.state is ClockState.LOCKED


def test_a_recording_of_an_older_tenure_is_never_followed_and_never_asked_for_ever(make_hall: Maker) -> None:
    hall = make_hall(KEYED)
    add_leader(hall, "boathouse", listen_intervals=0).roll(TIDEFALL.key, hall.local("boathouse"))
    hall.run(20)
    recording = [KEYED.encode(beacon) for beacon in beacons(hall, "boathouse")]
    hall.crash("boathouse")
    boathouse = add_leader(hall, "boathouse", offset_s=700, listen_intervals=0)
    jetty = add_follower(hall, "jetty", 5)  # it never heard the tenure that was recorded
    hall.run(20)
    before = jetty.snapshot(hall.local("jetty"))
    asked = len(hall.sent)
    for data in recording:
        hall.inject("jetty", data, "elsewhere")
    after = jetty.snapshot(hall.local("jetty"))
    assert after._replace(refused={}) == before._replace(refused={})
    assert jetty.counters["unproven tenure"] >= len(recording)
    assert len(hall.sent) - asked == 1  # one Sounding, to ask once
    hall.run(30)
    assert jetty.tenure == boathouse.tenure
    assert jetty.cue.state is CueState.DARK
    to_elsewhere = [message for _, _, to, message in hall.sent if to == "elsewhere"]
    assert len(to_elsewhere) == 1


def test_a_node_that_may_not_ask_says_that_it_follows_on_trust(make_hall: Maker) -> None:
    hall = make_hall(KEYED)
    add_leader(hall, "boathouse", listen_intervals=0)
    jetty = add_follower(hall, "jetty", 5, soundings=False)
    add_follower(hall, "willow", 5)
    hall.run(30)
    assert jetty.tenure == hall.nodes["boathouse"].core.tenure
    said = {message.name: message.unverified for _, _, _, message in hall.sent if isinstance(message, Tally)}
    assert said == {"jetty": True, "willow": False}


# -- stopping ---------------------------------------------------------------------------------------------------------


def test_a_stop_reaches_everybody_and_the_leader_knows_who_has_not_confirmed(hall: Hall) -> None:
    boathouse, _, jetty, willow = populate(hall)
    hall.outcome = lose("willow")
    boathouse.stop(hall.local("boathouse"))
    assert set(boathouse.not_stopped) == {"jetty", "willow", "ticket hut"}
    hall.run(1.1)
    assert frames(hall, "jetty") == [None]
    assert list(boathouse.not_stopped) == ["willow"]
    hall.run(20)
    assert list(boathouse.not_stopped) == ["willow"]
    hall.outcome = lose()
    hall.run(8)
    assert list(boathouse.not_stopped) == []
    assert frames(hall, "jetty", "willow") == [None, None]
    boathouse.roll(EMBERS.key, hall.local("boathouse"))
    hall.run(4)
    assert {jetty.cue.show, willow.cue.show} == {EMBERS.key}
    assert None not in frames(hall, "jetty", "willow")


def test_an_earlier_stop_confirms_no_later_one(hall: Hall) -> None:
    boathouse, *_ = populate(hall)
    boathouse.stop(hall.local("boathouse"))
    hall.run(2)
    assert boathouse.not_stopped == ()
    boathouse.stop(hall.local("boathouse"))
    assert set(boathouse.not_stopped) == {"jetty", "willow", "ticket hut"}
    hall.run(9)
    assert boathouse.not_stopped == ()


def test_a_stop_ordered_at_a_standby_is_obeyed_though_a_better_leader_is_there(hall: Hall) -> None:
    boathouse, hut, jetty, willow = populate(hall)
    hut.stop(hall.local("ticket hut"))
    hall.run(2)
    assert boathouse.cue.state is CueState.STOPPED
    assert {jetty.cue.state, willow.cue.state} == {CueState.STOPPED}
    hall.run(5)
    assert (boathouse.role, hut.role) == (Role.LEADING, Role.STANDBY)
    assert frames(hall, "jetty", "willow") == [None, None]
    assert boathouse.not_stopped == ()


def test_a_stop_from_before_the_cue_in_force_is_not_obeyed_again(hall: Hall) -> None:
    boathouse, hut, jetty, willow = populate(hall)
    boathouse.stop(hall.local("boathouse"))
    hall.run(5)
    hall.outcome = split("ticket hut", "willow")
    hall.run(10)
    assert (hut.role, hut.cue.state) == (Role.LEADING, CueState.STOPPED)
    boathouse.roll(EMBERS.key, hall.local("boathouse"))
    hall.run(5)
    hall.outcome = lose()
    hall.run(15)
    assert boathouse.cue.show == EMBERS.key
    assert {jetty.cue, willow.cue} == {boathouse.cue}


def test_a_recording_of_a_leader_that_is_gone_deposes_nobody(make_hall: Maker) -> None:
    hall = make_hall(KEYED)
    _, hut, jetty, _ = populate(hall)
    hall.outcome = lose("boathouse")
    hall.run(2)  # nobody hears these beacons but whoever records them
    hall.crash("boathouse")
    hall.outcome = lose()
    recording = [KEYED.encode(beacon) for beacon in beacons(hall, "boathouse")]
    hall.run(20)
    assert hut.role is Role.LEADING
    sent = len(hall.sent)
    for data in recording:
        hall.inject("ticket hut", data, "boathouse")
        hall.inject("jetty", data, "boathouse")
    assert hut.role is Role.LEADING
    assert jetty.tenure == hut.tenure
    assert len(hall.sent) - sent <= 2  # each asks once
    hall.run(10)
    assert hut.role is Role.LEADING
    assert jetty.tenure == hut.tenure


def test_a_recorded_stop_stops_nobody(make_hall: Maker) -> None:
    hall = make_hall(KEYED)
    boathouse, hut, jetty, _ = populate(hall)
    hut.stop(hall.local("ticket hut"))
    hall.run(5)
    recording = [KEYED.encode(beacon) for beacon in beacons(hall, "ticket hut")]
    assert recording
    hall.crash("ticket hut")
    boathouse.roll(EMBERS.key, hall.local("boathouse"))
    hall.run(5)
    assert jetty.cue.show == EMBERS.key
    for data in recording:
        hall.inject("boathouse", data, "ticket hut")
        hall.inject("jetty", data, "ticket hut")
    hall.run(5)
    assert boathouse.cue.show == jetty.cue.show == EMBERS.key
    assert jetty.cue.state is CueState.ROLLING


# -- content and second sources ---------------------------------------------------------------------------------------


def test_a_show_that_is_not_held_everywhere_rolls_with_a_warning(make_hall: Maker) -> None:
    hall = make_hall(CODEC)
    boathouse = add_leader(hall, "boathouse", listen_intervals=0)
    add_leader(hall, "ticket hut", rank=1, shows=())  # it lights nothing, and so lacks nothing
    add_follower(hall, "jetty", shows=[TIDEFALL])
    add_follower(hall, "willow")
    hall.run(20)
    boathouse.roll(EMBERS.key, hall.local("boathouse"))
    hall.run(5)
    told = hall.nodes["boathouse"].told(events.ShowIncomplete)
    assert [(event.show, event.names) for event in told] == [(EMBERS.key, ("jetty",))]
    assert frames(hall, "jetty") == [None]
    assert frames(hall, "willow") != [None]


def test_it_is_refused_before_its_instant_where_that_is_wished(make_hall: Maker) -> None:
    hall = make_hall(CODEC)
    boathouse = add_leader(hall, "boathouse", listen_intervals=0, refuse_incomplete=True)
    add_follower(hall, "jetty", shows=[TIDEFALL])
    add_follower(hall, "willow")
    hall.run(20)
    boathouse.roll(EMBERS.key, hall.local("boathouse"))
    hall.run(10)
    told = hall.nodes["boathouse"].told(events.ShowRefused)
    assert [(event.show, event.names) for event in told] == [(EMBERS.key, ("jetty",))]
    adopted = hall.nodes["willow"].told(events.CueAdopted)
    assert EMBERS.key not in {event.cue.show for event in adopted}  # not even for a frame
    boathouse.roll(TIDEFALL.key, hall.local("boathouse"))
    hall.run(5)
    assert None not in frames(hall, "jetty", "willow")


def test_a_second_source_is_told_once_an_episode(make_hall: Maker) -> None:
    hall = make_hall(CODEC)
    populate(hall)

    def play_live(seconds: int) -> None:
        for _ in range(seconds):
            hall.nodes["jetty"].core.note_live_data(hall.local("jetty"))
            hall.run(1)

    play_live(30)
    reported = hall.nodes["boathouse"].told(events.SecondSourceReported)
    assert [event.name for event in reported] == ["jetty"]
    hall.run(20)
    play_live(10)
    assert len(hall.nodes["boathouse"].told(events.SecondSourceReported)) == 2
    assert len(hall.nodes["jetty"].told(events.LiveDataSeen)) == 2


# -- delivery ---------------------------------------------------------------------------------------------------------


def test_a_network_that_carries_nothing_to_the_group_is_served_on_request(hall: Hall) -> None:
    hall.outcome = no_group
    boathouse = add_leader(hall, "boathouse", listen_intervals=0)
    jetty = add_follower(hall, "jetty", 5)
    jetty.ask("boathouse", hall.local("jetty"))
    hall.run(20)
    assert jetty.tenure == boathouse.tenure
    assert jetty.clock.state is ClockState.LOCKED
    boathouse.roll(TIDEFALL.key, hall.local("boathouse"))
    hall.run(120)  # four leases
    assert frames(hall, "jetty") != [None]
    assert len(hall.nodes["boathouse"].told(events.CopiesBegun)) == 1
    assert hall.nodes["boathouse"].told(events.CopiesEnded) == []
    # The leader's host restarts, twice as long away as a follower holds over.
    hall.crash("boathouse")
    hall.run(1_200)
    assert frames(hall, "jetty") == [None]
    boathouse = add_leader(hall, "boathouse", offset_s=900, listen_intervals=0)
    boathouse.roll(EMBERS.key, hall.local("boathouse"))
    hall.run(30)
    assert jetty.cue.show == EMBERS.key
    assert frames(hall, "jetty") != [None]


def test_a_leader_that_restarts_meanwhile_serves_again_though_no_beacon_told_of_it(hall: Hall) -> None:
    hall.outcome = no_group
    add_leader(hall, "boathouse", listen_intervals=0)
    jetty = add_follower(hall, "jetty", 5)
    jetty.ask("boathouse", hall.local("jetty"))
    hall.run(60)
    hall.crash("boathouse")
    boathouse = add_leader(hall, "boathouse", offset_s=900, listen_intervals=0)
    hall.run(20)
    assert jetty.tenure == boathouse.tenure


def test_a_follower_that_stops_hearing_the_group_is_sent_copies_and_later_none(hall: Hall) -> None:
    populate(hall)
    hall.outcome = to_one("willow", no_group)
    begun = hall.now
    hall.run(40)
    (event,) = hall.nodes["boathouse"].told(events.CopiesBegun)
    assert event.name == "willow"
    # A window of 64 beacons of half a second must be a quarter silent, and then a Tally is due within 7.5 s.
    assert event.at - begun < 16 * INTERVAL + 8 * SECOND
    assert hall.nodes["willow"].core.heard_at > hall.local("willow") - SECOND
    hall.outcome = lose()
    hall.run(180)
    (ended,) = hall.nodes["boathouse"].told(events.CopiesEnded)
    assert ended.name == "willow"
    since = hall.now - SECOND
    assert {to for at, _, to, message in hall.sent if isinstance(message, Beacon) and at > since} == {None}


@pytest.mark.slow
def test_a_radio_that_scans_is_not_moved_back_and_forth(make_hall: Maker) -> None:
    """Four seconds in every fourteen nothing to the group comes through; what is for one follower waits and comes."""
    hall = make_hall(CODEC)
    add_leader(hall, "boathouse", listen_intervals=0, interval_ns=100 * MILLISECOND)
    add_follower(hall, "jetty", 5)
    started = hall.now

    def scanning(source: str, to: str, message: Any, at: int) -> list[int]:
        into = (at - started) % (14 * SECOND)
        if to != "jetty" or into >= 4 * SECOND:
            return [MILLISECOND]
        is_group = isinstance(message, Beacon) and not message.is_copy
        return [] if is_group else [4 * SECOND - into + MILLISECOND]

    hall.outcome = scanning
    hall.run(28)
    leader = hall.nodes["boathouse"]
    assert (len(leader.told(events.CopiesBegun)), len(leader.told(events.CopiesEnded))) == (1, 0)
    hall.run(10 * MINUTE / SECOND)
    assert len(leader.told(events.CopiesBegun)) - 1 + len(leader.told(events.CopiesEnded)) <= 1


def test_two_interfaces_that_bring_everything_twice_count_everything_once(make_hall: Maker) -> None:
    halls = []
    for delays in ([MILLISECOND], [MILLISECOND, 4 * MILLISECOND]):
        hall = make_hall(CODEC)
        hall.outcome = to_followers(always(*delays))
        populate(hall)
        halls.append(hall)
    once, twice = halls
    for name in ("jetty", "willow"):
        one, two = once.nodes[name], twice.nodes[name]
        assert one.events == two.events
        assert one.core.clock.served == two.core.clock.served
        assert two.core.counters["duplicate"] >= len(beacons(twice, "boathouse")) - 1
        assert two.core.snapshot(twice.local(name)).beacon_loss == 0.0
    hall = make_hall(CODEC)
    hall.outcome = always(MILLISECOND, 2 * MILLISECOND)
    boathouse, *_ = populate(hall)
    tallies = [m for _, _, to, m in hall.sent if isinstance(m, Tally) and to in (None, "boathouse")]
    assert boathouse.counters["repeated tally"] == len(tallies)
    assert hall.nodes["boathouse"].told(events.FollowerCloned) == []


def test_no_answer_is_larger_than_its_question(hall: Hall) -> None:
    populate(hall)
    soundings = [len(hall.codec.encode(m)) for _, _, _, m in hall.sent if isinstance(m, Sounding)]
    echoes = [len(hall.codec.encode(m)) for _, _, _, m in hall.sent if isinstance(m, Echo)]
    assert echoes
    assert max(echoes) <= min(soundings)


def test_a_cloned_follower_is_named_once(hall: Hall) -> None:
    populate(hall)
    made = FollowerSettings("jetty")
    hall.add("another jetty", lambda _: Follower(made, hall.codec, Random(9), SHOWS), 17 * SECOND)
    hall.run(60)
    assert [event.name for event in hall.nodes["boathouse"].told(events.FollowerCloned)] == ["jetty"]


# -- anything at all --------------------------------------------------------------------------------------------------


def test_any_bytes_are_counted_and_harm_nothing(hall: Hall, make_tally: Maker) -> None:
    boathouse = add_leader(hall, "boathouse", listen_intervals=0)
    random = Random(20)
    good = hall.codec.encode(make_tally(content=ContentState.MISSING))
    sent = len(hall.sent)
    for number in range(3_000):
        data = random.randbytes(random.randrange(600)) if number % 2 else good[: random.randrange(len(good))]
        hall.inject("boathouse", data, "anybody")
    assert sum(boathouse.counters.values()) == 3_000
    assert len(boathouse.roster) == 0
    assert len(hall.sent) == sent


@pytest.mark.parametrize("wrong", [{"listen_intervals": -1}, {"listen_intervals": 1_001}])
def test_listening_for_no_sensible_time_is_refused(wrong: dict[str, int]) -> None:
    with pytest.raises(ValueError, match="listen_intervals"):
        LeaderSettings("boathouse", **wrong)  # type: ignore[arg-type]


# -- orders about what is in force -----------------------------------------------------------------------------------


def test_an_order_about_what_is_in_force_is_the_leader_s_to_take(hall: Hall) -> None:
    boathouse, hut, jetty, _ = populate(hall)
    now, there = hall.local("boathouse"), hall.local("ticket hut")
    orders: list[Callable[[], Cue]] = [
        lambda: hut.pause(there),
        lambda: hut.resume(there),
        lambda: hut.seek(ShowPosition(0), there),
    ]
    for order in orders:
        with pytest.raises(OrderError, match=r"only the leader can .*: this node is standby"):
            order()
    sought = boathouse.seek(ShowPosition(90 * SECOND), now)
    line = ShowLine(LeaderInstant(now + boathouse.settings.lead_time_ns), ShowPosition(90 * SECOND))
    assert sought == Cue(TIDEFALL.key, CueState.ROLLING, line, LeaderInstant(now))
    hall.run(5)
    assert jetty.cue == boathouse.cue == sought
    boathouse.pause(hall.local("boathouse"))
    hall.run(5)
    assert jetty.cue.state is CueState.PAUSED
    resumed = boathouse.resume(hall.local("boathouse"))
    hall.run(5)
    assert jetty.cue == resumed
    # It was sought at 0 s, in force at 2 s, and the pause, ordered at 5 s, at 7 s.
    assert resumed.line.position == ShowPosition(95 * SECOND)


def test_a_show_is_rolled_by_what_it_is_by_its_id_or_by_its_key(hall: Hall) -> None:
    boathouse = add_leader(hall, "boathouse", listen_intervals=0)
    for show in (EMBERS, "Embers", EMBERS.key):
        assert boathouse.roll(show, hall.local("boathouse")).show == EMBERS.key
    with pytest.raises(ConfigurationError, match=r"show: 'Ember' is not allowed; allowed: one of .*: Embers, Tidefall"):
        boathouse.roll("Ember", hall.local("boathouse"))
    two = [EMBERS, StoredShow("Embers", FrameRate(40), 5, edition="2")]
    hut = add_leader(hall, "ticket hut", shows=two)
    with pytest.raises(ConfigurationError, match="several editions"):
        hut.roll("Embers", hall.local("ticket hut"))
