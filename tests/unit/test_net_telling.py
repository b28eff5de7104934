from __future__ import annotations

import json
from datetime import datetime, timedelta, timezone
from random import Random
from typing import Any

import pytest

from leadlight.commands.telling import (
    ROSTER_HEADER,
    event_as_json,
    event_in_words,
    json_line,
    leader_rows,
    missing_news,
    role_news,
    roster_rows,
    unheard_news,
)
from leadlight.cue import Cue, ShowLine, show_key
from leadlight.events import (
    CopiesFull,
    CueAdopted,
    FollowerCloned,
    FollowerJoined,
    LeaderCloned,
    LockAcquired,
    LockLost,
    MediaJumped,
    RoleChanged,
    RosterFull,
    RosterSilent,
    ShowMissing,
    ShowRefused,
)
from leadlight.leader.leader import Leader
from leadlight.leader.roster import RosterEntry
from leadlight.leader.settings import LeaderSettings
from leadlight.terms import ClockState, ContentState, CueState, Delivery, MusicChange, Role
from leadlight.units import MICROSECOND, MILLISECOND, SECOND, LeaderInstant, LocalInstant, ShowPosition
from leadlight.wire.codec import Codec
from leadlight.wire.messages import Tally

TIDEFALL = show_key("Tidefall")
SHOWS = {TIDEFALL: "Tidefall"}
ROLLING = Cue(TIDEFALL, CueState.ROLLING, ShowLine(LeaderInstant(5), ShowPosition(7), -3))
NOW = LocalInstant(100 * SECOND)


def test_an_event_is_told_in_words() -> None:
    assert event_in_words(LockAcquired(NOW, 1_250_000), SHOWS) == "lock acquired: bound 1.25 ms"
    assert event_in_words(LockLost(NOW), SHOWS) == "lock lost"
    assert event_in_words(CueAdopted(NOW, ROLLING), SHOWS) == "cue adopted: cue rolling Tidefall"
    assert event_in_words(ShowMissing(NOW, 255), SHOWS) == "show missing: show 00000000000000ff"
    assert (
        event_in_words(FollowerJoined(NOW, 0xBEEF, "jetty"), SHOWS) == "follower joined: follower 0000beef, name jetty"
    )


def test_what_people_must_mend_is_told_with_what_to_do() -> None:
    assert event_in_words(FollowerCloned(NOW, 0xBEEF, "jetty"), SHOWS) == (
        "follower cloned: follower 0000beef, name jetty; "
        "two boards have this name, which no board can share: give one of them another --name"
    )
    assert event_in_words(LeaderCloned(NOW, 1, 2), SHOWS).endswith("give one of them another --name")
    assert event_in_words(RosterFull(NOW, 512), SHOWS) == (
        "roster full: limit 512; give the leader a larger --roster-limit, or look for who else reports to it"
    )
    assert event_in_words(RosterSilent(NOW, 31), SHOWS).startswith("roster silent: count 31; they may")
    assert "larger --copies-limit" in event_in_words(CopiesFull(NOW, 64), SHOWS)


def test_a_show_that_is_missing_is_told_with_what_may_differ() -> None:
    assert missing_news(255, SHOWS, "without an edition") == (
        "known here without an edition: Tidefall; "
        "if it is one of these, its --edition or manifest is another at the leader"
    )
    assert missing_news(TIDEFALL, SHOWS, "by the manifest") == (
        "the part of Tidefall that is held here is missing or another one: see `leadlight manifest check`"
    )
    assert missing_news(255, {}, "").startswith("no show is held here: --show and --edition, or")


def test_a_follower_that_hears_nobody_says_where_to_look() -> None:
    assert unheard_news("quarry lake", "10.0.0.5:62410", {"misdirected": 3}) == (
        "no answer from 10.0.0.5:62410: does a leader of quarry lake run there, with --own-port 62410 and the same key?"
    )
    said = unheard_news("quarry lake", None, {"bad tag": 7, "other group": 2})
    assert said.startswith("no leader of quarry lake is heard: ")
    assert said.endswith(" Heard and refused: 2 other group, 7 bad tag")


