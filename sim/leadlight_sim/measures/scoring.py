"""Watches a world and scores it: what ``measures`` defines, taken from the nodes while they run."""

from __future__ import annotations

import math
from array import array
from collections.abc import Callable
from dataclasses import dataclass, field
from functools import partial
from typing import Final, NamedTuple, TypeAlias

import numpy as np
import numpy.typing as npt

from leadlight import CueState, Follower
from leadlight.cue import Cue
from leadlight.events import Stepped
from leadlight.terms import ClockState
from leadlight.units import MILLISECOND, SECOND, LeaderInstant, LocalInstant, ShowPosition, seconds
from leadlight_sim import scenario as described
from leadlight_sim.baselines import Accompanied
from leadlight_sim.kernel import TrueInstant
from leadlight_sim.measures.scores import (
    SCORE_EVERY_NS,
    Floats,
    FollowerScore,
    Percentiles,
    Scores,
    middle_of,
    pair_scores,
)
from leadlight_sim.timeline import Recorder, Timeline, made, wanted_instants
from leadlight_sim.world import FollowerNode, PlannedCue, World

GOLDEN: Final = (math.sqrt(5) - 1) / 2
STATES: Final = ("off", *(state.name for state in sorted(ClockState)))
SAME_RUN_NS: Final = SECOND // 2
"""A show that stands further than this from where a cue puts it is another run of it: no clock is so far out."""

LeaderTime: TypeAlias = Callable[[int, TrueInstant], LeaderInstant | None]
"""What the clock of a timebase shows at a true instant."""


class _Truths(dict[int, LeaderInstant | None]):
    """What the clocks of timebases show at one true instant, each worked out once for all followers."""

    def __init__(self, leader_time: LeaderTime, true: TrueInstant) -> None:
        super().__init__()
        self._leader_time = leader_time
        self._true = true

    def __missing__(self, timebase: int) -> LeaderInstant | None:
        truth = self[timebase] = self._leader_time(timebase, self._true)
        return truth


class _DueFrame(NamedTuple):
    """The frame whose light is due at an instant: its show and place in it, and where the frame begins and ends."""

    at: TrueInstant
    show: int
    position: ShowPosition
    begin: ShowPosition
    end: ShowPosition
    show_end: ShowPosition


class _Taken(NamedTuple):
    """A cue that a follower put in force, and the timebase that its instants refer to."""

    at: TrueInstant
    cue: Cue
    timebase: int | None


@dataclass(slots=True)
class _Watch:
    """What is kept of one follower."""

    errors: array[float] = field(default_factory=lambda: array("d"))
    naive: array[float] = field(default_factory=lambda: array("d"))
    lights: array[float] = field(default_factory=lambda: array("d"))
    naive_lights: array[float] = field(default_factory=lambda: array("d"))
    bounds: array[float] = field(default_factory=lambda: array("d"))
    states: bytearray = field(default_factory=bytearray)
    """By their places in ``STATES``; a byte each, for an evening has a million of them."""
    framed: int = 0
    wrong: int = 0
    dark: int = 0
    unheard: int = 0
    """Frames that were due before it ever heard a beacon, from when it would have settled had it heard one at once."""
    first_beacon: TrueInstant | None = None
    taken: list[_Taken] = field(default_factory=list)
    life: int = 0
    heard_at: TrueInstant | None = None
    """When it heard its first beacon in this life."""
    joined: bool = True
    joins: list[float | None] = field(default_factory=list)
    """For each life, how long it took to come right."""


