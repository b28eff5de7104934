"""How well a follower's clock can do on a network, by arithmetic: no run, no luck.

Each view of the clock is a filter whose gains settle. Its error is then the solution of two recursions of covariances:
the one that the filter itself keeps, which gives the gains, and the one of its true error under those gains, fed by the
network's own delays and the crystals' own wander. Both are carried from one sample to the next until they settle (a
discrete Lyapunov equation; R. Brown and P. Hwang, "Introduction to Random Signals and Applied Kalman Filtering", on
suboptimal gains). What the filter believes of the network, it learns: so its learnt noise is solved for as well.

The error is told apart by cause: at the last sample (the *estimator's*), and what is added until the next (*drift*).
Its *own* part is what a piece does not share with the others: the only part that a pair can show.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
import numpy.typing as npt

from leadlight.clock.edge_filter import (
    BEACON_SCALE_MAXIMUM,
    FLOOR_START,
    FLOOR_WANDER,
    MEDIAN_OF_EXPONENTIAL,
    NOISE_MINIMUM,
    NOISE_SHARE,
    RATE_WANDER,
    SCALE_MINIMUM,
    TAIL_SCALES,
    edge_score,
)
from leadlight.clock.tracker import MEAN_DEVIATION_TO_SIGMA
from leadlight.clock.tracker import NOISE_MINIMUM as TRACKER_NOISE_MINIMUM

Floats = npt.NDArray[np.float64]

STEPS: Final = 4000
"""Samples after which a gain has settled."""
SETTLING_BEACONS: Final = 1200
"""Beacons after which the edge filter has settled: the slowest, its floors, takes some hundreds."""
KNOWN_START: Final = 1e-8
"""Variance of a clock that is 0.1 ms off: where those rounds begin."""
KNOWN_ROUNDS: Final = 4
"""Rounds in which the edges and what the filter knows of itself are brought together."""
ROUNDS: Final = 40
"""Rounds in which what is learnt and what follows from it are brought together."""
BISECTIONS: Final = 20
PHASES: Final = 64
"""Instants between two samples at which the drift is averaged."""


@dataclass(frozen=True, slots=True)
class Noise:
    """What disturbs a filter's samples, in seconds and seconds per second: in all, and the part that is one's own."""

    sample_s: float
    own_sample_s: float
    wander: float
    """Random walk of the rate between the two clocks, per square root of a second."""
    own_wander: float


@dataclass(frozen=True, slots=True)
class Cadence:
    """When samples come: so many seconds apart, each so many seconds old when it can be used.

    For ``outage_share`` of the time nothing comes, for ``outage_s`` at a stretch on average.
    """

    interval_s: float
    age_s: float = 0.0
    outage_share: float = 0.0
    outage_s: float = 0.0

    def ages_s(self) -> tuple[Floats, Floats]:
        """Return ages of the last sample at evenly spread instants, and the weight of each.

        How long an outage has lasted at any instant of it is exponential where its length is.
        """
        phase = (np.arange(PHASES) + 0.5) / PHASES
        usual = self.age_s + self.interval_s * phase
        cut_off = self.age_s + self.interval_s / 2 - self.outage_s * np.log(phase)
        shares = np.repeat([1 - self.outage_share, self.outage_share], PHASES) / PHASES
        return np.concatenate([usual, cut_off]), shares


@dataclass(frozen=True, slots=True)
class ClockError:
    """A clock's spread by cause, rms in ms; with the edge filter, what it settles on as well."""

    estimator_ms: float
    drift_ms: float
    own_estimator_ms: float
    own_drift_ms: float
    rate_ppm: float
    floor_ms: float = 0.0
    """The shortest way of an exchange, as the filter finds it."""
    lean_ms: float = 0.0
    """By how much the clock is late because the two ways of an exchange are not alike on average."""
    believed_ms: float = 0.0
    """The deviation that the filter itself states."""


def tracker_error(noise: Noise, cadence: Cadence, doubt_s: float = 0.0) -> ClockError:
    """Return the error of the two-state filter behind group delay and common view, once settled.

    ``doubt_s`` is a standard deviation that the filter is told of each sample on top of the noise that it learns.
    """
    step = np.array([[1.0, cadence.interval_s], [0.0, 1.0]])
    learnt = max(noise.sample_s, TRACKER_NOISE_MINIMUM)
    gain = np.zeros((2, 1))
    for _ in range(ROUNDS):
        believed = learnt**2 + doubt_s**2
        gain = _settled_gain(step, _walk(cadence.interval_s, RATE_WANDER), believed)
        true = _settled(step, gain, _walk(cadence.interval_s, noise.wander), noise.sample_s**2)
        carried = step @ true @ step.T + _walk(cadence.interval_s, noise.wander)
        surprise = math.sqrt(carried[0, 0] + noise.sample_s**2) * (1 - float(gain[0, 0]))
        # The filter takes the mean size of what is left of each residual for its noise.
        renewed = max(MEAN_DEVIATION_TO_SIGMA * math.sqrt(2 / math.pi) * surprise, TRACKER_NOISE_MINIMUM)
        if abs(renewed - learnt) < 1e-6 * learnt:
            break
        learnt = renewed
    whole = _settled(step, gain, _walk(cadence.interval_s, noise.wander), noise.sample_s**2)
    own = _settled(step, gain, _walk(cadence.interval_s, noise.own_wander), noise.own_sample_s**2)
    return _told(whole, own, noise, cadence)


