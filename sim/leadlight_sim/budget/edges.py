"""The edge filter's error once it has settled, by arithmetic, and the linear filter that it has become.

Two recursions of covariances, as in ``budget_clock``, whose gains here hang on where the filter finds the edge in a law
of delays, and that in turn on what the filter knows of itself and on what it is truly astray by: all of it is brought
together in a few rounds. What a packet does is far from linear. Close to the edge it is made so by averaging over what
the state may be astray by. Packets that come too early to believe are events of their own: for such a one the filter
opens the floor and takes it for the new edge, which throws floor and clock, and for some minutes it makes up for that.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from copy import copy
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
import numpy.typing as npt

from leadlight.clock import (
    BEACON_SCALE_MAXIMUM,
    EARLY_DEVIATIONS,
    FLOOR_START,
    FLOOR_WANDER,
    LATE_SCALES,
    MEDIAN_OF_EXPONENTIAL,
    NOISE_MINIMUM,
    NOISE_SHARE,
    RATE_WANDER,
    SCALE_MINIMUM,
    TAIL_SCALES,
    edge_score,
)
from leadlight_sim.budget.clock import ROUNDS, Cadence, ClockError, Noise, clock_error, random_walk

Floats = npt.NDArray[np.float64]

SETTLING_BEACONS: Final = 1200
"""Beacons after which the edge filter has settled: the slowest, its floors, takes some hundreds."""
AFTERMATH_BEACONS: Final = 2400
"""So long at most is what follows from a packet that came too early looked at."""
AFTERMATH_LEAST: Final = 0.03
"""It is over when no more than this share of its most is left."""
KNOWN_START: Final = 1e-8
"""Variance of a clock that is 0.1 ms off: where those rounds begin."""
KNOWN_ROUNDS: Final = 4
"""Rounds in which the edges and what the filter knows of itself are brought together."""
BISECTIONS: Final = 20
LEAST_SHARE: Final = 1e-12
RATE_LEAST: Final = 1e-6
"""Events rarer than this, per beacon, do not happen in an evening."""
ASTRAY_NODES: Final = 9
"""Of the quadrature over what the state is astray by."""
OFF_NODES: Final = 61
"""States thrown off for which what a packet does is tabulated."""
SCORE_NODES: Final = 7201


@dataclass(frozen=True, slots=True)
class Edge:
    """What the edge filter makes of one kind of packet: the floor and the scale it settles on, and what each is worth.

    ``slope`` is the mean pull per second of error, ``power`` the variance of what the pull has besides: their quotient
    ``power / slope²`` is the variance of one packet's word.
    """

    floor_s: float
    scale_s: float
    slope: float
    power: float
    believed: float
    """The information that the filter itself takes for granted, which sets its gains."""
    early_share: float = 0.0
    """How many packets come too early to believe, so that the filter opens the floor for them."""
    early_s: float = 0.0
    """By how much those do, rms."""


def edge_of(delays_s: Floats, known: float, astray: float) -> Edge:
    """Return where the edge filter finds the edge in a law of delays, given as many draws of it.

    ``known`` is the variance that its own state has in the direction of the packet, by the filter's own account, and
    ``astray`` the variance that it truly has. The floor is where the mean pull is zero; the scale is where as many
    packets move it up as down. The pull is far from straight over what the state is astray by, and early packets pull
    the harder the earlier they are: so what it does on average is reckoned over all that the state may be astray by, a
    Gaussian e. That is statistical linearisation (R. Booton, "Nonlinear control systems with random inputs", IRE Trans.
    Circuit Theory 1(1), 1954): g = -slope·e + n, with slope = -E[g·e]/E[e²], which is the mean derivative of g, and the
    variance of n is E[g²] - slope²·E[e²].
    """
    delays = np.sort(delays_s)
    middle = float(np.median(delays))
    floor = float(delays[len(delays) // 100])
    scale = max((middle - floor) / MEDIAN_OF_EXPONENTIAL, SCALE_MINIMUM)
    shifted = delays - math.sqrt(astray) * _NODES[:, None]
    for _ in range(ROUNDS):
        variance = _blur(scale) + known
        low, high = float(delays[0]) - 4 * scale, middle
        for _ in range(BISECTIONS):
            floor = (low + high) / 2
            # A floor too low makes every packet seem late, which pushes it up.
            if _mean(_pull(shifted - floor, variance, scale)[0]) > 0:
                low = floor
            else:
                high = floor
        renewed = max((middle - floor) / MEDIAN_OF_EXPONENTIAL, SCALE_MINIMUM)
        if abs(renewed - scale) < 1e-3 * scale:
            break
        scale = (scale + renewed) / 2
    variance = _blur(scale) + known
    pull, information = _pull(shifted - floor, variance, scale)
    slope = -float((_WEIGHTS * _NODES) @ pull.mean(axis=1)) / math.sqrt(astray)
    power = max(_mean(pull**2) - slope**2 * astray, 0.0)
    too_early = (shifted - floor < -EARLY_DEVIATIONS * math.sqrt(variance)).astype(float)
    early_share = _mean(too_early)
    early_s = math.sqrt(_mean(too_early * (shifted - floor) ** 2) / max(early_share, LEAST_SHARE))
    return Edge(floor, scale, slope, power, _mean(information), early_share, early_s)


def _blur(scale: float) -> float:
    """Return the variance by which the filter takes an edge to be blurred, whatever its own state knows."""
    return max(NOISE_MINIMUM, NOISE_SHARE * scale) ** 2


def _mean(values: Floats) -> float:
    return float(_WEIGHTS @ values.mean(axis=1))


def _tabulated() -> tuple[Floats, Floats]:
    # With a variance of one half and a scale of one, g = 1 - m(u) at u = 1/2 - n.
    u = np.linspace(-6.0, 30.0, SCORE_NODES)
    return u, np.array([1.0 - edge_score(0.5 - float(each), 0.5, 1.0)[0] for each in u])


def _pull(lateness_s: Floats, variance: float, scale: float) -> tuple[Floats, Floats]:
    """Return pull and information of packets so late, as the library's filter reckons and limits them.

    All of its score hangs on one function m(u), which is tabulated from the library's own.
    """
    deviation, root = math.sqrt(variance), math.sqrt(2 * variance)
    u = (variance / scale - lateness_s) / root
    m = np.interp(u, *_TABLE)
    pull, information = 1 / scale - m / root, np.maximum(m * (m - 2 * u) / (2 * variance), 0.0)
    pull = np.where(lateness_s > TAIL_SCALES * scale, pull * TAIL_SCALES * scale / np.maximum(lateness_s, scale), pull)
    # Too late to believe, it moves nothing; too early, it is an event of its own.
    taken = (lateness_s <= LATE_SCALES * scale + 3 * deviation) & (lateness_s >= -EARLY_DEVIATIONS * deviation)
    return np.where(taken, pull, 0.0), np.where(taken, information, 0.0)


_TABLE: Final = _tabulated()
# Gauss and Hermite's quadrature over a standard Gaussian.
_NODES, _WEIGHTS = np.polynomial.hermite_e.hermegauss(ASTRAY_NODES)
_WEIGHTS = _WEIGHTS / _WEIGHTS.sum()


@dataclass(frozen=True, slots=True)
class Packets:
    """The kinds of packets that the edge filter is fed with: draws of their delays in seconds, and how often.

    ``down_s`` and ``up_s`` are the ways of an exchange; without soundings ``sounding_s`` is infinite. For a share
    ``copied_share`` of the time each beacon comes a second time, as a copy that goes the way down of an exchange.
    ``beacon_pairs_s`` are of shape (2, draws): how long one beacon took to each of two followers.
    """

    beacon_s: Floats
    beacon_interval_s: float
    down_s: Floats
    up_s: Floats
    sounding_s: float
    outage_share: float = 0.0
    outage_s: float = 0.0
    copied_share: float = 0.0
    beacon_pairs_s: Floats | None = None


@dataclass(frozen=True, slots=True, eq=False)
class Throws:
    """Packets of one kind that come too early to believe: how many a beacon, and the offset's error from then on."""

    rate: float
    offsets_s: Floats


