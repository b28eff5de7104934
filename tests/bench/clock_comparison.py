"""Comparing clocks: runs of the whole protocol over a reference model, and percentiles that add up over runs.

A run is one seed of one model: a leader, eight followers, beacons, soundings, Tallies, shared delays and marks, all
through the kernel. Beside each follower's clock live shadow clocks that see the same samples and serve other views, and
the baselines; so every figure of a model rests on the same draws.
"""

from __future__ import annotations

import math
import sys
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import ProcessPoolExecutor, as_completed
from dataclasses import dataclass, field
from time import perf_counter
from typing import NamedTuple, TypeVar

import numpy as np
import numpy.typing as npt

from leadlight.clock import ClockSettings, ClockView, Estimate, Estimator, Exchange
from leadlight.units import MILLISECOND, SECOND, LeaderInstant, LocalInstant
from leadlight_sim.baselines import BASELINES, Accompanied, accompanied
from leadlight_sim.kernel import TrueInstant
from leadlight_sim.scenario import Scenario, load_shipped
from leadlight_sim.world.assembly import World
from shadow_clocks import ShadowClock, install

Floats = npt.NDArray[np.float64]
Counts = npt.NDArray[np.int64]
Instants = npt.NDArray[np.int64]

Kind = TypeVar("Kind")

SCORE_EVERY_NS = SECOND // 4
SCORED_FROM_S = 60
BLACKOUT_S = 60
BLACKOUTS_FROM_S = 600
COLD_S = 60

ONLY_BEACONS = "beacons only"
SOUNDINGS = "beacons + soundings"
SHARED_DELAY = "+ shared delay"
COMMON_VIEW = "+ common view"
SHADOW_CLOCKS: Mapping[str, ShadowClock] = {
    ONLY_BEACONS: ShadowClock(ClockSettings(views=frozenset()), soundings=False),
    SOUNDINGS: ShadowClock(ClockSettings(views=frozenset())),
    SHARED_DELAY: ShadowClock(ClockSettings(views=frozenset({ClockView.SHARED_DELAY}))),
}
MODES = (*SHADOW_CLOCKS, COMMON_VIEW)

RADIO = 1
"""Hosts know which access point they are on, as most do: nothing is added for not knowing."""

BINS_PER_DECADE = 400
LEAST_MS = 1e-4
DECADES = 9
BINS = BINS_PER_DECADE * DECADES


class Spread:
    """Counts of absolute values in logarithmic bins of 0.6 %, and the exact largest: a distribution that adds up."""

    def __init__(self) -> None:
        self.counts: Counts = np.zeros(BINS, dtype=np.int64)
        self.largest = 0.0

    @classmethod
    def of(cls, values: Floats) -> Spread:
        """Return the spread of the absolute values, NaN left out."""
        spread = cls()
        absolute = np.abs(values[~np.isnan(values)])
        if absolute.size:
            place = np.log10(np.maximum(absolute, LEAST_MS) / LEAST_MS) * BINS_PER_DECADE
            spread.counts += np.bincount(np.minimum(place.astype(np.int64), BINS - 1), minlength=BINS)
            spread.largest = float(absolute.max())
        return spread

    def __add__(self, other: Spread) -> Spread:
        both = Spread()
        both.counts = self.counts + other.counts
        both.largest = max(self.largest, other.largest)
        return both

    def percentile(self, percent: float) -> float:
        """Return a percentile, NaN for nothing."""
        found = percentile_of(self.counts, percent)
        return found if math.isnan(found) else min(found, self.largest)

    def figures(self) -> dict[str, float]:
        """Return the percentiles that the tables show."""
        names = {"p50": 50.0, "p95": 95.0, "p99": 99.0, "p999": 99.9}
        return {name: self.percentile(percent) for name, percent in names.items()} | {"max": self.largest}


def percentile_of(counts: Counts, percent: float) -> float:
    """Return the percentile of counts in a spread's bins: the middle of the bin it falls in."""
    total = counts.sum()
    if total == 0:
        return math.nan
    place = int(np.searchsorted(np.cumsum(counts), percent / 100 * total))
    return float(LEAST_MS * 10 ** ((place + 0.5) / BINS_PER_DECADE))


