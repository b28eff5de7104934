"""What a node that takes the lead takes over: the timebase and the show of whom it followed, as far as it knows them.

Known well enough, the timebase is continued and no follower has anything to learn anew. Else the show goes on by this
host's own clock, in a timebase of its own.
"""

from __future__ import annotations

from typing import Final

from leadlight.clock import CONTINUED_WITHIN_NS, Estimate
from leadlight.cue import RATE_LIMIT_PPB, Cue, ShowLine, dark_cue
from leadlight.entropy import Entropy
from leadlight.follower import Follower
from leadlight.leader.tenure import Inheritance, Tenure
from leadlight.terms import ClockState, CueState, OnMusicLost
from leadlight.units import BILLION, INSTANT_MAXIMUM, SECOND, LeaderInstant, LocalInstant, ShowPosition

TIMEBASE_LASTS_NS: Final = 366 * 24 * 3600 * SECOND
"""A timebase is not continued that may come to the end of all instants while this node leads."""


def inheritance_from(ear: Follower, entropy: Entropy, now: LocalInstant) -> Inheritance | None:
    """Return what the ear knows of the leader before, or ``None`` if there was none."""
    served, timebase = ear.clock.served, ear.timebase
    if served is None or timebase is None:
        return None
    scheduled = () if ear.next_cue is None else (ear.next_cue,)
    off_at = None if ear.off_at is None else LeaderInstant(ear.off_at)
    if _can_continue(ear, now):
        return Inheritance(timebase, served, ear.cue_told, scheduled, off_at)
    # Too uncertain to go on in its name: the show goes on by this host's own clock, as a timebase of its own.
    own = Estimate(now, 0, 0.0, 0.0, 0.0)
    cue = ear.cue_told
    if off_at is not None and cue.line.leader_at < off_at <= served.leader_at(now):
        cue = dark_cue(off_at)  # it is over, and must not look begun anew
    return Inheritance(
        entropy.getrandbits(32) or 1,
        own,
        _on_own_clock(cue, served, now),
        tuple(_on_own_clock(cue, served, now) for cue in scheduled),
        None if off_at is None else LeaderInstant(served.local_at(off_at)),
    )


def _on_own_clock(cue: Cue, served: Estimate, now: LocalInstant) -> Cue:
    at = LeaderInstant(served.local_at(cue.line.leader_at))
    if cue.ordered_at is not None:
        cue = cue._replace(ordered_at=LeaderInstant(served.local_at(cue.ordered_at)))
    # At the old leader's pace, not at this crystal's: who still hears it must not be left behind.
    rate_ppb = cue.line.rate_ppb - round(served.rate * (BILLION + cue.line.rate_ppb))
    rate_ppb = max(-RATE_LIMIT_PPB, min(rate_ppb, RATE_LIMIT_PPB))
    if at < now:
        # Under way, perhaps since before this host's clock began: the line is drawn through now instead.
        at = LeaderInstant(now)
        return cue._replace(line=ShowLine(at, cue.position_at(served.leader_at(now)), rate_ppb))
    return cue._replace(line=cue.line._replace(leader_at=at, rate_ppb=rate_ppb))


def _can_continue(ear: Follower, now: LocalInstant) -> bool:
    """Return whether the clock that was followed is known well enough to go on in its name."""
    if ear.clock.state not in (ClockState.LOCKED, ClockState.HOLDOVER):
        return False
    there = ear.clock.leader_at(now)
    if there is None or not 0 <= there <= INSTANT_MAXIMUM - TIMEBASE_LASTS_NS:
        return False
    bound_ns = ear.clock.bounds(now).statistical_ns
    return bound_ns is not None and bound_ns <= CONTINUED_WITHIN_NS


def apply_on_music_lost(what: OnMusicLost, tenure: Tenure, length_ns: ShowPosition | None, now: LocalInstant) -> None:
    """Let a show that was taken over go on, finish or go dark without its music; ``length_ns``: how long it is."""
    if what is OnMusicLost.CONTINUE:
        return
    tenure.scheduled.clear()  # nor does what was announced begin without its music
    cue = tenure.cue
    if cue.state not in (CueState.ROLLING, CueState.PAUSED):
        return
    soon = LeaderInstant(tenure.leader_at(now) + tenure.settings.lead_time_ns)
    finishes = what is OnMusicLost.FINISH and cue.state is CueState.ROLLING
    ends_at = cue.line.instant_of(length_ns) if finishes and length_ns is not None else None
    tenure.schedule(dark_cue(soon if ends_at is None else max(ends_at, soon)))
