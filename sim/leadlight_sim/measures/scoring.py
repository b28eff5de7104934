"""Scores a world: what ``scores`` defines, from what its followers went by while it ran.

A run is scored beside it and not in it. What changes is kept as it comes (``watching``), and now and then all of it is
made into samples at once, in arrays (``sampling``). A sample is 33 bytes: 61 MB for four hours of 32 boards. The
changes kept until then are bounded by ``PENDING_SAMPLES``.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Final, NamedTuple

import numpy as np

from leadlight import CueState
from leadlight.events import Stepped
from leadlight.units import MILLISECOND, SECOND, LeaderInstant, ShowPosition, seconds
from leadlight_sim import scenario as described
from leadlight_sim.kernel import TrueInstant, collecting_seldom
from leadlight_sim.measures.scores import (
    SCORE_EVERY_NS,
    Floats,
    FollowerScore,
    Percentiles,
    Scores,
    middle_of,
    pair_scores,
)
from leadlight_sim.sampling import NO_SHOW_DUE, Flags, History, Instants, Sampler, Samples, Taken, Watch, Wholes
from leadlight_sim.timeline import Recorder, Timeline, made, wanted_instants
from leadlight_sim.world import FollowerNode, PlannedCue, World

GOLDEN: Final = (math.sqrt(5) - 1) / 2
SAME_RUN_NS: Final = SECOND // 2
"""A show that stands further than this from where a cue puts it is another run of it: no clock is so far out."""
PENDING_SAMPLES: Final = 1 << 15
"""So many samples are worked out at once, or ``INSTANTS_AT_ONCE`` instants if that is more."""
INSTANTS_AT_ONCE: Final = 64


class _DueFrame(NamedTuple):
    """The frame whose light is due at an instant: its show and place in it, and where the frame begins and ends."""

    show: int
    """Its place among the evening's shows."""
    at: TrueInstant
    position: ShowPosition
    begin: ShowPosition
    end: ShowPosition
    show_end: ShowPosition


_NOTHING_DUE: Final = _DueFrame(NO_SHOW_DUE, TrueInstant(0), *(ShowPosition(0),) * 4)


@dataclass(slots=True)
class _Piece:
    """What is kept of one follower."""

    watch: Watch
    sampler: Sampler
    samples: list[Samples] = field(default_factory=list)
    framed: int = 0
    wrong: int = 0
    dark: int = 0
    unheard: int = 0
    """Frames that were due before it ever heard a beacon, from when it would have settled had it heard one at once."""


