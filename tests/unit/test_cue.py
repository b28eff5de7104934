from __future__ import annotations

import pytest

from leadlight.cue import NO_SHOW, RATE_LIMIT_PPB, Cue, FrameRate, ShowLine, dark_cue, show_key
from leadlight.errors import ConfigurationError
from leadlight.terms import CueState
from leadlight.units import HOUR, SECOND, LeaderInstant, ShowPosition

RATES = [(20, 1), (25, 1), (30_000, 1_001), (30, 1), (40, 1), (44, 1), (50, 1), (60, 1)]
THIRTY_DAYS = 30 * 24 * HOUR


@pytest.mark.parametrize(("numerator", "denominator"), RATES)
def test_a_frame_begins_at_its_position_exactly_for_thirty_days(numerator: int, denominator: int) -> None:
    rate = FrameRate(numerator, denominator)
    last = rate.frame_at(ShowPosition(THIRTY_DAYS))
    # Every frame of the first and the last minute, and one in 7919 between: all residues of every rate.
    minute = 60 * numerator // denominator + 1
    frames = [*range(minute), *range(minute, last - minute, 7_919), *range(last - minute, last + 1)]
    for frame in frames:
        begins = rate.position_of(frame)
        assert rate.frame_at(begins) == frame
        assert rate.frame_at(ShowPosition(begins - 1)) == frame - 1


@pytest.mark.parametrize(("numerator", "denominator"), RATES)
def test_thirty_days_hold_the_right_number_of_frames(numerator: int, denominator: int) -> None:
    assert FrameRate(numerator, denominator).frame_at(ShowPosition(THIRTY_DAYS)) == (
        THIRTY_DAYS // SECOND * numerator // denominator
    )


def test_before_the_show_frames_are_negative() -> None:
    assert FrameRate(40).frame_at(ShowPosition(-1)) == -1
    assert FrameRate(40).position_of(-40) == -SECOND


@pytest.mark.parametrize("ratio", [(0, 1), (-40, 1), (40, 0), (1_001, 1), (1, 2), (29.97, 1), (True, 1)])
def test_what_is_no_frame_rate_is_refused(ratio: tuple[int, int]) -> None:
    with pytest.raises(ConfigurationError, match="frame_rate"):
        FrameRate(*ratio)


def test_the_period_is_the_length_of_a_frame() -> None:
    assert FrameRate(40).period_ns == 25_000_000


@pytest.mark.parametrize("rate_ppb", [-RATE_LIMIT_PPB, -10_000, -1, 0, 1, 333, 10_000, RATE_LIMIT_PPB])
@pytest.mark.parametrize("run", [0, 1, 999_999_999, SECOND, 192 * SECOND, THIRTY_DAYS])
def test_a_show_line_names_the_first_instant_of_a_position(rate_ppb: int, run: int) -> None:
    line = ShowLine(LeaderInstant(123_456_789), ShowPosition(5), rate_ppb)
    for position in (ShowPosition(5 + run), ShowPosition(5 - run)):
        instant = line.instant_of(position)
        assert line.position_at(instant) >= position
        assert line.position_at(LeaderInstant(instant - 1)) < position


def test_a_rate_is_exact_after_thirty_days() -> None:
    fast = ShowLine(LeaderInstant(0), ShowPosition(0), RATE_LIMIT_PPB)
    assert fast.position_at(LeaderInstant(THIRTY_DAYS)) == THIRTY_DAYS + THIRTY_DAYS // 1_000
    slow = ShowLine(LeaderInstant(0), ShowPosition(0), -RATE_LIMIT_PPB)
    assert slow.position_at(LeaderInstant(THIRTY_DAYS)) == THIRTY_DAYS - THIRTY_DAYS // 1_000


def test_only_a_rolling_cue_moves() -> None:
    line = ShowLine(LeaderInstant(10 * SECOND), ShowPosition(3 * SECOND))
    later = LeaderInstant(12 * SECOND)
    assert Cue(1, CueState.ROLLING, line).position_at(later) == 5 * SECOND
    for state in (CueState.PAUSED, CueState.DARK, CueState.STOPPED):
        assert Cue(1, state, line).position_at(later) == 3 * SECOND
    assert dark_cue(later) == Cue(NO_SHOW, CueState.DARK, ShowLine(later, ShowPosition(0)))


def test_a_show_key_tells_id_edition_and_manifest_apart_and_their_borders_too() -> None:
    keys = {
        show_key("Tidefall"),
        show_key("Tidefall", "2"),
        show_key("Tidefall2"),
        show_key("Tidefall", "", b"2"),
        show_key("Tide", "fall"),
        show_key("Embers"),
    }
    assert len(keys) == 6
    assert NO_SHOW not in keys
    assert all(0 < key < 1 << 64 for key in keys)
    assert show_key("Tidefall", "2") == show_key("Tidefall", "2", b"")
