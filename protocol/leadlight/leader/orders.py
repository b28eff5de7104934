"""Whose show holds where two leaders meet: what a person ordered last, and of two orders close together a stop.

Two halves of a network that come together again have each gone on for a while. Their leaders know no common clock, but
an order's age needs none: how long before the beacon that tells of it a person gave it.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final, NamedTuple

from leadlight.cue import NO_SHOW, Cue
from leadlight.terms import CueState
from leadlight.units import MILLISECOND, SECOND, LeaderInstant

STOP_WINS_NS: Final = 2 * SECOND
"""A stop holds against an order that is newer by no more than this: who stops a show has seen it before he reached the
button, and darkness is the safe mistake."""
SAME_ORDER_NS: Final = 500 * MILLISECOND
"""Two orders of one state and show that are no further apart are one, which came here late."""


class Claim(NamedTuple):
    """What one leader has in force or announced that was ordered last, and how old that order is; ``None`` without."""

    cue: Cue
    age_ns: int | None


def claim_of(cue: Cue, coming: Iterable[Cue], at: LeaderInstant) -> Claim:
    """Return what counts of a leader's cues at its instant ``at``. Orders from after it are none."""
    claim = Claim(cue, None)
    for one in (cue, *coming):
        if one.ordered_at is None or one.ordered_at > at:
            continue
        age_ns = at - one.ordered_at
        if claim.age_ns is None or age_ns < claim.age_ns:
            claim = Claim(one, age_ns)
    return claim


def prevails(one: Claim, other: Claim, other_is_blank: bool) -> bool:
    """Return whether ``one`` holds against ``other``, of which ``other_is_blank`` says that nothing was ever cued.

    Where nobody ordered anything neither does, unless one of them has nothing to show.
    """
    ours, theirs = one.cue, other.cue
    if one.age_ns is None:
        is_lit = ours.state in (CueState.ROLLING, CueState.PAUSED) and ours.show != NO_SHOW
        return other.age_ns is None and other_is_blank and is_lit
    if other.age_ns is None:
        return True
    newer_ns = other.age_ns - one.age_ns
    if ours.state is not theirs.state:
        if ours.state is CueState.STOPPED:
            return newer_ns >= -STOP_WINS_NS
        if theirs.state is CueState.STOPPED:
            return newer_ns > STOP_WINS_NS
    is_alike = ours.state is theirs.state and ours.show == theirs.show
    return newer_ns > (SAME_ORDER_NS if is_alike else 0)
