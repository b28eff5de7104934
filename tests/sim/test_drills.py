"""What the crowd sees when something breaks, at the shipped scenario.

Every drill once; ``tests/bench/drills.py`` runs many.
"""

from __future__ import annotations

import json
import math
import re
from dataclasses import replace
from functools import cache
from html import escape, unescape
from importlib.metadata import EntryPoint
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import drills as bench
from leadlight.commands import cli
from leadlight.events import LeaderChanged, RivalHeard, Stepped
from leadlight.playback.recovery import SLEW_RATE, StepOnlyRecovery
from leadlight.units import MILLISECOND, SECOND
from leadlight_sim.commands import drill as drill_command
from leadlight_sim.drills import drills
from leadlight_sim.drills.breaking import BREAKS_AT_S, DRILLS, ROLLS_AT_S, Drill, drills_named
from leadlight_sim.drills.drills import DEFAULT_RECOVERY, RECOVERIES, DrillResult, run_drill
from leadlight_sim.drills.watch import OTHER_SHOW, Watcher
from leadlight_sim.kernel.kernel import TrueInstant
from leadlight_sim.scenario.files import load_shipped
from leadlight_sim.scenario.model import Scenario
from leadlight_sim.world.assembly import World

LAKE = load_shipped()
OPEN_LAKE = LAKE.with_changes({"keyed": False})
"""Without a key, which a drill otherwise gives the group: jumps come in from dark, and a rival may be followed."""
HALF_FRAME_MS = 12.5
SEEDS = (3,)
"""The bench looks at others."""

pytestmark = pytest.mark.slow


def drill(name: str) -> Drill:
    return drills_named(name)[0]


@cache
def ran(name: str, seed: int = SEEDS[0], recovery: str = DEFAULT_RECOVERY) -> DrillResult:
    """What a drill at the shipped scenario came to: run once, however many tests look at it."""
    return run_drill(drill(name), LAKE, seed, recovery)


# -- every drill -------------------------------------------------------------------------------------------------------


@pytest.mark.thorough_except(name=("standby", "roam"))
@pytest.mark.parametrize("seed", SEEDS)
@pytest.mark.parametrize("name", [drill.name for drill in DRILLS])
def test_nothing_that_breaks_shows_another_show_adds_flashes_or_keeps_a_piece_away(name: str, seed: int) -> None:
    result = ran(name, seed)
    replay = f"leadlight rehearse --drill {name} --seed {seed}"
    assert result.troubles == (), replay
    forced = drill(name).has_forced_step
    assert result.flashes.in_a_second <= (1 if forced else 0), replay
    assert result.flashes.total <= (1 if forced else 0), replay
    for piece in result.pieces:
        assert piece.other_show_s == 0.0, replay
        assert piece.back_after_s is not None, replay
        slewing_s = 0.0 if math.isnan(piece.error_after_ms) else piece.error_after_ms / 1000 / SLEW_RATE
        assert piece.back_after_s <= max(3 * LAKE.leader.interval_s, slewing_s), replay
        if name != "suspended" and not drill(name).moves:
            assert piece.jumps == 0, replay
            assert piece.freeze_s <= 0.025, replay


def test_a_standby_takes_over_without_anybody_moving_by_half_a_frame() -> None:
    for seed in SEEDS:
        result = ran("standby", seed)
        assert max(piece.error_ms for piece in result.pieces) < HALF_FRAME_MS, f"replay with seed {seed}"


