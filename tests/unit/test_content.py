from __future__ import annotations

import pytest

from leadlight.cue import NO_SHOW, FrameRate
from leadlight.errors import ConfigurationError
from leadlight.playback.content import Library, StoredShow
from leadlight.terms import ContentState

OLD = StoredShow("Tidefall", FrameRate(40), 7680, "1")
NEW = StoredShow("Tidefall", FrameRate(40), 7680, "2")
EMBERS = StoredShow("Embers", FrameRate(30_000, 1_001), 7343)


def test_a_show_is_as_long_as_its_frames() -> None:
    assert OLD.length_ns == 192_000_000_000
    # 7343 · 1001 / 30000 s = 245.011 433 3... s, whose last nanosecond has begun.
    assert EMBERS.length_ns == 245_011_433_334


@pytest.mark.parametrize(("show", "frames"), [("", 1), ("Tidefall", 0)])
def test_a_show_needs_a_name_and_a_frame(show: str, frames: int) -> None:
    with pytest.raises(ConfigurationError):
        StoredShow(show, FrameRate(40), frames)


def test_a_held_show_is_present_and_found_by_its_key() -> None:
    library = Library([OLD, EMBERS])
    assert library.state_of(OLD.key) is ContentState.PRESENT
    assert library.find(OLD.key) == OLD


def test_no_show_is_neither_present_nor_missing() -> None:
    assert Library([OLD]).state_of(NO_SHOW) is ContentState.UNKNOWN


def test_a_key_nobody_told_of_is_missing() -> None:
    assert Library([OLD]).state_of(NEW.key) is ContentState.MISSING
    assert Library([OLD]).find(NEW.key) is None


def test_another_edition_of_a_held_show_is_told_as_such() -> None:
    library = Library([OLD], {NEW: ContentState.MISSING, EMBERS: ContentState.MISSING})
    assert library.state_of(NEW.key) is ContentState.OTHER_EDITION
    assert library.state_of(EMBERS.key) is ContentState.MISSING
    assert library.find(NEW.key) is None


def test_a_part_that_is_not_the_listed_one_is_another_edition() -> None:
    library = Library([], {NEW: ContentState.OTHER_EDITION})
    assert library.state_of(NEW.key) is ContentState.OTHER_EDITION


def test_a_show_in_which_a_follower_has_no_part_is_not_missed() -> None:
    library = Library([OLD], {NEW: ContentState.UNKNOWN})
    assert library.state_of(NEW.key) is ContentState.UNKNOWN


def test_a_held_show_is_present_whatever_else_was_said_of_it() -> None:
    assert Library([OLD], {OLD: ContentState.MISSING}).state_of(OLD.key) is ContentState.PRESENT
