"""Whose order holds where two leaders meet, by ages alone; and what each makes of it."""

from __future__ import annotations

from collections.abc import Callable
from random import Random
from typing import Any

import pytest

from leadlight.cue import NO_SHOW, Cue, FrameRate, ShowLine, dark_cue
from leadlight.leader.leader import Leader
from leadlight.leader.orders import SAME_ORDER_NS, STOP_WINS_NS, Claim, claim_of, prevails
from leadlight.leader.settings import LeaderSettings
from leadlight.playback.content import StoredShow
from leadlight.terms import CueState, Role
from leadlight.units import MILLISECOND, SECOND, LeaderInstant, LocalInstant, ShowPosition
from leadlight.wire.codec import Codec


def leader(seconds: float) -> LeaderInstant:
    return LeaderInstant(round(seconds * SECOND))


def cue_of(state: CueState, show: int = 7, since: float = 100, ordered: float | None = None) -> Cue:
    line = ShowLine(leader(since), ShowPosition(0))
    return Cue(show, state, line, None if ordered is None else leader(ordered))


def claim(state: CueState, age_s: float | None, show: int = 7) -> Claim:
    return Claim(cue_of(state, show), None if age_s is None else round(age_s * SECOND))


def holds(one: Claim, other: Claim, blank: bool = False) -> bool:
    return prevails(one, other, blank)


ROLLING, PAUSED, DARK, STOPPED = CueState.ROLLING, CueState.PAUSED, CueState.DARK, CueState.STOPPED


def test_of_what_is_in_force_and_announced_the_youngest_order_counts() -> None:
    cue, coming = cue_of(ROLLING, ordered=98), cue_of(PAUSED, since=202, ordered=200)
    assert claim_of(cue, (), leader(201)) == Claim(cue, 103 * SECOND)
    assert claim_of(cue, (coming,), leader(201)) == Claim(coming, SECOND)
    assert claim_of(cue_of(ROLLING), (coming,), leader(201)) == Claim(coming, SECOND)
    assert claim_of(coming, (cue,), leader(201)) == Claim(coming, SECOND)
    assert claim_of(cue_of(ROLLING), (cue_of(DARK, since=202),), leader(201)) == Claim(cue_of(ROLLING), None)


def test_an_order_from_after_the_beacon_that_tells_of_it_is_none() -> None:
    assert claim_of(cue_of(ROLLING, ordered=200.000000001), (), leader(200)).age_ns is None
    assert claim_of(cue_of(ROLLING, ordered=200), (), leader(200)).age_ns == 0


def test_the_younger_order_holds_and_any_holds_against_none() -> None:
    assert holds(claim(ROLLING, 3), claim(DARK, 4))
    assert not holds(claim(DARK, 4), claim(ROLLING, 3))
    assert not holds(claim(ROLLING, 3), claim(DARK, 3))
    assert not holds(claim(DARK, 3), claim(ROLLING, 3))
    assert holds(claim(DARK, 9_000), claim(ROLLING, None))
    assert not holds(claim(ROLLING, None), claim(DARK, 9_000))
    assert not holds(claim(ROLLING, None), claim(DARK, None))


@pytest.mark.parametrize("state", [ROLLING, PAUSED, DARK])
def test_a_stop_holds_against_orders_up_to_two_seconds_younger(state: CueState) -> None:
    wins_s = STOP_WINS_NS / SECOND
    for age_s, is_stopped in ((0, True), (5, True), (5 + wins_s, True), (5 + wins_s + 0.001, False), (60, False)):
        assert holds(claim(STOPPED, age_s), claim(state, 5)) is is_stopped
        assert holds(claim(state, 5), claim(STOPPED, age_s)) is not is_stopped


def test_one_order_told_by_two_leaders_is_one() -> None:
    apart_s = SAME_ORDER_NS / SECOND
    assert not holds(claim(ROLLING, 5), claim(ROLLING, 5 + apart_s))
    assert holds(claim(ROLLING, 5), claim(ROLLING, 5 + apart_s + 0.001))
    assert holds(claim(ROLLING, 5), claim(ROLLING, 5.001, show=8))
    assert not holds(claim(STOPPED, 5), claim(STOPPED, 5 + apart_s))


def test_what_is_lit_holds_against_a_leader_that_never_cued_anything_and_nothing_else_does() -> None:
    blank = Claim(dark_cue(leader(50)), None)
    assert holds(claim(ROLLING, None), blank, blank=True)
    assert holds(claim(PAUSED, None), blank, blank=True)
    assert not holds(claim(ROLLING, None), blank)
    assert not holds(claim(DARK, None), blank, blank=True)
    assert not holds(claim(ROLLING, None, show=NO_SHOW), blank, blank=True)
    assert SAME_ORDER_NS > 20 * MILLISECOND  # a delay of the air is no newer order


def test_what_a_person_orders_says_when_and_what_a_timetable_starts_does_not() -> None:
    now = LocalInstant(1_000 * SECOND)
    settings = LeaderSettings("boathouse", listen_intervals=0)
    node = Leader(settings, Codec("Quarry Lake"), Random(1), now, [StoredShow("Tidefall", FrameRate(40), 8_000)])

    def at(seconds: int) -> LocalInstant:
        return LocalInstant(now + seconds * SECOND)

    def in_force(seconds: int) -> LeaderInstant | None:
        node.handle_timer(at(seconds))
        return node.cue.ordered_at

    node.schedule(cue_of(ROLLING, since=1_002))
    assert in_force(3) is None
    node.resume_line(cue_of(ROLLING, since=990), at(4))
    assert in_force(4) is None
    node.roll("Tidefall", at(10))
    assert in_force(12) == leader(1_010)
    node.pause(at(20))
    assert in_force(22) == leader(1_020)
    node.seek(ShowPosition(0), at(30))
    assert in_force(32) == leader(1_030)
    node.resume(at(40))
    assert in_force(42) == leader(1_040)
    node.go_dark(at(50))
    assert in_force(52) == leader(1_050)
    node.stop(at(60))
    assert in_force(60) == leader(1_060)


def test_a_takeover_in_a_timebase_of_its_own_keeps_the_age_of_an_order(make_hall: Callable[..., Any]) -> None:
    hall = make_hall(Codec("Quarry Lake"))
    shows = [StoredShow("Tidefall", FrameRate(40), 8_000)]
    for name, rank, offset_s in (("boathouse", 0, 0), ("ticket hut", 1, -300)):
        made = LeaderSettings(name, rank=rank, listen_intervals=0 if rank == 0 else 7, sounding_budget=0)
        hall.add(name, lambda now, m=made: Leader(m, hall.codec, Random(m.name), now, shows), offset_s * SECOND)
    boathouse, hut = (hall.nodes[name].core for name in ("boathouse", "ticket hut"))
    boathouse.roll("Tidefall", hall.local("boathouse"))
    ordered = hall.now
    hall.run(12)
    timebase = boathouse.timebase
    hall.crash("boathouse")
    hall.run(10)
    assert hut.role is Role.LEADING
    assert hut.timebase != timebase  # by beacons alone it does not know that clock well enough
    assert abs(hut.cue.ordered_at - (ordered - 300 * SECOND)) <= 2 * MILLISECOND
