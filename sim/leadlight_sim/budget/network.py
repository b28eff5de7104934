"""What a scenario's network does to samples, as draws and moments: the budget's view of air, hosts and crystals.

Delays are drawn from the same laws that a rehearsal draws from, many at a time and always the same, then thinned to
evenly spread quantiles: expectations over them are then arithmetic.

Losses thin out samples and lengthen the time between some. For marks, which samples come when is drawn from the
network's outages; for the other clocks they are taken to be even, with the same mean. What frames that
compete add to a preset's laws is not in here.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property
from typing import Final

import numpy as np
import numpy.typing as npt

from leadlight.clock import (
    DEVIATIONS,
    FLOOR_DEVIATION,
    FLOOR_SHARE,
    LEAST_WEIGHT,
    REPORTERS_MINIMUM,
    SPARE_REPORTER_BOUND_NS,
    ClockView,
)
from leadlight.follower import STEADY_INTERVAL_NS, fair_spacing_ns
from leadlight.units import MILLISECOND, SECOND
from leadlight_sim.air import BEACON_INTERVAL_NS, AirTables, DelayDistribution, Dropout
from leadlight_sim.air.choice import air_settings
from leadlight_sim.air.sampled import with_measured_asymmetry
from leadlight_sim.budget.clock import (
    Cadence,
    ClockError,
    Noise,
    tracker_error,
    uneven_tracker_error,
)
from leadlight_sim.budget.edges import Packets, SettledEdges, settled_edges
from leadlight_sim.budget.group import Group, group_error
from leadlight_sim.budget.outages import copied_share, marks_arriving
from leadlight_sim.hosts import Host
from leadlight_sim.kernel import Stream, Streams
from leadlight_sim.scenario import Follower, Leader, Scenario
from leadlight_sim.world import COOLING_STARTS_WITHIN_S, extra_loss, host_settings

Floats = npt.NDArray[np.float64]

DRAWS: Final = 6_000
QUANTILES: Final = 400
PAIRS: Final = 2_000
RARE: Final = 0.02
"""Delays as rare as this at either end are no part of a sample's noise: the filters refuse them one by one."""
COOLING_STARTS: Final = 601
"""Instants at which an evening's cooling may start, evenly spread."""


@dataclass(frozen=True, slots=True)
class PieceClock:
    """One piece's clock: which samples it rests on, its spread, and how late and how uncertain it leans, in ms.

    ``light_bias_ms`` is known: how late the light is on average, by how hosts stamp and networks differ by direction.
    ``limit_ms`` and ``unknown_ms`` are the largest and the rms lean that nobody can know beforehand; the ``own`` ones
    are the part that other pieces do not share.
    """

    view: ClockView
    error: ClockError
    light_bias_ms: float
    limit_ms: float
    unknown_ms: float
    own_limit_ms: float
    own_unknown_ms: float


