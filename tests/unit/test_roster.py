from __future__ import annotations

from collections.abc import Callable
from typing import Any

from leadlight.leader.roster import INSTANCES_KEPT, ROSTER_MAXIMUM, Roster
from leadlight.units import SECOND, LocalInstant

Maker = Callable[..., Any]


def at(second: int) -> LocalInstant:
    return LocalInstant(second * SECOND)


def test_a_follower_is_new_once_and_keeps_its_latest_address() -> None:
    roster = Roster()
    entry, new = roster.hear(21, "here", at(1))
    assert new
    again, new = roster.hear(21, "there", at(2))
    assert not new
    assert again is entry
    assert (entry.address, entry.heard_at, len(roster)) == ("there", at(2), 1)
    assert roster.find(21) is entry
    assert roster.find(22) is None


def test_its_name_is_its_number_until_it_says_another(make_tally: Maker) -> None:
    roster = Roster()
    entry, _ = roster.hear(0xBEEF, "here", at(1))
    assert entry.name == "0000beef"
    roster.note_tally(entry, make_tally(name="willow"))
    assert entry.name == "willow"


def test_a_restart_is_no_clone_and_two_boards_under_one_id_are_told_once(make_tally: Maker) -> None:
    roster = Roster()
    entry, _ = roster.hear(21, "here", at(1))
    instances = [1, 1, 2, 2, 3, 2, 3, 2]
    told = [roster.note_tally(entry, make_tally(instance=instance)) for instance in instances]
    # 1 → 2 → 3 are two restarts; the 2 that comes back after the 3 is another board.
    assert told == [False, False, False, False, False, True, False, False]
    assert entry.cloned


def test_followers_are_listed_by_when_they_were_heard() -> None:
    roster = Roster()
    for second, follower in enumerate((1, 2, 3, 1)):
        roster.hear(follower, "", at(second))
    assert [entry.follower for entry in roster] == [2, 3, 1]
    assert [roster.heard_since(at(second)) for second in range(5)] == [3, 3, 2, 1, 0]


def test_the_one_heard_longest_ago_makes_room() -> None:
    roster = Roster()
    for follower in range(1, ROSTER_MAXIMUM + 2):
        roster.hear(follower, "", at(follower))
    assert len(roster) == ROSTER_MAXIMUM
    assert roster.find(1) is None
    assert roster.find(2) is not None


def test_turns_go_round_among_those_heard_lately_that_have_reported(make_tally: Maker) -> None:
    roster = Roster()
    for follower, second in ((4, 0), (1, 10), (2, 10), (3, 10)):
        entry, _ = roster.hear(follower, "", at(second))
        roster.note_tally(entry, make_tally(follower=follower))
    roster.hear(5, "", at(10))  # it only sounded
    turns = [roster.next_marker(turn, at(5)) for turn in range(100, 106)]
    assert sorted(turns[:3], key=str) == [1, 2, 3]
    assert turns[3:] == turns[:3]
    assert roster.next_marker(106, at(11)) is None


def test_a_report_counts_once_and_an_older_one_of_any_late_instance_not_at_all(make_tally: Maker) -> None:
    roster = Roster()
    entry, _ = roster.hear(21, "here", at(1))

    def say(instance: int, serial: int) -> bool:
        tally = make_tally(instance=instance, serial=serial)
        is_news = roster.is_news(tally)
        if is_news:
            roster.note_tally(entry, tally)
        return is_news

    assert [say(1, 0xFFFF_FFFE), say(1, 0xFFFF_FFFE), say(1, 0), say(1, 0xFFFF_FFFF)] == [True, False, True, False]
    assert say(2, 5)  # it restarted
    assert [say(1, 0), say(1, 0xFFFF_FFFF)] == [False, False]  # late, or a recording
    assert not entry.cloned
    assert say(1, 1)  # another board
    assert entry.cloned


def test_a_recorded_report_is_none_however_many_restarts_ago_it_was_made_up_to_the_limit(make_tally: Maker) -> None:
    roster = Roster()
    entry, _ = roster.hear(21, "here", at(1))
    for instance in range(1, INSTANCES_KEPT + 1):
        for serial in (1, 2):
            assert roster.is_news(make_tally(instance=instance, serial=serial))
            assert not roster.note_tally(entry, make_tally(instance=instance, serial=serial))
    for instance in range(1, INSTANCES_KEPT + 1):
        for serial in (1, 2):
            assert not roster.is_news(make_tally(instance=instance, serial=serial))
    # The first instance goes on, though seven have come since: another board.
    assert roster.is_news(make_tally(instance=1, serial=3))
    assert roster.note_tally(entry, make_tally(instance=1, serial=3))
    # Memory is bounded: of one more, the one heard longest ago is forgotten.
    roster.note_tally(entry, make_tally(instance=99, serial=1))
    assert len(entry.serials) == INSTANCES_KEPT
    assert roster.is_news(make_tally(instance=2, serial=1))
    assert not roster.is_news(make_tally(instance=1, serial=3))


def test_three_boards_under_one_name_are_told_too(make_tally: Maker) -> None:
    roster = Roster()
    entry, _ = roster.hear(21, "here", at(1))
    told = [roster.note_tally(entry, make_tally(instance=instance, serial=1)) for instance in (1, 2, 3, 1)]
    assert told == [False, False, False, True]


def test_a_full_roster_gives_up_strangers_first_then_the_lost_and_nobody_that_is_there(make_tally: Maker) -> None:
    roster = Roster()
    for follower in range(1, ROSTER_MAXIMUM + 1):
        entry, _ = roster.hear(follower, "", at(follower))
        if follower != 300:
            roster.note_tally(entry, make_tally(follower=follower))
    roster.hear(9_001, "", at(9_001))
    assert roster.find(300) is None  # it only ever sounded
    for number in range(2_000):
        roster.hear(10_000 + number, "", at(10_000 + number))
    assert len(roster) == ROSTER_MAXIMUM
    assert all(roster.find(follower) for follower in range(1, ROSTER_MAXIMUM + 1) if follower != 300)
    entry, _ = roster.hear(12_500, "", at(12_500))
    roster.note_tally(entry, make_tally(follower=12_500))  # the last place is taken by one that reports
    roster.hear(12_501, "", at(12_501))
    assert roster.find(12_501) is None  # everybody is there: the newcomer goes
    gone = roster.find(7)
    assert gone is not None
    gone.lost = True
    roster.hear(12_502, "", at(12_502))
    assert roster.find(7) is gone  # lost, but it has reported, and this one has only sounded
    roster.hear(12_503, "", at(12_503), reports=True)
    assert roster.find(7) is None
    assert roster.find(12_503) is not None
