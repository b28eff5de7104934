"""What is made of what was heard: each finding and each boundary, from facts made by hand."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import pytest

from leadlight.cue import Cue, ShowLine, show_key
from leadlight.entropy import identity
from leadlight.readiness.findings import Finding, Verdict
from leadlight.readiness.group import (
    HELD_NS,
    SLOW_ANSWER_NS,
    TOO_LATE_NS,
    Names,
    judge_cues,
    judge_datagrams,
    judge_followers,
    judge_leaders,
    judge_own_name,
    listening_lasts_ns,
)
from leadlight.readiness.listening import UNTAGGED, Arrival, FollowerHeard, Heard, Refused, TenureHeard
from leadlight.terms import ClockState, ContentState, CueState, Refusal
from leadlight.units import MILLISECOND, MINUTE, SECOND, LeaderInstant, LocalInstant, ShowPosition

Maker = Callable[..., Any]

END = LocalInstant(15 * SECOND)
GO, LOOK, NO_GO = Verdict.GO, Verdict.LOOK, Verdict.NO_GO
NAMES = Names(["boathouse", "gatehouse"])


@pytest.fixture
def make_tenure(make_beacon: Maker) -> Maker:
    """A tenure of the boathouse that was heard all the while, a beacon a second."""

    def make(arrived: int = 15, sent: int = 15, *, last_at: int = END, spells: int = 1, **beacon: Any) -> TenureHeard:
        plain: dict[str, Any] = {"leader": identity("boathouse"), "interval_ns": SECOND, "group_size": 3}
        heard = TenureHeard(
            make_beacon(**(plain | beacon)),
            "10.0.0.1",
            first_serial=1,
            last_serial=sent,
            first_at=LocalInstant(0),
            last_at=LocalInstant(last_at),
        )
        for serial in range(1, arrived + 1):
            heard.arrivals[serial] = Arrival(LeaderInstant(serial * SECOND), LocalInstant(serial * SECOND))
        heard.turns, heard.spells = sent, spells
        return heard

    return make


@pytest.fixture
def make_follower(make_tally: Maker) -> Maker:
    def make(name: str, *, place: str = "10.0.0.2", instances: int = 1, cloned: bool = False, **tally: Any) -> Any:
        return FollowerHeard(
            make_tally(follower=identity(name), name=name, turn=3, **tally),
            {place},
            dict.fromkeys(range(instances)),
            cloned,
        )

    return make


@pytest.fixture
def sound(make_tenure: Maker, make_follower: Maker) -> Heard:
    """A group with which all is well: the leader, two followers, and this node, which is the third."""
    tenure = make_tenure()
    return Heard(
        now=END,
        listened_ns=15 * SECOND,
        tenures=(tenure,),
        followed=tenure.beacon.tenure,
        followers=(make_follower("jetty"), make_follower("willow")),
        refused={},
        soundings=20,
        round_trips_ns=(3 * MILLISECOND,) * 20,
        delays_ns=(MILLISECOND,) * 15,
        clock=ClockState.LOCKED,
        bound_ns=MILLISECOND,
        has_namesake=False,
    )


def leaders(heard: Heard, *, expected: bool = True, leads: bool = False) -> dict[str, Finding]:
    found = judge_leaders(heard, NAMES, leader_expected=expected, leads=leads)
    assert len({one.key for one in found}) == len(found)
    return {one.key: one for one in found}


def followers(heard: Heard, *expected: str) -> dict[str, Finding]:
    found = judge_followers(heard, expected)
    assert len({one.key for one in found}) == len(found)
    return {one.key: one for one in found}


def test_a_sound_group_is_a_go_in_everything(sound: Heard) -> None:
    found = judge_datagrams(sound, is_keyed=True)
    found += [*leaders(sound).values(), *followers(sound, "boathouse", "jetty").values()]
    assert [(one.key, one.found, one.verdict) for one in found] == [
        ("key", "it fits all that was heard", GO),
        ("other_datagrams", "none", GO),
        ("leader", "boathouse at 10.0.0.1, rank 0, tenure 00000007, a beacon in 1 s", GO),
        ("beacons", "15 of 15 sent to the group arrived", GO),
        ("lateness", "1 ms after they were sent, 1 ms at worst of 15", GO),
        ("soundings", "20 of 20 answered, there and back in 3 ms (median)", GO),
        ("clock", "locked, within 1 ms of the leader's", GO),
        ("followers", "2 heard: jetty, willow", GO),
        ("expected", "all 2 heard", GO),
    ]


# -- the key ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("refused", "is_keyed", "said", "to_do"),
    [
        (
            {Refusal.NO_KEY: Refused(3, ("10.0.0.1",))},
            False,
            "the group has a key and this host has none: 3 datagrams from 10.0.0.1 with a tag",
            "--key-file",
        ),
        (
            {Refusal.BAD_TAG: Refused(1, ("10.0.0.1",))},
            True,
            "1 datagram from 10.0.0.1 with a tag that no key here fits",
            "one key file",
        ),
        (
            {Refusal.BAD_TAG: Refused(1, ("b",)), Refusal.NO_KEY: Refused(2, ("a",)), UNTAGGED: Refused(9, ("c",))},
            True,
            "3 datagrams from a, b with a tag that no key here fits",
            "one key file",
        ),
        (
            {UNTAGGED: Refused(2, ("10.0.0.9",))},
            True,
            "2 datagrams from 10.0.0.9 without a tag, though this host has a key",
            "start those nodes with --key-file",
        ),
    ],
)
def test_keys_that_do_not_fit_each_other_are_a_no_go_either_way(
    sound: Heard, refused: dict[str, Refused], is_keyed: bool, said: str, to_do: str
) -> None:
    key, strangers = judge_datagrams(replace(sound, refused=refused), is_keyed=is_keyed)
    assert (key.found, key.verdict, strangers.verdict) == (said, NO_GO, GO)
    assert to_do in key.to_do


def test_a_key_is_not_said_to_fit_before_anything_was_heard(sound: Heard) -> None:
    silent = replace(sound, tenures=(), followed=None)
    assert judge_datagrams(silent, is_keyed=True)[0].found == "nothing was heard to try it on"
    assert judge_datagrams(sound, is_keyed=False)[0].found == "nothing that was heard carries a tag"


@pytest.mark.parametrize(
    ("cause", "verdict", "to_do"),
    [
        (Refusal.OTHER_VERSION, LOOK, "one release"),
        (Refusal.OTHER_PROTOCOL, LOOK, "another --port"),
        (Refusal.MALFORMED, LOOK, "another --port"),
        (Refusal.OTHER_GROUP, GO, ""),
    ],
)
def test_what_else_is_heard_there_is_to_look_at_but_for_other_groups(
    sound: Heard, cause: Refusal, verdict: Verdict, to_do: str
) -> None:
    _, strangers = judge_datagrams(replace(sound, refused={cause: Refused(4, ("10.0.0.9",))}), is_keyed=False)
    assert strangers.verdict is verdict
    assert to_do in strangers.to_do
    assert strangers.found == (f"4 {cause}, from 10.0.0.9" if verdict is LOOK else "none")


# -- who leads -------------------------------------------------------------------------------------------------


def test_where_nobody_leads_it_is_a_no_go_unless_nobody_was_to(sound: Heard) -> None:
    silent = replace(sound, tenures=(), followed=None, delays_ns=())
    (finding,) = leaders(silent).values()
    assert (finding.key, finding.found, finding.verdict) == ("leader", "none heard in 15 s", NO_GO)
    (finding,) = leaders(silent, expected=False).values()
    assert (finding.found, finding.verdict) == ("none heard in 15 s, as it should be", GO)
    (finding,) = leaders(replace(silent, refused={Refusal.BAD_TAG: Refused(9, ("a",))})).values()
    assert "key first" in finding.to_do


def test_two_that_lead_at_once_are_a_no_go_and_both_are_told(sound: Heard, make_tenure: Maker) -> None:
    rival = make_tenure(leader=identity("gatehouse"), tenure=8, rank=1)
    again = make_tenure(spells=2)
    finding = leaders(replace(sound, tenures=(rival, again)))["leader"]
    assert finding.verdict is NO_GO
    assert finding.found == (
        "2 at once: boathouse at 10.0.0.1, rank 0, tenure 00000007, a beacon in 1 s;"
        " gatehouse at 10.0.0.1, rank 1, tenure 00000008, a beacon in 1 s"
    )
    assert "stop all but one" in finding.to_do
    assert finding.values["at_once"] is True
    assert [told["name"] for told in finding.values["leaders"]] == ["boathouse", "gatehouse"]


def test_two_boards_that_lead_under_one_name_are_told_to_have_two(sound: Heard, make_tenure: Maker) -> None:
    tenures = make_tenure(tenure=8), make_tenure(spells=2)
    finding = leaders(replace(sound, tenures=tenures))["leader"]
    assert finding.verdict is NO_GO
    assert "another --name" in finding.to_do


@pytest.mark.parametrize(
    ("spells", "first_ones_last_at", "verdict"),
    [
        (2, END - 3 * SECOND, NO_GO),
        (2, END - 3 * SECOND - 1, LOOK),  # it gave way
        (1, END - SECOND, LOOK),  # a takeover: the first was not heard again after the second
    ],
)
def test_a_takeover_is_no_two_at_once(
    sound: Heard, make_tenure: Maker, spells: int, first_ones_last_at: int, verdict: Verdict
) -> None:
    first = make_tenure(leader=identity("gatehouse"), tenure=8, rank=1, spells=spells, last_at=first_ones_last_at)
    finding = leaders(replace(sound, tenures=(first, make_tenure())))["leader"]
    assert finding.verdict is verdict
    assert ("heard meanwhile too: gatehouse" in finding.found) == (verdict is LOOK)


def test_a_leader_that_fell_silent_is_a_no_go(sound: Heard, make_tenure: Maker) -> None:
    assert leaders(replace(sound, tenures=(make_tenure(last_at=END - 5 * SECOND),)))["leader"].verdict is GO
    finding = leaders(replace(sound, tenures=(make_tenure(last_at=END - 5 * SECOND - 1),)))["leader"]
    assert finding.verdict is NO_GO
    assert finding.found.endswith("; silent for 5 s")


def test_a_host_that_is_to_lead_is_told_that_another_does(sound: Heard) -> None:
    assert leaders(sound, expected=False, leads=True)["leader"].verdict is LOOK
    assert leaders(sound, expected=False)["leader"].verdict is GO


def test_a_leader_that_nobody_named_is_told_by_its_number(sound: Heard, make_tenure: Maker) -> None:
    finding = leaders(replace(sound, tenures=(make_tenure(leader=0xABC),)))["leader"]
    assert finding.found.startswith("00000abc at 10.0.0.1")


# -- what arrives of it ----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("arrived", "sent", "verdict", "to_do"),
    [
        (7, 7, LOOK, "--listen"),
        (8, 8, GO, ""),
        (92, 100, GO, ""),
        (91, 100, LOOK, "listen again"),
        (75, 100, LOOK, "listen again"),
        (74, 100, LOOK, "sent copies"),
        (50, 100, LOOK, "sent copies"),
        (49, 100, NO_GO, "nearer"),
    ],
)
def test_the_share_of_beacons_that_arrives_is_judged_as_the_leader_judges_it(
    sound: Heard, make_tenure: Maker, arrived: int, sent: int, verdict: Verdict, to_do: str
) -> None:
    finding = leaders(replace(sound, tenures=(make_tenure(arrived, sent),)))["beacons"]
    assert (finding.verdict, finding.found) == (verdict, f"{arrived} of {sent} sent to the group arrived")
    assert to_do in finding.to_do


def test_copies_alone_are_told_apart(sound: Heard, make_tenure: Maker) -> None:
    tenure = make_tenure(arrived=0)
    tenure.copies = 14
    finding = leaders(replace(sound, tenures=(tenure,), delays_ns=()))["beacons"]
    assert (finding.verdict, finding.values["copies"]) == (LOOK, 14)
    assert "--delivery copies" in finding.to_do


@pytest.mark.parametrize(
    ("delays_ns", "verdict"),
    [
        ([HELD_NS, HELD_NS, TOO_LATE_NS], GO),
        ([0, HELD_NS + 1, HELD_NS + 1], LOOK),
        ([0, HELD_NS + 1], GO),
        ([0, 0, TOO_LATE_NS + 1], LOOK),
    ],
)
def test_beacons_that_are_held_back_or_come_too_late_are_to_look_at(
    sound: Heard, delays_ns: list[int], verdict: Verdict
) -> None:
    finding = leaders(replace(sound, delays_ns=tuple(delays_ns)))["lateness"]
    assert finding.verdict is verdict
    assert finding.values["worst_ns"] == max(delays_ns)
    assert ("DTIM" in finding.to_do) == (verdict is LOOK and max(delays_ns) < TOO_LATE_NS)


def test_of_a_tenure_that_is_not_followed_no_lateness_is_told(sound: Heard) -> None:
    assert "lateness" not in leaders(replace(sound, delays_ns=()))


@pytest.mark.parametrize(
    ("sent", "answered", "trip_ns", "verdict"),
    [
        (20, 10, SLOW_ANSWER_NS, GO),
        (20, 9, MILLISECOND, LOOK),
        (20, 20, SLOW_ANSWER_NS + 1, LOOK),
        (3, 0, 0, LOOK),
        (4, 0, 0, NO_GO),
    ],
)
def test_a_leader_that_does_not_answer_is_a_no_go_and_a_slow_answer_to_look_at(
    sound: Heard, sent: int, answered: int, trip_ns: int, verdict: Verdict
) -> None:
    finding = leaders(replace(sound, soundings=sent, round_trips_ns=(trip_ns,) * answered))["soundings"]
    assert finding.verdict is verdict
    assert finding.values == {
        "sent": sent,
        "answered": answered,
        "median_round_trip_ns": trip_ns if answered else None,
    }
    assert ("keeps stations apart" in finding.to_do) == (verdict is NO_GO)


def test_a_leader_that_wants_no_soundings_is_to_look_at(sound: Heard, make_tenure: Maker) -> None:
    tenure = make_tenure(sounding_budget=0)
    finding = leaders(replace(sound, tenures=(tenure,), soundings=0, round_trips_ns=()))["soundings"]
    assert (finding.verdict, finding.found) == (LOOK, "the leader wants none")


@pytest.mark.parametrize(
    ("state", "first_at", "verdict", "said"),
    [
        (ClockState.LOCKED, 0, GO, "locked, within 20 ms of the leader's"),
        (ClockState.ACQUIRING, END - 5 * SECOND, NO_GO, "acquiring, within 20 ms of the leader's"),
        (ClockState.ACQUIRING, END - 5 * SECOND + 1, LOOK, "acquiring, within 20 ms of the leader's, so far"),
        (ClockState.HOLDOVER, 0, NO_GO, "holdover, within 20 ms of the leader's"),
    ],
)
def test_a_clock_that_does_not_lock_in_its_time_is_a_no_go(
    sound: Heard, make_tenure: Maker, state: ClockState, first_at: int, verdict: Verdict, said: str
) -> None:
    tenure = make_tenure()
    tenure.first_at = LocalInstant(first_at)
    finding = leaders(replace(sound, tenures=(tenure,), clock=state, bound_ns=20 * MILLISECOND))["clock"]
    assert (finding.verdict, finding.found) == (verdict, said)


def test_a_clock_by_beacons_alone_is_given_its_time(sound: Heard, make_tenure: Maker) -> None:
    heard = replace(sound, tenures=(make_tenure(sounding_budget=0),), clock=ClockState.ACQUIRING)
    finding = leaders(heard)["clock"]
    assert (finding.verdict, finding.found) == (LOOK, "acquiring, within 1 ms of the leader's, so far")


def test_a_clock_without_a_bound_tells_none(sound: Heard) -> None:
    finding = leaders(replace(sound, clock=ClockState.FREE_RUN, bound_ns=None))["clock"]
    assert (finding.found, finding.values["bound_ns"]) == ("free run", None)


# -- the followers ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("names", "counted", "turns", "verdict", "said", "to_do"),
    [
        (["jetty"], 2, 15, GO, "1 heard: jetty", ""),
        ([], 1, 15, LOOK, "0 heard, and the leader hears none", "start the boards"),
        (["jetty"], 3, 0, LOOK, "1 heard: jetty; the leader counts 2", "given nobody a turn"),
        (["jetty"], 3, 5, LOOK, "1 heard: jetty; the leader counts 2", "turn has come twice"),
        (["jetty"], 3, 6, LOOK, "1 heard: jetty; the leader counts 2", "keeps stations apart"),
        ([], 3, 6, LOOK, "0 heard; the leader counts 2", "keeps stations apart"),
    ],
)
def test_fewer_followers_than_the_leader_counts_are_to_look_at_and_why(
    sound: Heard,
    make_tenure: Maker,
    make_follower: Maker,
    names: list[str],
    counted: int,
    turns: int,
    verdict: Verdict,
    said: str,
    to_do: str,
) -> None:
    tenure = make_tenure(group_size=counted)  # this node is one of them
    tenure.turns = turns
    heard = replace(sound, tenures=(tenure,), followers=tuple(make_follower(name) for name in names))
    finding = followers(heard)["followers"]
    assert (finding.verdict, finding.found) == (verdict, said)
    assert to_do in finding.to_do


def test_a_node_that_nobody_answered_is_none_of_those_that_the_leader_counts(sound: Heard) -> None:
    finding = followers(replace(sound, round_trips_ns=()))["followers"]
    assert (finding.verdict, finding.values["leader_hears"]) == (LOOK, 3)


def test_where_nothing_at_all_is_heard_followers_are_not_told_of(sound: Heard) -> None:
    assert followers(replace(sound, tenures=(), followers=(), followed=None)) == {}


@pytest.mark.parametrize(
    ("changes", "key", "verdict"),
    [
        ({"cloned": True, "instances": 2}, "cloned", NO_GO),
        ({"instances": 2}, "restarted", LOOK),
        ({"content": ContentState.MISSING}, "lacking", NO_GO),
        ({"content": ContentState.OTHER_EDITION}, "lacking", NO_GO),
        ({"live_data": True}, "live_data", LOOK),
        ({"clock": ClockState.ACQUIRING}, "not_locked", LOOK),
    ],
)
def test_what_ails_a_follower_is_told_with_its_name(
    sound: Heard, make_follower: Maker, changes: dict[str, Any], key: str, verdict: Verdict
) -> None:
    found = followers(replace(sound, followers=(make_follower("willow", **changes), make_follower("jetty"))))
    assert list(found) == ["followers", key]
    assert found[key].verdict is verdict
    assert found[key].found.endswith(" willow")
    assert found[key].values == {"names": ["willow"]}


def test_a_follower_of_which_no_content_is_expected_lacks_none(sound: Heard, make_follower: Maker) -> None:
    heard = replace(sound, followers=(make_follower("jetty"), make_follower("check 7", content=ContentState.UNKNOWN)))
    assert list(followers(heard)) == ["followers"]


def test_another_check_of_the_same_name_is_to_look_at(sound: Heard) -> None:
    assert followers(replace(sound, has_namesake=True))["own_name"].verdict is LOOK


def test_names_that_must_be_heard_and_are_not_are_a_no_go(sound: Heard, make_tenure: Maker) -> None:
    finding = followers(sound, "ferry", "boathouse", "willow", "ferry", "cliff net")["expected"]
    assert (finding.verdict, finding.found) == (NO_GO, "not heard: cliff net, ferry")
    assert finding.values == {
        "expected": ["boathouse", "cliff net", "ferry", "willow"],
        "missing": ["cliff net", "ferry"],
    }
    assert "switch those on" in finding.to_do
    tenure = make_tenure()
    tenure.turns = 5  # of three followers each, not twice
    finding = followers(replace(sound, tenures=(tenure,)), "ferry")["expected"]
    assert (finding.verdict, "--listen" in finding.to_do) == (NO_GO, True)


def test_this_boards_name_on_another_host_is_a_no_go(sound: Heard) -> None:
    assert judge_own_name(sound, "jetty", ("127.0.0.1", "10.0.0.2")) is None
    assert judge_own_name(sound, "ferry", ("127.0.0.1", "10.0.0.9")) is None
    assert judge_own_name(sound, "jetty", None) is None
    finding = judge_own_name(sound, "jetty", ("127.0.0.1", "10.0.0.9"))
    assert finding is not None
    assert (finding.verdict, finding.found) == (NO_GO, "jetty is heard from 10.0.0.2, which is not this host")


# -- what is played --------------------------------------------------------------------------------------------


def cue(show: str, state: CueState = CueState.ROLLING) -> Cue:
    return Cue(show_key(show), state, ShowLine(LeaderInstant(0), ShowPosition(0)))


def test_a_show_that_the_manifest_does_not_list_is_a_no_go(sound: Heard, make_tenure: Maker) -> None:
    listed = {show_key(show): show for show in ("Tidefall", "Embers")}

    def judged(*cues: Cue) -> Finding | None:
        tenure = make_tenure(cue=cues[0], next_cue=cues[1] if len(cues) > 1 else None)
        return judge_cues(replace(sound, tenures=(tenure,)), listed)

    assert judged(cue("Lull", CueState.DARK)) is None
    finding = judged(cue("Tidefall"), cue("Embers"))
    assert finding is not None
    assert (finding.verdict, finding.found) == (GO, "listed: Tidefall, Embers")
    finding = judged(cue("Tidefall"), cue("Lull"))
    assert finding is not None
    assert (finding.verdict, finding.found) == (NO_GO, f"not listed: {show_key('Lull'):016x}")
    assert judge_cues(replace(sound, tenures=(), followed=None), listed) is None


# -- how long to listen ----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("group_size", "interval_ns", "lasts_ns"),
    [
        (1, SECOND, 15 * SECOND),  # ten beacons are within the fifteen seconds
        (1, 2 * SECOND, 20 * SECOND),  # and here the ten take longer
        (12, SECOND, 28 * SECOND),  # two turns of twelve and of this node, and two beacons more
        (200, SECOND, 3 * MINUTE),
    ],
)
def test_it_listens_until_everybody_had_two_turns(
    sound: Heard, make_tenure: Maker, group_size: int, interval_ns: int, lasts_ns: int
) -> None:
    heard = replace(sound, tenures=(make_tenure(group_size=group_size, interval_ns=interval_ns),))
    assert listening_lasts_ns(heard, 15 * SECOND, 3 * MINUTE) == lasts_ns
    assert listening_lasts_ns(heard, 2 * SECOND, 2 * SECOND) == 2 * SECOND
    assert listening_lasts_ns(replace(heard, tenures=(), followed=None), 15 * SECOND, 3 * MINUTE) == 15 * SECOND