class Network:
    """A scenario's network. ``markers`` as in ``World``: whether followers take turns as markers."""

    def __init__(self, scenario: Scenario, markers: bool = True) -> None:
        self.scenario = scenario
        self.settings = air_settings(scenario.air)
        self._markers = markers
        self._streams = Streams(0)
        tables = self.settings.tables
        self.tables = with_measured_asymmetry(tables) if self.settings.measured_asymmetry else tables
        self.interval_s = scenario.leader.interval_s
        clocks = scenario.clocks
        low, high = clocks.wander_ppm_per_sqrt_s
        # Each board draws its own wander evenly from the range: this is the rms over boards.
        self.wander = 1e-6 * math.sqrt((low * low + low * high + high * high) / 3)
        self.ramp = self._ramp()
        """Steady change of one crystal's rate as the evening cools, per second: the rms over boards and the evening."""
        self._clocks: dict[tuple[object, ...], PieceClock] = {}
        self._edges: dict[tuple[object, ...], SettledEdges] = {}

    def _ramp(self) -> float:
        clocks, until_s = self.scenario.clocks, self.scenario.run.duration_s
        low, high = clocks.cooling_ppm
        starts = np.linspace(0.0, COOLING_STARTS_WITHIN_S, COOLING_STARTS)
        cooling_s = np.minimum(starts + clocks.cooling_over_s, until_s) - np.minimum(starts, until_s)
        share = float(cooling_s.mean()) / until_s
        return 1e-6 / clocks.cooling_over_s * math.sqrt(share * (low * low + low * high + high * high) / 3)

    # -- who hears what ------------------------------------------------------------------------------------------------

    @property
    def is_deaf(self) -> bool:
        """Whether nobody can hear the leader at all."""
        return self.scenario.air.client_isolation and not self.scenario.leader.wired

    @cached_property
    def sounders(self) -> int:
        """How many followers sound."""
        if self.scenario.leader.sounding_budget == 0:
            return 0
        return sum(follower.sounds for follower in self.scenario.followers)

    @cached_property
    def sounding_s(self) -> float:
        """Seconds from one of a follower's Soundings to the next, once it has settled."""
        leader = self.scenario.leader
        fair_ns = fair_spacing_ns(len(self.scenario.followers), max(leader.sounding_budget, 1))
        return max(STEADY_INTERVAL_NS, fair_ns) / SECOND

    @cached_property
    def reach_ms(self) -> float:
        """By how much each direction's floor may be off, one crossing of the radio."""
        return self.settings.floor_asymmetry * self.settings.tables.floor_ns / MILLISECOND

    def _own_dropout(self, follower: Follower) -> list[Dropout]:
        """Return what a follower's own link loses on top of what the network does to all; empty if nothing."""
        extra = extra_loss(follower)
        return [] if extra is None else [extra]

    def outages(self, follower: Follower) -> tuple[float, float]:
        """Return the share of time in which a follower hears nothing, and the mean length of it in s."""
        parts = [self.settings.dropout, self.settings.shared_dropout, *self._own_dropout(follower)]
        heard, weighted, total = 1.0, 0.0, 0.0
        for part in parts:
            heard *= 1 - part.mean_loss
            total += part.mean_loss
            weighted += part.mean_loss * part.figures.mean_burst_ns / SECOND if part.bad is not None else 0.0
        return 1 - heard, weighted / total if total else 0.0

    def view_of(self, follower: Follower) -> ClockView:
        """Return the best view of the clock that this network allows a follower."""
        scenario = self.scenario
        crowd = len(scenario.followers)
        if self._markers and not scenario.leader.wired and not scenario.air.client_isolation and crowd >= 2:
            # A leader on the cable hears a mark before it has been through the radio's queue.
            return ClockView.COMMON_VIEW
        if self.sounders >= REPORTERS_MINIMUM and self._may_report:
            return ClockView.SHARED_DELAY
        return ClockView.TWO_WAY if follower.sounds and self.sounders else ClockView.ONE_WAY

    @property
    def _reporter(self) -> Follower:
        return next(follower for follower in self.scenario.followers if follower.sounds)

    @property
    def _may_report(self) -> bool:
        edge = self._edge(self._reporter)
        return DEVIATIONS * edge.believed_ms + FLOOR_SHARE * edge.floor_ms <= SPARE_REPORTER_BOUND_NS / MILLISECOND

    def copied_share(self, follower: Follower) -> float:
        """Return the share of time, once all has settled, in which a follower is sent copies of the beacons."""
        if not (follower.sounds and self.sounders):
            return 0.0  # who never asks is sent none
        hops = [self.settings.shared_dropout, self.settings.dropout, *self._own_dropout(follower)]
        if not self.scenario.leader.wired:
            hops.append(self.settings.dropout)
        return copied_share(self.scenario, hops, self.settings.unicast_tries)

    # -- clocks --------------------------------------------------------------------------------------------------------

    def clock_of(self, follower: Follower) -> PieceClock:
        """Return what one piece's clock comes to."""
        label = self.scenario.host_of(follower).label
        key = (label, follower.sounds, follower.extra_loss_fraction, follower.extra_burst_s)
        if key not in self._clocks:
            view = self.view_of(follower)
            if view is ClockView.COMMON_VIEW:
                made = self._by_marks(follower)
            elif view is ClockView.SHARED_DELAY:
                made = self._by_group(follower)
            else:
                made = self._by_edges(follower, view)
            self._clocks[key] = made
        return self._clocks[key]

    def _by_marks(self, follower: Follower) -> PieceClock:
        here, there = self._stamping(follower), self._stamping(self.scenario.leader)
        share, burst_s = self.outages(follower)
        crowd = len(self.scenario.followers)
        # Every beacon names a marker, who takes no sample of its own; marker, leader and piece must all have heard.
        usual, usual_burst_s = self.outages(self.scenario.followers[0])
        heard = (1 - 1 / crowd) * (1 - usual)
        share, burst_s = 1 - (1 - share) * (1 - usual), max(burst_s, usual_burst_s)
        # A mark is published by the beacon after the one that called for it.
        cadence = Cadence(self.interval_s / heard, self.interval_s, share, burst_s)
        noise = Noise(
            math.hypot(here[1], there[1]),
            here[1],
            self.wander * math.sqrt(2),
            self.wander,
            self.ramp * math.sqrt(2),
            self.ramp,
        )
        light_bias_ms = 1e3 * (here[0] - there[0])
        if share == 0.0:
            error = tracker_error(noise, cadence)
        else:
            # Samples come unevenly, and each outage spoils the rate for a while.
            settings = self.settings
            piece = [settings.dropout, *self._own_dropout(follower)]
            arrivals = marks_arriving(
                self.interval_s, crowd, settings.shared_dropout, settings.dropout, piece, settings.dropout
            )
            error = uneven_tracker_error(noise, self.interval_s, arrivals.is_taken, arrivals.newest)
        return self._with_soundings(
            PieceClock(ClockView.COMMON_VIEW, error, light_bias_ms, 0.0, 0.0, 0.0, 0.0), follower
        )

    def _with_soundings(self, marks: PieceClock, follower: Follower) -> PieceClock:
        """Return the clock that serves the mean of marks and soundings, weighed as the library weighs them."""
        if not (follower.sounds and self.sounders):
            return marks
        edges = self._by_edges(follower, ClockView.TWO_WAY)
        variance = marks.error.estimator_ms**2
        other = edges.error.believed_ms**2 + (FLOOR_DEVIATION * edges.error.floor_ms) ** 2
        weight = variance / (variance + other)
        if weight < LEAST_WEIGHT:
            return marks

        rate_variance = marks.error.rate_ppm**2
        rate_weight = rate_variance / (rate_variance + edges.error.rate_ppm**2)

        def mixed(name: str, part: float) -> float:
            return math.hypot((1 - part) * getattr(marks.error, name), part * getattr(edges.error, name))

        error = ClockError(
            mixed("estimator_ms", weight),
            mixed("drift_ms", rate_weight),
            mixed("own_estimator_ms", weight),
            mixed("own_drift_ms", rate_weight),
            mixed("rate_ppm", rate_weight),
        )
        return PieceClock(
            ClockView.COMMON_VIEW,
            error,
            (1 - weight) * marks.light_bias_ms + weight * edges.light_bias_ms,
            weight * edges.limit_ms,
            weight * edges.unknown_ms,
            weight * edges.own_limit_ms,
            weight * edges.own_unknown_ms,
        )

    def _by_group(self, follower: Follower) -> PieceClock:
        reporter = self._reporter
        edges = self._settled(reporter)
        middle, limit, own_unknown = self._asymmetry()
        settings = self.settings
        leaders = () if self.scenario.leader.wired else (settings.dropout,)
        found = group_error(
            edges,
            Group(
                reporters=self.sounders,
                interval_s=self.interval_s,
                sounding_s=self.sounding_s,
                stamping_s=self._stamps(follower),
                reporter_stamping_s=self._stamps(reporter),
                bias_s=1e-3 * own_unknown,
                wander=self.wander,
                ramp=self.ramp,
                shared=(settings.shared_dropout, *leaders),
                own=(settings.dropout, *self._own_dropout(follower)),
                reporter_own=(settings.dropout, *self._own_dropout(reporter)),
                unicast_tries=settings.unicast_tries,
            ),
        )
        unknown = math.hypot(middle, found.unknown_ms)
        # What the reporters lean, all do; a host that stamps later than theirs is late by the difference.
        light_bias_ms = edges.error.light_bias_ms + 1e3 * (self._stamping(follower)[0] - self._stamping(reporter)[0])
        # A median lies within its reporters: their limit is its limit.
        return PieceClock(ClockView.SHARED_DELAY, found.error, light_bias_ms, limit, unknown, 0.0, 0.0)

    def _by_edges(self, follower: Follower, view: ClockView) -> PieceClock:
        edge = self._edge(follower)
        if view is ClockView.ONE_WAY:
            return PieceClock(view, edge, edge.light_bias_ms, 0.0, 0.0, 0.0, 0.0)
        middle, limit, own = self._asymmetry()
        own_limit = limit - middle * math.sqrt(6)
        return PieceClock(view, edge, edge.light_bias_ms, limit, math.hypot(middle, own), own_limit, own)

    def _asymmetry(self) -> tuple[float, float, float]:
        """Return what unequal floors do to an exchange: the rms that all share, the limit of all, the rms of one's own.

        Each station's floors up and down are off by a constant each, even over ± reach. Half the difference of the two
        ways is at most ``reach`` for each station on the radio, and reach / sqrt(6) rms.
        """
        reach = self.reach_ms
        if self.scenario.leader.wired:
            return 0.0, reach, reach / math.sqrt(6)
        if self.tables.first_hop is not None:
            # A first hop without asymmetry of its own: one constant a station is left, down only.
            half = reach / 2
            return half / math.sqrt(3), 2 * half, half / math.sqrt(3)
        return reach / math.sqrt(6), 2 * reach, reach / math.sqrt(6)

    def _edge(self, follower: Follower) -> ClockError:
        return self._settled(follower).error

    def _settled(self, follower: Follower) -> SettledEdges:
        label = self.scenario.host_of(follower).label
        key = (label, follower.sounds, follower.extra_loss_fraction, follower.extra_burst_s)
        if key not in self._edges:
            share, burst_s = self.outages(follower)
            sounding_s = self.sounding_s if follower.sounds and self.sounders else math.inf
            down, up, group, pairs = self._ways(follower)
            copied = self.copied_share(follower)
            packets = Packets(group, self.interval_s, down, up, sounding_s, share, burst_s, copied, pairs)
            self._edges[key] = settled_edges(packets, self.wander * math.sqrt(2), self.ramp * math.sqrt(2))
        return self._edges[key]

    # -- draws ---------------------------------------------------------------------------------------------------------

    def _stamping(self, node: Leader | Follower) -> tuple[float, float]:
        """Return mean and standard deviation of what one radio receiver adds to a group frame, in s, but for freaks."""
        added = self._stamps(node)
        kept = added[: math.ceil(len(added) * (1 - RARE))]
        return float(kept.mean()), float(kept.std())

    def _stamps(self, node: Leader | Follower) -> Floats:
        """Return draws of what one radio receiver adds to a group frame, in s and in rising order."""
        label = self.scenario.host_of(node).label
        return np.sort(self._private(self._streams.stream("budget", "stamping", label), node))

    def _private(self, stream: Stream, node: Leader | Follower) -> Floats:
        host = Host(host_settings(self.scenario.air, self.scenario.host_of(node)), stream)
        radio = self._draw(self.tables.private, stream)
        woken: Floats = np.array([host.receive_delay_ns(stream) / SECOND for _ in range(DRAWS)])
        return radio + woken

    def _ways(self, follower: Follower) -> tuple[Floats, Floats, Floats, Floats]:
        """Return delays down to a follower, up from it, of a beacon, and of beacons to it and another, by stamps."""
        leader = self.scenario.leader
        stream = self._streams.stream("budget", "ways", self.scenario.host_of(follower).label)
        hold = self.settings.hold
        here, there = self._private(stream, follower), self._private(stream, leader)

        def doze() -> Floats:
            if hold is None:
                return np.zeros(DRAWS)
            wait_s = BEACON_INTERVAL_NS / SECOND
            return np.array([wait_s * stream.uniform(0, 1) * stream.chance(hold.doze_share) for _ in range(DRAWS)])

        def drawn(name: str) -> Floats:
            return self._blend(name, stream)

        if leader.wired:
            down, up, group = drawn("down") + doze(), drawn("up"), drawn("group")
        else:
            first = "up" if self.tables.first_hop is None else "first_hop"
            down, up = drawn(first) + drawn("down") + doze(), drawn(first) + drawn("down") + doze()
            group = drawn(first) + drawn("group")
        if hold is not None:
            dtim_s = hold.period * BEACON_INTERVAL_NS / SECOND
            group = group + np.array([stream.uniform(0, dtim_s) for _ in range(DRAWS)])
        pairs = np.stack([group + here, group + self._private(stream, follower)])[:, :: DRAWS // PAIRS]
        return _thinned(down + here), _thinned(up + there), _thinned(group + here), pairs

    def _blend(self, name: str, stream: Stream) -> Floats:
        calm = self._draw(getattr(self.tables, name), stream)
        congestion = self.settings.congestion
        if congestion is None:
            return calm
        share = congestion.mean_congested_seconds / (congestion.mean_calm_seconds + congestion.mean_congested_seconds)
        rough = self._draw(_distribution(congestion.tables, name), stream)
        blended: Floats = np.where(np.array([stream.chance(share) for _ in range(DRAWS)]), rough, calm)
        return blended

    def _draw(self, distribution: DelayDistribution, stream: Stream) -> Floats:
        return np.array([distribution.draw(stream) / SECOND for _ in range(DRAWS)])


def _distribution(tables: AirTables, name: str) -> DelayDistribution:
    distribution: DelayDistribution = getattr(tables, name)
    return distribution


def _thinned(delays_s: Floats) -> Floats:
    each = DRAWS // QUANTILES
    thinned: Floats = np.sort(delays_s).reshape(QUANTILES, each)[:, each // 2]
    return thinned
