"""What published medians do to a group's clocks: reporters, the leader's collection and followers' trackers together.

A median's error has four parts, and all of them reach every follower. What its reporters err by alike goes through
whole: beacons that were late for all, the leader's own crystal. What each errs by on its own shrinks, and so does what
its host stamps late, but by no more than the few reporters do who have told by the time the median goes out. And since
each has a lean of its own, from floors that differ, the median jumps with who those few are. All of it then goes
through the tracker, which follows what lasts longer than its own memory and averages the rest.

Which few those are, and when, is a matter of soundings and outages, for which there is no short formula. So reporters
are drawn, always the same: each one's error as the linear filter that ``budget_edges`` has settled, which is driven by
the network's noise and by crystals that wander; reports when soundings are due, through channels that are good or bad
for a while. What is collected, published and tracked is then done by the very code that does it on a real network.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final, NamedTuple

import numpy as np
import numpy.typing as npt

from leadlight.clock import (
    ARRIVALS_KEPT,
    REPORT_SPAN,
    REPORTERS_MINIMUM,
    REPORTS_KEPT,
    DelayCollector,
    Estimate,
    OffsetTracker,
    reporting_stride,
)
from leadlight.follower import SPACING_SPREAD
from leadlight.units import SECOND, LocalInstant
from leadlight.wire import DELAYS_MAXIMUM, DelayReport
from leadlight_sim.air import Dropout, JointChannel, LossAt
from leadlight_sim.budget.clock import UNSETTLED_SHARE, ClockError
from leadlight_sim.budget.edges import SettledEdges
from leadlight_sim.budget.outages import joint_channel
from leadlight_sim.kernel import Streams, TrueInstant

Floats = npt.NDArray[np.float64]

RUNS: Final = 8
BEACONS: Final = 1200
"""For each run."""
CROWD_MAXIMUM: Final = 24
"""More reporters than this are not drawn: what they err by on their own counts for little by then."""
BIASES: Final = 2000
"""Draws of all reporters' leans, for the rms of what their medians lean by."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Group:
    """Who reports, and over what: seconds, and seconds per second.

    ``stamping_s`` and ``reporter_stamping_s`` are as many draws each, in rising order, of what a follower's and a
    reporter's own host and radio add to a group frame; ``bias_s`` is the rms of what each reporter's clock leans by on
    its own; ``wander`` is the random walk of one crystal's rate, per square root of a second, ``ramp`` the rms of its
    steady change, per second. ``shared`` are the channels that all have in common, ``own`` those of a follower alone
    and ``reporter_own`` those of a reporter alone; a Sounding is tried ``unicast_tries`` times.
    """

    reporters: int
    interval_s: float
    sounding_s: float
    stamping_s: Floats
    reporter_stamping_s: Floats
    bias_s: float
    wander: float
    ramp: float
    shared: Sequence[Dropout]
    own: Sequence[Dropout]
    reporter_own: Sequence[Dropout]
    unicast_tries: int


@dataclass(frozen=True, slots=True)
class GroupError:
    """What comes of it: the clocks' spread by cause, and the rms of a constant that all of them share, in ms."""

    error: ClockError
    unknown_ms: float


@dataclass(frozen=True, slots=True, eq=False)
class _Clocks:
    """How far followers' clocks are from the leader's as each beacon is sent: arrays of (beacons, runs, followers)."""

    offsets: Floats
    rates: Floats


