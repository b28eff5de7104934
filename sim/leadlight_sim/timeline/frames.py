"""What is due at every frame of a stretch of a run, worked out from what was known at some instants of it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Final, NamedTuple

import numpy as np

from leadlight.units import LeaderInstant
from leadlight_sim.sampling import NO_SHOW_DUE, Flags, Floats, Instants, Wholes, rows_at

STRAIGHT: Final = 1e-3
"""Two readings of one clock lie on a line whose slope is 1 to within this; else something has happened between."""


class Knot(NamedTuple):
    """The truth at an instant, and the lines that go on from it."""

    at: int
    show: int
    """The place among the evening's shows of the one that is rolling; ``NO_SHOW_DUE`` for none."""
    position: int
    readings: Mapping[int, LeaderInstant | None]
    """What the clock of each timebase shows."""


def due_frames(at: Wholes, knots: Sequence[Knot], lengths_ns: Sequence[int]) -> tuple[Instants, Wholes]:
    """Return what is right at those of some rising instants at which a frame is due, and which these are.

    The first of ``knots`` is no later than the first instant; ``lengths_ns`` are the shows'.
    """
    times = np.array([knot.at for knot in knots], np.int64)
    shows = np.array([knot.show for knot in knots], np.int64)
    left = rows_at(at, times)
    position = _between(at, times, left, np.array([knot.position for knot in knots], np.float64), shows)
    show = shows[left]
    ends = np.array([*lengths_ns, 0], np.int64)[show]
    places = np.flatnonzero((show != NO_SHOW_DUE) & (position >= 0) & (position < ends))
    at, left = at[places], left[places]
    truths: dict[int, tuple[Wholes, Flags]] = {}
    for timebase in dict.fromkeys(timebase for knot in knots for timebase in knot.readings):
        known = [knot.readings.get(timebase) for knot in knots]
        values = np.array([np.nan if value is None else value for value in known], np.float64)
        found = _between(at, times, left, values)
        is_known = ~np.isnan(found)
        truths[timebase] = np.rint(np.where(is_known, found, 0)).astype(np.int64), is_known
    whole = np.rint(position[places]).astype(np.int64)
    return Instants(at, show[places], at, whole, whole, whole, ends[places], truths), places


def _between(at: Wholes, times: Wholes, left: Wholes, values: Floats, shows: Wholes | None = None) -> Floats:
    # Along the line from one knot to the next, or from the one before alone where something has happened between.
    slopes = np.ones(len(times))
    with np.errstate(invalid="ignore", divide="ignore"):
        found = np.diff(values) / np.diff(times)
    straight = np.abs(found - 1) < STRAIGHT
    if shows is not None:
        straight &= shows[1:] == shows[:-1]
    slopes[:-1][straight] = found[straight]
    along: Floats = values[left] + (at - times[left]) * slopes[left]
    return along
