from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pytest

from leadlight.errors import LeadlightError
from leadlight_sim.drills import drills
from leadlight_sim.drills.breaking import BREAKS_AT_S, DRILLS, Drill, DrillError, drills_named
from leadlight_sim.drills.drills import RECOVERIES, DrillResult, PieceSeen, recovery_limit_s
from leadlight_sim.drills.watch import DARK, OFF, OTHER_SHOW, Watch, Watched
from leadlight_sim.measures.flashes import CYCLE_S, AddedFlashes
from leadlight_sim.scenario.faults import LeaderLost, over_at_s
from leadlight_sim.scenario.files import load_shipped
from leadlight_sim.scenario.model import Scenario, check_scenario
from leadlight_sim.scenario.problems import ScenarioError

ONE_SHOW = check_scenario(
    {
        "name": "a yard",
        "run": {"duration_s": 90},
        "followers": [{"name": "oak", "pixels": 10}, {"name": "elm", "pixels": 10}],
        "shows": [{"id": "short", "duration_s": 30}],
        "cues": [{"at_s": 10, "show": "short"}, {"at_s": 50, "show": "short"}],
        "faults": [{"kind": "power-cut", "follower": "elm", "at_s": 20, "for_s": 5}],
        "standbys": [{"name": "shed"}],
    },
    "a test",
)

# -- the scenario put to a drill ---------------------------------------------------------------------------------------


def test_the_set_is_complete_and_every_name_is_its_own() -> None:
    assert [drill.name for drill in DRILLS] == [
        "leader-reboot", "standby", "leader-lost", "power-cut", "access-point", "split-network", "suspended", "loss",
        "roam", "clash", "live-data", "music-moved",
    ]  # fmt: skip
    assert list(RECOVERIES) == ["blended", "unmarked", "slew only", "step only", "hold"]


@pytest.mark.parametrize("drill", DRILLS, ids=lambda drill: str(drill.name))
@pytest.mark.parametrize("scenario", [ONE_SHOW, load_shipped()], ids=["a yard", "quarry lake"])
def test_one_show_rolls_throughout_and_one_thing_breaks(drill: Drill, scenario: Scenario) -> None:
    drilled = drill.applied_to(scenario)
    rolling = drilled.cues[0].show
    assert {(cue.show, cue.state) for cue in drilled.cues} == {(rolling, "rolling")}
    assert drilled.cues[0].at_s < BREAKS_AT_S
    assert len(drilled.faults) == (0 if drill.moves else 1)
    for fault in drilled.faults:
        assert fault.at_s == BREAKS_AT_S
        over = BREAKS_AT_S if isinstance(fault, LeaderLost) else over_at_s(fault)
        assert over == drill.over_at_s
    assert drilled.run.duration_s == drill.duration_s
    ends = drilled.cues[0].at_s + next(show.duration_s for show in drilled.shows if show.id == rolling)
    assert ends >= drilled.run.duration_s
    # Place, people and network are as they were.
    for part in ("leader", "followers", "clocks", "air", "targets", "tight_pairs"):
        assert getattr(drilled, part) == getattr(scenario, part)


def test_a_standby_is_there_where_one_is_needed_and_nowhere_else() -> None:
    standbys = {drill.name: len(drill.applied_to(load_shipped()).standbys) for drill in DRILLS}
    assert {name for name, count in standbys.items() if count} == {"standby", "split-network"}
    kept = {drill.name: [standby.name for standby in drill.applied_to(ONE_SHOW).standbys] for drill in DRILLS}
    assert kept["standby"] == ["shed"]
    assert kept["leader-lost"] == []
    assert kept["roam"] == ["shed"]


def test_a_network_splits_between_the_halves_and_the_standby_is_away() -> None:
    (fault,) = drills_named("split-network")[0].applied_to(ONE_SHOW).faults
    assert getattr(fault, "away") == ("elm", "shed")  # noqa: B009 - one of many kinds


def test_a_clashing_leader_rolls_another_show_even_where_there_is_but_one() -> None:
    drilled = drills_named("clash")[0].applied_to(ONE_SHOW)
    (fault,) = drilled.faults
    assert getattr(fault, "show") != drilled.cues[0].show  # noqa: B009 - one of many kinds


@pytest.mark.parametrize(("asked", "nearest"), [("stand-by", "standby"), ("acess-point", "access-point")])
def test_an_unknown_drill_is_told_the_nearest(asked: str, nearest: str) -> None:
    with pytest.raises(DrillError, match=f"no '{asked}'; did you mean {nearest}\\?"):
        drills_named(asked)