def group_error(edges: SettledEdges, group: Group) -> GroupError:
    """Return the error of clocks that go by published medians, once settled."""
    crowd = min(group.reporters, CROWD_MAXIMUM)
    seed = Streams(0).stream("budget", "group").bytes(16)
    stream = np.random.default_rng(np.frombuffer(seed, dtype=np.uint32))
    clocks, errors = _reporters(edges, group, crowd, stream)
    stamps = stream.integers(0, len(group.stamping_s), errors.shape)
    # What all stamp late alike is a lean, reckoned elsewhere.
    here, there = (stamping - np.median(stamping) for stamping in (group.stamping_s, group.reporter_stamping_s))
    biases = stream.normal(0.0, group.bias_s, (RUNS, crowd))
    looks = np.full((len(_Look._fields), *errors.shape), np.nan)
    constants = np.zeros(RUNS)
    for run in range(RUNS):
        told = biases[run] + there[stamps[:, run]] - errors[:, run]
        arrived = clocks.offsets[:, run] + here[stamps[:, run]]
        evening = _Evening(group, crowd, Streams(run + 1))
        medians = evening.play(told, arrived, looks[:, :, run], edges.error.rate_ppm * 1e-6)
        if medians:
            constants[run] = np.mean([median + errors[beacon, run].mean() for beacon, median in medians])
    if np.isnan(looks[0, BEACONS // UNSETTLED_SHARE :]).any(axis=2).all():
        return GroupError(edges.error, 0.0)  # outages so long that medians hardly reach anybody
    error = _spreads(_Look(*looks), clocks, constants, group.interval_s)
    # By how much the drawn reporters err together is luck, and on average known: it goes through as it is.
    drawn = float(np.mean(errors[BEACONS // UNSETTLED_SHARE :].mean(axis=2) ** 2))
    expected = float(edges.common[0, 0] + edges.own[0, 0] / crowd)
    whole_ms = math.sqrt(max(error.estimator_ms**2 + 1e6 * (expected - drawn), error.own_estimator_ms**2))
    return GroupError(replace(error, estimator_ms=whole_ms), 1e3 * _median_bias(group, stream))


def _median_bias(group: Group, stream: np.random.Generator) -> float:
    """Return the rms of what the medians lean by on average over time.

    Mostly they stand on the fewest reporters that will do, now these and now those. Of n values in rising order the
    i-th is the median of i - 1 times n - i of all the threes.
    """
    count = group.reporters
    place = np.arange(count)
    weights = place * place[::-1] / math.comb(count, REPORTERS_MINIMUM)
    return group.bias_s * float((np.sort(stream.standard_normal((BIASES, count)), axis=1) @ weights).std())


def _reporters(edges: SettledEdges, group: Group, crowd: int, stream: np.random.Generator) -> tuple[_Clocks, Floats]:
    """Return reporters' clocks, and what each believes its offset wrongly by as a beacon comes."""
    interval_s = group.interval_s
    # Each against the leader. A random walk of the rate adds to offset and rate with variances t³/3 and t and
    # covariance t²/2, times w².
    one, other = (
        stream.standard_normal((BEACONS, RUNS, crowd)) - stream.standard_normal((BEACONS, RUNS, 1)) for _ in range(2)
    )
    quicker = group.wander * math.sqrt(interval_s) * one
    further = group.wander * interval_s**1.5 * (one / 2 + other / math.sqrt(12))
    ramps = group.ramp * (stream.choice([-1.0, 1.0], (RUNS, crowd)) - stream.choice([-1.0, 1.0], (RUNS, 1)))
    walks = np.stack([further + ramps * interval_s**2 / 2, quicker + ramps * interval_s])
    rates = np.cumsum(walks[1], axis=0)
    offsets = np.cumsum(interval_s * (rates - walks[1]) + walks[0], axis=0)
    return _Clocks(offsets, rates), edges.draw(walks, stream)


class _Look(NamedTuple):
    """What a clock shows after each beacon: (beacons, runs, followers), not a number before its first sample."""

    last: Floats
    """The beacon that its last sample was of."""
    offset: Floats
    """At that beacon, in s."""
    rate: Floats
    phase: Floats
    """When one looks, in intervals after the beacon."""


class _Evening:
    """One run: soundings, outages, and the code that collects, publishes and tracks."""

    def __init__(self, group: Group, crowd: int, streams: Streams) -> None:
        self._group = group
        self._interval_ns = round(group.interval_s * SECOND)
        self._sounding_ns = round(group.sounding_s * SECOND)
        self._stream = streams.stream("budget", "soundings")
        shared = joint_channel(group.shared, streams, "shared")

        def channels(hops: Sequence[Dropout], whose: str) -> list[LossAt]:
            return [JointChannel(shared, joint_channel(hops, streams, f"{whose} {number}")) for number in range(crowd)]

        self._reporting = channels(group.reporter_own, "reporter")
        self._reportable: list[dict[int, None]] = [{} for _ in range(crowd)]
        # Reporters are followers like any other, unless the one in question hears worse or better than they do.
        alike = group.own == group.reporter_own
        self._hearing = self._reporting if alike else channels(group.own, "follower")
        self._heard = self._reportable if alike else [{} for _ in range(crowd)]
        self._stride = reporting_stride(self._sounding_ns, self._interval_ns)
        self._collector = DelayCollector()

    def play(self, told: Floats, arrived: Floats, looks: Floats, rate_deviation: float) -> list[tuple[int, float]]:
        """Fill in the looks, beacon by beacon; return what was published of which beacon, in s.

        ``told`` is what each would report of each beacon, ``arrived`` how late each beacon came by a follower's clock.
        """
        stream, interval_ns = self._stream, self._interval_ns
        told_ns, arrived_ns = ((each * SECOND).round().astype(np.int64) for each in (told, arrived))
        trackers = [OffsetTracker() for _ in self._hearing]
        prior = Estimate(LocalInstant(0), 0, 0.0, math.inf, rate_deviation)
        due = [stream.uniform(0, self._sounding_ns) for _ in self._reporting]
        medians: list[tuple[int, float]] = []
        for beacon in range(BEACONS):
            now = TrueInstant(beacon * interval_ns)
            for number in range(len(due)):
                while due[number] <= now:
                    self._sound(number, TrueInstant(round(due[number])), told_ns[:, number])
                    due[number] += self._sounding_ns * stream.uniform(1 - SPACING_SPREAD, 1 + SPACING_SPREAD)
            _, doubt_ns, delays = self._collector.publish(beacon, DELAYS_MAXIMUM)
            published = [(beacon - delay.serials_back, delay.delay_ns) for delay in sorted(delays, reverse=True)]
            medians += [(of, delay_ns / SECOND) for of, delay_ns in published]
            for number, tracker in enumerate(trackers):
                if not stream.chance(self._hearing[number].loss_at(now)):
                    heard = self._heard[number]
                    for of, delay_ns in published:
                        if of in heard:
                            offset_ns = int(arrived_ns[of, number]) - delay_ns
                            tracker.observe(LocalInstant(of * interval_ns), offset_ns, prior, doubt_ns / SECOND)
                    _remember(heard, beacon)
                if self._heard is not self._reportable and not stream.chance(self._reporting[number].loss_at(now)):
                    _remember(self._reportable[number], beacon)
                estimate = tracker.estimate()
                if estimate is not None:
                    shown = estimate.at / interval_ns, estimate.offset_ns / SECOND, estimate.rate
                    looks[:, beacon, number] = *shown, stream.uniform(0, 1)
        return medians

    def _sound(self, number: int, at: TrueInstant, told_ns: npt.NDArray[np.int64]) -> None:
        if self._stream.chance(self._reporting[number].loss_at(at) ** self._group.unicast_tries):
            return
        heard = self._reportable[number]
        newest = next(reversed(heard), 0)
        reports = [
            DelayReport(serial, int(told_ns[serial]))
            for serial in reversed(heard)
            if serial % self._stride == 0 and newest - serial <= REPORT_SPAN * self._stride
        ]
        self._collector.collect(number, None, tuple(reports[:REPORTS_KEPT]))


def _remember(heard: dict[int, None], beacon: int) -> None:
    heard[beacon] = None
    if len(heard) > ARRIVALS_KEPT:
        del heard[next(iter(heard))]


def _spreads(look: _Look, clocks: _Clocks, constants: Floats, interval_s: float) -> ClockError:
    """Return the error at the last sample and what is added until one looks, of all of it and of one's own."""
    last = np.nan_to_num(look.last).astype(np.int64)
    now = np.arange(BEACONS)[:, None, None]

    def then(values: Floats) -> Floats:
        return np.take_along_axis(values, last, axis=0)

    # A median too high makes an offset too low.
    errors = look.offset - then(clocks.offsets) + constants[:, None]
    since = now - look.last + look.phase
    truly = clocks.offsets + interval_s * look.phase * clocks.rates - then(clocks.offsets)
    grown = interval_s * since * look.rate - truly
    off_rate = look.rate - then(clocks.rates)
    settled = BEACONS // UNSETTLED_SHARE
    known = ~np.isnan(errors[settled:]).any(axis=2)
    errors, grown, off_rate = (each[settled:][known] for each in (errors, grown, off_rate))
    # What all stamp early or late is not what varies.
    errors -= errors.mean()
    crowd = errors.shape[1]
    unbiased = math.sqrt(crowd / (crowd - 1))
    own, own_grown = (unbiased * (each - each.mean(axis=1, keepdims=True)) for each in (errors, grown))
    return ClockError(
        _rms_ms(errors**2),
        _rms_ms(grown**2 + 2 * grown * errors),
        _rms_ms(own**2),
        _rms_ms(own_grown**2 + 2 * own_grown * own),
        rate_ppm=1e3 * _rms_ms(off_rate**2),
    )


def _rms_ms(squares: Floats) -> float:
    return 1e3 * math.sqrt(max(float(squares.mean()), 0.0))
