"""Whose order holds: what a node that leads makes of the other leaders it hears (R-ROLE-10 to R-ROLE-13).

Rank says who leads in the end. What a person ordered last holds all the same. A leader behind this one is obeyed where
its order prevails, and one that outranks this is told of a newer order here before this one yields.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable
from typing import Final

from leadlight import events
from leadlight.cue import NO_SHOW, Cue
from leadlight.follower import is_newer
from leadlight.leader.limiter import RateLimiter
from leadlight.leader.orders import Claim, claim_of, prevails
from leadlight.leader.tenure import Tenure
from leadlight.terms import CueState
from leadlight.units import SECOND, LeaderInstant, LocalInstant
from leadlight.wire import Beacon

TOLD_INTERVALS: Final = 5
TOLD_NS: Final = 3 * SECOND
"""A leader that yields though its order is the newer one goes on so long, or so many intervals, until that is heard."""
REPEATED_TO_RIVALS_NS: Final = SECOND
"""The state is repeated for other leaders no more often."""
TENURES_TOLD: Final = 64
"""Other leaders' tenures that are remembered, so that each is told of once."""


class Rivals:
    """The other leaders that one node hears. ``emit`` takes what is to be told of them."""

    def __init__(self, emit: Callable[[events.LeaderEvent], None]) -> None:
        self._emit = emit
        self._told: deque[int] = deque(maxlen=TENURES_TOLD)
        self._own_before: tuple[int, int] | None = None
        self._repeats = RateLimiter.once_in(REPEATED_TO_RIVALS_NS, 1)
        # The last beacon of a leader behind this one whose order holds, and of one that outranks this, with its
        # arrival.
        self._behind: tuple[Beacon, LocalInstant] | None = None
        self._better: tuple[Beacon, LocalInstant] | None = None
        self._told_until: LocalInstant | None = None

    def forget(self) -> None:
        """This node begins to lead: what was claimed against an earlier tenure of it counts no more."""
        self._behind = self._better = self._told_until = None

    def meet_oneself(self, beacon: Beacon, received_at: LocalInstant) -> None:
        """Take a beacon under this node's own id and another tenure: left over from its last run, or a clone's."""
        tenure, before = beacon.tenure, self._own_before
        if tenure in self._told:
            return
        if before is not None and before[0] == tenure and is_newer(beacon.serial, before[1]):
            # One may be left over, and come twice; this one advances.
            self._told.append(tenure)
            self._emit(events.LeaderCloned(received_at, beacon.leader, tenure))
        self._own_before = tenure, beacon.serial

    def hear(self, beacon: Beacon, tenure: Tenure, order: tuple[int, int], received_at: LocalInstant) -> bool:
        """Take another leader's beacon while ``tenure`` runs in rank and id ``order``.

        Return whether the ear has to find out if it is proven: this node may have to obey it, or to yield.
        """
        here, there = tenure.cue, beacon.cue
        is_new = beacon.tenure not in self._told
        if is_new:
            self._told.append(beacon.tenure)
            self._emit(events.RivalHeard(received_at, beacon.leader, beacon.tenure))
        if is_new or (here.show, here.state) != (there.show, there.state):
            self._repeat(tenure, received_at)  # the sooner one of the two hears enough to yield
        if order < (beacon.rank, beacon.leader):
            if not _must_adopt(beacon, tenure, received_at):
                return False  # it will hear this one's beacons and yield
            self._behind = beacon, received_at  # to be obeyed, once the ear finds it proven
        else:
            self._better = beacon, received_at
        return True

    def holds_on(self, tenure: Tenure, followed: int | None, now: LocalInstant) -> bool:
        """Return whether a leader that outranks this one has yet to hear of a newer order that was given here.

        ``followed`` is the tenure that the ear finds proven.
        """
        if self._better is None:
            return False
        beacon, received_at = self._better
        if beacon.tenure != followed:
            return False
        theirs, ours = _claims(beacon, tenure, received_at)
        is_blank = beacon.cue.show == NO_SHOW and beacon.cue.state is CueState.DARK
        if not prevails(ours, theirs, is_blank):
            return False
        if self._told_until is None:
            patience_ns = max(TOLD_INTERVALS * tenure.settings.interval_ns, TOLD_NS)
            self._told_until = LocalInstant(now + patience_ns)
        if received_at >= self._told_until:  # it has gone on meanwhile, and will hear of it or never
            return False
        self._repeat(tenure, now)
        return True

    def must_obey(self, followed: int | None) -> bool:
        """Return whether the tenure that the ear finds proven is one behind this node whose order holds."""
        return self._behind is not None and followed == self._behind[0].tenure

    def obey(self, tenure: Tenure, now: LocalInstant) -> None:
        """Make that leader's order one's own: its stop, or the cue that it has in force or announces."""
        assert self._behind is not None
        (beacon, received_at), self._behind = self._behind, None
        ours, theirs = tenure.cue, beacon.cue
        arrived_at = tenure.leader_at(received_at)

        def moved(cue: Cue) -> Cue:
            if beacon.timebase == tenure.timebase:
                return cue
            # By when the beacon came: late by its delay, which is little against two shows that were not one.
            at = LeaderInstant(arrived_at - (beacon.sent_at - cue.line.leader_at))
            ordered_at = cue.ordered_at
            if ordered_at is not None:
                ordered_at = LeaderInstant(arrived_at - (beacon.sent_at - ordered_at))
            return cue._replace(line=cue.line._replace(leader_at=at), ordered_at=ordered_at)

        self._emit(events.ShowsDiffered(now, beacon.leader, beacon.tenure, ours, theirs, is_ours=False))
        if theirs.state is CueState.STOPPED:
            tenure.stop(now, moved(theirs).ordered_at)
            return
        claimed, mine = claim_of(theirs, (), beacon.sent_at), claim_of(ours, (), arrived_at)
        if prevails(claimed, mine, tenure.is_blank):
            tenure.resume_line(moved(theirs), now)
        if beacon.next_cue is not None and beacon.next_cue.ordered_at is not None:
            tenure.schedule(moved(beacon.next_cue))

    def yield_to_better(self, tenure: Tenure, now: LocalInstant) -> None:
        """Tell people if the leader that this one yields to has another show in force."""
        if self._better is None:
            return
        ours, (beacon, _) = tenure.cue, self._better
        if (ours.show, ours.state) != (beacon.cue.show, beacon.cue.state):
            self._emit(events.ShowsDiffered(now, beacon.leader, beacon.tenure, ours, beacon.cue, is_ours=False))

    def _repeat(self, tenure: Tenure, now: LocalInstant) -> None:
        if self._repeats.allow(now):
            tenure.repeat_state(now)