@pytest.mark.thorough_except(preset="busy")
@pytest.mark.parametrize("preset", ["busy", "idle"])
def test_a_board_that_roams_to_a_slower_access_point_stays_in_step(preset: str) -> None:
    # Its beacons take 20 ms longer than everyone else's, and so do its exchanges both ways. Medians come to be 20 ms
    # wrong for it alone, and are for ever; its own floors take five minutes to be found anew.
    roaming = replace(drill("roam"), looks_on_s=600.0)
    world = World(roaming.applied_to(LAKE.with_changes({"air.preset": preset})), 1)
    board = world.followers[0]
    for second in range(round(BREAKS_AT_S), round(BREAKS_AT_S) + 600, 5):
        world.run_to(TrueInstant(second * SECOND))
        _, ideal = world.ideal(world.kernel.now)
        position = board.follower.position_at(board.now)
        assert position is not None
        assert abs(position - ideal) < HALF_FRAME_MS * MILLISECOND
    assert board.follower.clock.shared_delay.refused > 300
    assert not any(isinstance(event, Stepped) for _, event in board.events)


@pytest.mark.thorough
def test_a_drill_runs_the_same_again_and_differs_by_its_seed() -> None:
    again = run_drill(drill("roam"), LAKE, SEEDS[0])
    assert again.to_json() == ran("roam").to_json()
    assert again.to_json()["trace_hash"] != ran("roam", 1).to_json()["trace_hash"]


# -- what breaks really breaks -----------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def clashed() -> World:
    world = World(drill("clash").applied_to(LAKE), 1)
    world.run_to(TrueInstant(round((BREAKS_AT_S + 30) * SECOND)))
    return world


def test_a_clashing_leader_is_heard_by_everyone_and_followed_by_nobody(clashed: World) -> None:
    (rival,) = clashed.rivals
    assert rival.leader.is_leading
    assert rival.leader.cue.show == clashed.shows[1].key
    assert any(isinstance(event, RivalHeard) for _, event in clashed.leader.events)
    for node in clashed.followers:
        assert node.follower.counters["other leader"] >= 10
        assert node.follower.tenure == clashed.leader.leader.tenure
        assert node.follower.timebase != rival.leader.timebase


def test_a_clashing_leader_is_known_to_the_truth_but_never_what_ought_to_be_seen(clashed: World) -> None:
    (rival,) = clashed.rivals
    now = clashed.kernel.now
    assert rival.leader.timebase is not None
    truth = clashed.leader_time(rival.leader.timebase, now)
    assert truth is not None
    assert int(truth) == int(rival.now)
    assert clashed.ideal(now)[0].show == clashed.shows[0].key


def test_a_follower_that_went_over_to_a_rival_would_be_seen() -> None:
    # Nobody leads but the rival: the leader is lost first.
    changes = {"faults": [{"kind": "leader-lost", "at_s": 100}, *drill("clash").applied_to(OPEN_LAKE).model_dump(
        mode="json", exclude_unset=True)["faults"]]}  # fmt: skip
    world = World(drill("clash").applied_to(OPEN_LAKE).with_changes(changes), 1)
    watcher = Watcher(world, world.shows[0], TrueInstant(110 * SECOND))
    watcher.run_to(TrueInstant(150 * SECOND))
    for node, piece in zip(world.followers, watcher.watched().pieces, strict=True):
        assert any(isinstance(event, LeaderChanged) for _, event in node.events)
        assert np.count_nonzero(piece.frames == OTHER_SHOW) * 0.025 > 10


def test_a_suspended_board_is_seen_to_stand_still() -> None:
    result = ran("suspended")
    stuck = next(piece for piece in result.pieces if piece.name == LAKE.followers[0].name)
    assert stuck.freeze_s == pytest.approx(60, abs=0.1)
    assert stuck.wrong_s == pytest.approx(60, abs=0.1)
    assert stuck.error_ms == pytest.approx(60_000, abs=50)
    assert stuck.jumps == 1
    assert stuck.error_after_ms < HALF_FRAME_MS
    # Its place in the chase is a gap, twice in each of three cycles: no timing closes it, so it is counted apart.
    assert (result.flashes.total, result.fault_flashes.total) == (0, 6)


def test_the_leader_is_told_of_live_data() -> None:
    assert ran("live-data").reported is True


# -- recoveries --------------------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def moved() -> dict[str, DrillResult]:
    return {name: ran("music-moved", 1, name) for name in RECOVERIES}


