"""What the oracle sees of an evening: at every look each follower as it is, beside the truth, and who leads.

Nothing here judges. Promises are in ``safety`` and ``liveness``.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from typing import Final, TypeAlias

from leadlight import Cue
from leadlight.clock import ClockView
from leadlight.events import Event
from leadlight.playback import Stretch
from leadlight.units import MILLISECOND, SECOND, LocalInstant
from leadlight_sim.kernel import TrueInstant, collecting_seldom
from leadlight_sim.scenario import ClockStands, ClockStep, Fault
from leadlight_sim.world import FollowerNode, LeaderNode, World

LOOK_NS: Final = 100 * MILLISECOND
LOCK_BUDGET_NS: Final = 10 * MILLISECOND
Plan: TypeAlias = tuple[Stretch | None, Stretch | None, Stretch | None]

# At every look: to reach a member through its class takes Python 3.11 ten times as long.
_ONE_WAY: Final = ClockView.ONE_WAY
_COMMON_VIEW: Final = ClockView.COMMON_VIEW


class Seen:
    """One follower at one look, awake and with power. Instants of its own clock are ``now``; times are in ns.

    Written out: a long campaign makes hundreds of millions, and a generated ``__init__`` is not compiled.
    """

    def __init__(
        self,
        node: FollowerNode,
        at: TrueInstant,
        sounds: bool,
        entered_at: LocalInstant,
        offset_ns: int | None,
        drift_holds: bool,
        events: Sequence[Event],
    ) -> None:
        follower, now = node.follower, node.now
        clock, stage = follower.clock, follower.stage
        served, view = clock.served, clock.view
        lower_ns, upper_ns = clock.bound.interval_ns(now)
        answered_at = follower.answered_at
        show, level = stage.lit(now)
        self.name = node.name
        self.at = at
        self.now = now
        self.life = node.life
        self.sounds = sounds
        self.state = clock.state
        # Whether its clock rests on answers of the timebase it is in. Marks that come another way than it thinks err
        # by as much as its answers leave open, and nobody can see it (section 17.5): a clock that goes by them counts
        # only where what is proven is narrower than a locked clock's budget.
        self.is_two_way = (
            view is not _ONE_WAY
            and answered_at is not None
            and answered_at >= entered_at
            and (view is not _COMMON_VIEW or upper_ns - lower_ns <= 2 * LOCK_BUDGET_NS)
        )
        self.tenure = follower.tenure
        self.cue: Cue = stage.cue
        self.off_at = follower.off_at
        # What it takes the leader's clock to show.
        self.leader_now = None if served is None else served.leader_at(now)
        self.show = None if show is None else show.key
        self.level = level
        self.is_lit = level > 0.0 and stage.frame_at(now) is not None
        self.position: int | None = stage.position_at(now)
        # How far its clock is from that of the leader it follows, in truth, and by how much it is wrong about that;
        # ``None`` where nobody can say.
        self.offset_ns = offset_ns
        self.error_ns = None if served is None or offset_ns is None else served.offset_at(now) - offset_ns
        self.lower_ns = lower_ns
        self.upper_ns = upper_ns
        # Whether the drift that it declares has been true all the time that its proofs are about.
        self.drift_holds = drift_holds
        # Since the look before.
        self.events = events


class Group:
    """Everybody at one look: the followers that are awake, the nodes that could lead, and those that do."""

    def __init__(self, at: TrueInstant, seen: Sequence[Seen], could_lead: Sequence[LeaderNode]) -> None:
        self.at = at
        self.seen = seen
        self.could_lead = could_lead
        self.leading: Sequence[LeaderNode] = [node for node in could_lead if node.leader.is_leading]


class Seam:
    """A follower's plan as it was and as it is, where an event has changed it; ``at`` is the first light it is of."""

    def __init__(
        self,
        name: str,
        at: TrueInstant,
        light_at: LocalInstant,
        before: int,
        after: int,
        was_lit: bool,
        events: Sequence[Event],
    ) -> None:
        self.name = name
        self.at = at
        self.light_at = light_at
        self.before = before
        self.after = after
        self.was_lit = was_lit
        self.events = events


class ClocksSet:
    """Knows whose clock was set or stood still, and when: nothing that was proven before counts then (R-TIME-1).

    That holds here, for who goes by that clock, and for who goes by a timebase that it led, whoever leads on in it.
    """

    def __init__(self, faults: Iterable[Fault]) -> None:
        self._set_at: dict[str, list[TrueInstant]] = {}
        # By timebase, who led it, and when it was last seen to.
        self._led: dict[int | None, dict[str, TrueInstant]] = {}
        for fault in faults:
            if isinstance(fault, ClockStep | ClockStands):
                over_s = fault.at_s + (fault.for_s if isinstance(fault, ClockStands) else 0.0)
                instants = self._set_at.setdefault(fault.node, [])
                instants += [TrueInstant(round(fault.at_s * SECOND)), TrueInstant(round(over_s * SECOND))]

    def note(self, leading: Iterable[LeaderNode], at: TrueInstant) -> None:
        """Take note of who leads."""
        if self._set_at:
            for node in leading:
                self._led.setdefault(node.leader.timebase, {})[node.name] = at

    def is_any(self, follower: str, timebase: int | None, since: TrueInstant, at: TrueInstant) -> bool:
        """Return whether any was that tells a follower the time of this timebase, which it entered at ``since``."""
        if not self._set_at:
            return False
        if self._is_set(follower, since, at):
            return True
        led = self._led.get(timebase, {})
        return any(self._is_set(name, since, min(last_at + LOOK_NS, at)) for name, last_at in led.items())

    def _is_set(self, name: str, since: int, until: int) -> bool:
        return any(since - LOOK_NS <= instant <= until for instant in self._set_at.get(name, ()))


