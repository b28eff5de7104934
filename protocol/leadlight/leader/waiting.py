"""Orders that wait until this node leads. Their instants are on this host's clock; a tenure's are in its timebase."""

from __future__ import annotations

from leadlight.cue import Cue
from leadlight.leader.orders import STOP_WINS_NS
from leadlight.leader.tenure import Tenure
from leadlight.terms import CueState
from leadlight.units import LeaderInstant, LocalInstant


class WaitingOrders:
    """What was ordered here while another led: what is in force, what is to come, and when everything is off."""

    def __init__(self) -> None:
        self.under_way: Cue | None = None
        """A cue that was put in force with its line already under way."""
        self.cues: list[Cue] = []
        """Cues to come, earliest first."""
        self.off_at: LocalInstant | None = None
        """The hard off time. It outlasts a tenure, and so does not count among what waits."""

    def __bool__(self) -> bool:
        return self.under_way is not None or bool(self.cues)

    def schedule(self, cue: Cue) -> None:
        """Let a cue wait; one at the same instant is replaced."""
        at = cue.line.leader_at
        others = [other for other in self.cues if other.line.leader_at != at]
        self.cues = sorted([*others, cue], key=lambda entry: entry.line.leader_at)

    def withdraw(self) -> None:
        """Let no cue wait any more."""
        self.under_way = None
        self.cues = []

    def give_way(self, stopped_at: LocalInstant) -> None:
        """Let nothing wait that was ordered before a stop, or so soon after it that the stop holds all the same."""
        self.cues = [cue for cue in self.cues if cue.ordered_at is None or cue.ordered_at > stopped_at + STOP_WINS_NS]

    def carry_out(self, tenure: Tenure, resumes: bool, now: LocalInstant) -> None:
        """Hand everything to a tenure that has just begun; with ``resumes`` what fell due meanwhile is under way."""
        stop = tenure.cue
        if stop.state is CueState.STOPPED and stop.ordered_at is not None:
            self.give_way(tenure.local_at(stop.ordered_at))
        if resumes:
            due = [self.under_way, *(cue for cue in self.cues if cue.line.leader_at <= now)]
            if due[-1] is not None:
                tenure.resume_line(due[-1], now)
        for cue in self.cues:
            if cue.line.leader_at > now:
                tenure.schedule(in_timebase(cue, tenure))
        self.withdraw()
        if self.off_at is not None:
            tenure.off_at = tenure.leader_at(self.off_at)


def in_timebase(cue: Cue, tenure: Tenure) -> Cue:
    """Return a cue whose instant is on this host's clock as one in the tenure's timebase."""
    at = tenure.leader_at(LocalInstant(cue.line.leader_at))
    ordered_at = None if cue.ordered_at is None else tenure.leader_at(LocalInstant(cue.ordered_at))
    return cue._replace(line=cue.line._replace(leader_at=at), ordered_at=ordered_at)


def on_own_clock(cue: Cue, tenure: Tenure) -> Cue:
    """Return a cue of a tenure with its instant on this host's clock."""
    at = LeaderInstant(tenure.local_at(cue.line.leader_at))
    return cue._replace(line=cue.line._replace(leader_at=at))