def pooled(spreads: Sequence[Spread]) -> Spread:
    """Return all spreads added up."""
    return sum(spreads, Spread())


def lower_end(spreads: Sequence[Spread], percent: float, draws: int = 400) -> float:
    """Return the lower end of the 90 % bootstrap interval of a percentile, drawing whole runs with replacement."""
    counts = np.array([spread.counts for spread in spreads])
    stream = np.random.default_rng(1)
    picks = stream.integers(0, len(spreads), (draws, len(spreads)))
    found = [percentile_of(counts[pick].sum(axis=0), percent) for pick in picks]
    return float(np.percentile(found, 5))


@dataclass(slots=True)
class Seen:
    """What one run showed of one clock or estimator; times in ms, of all its followers together."""

    error: Spread
    pair: Spread
    blackout: Spread = field(default_factory=Spread)
    """Error after a minute without samples less the error before."""
    below_5_ms_s: list[float] = field(default_factory=list)
    below_1_ms_s: list[float] = field(default_factory=list)
    """Seconds from a follower's first beacon until its error is below and, for five seconds, stays there."""
    causality_held: bool = True
    causality: Spread = field(default_factory=Spread)
    statistical: Spread = field(default_factory=Spread)
    covered: int = 0
    scored: int = 0


def scenario_of(model: str, duration_s: float, interval_s: float = 1.0) -> Scenario:
    """Return eight followers on a reference model without faults."""
    shipped = load_shipped()
    changes: dict[str, object] = {
        "run.duration_s": duration_s,
        "leader.interval_s": interval_s,
        "leader.lead_time_s": 2.0,
        "air.preset": model,
        "faults": [],
        "cues": [shipped.cues[0].model_dump(mode="json", exclude_unset=True)],
    }
    for number, follower in enumerate(shipped.followers):
        if follower.extra_loss_fraction:
            changes[f"followers[{number}].extra_loss_fraction"] = 0.0
    return shipped.with_changes(changes)


class _Trace:
    """One estimate's error at every scoring instant, follower by follower."""

    def __init__(self, followers: int, ticks: int, keeps_bounds: bool) -> None:
        self.error = np.full((followers, ticks), np.nan)
        self.causality = np.full((followers, ticks), np.nan) if keeps_bounds else None
        self.statistical = np.full((followers, ticks), np.nan) if keeps_bounds else None
        self.added: list[float] = []


