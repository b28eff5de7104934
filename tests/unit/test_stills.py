from __future__ import annotations

import dataclasses

import pytest

from leadlight.cue import FrameRate
from leadlight.errors import ConfigurationError
from leadlight.playback.content import StoredShow
from leadlight.playback.stills import Still, stills_of, unseen_in_ns
from leadlight.units import MILLISECOND, SECOND, ShowPosition

TEN = FrameRate(10)
# Frames of a tenth of a second: dark to 1 s, one picture from 2 s to 3 s, another to 4 s, dark from 5 s to 6 s.
STILLS = (Still(0, 10, is_dark=True), Still(20, 30), Still(30, 40), Still(50, 60, is_dark=True))
FAR = 60 * SECOND


def unseen(here_s: float, there_s: float, within_ns: int = FAR) -> float | None:
    here, there = (ShowPosition(round(position_s * SECOND)) for position_s in (here_s, there_s))
    found = unseen_in_ns(STILLS, TEN, here, there, within_ns)
    return None if found is None else found / SECOND


def test_within_one_picture_a_jump_is_not_seen_at_once() -> None:
    assert unseen(2.1, 2.9) == 0.0
    assert unseen(2.9, 2.1) == 0.0


def test_between_two_dark_frames_a_jump_is_not_seen_however_far_apart() -> None:
    assert unseen(0.5, 5.5) == 0.0
    assert unseen(5.5, 0.5) == 0.0


def test_two_pictures_are_told_apart_though_neither_moves() -> None:
    assert unseen(2.9, 3.1) == pytest.approx(0.1)
    assert unseen(3.5, 5.5) is None


def test_a_jump_waits_until_both_ends_are_inside() -> None:
    assert unseen(1.5, 1.7) == pytest.approx(0.5)
    assert unseen(1.7, 1.5) == pytest.approx(0.5)
    # From 0.9 s the first picture is left at 1.0 s, before the other end comes to one; then both are at 2 s.
    assert unseen(0.9, 1.5) == pytest.approx(1.1)


def test_a_jump_further_than_a_picture_lasts_finds_none_but_the_dark() -> None:
    assert unseen(1.5, 3.5) is None
    # Both dark: one 4.4 s to 5.4 s ahead of the other.
    assert unseen(-1.0, 4.0) == pytest.approx(1.0)


def test_what_comes_too_late_is_not_waited_for() -> None:
    assert unseen(1.5, 1.7, 500 * MILLISECOND) == pytest.approx(0.5)
    assert unseen(1.5, 1.7, 500 * MILLISECOND - 1) is None
    assert unseen(7.0, 8.0) is None


def test_equal_frames_in_a_row_are_a_still_and_black_ones_are_dark() -> None:
    black, red, green = b"\0\0\0", b"\xff\0\0", b"\0\xff\0"
    frames = [black, black, red, red, red, green, black, green, green]
    assert stills_of(frames) == (Still(0, 2, is_dark=True), Still(2, 5), Still(7, 9))
    assert stills_of(frames, at_least=3) == (Still(2, 5),)
    assert stills_of(frames, at_least=1) == (
        Still(0, 2, is_dark=True),
        Still(2, 5),
        Still(5, 6),
        Still(6, 7, is_dark=True),
        Still(7, 9),
    )
    assert stills_of([]) == ()
    assert stills_of([black], at_least=1) == (Still(0, 1, is_dark=True),)


@pytest.mark.parametrize(
    "stills",
    [
        (Still(-1, 2),),
        (Still(3, 3),),
        (Still(0, 101),),
        (Still(0, 10), Still(9, 20)),
        (Still(20, 30), Still(0, 10)),
    ],
)
def test_marks_outside_a_show_or_out_of_order_are_refused(stills: tuple[Still, ...]) -> None:
    with pytest.raises(ConfigurationError, match="stills"):
        StoredShow("Tidefall", TEN, 100, stills=stills)


def test_marks_are_no_part_of_what_a_show_is() -> None:
    plain = StoredShow("Tidefall", TEN, 100)
    marked = dataclasses.replace(plain, stills=(Still(0, 100),))
    assert marked == plain
    assert marked.key == plain.key