@dataclass(frozen=True, slots=True, eq=False)
class SettledEdges:
    """The edge filter once it has settled: its error, and the linear filter that it has become.

    A packet of kind k moves the state by gain·(-slope·e + n), where e is what the state is astray by in the packet's
    direction and n is noise. ``gains`` are of shape (lives, phases, kinds, 4): without copies and with them, over the
    beacons from one exchange to the next. ``throws`` is what packets of each kind do now and then besides. ``shared``
    is by how much of its variance each kind's noise is the same for all followers; ``common`` and ``own`` are
    covariances of the state, of what all share and of what is one's own.
    """

    error: ClockError
    interval_s: float
    copied_share: float
    directions: Floats
    slopes: Floats
    noises: Floats
    shared: Floats
    gains: Floats
    throws: tuple[Throws, ...]
    common: Floats
    own: Floats

    def draw(self, walks: Floats, stream: np.random.Generator) -> Floats:
        """Return by how much the offsets are wrong as each beacon comes, before it counts: (beacons, runs, followers).

        ``walks`` is by how much the clocks wander, (2, beacons, runs, followers): of the offset and of the rate.
        """
        _, beacons, runs, crowd = walks.shape
        lives = (stream.random((runs, crowd)) < self.copied_share).astype(np.int64)
        phases = stream.integers(0, self.gains.shape[1], (runs, crowd))
        state = _drawn(self.common, stream, (runs, 1)) + _drawn(self.own, stream, (runs, crowd))
        together, apart = np.sqrt(self.shared), np.sqrt(1 - self.shared)
        found = np.empty((beacons, runs, crowd))
        for beacon in range(beacons):
            state[0] += self.interval_s * state[1]
            state[:2] -= walks[:, beacon]
            found[beacon] = state[0]
            gains = self.gains[lives, (phases + beacon) % self.gains.shape[1]]
            for kind, direction in enumerate(self.directions):
                noise = apart[kind] * stream.standard_normal((runs, crowd))
                if together[kind]:
                    noise = noise + together[kind] * stream.standard_normal((runs, 1))
                pull = self.noises[kind] * noise - self.slopes[kind] * np.tensordot(direction, state, 1)
                state += np.moveaxis(gains[:, :, kind], 2, 0) * pull
        for throws, share in zip(self.throws, self.shared, strict=True):
            if throws.rate == 0.0:
                continue
            for chance, followers in (share * throws.rate, 1), ((1 - share) * throws.rate, crowd):
                for beacon, run, follower in np.argwhere(stream.random((beacons, runs, followers)) < chance):
                    whose = slice(None) if followers == 1 else slice(follower, follower + 1)
                    left = throws.offsets_s[: beacons - beacon, None]
                    found[beacon : beacon + len(left), run, whose] += left
        return found


