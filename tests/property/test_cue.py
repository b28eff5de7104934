from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from leadlight.cue import RATE_LIMIT_PPB, FrameRate, ShowLine
from leadlight.units import HOUR, LeaderInstant, ShowPosition

THIRTY_DAYS = 30 * 24 * HOUR
rates = st.sampled_from([(20, 1), (25, 1), (30_000, 1_001), (30, 1), (40, 1), (44, 1), (50, 1), (60, 1)])
positions = st.integers(-THIRTY_DAYS, THIRTY_DAYS).map(ShowPosition)
instants = st.integers(0, THIRTY_DAYS).map(LeaderInstant)
lines = st.builds(ShowLine, instants, positions, st.integers(-RATE_LIMIT_PPB, RATE_LIMIT_PPB))


@given(ratio=rates, position=positions)
def test_every_nanosecond_lies_in_exactly_the_frame_it_is_given(ratio: tuple[int, int], position: ShowPosition) -> None:
    rate = FrameRate(*ratio)
    frame = rate.frame_at(position)
    assert rate.position_of(frame) <= position < rate.position_of(frame + 1)


@given(ratio=rates, frame=st.integers(-1_000, 60 * 30 * 24 * 3_600))
def test_a_frame_begins_at_its_position_and_not_a_nanosecond_before(ratio: tuple[int, int], frame: int) -> None:
    rate = FrameRate(*ratio)
    begins = rate.position_of(frame)
    assert rate.frame_at(begins) == frame
    assert rate.frame_at(ShowPosition(begins - 1)) == frame - 1


@given(line=lines, position=positions)
def test_a_show_line_names_the_first_instant_of_a_position(line: ShowLine, position: ShowPosition) -> None:
    instant = line.instant_of(position)
    assert line.position_at(instant) >= position > line.position_at(LeaderInstant(instant - 1))


@given(line=lines, instant=instants, later=st.integers(0, THIRTY_DAYS))
def test_a_show_never_runs_backwards(line: ShowLine, instant: LeaderInstant, later: int) -> None:
    assert line.position_at(LeaderInstant(instant + later)) >= line.position_at(instant)