def _claims(beacon: Beacon, tenure: Tenure, received_at: LocalInstant) -> tuple[Claim, Claim]:
    """Return what is claimed by a beacon, and by this node at the instant of its arrival."""
    coming = () if beacon.next_cue is None else (beacon.next_cue,)
    theirs = claim_of(beacon.cue, coming, beacon.sent_at)
    return theirs, claim_of(tenure.cue, tenure.scheduled, tenure.leader_at(received_at))


def _must_adopt(beacon: Beacon, tenure: Tenure, received_at: LocalInstant) -> bool:
    """Return whether what a leader behind this one has in force, or announces, holds against this node's."""
    theirs, ours = _claims(beacon, tenure, received_at)
    if beacon.cue.state is CueState.STOPPED and theirs.age_ns is None:
        return _is_later_stop(beacon, tenure, received_at)
    return prevails(theirs, ours, tenure.is_blank)


def _is_later_stop(beacon: Beacon, tenure: Tenure, received_at: LocalInstant) -> bool:
    """Return whether a beacon says that the show was stopped after the cue in force here took effect."""
    if tenure.cue.state is CueState.STOPPED:
        return False
    stopped_at = received_at - max(beacon.sent_at - beacon.cue.line.leader_at, 0)
    return stopped_at > tenure.local_at(tenure.cue.line.leader_at)