def _drawn(covariance: Floats, stream: np.random.Generator, shape: tuple[int, int]) -> Floats:
    values, vectors = np.linalg.eigh(covariance)
    root = vectors * np.sqrt(np.maximum(values, 0.0))
    drawn: Floats = np.tensordot(root, stream.standard_normal((4, *shape)), 1)
    return drawn


def settled_edges(packets: Packets, wander: float, ramp: float = 0.0) -> SettledEdges:
    """Return the edge filter on beacons and exchanges, once settled.

    ``wander`` is the random walk of the rate between the two clocks, per square root of a second, and ``ramp`` the rms
    of its steady change, per second; half of the square of either is the leader's and so everyone's. What beacons are
    late by, as far as they are so for all, is not a piece's own either.
    """
    beacons = _Way(np.array([1.0, 0.0, 1.0, 0.0]), packets.beacon_s)
    down = _Way(np.array([1.0, 0.0, 0.0, 1.0]), packets.down_s)
    up = _Way(np.array([1.0, 0.0, 0.0, -1.0]), packets.up_s)
    one_way = math.isinf(packets.sounding_s)
    exchange = [] if one_way else [down, up]
    each = 1 if one_way else max(1, round(packets.sounding_s / packets.beacon_interval_s))
    kept = true = np.diag([KNOWN_START, 0.0, 0.0, 0.0])
    heard = [beacons]
    for _ in range(KNOWN_ROUNDS):
        for way in (beacons, *exchange):
            # What the filter does not know of itself blurs the edge it looks for.
            way.known = float(way.direction @ kept @ way.direction)
            way.astray = float(way.direction @ true @ way.direction)
            way.edge, way.table = edge_of(way.delays_s, way.known, way.astray), None
        if exchange and beacons.edge.scale_s > BEACON_SCALE_MAXIMUM:
            # No edge to find: the filter keeps such beacons from moving the clock.
            heard = []
        # Copies come for minutes or for none: each way of living settles, and the error is the mean over both.
        settled, usual = _recursions(heard, exchange, each, packets.beacon_interval_s, wander, ramp)
        lives = [usual]
        if exchange and packets.copied_share > 0:
            copied, served = _recursions([*heard, down], exchange, each, packets.beacon_interval_s, wander, ramp)
            settled += packets.copied_share * (copied - settled)
            lives.append(served)
        kept, true, by_beacons, by_wander = settled
    # Each beacon carries the estimate to its own instant, even where it does not move the clock.
    cadence = Cadence(packets.beacon_interval_s, 0.0, packets.outage_share, packets.outage_s)
    likeness = _likeness(packets, beacons)
    own = true - likeness * by_beacons - by_wander / 2
    told = clock_error(true[:2, :2], own[:2, :2], Noise(0.0, 0.0, wander, wander / math.sqrt(2)), cadence)
    if one_way:
        # One-way packets cannot tell a clock from a floor: it takes the floor for what it was told to expect.
        error = replace(
            told, floor_ms=1e3 * beacons.edge.floor_s, light_bias_ms=1e3 * (beacons.edge.floor_s - FLOOR_START)
        )
    else:
        error = replace(
            told,
            floor_ms=1e3 * (down.edge.floor_s + up.edge.floor_s) / 2,
            light_bias_ms=1e3 * (down.edge.floor_s - up.edge.floor_s) / 2,
            believed_ms=1e3 * math.sqrt(max(float(kept[0, 0]), 0.0)),
        )
    kinds = (beacons, down, up)
    return SettledEdges(
        error,
        packets.beacon_interval_s,
        packets.copied_share if len(lives) > 1 else 0.0,
        directions=np.stack([way.direction for way in kinds]),
        slopes=np.array([way.edge.slope for way in kinds]),
        noises=np.sqrt([way.edge.power for way in kinds]),
        shared=np.array([likeness, 0.0, 0.0]),
        gains=np.array(
            [
                [
                    [sum((gain for moved, gain in phase if moved is way), np.zeros(4)) for way in kinds]
                    for phase in life.moved
                ]
                for life in lives
            ]
        ),
        throws=tuple(lives[0].throws.get(id(way), Throws(0.0, np.zeros(0))) for way in kinds),
        common=true - own,
        own=own,
    )


