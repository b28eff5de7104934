"""Watching one follower while it runs: when it took which cue, when it came right, and by what it goes from when on.

What it goes by changes with its packets, a few times a second at most, and is a straight line from one change to the
next. So the changes are kept as they come; what it showed at any instant between is worked out afterwards, from arrays.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Final, NamedTuple, TypeAlias

from leadlight import Cue, CueState
from leadlight.clock import Estimate
from leadlight.playback import Stretch
from leadlight.units import SECOND
from leadlight_sim.baselines import Accompanied
from leadlight_sim.kernel import TrueInstant
from leadlight_sim.world import FollowerNode, World

Line: TypeAlias = tuple[int, int, float]
"""An estimate as numbers: the local instant that it is about, the offset then in ns, and its rate."""

Change: TypeAlias = tuple[
    TrueInstant, int, int | None, int, int, float, int | None, int, int, float, int, tuple[int, ...]
]
"""What a follower goes by from a true instant on. The shift of its host's clock; the timebase and the line of the
estimate that it believes; the timebase of its latest beacon and the line of what that alone would say; the show of its
cue; and the stretches of its playhead's plan, three numbers each. Numbers alone: where thousands of objects are kept,
Python's garbage collector goes through them again and again."""

NO_LINE: Final[Line] = (0, 0, math.nan)


class Taken(NamedTuple):
    """A cue that a follower put in force, and the timebase that its instants refer to."""

    at: TrueInstant
    cue: Cue
    timebase: int | None


class Watch:
    """Watches one follower of a world: ``look`` is called after everything that it does.

    ``on_timebase`` hears of each timebase that it comes to believe; it is right while clock and playhead are within
    ``tolerance_ns`` of the truth.
    """

    def __init__(
        self, world: World, node: FollowerNode, tolerance_ns: float, on_timebase: Callable[[int], None]
    ) -> None:
        self._world = world
        self._kernel = world.kernel
        self.node: Final = node
        self._tolerance_ns = tolerance_ns
        self._on_timebase = on_timebase
        self._show_keys = frozenset(show.key for show in world.shows)
        self.changes: list[Change] = []
        """Since they were last used up; the one in force then is the first."""
        self.first_beacon: TrueInstant | None = None
        self.taken: list[Taken] = []
        self.joins: list[float | None] = []
        """For each life, how long it took to come right, in seconds."""
        self._joined = True
        self._heard_at: TrueInstant | None = None
        self._life = 0
        self._cue: Cue | None = None
        self._served: Estimate | None = None
        self._held: tuple[int, Estimate] | None = None
        self._naive: Estimate | None = None
        self._plan_now: Stretch | None = None
        self._timebase: int | None = None
        self._shift_ns = 0

    def look(self) -> None:
        """Take note of what has changed."""
        node = self.node
        follower = node.follower
        clock = follower.clock
        stage = follower.stage
        is_new = node.life != self._life
        if is_new:
            self._life = node.life
            self._joined = False
            self._heard_at = None
            self.joins.append(None)
            self.taken.append(Taken(self._kernel.now, stage.cue, None))
        elif stage.cue is not self._cue:
            self.taken.append(Taken(self._kernel.now, stage.cue, follower.timebase))
        estimator = clock.uncorrected
        naive = None
        if isinstance(estimator, Accompanied) and estimator.others:
            naive = estimator.others[0].estimate()
        playhead = stage.playhead
        if (
            is_new
            or clock.served is not self._served
            or playhead.now is not self._plan_now
            or naive is not self._naive
            or stage.cue is not self._cue
            or follower.held is not self._held
            or follower.timebase != self._timebase
            or node.shift_ns != self._shift_ns
        ):
            self._note(naive)
        if not self._joined and follower.timebase is not None:
            self._look_whether_right()

    def _note(self, naive: Estimate | None) -> None:
        node = self.node
        follower = node.follower
        clock = follower.clock
        playhead = follower.stage.playhead
        timebase = follower.timebase
        if timebase is not None and timebase != self._timebase:
            self._on_timebase(timebase)
        self._cue = follower.stage.cue
        self._served = believed = clock.served
        self._held = held = follower.held
        self._naive = naive
        self._plan_now = playhead.now
        self._timebase = believed_in = timebase
        self._shift_ns = shift_ns = node.shift_ns
        if held is not None:
            believed_in, believed = held
        show = follower.stage.cue.show
        at, offset_ns, rate = NO_LINE if believed is None else believed[:3]
        naive_at, naive_offset_ns, naive_rate = NO_LINE if naive is None else naive[:3]
        plan: list[int] = []
        for stretch in playhead.plan:
            plan += (stretch.at, stretch.position, stretch.rate_ppb)
        self.changes.append(
            (
                self._kernel.now,
                shift_ns,
                believed_in,
                at,
                offset_ns,
                rate,
                timebase,
                naive_at,
                naive_offset_ns,
                naive_rate,
                show,
                tuple(plan),
            )
        )

    def use_up(self) -> list[Change]:
        """Return the changes since the last time, with the one in force then; go on from the last."""
        changes = self.changes
        self.changes = changes[-1:]
        return changes

    # -- joining -------------------------------------------------------------------------------------------------

    def _look_whether_right(self) -> None:
        now = self._kernel.now
        if self._heard_at is None:
            self._heard_at = now
            if self.first_beacon is None:
                self.first_beacon = now
        if self._is_right(now):
            self.joins[-1] = (now - self._heard_at) / SECOND
            self._joined = True

    def _is_right(self, now: TrueInstant) -> bool:
        """Return whether clock and playhead are both close enough to the truth."""
        node, world = self.node, self._world
        follower = node.follower
        local = node.local_at(now)
        belief = follower.belief_at(local)
        if belief is None:
            return False
        timebase, reading = belief
        truth = world.leader_time(timebase, now)
        if truth is None or abs(reading - truth) > self._tolerance_ns:
            return False
        cue, ideal = world.ideal(now)
        if cue.state is not CueState.ROLLING or cue.show not in self._show_keys:
            return True
        shown = follower.position_at(local)
        return shown is not None and follower.cue.show == cue.show and abs(shown - ideal) <= self._tolerance_ns
