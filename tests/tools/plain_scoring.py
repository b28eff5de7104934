"""The scorer's oracle: every follower is asked at every scoring instant, one after the other, and nothing is put off.

It takes a world, runs it, and keeps what ``measures`` makes from arrays: samples, frames counted, times to join. Slow
on purpose, and straight from the definitions in ``measures/scores``.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from functools import partial

from leadlight import CueState, Follower
from leadlight.units import MILLISECOND, SECOND, LocalInstant, seconds
from leadlight_sim import scenario as described
from leadlight_sim.baselines import Accompanied
from leadlight_sim.hosts import Host
from leadlight_sim.kernel.kernel import TrueInstant
from leadlight_sim.measures.scores import SCORE_EVERY_NS
from leadlight_sim.world.assembly import World
from leadlight_sim.world.nodes import FollowerNode

GOLDEN = (math.sqrt(5) - 1) / 2


@dataclass
class Plain:
    """What is found of one follower."""

    errors: list[float] = field(default_factory=list)
    naive: list[float] = field(default_factory=list)
    lights: list[float] = field(default_factory=list)
    naive_lights: list[float] = field(default_factory=list)
    powered: list[bool] = field(default_factory=list)
    framed: int = 0
    wrong: int = 0
    dark: int = 0
    unheard: int = 0
    first_beacon: TrueInstant | None = None
    life: int = 0
    heard_at: TrueInstant | None = None
    joined: bool = True
    joins: list[float | None] = field(default_factory=list)

    @property
    def wrong_frame_share(self) -> float:
        return self.wrong / self.framed if self.framed else float(self.unheard > 0)

    @property
    def dark_share(self) -> float:
        return self.dark / self.framed if self.framed else 1.0 if self.unheard else math.nan


@dataclass(frozen=True)
class Due:
    at: TrueInstant
    show: int
    position: int
    begin: int
    end: int
    show_end: int


class PlainScorer:
    """Runs a world to its end, and finds what there is to find."""

    def __init__(self, world: World) -> None:
        self.world = world
        world.keep_shadow_clocks()
        self.due: list[bool] = []
        self.found = [Plain() for _ in world.followers]
        self.shows = {show.key: show for show in world.shows}
        self.frame_ns = min(show.frame_rate.period_ns for show in world.shows)
        self.settle_ns = round(world.scenario.run.settle_s * SECOND)
        self.players = [world.player_of(follower) for follower in world.scenario.followers]
        for node, plain in zip(world.followers, self.found, strict=True):
            node.watch = partial(self.look, node, plain)

    def run(self) -> None:
        tick = 0
        while (at := TrueInstant(tick * SCORE_EVERY_NS)) <= self.world.end:
            self.world.run_to(at)
            due = self.due_frame(tick, at)
            self.due.append(due is not None)
            for node, plain, player in zip(self.world.followers, self.found, self.players, strict=True):
                self.score(node, plain, player, due, at)
            tick += 1
        self.world.run_to(self.world.end)

    def look(self, node: FollowerNode, plain: Plain) -> None:
        now = self.world.kernel.now
        if node.life != plain.life:
            plain.life, plain.joined, plain.heard_at = node.life, False, None
            plain.joins.append(None)
        if plain.joined or node.follower.timebase is None:
            return
        if plain.heard_at is None:
            plain.heard_at = now
            if plain.first_beacon is None:
                plain.first_beacon = now
        if self.is_right(node, now):
            plain.joins[-1] = (now - plain.heard_at) / SECOND
            plain.joined = True

    def is_right(self, node: FollowerNode, now: TrueInstant) -> bool:
        follower, local = node.follower, node.local_at(now)
        belief = follower.belief_at(local)
        if belief is None:
            return False
        truth = self.world.leader_time(belief[0], now)
        if truth is None or abs(belief[1] - truth) > self.frame_ns / 2:
            return False
        cue, ideal = self.world.ideal(now)
        if cue.state is not CueState.ROLLING or cue.show not in self.shows:
            return True
        shown = follower.position_at(local)
        return shown is not None and follower.cue.show == cue.show and abs(shown - ideal) <= self.frame_ns / 2

    def due_frame(self, tick: int, now: TrueInstant) -> Due | None:
        then = TrueInstant(now + int(self.frame_ns * ((tick * GOLDEN) % 1.0)))
        cue, ideal = self.world.ideal(then)
        show = self.shows.get(cue.show)
        if cue.state is not CueState.ROLLING or show is None:
            return None
        rate = show.frame_rate
        frame = rate.frame_at(ideal)
        if not 0 <= frame < show.frame_count:
            return None
        begin, end = rate.position_of(frame), rate.position_of(frame + 1)
        return Due(then, cue.show, ideal, begin, end, rate.position_of(show.frame_count))

    def score(self, node: FollowerNode, plain: Plain, player: Host, due: Due | None, now: TrueInstant) -> None:
        error = naive = light = naive_light = math.nan
        if node.powered:
            follower, local = node.follower, node.local_at(now)
            belief = follower.belief_at(local)
            truth = None if belief is None else self.world.leader_time(belief[0], now)
            if belief is not None and truth is not None:
                error = (belief[1] - truth) / MILLISECOND
                naive = self.naive_error_ms(follower, local, now)
            if due is not None:
                late_ns = player.player_lateness_ns()
                shown = self.shown(node, due, late_ns)
                if shown is not None:
                    light = (shown - due.position) / MILLISECOND
                naive_light = naive - late_ns / MILLISECOND
                if plain.first_beacon is None:
                    plain.unheard += now - node.switched[0][0] >= self.settle_ns
                elif now - plain.first_beacon >= self.settle_ns:
                    plain.framed += 1
                    plain.dark += shown is None
                    plain.wrong += shown is None or not due.begin <= shown < due.end
        plain.errors.append(error)
        plain.naive.append(naive)
        plain.lights.append(light)
        plain.naive_lights.append(naive_light)
        plain.powered.append(node.powered)

    def naive_error_ms(self, follower: Follower, local: LocalInstant, now: TrueInstant) -> float:
        estimator, timebase = follower.clock.uncorrected, follower.timebase
        if not isinstance(estimator, Accompanied) or not estimator.others or timebase is None:
            return math.nan
        believed, truth = estimator.others[0].estimate(), self.world.leader_time(timebase, now)
        if believed is None or truth is None:
            return math.nan
        return (believed.leader_at(local) - truth) / MILLISECOND

    def shown(self, node: FollowerNode, due: Due, late_ns: int) -> int | None:
        follower, at = node.follower, due.at
        if follower.cue.show != due.show:
            return None
        for fault in self.world.scenario.faults:
            if isinstance(fault, described.BoardSuspended) and fault.follower == node.name:
                begin, end = TrueInstant(seconds(fault.at_s)), TrueInstant(seconds(fault.at_s + fault.for_s))
                if begin <= due.at < end:
                    at = begin
                    break
        position = follower.position_at(node.local_at(at))
        return position - late_ns if position is not None and 0 <= position < due.show_end else None
