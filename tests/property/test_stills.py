"""Where a jump is not seen, against looking at every frame."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from leadlight.cue import FrameRate
from leadlight.playback.stills import stills_of, unseen_in_ns
from leadlight.units import MILLISECOND, ShowPosition

THOUSAND = FrameRate(1000)  # a frame a millisecond
pictures = st.lists(st.tuples(st.integers(0, 2), st.integers(1, 12)), max_size=12)
"""Which picture stands, 0 dark, and for how many milliseconds."""


@given(shown=pictures, here=st.integers(-20, 80), there=st.integers(-20, 80), within=st.integers(0, 60))
def test_it_is_the_first_millisecond_at_which_both_frames_are_one_still(
    shown: list[tuple[int, int]], here: int, there: int, within: int
) -> None:
    frames = [bytes([picture]) for picture, lasts in shown for _ in range(lasts)]
    stills = stills_of(frames)
    still_of = {frame: still for still in stills for frame in range(still.first, still.end)}

    def looks_alike(wait: int) -> bool:
        leaving, entering = still_of.get(here + wait), still_of.get(there + wait)
        if leaving is None or entering is None:
            return False
        return leaving == entering or (leaving.is_dark and entering.is_dark)

    expected = next((wait * MILLISECOND for wait in range(within + 1) if looks_alike(wait)), None)
    begin, to = (ShowPosition(frame * MILLISECOND) for frame in (here, there))
    assert unseen_in_ns(stills, THOUSAND, begin, to, within * MILLISECOND) == expected