def run(
    model: str,
    seed: int,
    duration_s: int,
    baselines: Mapping[str, Callable[[], Estimator]],
    interval_s: float = 1.0,
    changes: Mapping[str, object] | None = None,
) -> dict[str, Seen]:
    """Run one seed of a model and return what was seen of each of our modes and of each baseline.

    ``changes`` are made to the model's scenario.
    """
    scenario = scenario_of(model, duration_s, interval_s).with_changes(changes or {})
    world = World(scenario, seed, accompanied(others=tuple(baselines.values())))
    panels = [install(node, SHADOW_CLOCKS, RADIO) for node in world.followers]
    count, ticks = len(world.followers), duration_s * SECOND // SCORE_EVERY_NS + 1
    traces = {name: _Trace(count, ticks, keeps_bounds=True) for name in MODES}
    traces |= {name: _Trace(count, ticks, keeps_bounds=False) for name in baselines}
    first = [math.nan] * count
    believed: list[dict[str, Estimate | None]] = [{} for _ in range(count)]
    samples = [-1] * count
    held: dict[tuple[str, int], tuple[Estimate, float]] = {}
    for tick in range(ticks):
        world.run_to(TrueInstant(tick * SCORE_EVERY_NS))
        now = world.kernel.now
        blackout_ends = tick * SCORE_EVERY_NS % (BLACKOUT_S * SECOND) == 0
        for index, node in enumerate(world.followers):
            if not node.powered or node.follower.timebase is None:
                continue  # not up yet, or without a beacon yet
            follower, local = node.follower, node.local_at(now)
            panel = panels[index][-1]
            timebase = follower.timebase
            assert timebase is not None
            truth = world.leader_time(timebase, now)
            assert truth is not None
            if panel.samples != samples[index]:
                if samples[index] < 0:
                    first[index] = now / SECOND
                samples[index] = panel.samples
                party = panel.clock.uncorrected
                assert isinstance(party, Accompanied)
                believed[index] = {name: other.estimate() for name, other in zip(baselines, party.others, strict=True)}
            clocks = panel.others | {COMMON_VIEW: panel.clock}
            for name, other in clocks.items():
                estimate = believed[index][name] = other.served
                if estimate is None:
                    continue
                bounds = other.bounds(local)
                trace = traces[name]
                assert trace.causality is not None
                assert trace.statistical is not None
                if bounds.causality_ns is not None:
                    trace.causality[index, tick] = bounds.causality_ns / MILLISECOND
                if bounds.statistical_ns is not None:
                    trace.statistical[index, tick] = bounds.statistical_ns / MILLISECOND
            for name, estimate in believed[index].items():
                if estimate is None:
                    continue
                trace = traces[name]
                error = trace.error[index, tick] = (estimate.leader_at(local) - truth) / MILLISECOND
                if blackout_ends:
                    before = held.get((name, index))
                    if before is not None:
                        trace.added.append((before[0].leader_at(local) - truth) / MILLISECOND - before[1])
                    if tick * SCORE_EVERY_NS >= BLACKOUTS_FROM_S * SECOND:
                        held[name, index] = estimate, error
    return {name: _seen(trace, first) for name, trace in traces.items()}


class Sample(NamedTuple):
    """One sample as an estimator is shown it: a beacon, or an exchange."""

    sent_at: LeaderInstant
    received_at: LocalInstant
    exchange: Exchange | None


class Recorder:
    """An estimator that estimates nothing and keeps what it is shown."""

    def __init__(self) -> None:
        self.samples: list[Sample] = []

    def observe_beacon(self, sent_at: LeaderInstant, received_at: LocalInstant) -> None:
        """Keep a beacon."""
        self.samples.append(Sample(sent_at, received_at, None))

    observe_copy = observe_beacon

    def observe_exchange(self, exchange: Exchange) -> None:
        """Keep an exchange."""
        self.samples.append(Sample(exchange.leader_sent_at, exchange.received_at, exchange))

    def estimate(self) -> None:
        """Return nothing, ever."""

    def rebase(self) -> None:
        """Keep nothing from before."""
        self.samples.clear()

    def reopen_paths(self) -> None:
        """Do nothing: there is nothing known of paths."""


def show(estimator: Estimator, sample: Sample) -> None:
    """Show an estimator one sample."""
    if sample.exchange is None:
        estimator.observe_beacon(sample.sent_at, sample.received_at)
    else:
        estimator.observe_exchange(sample.exchange)


class Recording(NamedTuple):
    """One follower's samples, and what its clock and the leader's showed at every scoring instant, in ns."""

    samples: list[Sample]
    local_at: Instants
    leader_at: Instants

    def errors_ms(self, estimator: Estimator) -> Floats:
        """Return the estimator's error at every scoring instant after this much of a run, NaN before its first."""
        at, offset, rate = [], [], []
        for sample in self.samples:
            show(estimator, sample)
            estimate = estimator.estimate()
            if estimate is not None:
                at.append(max(sample.received_at, estimate.at))
                offset.append(estimate.offset_at(at[-1]))
                rate.append(estimate.rate)
        known = np.array(at, dtype=np.int64)
        place = np.searchsorted(known, self.local_at, side="right") - 1
        late = self.local_at - known[place]
        believed = self.local_at - np.array(offset, dtype=np.int64)[place] - np.array(rate)[place] * late
        error: Floats = (believed - self.leader_at) / MILLISECOND
        error[place < 0] = np.nan
        return error


