"""What the oracle sees of an evening: at every look each follower as it is, beside the truth, and who leads.

Nothing here judges. Promises are in ``safety`` and ``liveness``.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Final

from leadlight import ClockState, Cue
from leadlight.clock import ClockView
from leadlight.events import Event
from leadlight.playback import Stretch
from leadlight.units import MILLISECOND, SECOND, LeaderInstant, LocalInstant
from leadlight_sim.kernel import TrueInstant
from leadlight_sim.scenario import ClockStands, ClockStep
from leadlight_sim.world import FollowerNode, LeaderNode, World

LOOK_NS: Final = 100 * MILLISECOND
LOCK_BUDGET_NS: Final = 10 * MILLISECOND
Plan = tuple[Stretch | None, Stretch | None, Stretch | None]


@dataclass(slots=True)
class Seen:
    """One follower at one look, awake and with power. Instants of its own clock are ``now``; times are in ns."""

    name: str
    at: TrueInstant
    now: LocalInstant
    life: int
    sounds: bool
    state: ClockState
    is_two_way: bool
    """Whether its clock rests on answers of the timebase it is in.

    Marks that come another way than it thinks err by as much as its answers leave open, and nobody can see it
    (section 17.5): a clock that goes by them counts only where what is proven is narrower than a locked clock's budget.
    """
    tenure: int | None
    cue: Cue
    off_at: int | None
    leader_now: LeaderInstant | None
    """What it takes the leader's clock to show."""
    show: int | None
    level: float
    is_lit: bool
    position: int | None
    offset_ns: int | None
    """How far its clock is from that of the leader it follows, in truth; ``None`` where nobody can say."""
    error_ns: int | None
    """By how much it is wrong about that."""
    lower_ns: int
    upper_ns: int
    drift_holds: bool
    """Whether the drift that it declares has been true all the time that its proofs are about."""
    events: Sequence[Event]
    """Since the look before."""


@dataclass(slots=True)
class Group:
    """Everybody at one look: the followers that are awake, the nodes that could lead, and those that do."""

    at: TrueInstant
    seen: Sequence[Seen]
    could_lead: Sequence[LeaderNode]
    leading: Sequence[LeaderNode]


@dataclass(slots=True)
class Seam:
    """A follower's plan as it was and as it is, where an event has changed it; ``at`` is the first light it is of."""

    name: str
    at: TrueInstant
    light_at: LocalInstant
    before: int
    after: int
    was_lit: bool
    events: Sequence[Event]


class _Watched:
    """What is remembered of one follower from one look, or one event, to the next."""

    __slots__ = (
        "drift_false_at",
        "entered_at",
        "entered_local",
        "events_seen",
        "life",
        "offset",
        "plan",
        "seam_events",
        "timebase",
    )

    def __init__(self) -> None:
        self.life = -1
        self.forget()
        self.events_seen = 0
        self.seam_events = 0

    def forget(self) -> None:
        self.plan: Plan = (None, None, None)
        self.timebase: int | None = None
        self.entered_at = TrueInstant(0)
        self.entered_local = LocalInstant(0)
        self.offset: tuple[TrueInstant, LocalInstant, int, int | None] | None = None
        self.drift_false_at: TrueInstant | None = None


