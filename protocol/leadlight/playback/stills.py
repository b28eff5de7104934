"""Where a jump is not seen: the frames of a show that are dark, or that stand still.

A playhead that has to jump shows one frame and then another. Where both are the same picture nobody sees it, so the
player may mark the spans of its part that do not change, and those that are dark. A jump then waits a little for one.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterable, Iterator, Sequence
from itertools import pairwise
from typing import NamedTuple

from leadlight.cue import FrameRate
from leadlight.errors import ConfigurationError
from leadlight.units import ShowPosition


class Still(NamedTuple):
    """Frames from ``first`` up to, but not including, ``end`` that all show one picture; dark if nothing is lit.

    Any two dark frames are the same picture, wherever in the show they are.
    """

    first: int
    end: int
    is_dark: bool = False


def check_stills(stills: Sequence[Still], frame_count: int) -> None:
    """Raise ``ConfigurationError`` unless they lie inside the show, in order and apart."""
    for still in stills:
        if not isinstance(still, Still):
            raise ConfigurationError("stills", still, "a Still for each span, as stills_of finds them")
        whole = type(still.first) is int and type(still.end) is int
        if not whole or not 0 <= still.first < still.end <= frame_count:
            raise ConfigurationError("stills", list(still), f"whole frames from 0 to {frame_count}, at least one each")
    for before, after in pairwise(stills):
        if after.first < before.end:
            raise ConfigurationError("stills", [list(before), list(after)], "in order, none reaching into the next")


def unseen_in_ns(
    stills: Sequence[Still], frame_rate: FrameRate, here: ShowPosition, there: ShowPosition, within_ns: int
) -> int | None:
    """Return how long until a jump is not seen, 0 for now; ``None`` if it will be for the next ``within_ns``.

    The jump is from where a playhead at ``here`` has come by then to where one at ``there`` has, both at normal speed.
    """
    mine = bisect_right(stills, frame_rate.frame_at(here), key=_end)
    other = bisect_right(stills, frame_rate.frame_at(there), key=_end)
    while max(mine, other) < len(stills):
        leaving, entering = stills[mine], stills[other]
        leaves, enters = frame_rate.position_of(leaving.end) - here, frame_rate.position_of(entering.end) - there
        begins = max(0, frame_rate.position_of(leaving.first) - here, frame_rate.position_of(entering.first) - there)
        if begins > within_ns:
            return None
        if begins < min(leaves, enters) and (mine == other or (leaving.is_dark and entering.is_dark)):
            return begins
        if leaves <= enters:
            mine += 1
        else:
            other += 1
    return None


def _end(still: Still) -> int:
    return still.end


def stills_of(frames: Iterable[bytes], at_least: int = 2) -> tuple[Still, ...]:
    """Return the spans of equal frames, given every frame of a show in order as the bytes that light it.

    A frame whose bytes are all zero is dark. Spans of fewer than ``at_least`` frames are left out.
    """
    return tuple(still for still in _runs(frames) if still.end - still.first >= at_least)


def _runs(frames: Iterable[bytes]) -> Iterator[Still]:
    first = number = 0
    before: bytes | None = None
    for number, frame in enumerate(frames, 1):
        if before is not None and frame != before:
            yield Still(first, number - 1, not any(before))
            first = number - 1
        before = frame
    if before is not None:
        yield Still(first, number, not any(before))