@dataclass(slots=True)
class _Way:
    direction: Floats
    delays_s: Floats
    edge: Edge = Edge(0.0, 1.0, 0.0, 0.0, 0.0)
    known: float = 0.0
    astray: float = 0.0
    table: tuple[Floats, Floats, Floats] | None = None
    """What a packet does to a state that is thrown off: by how much, pull, and information."""

    @property
    def is_to_group(self) -> bool:
        return bool(self.direction[2])

    @property
    def variance(self) -> float:
        """The variance by which the filter takes the edge to be blurred."""
        return _blur(self.edge.scale_s) + self.known

    def seen(self, delays_s: Floats) -> Floats:
        """Return how late packets look from states astray by as much as the nodes of the quadrature have it."""
        return delays_s - self.edge.floor_s - math.sqrt(self.astray) * _NODES[:, None]

    def looked_at_from(self, off_s: float) -> tuple[float, float]:
        """Return mean pull and information where the state is off by so much on top of what it usually is astray by."""
        if self.table is None:
            late_s = self.seen(self.delays_s)
            offs = np.linspace(-1.5, 1.5, OFF_NODES) * max(self.edge.early_s, math.sqrt(self.variance))
            both = (_pull(late_s - off, self.variance, self.edge.scale_s) for off in offs)
            means = np.array([(_mean(pull), _mean(information)) for pull, information in both])
            self.table = offs, means[:, 0], means[:, 1]
        offs, pulls, informations = self.table
        return float(np.interp(off_s, offs, pulls)), float(np.interp(off_s, offs, informations))


