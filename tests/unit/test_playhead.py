from __future__ import annotations

from itertools import pairwise
from random import Random

import pytest

from leadlight.cue import FrameRate
from leadlight.playback.playhead import FROZEN_PPB, Moved, Playhead, Stretch, Unseen
from leadlight.playback.recovery import HoldRecovery, Recovery, Remedy, SlewOnlyRecovery, StepOnlyRecovery
from leadlight.playback.stills import Still, unseen_in_ns
from leadlight.units import MILLISECOND, SECOND, LocalInstant, ShowPosition

FORTY = FrameRate(40)
START = LocalInstant(1_000 * SECOND)


def at(seconds: float) -> LocalInstant:
    return LocalInstant(START + round(seconds * SECOND))


def show(ahead_ns: int = 0, rate_ppb: int = 0) -> Stretch:
    """Where the show is: at `START` it began, `ahead_ns` nanoseconds ago."""
    return Stretch(START, ShowPosition(ahead_ns), rate_ppb)


def running(latency_ns: int = 0, trim_ns: int = 0) -> Playhead:
    playhead = Playhead(latency_ns=latency_ns, trim_ns=trim_ns)
    playhead.start(show())
    return playhead


def test_without_a_plan_there_is_nothing_to_amend() -> None:
    playhead = Playhead()
    assert not playhead.is_running
    assert playhead.amend(show(), START) is None
    assert playhead.instant_of(ShowPosition(0), START) is None


def test_it_goes_on_at_the_learnt_rate_when_nothing_more_is_said() -> None:
    playhead = Playhead()
    playhead.start(show(rate_ppb=50_000))
    assert playhead.position_at(at(3_600)) == 3_600 * SECOND + 180 * MILLISECOND


def test_an_error_of_fifty_milliseconds_is_slewed_at_two_percent_and_then_gone() -> None:
    playhead = running()
    assert playhead.amend(show(50 * MILLISECOND), at(10)) == Moved(Remedy.SLEW, 50 * MILLISECOND)
    assert playhead.position_at(at(10)) == 10 * SECOND
    assert playhead.position_at(at(11)) == 11 * SECOND + 20 * MILLISECOND
    assert playhead.position_at(at(12.5)) == 12.5 * SECOND + 50 * MILLISECOND
    assert playhead.position_at(at(20)) == 20 * SECOND + 50 * MILLISECOND


def test_a_larger_error_is_stepped_at_once() -> None:
    playhead = running()
    assert playhead.amend(show(51 * MILLISECOND), at(10)) == Moved(Remedy.STEP, 51 * MILLISECOND)
    assert playhead.position_at(at(10)) == 10 * SECOND + 51 * MILLISECOND


def still(*spans_s: tuple[float, float]) -> Unseen:
    """A show of forty frames a second that stands still, dark, between the given positions."""
    stills = tuple(Still(round(40 * first), round(40 * end), is_dark=True) for first, end in spans_s)
    return lambda here, there, within_ns: unseen_in_ns(stills, FORTY, here, there, within_ns)


def test_a_step_waits_for_frames_between_which_nobody_sees_it_and_slews_meanwhile() -> None:
    playhead, unseen, ahead = running(), still((11, 12)), show(200 * MILLISECOND)
    assert playhead.amend(ahead, at(10), unseen) == Moved(Remedy.SLEW, 200 * MILLISECOND)
    assert playhead.again_at == at(11)
    assert playhead.position_at(at(10.5)) == 10.5 * SECOND + 10 * MILLISECOND
    # At 11 s the slew has brought it 20 ms nearer.
    assert playhead.amend_again(at(11), unseen) == Moved(Remedy.STEP, 180 * MILLISECOND, is_unseen=True)
    assert playhead.position_at(at(11)) == 11.2 * SECOND
    # Nothing waits any more.
    assert playhead.amend_again(at(11.1), unseen) is None


def test_a_step_back_waits_until_what_it_leaves_and_what_it_enters_are_both_still() -> None:
    playhead, unseen, behind = running(), still((11, 12)), show(-200 * MILLISECOND)
    playhead.amend(behind, at(10), unseen)
    # Where the show is comes to the still frames last, at 11.2 s; the playhead, 24 ms slower by then, is inside.
    assert playhead.again_at == at(11.2)
    assert playhead.amend_again(at(11.2), unseen) == Moved(Remedy.STEP, -176 * MILLISECOND, is_unseen=True)