def test_an_event_is_one_line_of_json_with_its_time_and_its_cue_as_an_object() -> None:
    berlin = timezone(timedelta(hours=1))
    line = json_line(datetime(2026, 12, 4, 18, 3, 21, 5, berlin), event_as_json(CueAdopted(NOW, ROLLING), SHOWS))
    assert "\n" not in line
    assert json.loads(line) == {
        "utc": "2026-12-04T17:03:21.000005Z",
        "event": "CueAdopted",
        "at": NOW,
        "cue": {
            "show": f"{TIDEFALL:016x}",
            "show_name": "Tidefall",
            "state": "rolling",
            "leader_at": 5,
            "position": 7,
            "rate_ppb": -3,
        },
    }
    assert event_as_json(ShowMissing(NOW, 255), SHOWS) == {"event": "ShowMissing", "at": NOW, "show": f"{255:016x}"}


def test_roles_and_lists_of_names_are_told_in_words_too() -> None:
    changed = RoleChanged(NOW, Role.LEADING, Role.LISTENING)
    assert event_in_words(changed, SHOWS) == "role changed: role leading, previous listening"
    assert event_as_json(changed, SHOWS) == {
        "event": "RoleChanged",
        "at": NOW,
        "role": "leading",
        "previous": "listening",
    }
    refused = ShowRefused(NOW, TIDEFALL, ("jetty", "willow"))
    assert event_in_words(refused, SHOWS) == "show refused: show Tidefall, names jetty and willow"
    assert event_as_json(refused, SHOWS)["names"] == ("jetty", "willow")


def entry(
    name: str,
    clock: ClockState = ClockState.LOCKED,
    bound_ns: int = MILLISECOND,
    content: ContentState = ContentState.PRESENT,
    lost: bool = False,
) -> RosterEntry:
    tally = Tally(
        follower=1,
        instance=1,
        serial=1,
        tenure=1,
        turn=None,
        clock=clock,
        cue_state=CueState.ROLLING,
        bound_ns=bound_ns,
        beacon_loss_permille=25,
        content=content,
        radio=None,
        show=TIDEFALL,
        frame=480,
        late_frames=3,
        live_data=False,
        unverified=False,
        name=name,
    )
    return RosterEntry(1, ("127.0.0.1", 5000), LocalInstant(NOW - 4 * SECOND), tally, lost=lost)


def test_a_roster_row_has_a_cell_for_each_heading() -> None:
    (row,) = roster_rows([entry("jetty", bound_ns=850 * MICROSECOND)], NOW, SHOWS, {1: "copies"})
    assert dict(zip(ROSTER_HEADER, row, strict=True)) == {
        "piece": "jetty",
        "clock": "locked",
        "bound": "850 µs",
        "group loss": "2.5%",
        "cue": "rolling",
        "show": "Tidefall",
        "content": "present",
        "frame": "480",
        "late": "3",
        "heard": "4 s",
        "sent to": "copies",
        "trouble": "–",
    }


def test_those_most_in_need_of_a_look_come_first() -> None:
    roster = [
        entry("fine"),
        entry("vague", bound_ns=2 * MILLISECOND),
        entry("acquiring", ClockState.ACQUIRING),
        entry("holding over", ClockState.HOLDOVER),
        RosterEntry(0xABC, ("127.0.0.1", 5001), NOW),
        entry("without the show", content=ContentState.MISSING),
        entry("gone", lost=True),
    ]
    rows = roster_rows(roster, NOW, SHOWS)
    assert [row[0] for row in rows] == [
        "gone",
        "00000abc",
        "without the show",
        "holding over",
        "acquiring",
        "vague",
        "fine",
    ]
    assert [row[-1] for row in rows[:3]] == ["not heard", "–", "show missing"]


def test_an_unconfirmed_stop_and_a_second_source_come_before_a_vague_clock() -> None:
    double = entry("double")
    assert double.tally is not None
    double.tally = double.tally._replace(live_data=True)
    roster = [entry("vague", bound_ns=5 * MILLISECOND), double, entry("rolling on")]
    rows = roster_rows(roster, NOW, SHOWS, not_stopped=["rolling on"])
    assert [(row[0], row[-1]) for row in rows] == [
        ("rolling on", "stop not confirmed"),
        ("double", "live data as well"),
        ("vague", "–"),
    ]