def _likeness(packets: Packets, beacons: _Way) -> float:
    """Return the correlation of what one beacon does to the clocks of two followers.

    Each looks at it from where its own state is, which is astray by what it does not know: averages over that are taken
    by Gauss-Hermite quadrature.
    """
    if packets.beacon_pairs_s is None:
        return 0.0
    edge = beacons.edge
    means, squares = [], []
    for delays_s in packets.beacon_pairs_s:
        late_s = beacons.seen(delays_s)
        pull, _ = _pull(late_s, beacons.variance, edge.scale_s)
        means.append(_WEIGHTS @ pull)
        squares.append(_mean(pull**2) - edge.slope**2 * beacons.astray)
    one, other = means
    spread = math.sqrt(math.prod(square - float(mean.mean()) ** 2 for mean, square in zip(means, squares, strict=True)))
    return float(np.mean(one * other) - one.mean() * other.mean()) / spread


def _recursions(
    beacons: Sequence[_Way], exchange: Sequence[_Way], each: int, interval_s: float, wander: float, ramp: float
) -> tuple[Floats, _Life]:
    """Return covariances averaged over one exchange's period, of shape (4, 4, 4), and what the filter has become.

    The first is what the filter keeps, the second that of its true error; the third and fourth are the parts of the
    second that beacons and that the crystals have fed.
    """
    recursion = _Recursion(beacons, exchange, each, interval_s, wander, ramp)
    for number in range(SETTLING_BEACONS - each):
        recursion.step(number)
    period = [recursion.step(number) for number in range(SETTLING_BEACONS - each, SETTLING_BEACONS)]
    settled = np.stack([covariances for covariances, _ in period])
    found = settled.mean(axis=0)
    throws: dict[int, Throws] = {}
    for way, rarely in (*((way, 1) for way in beacons), *((way, each) for way in exchange)):
        rate = way.edge.early_share / rarely
        if rate > RATE_LEAST:
            offsets_s, added = _aftermath(recursion.copy(), way, settled)
            # Such events come independently of each other, and what they add adds up: N. Campbell's theorem on shot
            # noise ("The study of discontinuous phenomena", Proc. Cambridge Phil. Soc. 15, 1909).
            found = found + rate * added
            throws[id(way)] = Throws(rate, offsets_s)
    return found, _Life([moved for _, moved in period], throws)


def _aftermath(after: _Recursion, way: _Way, settled: Floats) -> tuple[Floats, Floats]:
    """Return by what a packet that comes too early throws the offset, beacon by beacon, and what it adds up to."""
    after.throw(way)
    total = np.zeros_like(settled[0])
    offsets_s: list[float] = []
    most = np.zeros(2)
    for number in range(AFTERMATH_BEACONS):
        added = after.step(SETTLING_BEACONS + number, way)[0] - settled[number % len(settled)]
        total += added
        offsets_s.append(float(after.thrown[0]))
        left = np.abs(added[:2, 0, 0])
        most = np.maximum(most, left)
        if (left <= AFTERMATH_LEAST * most).all():
            break
    return np.array(offsets_s), total


@dataclass(slots=True)
class _Life:
    """What moves the settled filter by which gain, beacon by beacon, and what throws it, by the way's identity."""

    moved: list[list[tuple[_Way, Floats]]]
    throws: dict[int, Throws]