def test_a_rival_can_roll_only_a_show_that_there_is() -> None:
    fault = {"kind": "clashing-leader", "at_s": 20, "show": "shart"}
    with pytest.raises(ScenarioError, match=r'faults\[0\]\.show: "shart".*did you mean "short"'):
        ONE_SHOW.with_changes({"faults": [fault]})


@pytest.mark.parametrize(
    ("asked", "who", "at_s", "for_s"),
    [
        ("power-cut", (), 120, 20),
        ("power-cut:gatehouse@3:20/40s", ("gatehouse",), 200, 40),
        ("power-cut:cliff net", ("cliff net",), 120, 20),
        ("split-network:ferry, mill wheel@200s", ("ferry", "mill wheel"), 200, 60),
        ("suspended:a/b @ c:d/2min", ("a/b @ c:d",), 120, 120),
        ("leader-lost@1:05:00", (), 3900, 0),
        ("loss@90/0.5", (), 90, 0.5),
        ("music-moved@1:00.5/500ms", (), 60.5, 0.5),
    ],
)
def test_a_drill_is_asked_for_with_who_when_and_for_how_long(
    asked: str, who: tuple[str, ...], at_s: float, for_s: float
) -> None:
    (drill,) = drills_named(asked)
    assert (drill.who, drill.at_s, drill.for_s, drill.over_at_s) == (who, at_s, for_s, at_s + for_s)
    assert drills_named(drill.label) == (drill,)


def test_what_was_asked_for_is_what_breaks() -> None:
    lake = load_shipped()
    (drill,) = drills_named("power-cut:gatehouse@3:20/40s", lake)
    drilled = drill.applied_to(lake)
    (fault,) = drilled.faults
    assert (fault.kind, fault.at_s, over_at_s(fault)) == ("power-cut", 200, 240)
    assert getattr(fault, "follower") == "gatehouse"  # noqa: B009 - one of many kinds
    assert drilled.run.duration_s == 300
    # Whenever it breaks, the same part of the show is on.
    assert (200 - drilled.cues[0].at_s) % CYCLE_S == (BREAKS_AT_S - CUT.applied_to(lake).cues[0].at_s) % CYCLE_S
    assert drill.summary == "gatehouse loses power, 40 s"
    (split,) = drills_named("split-network:ferry,jetty,willow", lake)
    assert getattr(split.applied_to(lake).faults[0], "away") == ("ferry", "jetty", "willow")  # noqa: B009
    assert split.summary == "ferry, jetty and willow are cut off, 60 s"
    (moved,) = drills_named("music-moved@200/5s", lake)
    assert [cue.at_s for cue in moved.applied_to(lake).cues][1:] == [200, 205]


@pytest.mark.parametrize(
    ("asked", "told"),
    [
        ("power-cut:", "'power-cut:' is not understood; allowed: NAME\\[:WHO\\]\\[@WHEN\\]\\[/FOR\\], such as"),
        ("power-cut@", "'@' is not allowed; allowed: when it breaks, such as 3:20 or 200s"),
        ("power-cut:gatehouse@3:20/-4s", "'/-4s' is not allowed; allowed: for how long, such as 40s"),
        ("power-cut:gatehouse@/40s", "'@' is not allowed"),
        ("power-cut@noon", "is not understood"),
        ("", "is not understood"),
        ("all@3:20", "all goes by itself"),
        ("loss:jetty", "of loss nobody can be chosen; leave out :jetty"),
        ("leader-lost/20s", "that is for good; leave out /20s"),
        ("power-cut@0:20", "'@0:20' is not allowed; allowed: from 1:00"),
        ("power-cut@5:00:00", "to 4:00:00"),
        ("power-cut@3:2:0", "'@3:2:0' is not allowed; allowed: when it breaks, such as 3:20 or 200s"),
        ("power-cut/0s", "'/0s' is not allowed; allowed: from 0.1 s to 3600 s"),
        ("power-cut/2parsecs", "'/2parsecs' is not allowed; allowed: for how long, such as 40s"),
        ("roam/2min", "from 0.1 s to 60 s"),
        ("power-cut:jety", 'faults\\[0\\].follower: "jety".*did you mean "jetty"'),
        ("access-point:shed", "access_point"),
    ],
)
def test_what_cannot_be_drilled_so_says_what_can(asked: str, told: str) -> None:
    with pytest.raises(LeadlightError, match=told):
        drills_named(asked, load_shipped())


