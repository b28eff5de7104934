"""The playhead's promises, whatever it is told: it is asked every ten milliseconds and told of arbitrary errors."""

from __future__ import annotations

from collections.abc import Iterable

from hypothesis import given
from hypothesis import strategies as st

from leadlight.cue import FrameRate
from leadlight.playback.playhead import Playhead, Stretch, Unseen
from leadlight.playback.recovery import Remedy
from leadlight.playback.stills import Still, unseen_in_ns
from leadlight.units import MILLISECOND, SECOND, LocalInstant, ShowPosition

FORTY = FrameRate(40)
START = LocalInstant(1_000 * SECOND)
errors = st.one_of(
    st.integers(-2 * MILLISECOND, 2 * MILLISECOND),
    st.integers(-60 * MILLISECOND, 60 * MILLISECOND),
    st.integers(-5 * SECOND, 5 * SECOND),
)
corrections = st.lists(
    st.tuples(st.integers(10 * MILLISECOND, 2 * SECOND), errors, st.integers(-600_000, 600_000)), max_size=25
)
leads = st.integers(-3 * SECOND, SECOND)
PATIENCE = 1_500 * MILLISECOND


def unseen_among(borders: list[int]) -> Unseen:
    """A show of forty frames a second whose frames from every other border to the next stand still."""
    stills = [Still(first, end, is_dark=bool(first % 2)) for first, end in batched(sorted(borders)) if first < end]
    return lambda here, there, within_ns: unseen_in_ns(stills, FORTY, here, there, within_ns)


def batched(borders: list[int]) -> Iterable[tuple[int, int]]:
    return zip(borders[::2], borders[1::2], strict=False)


@given(position=st.integers(-SECOND, 10**16), rate_ppb=st.integers(-999_999_999, 2_000_000))
def test_a_stretch_names_the_first_instant_of_a_position(position: int, rate_ppb: int) -> None:
    stretch = Stretch(START, ShowPosition(7), rate_ppb)
    instant = stretch.instant_of(ShowPosition(position))
    assert instant is not None
    assert stretch.position_at(instant) >= position > stretch.position_at(LocalInstant(instant - 1))


@given(told=corrections, lead_ns=leads)
def test_it_never_runs_backwards_but_by_steps_two_seconds_apart(told: list[tuple[int, int, int]], lead_ns: int) -> None:
    playhead = Playhead(latency_ns=max(lead_ns, 0), trim_ns=max(-lead_ns, 0))
    playhead.start(Stretch(START, ShowPosition(0), 0))
    now = START
    light = playhead.light_position_at(now)
    stepped_at: LocalInstant | None = None
    for wait_ns, ahead_ns, rate_ppb in told:
        end = now + wait_ns
        while now < end:
            now = LocalInstant(min(now + 10 * MILLISECOND, end))
            before, light = light, playhead.light_position_at(now)
            assert light >= before
        moved = playhead.amend(Stretch(START, ShowPosition(ahead_ns), rate_ppb), now)
        assert moved is not None
        after = playhead.light_position_at(now)
        if moved.remedy is Remedy.STEP:
            assert stepped_at is None or now - stepped_at >= 2 * SECOND
            assert abs(moved.error_ns) > 50 * MILLISECOND
            assert after - light == moved.error_ns
            stepped_at = now
        else:
            assert after == light
        light = after


@given(told=corrections, lead_ns=leads, borders=st.lists(st.integers(0, 1_000), unique=True, max_size=40))
def test_a_step_waits_no_longer_than_its_patience_and_is_known_to_be_seen_or_not(
    told: list[tuple[int, int, int]], lead_ns: int, borders: list[int]
) -> None:
    unseen = unseen_among(borders)
    playhead = Playhead(latency_ns=max(lead_ns, 0), trim_ns=max(-lead_ns, 0))
    playhead.start(Stretch(START, ShowPosition(0), 0))
    now = START
    wanted_since: LocalInstant | None = None
    stepped_at: LocalInstant | None = None
    for wait_ns, ahead_ns, rate_ppb in told:
        end = LocalInstant(now + wait_ns)
        moves: list[Stretch | None] = [None, Stretch(START, ShowPosition(ahead_ns), rate_ppb)]
        while moves:
            target = moves[0]
            if target is None and (playhead.again_at is None or playhead.again_at > end):
                moves.pop(0)
                continue
            if target is None:
                assert playhead.again_at is not None
                assert playhead.again_at > now
                now = playhead.again_at
            else:
                now = end
                moves.pop(0)
            before = playhead.light_position_at(now)
            moved = playhead.amend_again(now, unseen) if target is None else playhead.amend(target, now, unseen)
            after = playhead.light_position_at(now)
            assert moved is not None
            assert moved.is_unseen == (moved.remedy is Remedy.STEP and unseen(before, after, 0) == 0)
            if moved.remedy is Remedy.STEP:
                assert stepped_at is None or now - stepped_at >= 2 * SECOND
                # Asked again at least a millisecond later, however little was left to wait.
                assert wanted_since is None or now - wanted_since <= PATIENCE + MILLISECOND
                assert after - before == moved.error_ns
                stepped_at = now
            else:
                assert after == before
            if playhead.again_at is None:
                wanted_since = None
            elif wanted_since is None:
                wanted_since = now


@given(told=corrections)
def test_a_slew_runs_at_two_percent_and_none_turns_round_within_a_second(told: list[tuple[int, int, int]]) -> None:
    playhead = Playhead()
    playhead.start(Stretch(START, ShowPosition(0), 0))
    now = START
    last: tuple[int, int] | None = None  # until when the last slew ran, and which way
    for wait_ns, ahead_ns, _ in told:
        now = LocalInstant(now + wait_ns)
        if last is not None:
            last = (min(last[0], now), last[1])
        moved = playhead.amend(Stretch(START, ShowPosition(ahead_ns), 0), now)
        assert moved is not None
        if moved.remedy is Remedy.SLEW:
            sign = 1 if moved.error_ns > 0 else -1
            assert last is None or last[1] == sign or now - last[0] >= SECOND
            ten_microseconds_later = LocalInstant(now + 10_000)
            run = playhead.position_at(ten_microseconds_later) - playhead.position_at(now)
            assert run == 10_000 + sign * 200
            last = (now + 50 * abs(moved.error_ns), sign)


@given(told=corrections, lead_ns=leads, ratio=st.sampled_from([(20, 1), (30_000, 1_001), (40, 1), (60, 1)]))
def test_the_next_frame_is_due_exactly_when_the_frame_changes(
    told: list[tuple[int, int, int]], lead_ns: int, ratio: tuple[int, int]
) -> None:
    rate = FrameRate(*ratio)
    playhead = Playhead(latency_ns=max(lead_ns, 0), trim_ns=max(-lead_ns, 0))
    playhead.start(Stretch(START, ShowPosition(0), 0))
    now = START
    for wait_ns, ahead_ns, rate_ppb in told:
        now = LocalInstant(now + wait_ns)
        playhead.amend(Stretch(START, ShowPosition(ahead_ns), rate_ppb), now)
        frame = playhead.frame_at(now, rate)
        due = playhead.next_frame_at(now, rate)
        assert due is not None
        assert due > now
        assert playhead.frame_at(due, rate) == frame + 1
        assert playhead.frame_at(LocalInstant(due - 1), rate) == frame