def test_each_way_of_removing_an_error_shows_in_its_own_way(moved: dict[str, DrillResult]) -> None:
    worst = {name: result.worst for name, result in moved.items()}
    assert (worst["blended"].jumps, worst["step only"].jumps, worst["slew only"].jumps) == (2, 2, 0)
    assert worst["hold"].jumps == 1
    assert worst["hold"].freeze_s == pytest.approx(0.2, abs=0.03)
    # 0.2 s at 2 % take ten seconds, the last 12.5 ms of which are right.
    assert worst["slew only"].back_after_s == pytest.approx((0.2 - 0.0125) / SLEW_RATE, abs=0.6)
    for name in ("blended", "step only", "hold"):
        back = worst[name].back_after_s
        assert back is not None
        assert back < 0.3


def test_a_jump_in_a_group_without_a_key_comes_in_from_dark_which_is_one_flash(moved: dict[str, DrillResult]) -> None:
    unmarked = moved_in_the_open("unmarked", 0)
    assert (unmarked.flashes.in_a_second, unmarked.flashes.total) == (1, 2)  # it jumps there and back
    assert unmarked.worst.dimmed_s == pytest.approx(1.0, abs=0.06)
    assert moved["slew only"].flashes.total == 0


def test_a_jump_in_a_group_with_a_key_is_no_flash(moved: dict[str, DrillResult]) -> None:
    assert (moved["unmarked"].flashes.total, moved["unmarked"].worst.dimmed_s) == (0, 0.0)


def test_a_group_is_drilled_with_a_key_unless_its_scenario_says_otherwise() -> None:
    assert drill("loss").applied_to(LAKE).keyed
    assert not drill("loss").applied_to(OPEN_LAKE).keyed


def test_a_jump_between_frames_that_players_mark_as_one_picture_is_not_seen(moved: dict[str, DrillResult]) -> None:
    for name in ("blended", "step only"):
        assert (moved[name].worst.jumps, moved[name].flashes.total, moved[name].worst.dimmed_s) == (2, 0, 0.0)


@cache
def moved_in_the_open(recovery: str, shift_s: int) -> DrillResult:
    return run_drill(drill("music-moved"), OPEN_LAKE, 1, recovery, rolls_at_s=ROLLS_AT_S + shift_s)


@pytest.mark.thorough_except(apart_s=20)
@pytest.mark.parametrize("apart_s", [20, 10, 4])
def test_wherever_in_a_show_the_music_moves_marked_players_flash_once_at_most_and_less_often_than_others(
    apart_s: int,
) -> None:
    totals = {
        name: [
            moved_in_the_open(name, shift).flashes.total
            for shift in range(0, 20, apart_s)
        ]
        for name in ("blended", "unmarked")
    }
    # The trial content's cycle is 20 s: pulses, chases, darkness and steady light are all among them.
    assert max(totals["blended"]) <= 1
    assert sum(totals["blended"]) < sum(totals["unmarked"]) / 2


def test_a_recovery_that_jumps_at_every_sample_is_found_out(monkeypatch: pytest.MonkeyPatch) -> None:
    always = {"always": lambda: StepOnlyRecovery(dead_band_ns=0, step_spacing_ns=0)}
    monkeypatch.setattr(drills, "RECOVERIES", always)
    monkeypatch.setattr(drills, "UNMARKED", {"always"})
    result = run_drill(drill("loss"), OPEN_LAKE, 1, "always")
    assert result.flashes.total > 10
    assert any("flashes added" in trouble for trouble in result.troubles)


# -- the command -------------------------------------------------------------------------------------------------------

Capture = pytest.CaptureFixture[str]


@pytest.fixture
def _as_installed(monkeypatch: pytest.MonkeyPatch) -> None:
    point = EntryPoint("rehearse", "leadlight_sim.commands.cli:rehearse", cli.COMMAND_GROUP)
    monkeypatch.setattr(cli, "entry_points", lambda **_: [point])