def test_a_step_with_nothing_to_wait_for_is_made_at_once() -> None:
    playhead, unseen, ahead = running(), still((11.4, 11.6)), show(400 * MILLISECOND)
    # Where it is comes to the still frames at 11.4 s, where the show is leaves them at 11.2 s: never both.
    assert playhead.amend(ahead, at(10), unseen) == Moved(Remedy.STEP, 400 * MILLISECOND)
    assert playhead.again_at is None


def test_a_step_waits_no_longer_than_its_patience_from_when_it_was_first_wanted() -> None:
    playhead, unseen = running(), still((11.4, 12))
    assert playhead.amend(show(200 * MILLISECOND), at(10), unseen) == Moved(Remedy.SLEW, 200 * MILLISECOND)
    # At 11 s the show is found to be elsewhere: the still frames are 0.6 s away, and half a second of patience is left.
    moved = playhead.amend(show(-200 * MILLISECOND), at(11), unseen)
    assert moved == Moved(Remedy.STEP, -220 * MILLISECOND)
    assert playhead.again_at is None


@pytest.mark.parametrize("what", ["the error is gone", "another plan is made", "the plan is dropped"])
def test_a_step_that_waits_is_forgotten_when(what: str) -> None:
    playhead, unseen = running(), still((11, 12))
    playhead.amend(show(200 * MILLISECOND), at(10), unseen)
    waited_until = playhead.again_at
    if what == "the error is gone":
        playhead.amend(show(), at(10.1), unseen)
    elif what == "another plan is made":
        playhead.start(show())
    else:
        playhead.halt()
    assert (waited_until, playhead.again_at) == (at(11), None)
    assert playhead.amend_again(at(11), unseen) is None


def test_a_step_within_still_frames_is_made_at_once_and_known_not_to_be_seen() -> None:
    playhead = running()
    moved = playhead.amend(show(200 * MILLISECOND), at(10), still((9, 12)))
    assert moved == Moved(Remedy.STEP, 200 * MILLISECOND, is_unseen=True)


def test_output_latency_counts_where_a_step_is_looked_for() -> None:
    playhead = running(latency_ns=100 * MILLISECOND)
    playhead.amend(show(200 * MILLISECOND), at(10), still((11, 12)))
    # What is handed over at 10.9 s is the light of 11 s.
    assert playhead.again_at == at(10.9)


def test_an_error_inside_the_dead_band_is_absorbed_over_a_second() -> None:
    playhead = running()
    assert playhead.amend(show(-400_000), at(10)) == Moved(Remedy.ABSORB, -400_000)
    assert playhead.position_at(at(10.5)) == 10.5 * SECOND - 200_000
    assert playhead.position_at(at(12)) == 12 * SECOND - 400_000


def test_far_ahead_it_freezes_until_the_show_has_caught_up_and_never_steps_back() -> None:
    playhead = running()
    behind = show(-3 * SECOND)
    assert playhead.amend(behind, at(10)) == Moved(Remedy.HOLD, -3 * SECOND)
    assert playhead.is_holding(at(10))
    # Half-way the error has shrunk to what would be a step, and near the end to a slew: the hold goes on.
    for seconds in (11, 12.1, 12.97):
        moved = playhead.amend(behind, at(seconds))
        assert moved is not None
        assert moved.remedy is Remedy.HOLD
        assert moved.goes_on
        assert playhead.position_at(at(seconds)) == 10 * SECOND
    assert playhead.position_at(at(13)) == 10 * SECOND
    assert not playhead.is_holding(at(13))
    assert playhead.position_at(at(14)) == 11 * SECOND


def test_with_latency_it_holds_until_so_much_before_the_show_has_caught_up() -> None:
    playhead = running(latency_ns=100 * MILLISECOND)
    playhead.amend(show(-3 * SECOND), at(10))
    # The light of 10.1 s was planned when the hold began, and the show reaches it at 13.1 s.
    assert playhead.is_holding(at(12.99))
    assert not playhead.is_holding(at(13))


def test_a_plan_is_what_is_in_hand_and_what_comes_after() -> None:
    playhead = running()
    assert playhead.plan == (playhead.now,)
    playhead.amend(show(50 * MILLISECOND), at(10))
    assert list(playhead.plan) == list(playhead.stretches)
    assert [stretch.rate_ppb for stretch in playhead.plan] == [0, 20_000_000, 0]


