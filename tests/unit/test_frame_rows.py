"""What a loop of frames tells of each, by a follower that is only a list of what to show when."""

from __future__ import annotations

from typing import Any, cast

import pytest

from leadlight.cue import FrameRate, dark_cue
from leadlight.follower import Follower
from leadlight.follower.frames import FrameRow
from leadlight.playback import Shown, StoredShow
from leadlight.units import LeaderInstant, LocalInstant

TIDEFALL, EMBERS = StoredShow("Tidefall", FrameRate(40), 7680), StoredShow("Embers", FrameRate(40), 7680)
EVERY = 25


class Told:
    def __init__(self) -> None:
        self.cue = dark_cue(LeaderInstant(0))
        self.now: Shown = Shown(None, None, 0.0, None)
        self.frame_shown: int | None = None
        self.noted: list[tuple[int, int, int | None]] = []

    def shown(self, _now: LocalInstant) -> Shown:
        return self.now

    def note_frame_shown(self, frame: int, at: LocalInstant, due_at: LocalInstant | None = None) -> None:
        self.noted.append((frame, at, due_at))


def look(row: FrameRow, told: Told, at: int, show: StoredShow | None, frame: int | None) -> tuple[Any, ...] | None:
    told.now = Shown(show, frame, 1.0, LocalInstant(at + EVERY))
    found = row.look(LocalInstant(at))
    assert (found.next_at, found.holds_until) == (at + EVERY, at + EVERY)
    row.note_handed(found, LocalInstant(at))
    return None if found.due is None else tuple(found.due)[-2:]


def test_frames_in_their_order_are_no_news_and_what_was_left_out_is_counted() -> None:
    told = Told()
    row = FrameRow(cast(Follower, told))
    assert look(row, told, 0, TIDEFALL, 7) == (True, 0)
    assert look(row, told, 5, TIDEFALL, 7) is None
    assert look(row, told, 30, TIDEFALL, 8) == (False, 0)
    assert look(row, told, 55, TIDEFALL, 11) == (False, 2)
    assert look(row, told, 80, TIDEFALL, 10) == (False, 0)
    assert told.frame_shown == 10
    assert told.noted == [(7, 0, None), (8, 30, 30), (11, 55, None), (10, 80, None)]


@pytest.mark.parametrize(
    ("at", "frame", "due_at"),
    [
        pytest.param(25, 8, 25, id="the next one at its instant"),
        pytest.param(26, 8, None, id="the next one late"),
        pytest.param(25, 9, None, id="not the next one"),
        pytest.param(24, 8, None, id="news"),
    ],
)
def test_only_a_frame_that_follows_at_its_instant_is_noted_as_known_to_be_due_then(
    at: int, frame: int, due_at: int | None
) -> None:
    told = Told()
    row = FrameRow(cast(Follower, told))
    look(row, told, 0, TIDEFALL, 7)
    look(row, told, at, TIDEFALL, frame)
    assert told.noted[1:] == [(frame, at, due_at)]
    look(row, told, 50, TIDEFALL, None)
    assert len(told.noted) == 2


@pytest.mark.parametrize("what", ["another show", "dark", "light again", "another cue", "asked early"])
def test_after_news_nothing_was_left_out(what: str) -> None:
    told = Told()
    row = FrameRow(cast(Follower, told))
    look(row, told, 0, TIDEFALL, None if what == "light again" else 7)
    if what == "another cue":
        told.cue = dark_cue(LeaderInstant(1))
    show = EMBERS if what == "another show" else TIDEFALL
    at = EVERY - 1 if what == "asked early" else EVERY
    assert look(row, told, at, show, None if what == "dark" else 20) == (True, 0)