def rehearse(*words: str | Path) -> int:
    return cli.main(["rehearse", *map(str, words)])


@pytest.mark.usefixtures("_as_installed")
def test_a_drill_is_a_row_with_its_worst_piece_and_how_to_repeat_it(capsys: Capture, tmp_path: Path) -> None:
    assert rehearse("--drill", "roam", "--seed", "1", "--strict", "--json", tmp_path / "found.json") == 0
    said = capsys.readouterr().out
    found = json.loads((tmp_path / "found.json").read_text())
    (row,) = (line for line in said.splitlines() if line.startswith("roam "))
    worst = max(found["drills"][0]["pieces"], key=lambda piece: piece["error_ms"])
    assert worst["name"] in row
    assert f"{worst['error_ms']:.2f} ms" in row
    assert row.split()[-1] == "yes"
    assert "  roam: a board changes to a slower access point.\n" in said
    # Whatever the table has in its head is explained below it.
    for word in ("Worst", "Error", "Wrong", "Dark", "Back", "Jumps", "Freeze", "Other show", "Flashes added", "Limits"):
        assert f"{word}: " in said
    assert "Dimmed: " not in said
    assert "(3 s) of the fault's end" in " ".join(said.split())
    assert "It stayed within its limits." in said
    assert "No conformance is claimed." in said
    assert "Reproduce: leadlight rehearse --seed 1 --drill roam\n" in said
    assert found["reproduce"] == "leadlight rehearse --seed 1 --drill roam"
    assert found["drills"][0]["good"] is True


@pytest.mark.usefixtures("_as_installed")
def test_several_evenings_share_a_table_and_each_row_of_the_page_opens_its_timeline(
    capsys: Capture, tmp_path: Path
) -> None:
    report, figures = tmp_path / "page.html", tmp_path / "found.json"
    words: list[str | Path] = ["--drill", "roam:ferry@1:10/0.5", "--evenings", "2", "--seed", "7"]
    words += ["--report", report, "--json", figures]
    assert rehearse(*words) == 0
    said = capsys.readouterr().out
    (row,) = (line for line in said.splitlines() if line.startswith("roam:ferry@1:10/0.5s "))
    assert row.split()[-3:] == ["2", "of", "2"]
    found = json.loads(figures.read_text())["drills"]
    assert [each["seed"] for each in found] == [7, 8]
    assert found[0]["label"] == "roam:ferry@1:10/0.5s"
    text = report.read_text()
    assert '<th scope="row"><a href="#timeline-1">roam:ferry@1:10/0.5s</a></th>' in text
    # The timeline is of the very run that the row is about.
    shown = max(found, key=lambda each: max(piece["error_ms"] for piece in each["pieces"]))
    assert str(shown["seed"]) in row.split()
    (frame,) = re.findall(r'<iframe id="timeline-1"[^>]* srcdoc="([^"]*)"', text)
    assert f"Seed {shown['seed']}, trace hash {shown['trace_hash']}." in unescape(frame)
    assert '<section id="evening" hidden' in unescape(frame)


@pytest.mark.usefixtures("_as_installed")
def test_help_lists_every_drill_and_what_breaks_in_it(capsys: Capture) -> None:
    assert rehearse("--help") == 0
    said = capsys.readouterr().out
    for each in DRILLS:
        assert f"  {each.name:14} {each.summary}\n" in said


@pytest.mark.usefixtures("_as_installed")
def test_recoveries_are_compared_in_one_table(
    capsys: Capture, monkeypatch: pytest.MonkeyPatch, tmp_path: Path, moved: dict[str, DrillResult]
) -> None:
    def as_it_ran(which: Drill, scenario: Scenario, seed: int, recovery: str, *_: object) -> DrillResult:
        assert (which.name, scenario.digest(), seed) == ("music-moved", LAKE.digest(), 1)
        return moved[recovery]

    monkeypatch.setattr(drill_command, "run_drill", as_it_ran)
    file = tmp_path / "found.json"
    assert rehearse("--drill", "music-moved", "--compare-recoveries", "--seed", "1", "--json", file) == 0
    lines = capsys.readouterr().out.splitlines()
    assert f"  {drill_command.UNMARKED_NOTE}" in lines
    assert any(line.startswith("  Dimmed: ") for line in lines)
    assert not any(line.startswith("  Worst: ") for line in lines)
    for name in RECOVERIES:
        assert sum(line.startswith(f"{name} ") for line in lines) == 1
    assert [each["recovery"] for each in json.loads(file.read_text())["drills"]] == list(RECOVERIES)


