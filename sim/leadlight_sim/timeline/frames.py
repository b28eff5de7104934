"""Frames of a stretch of a run: where each piece's light stood at every frame, worked out from what was noted.

Between two things that a node does, all that it shows is a straight line over its clock. So the lines are noted as they
change, and the frames of a minute are evaluated at once.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final, NamedTuple, TypeAlias

import numpy as np
import numpy.typing as npt

from leadlight.clock import Estimate
from leadlight.playback import Stretch
from leadlight.units import BILLION, MILLISECOND

Floats: TypeAlias = npt.NDArray[np.float64]
Flags: TypeAlias = npt.NDArray[np.bool_]

STRAIGHT: Final = 1e-3
"""Two readings of one clock lie on a line whose slope is 1 to within this; else something has happened between."""
NOTHING: Final = -1
"""In place of a show or a timebase: none."""


class Look(NamedTuple):
    """What a follower goes by from an instant on, until the next look."""

    at: int
    shift_ns: int
    """What its clock shows beyond its crystal's count."""
    show: int
    timebase: int
    plan: tuple[Stretch | None, Stretch | None, Stretch | None]
    latest: Estimate | None
    """What a board goes by that believes the latest beacon."""


class Knot(NamedTuple):
    """The truth at an instant, and the lines that go on from it."""

    at: int
    show: int
    """The show that is rolling."""
    position: int
    readings: tuple[float, ...]
    """What the clock of each timebase shows, by the timebase's number."""


class Due(NamedTuple):
    """What is due at each frame: its instant, the show by its number, the place in it, and each timebase's clock."""

    at: Floats
    show: npt.NDArray[np.int64]
    position: Floats
    readings: Floats


def due_frames(at: Floats, knots: Sequence[Knot], lengths_ns: Sequence[int]) -> Due:
    """Return what is due at instants, by knots of which the first is no later; ``lengths_ns`` are the shows'."""
    times = np.array([knot.at for knot in knots], dtype=np.float64)
    shows = np.array([knot.show for knot in knots])
    left = np.searchsorted(times, at, side="right") - 1
    timebases = len(knots[-1].readings)
    values = np.full((1 + timebases, len(knots)), np.nan)
    for place, knot in enumerate(knots):
        values[0, place] = knot.position
        values[1 : 1 + len(knot.readings), place] = knot.readings
    slopes = np.ones((1 + timebases, len(knots)))
    lengths = np.diff(times)
    with np.errstate(invalid="ignore", divide="ignore"):
        found = np.diff(values, axis=1) / lengths
    straight = np.abs(found - 1) < STRAIGHT
    straight[0] &= shows[1:] == shows[:-1]
    slopes[:, :-1][straight] = found[straight]
    lines = values[:, left] + (at - times[left]) * slopes[:, left]
    show = shows[left]
    ends = np.array([*lengths_ns, 0], dtype=np.float64)[show]
    is_due = (show != NOTHING) & (lines[0] >= 0) & (lines[0] < ends)
    return Due(at, np.where(is_due, show, NOTHING), lines[0], lines[1:])


def lights(
    due: Due,
    local: Floats,
    held: Floats,
    looks: Sequence[Look],
    lengths_ns: Sequence[int],
    late_ns: Floats,
    powered: Flags,
) -> tuple[Floats, Floats]:
    """Return how far a piece's light is from the music at each frame in ms, and a light by the latest beacon.

    Positive is ahead; NaN where nothing of the show that is due is shown. ``local`` is what the crystal shows then,
    ``held`` the same, but what it showed last while the host was suspended: its output repeats what it was given.
    ``late_ns`` is how late the player wakes.
    """
    left = np.searchsorted(np.array([look.at for look in looks], dtype=np.float64), due.at, side="right") - 1
    known = powered & (left >= 0) & (due.show != NOTHING)
    shown = np.full(len(due.at), np.nan)
    naive = np.full(len(due.at), np.nan)
    chosen = np.flatnonzero(known)
    if not chosen.size:
        return shown, naive
    left = left[chosen]
    shifts, shows, timebases = (
        np.array(column) for column in zip(*((look.shift_ns, look.show, look.timebase) for look in looks), strict=True)
    )
    here, seen = (readings[chosen] + shifts[left] for readings in (local, held))
    plans = np.array([_lines(look.plan) for look in looks], dtype=np.float64)[left]
    before, now, then = plans[:, 0], plans[:, 1], plans[:, 2]
    line = np.where((seen < now[:, 0])[:, None] & ~np.isnan(before[:, :1]), before, now)
    line = np.where((seen >= then[:, 0])[:, None], then, line)
    planned = line[:, 1] + (seen - line[:, 0]) * line[:, 2]
    position = planned - late_ns[chosen]
    ends = np.array([*lengths_ns, 0], dtype=np.float64)[due.show[chosen]]
    fits = (shows[left] == due.show[chosen]) & (planned >= 0) & (planned < ends)
    shown[chosen] = np.where(fits, (position - due.position[chosen]) / MILLISECOND, np.nan)
    believed = np.array([_belief(look.latest) for look in looks], dtype=np.float64)[left]
    reading = here - believed[:, 1] - believed[:, 2] * (here - believed[:, 0])
    timebase = timebases[left]
    truths = np.full(len(chosen), np.nan)
    has = timebase != NOTHING
    truths[has] = due.readings[timebase[has], chosen[has]]
    naive[chosen] = (reading - truths - late_ns[chosen]) / MILLISECOND
    return shown, naive


_NO_LINE: Final = (np.nan, np.nan, np.nan)


def _lines(plan: tuple[Stretch | None, Stretch | None, Stretch | None]) -> tuple[tuple[float, float, float], ...]:
    return tuple(
        _NO_LINE if part is None else (part.at, part.position, 1 + part.rate_ppb / BILLION) for part in plan
    )


def _belief(latest: Estimate | None) -> tuple[float, float, float]:
    return _NO_LINE if latest is None else (latest.at, latest.offset_ns, latest.rate)