class _Recursion:
    """The recursions of covariances, a beacon at a time."""

    def __init__(
        self,
        beacons: Sequence[_Way],
        exchange: Sequence[_Way],
        each: int,
        interval_s: float,
        wander: float,
        ramp: float,
    ) -> None:
        self._beacons, self._exchange, self._each = beacons, exchange, each
        self._step = np.eye(4)
        self._step[0, 1] = interval_s
        self._believed, self._walked = np.zeros((4, 4)), np.zeros((4, 4))
        self._believed[:2, :2] = random_walk(interval_s, RATE_WANDER)
        self._believed[2, 2] = self._believed[3, 3] = FLOOR_WANDER**2 * interval_s
        self._walked[:2, :2] = random_walk(interval_s, wander)
        self._ramped: Floats = ramp * np.array([interval_s**2 / 2, interval_s, 0.0, 0.0])
        self.kept: Floats = np.diag([1e-8, 1e-12, 1e-8, 1e-8])
        # The true error, and its parts by beacons and by the crystals; the rest is what exchanges feed.
        self.true: Floats = np.stack([self.kept, np.zeros((4, 4)), np.zeros((4, 4))])
        self.lag: Floats = np.zeros(4)
        """A rate that changes steadily is followed late, by as much as this."""
        self.thrown: Floats = np.zeros(4)
        """By how much a packet that came too early has thrown the state, after what has been made up for."""

    def copy(self) -> _Recursion:
        made = copy(self)
        made.kept, made.true, made.lag, made.thrown = (
            each.copy() for each in (self.kept, self.true, self.lag, self.thrown)
        )
        return made

    def throw(self, way: _Way) -> None:
        """Take a packet that comes too early to believe: the filter opens its floor and takes it for the new edge."""
        floor = 2 if way.is_to_group else 3
        self.kept[floor, floor] += way.edge.early_s**2
        gain = self.kept @ way.direction
        variance = _blur(way.edge.scale_s) + float(way.direction @ gain)
        # An early packet is on the steep side of the edge, which is a Gaussian's: its pull is as a Kalman filter's.
        self.thrown = -gain * way.edge.early_s / variance
        self.kept = self.kept - np.outer(gain, gain) / variance

    def step(self, number: int, thrown_by: _Way | None = None) -> tuple[Floats, list[tuple[_Way, Floats]]]:
        """Carry all to the next beacon and past it; return the covariances, and what moved the state by which gain."""
        step = self._step
        self.kept = step @ self.kept @ step.T + self._believed
        self.true = step @ self.true @ step.T + _BY_CRYSTALS * self._walked
        self.lag = step @ self.lag - self._ramped
        self.thrown = step @ self.thrown
        moved: list[tuple[_Way, Floats]] = []
        for way in (*self._beacons, *(self._exchange if number % self._each == 0 else ())):
            edge = way.edge
            gain = self.kept @ way.direction
            # An edge blurred by more ignorance than it was weighed with is worth less, until all has settled.
            excess = max(float(way.direction @ gain) - way.known, 0.0)
            believed = edge.believed
            if thrown_by is not None:
                off = float(way.direction @ self.thrown)
                mean, believed = way.looked_at_from(off)
                self.thrown = self.thrown + gain * mean / (1 + believed * excess)
            worth = 1 / (1 + believed * excess)
            square = gain[:, None] * gain
            keep = _IDENTITY - worth * edge.slope * gain[:, None] * way.direction
            feeds = _BY_BEACONS if way.is_to_group else _BY_ALL
            self.true = keep @ self.true @ keep.T + feeds * (worth**2 * edge.power * square)
            self.lag = keep @ self.lag
            self.kept = self.kept - worth * believed * square
            moved.append((way, worth * gain))
        true = self.true + _BY_CRYSTALS * np.outer(self.lag, self.lag)
        if thrown_by is not None:
            true = true + (_BY_BEACONS if thrown_by.is_to_group else _BY_ALL) * np.outer(self.thrown, self.thrown)
        return np.concatenate([self.kept[None], true]), moved


_IDENTITY: Final = np.eye(4)
_BY_ALL, _BY_BEACONS, _BY_CRYSTALS = (np.array(which)[:, None, None] for which in ([1, 0, 0], [1, 1, 0], [1, 0, 1]))