class _Watched:
    """What is remembered of one follower from one look, or one event, to the next."""

    def __init__(self, world: World, node: FollowerNode, sounds: bool, on_seam: Callable[[Seam], None]) -> None:
        self._kernel = world.kernel
        self._node = node
        self._sounds = sounds
        self._on_seam = on_seam
        self._life = -1
        self._events_seen = 0
        self._seam_events = 0
        self._forget()

    def _forget(self) -> None:
        self._before: Stretch | None = None
        self._now: Stretch | None = None
        self._then: Stretch | None = None
        self._timebase: int | None = None
        self._entered_at = TrueInstant(0)
        self._entered_local = LocalInstant(0)
        self._is_offset_known = False
        self._offset_at = LocalInstant(0)
        self._offset_ns = 0
        self._offset_of: int | None = None
        self._drift_holds = True

    # -- at every event ----------------------------------------------------------------------------------------------

    def at_event(self) -> None:
        """Tell of the plan if what has just happened changed it."""
        node = self._node
        if node.life != self._life:
            self._life = node.life
            self._forget()
            self._before, self._now, self._then = node.follower.playhead.stretches
            return
        playhead = node.follower.playhead
        before, now, then = self._before, self._now, self._then
        self._before, self._now, self._then = plan = playhead.stretches
        if plan[1] is now or plan[1] is None or now is None:
            self._seam_events = len(node.events)
            return
        local = node.now
        light_at = LocalInstant(local + playhead.lead_ns)
        events = [event for _, event in node.events[self._seam_events :]]
        self._seam_events = len(node.events)
        was_at, is_at = planned_at((before, now, then), light_at), planned_at(plan, light_at)
        if was_at is not None and is_at is not None:
            is_lit = node.follower.stage.lit(local)[1] > 0.0
            self._on_seam(Seam(node.name, self._kernel.now, light_at, was_at, is_at, is_lit, events))

    # -- at every look -----------------------------------------------------------------------------------------------

    def seen(self, at: TrueInstant, by_tenure: dict[int | None, LeaderNode], clocks_set: ClocksSet) -> Seen:
        """Look at it."""
        node = self._node
        follower, now = node.follower, node.now
        if node.life != self._life:
            self._life = node.life
            self._forget()
        timebase = follower.timebase
        if timebase != self._timebase:
            self._timebase, self._entered_at, self._entered_local = timebase, at, now
            self._is_offset_known, self._drift_holds = False, True
        events: Sequence[Event] = ()
        if len(node.events) > self._events_seen:
            events = [event for _, event in node.events[self._events_seen :]]
            self._events_seen = len(node.events)
        tenure = follower.tenure
        offset_ns = None
        leading = by_tenure.get(tenure)
        if (
            leading is not None
            and leading.leader.timebase == timebase
            and not clocks_set.is_any(node.name, timebase, self._entered_at, at)
        ):
            reading = leading.leader.leader_at(leading.now)
            offset_ns = None if reading is None else now - reading
        self._check_drift(now, offset_ns, tenure)
        return Seen(node, at, self._sounds, self._entered_local, offset_ns, self._drift_holds, events)

    def _check_drift(self, now: LocalInstant, offset_ns: int | None, tenure: int | None) -> None:
        """Find out whether the offset has moved as the follower declares that it does."""
        was_known, before_at, before_ns = self._is_offset_known, self._offset_at, self._offset_ns
        is_same = tenure == self._offset_of
        if offset_ns is None:
            self._is_offset_known = False
            return
        self._is_offset_known = True
        self._offset_at, self._offset_ns, self._offset_of = now, offset_ns, tenure
        if not was_known or not is_same:
            return
        elapsed, moved = now - before_at, offset_ns - before_ns
        slowest, fastest = self._node.follower.clock.bound.declared_rates
        # Two readings of a clock that counts whole nanoseconds.
        if not elapsed * slowest - 2 <= moved <= elapsed * fastest + 2:
            self._drift_holds = False


class Watcher:
    """Runs a world and looks at it. ``on_look`` is called at every look, ``on_seam`` whenever a plan is changed."""

    def __init__(self, world: World, on_look: Callable[[Group], None], on_seam: Callable[[Seam], None]) -> None:
        self.world = world
        self._on_look = on_look
        sounds = {follower.name: follower.sounds for follower in world.scenario.followers}
        self._watched: list[tuple[FollowerNode, _Watched]] = []
        self._clocks_set = ClocksSet(world.scenario.faults)
        for node in world.followers:
            watched = _Watched(world, node, sounds[node.name], on_seam)
            self._watched.append((node, watched))
            node.watch = watched.at_event

    def run(self) -> None:
        """Run the world to its end."""
        world = self.world
        at = world.kernel.now
        with collecting_seldom():
            while at < world.end:
                at = TrueInstant(min(at + LOOK_NS, world.end))
                world.kernel.run_until(at)
                self._look(at)

    def _look(self, at: TrueInstant) -> None:
        world = self.world
        could_lead = [node for node in world.leaders if node.is_awake]
        by_tenure: dict[int | None, LeaderNode] = {}
        for node in could_lead:
            if node.leader.is_leading:
                by_tenure[node.leader.tenure] = node
        for node in world.rivals:
            if node.is_started and node.is_awake and node.leader.is_leading:
                by_tenure[node.leader.tenure] = node
        self._clocks_set.note(by_tenure.values(), at)
        seen = [
            watched.seen(at, by_tenure, self._clocks_set) for follower, watched in self._watched if follower.is_awake
        ]
        self._on_look(Group(at, seen, could_lead))


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