def test_a_position_that_is_past_was_reached_a_moment_after_any_instant() -> None:
    assert running().instant_of(ShowPosition(5 * SECOND), at(10)) == at(10) + 1
    assert running().instant_of(ShowPosition(15 * SECOND), at(10)) == at(15)


def test_no_slew_turns_round_within_a_second_of_the_last() -> None:
    playhead = running()
    playhead.amend(show(10 * MILLISECOND), at(10))  # ends at 10.5 s
    for seconds, remedy in ((11.0, Remedy.ABSORB), (11.499, Remedy.ABSORB), (11.5, Remedy.SLEW)):
        moved = playhead.amend(show(), at(seconds))
        assert moved is not None
        assert moved.remedy is remedy


def test_a_slew_cut_short_counts_from_where_it_was_cut() -> None:
    playhead = running()
    playhead.amend(show(50 * MILLISECOND), at(10))  # would last until 12.5 s
    for seconds, remedy in ((10.1, Remedy.ABSORB), (11.0, Remedy.ABSORB), (11.1, Remedy.SLEW)):
        moved = playhead.amend(show(-30 * MILLISECOND), at(seconds))
        assert moved is not None
        assert moved.remedy is remedy


def test_errors_to_and_fro_step_at_most_once_in_two_seconds_and_never_run_backwards_otherwise() -> None:
    playhead = running()
    stepped: list[int] = []
    last = playhead.position_at(at(0))
    for tenth in range(1, 101):
        now = at(tenth / 10)
        before = playhead.position_at(now)
        assert before >= last
        moved = playhead.amend(show(250 * MILLISECOND * (-1) ** tenth), now)
        assert moved is not None
        last = playhead.position_at(now)
        if moved.remedy is Remedy.STEP:
            stepped.append(now)
        else:
            assert last == before
    assert stepped
    assert all(later - earlier >= 2 * SECOND for earlier, later in pairwise(stepped))


def test_latency_hands_frames_over_early_and_trim_late() -> None:
    assert running(latency_ns=12 * MILLISECOND).frame_at(at(1 - 0.012), FORTY) == 40
    assert running(latency_ns=12 * MILLISECOND).frame_at(LocalInstant(at(1 - 0.012) - 1), FORTY) == 39
    assert running(trim_ns=30 * MILLISECOND).frame_at(at(1.03), FORTY) == 40
    assert running(trim_ns=30 * MILLISECOND).frame_at(LocalInstant(at(1.03) - 1), FORTY) == 39
    assert running(trim_ns=-30 * MILLISECOND).frame_at(at(0.97), FORTY) == 40
    assert running(latency_ns=12 * MILLISECOND, trim_ns=12 * MILLISECOND).frame_at(at(1), FORTY) == 40


@pytest.mark.parametrize("lead_ns", [0, 25 * MILLISECOND, 700 * MILLISECOND, -2 * SECOND])
@pytest.mark.parametrize("error_ns", [40 * MILLISECOND, -40 * MILLISECOND, -3 * SECOND])
def test_no_frame_is_taken_back_whatever_latency_and_trim_are(lead_ns: int, error_ns: int) -> None:
    playhead = running(latency_ns=max(lead_ns, 0), trim_ns=max(-lead_ns, 0))
    handed = playhead.light_position_at(at(10))
    playhead.amend(show(error_ns), at(10))
    assert playhead.light_position_at(at(10)) == handed
    # What was handed over before is still to be seen, as it was.
    assert playhead.position_at(LocalInstant(at(10) + lead_ns - MILLISECOND)) == handed - MILLISECOND


@pytest.mark.parametrize("rate", [FrameRate(20), FrameRate(30_000, 1_001), FORTY, FrameRate(44), FrameRate(60)])
@pytest.mark.parametrize("rate_ppb", [-600_000, 0, 1, 600_000])
@pytest.mark.parametrize("lead_ns", [0, 12_345_678, -30 * MILLISECOND])
def test_the_next_frame_is_due_at_the_first_nanosecond_it_shows(rate: FrameRate, rate_ppb: int, lead_ns: int) -> None:
    playhead = Playhead(latency_ns=max(lead_ns, 0), trim_ns=max(-lead_ns, 0))
    playhead.start(show(rate_ppb=rate_ppb))
    playhead.amend(show(20 * MILLISECOND, rate_ppb), at(5))
    now = at(5)
    for frame in range(playhead.frame_at(now, rate) + 1, playhead.frame_at(now, rate) + 100):
        due = playhead.next_frame_at(now, rate)
        assert due is not None
        assert due > now
        assert playhead.frame_at(due, rate) == frame
        assert playhead.frame_at(LocalInstant(due - 1), rate) == frame - 1
        now = due


