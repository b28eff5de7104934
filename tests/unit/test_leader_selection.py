"""Whom a follower follows. Leader 11 has rank 0; leader 12, rank 1, goes after it; leader 10, rank 0, before both."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from leadlight.cue import Cue
from leadlight.follower.exchange import ANSWERED_WITHIN_NS
from leadlight.follower.leader_selection import (
    CHALLENGE_LASTS_NS,
    CHALLENGE_SPACING_NS,
    CHALLENGES_MAXIMUM,
    LOSS_FEWEST,
    RIVAL_LASTS_INTERVALS,
    RIVALS_KEPT,
    SERIALS_AT_ONCE,
    UNPROVEN_INTERVAL_NS,
    Challenge,
    GroupLoss,
    LeaderSelection,
    Novelty,
    Verdict,
)
from leadlight.follower.tenures import PROVISIONAL_INTERVALS, RETIRED_KEPT, is_newer
from leadlight.terms import CueState
from leadlight.units import MILLISECOND, SECOND, LeaderInstant, LocalInstant
from leadlight.wire.messages import Beacon

Maker = Callable[..., Any]


def at(seconds: float) -> LocalInstant:
    return LocalInstant(round(seconds * SECOND))


class Case:
    def __init__(self, make_beacon: Maker, require_fresh: bool = False) -> None:
        self.selection = LeaderSelection(require_fresh)
        self._make_beacon = make_beacon

    def beacon(self, tenure: int = 7, serial: int = 1_000, leader: int = 11, sent: float = 101.0) -> Beacon:
        rank = int(leader == 12)
        sent_at = LeaderInstant(at(sent))
        beacon: Beacon = self._make_beacon(tenure=tenure, serial=serial, leader=leader, rank=rank, sent_at=sent_at)
        return beacon

    def hear(
        self,
        tenure: int = 7,
        serial: int = 1_000,
        leader: int = 11,
        seconds: float = 0.0,
        is_copy: bool = False,
        sent: float = 101.0,
    ) -> Verdict:
        """Judge a beacon, and follow it if so judged."""
        beacon = self.beacon(tenure, serial, leader, sent)._replace(is_copy=is_copy)
        verdict = self.selection.judge(beacon, "there", at(seconds))
        if verdict is Verdict.FOLLOW:
            self.selection.follow(beacon, at(seconds))
        return verdict

    def ask(self, seconds: float = 0.0) -> list[Challenge]:
        """Put every challenge that wants to be put, as a follower does."""
        challenges = self.selection.to_challenge()
        for challenge in challenges:
            challenge.ask(5_000 + challenge.beacon.tenure, at(seconds))
        return challenges

    def prove(self, tenure: int, seconds: float = 0.0) -> Challenge | None:
        return self.selection.answered(5_000 + tenure, tenure, at(seconds))


@pytest.fixture
def case(make_beacon: Maker) -> Case:
    return Case(make_beacon)


@pytest.fixture
def keyed(make_beacon: Maker) -> Case:
    """Follows tenure 7 of leader 11, proven."""
    case = Case(make_beacon, require_fresh=True)
    case.hear(7)
    case.ask()
    assert case.prove(7) is not None
    assert case.hear(7) is Verdict.FOLLOW
    return case


# -- within a tenure --------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("serial", "than", "newer"),
    [
        (1, 0, True),
        (0, 0, False),
        (0, 1, False),
        (0, 0xFFFF_FFFF, True),
        (0xFFFF_FFFF, 0, False),
        ((1 << 31) - 1, 0, True),
        (1 << 31, 0, False),
        (5, 0xFFFF_FFF0, True),
    ],
)
def test_serials_compare_on_a_circle(serial: int, than: int, newer: bool) -> None:
    assert is_newer(serial, than) is newer


def test_a_beacon_counts_once_and_an_older_one_not_at_all(case: Case) -> None:
    assert case.hear(serial=1_000) is Verdict.FOLLOW
    assert case.hear(serial=1_000) is Verdict.DUPLICATE
    assert case.hear(serial=999) is Verdict.LATE
    assert case.hear(serial=1_001) is Verdict.FOLLOW


def test_a_beacon_and_its_copy_are_known_from_each_other_once(case: Case) -> None:
    assert case.hear(serial=1_000, is_copy=True) is Verdict.FOLLOW
    assert case.hear(serial=1_000) is Verdict.KNOWN
    assert case.hear(serial=1_000) is Verdict.DUPLICATE
    assert case.hear(serial=1_000, is_copy=True) is Verdict.DUPLICATE
    assert case.hear(serial=1_001) is Verdict.FOLLOW
    assert case.hear(serial=1_002, is_copy=True) is Verdict.FOLLOW
    assert case.hear(serial=1_001) is Verdict.LATE
    assert case.hear(serial=1_001, is_copy=True) is Verdict.LATE
    assert case.hear(serial=1_002) is Verdict.KNOWN


def test_serials_wrap(case: Case) -> None:
    serials = [0xFFFF_FFFE, 0xFFFF_FFFF, 0, 0xFFFF_FFFF, 1]
    verdicts = [case.hear(serial=serial) for serial in serials]
    assert verdicts == [Verdict.FOLLOW, Verdict.FOLLOW, Verdict.FOLLOW, Verdict.LATE, Verdict.FOLLOW]


def test_a_refused_beacon_moves_no_reference(case: Case) -> None:
    case.hear(serial=1_000)
    case.hear(tenure=8, serial=9_000, leader=12)
    case.hear(serial=(1_000 - 5) & 0xFFFF_FFFF)
    assert (case.selection.tenure, case.selection.serial, case.selection.order) == (7, 1_000, (0, 11))


def test_a_serial_advances_by_no_more_than_a_leader_can_have_sent(case: Case) -> None:
    case.hear(serial=1_000, seconds=10)
    assert case.hear(serial=(1_000 + (1 << 31) - 1), seconds=10.5) is Verdict.IMPLAUSIBLE
    assert case.hear(serial=1_000 + SERIALS_AT_ONCE + 51, seconds=10.5) is Verdict.IMPLAUSIBLE
    assert case.selection.serial == 1_000
    assert case.selection.loss.share == 0
    assert case.hear(serial=1_000 + SERIALS_AT_ONCE + 50, seconds=10.5) is Verdict.FOLLOW


def test_a_lost_leaders_serial_may_be_anywhere_ahead(case: Case) -> None:
    case.hear(serial=1_000)
    case.selection.is_lost = True
    assert case.hear(serial=1_000 + (1 << 31) - 1, seconds=5) is Verdict.FOLLOW


def test_serials_that_go_on_later_than_what_was_followed_show_that_it_was_false(case: Case) -> None:
    case.hear(serial=1_000, sent=100)
    case.hear(serial=1_060, sent=100.2)  # a forgery
    assert case.hear(serial=1_001, sent=101) is Verdict.LATE
    assert case.hear(serial=1_001, sent=101, is_copy=True) is not Verdict.FOLLOW
    assert case.hear(serial=1_002, sent=101.4) is Verdict.LATE
    assert case.hear(serial=1_003, sent=101.45) is Verdict.LATE  # not yet over an interval
    assert case.hear(serial=1_004, sent=101.5) is Verdict.FOLLOW
    assert case.selection.serial == 1_004
    assert case.selection.loss.share == 0
    assert case.hear(serial=1_005, sent=103) is Verdict.FOLLOW


def test_a_copy_with_a_false_serial_is_found_out_by_beacons_to_the_group(case: Case) -> None:
    case.hear(serial=1_000, sent=100)
    case.hear(serial=1_060, sent=100.2, is_copy=True)
    assert [case.hear(serial=1_000 + number, sent=100 + number) for number in (1, 2, 3)] == [
        Verdict.KNOWN,
        Verdict.KNOWN,
        Verdict.FOLLOW,
    ]


def test_what_is_late_by_both_stays_late_and_a_recording_is_never_followed(keyed: Case) -> None:
    keyed.hear(serial=1_001, sent=102)
    keyed.hear(serial=1_060, sent=160)
    for lost in (False, True):
        keyed.selection.is_lost = lost
        for number in range(2, 40):
            assert keyed.hear(serial=1_000 + number, sent=101 + number) is not Verdict.FOLLOW


def test_without_a_key_a_lost_leader_is_followed_by_what_goes_on_of_it(case: Case) -> None:
    case.hear(serial=1_000, sent=100)
    case.hear(serial=1_060, sent=10_000)  # the first that was heard of its clock
    assert [case.hear(serial=1_000 + number, sent=100 + number) for number in range(1, 9)] == [Verdict.LATE] * 8
    case.selection.is_lost = True
    assert [case.hear(serial=1_000 + number, sent=100 + number) for number in range(9, 12)] == [
        Verdict.LATE,
        Verdict.LATE,
        Verdict.FOLLOW,
    ]


# -- between tenures --------------------------------------------------------------------------------------------------


def test_the_same_leader_begun_anew_is_followed_at_once_whatever_its_serial(case: Case) -> None:
    case.hear(7, serial=9_000)
    beacon = case.beacon(8, serial=3)
    assert case.selection.judge(beacon, "there", at(1)) is Verdict.FOLLOW
    assert case.selection.follow(beacon, at(0)) is Novelty.RESTARTED


def test_a_restarted_leaders_old_tenure_is_over_however_new_its_serials(case: Case) -> None:
    case.hear(7, serial=1_000)
    case.hear(8, serial=5)
    assert [case.hear(7, serial=serial) for serial in (999, 1_000, 1_001, 50_000)] == [Verdict.RETIRED] * 4
    case.selection.is_lost = True
    assert case.hear(7, serial=1_001) is Verdict.RETIRED


def test_another_leader_is_followed_if_it_outranks_or_the_one_followed_is_lost(case: Case) -> None:
    case.hear(7)
    assert case.hear(8, leader=12) is Verdict.OTHER_LEADER
    assert case.hear(9, leader=10, serial=1_000, seconds=1) is Verdict.UNCONFIRMED
    assert case.hear(9, leader=10, serial=1_001, seconds=1.25) is Verdict.FOLLOW
    assert case.selection.order == (0, 10)
    assert case.hear(8, leader=12) is Verdict.OTHER_LEADER
    case.selection.is_lost = True
    assert case.hear(8, leader=12) is Verdict.FOLLOW
    assert not case.selection.is_lost


def test_a_first_leader_that_went_on_through_a_split_is_followed_again(case: Case) -> None:
    case.hear(7, serial=1_000)
    case.selection.is_lost = True
    assert case.hear(8, serial=5, leader=12) is Verdict.FOLLOW
    # What it sent before the split is late; what it has sent since is not, and it outranks.
    assert case.hear(7, serial=1_000) is Verdict.RETIRED
    assert case.hear(7, serial=1_040, seconds=20) is Verdict.UNCONFIRMED
    assert case.hear(7, serial=1_041, seconds=20.5) is Verdict.FOLLOW
    assert case.hear(8, serial=6, leader=12) is Verdict.OTHER_LEADER


def test_a_tenure_that_was_left_is_not_followed_under_another_leaders_id(case: Case) -> None:
    case.hear(7, serial=1_000)
    case.selection.is_lost = True
    case.hear(8, serial=5, leader=12)
    assert case.hear(7, serial=1_040, leader=10) is Verdict.RETIRED


def test_tenures_that_were_left_are_remembered_up_to_a_limit(case: Case) -> None:
    for tenure in range(1, 2 * RETIRED_KEPT):
        case.hear(tenure)
    last = 2 * RETIRED_KEPT - 1
    assert all(case.hear(tenure, serial=9_000) is Verdict.RETIRED for tenure in range(last - RETIRED_KEPT, last))
    assert len(case.selection._left_tenures) == RETIRED_KEPT


def test_two_newer_beacons_of_the_old_tenure_show_that_it_had_not_ended(case: Case) -> None:
    case.hear(7, serial=1_000, sent=100, seconds=0)
    assert case.hear(99, serial=5, sent=100.5, seconds=0.5) is Verdict.FOLLOW
    assert case.hear(7, serial=1_001, sent=101, seconds=1) is Verdict.RETIRED
    assert case.hear(7, serial=1_001, sent=101, seconds=1, is_copy=True) is Verdict.RETIRED
    assert case.hear(7, serial=1_002, sent=101.2, seconds=1.2) is Verdict.RETIRED  # half an interval has not passed
    beacon = case.beacon(7, serial=1_003, sent=101.3)
    assert case.selection.judge(beacon, "there", at(1.3)) is Verdict.FOLLOW
    assert case.selection.follow(beacon, at(1.3)) is Novelty.RETURNED
    # What was refused is not followed while the leader is there, and is like any other when it is lost.
    assert case.hear(99, serial=6, sent=102, seconds=2) is Verdict.RETIRED
    case.selection.is_lost = True
    assert case.hear(99, serial=7, sent=110, seconds=10) is Verdict.FOLLOW


def test_a_serial_that_was_forged_keeps_no_tenure_from_returning(case: Case) -> None:
    case.hear(7, serial=1_000, sent=100, seconds=0)
    assert case.hear(7, serial=1_064, sent=100.1, seconds=0.1) is Verdict.FOLLOW
    assert case.hear(99, serial=5, sent=100.4, seconds=0.4) is Verdict.FOLLOW
    # Late by both: the network has held them back.
    assert case.hear(7, serial=998, sent=99.5, seconds=0.41) is Verdict.RETIRED
    assert case.hear(7, serial=999, sent=100, seconds=0.42) is Verdict.RETIRED
    # Late by the serial alone, as no network makes them.
    assert case.hear(7, serial=1_001, sent=100.5, seconds=0.5) is Verdict.RETIRED
    assert case.hear(7, serial=1_002, sent=101, seconds=1) is Verdict.FOLLOW
    assert case.hear(7, serial=1_003, sent=101.5, seconds=1.5) is Verdict.FOLLOW


def test_after_three_intervals_the_old_tenure_has_ended(case: Case) -> None:
    case.hear(7, serial=1_000, sent=100, seconds=0)
    case.hear(8, serial=5, sent=100.5, seconds=0.5)
    late = 0.5 + PROVISIONAL_INTERVALS * 0.5 - 0.9
    verdicts = [case.hear(7, serial=1_000 + n, sent=100 + n, seconds=late + n) for n in range(1, 20)]
    assert verdicts == [Verdict.RETIRED] * 19


def test_a_tenure_that_has_ended_is_over_whoever_was_followed_between(case: Case) -> None:
    case.hear(7, serial=1_000, sent=100, seconds=0)
    case.hear(8, serial=5, sent=120, seconds=20)
    case.selection.is_lost = True
    case.hear(9, serial=5, leader=12, sent=140, seconds=40)
    assert case.hear(7, serial=1_001, sent=141, seconds=41) is Verdict.RETIRED
    assert case.hear(7, serial=1_009, sent=149, seconds=49) is Verdict.RETIRED
    assert case.hear(8, serial=6, sent=150, seconds=50) is Verdict.UNCONFIRMED  # this one has not, and outranks
    assert case.hear(8, serial=7, sent=151, seconds=51) is Verdict.FOLLOW


def test_one_that_has_ended_insists_where_nobody_else_is_left(case: Case, keyed: Case) -> None:
    for which in (case, keyed):
        which.hear(7, serial=1_000, sent=100, seconds=0)
        which.hear(99, serial=5, sent=100.5, seconds=0.5)
        which.ask(0.5)
        which.prove(99, 0.5)
        which.hear(99, serial=5, sent=100.5, seconds=0.5)
        assert which.selection.tenure == 99
        which.selection.is_lost = True
    verdicts = [case.hear(7, serial=1_000 + n, sent=100 + n, seconds=n) for n in (8, 9, 10)]
    assert verdicts == [Verdict.RETIRED, Verdict.RETIRED, Verdict.FOLLOW]
    verdicts = [keyed.hear(7, serial=1_000 + n, sent=100 + n, seconds=n) for n in (8, 9, 10)]
    assert verdicts == [Verdict.RETIRED] * 3


@pytest.mark.parametrize("is_refused", [False, True], ids=["ended", "refused"])
@pytest.mark.parametrize("serial", [1_002, 900], ids=["newer", "late"])
def test_who_leads_yields_to_a_tenure_that_insists_whatever_is_remembered_of_it(
    case: Case, keyed: Case, serial: int, is_refused: bool
) -> None:
    case.hear(7, serial=1_000, sent=100, seconds=0)
    case.hear(99, serial=5, sent=100.5, seconds=0.5)
    tenure = 7
    if is_refused:
        case.hear(7, serial=1_001, sent=101, seconds=1)
        assert case.hear(7, serial=1_002, sent=101.5, seconds=1.5) is Verdict.FOLLOW
        tenure, serial = 99, 6 if serial > 1_000 else 0xFFFF_FFF0
    case.selection.lead(500 * MILLISECOND)
    verdicts = [case.hear(tenure, serial + n, sent=110 + n / 2, seconds=10 + n / 2) for n in range(4)]
    if is_refused and serial == 6:  # nothing has to be proven false
        assert verdicts[:2] == [Verdict.UNCONFIRMED, Verdict.FOLLOW]
    else:
        assert verdicts == [Verdict.RETIRED, Verdict.RETIRED, Verdict.UNCONFIRMED, Verdict.FOLLOW]
    # With a key nobody can have forged what says that it has ended.
    keyed.hear(99, serial=5, sent=100.5, seconds=0.5)
    keyed.ask(0.5)
    keyed.prove(99, 0.5)
    assert keyed.hear(99, serial=5, sent=100.5, seconds=0.5) is Verdict.FOLLOW
    keyed.selection.lead(500 * MILLISECOND)
    verdicts = [keyed.hear(7, 1_002 + n, sent=110 + n / 2, seconds=10 + n / 2) for n in range(9)]
    assert verdicts == [Verdict.RETIRED] * 9


def test_a_tenure_whose_serial_was_forged_insists_after_another_leader_too(case: Case) -> None:
    case.hear(7, serial=1_000, sent=100, seconds=0)
    case.hear(7, serial=1_064, sent=100.1, seconds=0.1)
    case.selection.is_lost = True
    case.hear(8, serial=5, leader=12, sent=105, seconds=5)
    case.selection.is_lost = True
    verdicts = [case.hear(7, 1_020 + n, sent=110 + n / 2, seconds=10 + n / 2) for n in range(3)]
    assert verdicts == [Verdict.RETIRED, Verdict.RETIRED, Verdict.FOLLOW]


def test_beacons_that_insisted_while_the_leader_lived_count_once_it_is_lost(case: Case) -> None:
    case.hear(7, serial=1_000, sent=100, seconds=0)
    case.hear(99, serial=5, sent=110, seconds=10)
    verdicts = [case.hear(7, 1_030 + n, sent=115 + n / 2, seconds=15 + n / 2) for n in range(4)]
    assert verdicts == [Verdict.RETIRED] * 4
    case.selection.is_lost = True
    assert case.hear(7, 1_034, sent=117, seconds=17) is Verdict.FOLLOW
    # A leader that does begin anew ends what has insisted as well.
    assert case.hear(9, serial=5, sent=130, seconds=30) is Verdict.FOLLOW
    case.selection.is_lost = True
    assert case.hear(7, 1_060, sent=131, seconds=31.6) is Verdict.RETIRED


# -- proof ------------------------------------------------------------------------------------------------------------


def test_with_a_key_a_new_tenure_must_answer_before_it_is_followed(make_beacon: Maker) -> None:
    case = Case(make_beacon, require_fresh=True)
    assert case.hear(7) is Verdict.UNPROVEN
    assert case.selection.tenure is None
    (challenge,) = case.ask()
    assert (challenge.beacon.tenure, challenge.source) == (7, "there")
    assert case.selection.is_open(5_007)
    assert case.prove(7) is challenge
    assert case.hear(7) is Verdict.FOLLOW


@pytest.mark.parametrize(("nonce", "tenure"), [(5_008, 7), (5_007, 8), (0, 7)])
def test_another_answer_proves_nothing(make_beacon: Maker, nonce: int, tenure: int) -> None:
    case = Case(make_beacon, require_fresh=True)
    case.hear(7)
    case.ask()
    assert case.selection.answered(nonce, tenure, at(0)) is None
    assert case.hear(7, serial=1_001) is Verdict.UNPROVEN


def test_an_answer_proves_nothing_once_it_is_two_seconds_old(keyed: Case) -> None:
    keyed.hear(8, seconds=1)
    keyed.ask(1)
    late = 1 + ANSWERED_WITHIN_NS / SECOND
    assert keyed.prove(8, late + 1e-9) is None
    assert keyed.prove(8, late) is not None


def test_of_the_nonces_of_one_challenge_any_may_be_answered_and_few_are_kept(keyed: Case) -> None:
    keyed.hear(8, seconds=1)
    (challenge,) = keyed.selection.to_challenge()
    for step in range(100):
        challenge.ask(step, LocalInstant(at(1) + step * CHALLENGE_SPACING_NS))
        assert len(challenge.nonces) <= ANSWERED_WITHIN_NS // CHALLENGE_SPACING_NS + 1
    now = LocalInstant(at(1) + 99 * CHALLENGE_SPACING_NS)
    assert keyed.selection.answered(88, 8, now) is None
    assert keyed.selection.is_open(89)
    assert keyed.selection.answered(89, 8, now) is challenge


def test_an_answer_proves_once(keyed: Case) -> None:
    keyed.hear(8, seconds=1)
    keyed.ask(1)
    assert keyed.prove(8, 1) is not None
    assert keyed.prove(8, 1) is None


def test_a_leader_that_was_left_must_prove_itself_again(keyed: Case) -> None:
    keyed.selection.is_lost = True
    keyed.hear(8, leader=12, seconds=1)
    keyed.ask(1)
    keyed.prove(8, 1)
    assert keyed.hear(8, leader=12, seconds=1) is Verdict.FOLLOW
    assert keyed.hear(7, serial=2_000, seconds=2) is Verdict.UNPROVEN


def test_each_beacon_of_a_new_tenure_lets_it_be_asked_once_and_none_too_soon(keyed: Case) -> None:
    keyed.hear(8, serial=1, seconds=1)
    assert len(keyed.ask(1)) == 1
    assert keyed.ask(60) == []  # a recording that comes once is not asked for ever
    keyed.hear(8, serial=1, seconds=61)
    assert keyed.ask(61) == []  # nor the same recording twice
    keyed.hear(9, serial=1, seconds=61)
    keyed.ask(61)
    keyed.hear(9, serial=2, seconds=61 + (CHALLENGE_SPACING_NS - MILLISECOND) / SECOND)
    assert keyed.ask(62) == []
    keyed.hear(9, serial=3, seconds=61 + CHALLENGE_SPACING_NS / SECOND)
    assert [challenge.beacon.serial for challenge in keyed.ask(62)] == [3]


def test_without_a_key_a_forged_serial_does_not_keep_a_rival_from_being_asked_for_good(make_beacon: Maker) -> None:
    case = Case(make_beacon)
    case.selection = LeaderSelection(require_fresh=False, asks_rivals=True)
    case.hear(7, leader=12)
    forged, honest = (1 << 31) + 50, 51
    asked: list[int] = []
    for half in range(1, 20):
        if half == 2:
            case.hear(8, serial=forged, seconds=1)
        case.hear(7, serial=1_000 + half, leader=12, seconds=half / 2)
        case.hear(8, serial=honest + half, seconds=half / 2)
        asked += [challenge.beacon.serial for challenge in case.ask(half / 2)]
    assert forged in asked
    assert asked[-1] < forged


def test_a_flood_of_recorded_tenures_is_not_asked_without_end_and_does_not_shut_out_the_true_one(keyed: Case) -> None:
    asked = 0
    for number in range(1_000):
        keyed.hear(100 + number, seconds=1)
        asked += len(keyed.ask(1))
    assert asked == CHALLENGES_MAXIMUM
    later = 1 + CHALLENGE_LASTS_NS / SECOND
    keyed.hear(8, seconds=later)
    assert [challenge.beacon.tenure for challenge in keyed.ask(later)] == [8]
    assert keyed.prove(8, later) is not None


# -- loss -------------------------------------------------------------------------------------------------------------


def test_loss_is_exact_over_the_last_sixty_four_serials() -> None:
    loss = GroupLoss()
    for serial in range(0, 400, 4):
        for heard in (0, 1, 2):
            loss.note(serial + heard, is_copy=False)
    # The last is 398; of 335 to 398 every fourth, from 335 on, was lost: sixteen.
    assert loss.share == 16 / 64
    for serial in range(400, 464):
        loss.note(serial, is_copy=False)
    assert loss.share == 0.0


def test_copies_tell_which_serials_there_were_and_count_for_nothing_else() -> None:
    loss = GroupLoss()
    for serial in range(64):
        loss.note(serial, is_copy=True)
    assert loss.share == 1.0
    loss.note(60, is_copy=False)  # the group's frame comes after the copy
    assert loss.share == 63 / 64


def test_a_few_beacons_are_too_few_for_a_large_share() -> None:
    loss = GroupLoss()
    assert loss.share == 0.0
    loss.note(0, is_copy=False)
    loss.note(2, is_copy=False)
    assert loss.share == 1 / LOSS_FEWEST
    for serial in range(3, 3 + LOSS_FEWEST):
        loss.note(serial, is_copy=False)
    assert loss.share == 1 / (3 + LOSS_FEWEST)


def test_silence_counts_as_loss_though_no_serial_tells_of_it() -> None:
    loss = GroupLoss()
    for serial in range(64):
        loss.note(serial, is_copy=False)
    assert [loss.share_after(silent) for silent in (0, 16, 64, 1_000)] == [0.0, 0.25, 1.0, 1.0]


def test_serials_out_of_order_and_around_the_circle_are_counted_where_they_belong() -> None:
    loss = GroupLoss()
    for serial in (0xFFFF_FFF0, 0xFFFF_FFF2, 0xFFFF_FFF1):
        loss.note(serial, is_copy=False)
    assert loss.share == 0.0
    loss.note(16, is_copy=False)
    assert loss.share == 29 / 33


# -- a live leader is not deposed by one beacon -----------------------------------------------------------------------


class Rivals(Case):
    """Follows tenure 7 of leader 11, whose interval is half a second; leader 5 would outrank it."""

    def __init__(self, make_beacon: Maker, asks_rivals: bool = False, require_fresh: bool = False) -> None:
        super().__init__(make_beacon, require_fresh)
        self.selection = LeaderSelection(require_fresh, asks_rivals)
        self.take(self.beacon(7, 1_000, 11), 0)
        if require_fresh:
            self.ask()
            self.prove(7)
            assert self.take(self.beacon(7, 1_001, 11), 0) is Verdict.FOLLOW

    def take(self, beacon: Beacon, seconds: float) -> Verdict:
        verdict = self.selection.judge(beacon, "there", at(seconds))
        if verdict is Verdict.FOLLOW:
            self.selection.follow(beacon, at(seconds))
            self.selection.loss_interval_ns(beacon, at(seconds))
        return verdict

    def rival(self, serial: int, seconds: float, **changes: Any) -> Verdict:
        return self.take(self.beacon(50, serial, 5)._replace(**changes), seconds)

    def honest(self, serial: int, seconds: float) -> Verdict:
        return self.take(self.beacon(7, serial, 11), seconds)


def test_a_live_leader_is_left_after_a_second_beacon_half_an_interval_later(make_beacon: Maker) -> None:
    case = Rivals(make_beacon)
    heard = [case.rival(serial, 10 + serial / 10) for serial in (0, 1, 2)]
    assert heard == [Verdict.UNCONFIRMED] * 3
    assert case.rival(1, 10.25) is Verdict.UNCONFIRMED  # what is late proves nothing
    repeated = Rivals(make_beacon)
    assert [repeated.rival(0, 10 + number) for number in range(4)] == [Verdict.UNCONFIRMED] * 4
    assert case.rival(3, 10.25) is Verdict.FOLLOW


@pytest.mark.parametrize(
    ("interval_ns", "wait_s"), [(10 * MILLISECOND, 0.25), (4 * SECOND, 2), (65_535 * MILLISECOND, 5)]
)
def test_the_longer_of_both_intervals_counts_up_to_ten_seconds(
    make_beacon: Maker, interval_ns: int, wait_s: float
) -> None:
    case = Rivals(make_beacon)
    case.rival(0, 10, interval_ns=interval_ns)
    assert case.rival(1, 10 + wait_s - 0.001, interval_ns=interval_ns) is Verdict.UNCONFIRMED
    assert case.rival(2, 10 + wait_s, interval_ns=interval_ns) is Verdict.FOLLOW


@pytest.mark.parametrize("since", [10, 0.1], ids=["any", "just booted"])
def test_a_first_beacon_is_forgotten_after_ten_intervals(make_beacon: Maker, since: float) -> None:
    case = Rivals(make_beacon)
    case.rival(0, since)
    assert case.rival(1, since + RIVAL_LASTS_INTERVALS / 2 + 0.001) is Verdict.UNCONFIRMED
    assert case.rival(2, since + RIVAL_LASTS_INTERVALS / 2 + 0.3) is Verdict.FOLLOW


def test_only_a_few_tenures_wait_for_their_second_beacon(make_beacon: Maker) -> None:
    case = Rivals(make_beacon)
    for tenure in range(100, 100 + 3 * RIVALS_KEPT):
        assert case.hear(tenure, leader=5, seconds=10) is Verdict.UNCONFIRMED
    assert len(case.selection._rivals) == RIVALS_KEPT


def test_who_leads_or_stands_by_asks_too_where_it_may(make_beacon: Maker) -> None:
    case = Rivals(make_beacon, asks_rivals=True)
    assert case.rival(0, 10) is Verdict.UNPROVEN
    assert case.rival(1, 10.5) is Verdict.UNPROVEN
    case.ask(10.5)
    assert case.prove(50, 10.6) is not None
    assert case.rival(2, 10.7) is Verdict.FOLLOW
    assert case.selection.has_answered
    silent = Rivals(make_beacon, asks_rivals=True)
    assert silent.rival(0, 10, sounding_budget=0) is Verdict.UNCONFIRMED
    assert silent.rival(1, 10.5, sounding_budget=0) is Verdict.FOLLOW
    assert not silent.selection.has_answered


def test_who_leads_itself_is_as_wary_as_if_it_followed(make_beacon: Maker) -> None:
    case = Rivals(make_beacon, asks_rivals=True)
    case.selection.lead(500 * MILLISECOND)
    assert case.rival(0, 10, sounding_budget=0) is Verdict.UNCONFIRMED
    assert case.rival(1, 10.25, sounding_budget=0) is Verdict.FOLLOW
    case.selection.leave()
    assert case.hear(51, leader=5, seconds=20) is Verdict.FOLLOW  # nobody to depose


def test_a_stop_needs_the_answer_and_no_second_beacon(make_beacon: Maker, a_cue: Cue) -> None:
    stop = a_cue._replace(state=CueState.STOPPED)
    case = Rivals(make_beacon, asks_rivals=True)
    assert case.rival(0, 10, cue=stop) is Verdict.UNPROVEN
    case.ask(10)
    assert case.prove(50, 10.01) is not None
    assert case.rival(0, 10.01, cue=stop) is Verdict.FOLLOW
    plain = Rivals(make_beacon)
    assert plain.rival(0, 10, cue=stop) is Verdict.UNCONFIRMED


def test_a_lost_leader_is_left_at_once(make_beacon: Maker) -> None:
    case = Rivals(make_beacon)
    case.selection.is_lost = True
    assert case.rival(0, 10) is Verdict.FOLLOW


def test_a_leader_that_alone_goes_on_is_followed_again(make_beacon: Maker) -> None:
    case = Rivals(make_beacon)
    case.rival(0, 10)
    assert case.rival(1, 10.3) is Verdict.FOLLOW
    assert case.honest(1_021, 10.5) is Verdict.OTHER_LEADER
    assert case.honest(1_022, 10.74) is Verdict.OTHER_LEADER
    assert case.honest(1_023, 10.75) is Verdict.FOLLOW
    assert (case.selection.tenure, case.selection.order) == (7, (0, 11))
    assert case.rival(2, 11) is Verdict.UNCONFIRMED  # and the ghost begins anew


def test_who_met_a_ghost_first_follows_the_leader_that_goes_on_after_half_an_interval(make_beacon: Maker) -> None:
    case = Case(make_beacon)
    ghost = case.beacon(50, 0, 5)._replace(interval_ns=65_535 * MILLISECOND)
    case.selection.judge(ghost, "there", at(0))
    case.selection.follow(ghost, at(0))
    assert case.hear(7, serial=1, seconds=0.3) is Verdict.OTHER_LEADER
    assert case.hear(7, serial=2, seconds=0.8) is Verdict.FOLLOW
    assert case.selection.tenure == 7


def test_a_leader_that_goes_on_beside_the_one_it_was_left_for_is_not(make_beacon: Maker) -> None:
    case = Rivals(make_beacon)
    case.rival(0, 10)
    case.rival(1, 10.3)
    assert case.honest(1_021, 10.5) is Verdict.OTHER_LEADER
    assert case.rival(2, 10.6) is Verdict.FOLLOW
    assert case.honest(1_022, 11) is Verdict.OTHER_LEADER
    assert case.rival(3, 11.1) is Verdict.FOLLOW
    # Three beacons have shown that the other is there.
    assert [case.honest(1_023 + number, 11.5 + number) for number in range(3)] == [Verdict.OTHER_LEADER] * 3


# -- by which interval a silence is judged ----------------------------------------------------------------------------


def judged(case: Case, announced_s: float, times: list[float], *, answered: bool = False) -> float:
    """Follow a tenure of this announced interval at these seconds; return by which one a silence is then judged."""
    interval_ns = 0
    for serial, seconds in enumerate(times):
        beacon = case.beacon(60, serial, 11)._replace(interval_ns=round(announced_s * SECOND))
        assert case.selection.judge(beacon, "there", at(seconds)) is Verdict.FOLLOW
        case.selection.follow(beacon, at(seconds))
        case.selection.has_answered = answered
        interval_ns = case.selection.loss_interval_ns(beacon, at(seconds))
    return interval_ns / SECOND


def test_a_long_interval_is_relied_upon_once_it_was_seen_or_its_leader_has_answered(make_beacon: Maker) -> None:
    assert judged(Case(make_beacon), 65.5, [0]) == UNPROVEN_INTERVAL_NS / SECOND
    assert judged(Case(make_beacon), 65.5, [0], answered=True) == 65.5
    assert judged(Case(make_beacon), 10, [0]) == 10
    # What comes within two seconds of the first may be a burst.
    assert judged(Case(make_beacon), 65.5, [0, 0.5, 1, 1.5, 2]) == UNPROVEN_INTERVAL_NS / SECOND
    assert judged(Case(make_beacon), 65.5, [0, 2, 3, 4.5]) == 3
    assert judged(Case(make_beacon), 65.5, [0, 2, 3, 4.5], answered=True) == 3
    assert judged(Case(make_beacon), 65.5, [0, 65, 131, 196]) == 65.5
    assert judged(Case(make_beacon), 2, [0, 2.1, 2.2, 2.3]) == 2


def test_the_burst_of_another_cue_shortens_no_interval(make_beacon: Maker, a_cue: Cue) -> None:
    case = Case(make_beacon)
    assert judged(case, 10, [0, 10, 20, 30]) == 10
    for number, seconds in enumerate((31, 31.1, 31.2, 31.5, 32, 32.6)):
        beacon = case.beacon(60, 10 + number, 11)._replace(
            interval_ns=10 * SECOND, cue=a_cue._replace(state=CueState.PAUSED)
        )
        case.selection.follow(beacon, at(seconds))
        assert case.selection.loss_interval_ns(beacon, at(seconds)) == 10 * SECOND


def test_after_another_cue_the_gaps_are_counted_anew(make_beacon: Maker, a_cue: Cue) -> None:
    case = Case(make_beacon)
    assert judged(case, 65.5, [0, 2, 3, 4.5]) == 3
    paused = case.beacon(60, 10, 11)._replace(
        interval_ns=65_500 * MILLISECOND, cue=a_cue._replace(state=CueState.PAUSED)
    )
    case.selection.follow(paused, at(6))
    assert case.selection.loss_interval_ns(paused, at(6)) == UNPROVEN_INTERVAL_NS