class Scorer:
    """Watches a world and scores it. Call ``run`` instead of the world's own ``run_to``.

    ``timeline`` keeps what an evening that one can move through is made of as well: every frame and every packet.
    """

    def __init__(self, world: World, timeline: bool = False) -> None:
        self._world = world
        world.keep_shadow_clocks()
        self._times: list[int] = []
        self._due: list[Flags] = []
        self._frame_ns = min(show.frame_rate.period_ns for show in world.shows)
        self._shows = {show.key: show for show in world.shows}
        self._places = {key: place for place, key in enumerate(self._shows)}
        self._settle_ns = round(world.scenario.run.settle_s * SECOND)
        # Of the instants that are not worked out yet: what was due, and what the clocks showed that somebody believed.
        self._pending: list[_DueFrame] = []
        self._believed: dict[int, None] = {}
        self._truths: list[dict[int, LeaderInstant | None]] = []
        self._at_once = max(INSTANTS_AT_ONCE, PENDING_SAMPLES // max(len(world.followers), 1))
        suspended: dict[str, list[tuple[TrueInstant, TrueInstant]]] = {}
        for fault in world.scenario.faults:
            if isinstance(fault, described.BoardSuspended):
                begin, end = TrueInstant(seconds(fault.at_s)), TrueInstant(seconds(fault.at_s + fault.for_s))
                suspended.setdefault(fault.follower, []).append((begin, end))
        self._pieces = []
        for node, follower in zip(world.followers, world.scenario.followers, strict=True):
            watch = Watch(world, node, self._frame_ns / 2, self._believe)
            sampler = Sampler(node, world.player_of(follower), suspended.get(node.name, ()))
            self._pieces.append(_Piece(watch, sampler))
            node.watch = watch.look
        self._recorder = None
        if timeline:
            watches = [piece.watch for piece in self._pieces]
            self._recorder = Recorder(world, watches, self._places, suspended, wanted_instants(world.scenario))

    def run(self, until: TrueInstant) -> None:
        """Run the world to a true instant, scoring on the way."""
        with collecting_seldom():
            self._run(until)

    def _run(self, until: TrueInstant) -> None:
        world, times = self._world, self._times
        while (at := len(times) * SCORE_EVERY_NS) <= until:
            world.run_to(TrueInstant(at))
            self._pending.append(self._due_frame(len(times), TrueInstant(at)))
            truths = {timebase: world.leader_time(timebase, TrueInstant(at)) for timebase in self._believed}
            self._truths.append(truths)
            if self._recorder is not None:
                self._recorder.note_truth(truths)
            times.append(at)
            if len(self._pending) >= self._at_once:
                self._work_out()
        world.run_to(until)

    def _believe(self, timebase: int) -> None:
        self._believed[timebase] = None

    def _due_frame(self, tick: int, now: TrueInstant) -> _DueFrame:
        """Return the frame to compare at a scoring instant.

        Scoring instants fall into step with frames. A shift of up to one frame by the golden ratio's multiples, which
        fill an interval evenly (H. Weyl 1916), looks at every phase of a frame alike.
        """
        then = TrueInstant(now + int(self._frame_ns * ((tick * GOLDEN) % 1.0)))
        cue, ideal = self._world.ideal(then)
        show = self._shows.get(cue.show)
        if cue.state is not CueState.ROLLING or show is None:
            return _NOTHING_DUE
        rate = show.frame_rate
        frame = rate.frame_at(ideal)
        if not 0 <= frame < show.frame_count:
            return _NOTHING_DUE
        begin, end = rate.position_of(frame), rate.position_of(frame + 1)
        return _DueFrame(self._places[cue.show], then, ideal, begin, end, rate.position_of(show.frame_count))

    # -- at the end of every so many instants ------------------------------------------------------------------------

    def _work_out(self) -> None:
        """Make samples of what has come since the last time."""
        if not self._pending:
            return
        at: Wholes = np.array(self._times[-len(self._pending) :], np.int64)
        show, light_at, position, begin, end, show_end = np.array(self._pending, np.int64).T
        instants = Instants(at, show, light_at, position, begin, end, show_end, self._known_truths())
        is_due = show != NO_SHOW_DUE
        self._due.append(is_due)
        self._pending.clear()
        self._truths.clear()
        self._believed.clear()
        histories = []
        for piece in self._pieces:
            changes = piece.watch.use_up()
            if changes:
                for timebase in (changes[-1][2], changes[-1][6]):
                    if timebase is not None:
                        self._believe(timebase)
            histories.append(History(changes, self._places))
        if self._recorder is not None:
            self._recorder.work_out(int(at[-1]), histories)
        for piece, history in zip(self._pieces, histories, strict=True):
            samples, is_right = piece.sampler.sample(history, instants)
            piece.samples.append(samples)
            self._count_frames(piece, samples, is_right, at, is_due)

    def _known_truths(self) -> dict[int, tuple[Wholes, Flags]]:
        truths: dict[int, tuple[Wholes, Flags]] = {}
        for timebase in self._believed:
            shown = [each.get(timebase) for each in self._truths]
            known = np.array([instant is not None for instant in shown], np.bool_)
            truths[timebase] = np.array([instant or 0 for instant in shown], np.int64), known
        return truths

    def _count_frames(self, piece: _Piece, samples: Samples, is_right: Flags, at: Wholes, is_due: Flags) -> None:
        switched, first_beacon = piece.watch.node.switched, piece.watch.first_beacon
        is_up = is_due & samples.powered
        if not switched or not is_up.any():
            return
        has_heard = np.zeros(len(at), np.bool_) if first_beacon is None else at >= first_beacon
        piece.unheard += int(np.count_nonzero(is_up & ~has_heard & (at - switched[0][0] >= self._settle_ns)))
        if first_beacon is not None:
            is_framed = is_up & has_heard & (at - first_beacon >= self._settle_ns)
            piece.framed += int(np.count_nonzero(is_framed))
            piece.dark += int(np.count_nonzero(is_framed & np.isnan(samples.lights)))
            piece.wrong += int(np.count_nonzero(is_framed & ~is_right))

    # -- summing up --------------------------------------------------------------------------------------------------

    def scores(self) -> Scores:
        """Return the figures of all that was run."""
        self._work_out()
        world = self._world
        times = np.array(self._times, dtype=np.float64) / SECOND
        for piece in self._pieces:
            piece.samples = [Samples.joined(piece.samples)]
        counted = np.zeros((len(self._pieces), len(times)), dtype=np.bool_)
        for settled, piece in zip(counted, self._pieces, strict=True):
            if piece.watch.first_beacon is not None:
                settled[:] = times >= (piece.watch.first_beacon + self._settle_ns) / SECOND
        both = list(zip(counted, self._pieces, strict=True))
        settled_errors = [np.where(settled, piece.samples[0].errors, np.nan) for settled, piece in both]
        settled_lights = [np.where(settled, piece.samples[0].lights, np.nan) for settled, piece in both]
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
            due=np.concatenate(self._due) if self._due else np.zeros(0, np.bool_),
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

    def _follower_score(self, index: int, settled: Floats, lights: Floats, counted: Flags) -> FollowerScore:
        node, piece = self._world.followers[index], self._pieces[index]
        watch, (samples,) = piece.watch, piece.samples
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
            naive_error_ms=Percentiles.of(samples.naive[counted]),
            light_ms=Percentiles.of(lights),
            naive_light_ms=Percentiles.of(samples.naive_lights[counted]),
            wrong_frame_share=piece.wrong / piece.framed if piece.framed else float(piece.unheard > 0),
            dark_share=piece.dark / piece.framed if piece.framed else 1.0 if piece.unheard else math.nan,
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
            errors=samples.errors,
            naive_errors=samples.naive,
            lights=samples.lights,
            naive_lights=samples.naive_lights,
            powered=samples.powered,
        )

    def _cue_lateness(self, node: FollowerNode, watch: Watch) -> tuple[float, int]:
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

    def _taken_at(self, watch: Watch, planned: PlannedCue, until: TrueInstant) -> TrueInstant | None:
        """Return when a planned cue was first in force here, from its instant on; ``None`` if not before ``until``."""
        ends = [*(taken.at for taken in watch.taken[1:]), until]
        for taken, end in zip(watch.taken, ends, strict=True):
            at = max(taken.at, planned.at)
            if at < until and at < end and self._is_of(planned, taken, at):
                return at
        return None

    def _is_of(self, planned: PlannedCue, taken: Taken, at: TrueInstant) -> bool:
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
        sent_at, delays_ns = self._recorder.packets.beacons(0, len(self._pieces))
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
