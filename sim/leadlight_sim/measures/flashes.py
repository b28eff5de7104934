"""Flashes that synchronisation adds: those of what is shown less those of what was authored.

Flashes are counted in the manner of WCAG 2.3.1 (W3C, "Three flashes or below threshold"). A flash is a pair of opposing
changes of relative luminance by a tenth of the maximum or more, the darker state below 0.80. More than three in any one
second are too many. Here both changes of a pair lie within one second, since slower ones cannot come to more than three
in it.

No conformance is claimed. The criterion is written for screens; area, colour, saturated red and the brightness of the
surroundings are left out, and point sources in the dark ask for more caution. What is said is a difference: how much
worse the timing makes content that is what it is.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final, NamedTuple

import numpy as np

from leadlight.cue import FrameRate
from leadlight.playback import Still, stills_of
from leadlight.units import BILLION
from leadlight_sim.measures.scores import Floats

CHANGE_MINIMUM: Final = 0.10
"""Of maximum relative luminance: a smaller change is no part of a flash."""
DARKER_BELOW: Final = 0.80
FLASHES_MAXIMUM: Final = 3
"""In any one second."""
WINDOW_S: Final = 1.0
MOVED_WITHIN_S: Final = 0.5
"""A change that comes so much sooner or later than authored has been moved, not added."""
_ROUNDING: Final = 1e-9


class Change(NamedTuple):
    """A change of luminance that counts: when it had reached a tenth, and which way it went (+1 brighter)."""

    at_s: float
    sign: int


def changes(times_s: Floats, luminance: Floats) -> list[Change]:
    """Return the changes of a luminance series that count, in order; their signs alternate.

    ``luminance`` is relative, 0 to 1, one value an instant. A gradual change counts at the instant at which it is a
    tenth away from the last extreme.
    """
    found: list[Change] = []
    if not len(luminance):
        return found
    moved = np.flatnonzero(np.diff(luminance)) + 1
    low = high = float(luminance[0])
    sign = 0
    for at, value in zip(times_s[moved].tolist(), luminance[moved].tolist(), strict=True):
        low, high = min(low, value), max(high, value)
        if sign <= 0 and value - low >= CHANGE_MINIMUM - _ROUNDING and low < DARKER_BELOW:
            sign, high = 1, value
            found.append(Change(at, sign))
        elif sign >= 0 and high - value >= CHANGE_MINIMUM - _ROUNDING and value < DARKER_BELOW:
            sign, low = -1, value
            found.append(Change(at, sign))
    return found


def flashes(found: Sequence[Change]) -> list[float]:
    """Return the instants, in seconds, at which pairs of opposing changes are complete; no change is in two pairs."""
    complete: list[float] = []
    first: Change | None = None
    for change in found:
        if first is not None and change.sign != first.sign and change.at_s - first.at_s <= WINDOW_S:
            complete.append(change.at_s)
            first = None
        else:
            first = change
    return complete


def most_in_a_second(instants_s: Sequence[float]) -> int:
    """Return the largest number of instants in any second that is open at its beginning."""
    return max((_ending(instants_s, at) for at in instants_s), default=0)


def _ending(instants_s: Sequence[float], at_s: float) -> int:
    """Return how many instants lie in the second that ends at ``at_s``."""
    return bisect_right(instants_s, at_s) - bisect_right(instants_s, at_s - WINDOW_S)


@dataclass(frozen=True, slots=True)
class AddedFlashes:
    """What one viewpoint was shown beyond what was authored.

    ``in_a_second`` is the largest excess of any second as shown over the fullest second as authored that lies within
    ``MOVED_WITHIN_S`` of it. ``total`` counts the flashes made of changes that answer to no authored one.
    """

    viewpoint: str
    in_a_second: int
    total: int
    shown_in_a_second: int
    authored_in_a_second: int

    @property
    def is_too_many(self) -> bool:
        """Whether more than three flashes fall into a second as shown, and fewer did as authored."""
        return self.shown_in_a_second > max(FLASHES_MAXIMUM, self.authored_in_a_second)


def added_flashes(viewpoint: str, times_s: Floats, shown: Floats, authored: Floats) -> AddedFlashes:
    """Return what a viewpoint was shown beyond what was authored; both series are relative luminance at ``times_s``."""
    changes_shown, changes_authored = changes(times_s, shown), changes(times_s, authored)
    flashes_shown, flashes_authored = flashes(changes_shown), flashes(changes_authored)
    excess = 0
    for at in flashes_shown:
        # A count over a sliding second is largest where the second ends with a flash, or where the sliding begins.
        first = bisect_left(flashes_authored, at - MOVED_WITHIN_S)
        last = bisect_right(flashes_authored, at + MOVED_WITHIN_S)
        ends = [at - MOVED_WITHIN_S, *flashes_authored[first:last]]
        meant = max(_ending(flashes_authored, end) for end in ends)
        excess = max(excess, _ending(flashes_shown, at) - meant)
    return AddedFlashes(
        viewpoint=viewpoint,
        in_a_second=excess,
        total=len(flashes(_unanswered(changes_shown, changes_authored))),
        shown_in_a_second=most_in_a_second(flashes_shown),
        authored_in_a_second=most_in_a_second(flashes_authored),
    )


def _unanswered(shown: Sequence[Change], authored: Sequence[Change]) -> list[Change]:
    """Return the changes as shown that no authored change of the same sign answers to; each answers to one."""
    left: list[Change] = []
    for sign in (1, -1):
        meant = [change.at_s for change in authored if change.sign == sign]
        at = 0
        for change in shown:
            if change.sign != sign:
                continue
            while at < len(meant) and meant[at] < change.at_s - MOVED_WITHIN_S:
                at += 1
            if at < len(meant) and meant[at] <= change.at_s + MOVED_WITHIN_S:
                at += 1
            else:
                left.append(change)
    return sorted(left)


def worst_viewpoint(
    viewpoints: Mapping[str, Sequence[int]], times_s: Floats, shown: Floats, authored: Floats
) -> AddedFlashes:
    """Return the figures of the viewpoint to which most was added.

    ``viewpoints`` gives for each name the pieces seen together from there; what they make together is their mean. The
    series are of shape (pieces, instants).
    """
    seen = (
        added_flashes(name, times_s, shown[list(pieces)].mean(axis=0), authored[list(pieces)].mean(axis=0))
        for name, pieces in viewpoints.items()
    )
    return max(seen, key=lambda added: (added.in_a_second, added.total, added.shown_in_a_second))


# -- content to count on -------------------------------------------------------------------------------------------

CYCLE_S: Final = 20.0
PULSES_UNTIL_S: Final = 8.0
CHASE_S: Final = (9.0, 15.0)
STEADY_FROM_S: Final = 17.0
CHASE_STEP_S: Final = 0.25
BRIGHT: Final = 0.9
DIM: Final = 0.1


def trial_content(frame_count: int, frame_rate: FrameRate, piece: int, pieces: int) -> Floats:
    """Return the luminance of each frame of one piece: content with hard edges, on which bad timing shows.

    A cycle of 20 s: pulses at 1 Hz by all pieces together, and a second of dark. Then comes a chase of a quarter of a
    second a piece whose light as a whole stays the same, two seconds of dark, and steady light. Nowhere more than two
    flashes a second.
    """
    period_s = frame_rate.period_ns / BILLION
    at = ((np.arange(frame_count) + 0.5) * period_s) % CYCLE_S
    light = np.zeros(frame_count)
    pulsing = at < PULSES_UNTIL_S
    light[pulsing] = np.where(at[pulsing] % 1.0 < 0.4, BRIGHT, DIM)
    chasing = (at >= CHASE_S[0]) & (at < CHASE_S[1])
    turn = np.floor((at[chasing] - CHASE_S[0]) / CHASE_STEP_S).astype(np.int64) % pieces
    light[chasing] = np.where(turn == piece, BRIGHT, 0.0)
    light[at >= STEADY_FROM_S] = BRIGHT
    return light


MARKED_S: Final = 0.5
"""A player need not mark what stands still for less."""


def trial_stills(frame_count: int, frame_rate: FrameRate, piece: int, pieces: int) -> tuple[Still, ...]:
    """Return what the player of one piece marks of its ``trial_content``."""
    light = trial_content(frame_count, frame_rate, piece, pieces)
    at_least = round(MARKED_S * BILLION / frame_rate.period_ns)
    return stills_of((bytes([round(255 * level)]) for level in light.tolist()), at_least)