def test_all_is_every_drill_and_a_name_is_one() -> None:
    assert drills_named("all") == DRILLS
    assert [drill.name for drill in drills_named("roam")] == ["roam"]


# -- what was seen -----------------------------------------------------------------------------------------------------

PERIOD_S = 0.025
CUT = drills_named("power-cut")[0]  # breaks at 120 s, over at 140 s
FIRST = 4_000


INSTEAD = {"dark": DARK, "off": OFF, "other show": OTHER_SHOW}


def seen(
    changes: dict[tuple[float, float], tuple[int | str, float]],
    dimmed: Sequence[tuple[float, float]] = (),
    late_ms: float = 0.0,
) -> PieceSeen:
    """A piece watched from 110 s to 200 s that shows what is due, but for spans: by how many frames off, or a word."""
    count = round(90 / PERIOD_S)
    times = np.linspace(110, 200, count, endpoint=False) + 1e-6
    due = FIRST + np.arange(count)
    frames, errors = due.copy(), np.full(count, 0.3)
    for (begin, end), (frame, error) in changes.items():
        span = (times >= begin) & (times < end)
        if isinstance(frame, int):
            frames[span] = due[span] + frame
        elif frame == "stuck":
            frames[span] = due[span][0] - 1
        else:
            frames[span] = INSTEAD[frame]
        errors[span] = error
    levels = np.where(frames >= 0, 1.0, 0.0)
    for begin, end in dimmed:
        levels[(times >= begin) & (times < end)] *= 0.5
    piece = Watched("oak", frames, errors - late_ms, np.ones(count), levels, errors)
    watch = Watch(times, due, 1000 * PERIOD_S, (piece,), np.ones((1, count)), np.ones((1, count)))
    return drills._piece_seen(piece, watch, CUT)


def test_a_piece_that_is_never_wrong_has_nothing_to_tell() -> None:
    assert seen({}) == PieceSeen("oak", 0.3, 0.0, 0.0, 0.0, 0.0, 0.3, 0, 0.0, 0.0)


def test_dark_with_power_is_told_and_without_power_is_not() -> None:
    found = seen({(120, 140): ("off", math.nan), (140, 141): ("dark", math.nan)})
    assert found.dark_s == pytest.approx(1.0)
    assert found.back_after_s == pytest.approx(1.0, abs=PERIOD_S)
    assert (found.wrong_s, found.jumps, found.freeze_s) == (0.0, 0, 0.0)


def test_a_frame_in_a_fade_is_dimmed_and_neither_wrong_nor_dark() -> None:
    found = seen({}, dimmed=[(140, 140.5), (110, 111)])
    assert found.dimmed_s == pytest.approx(0.5)
    assert (found.wrong_s, found.dark_s, found.back_after_s) == (0.0, 0.0, 0.0)


def test_half_a_frame_is_the_border_between_right_and_wrong() -> None:
    assert seen({(140, 142): (0, 12.5)}).wrong_s == 0.0
    found = seen({(140, 142): (0, -12.6)})
    assert found.wrong_s == pytest.approx(2.0)
    assert found.back_after_s == pytest.approx(2.0, abs=PERIOD_S)
    assert (found.error_ms, found.error_after_ms) == (12.6, 12.6)


def test_a_player_that_wakes_late_adds_to_what_is_seen_and_not_to_the_time_until_it_is_back() -> None:
    found = seen({(140, 141): (0, -12.0)}, late_ms=13.0)
    assert (found.error_ms, found.error_after_ms) == (25.0, 12.0)
    assert found.wrong_s == pytest.approx(80.0)  # all of it, from the break on
    assert found.back_after_s == 0.0


def test_back_means_for_good() -> None:
    found = seen({(140, 140.5): (0, 40.0), (150, 150.5): (0, 40.0)})
    assert found.back_after_s == pytest.approx(10.5, abs=PERIOD_S)
    assert seen({(150, 300): (0, 40.0)}).back_after_s is None


def test_what_was_wrong_before_the_break_is_another_matter() -> None:
    found = seen({(112, 115): (8, 200.0)})
    assert (found.error_ms, found.wrong_s, found.jumps) == (0.3, 0.0, 0)