def _walk(elapsed_s: float, wander: float) -> Floats:
    """Return the covariance that a random walk of the rate adds to offset and rate."""
    q = wander * wander * elapsed_s
    return np.array([[q * elapsed_s**2 / 3, q * elapsed_s / 2], [q * elapsed_s / 2, q]])


def _settled_gain(step: Floats, walk: Floats, variance: float) -> Floats:
    kept = np.diag([1e-6, 1e-10])
    gain = np.zeros((2, 1))
    for _ in range(STEPS):
        carried = step @ kept @ step.T + walk
        renewed = carried[:, :1] / (carried[0, 0] + variance)
        kept = carried - renewed @ carried[:1, :]
        if np.allclose(renewed, gain, rtol=1e-9, atol=0.0):
            break
        gain = renewed
    return gain


def _settled(step: Floats, gain: Floats, walk: Floats, variance: float) -> Floats:
    """Return the covariance of the true error just after a sample, under a constant gain."""
    keep = np.eye(2) - gain @ np.array([[1.0, 0.0]])
    fed = keep @ walk @ keep.T + gain @ gain.T * variance
    move = keep @ step
    # X = M X M' + F, as one linear system.
    flat = np.linalg.solve(np.eye(4) - np.kron(move, move), fed.reshape(4))
    return np.asarray(flat.reshape(2, 2))


def _told(whole: Floats, own: Floats, noise: Noise, cadence: Cadence) -> ClockError:
    return ClockError(
        estimator_ms=1e3 * math.sqrt(whole[0, 0]),
        drift_ms=1e3 * _drift_s(whole, noise.wander, cadence),
        own_estimator_ms=1e3 * math.sqrt(own[0, 0]),
        own_drift_ms=1e3 * _drift_s(own, noise.own_wander, cadence),
        rate_ppm=1e6 * math.sqrt(whole[1, 1]),
    )


def _drift_s(after: Floats, wander: float, cadence: Cadence) -> float:
    """Return the rms of what is added from one sample until the next, in seconds.

    At an age t the offset's variance has grown by 2·t·(offset, rate) + t²·(rate, rate) + w²·t³/3.
    """
    ages, weights = cadence.ages_s()
    grown = 2 * ages * after[0, 1] + ages**2 * after[1, 1] + wander**2 * ages**3 / 3
    return math.sqrt(max(float(weights @ grown), 0.0))


# --- The edge filter ----------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Edge:
    """What the edge filter makes of one kind of packet: the floor and the scale it settles on, and what each is worth.

    ``slope`` is the mean pull per second of error, ``power`` the mean square of the pull: their quotient
    ``power / slope²`` is the variance of one packet's word.
    """

    floor_s: float
    scale_s: float
    slope: float
    power: float
    believed: float
    """The information that the filter itself takes for granted, which sets its gains."""