def test_of_two_as_sure_of_the_time_the_one_that_loses_more_comes_first() -> None:
    lossy = entry("willow")
    assert lossy.tally is not None
    lossy.tally = lossy.tally._replace(beacon_loss_permille=400)
    assert [row[0] for row in roster_rows([entry("jetty"), lossy], NOW, SHOWS)] == ["willow", "jetty"]


def leader(**settings: Any) -> Leader:
    return Leader(LeaderSettings("boathouse", **settings), Codec("quarry lake"), Random(1), NOW)


@pytest.mark.parametrize(
    ("delivery", "sent_to"), [(Delivery.AUTOMATIC, "group"), (Delivery.GROUP, "group"), (Delivery.COPIES, "–")]
)
def test_the_table_says_how_beacons_reach_a_follower(delivery: Delivery, sent_to: str) -> None:
    leading = leader(listen_intervals=0, delivery=delivery)
    leading.roster.hear(1, ("127.0.0.1", 5000), NOW)
    (row,) = leader_rows(leading, NOW, SHOWS)
    assert dict(zip(ROSTER_HEADER, row, strict=True))["sent to"] == sent_to


@pytest.mark.parametrize(
    ("delivery", "loss"), [(Delivery.AUTOMATIC, "62.5%"), (Delivery.BOTH, "62.5%"), (Delivery.COPIES, "–")]
)
def test_where_nothing_goes_to_the_group_nothing_of_it_is_lost(delivery: Delivery, loss: str) -> None:
    leading = leader(listen_intervals=0, delivery=delivery)
    heard, _ = leading.roster.hear(1, ("127.0.0.1", 5000), NOW)
    tally = entry("jetty").tally
    assert tally is not None
    heard.tally = tally._replace(beacon_loss_permille=625)
    (row,) = leader_rows(leading, NOW, SHOWS)
    assert dict(zip(ROSTER_HEADER, row, strict=True))["group loss"] == loss


def test_music_that_jumped_is_told_with_where_it_is() -> None:
    jump = MediaJumped(NOW, ShowPosition(34 * SECOND), 2 * SECOND, MusicChange.SOUGHT)
    assert event_in_words(jump, SHOWS) == "media jumped: position 34 s, distance 2 s, what sought"


TIDEFALL_AT_FIVE = "tidefall, ordered here for 17:00:00"


@pytest.mark.parametrize(
    ("is_to_come", "outcome"),
    [(False, "no longer in force here, as another leads"), (True, "begins if this node leads by then")],
)
@pytest.mark.parametrize("previous", [Role.LISTENING, Role.LEADING])
def test_who_stands_by_says_what_is_in_force_and_what_becomes_of_its_order(
    previous: Role, is_to_come: bool, outcome: str
) -> None:
    told = role_news(Role.STANDBY, previous, "quarry lake", TIDEFALL_AT_FIVE, is_to_come=is_to_come)
    why = {
        Role.LISTENING: [
            "another leads quarry lake already: what it leads goes on, and this node leads if it falls silent"
        ],
        Role.LEADING: [
            "a leader that outranks this one leads quarry lake now: what it leads is in force everywhere",
            "the lower --rank outranks the other; if nobody of yours started it, give the group a key",
        ],
    }
    assert told == [*why[previous], f"{TIDEFALL_AT_FIVE}: {outcome}"]
    assert role_news(Role.STANDBY, previous, "quarry lake") == why[previous]


def test_who_takes_over_says_of_a_show_whose_time_has_passed_that_it_does_not_begin() -> None:
    taken_over = Role.LEADING, Role.ASKING
    told = role_news(*taken_over, "quarry lake", TIDEFALL_AT_FIVE)
    assert told == [f"{TIDEFALL_AT_FIVE}: that was while another led; what was in force goes on"]
    assert role_news(*taken_over, "quarry lake", TIDEFALL_AT_FIVE, is_to_come=True) == []
    assert role_news(Role.LEADING, Role.LISTENING, "quarry lake", TIDEFALL_AT_FIVE) == []
