"""What the crowd sees, as numbers.

Scored every quarter of a second from the time a follower has settled, locked or not, losses and blackouts included;
only while its power is off it is left out. *Error* is the follower's idea of leader time minus the leader's clock. A
*pair* is the difference of two followers' errors. A frame is *wrong* if it is not the one whose light is due at that
true instant.
"""

from __future__ import annotations

import math
from array import array
from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import partial
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from leadlight import CueState
from leadlight.events import CueAdopted, Stepped
from leadlight.units import MILLISECOND, SECOND
from leadlight_sim.assembly import World
from leadlight_sim.baselines import Accompanied
from leadlight_sim.kernel import TrueInstant
from leadlight_sim.nodes import FollowerNode

SCORE_EVERY_NS: Final = 250 * MILLISECOND
GOLDEN: Final = (math.sqrt(5) - 1) / 2
PAIR_SAMPLES_MAXIMUM: Final = 20_000_000
"""Above this, pairs are scored at every n-th instant: quantiles of twenty million values do not need more."""

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Percentiles:
    """Quantiles of absolute errors, in ms; NaN where nothing was scored."""

    p50: float
    p95: float
    p99: float
    p999: float
    max: float

    @classmethod
    def of(cls, values_ms: Floats) -> Percentiles:
        """Return the quantiles of the absolute values of an array, NaN left out."""
        sizes = np.abs(values_ms[~np.isnan(values_ms)])
        if sizes.size == 0:
            return cls(*[math.nan] * 5)
        quantiles = np.quantile(sizes, [0.5, 0.95, 0.99, 0.999, 1.0])
        return cls(*(float(value) for value in quantiles))


@dataclass(frozen=True, slots=True, eq=False)
class FollowerScore:
    """One follower's figures. Arrays are one value a scoring instant; errors in ms, signed, NaN while unpowered."""

    name: str
    pixels: int
    error_ms: Percentiles
    naive_error_ms: Percentiles
    wrong_frame_share: float
    join_s: float | None
    """From its first beacon until it is right to within half a frame; ``None`` if it never was."""
    rejoin_s: tuple[float | None, ...]
    """The same after each return of its power."""
    visible_steps: int
    cue_lateness_ms: float
    """The latest that a cue took effect here after its instant."""
    beacon_loss: float
    bias_ms: float
    """Mean signed error: what no averaging removes."""
    errors: Floats
    naive_errors: Floats
    bounds: Floats
    states: tuple[str, ...]


@dataclass(frozen=True, slots=True, eq=False)
class Scores:
    """A whole run's figures. ``times_s`` are the scoring instants; ``settled`` says which of them count."""

    times_s: Floats
    settled: npt.NDArray[np.bool_]
    followers: tuple[FollowerScore, ...]
    pair_ms: Percentiles
    worst_pair: tuple[str, str] | None
    worst_pair_ms: Percentiles
    tight_pairs: tuple[tuple[str, str, Percentiles], ...]
    airtime_share: float
    beacons: tuple[tuple[float, tuple[float, ...]], ...] = ()
    """For a beacon timeline: when each beacon was sent, and how long after that each follower had it (NaN: lost)."""


@dataclass(slots=True)
class _Joining:
    """A follower that has come up and is not yet right."""

    heard_at: TrueInstant | None = None
    results: list[float | None] = field(default_factory=list)
    waiting: bool = False