def test_a_jump_is_told_whichever_way_and_a_single_frame_left_out_is_none() -> None:
    assert seen({(150, 151): (8, 200.0)}).jumps == 2  # there and back
    assert seen({(150, 151): (-8, -200.0)}).jumps == 2
    # A slewing piece leaves out a frame, and repeats one.
    assert seen({(150, 151): (1, 25.0)}).jumps == 0


def test_a_freeze_is_how_long_a_frame_stood_beyond_its_time() -> None:
    found = seen({(150, 151): ("stuck", 500.0)})
    assert found.freeze_s == pytest.approx(1.0)
    assert found.jumps == 1


def test_another_show_counts_even_before_the_break() -> None:
    assert seen({(115, 116): ("other show", math.nan)}).other_show_s == pytest.approx(1.0)


# -- judged ------------------------------------------------------------------------------------------------------------

GOOD = PieceSeen("oak", 1.0, 0.0, 0.0, 0.0, 0.0, 1.0, 0, 0.0, 0.0)
NO_FLASHES = AddedFlashes("everything", 0, 0, 2, 2)
REBOOT = drills_named("leader-reboot")[0]


def troubles(
    piece: PieceSeen = GOOD, flashes: AddedFlashes = NO_FLASHES, drill: Drill = REBOOT, reported: bool | None = None
) -> list[str]:
    return drills._troubles(drill, ONE_SHOW, [piece], flashes, reported)


def test_a_recovery_may_take_three_intervals_or_the_time_to_slew() -> None:
    assert recovery_limit_s(ONE_SHOW, 10.0) == 3.0
    assert recovery_limit_s(ONE_SHOW, 200.0) == pytest.approx(10.0)
    assert recovery_limit_s(ONE_SHOW, math.nan) == 3.0
    assert recovery_limit_s(ONE_SHOW.with_changes({"leader.interval_s": 0.5}), 10.0) == 1.5


def test_nothing_is_said_of_what_stays_within_limits() -> None:
    assert troubles() == []
    assert troubles(replace(GOOD, back_after_s=3.0)) == []
    assert troubles(reported=True) == []


def test_each_limit_passed_is_a_sentence() -> None:
    assert troubles(replace(GOOD, other_show_s=0.5)) == ["oak showed another show for 0.5 s"]
    assert troubles(replace(GOOD, back_after_s=3.1)) == ["oak was back after 3.1 s, not within 3.0 s"]
    assert troubles(replace(GOOD, back_after_s=None)) == ["oak did not come back within half a frame"]
    assert troubles(reported=False) == ["the leader was not told of the live data"]


def test_a_flash_is_too_many_unless_a_piece_must_jump() -> None:
    one = AddedFlashes("oak", 1, 1, 3, 2)
    assert troubles(flashes=one) == ["1 flash added, seen from oak"]
    assert troubles(flashes=AddedFlashes("oak", 0, 2, 2, 2)) == ["2 flashes added, seen from oak"]
    assert troubles(flashes=AddedFlashes("oak", 1, 0, 3, 2)) == ["1 flash added, seen from oak"]
    assert troubles(flashes=one, drill=CUT) == []
    assert troubles(flashes=AddedFlashes("oak", 2, 2, 3, 2), drill=CUT) == ["2 flashes added, seen from oak"]
    # Nor may they be spread over as many seconds.
    assert troubles(flashes=AddedFlashes("oak", 1, 2, 3, 2), drill=CUT) == ["2 flashes added, seen from oak"]


def test_the_worst_piece_is_the_one_on_another_show_then_the_one_wrong_longest() -> None:
    pieces = (
        GOOD,
        replace(GOOD, name="far off", error_ms=900.0),
        replace(GOOD, name="long wrong", wrong_s=2.0),
        replace(GOOD, name="elsewhere", other_show_s=0.1),
    )
    result = DrillResult("roam", "roam", "", "blended", 1, "", pieces, NO_FLASHES, NO_FLASHES, None, ())
    assert result.worst.name == "elsewhere"
    assert replace(result, pieces=pieces[:3]).worst.name == "long wrong"
    assert replace(result, pieces=pieces[:2]).worst.name == "far off"


def test_what_was_never_seen_is_null_in_json() -> None:
    never = replace(GOOD, error_ms=math.nan, back_after_s=None)
    result = DrillResult("roam", "roam", "", "blended", 1, "", (never,), NO_FLASHES, NO_FLASHES, None, ("oak is lost",))
    plain = result.to_json()
    assert plain["pieces"][0]["error_ms"] is None
    assert plain["pieces"][0]["back_after_s"] is None
    assert plain["good"] is False