class Scorer:
    """Watches a world and scores it. Call ``run`` instead of the world's own ``run_to``.

    ``timeline`` keeps what an evening that one can move through is made of as well: every frame and every packet.
    """

    def __init__(self, world: World, timeline: bool = False) -> None:
        self._world = world
        self._times: list[int] = []
        self._due: list[bool] = []
        self._watches = [_Watch() for _ in world.followers]
        self._frame_ns = min(show.frame_rate.period_ns for show in world.shows)
        self._shows = {show.key: show for show in world.shows}
        self._settle_ns = round(world.scenario.run.settle_s * SECOND)
        self._suspended: dict[str, list[tuple[TrueInstant, TrueInstant]]] = {}
        for fault in world.scenario.faults:
            if isinstance(fault, described.BoardSuspended):
                begin, end = TrueInstant(seconds(fault.at_s)), TrueInstant(seconds(fault.at_s + fault.for_s))
                self._suspended.setdefault(fault.follower, []).append((begin, end))
        self._players = [world.player_of(follower) for follower in world.scenario.followers]
        for node, watch in zip(world.followers, self._watches, strict=True):
            node.watch = partial(self._look, node, watch)
        self._recorder = Recorder(world, wanted_instants(world.scenario)) if timeline else None

    def run(self, until: TrueInstant) -> None:
        """Run the world to a true instant, scoring on the way."""
        world = self._world
        tick = len(self._times)
        while (at := tick * SCORE_EVERY_NS) <= until:
            world.run_to(TrueInstant(at))
            self._score(tick, TrueInstant(at))
            if self._recorder is not None:
                self._recorder.tick(TrueInstant(at))
            tick += 1
        world.run_to(until)

    # -- between scoring instants ------------------------------------------------------------------------------------

    def _look(self, node: FollowerNode, watch: _Watch) -> None:
        """Called whenever a follower has done something: what is in force, and has it come right?"""
        follower = node.follower
        if node.life != watch.life:
            watch.life = node.life
            watch.joined = False
            watch.heard_at = None
            watch.joins.append(None)
            watch.taken.append(_Taken(self._world.kernel.now, follower.cue, None))
        elif follower.cue is not watch.taken[-1].cue:
            watch.taken.append(_Taken(self._world.kernel.now, follower.cue, follower.timebase))
        if watch.joined or follower.timebase is None:
            return
        now = self._world.kernel.now
        if watch.heard_at is None:
            watch.heard_at = now
            if watch.first_beacon is None:
                watch.first_beacon = now
        if self._is_right(node, now):
            watch.joins[-1] = (now - watch.heard_at) / SECOND
            watch.joined = True

    def _is_right(self, node: FollowerNode, now: TrueInstant) -> bool:
        """Return whether clock and playhead are both within half a frame of the truth."""
        follower = node.follower
        if follower.timebase is None:
            return False
        local = node.local_at(now)
        belief = follower.belief_at(local)
        if belief is None:
            return False
        timebase, reading = belief
        truth = self._world.leader_time(timebase, now)
        if truth is None or abs(reading - truth) > self._frame_ns / 2:
            return False
        cue, ideal = self._world.ideal(now)
        if cue.state is not CueState.ROLLING or cue.show not in self._shows:
            return True
        shown = follower.position_at(local)
        return shown is not None and follower.cue.show == cue.show and abs(shown - ideal) <= self._frame_ns / 2

    # -- at scoring instants -----------------------------------------------------------------------------------------

    def _score(self, tick: int, now: TrueInstant) -> None:
        self._times.append(now)
        due = self._due_frame(tick, now)
        self._due.append(due is not None)
        truths = _Truths(self._world.leader_time, now)
        for node, watch, player in zip(self._world.followers, self._watches, self._players, strict=True):
            error = naive = bound = light = naive_light = math.nan
            state = 0  # off
            if node.powered:
                follower = node.follower
                clock = follower.clock
                state = 1 + clock.state
                local = node.local_at(now)
                belief = follower.belief_at(local)
                if belief is not None:
                    timebase, reading = belief
                    truth = truths[timebase]
                    if truth is not None:
                        error = (reading - truth) / MILLISECOND
                        statistical = clock.bounds(local).statistical_ns
                        if statistical is not None:
                            bound = statistical / MILLISECOND
                        naive = self._naive_error_ms(follower, local, truths)
                if due is not None:
                    late_ns = player.player_lateness_ns()
                    shown = self._shown(node, due, late_ns)
                    if shown is not None:
                        light = (shown - due.position) / MILLISECOND
                    naive_light = naive - late_ns / MILLISECOND
                    if watch.first_beacon is None:
                        watch.unheard += now - node.switched[0][0] >= self._settle_ns
                    elif now - watch.first_beacon >= self._settle_ns:
                        watch.framed += 1
                        watch.dark += shown is None
                        watch.wrong += shown is None or not due.begin <= shown < due.end
            watch.errors.append(error)
            watch.naive.append(naive)
            watch.lights.append(light)
            watch.naive_lights.append(naive_light)
            watch.bounds.append(bound)
            watch.states.append(state)

    def _naive_error_ms(self, follower: Follower, local: LocalInstant, truths: _Truths) -> float:
        """Return the error of who believes the latest beacon, NaN where there is no such shadow clock.

        It is in the timebase of that beacon at once: it holds no line from before.
        """
        estimator, timebase = follower.clock.uncorrected, follower.timebase
        if not isinstance(estimator, Accompanied) or not estimator.others or timebase is None:
            return math.nan
        believed = estimator.others[0].estimate()
        truth = truths[timebase]
        if believed is None or truth is None:
            return math.nan
        return (believed.leader_at(local) - truth) / MILLISECOND

    def _due_frame(self, tick: int, now: TrueInstant) -> _DueFrame | None:
        """Return the frame to compare at a scoring instant, ``None`` if none is due.

        Scoring instants fall into step with frames; a shift of up to one frame by the golden ratio's multiples, which
        fill an interval evenly (H. Weyl 1916), looks at every phase of a frame alike.
        """
        then = TrueInstant(now + int(self._frame_ns * ((tick * GOLDEN) % 1.0)))
        cue, ideal = self._world.ideal(then)
        show = self._shows.get(cue.show)
        if cue.state is not CueState.ROLLING or show is None:
            return None
        rate = show.frame_rate
        frame = rate.frame_at(ideal)
        if not 0 <= frame < show.frame_count:
            return None
        begin, end = rate.position_of(frame), rate.position_of(frame + 1)
        return _DueFrame(then, cue.show, ideal, begin, end, rate.position_of(show.frame_count))

    def _shown(self, node: FollowerNode, due: _DueFrame, late_ns: int) -> int | None:
        """Return the position that a piece's light shows, ``None`` where it shows nothing of the show that is due.

        A player sleeps until a frame is due and wakes ``late_ns`` after that, so all it shows is late by as much. The
        output's latency and the trim are not in here: by the one it starts early, by the other it is meant to be off.
        """
        follower = node.follower
        if follower.cue.show != due.show:
            return None
        # A suspended board's output repeats what it was last given.
        at = next((begin for begin, end in self._suspended.get(node.name, ()) if begin <= due.at < end), due.at)
        position = follower.position_at(node.local_at(at))
        return position - late_ns if position is not None and 0 <= position < due.show_end else None

    # -- summing up --------------------------------------------------------------------------------------------------

    def scores(self) -> Scores:
        """Return the figures of all that was run."""
        world = self._world
        times = np.array(self._times, dtype=np.float64) / SECOND
        counted = np.zeros((len(world.followers), len(times)), dtype=np.bool_)
        for index, watch in enumerate(self._watches):
            if watch.first_beacon is not None:
                counted[index] = times >= (watch.first_beacon + self._settle_ns) / SECOND
        settled_errors = [
            np.where(settled, np.array(watch.errors), np.nan)
            for settled, watch in zip(counted, self._watches, strict=True)
        ]
        settled_lights = [
            np.where(settled, np.array(watch.lights), np.nan)
            for settled, watch in zip(counted, self._watches, strict=True)
        ]
        names = [node.name for node in world.followers]
        pair_ms, worst, worst_ms = pair_scores(settled_errors, names)
        light_pair_ms, worst_light, worst_light_ms = pair_scores(settled_lights, names)

        def tight(values: list[Floats]) -> tuple[tuple[str, str, Percentiles], ...]:
            return tuple(
                (first, second, Percentiles.of(values[names.index(first)] - values[names.index(second)]))
                for first, second in (pair.pieces for pair in world.scenario.tight_pairs)
            )

        return Scores(
            times_s=times,
            settled=np.asarray(counted.any(axis=0), dtype=np.bool_),
            due=np.array(self._due, dtype=np.bool_),
            followers=tuple(
                self._follower_score(index, settled_errors[index], settled_lights[index], counted[index])
                for index in range(len(names))
            ),
            pair_ms=pair_ms,
            worst_pair=worst,
            worst_pair_ms=worst_ms,
            tight_pairs=tight(settled_errors),
            light_pair_ms=light_pair_ms,
            worst_light_pair=worst_light,
            worst_light_pair_ms=worst_light_ms,
            tight_light_pairs=tight(settled_lights),
            airtime_share=world.air.airtime_ns / max(world.kernel.now, 1),
            beacons=self._beacons(),
        )

    def _follower_score(
        self, index: int, settled: Floats, lights: Floats, counted: npt.NDArray[np.bool_]
    ) -> FollowerScore:
        node, watch = self._world.followers[index], self._watches[index]
        naive, naive_lights = np.array(watch.naive), np.array(watch.naive_lights)
        settled_from = (watch.first_beacon or 0) + self._settle_ns
        steps = sum(
            1
            for at, event in node.events
            if isinstance(event, Stepped) and at >= settled_from and abs(event.shift_ns) >= self._frame_ns
        )
        lateness_ms, missed = self._cue_lateness(node, watch)
        return FollowerScore(
            name=node.name,
            pixels=self._world.scenario.followers[index].pixels,
            error_ms=Percentiles.of(settled),
            naive_error_ms=Percentiles.of(naive[counted]),
            light_ms=Percentiles.of(lights),
            naive_light_ms=Percentiles.of(naive_lights[counted]),
            wrong_frame_share=watch.wrong / watch.framed if watch.framed else float(watch.unheard > 0),
            dark_share=watch.dark / watch.framed if watch.framed else 1.0 if watch.unheard else math.nan,
            join_s=(join_s := watch.joins[0] if watch.joins else None),
            joined_at_s=None if join_s is None or watch.first_beacon is None else watch.first_beacon / SECOND + join_s,
            rejoin_s=tuple(watch.joins[1:]),
            visible_steps=steps,
            cue_lateness_ms=lateness_ms,
            missed_cues=missed,
            beacon_loss=math.nan if watch.first_beacon is None else node.follower.snapshot(node.now).beacon_loss,
            bias_ms=middle_of(settled),
            light_bias_ms=(bias := middle_of(lights)),
            trimmed_p95_ms=Percentiles.of(lights - bias).p95,
            errors=np.array(watch.errors),
            naive_errors=naive,
            lights=np.array(watch.lights),
            naive_lights=naive_lights,
            bounds=np.array(watch.bounds),
            states=tuple(map(STATES.__getitem__, watch.states)),
        )

    def _cue_lateness(self, node: FollowerNode, watch: _Watch) -> tuple[float, int]:
        """Return how late in ms the latest cue of the plan took effect, by true time, and how many never did."""
        world = self._world
        now = world.kernel.now
        joining_ns = round(world.scenario.targets.join_s * SECOND)
        latest_ns = missed = 0
        for planned, following in zip(world.plan, [*(cue.at for cue in world.plan[1:]), now], strict=True):
            span = _powered_span(node, planned.at)
            if planned.at >= now or span is None or planned.at - span[0] < joining_ns:
                continue
            until = min(now, following, now if span[1] is None else span[1])
            taken_at = self._taken_at(watch, planned, until)
            missed += taken_at is None
            latest_ns = max(latest_ns, (until if taken_at is None else taken_at) - planned.at)
        return latest_ns / MILLISECOND, missed

    def _taken_at(self, watch: _Watch, planned: PlannedCue, until: TrueInstant) -> TrueInstant | None:
        """Return when a planned cue was first in force here, from its instant on; ``None`` if not before ``until``."""
        ends = [*(taken.at for taken in watch.taken[1:]), until]
        for taken, end in zip(watch.taken, ends, strict=True):
            at = max(taken.at, planned.at)
            if at < until and at < end and self._is_of(planned, taken, at):
                return at
        return None

    def _is_of(self, planned: PlannedCue, taken: _Taken, at: TrueInstant) -> bool:
        cue = taken.cue
        if cue.state is not planned.state or cue.show != planned.show:
            return False
        if cue.state not in (CueState.ROLLING, CueState.PAUSED):
            return True
        leader_now = None if taken.timebase is None else self._world.leader_time(taken.timebase, at)
        if leader_now is None:
            return False
        wanted = planned.position + (at - planned.at if cue.state is CueState.ROLLING else 0)
        return abs(cue.position_at(leader_now) - wanted) <= SAME_RUN_NS

    def timeline(self, scores: Scores) -> Timeline | None:
        """Return the evening as one can move through it, ``None`` if nothing was kept for one; when the run is over."""
        if self._recorder is None:
            return None
        errors = [score.errors for score in scores.followers]
        return made(self._recorder, self._world.scenario, scores.times_s, errors)

    def _beacons(self) -> tuple[tuple[float, tuple[float, ...]], ...]:
        if self._recorder is None:
            return ()
        sent_at, delays_ns = self._recorder.packets.beacons(0, len(self._watches))
        rows = zip((sent_at / SECOND).tolist(), (delays_ns / MILLISECOND).tolist(), strict=True)
        return tuple((sent, tuple(delays)) for sent, delays in rows)


def _powered_span(node: FollowerNode, true: TrueInstant) -> tuple[TrueInstant, TrueInstant | None] | None:
    """Return from when to when a node had power without a break about an instant; ``None`` if it had none then.

    The end is ``None`` where it still has.
    """
    since: TrueInstant | None = None
    for at, switched_on in node.switched:
        if at > true:
            return None if since is None else (since, at)
        since = at if switched_on else None
    return None if since is None else (since, None)
