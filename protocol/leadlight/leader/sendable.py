"""What a leader holds, as the wire can say it: no instant before a clock began, no position before a show.

A host that has just started may be told of a show that began, an order that was given or an off time that came before
its clock did. What is taken over from a stranger may lie at the end of all time.
"""

from __future__ import annotations

from leadlight.cue import START, Cue, ShowLine, dark_cue
from leadlight.terms import CueState
from leadlight.units import INSTANT_MAXIMUM, MILLISECOND, LeaderInstant, ShowPosition

LATEST_OFF_NS = INSTANT_MAXIMUM // MILLISECOND * MILLISECOND


def sendable_off_at(off_at: LeaderInstant | None) -> LeaderInstant | None:
    """Return an off time in whole milliseconds, never later, and within what travels."""
    if off_at is None:
        return None
    return LeaderInstant(max(0, min(off_at // MILLISECOND * MILLISECOND, LATEST_OFF_NS)))


def sendable_cue(cue: Cue, off_at: LeaderInstant | None) -> Cue:
    """Return a cue that travels and shows the same, with ``off_at`` the off time before it was made to travel."""
    (at, position, rate_ppb), ordered_at = cue.line, cue.ordered_at
    is_line_sendable = 0 <= at <= INSTANT_MAXIMUM and 0 <= position <= INSTANT_MAXIMUM
    if is_line_sendable and (ordered_at is None or 0 <= ordered_at <= INSTANT_MAXIMUM):
        return cue
    if ordered_at is not None:
        ordered_at = LeaderInstant(max(0, min(ordered_at, INSTANT_MAXIMUM)))
    if off_at is not None and at < off_at < MILLISECOND:
        # Both from before this clock: which was first could not be told any more.
        return dark_cue(LeaderInstant(0), ordered_at)
    if at < 0:
        position = cue.position_at(LeaderInstant(0))
        at = LeaderInstant(0)
    if position < START and cue.state is CueState.ROLLING:
        at = ShowLine(at, position, rate_ppb).instant_of(START)
    line = ShowLine(
        LeaderInstant(min(at, INSTANT_MAXIMUM)), ShowPosition(max(0, min(position, INSTANT_MAXIMUM))), rate_ppb
    )
    return Cue(cue.show, cue.state, line, ordered_at)
