"""The truth of a run: which leader counts, what its clock shows, and what ought to be seen. For oracles and measures.

The music plays at the leader. While its host is off, or back and still listening, the evening goes on by the running
order; once another node leads, by that node's line. Where two lead, the one that outranks the other counts.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from leadlight import Cue, CueState, ShowLine
from leadlight.cue import dark_cue
from leadlight.units import LeaderInstant, ShowPosition
from leadlight_sim.kernel import TrueInstant
from leadlight_sim.world.nodes import LeaderNode


@dataclass(frozen=True, slots=True)
class PlannedCue:
    """One line of the evening in true time: what the running order on the leader's host says."""

    at: TrueInstant
    show: int
    state: CueState
    position: ShowPosition


class Truth:
    """Knows every node that can lead. ``leaders[0]`` is the music's host.

    ``rivals`` lead without being asked to: their clocks are known, what they say is never what ought to be seen.
    """

    def __init__(
        self, leaders: Sequence[LeaderNode], plan: Sequence[PlannedCue], rivals: Sequence[LeaderNode] = ()
    ) -> None:
        self._leaders = leaders
        self._rivals = rivals
        self._plan = plan

    def leader_time(self, timebase: int, true: TrueInstant) -> LeaderInstant | None:
        """Return what the clock named by ``timebase`` shows at a true instant; ``None`` for one nobody began.

        Who leads in a timebase defines it; while nobody does, the host that began it.
        """
        everyone = [*self._leaders, *(rival for rival in self._rivals if rival.is_started)]
        for node in everyone:
            if node.powered and node.leader.is_leading and node.leader.timebase == timebase:
                return node.leader.leader_at(node.local_at(true))
        for node in everyone:
            shown = node.clock_of(timebase, true)
            if shown is not None:
                return shown
        return None

    def acting(self) -> LeaderNode:
        """Return the node that counts now: of those that lead the one that outranks the others, else the last that
        did."""
        leading = [node for node in self._leaders if node.powered and node.leader.is_leading]
        if leading:
            return min(leading, key=lambda node: (node.leader.settings.rank, node.leader.identity))
        # Of two that ceased at once the music's host, or the standby that is named first.
        return max(self._leaders, key=lambda node: -1 if node.led_until is None else node.led_until)

    def ideal(self, true: TrueInstant) -> tuple[Cue, ShowPosition]:
        """Return what ought to be in force at a true instant, now or soon, and where in it the music is."""
        node = self.acting()
        if node is self._leaders[0] and not (node.powered and node.leader.is_leading):
            missed = [planned for planned in self._plan if node.off_since <= planned.at <= true]
            if missed:
                planned = missed[-1]
                at = LeaderInstant(node.local_at(planned.at))
                cue = Cue(planned.show, planned.state, ShowLine(at, planned.position))
                return cue, cue.position_at(LeaderInstant(node.local_at(true)))
        if node.last_led is None:
            nothing = dark_cue(LeaderInstant(0))
            return nothing, nothing.line.position
        timebase, cue = node.last_led
        now = self.leader_time(timebase, true)
        assert now is not None
        return cue, cue.position_at(now)