class Watcher:
    """Runs a world and looks at it. ``on_look`` is called at every look, ``on_seam`` whenever a plan is changed."""

    def __init__(self, world: World, on_look: Callable[[Group], None], on_seam: Callable[[Seam], None]) -> None:
        self.world = world
        self._on_look = on_look
        self._on_seam = on_seam
        self._watched = {node.name: _Watched() for node in world.followers}
        self._sounds = {follower.name: follower.sounds for follower in world.scenario.followers}
        # After its clock was set or stood still nothing that was proven before counts, here or for who follows it.
        self._set_at: dict[str, list[TrueInstant]] = {}
        for fault in world.scenario.faults:
            if isinstance(fault, ClockStep | ClockStands):
                over_s = fault.at_s + (fault.for_s if isinstance(fault, ClockStands) else 0.0)
                instants = self._set_at.setdefault(fault.node, [])
                instants += [TrueInstant(round(fault.at_s * SECOND)), TrueInstant(round(over_s * SECOND))]
        for node in world.followers:
            node.watch = self._watcher_of(node)

    def run(self) -> None:
        """Run the world to its end."""
        world = self.world
        at = world.kernel.now
        while at < world.end:
            at = TrueInstant(min(at + LOOK_NS, world.end))
            world.run_to(at)
            self._look(at)

    # -- at every event ----------------------------------------------------------------------------------------------

    def _watcher_of(self, node: FollowerNode) -> Callable[[], None]:
        watched = self._watched[node.name]

        def watch() -> None:
            playhead = node.follower.playhead
            plan: Plan = playhead.stretches
            old, watched.plan = watched.plan, plan
            if node.life != watched.life:
                watched.life = node.life
                watched.forget()
                watched.plan = plan
                return
            if plan[1] is old[1] or plan[1] is None or old[1] is None:
                watched.seam_events = len(node.events)
                return
            now = node.now
            light_at = LocalInstant(now + playhead.lead_ns)
            events = [event for _, event in node.events[watched.seam_events :]]
            watched.seam_events = len(node.events)
            before, after = planned_at(old, light_at), planned_at(plan, light_at)
            if before is not None and after is not None:
                is_lit = node.follower.stage.lit(now)[1] > 0.0
                self._on_seam(Seam(node.name, self.world.kernel.now, light_at, before, after, is_lit, events))

        return watch

    # -- at every look -----------------------------------------------------------------------------------------------

    def _look(self, at: TrueInstant) -> None:
        world = self.world
        everyone = [*world.leaders, *(node for node in world.rivals if node.is_started)]
        by_tenure = {
            node.leader.tenure: node for node in everyone if node.is_awake and node.leader.is_leading
        }
        seen = [self._seen(node, at, by_tenure) for node in world.followers if node.is_awake]
        could_lead = [node for node in world.leaders if node.is_awake]
        leading = [node for node in could_lead if node.leader.is_leading]
        self._on_look(Group(at, seen, could_lead, leading))

    def _seen(self, node: FollowerNode, at: TrueInstant, by_tenure: dict[int | None, LeaderNode]) -> Seen:
        follower, now, watched = node.follower, node.now, self._watched[node.name]
        clock = follower.clock
        if node.life != watched.life:
            watched.life = node.life
            watched.forget()
        if follower.timebase != watched.timebase:
            watched.timebase, watched.entered_at, watched.entered_local = follower.timebase, at, now
            watched.offset = watched.drift_false_at = None
        events = [event for _, event in node.events[watched.events_seen :]]
        watched.events_seen = len(node.events)
        show, level = follower.stage.lit(now)
        position = follower.position_at(now)
        lower_ns, upper_ns = clock.bound.interval_ns(now)
        frame = follower.stage.frame_at(now)
        offset_ns = self._offset_ns(node, now, watched, by_tenure)
        self._check_drift(watched, at, now, offset_ns, node)
        served = clock.served
        return Seen(
            name=node.name,
            at=at,
            now=now,
            life=node.life,
            sounds=self._sounds[node.name],
            state=clock.state,
            is_two_way=clock.view is not ClockView.ONE_WAY
            and follower.answered_at is not None
            and follower.answered_at >= watched.entered_local
            and (clock.view is not ClockView.COMMON_VIEW or upper_ns - lower_ns <= 2 * LOCK_BUDGET_NS),
            tenure=follower.tenure,
            cue=follower.cue,
            off_at=follower.off_at,
            leader_now=None if served is None else served.leader_at(now),
            show=None if show is None else show.key,
            level=level,
            is_lit=frame is not None and level > 0.0,
            position=position,
            offset_ns=offset_ns,
            error_ns=None if served is None or offset_ns is None else served.offset_at(now) - offset_ns,
            lower_ns=lower_ns,
            upper_ns=upper_ns,
            drift_holds=watched.drift_false_at is None,
            events=events,
        )

    def _offset_ns(
        self, node: FollowerNode, now: LocalInstant, watched: _Watched, by_tenure: dict[int | None, LeaderNode]
    ) -> int | None:
        leading = by_tenure.get(node.follower.tenure)
        if leading is None or leading.leader.timebase != node.follower.timebase:
            return None
        for name in (node.name, leading.name):
            set_at = self._set_at.get(name, ())
            if any(watched.entered_at - LOOK_NS <= instant <= self.world.kernel.now for instant in set_at):
                return None
        reading = leading.leader.leader_at(leading.now)
        return None if reading is None else now - reading

    @staticmethod
    def _check_drift(
        watched: _Watched, at: TrueInstant, now: LocalInstant, offset_ns: int | None, node: FollowerNode
    ) -> None:
        """Find out whether the offset has moved as the follower declares that it does."""
        before, bound = watched.offset, node.follower.clock.bound
        tenure = node.follower.tenure
        watched.offset = None if offset_ns is None else (at, now, offset_ns, tenure)
        if before is None or offset_ns is None or before[3] != tenure:
            return
        elapsed, moved = now - before[1], offset_ns - before[2]
        slowest, fastest = bound.declared_rates
        # Two readings of a clock that counts whole nanoseconds.
        if not elapsed * slowest - 2 <= moved <= elapsed * fastest + 2:
            watched.drift_false_at = at


def planned_at(plan: Plan, at: LocalInstant) -> int | None:
    """Return where a plan has the show at an instant of the node's clock: the stretch that is then, at its rate."""
    before, now, then = plan
    if now is None:
        return None
    stretch = now
    if then is not None and at >= then.at:
        stretch = then
    elif before is not None and at < now.at:
        stretch = before
    elapsed = at - stretch.at
    return stretch.position + elapsed + elapsed * stretch.rate_ppb // SECOND