def record(model: str, seed: int, duration_s: int) -> list[Recording]:
    """Return what every follower's estimator was shown in one run."""
    world = World(scenario_of(model, duration_s), seed, accompanied(others=(Recorder,)))
    world.run_to(TrueInstant(duration_s * SECOND))
    instants = [TrueInstant(at) for at in range(0, duration_s * SECOND + 1, SCORE_EVERY_NS)]
    leader_at = np.array([world.leader.local_at(at) for at in instants], dtype=np.int64)
    recordings = []
    for node in world.followers:
        party = node.follower.clock.uncorrected
        assert isinstance(party, Accompanied)
        recorder = party.others[0]
        assert isinstance(recorder, Recorder)
        local_at = np.array([node.local_at(at) for at in instants], dtype=np.int64)
        recordings.append(Recording(recorder.samples, local_at, leader_at))
    return recordings


class Task(NamedTuple):
    """One run to be made with all baselines."""

    model: str
    seed: int
    duration_s: int
    interval_s: float = 1.0
    dithered: bool = True
    """For benches that also look at what a leader without dither would do."""
    to_group_only: bool = False


def perform(task: Task) -> tuple[Task, dict[str, Seen]]:
    """Make one run."""
    changes = {"leader.delivery": "group"} if task.to_group_only else {}
    return task, run(task.model, task.seed, task.duration_s, BASELINES, task.interval_s, changes)


def all_runs(
    tasks: Sequence[Kind], workers: int, make: Callable[[Kind], tuple[Kind, dict[str, Seen]]]
) -> Iterator[tuple[Kind, dict[str, Seen]]]:
    """Yield every task with what ``make`` saw, in the tasks' order; on several cores, telling stderr of progress."""
    if workers == 1:
        yield from map(make, tasks)
        return
    begun = perf_counter()
    with ProcessPoolExecutor(workers) as pool:
        futures = [pool.submit(make, task) for task in tasks]
        for done, _ in enumerate(as_completed(futures), start=1):
            left = (perf_counter() - begun) / done * (len(tasks) - done)
            print(f"\r{done}/{len(tasks)} runs, {left:.0f} s left ", end="", file=sys.stderr, flush=True)
        print(file=sys.stderr)
        for future in futures:
            yield future.result()


def _seen(trace: _Trace, first: Sequence[float]) -> Seen:
    per_second = SECOND // SCORE_EVERY_NS
    settled = trace.error[:, SCORED_FROM_S * per_second :]
    seen = Seen(
        Spread.of(settled.ravel()),
        Spread.of((settled[0::2] - settled[1::2]).ravel()),
        Spread.of(np.array(trace.added)),
    )
    for row, begun in zip(np.abs(trace.error), first, strict=True):
        if not math.isnan(begun):
            begin = round(begun * per_second)
            seen.below_5_ms_s.append(_settles(row[begin : begin + COLD_S * per_second], 5.0) / per_second)
            seen.below_1_ms_s.append(_settles(row[begin : begin + COLD_S * per_second], 1.0) / per_second)
    if trace.causality is not None and trace.statistical is not None:
        absolute = np.abs(trace.error)
        proven = ~np.isnan(trace.causality)
        # What is proven is proven from the first exchange on. A millionth of a millisecond is the clocks' own reading.
        seen.causality_held = bool((absolute[proven] <= trace.causality[proven] + 1e-6).all())
        seen.causality = Spread.of(trace.causality[:, SCORED_FROM_S * per_second :].ravel())
        told = trace.statistical[:, SCORED_FROM_S * per_second :]
        seen.statistical = Spread.of(told.ravel())
        seen.scored = int((~np.isnan(told)).sum())
        seen.covered = int((np.abs(settled) <= told).sum())
    return seen


def _settles(absolute: Floats, limit: float) -> float:
    """Return the first place from which, for five seconds, all are below a limit; infinite if there is none."""
    below = absolute < limit
    stay = 5 * SECOND // SCORE_EVERY_NS
    for place in range(len(below) - stay):
        if below[place : place + stay].all():
            return place
    return math.inf