@pytest.mark.usefixtures("_as_installed")
def test_a_limit_passed_is_said_and_strict_makes_it_count(
    capsys: Capture, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.setattr(drills, "recovery_limit_s", lambda _scenario, _error: 0.0)
    report = tmp_path / "page.html"
    assert rehearse("--drill", "power-cut", "--seed", "1", "--strict", "--report", report) == 1
    text = report.read_text().replace("\N{NO-BREAK SPACE}", " ")
    assert "<h1>1 of 1 drills went beyond their limits.</h1>" in text
    assert '<header class="band bad">' in text
    assert '<th scope="row"><a href="#timeline-1">power-cut</a></th>' in text
    assert "power-cut: jetty was back after" in text
    for note in (*drill_command.NOTES, *drills.limits_told(LAKE), "power-cut: a piece loses power, 20 s."):
        assert f'<p class="small">{escape(note).replace("&#x27;", "&#39;")}</p>' in text
    assert "<pre>leadlight rehearse --seed 1 --drill power-cut</pre>" in text
    said = capsys.readouterr().out
    assert "power-cut: jetty was back after" in said
    assert "power-cut: 2 flashes more are the fault's own, whatever the timing." in said
    assert "\n1 of 1 drills went beyond their limits.\n" in said
    # Without --strict it is said, and is no failure.
    beyond = replace(ran("roam"), troubles=("roam: planted",))
    monkeypatch.setattr(drill_command, "run_drill", lambda *_: beyond)
    assert rehearse("--drill", "roam", "--seed", "1") == 0
    assert "\n1 of 1 drills went beyond their limits.\n" in capsys.readouterr().out


@pytest.mark.usefixtures("_as_installed")
@pytest.mark.parametrize(
    ("words", "told"),
    [
        (["--drill", "stand-by"], "did you mean standby?"),
        (["--compare-recoveries"], "--compare-recoveries needs --drill"),
        (["--drill", "all", "--picture", "p.png"], "--picture does not go with --drill: --report tells what"),
    ],
)
def test_what_cannot_be_drilled_is_said_in_one_line(words: list[str], told: str, capsys: Capture) -> None:
    assert rehearse(*words) == 2
    said = capsys.readouterr()
    assert told in said.err
    assert said.err.count("\n") == 1
    assert said.out == ""


@pytest.mark.usefixtures("_as_installed")
def test_an_interruption_keeps_what_was_finished(
    capsys: Capture, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    def interrupted(which: Drill, *rest: Any) -> DrillResult:
        if which.name == "standby":
            raise KeyboardInterrupt
        return replace(ran("roam"), drill=which.name)

    monkeypatch.setattr(drill_command, "run_drill", interrupted)
    assert rehearse("--drill", "all", "--seed", "1", "--json", tmp_path / "found.json") == 130
    said = capsys.readouterr().out
    assert [each["drill"] for each in json.loads((tmp_path / "found.json").read_text())["drills"]] == ["leader-reboot"]
    assert "Interrupted; 11 drills were not run." in said


# -- holdover ----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("seed", SEEDS)
def test_ten_minutes_without_a_leader_leave_pieces_within_milliseconds_of_each_other(seed: int) -> None:
    p95, largest, control = bench.holdover(seed)
    assert p95 <= 4.0
    assert largest <= 8.0
    # At the nominal rate, 100 ppm between two boards are 60 ms by then.
    assert control > 25.0