def edge_of(delays_s: Floats, known: float) -> Edge:
    """Return where the edge filter finds the edge in a law of delays, given as many draws of it.

    ``known`` is the variance that its own state has in the direction of the packet. The floor is where the mean pull is
    nought; the scale is where as many packets move it up as down.
    """
    delays = np.sort(delays_s)
    middle = float(np.median(delays))
    floor = float(delays[len(delays) // 100])
    scale = max((middle - floor) / MEDIAN_OF_EXPONENTIAL, SCALE_MINIMUM)
    for _ in range(ROUNDS):
        noise = max(NOISE_MINIMUM, NOISE_SHARE * scale)
        variance = noise * noise + known
        low, high = float(delays[0]) - 4 * scale, middle
        for _ in range(BISECTIONS):
            floor = (low + high) / 2
            # A floor too low makes every packet seem late, which pushes it up.
            if float(np.mean(_pull(delays - floor, variance, scale)[0])) > 0:
                low = floor
            else:
                high = floor
        renewed = max((middle - floor) / MEDIAN_OF_EXPONENTIAL, SCALE_MINIMUM)
        if abs(renewed - scale) < 1e-3 * scale:
            break
        scale = (scale + renewed) / 2
    noise = max(NOISE_MINIMUM, NOISE_SHARE * scale)
    variance = noise * noise + known
    pull, information = _pull(delays - floor, variance, scale)
    nudge = 0.02 * noise
    ahead, _ = _pull(delays - floor + nudge, variance, scale)
    behind, _ = _pull(delays - floor - nudge, variance, scale)
    slope = float(np.mean(ahead - behind)) / (2 * nudge)
    return Edge(floor, scale, slope, float(np.mean(pull**2)), float(np.mean(information)))


def _pull(lateness_s: Floats, variance: float, scale: float) -> tuple[Floats, Floats]:
    scores = [edge_score(float(late), variance, scale) for late in lateness_s]
    pull = np.array([score for score, _ in scores])
    far = lateness_s > TAIL_SCALES * scale
    pull[far] *= TAIL_SCALES * scale / lateness_s[far]
    return pull, np.array([information for _, information in scores])


@dataclass(frozen=True, slots=True)
class Packets:
    """The kinds of packets that the edge filter is fed with: draws of their delays in seconds, and how often.

    ``down_s`` and ``up_s`` are the ways of an exchange; without soundings ``sounding_s`` is infinite.
    """

    beacon_s: Floats
    beacon_interval_s: float
    down_s: Floats
    up_s: Floats
    sounding_s: float
    outage_share: float = 0.0
    outage_s: float = 0.0


def edge_error(packets: Packets, wander: float) -> ClockError:
    """Return the error of the edge filter on beacons and exchanges, once settled.

    ``wander`` is the random walk of the rate between the two clocks, per square root of a second. All of the error
    counts as a piece's own: what beacons have in common is a small part of what exchanges tell.
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
            way.edge = edge_of(way.delays_s, way.known)
        if exchange and beacons.edge.scale_s > BEACON_SCALE_MAXIMUM:
            # No edge to find: the filter keeps such beacons from moving the clock.
            heard = []
        kept, true = _recursions(heard, exchange, each, packets.beacon_interval_s, wander)
    # Each beacon carries the estimate to its own instant, even where it does not move the clock.
    cadence = Cadence(packets.beacon_interval_s, 0.0, packets.outage_share, packets.outage_s)
    told = _told(true[:2, :2], true[:2, :2], Noise(0.0, 0.0, wander, wander), cadence)
    if one_way:
        # One-way packets cannot tell a clock from a floor: it takes the floor for what it was told to expect.
        return replace(told, floor_ms=1e3 * beacons.edge.floor_s, lean_ms=1e3 * (beacons.edge.floor_s - FLOOR_START))
    return replace(
        told,
        floor_ms=1e3 * (down.edge.floor_s + up.edge.floor_s) / 2,
        lean_ms=1e3 * (down.edge.floor_s - up.edge.floor_s) / 2,
        believed_ms=1e3 * math.sqrt(max(float(kept[0, 0]), 0.0)),
    )


@dataclass(slots=True)
class _Way:
    direction: Floats
    delays_s: Floats
    edge: Edge = Edge(0.0, 1.0, 0.0, 0.0, 0.0)
    known: float = 0.0


def _recursions(
    beacons: Sequence[_Way], exchange: Sequence[_Way], each: int, interval_s: float, wander: float
) -> tuple[Floats, Floats]:
    """Return the covariance that the filter keeps and that of its true error, averaged over one exchange's period."""
    step = np.eye(4)
    step[0, 1] = interval_s
    believed, walked = np.zeros((4, 4)), np.zeros((4, 4))
    believed[:2, :2] = _walk(interval_s, RATE_WANDER)
    believed[2, 2] = believed[3, 3] = FLOOR_WANDER**2 * interval_s
    walked[:2, :2] = _walk(interval_s, wander)
    kept = np.diag([1e-8, 1e-12, 1e-8, 1e-8])
    true = kept.copy()
    sums = np.zeros((2, 4, 4))
    for number in range(SETTLING_BEACONS):
        kept = step @ kept @ step.T + believed
        true = step @ true @ step.T + walked
        for way in (*beacons, *(exchange if number % each == 0 else ())):
            gain = kept @ way.direction
            # An edge blurred by more ignorance than it was weighed with is worth less, until all has settled.
            excess = max(float(way.direction @ gain) - way.known, 0.0)
            worth = 1 / (1 + way.edge.believed * excess)
            keep = np.eye(4) - worth * way.edge.slope * np.outer(gain, way.direction)
            true = keep @ true @ keep.T + worth**2 * way.edge.power * np.outer(gain, gain)
            kept = kept - worth * way.edge.believed * np.outer(gain, gain)
        if number >= SETTLING_BEACONS - each:
            sums += np.stack([kept, true])
    return sums[0] / each, sums[1] / each