def test_a_held_frame_is_followed_when_the_hold_ends() -> None:
    playhead = running()
    playhead.amend(show(-3 * SECOND), at(10))
    # Frame 400 begins at exactly ten seconds and is held for three; 401 comes one frame later.
    assert playhead.frame_at(at(11), FORTY) == 400
    assert playhead.next_frame_at(at(11), FORTY) == at(13.025)


def test_a_paused_show_has_no_next_frame() -> None:
    playhead = Playhead()
    playhead.start(Stretch(START, ShowPosition(SECOND), FROZEN_PPB))
    assert playhead.frame_at(at(100), FORTY) == 40
    assert playhead.next_frame_at(at(100), FORTY) is None


@pytest.mark.parametrize(
    ("recovery", "error_ns", "right_after_s"),
    [
        (SlewOnlyRecovery(), 200 * MILLISECOND, 10.0),
        (SlewOnlyRecovery(), -3 * SECOND, 150.0),
        (StepOnlyRecovery(), 10 * MILLISECOND, 0.0),
        (StepOnlyRecovery(), -3 * SECOND, 0.0),
        (HoldRecovery(), 10 * MILLISECOND, 0.0),
        (HoldRecovery(), -200 * MILLISECOND, 0.2),
    ],
)
def test_an_error_is_gone_as_soon_as_the_strategy_allows(
    recovery: Recovery, error_ns: int, right_after_s: float
) -> None:
    playhead = Playhead(recovery)
    playhead.start(show())
    target = show(error_ns)
    playhead.amend(target, at(10))
    right_at = at(10 + right_after_s)
    assert playhead.position_at(right_at) == target.position_at(right_at)
    if right_after_s:
        just_before = LocalInstant(right_at - MILLISECOND)
        assert playhead.position_at(just_before) != target.position_at(just_before)


def test_hold_never_shows_an_earlier_frame_again() -> None:
    playhead = Playhead(HoldRecovery())
    playhead.start(show())
    last = playhead.position_at(at(0))
    for tenth in range(1, 201):
        now = at(tenth / 10)
        assert playhead.position_at(now) >= last
        playhead.amend(show(250 * MILLISECOND * (-1) ** tenth), now)
        assert playhead.position_at(now) >= last
        last = playhead.position_at(now)


def test_light_that_was_planned_already_is_not_planned_again() -> None:
    playhead = running(latency_ns=100 * MILLISECOND)
    playhead.amend(show(10 * MILLISECOND), at(10))  # slewed for half a second, from the first light not handed over yet
    nearly = at(10.55)  # 50 ms before the slew ends, which is what is handed over at that moment already
    due = [LocalInstant(nearly + step * MILLISECOND) for step in range(100)]
    before = [playhead.position_at(instant) for instant in due]
    assert before[99] - before[0] == 99 * MILLISECOND + round(0.02 * 50 * MILLISECOND)
    for seconds in (0, 0.01, 0.03):  # beacons in a burst: each plans what none before has
        found = show(10 * MILLISECOND + round(seconds * MILLISECOND))
        playhead.amend(found, LocalInstant(nearly + round(seconds * SECOND)))
    assert [playhead.position_at(instant) for instant in due] == before


@pytest.mark.parametrize("lead_ns", [0, 20 * MILLISECOND, 51 * MILLISECOND, 700 * MILLISECOND])
def test_no_light_that_is_due_runs_backwards_without_a_step(lead_ns: int) -> None:
    playhead = running(latency_ns=lead_ns)
    random = Random(5)
    error_ns, now, last = 0, at(10), None
    for _ in range(600):
        error_ns += round(random.gauss(0, 3 * MILLISECOND))
        error_ns = max(min(error_ns, 20 * MILLISECOND), -20 * MILLISECOND)
        moved = playhead.amend(show(error_ns), now)
        assert moved is not None
        assert moved.remedy is not Remedy.STEP
        for step in range(10):
            here = playhead.position_at(LocalInstant(now + step * 6 * MILLISECOND))
            assert last is None or here >= last
            last = here
        now = LocalInstant(now + 60 * MILLISECOND)