class Scorer:
    """Watches a world and scores it. Call ``run`` instead of the world's own ``run_to``.

    ``timeline`` keeps every beacon's fate as well, for drawing.
    """

    def __init__(self, world: World, timeline: bool = False) -> None:
        self._world = world
        self._times: list[int] = []
        count = len(world.followers)
        self._errors = [array("d") for _ in range(count)]
        self._naive = [array("d") for _ in range(count)]
        self._bounds = [array("d") for _ in range(count)]
        self._states: list[list[str]] = [[] for _ in range(count)]
        self._wrong = [0] * count
        self._framed = [0] * count
        self._first_beacon: list[TrueInstant | None] = [None] * count
        self._joins = [_Joining() for _ in range(count)]
        self._half_frame_ns = min(show.frame_rate.period_ns for show in world.shows) / 2
        self._shows = {show.key: show for show in world.shows}
        self._settle_ns = round(world.scenario.run.settle_s * SECOND)
        self._lives = [0] * count
        if timeline:
            world.leader.beacons_sent = []
        for index, node in enumerate(world.followers):
            node.watch = partial(self._watch_joining, index)
            if timeline:
                node.beacons_heard = {}

    def run(self, until: TrueInstant) -> None:
        """Run the world to a true instant, scoring on the way."""
        world = self._world
        tick = len(self._times)
        while (at := tick * SCORE_EVERY_NS) <= until:
            world.run_to(TrueInstant(at))
            self._score(tick, TrueInstant(at))
            tick += 1
        world.run_to(until)

    # -- joining ---------------------------------------------------------------------------------------------------

    def _watch_joining(self, index: int) -> None:
        """Called whenever a follower has done something: is it right yet?"""
        node = self._world.followers[index]
        joining = self._joins[index]
        if node.life != self._lives[index]:
            self._lives[index] = node.life
            joining.waiting = True
            joining.heard_at = None
            joining.results.append(None)
        if not joining.waiting or node.follower.timebase is None:
            return
        now = self._world.kernel.now
        if joining.heard_at is None:
            joining.heard_at = now
            if self._first_beacon[index] is None:
                self._first_beacon[index] = now
        if self._is_right(node, now):
            joining.results[-1] = (now - joining.heard_at) / SECOND
            joining.waiting = False

    def _is_right(self, node: FollowerNode, now: TrueInstant) -> bool:
        """Return whether clock and playhead are both within half a frame of the truth."""
        error = self._error_ns(node, now)
        if error is None or abs(error) > self._half_frame_ns:
            return False
        cue, ideal = self._world.leader.ideal(now)
        if cue.state is not CueState.ROLLING or cue.show not in self._shows:
            return True
        shown = node.follower.position_at(node.local_at(now))
        return shown is not None and node.follower.cue.show == cue.show and abs(shown - ideal) <= self._half_frame_ns

    def _error_ns(self, node: FollowerNode, now: TrueInstant) -> int | None:
        follower = node.follower
        if follower.timebase is None:
            return None
        truth = self._world.leader.leader_time(follower.timebase, now)
        belief = follower.clock.leader_at(node.local_at(now))
        return None if truth is None or belief is None else belief - truth

    # -- scoring ---------------------------------------------------------------------------------------------------

    def _score(self, tick: int, now: TrueInstant) -> None:
        self._times.append(now)
        for index, node in enumerate(self._world.followers):
            error = naive = bound = math.nan
            state = "off"
            if node.powered:
                follower = node.follower
                state = follower.clock.state.name
                local = node.local_at(now)
                measured = self._error_ns(node, now)
                if measured is not None:
                    error = measured / MILLISECOND
                    assert follower.timebase is not None
                    truth = self._world.leader.leader_time(follower.timebase, now)
                    estimator = follower.clock.uncorrected
                    if isinstance(estimator, Accompanied) and estimator.others and truth is not None:
                        believed = estimator.others[0].estimate()
                        if believed is not None:
                            naive = (believed.leader_at(local) - truth) / MILLISECOND
                    statistical = follower.clock.bounds(local).statistical_ns
                    if statistical is not None:
                        bound = statistical / MILLISECOND
                if self._is_settled(index, now):
                    self._compare_frames(tick, index, node, now)
            self._errors[index].append(error)
            self._naive[index].append(naive)
            self._bounds[index].append(bound)
            self._states[index].append(state)

    def _is_settled(self, index: int, now: TrueInstant) -> bool:
        first = self._first_beacon[index]
        return first is not None and now - first >= self._settle_ns

    def _compare_frames(self, tick: int, index: int, node: FollowerNode, now: TrueInstant) -> None:
        """Compare the frame whose light shows with the ideal one.

        Scoring instants fall into step with frames; a shift of up to one frame by the golden ratio's multiples, which
        fill an interval evenly (H. Weyl 1916), looks at every phase of a frame alike.
        """
        shift = int(self._half_frame_ns * 2 * ((tick * GOLDEN) % 1.0))
        then = TrueInstant(now + shift)
        cue, ideal = self._world.leader.ideal(then)
        show = self._shows.get(cue.show)
        if cue.state is not CueState.ROLLING or show is None:
            return
        wanted = show.frame_rate.frame_at(ideal)
        if not 0 <= wanted < show.frame_count:
            return
        self._framed[index] += 1
        follower = node.follower
        position = follower.position_at(node.local_at(then))
        if position is None or follower.cue.show != cue.show or show.frame_rate.frame_at(position) != wanted:
            self._wrong[index] += 1

    # -- summing up ------------------------------------------------------------------------------------------------

    def scores(self) -> Scores:
        """Return the figures of all that was run."""
        world = self._world
        times = np.array(self._times, dtype=np.float64) / SECOND
        errors = np.array([np.frombuffer(values) for values in self._errors])
        naive = np.array([np.frombuffer(values) for values in self._naive])
        bounds = np.array([np.frombuffer(values) for values in self._bounds])
        settle_s = self._settle_ns / SECOND
        counted = np.zeros(errors.shape, dtype=np.bool_)
        for index, first in enumerate(self._first_beacon):
            if first is not None:
                counted[index] = times >= first / SECOND + settle_s
        settled_errors = np.where(counted, errors, np.nan)
        settled_naive = np.where(counted, naive, np.nan)
        followers = tuple(
            self._follower_score(index, errors, naive, bounds, settled_errors, settled_naive)
            for index in range(len(world.followers))
        )
        pair_ms, worst, worst_ms = self._pairs(settled_errors)
        names = [node.name for node in world.followers]
        tight = tuple(
            (first, second, Percentiles.of(settled_errors[names.index(first)] - settled_errors[names.index(second)]))
            for first, second in (pair.pieces for pair in world.scenario.tight_pairs)
        )
        return Scores(
            times_s=times,
            settled=np.asarray(counted.any(axis=0), dtype=np.bool_),
            followers=followers,
            pair_ms=pair_ms,
            worst_pair=worst,
            worst_pair_ms=worst_ms,
            tight_pairs=tight,
            airtime_share=world.air.airtime_ns / max(world.kernel.now, 1),
            beacons=self._timeline(),
        )

    def _follower_score(
        self,
        index: int,
        errors: Floats,
        naive: Floats,
        bounds: Floats,
        settled_errors: Floats,
        settled_naive: Floats,
    ) -> FollowerScore:
        node = self._world.followers[index]
        joins = self._joins[index].results
        scored = settled_errors[index]
        settled_from = (self._first_beacon[index] or 0) + self._settle_ns
        steps = sum(
            1
            for at, event in node.events
            if isinstance(event, Stepped) and at >= settled_from and abs(event.shift_ns) >= 2 * self._half_frame_ns
        )
        return FollowerScore(
            name=node.name,
            pixels=self._world.scenario.followers[index].pixels,
            error_ms=Percentiles.of(scored),
            naive_error_ms=Percentiles.of(settled_naive[index]),
            wrong_frame_share=self._wrong[index] / self._framed[index] if self._framed[index] else 0.0,
            join_s=joins[0] if joins else None,
            rejoin_s=tuple(joins[1:]),
            visible_steps=steps,
            cue_lateness_ms=self._cue_lateness_ms(node),
            beacon_loss=node.follower.snapshot(node.now).beacon_loss,
            bias_ms=float(np.nanmean(scored)) if np.isfinite(scored).any() else math.nan,
            errors=errors[index],
            naive_errors=naive[index],
            bounds=bounds[index],
            states=tuple(self._states[index]),
        )

    def _cue_lateness_ms(self, node: FollowerNode) -> float:
        """Return how late the latest scheduled cue took effect, by true time; cues met on joining are not late."""
        latest = 0.0
        for planned in self._world.plan:
            for at, event in node.events:
                if (
                    isinstance(event, CueAdopted)
                    and event.cue.show == planned.show
                    and event.cue.state is planned.state
                    and at >= planned.at - SECOND
                ):
                    if node.was_on_at(planned.at):
                        latest = max(latest, (at - planned.at) / MILLISECOND)
                    break
        return latest

    def _pairs(self, errors: Floats) -> tuple[Percentiles, tuple[str, str] | None, Percentiles]:
        count, ticks = errors.shape
        pairs = [(first, second) for first in range(count) for second in range(first + 1, count)]
        if not pairs:
            nothing = Percentiles.of(np.empty(0))
            return nothing, None, nothing
        stride = max(1, len(pairs) * ticks // PAIR_SAMPLES_MAXIMUM)
        thinned = errors[:, ::stride]
        differences = np.concatenate([thinned[first] - thinned[second] for first, second in pairs])
        by_p95 = [
            (float(np.nanquantile(np.abs(gap), 0.95)), pair)
            for pair in pairs
            if np.isfinite(gap := thinned[pair[0]] - thinned[pair[1]]).any()
        ]
        if not by_p95:
            return Percentiles.of(differences), None, Percentiles.of(np.empty(0))
        _, (first, second) = max(by_p95)
        names = [node.name for node in self._world.followers]
        return (
            Percentiles.of(differences),
            (names[first], names[second]),
            Percentiles.of(errors[first] - errors[second]),
        )

    def _timeline(self) -> tuple[tuple[float, tuple[float, ...]], ...]:
        rows = []
        for data, sent in self._world.leader.beacons_sent or ():
            delays = []
            for node in self._world.followers:
                arrived = (node.beacons_heard or {}).get(id(data))
                delays.append(math.nan if arrived is None else (arrived - sent) / MILLISECOND)
            rows.append((sent / SECOND, tuple(delays)))
        return tuple(rows)


def worst_first(followers: Sequence[FollowerScore]) -> list[FollowerScore]:
    """Return followers by falling p95 error, those that were never scored first."""

    def key(score: FollowerScore) -> Any:
        p95 = score.error_ms.p95
        return (not math.isnan(p95), -p95 if not math.isnan(p95) else 0.0)

    return sorted(followers, key=key)
