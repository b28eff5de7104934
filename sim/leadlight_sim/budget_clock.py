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
UNEVEN_ROUNDS: Final = 8
UNSETTLED_SHARE: Final = 5
"""A fifth of what is drawn goes by before it counts."""
BISECTIONS: Final = 20
ASTRAY_NODES: Final = 7
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


def uneven_tracker_error(
    noise: Noise, interval_s: float, is_taken: npt.NDArray[np.bool_], newest: npt.NDArray[np.int64]
) -> ClockError:
    """Return the error of the same filter where samples come unevenly, averaged over time and over runs side by side.

    ``is_taken`` says which of the instants ``interval_s`` apart give a sample, ``newest`` which is the latest that can
    be used by each; arrays of shape (instants, runs).
    """
    believed = np.array([1e-6, 0.0, 1e-10])[:, None] * np.ones(is_taken.shape[1])
    learnt = max(noise.sample_s, TRACKER_NOISE_MINIMUM)
    settled = len(is_taken) // UNSETTLED_SHARE
    for _ in range(UNEVEN_ROUNDS):
        told, surprise = _uneven(noise, interval_s, is_taken, newest, believed, learnt, settled)
        renewed = max(MEAN_DEVIATION_TO_SIGMA * math.sqrt(2 / math.pi) * surprise, TRACKER_NOISE_MINIMUM)
        if abs(renewed - learnt) < 1e-3 * learnt:
            break
        learnt = renewed
    return told


def _uneven(
    noise: Noise,
    interval_s: float,
    is_taken: npt.NDArray[np.bool_],
    newest: npt.NDArray[np.int64],
    believed: Floats,
    learnt: float,
    settled: int,
) -> tuple[ClockError, float]:
    """Return the error under a learnt noise, and the mean size of what is left of a residual."""
    runs = is_taken.shape[1]
    kept = believed
    # Offset, both, rate: of all of the error, and of one's own.
    parts = ((noise.sample_s, noise.wander), (noise.own_sample_s, noise.own_wander))
    true = [believed.copy() for _ in parts]
    after = np.zeros((len(parts), len(is_taken), 3, runs))
    surprise: list[float] = []
    for instant, taken in enumerate(is_taken):
        kept = _carried(kept, interval_s, RATE_WANDER)
        true = [_carried(each, interval_s, wander) for each, (_, wander) in zip(true, parts, strict=True)]
        variance = kept[0] + learnt**2
        gain, rate_gain = np.where(taken, kept[0] / variance, 0.0), np.where(taken, kept[1] / variance, 0.0)
        if instant >= settled and taken.any():
            left = np.sqrt(true[0][0] + noise.sample_s**2) * (1 - gain)
            surprise.append(float(left[taken].mean()))
        kept = np.stack([kept[0] * (1 - gain), kept[1] * (1 - gain), kept[2] - rate_gain * kept[1]])
        for part, (sample_s, _) in enumerate(parts):
            xx, xr, rr = true[part]
            fed = np.where(taken, sample_s**2, 0.0)
            true[part] = np.stack(
                [
                    (1 - gain) ** 2 * xx + gain**2 * fed,
                    (1 - gain) * (xr - rate_gain * xx) + gain * rate_gain * fed,
                    rr - 2 * rate_gain * xr + rate_gain**2 * xx + rate_gain**2 * fed,
                ]
            )
            after[part, instant] = true[part]
    looks = np.arange(settled, len(is_taken))[:, None] * np.ones((1, runs), dtype=np.int64)
    last = newest[settled:]
    usable = last >= 0
    # Looked at evenly from one instant until the next: the mean age, its square and its cube.
    since = (looks - last)[usable]
    ages = interval_s * (since + 0.5), interval_s**2 * (since**2 + since + 1 / 3)
    cubes = interval_s**3 * (since**3 + 1.5 * since**2 + since + 0.25)
    found = []
    for part, (_, wander) in enumerate(parts):
        columns = np.broadcast_to(np.arange(runs), last.shape)[usable]
        xx, xr, rr = after[part][last[usable], :, columns].T
        grown = 2 * ages[0] * xr + ages[1] * rr + wander**2 * cubes / 3
        found.append((float(xx.mean()), float(grown.mean()), float(rr.mean())))
    (whole, whole_grown, rate), (own, own_grown, _) = found
    told = ClockError(
        estimator_ms=1e3 * math.sqrt(whole),
        drift_ms=1e3 * math.sqrt(max(whole_grown, 0.0)),
        own_estimator_ms=1e3 * math.sqrt(own),
        own_drift_ms=1e3 * math.sqrt(max(own_grown, 0.0)),
        rate_ppm=1e6 * math.sqrt(rate),
    )
    return told, float(np.mean(surprise))


def _carried(covariance: Floats, elapsed_s: float, wander: float) -> Floats:
    """Carry (offset, both, rate) of a covariance on by a time."""
    xx, xr, rr = covariance
    q = wander * wander * elapsed_s
    moved = xx + elapsed_s * (2 * xr + elapsed_s * rr) + q * elapsed_s**2 / 3
    return np.stack([moved, xr + elapsed_s * rr + q * elapsed_s / 2, rr + q])


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


def edge_error(packets: Packets, wander: float) -> ClockError:
    """Return the error of the edge filter on beacons and exchanges, once settled.

    ``wander`` is the random walk of the rate between the two clocks, per square root of a second, half of whose square
    is the leader's and so everyone's. What beacons are late by, as far as they are so for all, is not a piece's own
    either.
    """
    beacons = _Way(np.array([1.0, 0.0, 1.0, 0.0]), packets.beacon_s)
    down = _Way(np.array([1.0, 0.0, 0.0, 1.0]), packets.down_s)
    up = _Way(np.array([1.0, 0.0, 0.0, -1.0]), packets.up_s)
    one_way = math.isinf(packets.sounding_s)
    exchange = [] if one_way else [down, up]
    each = 1 if one_way else max(1, round(packets.sounding_s / packets.beacon_interval_s))
    kept = np.diag([KNOWN_START, 0.0, 0.0, 0.0])
    heard = [beacons]
    for _ in range(KNOWN_ROUNDS):
        for way in (beacons, *exchange):
            # What the filter does not know of itself blurs the edge it looks for.
            way.known = float(way.direction @ kept @ way.direction)
            way.edge = edge_of(way.delays_s, way.known)
        if exchange and beacons.edge.scale_s > BEACON_SCALE_MAXIMUM:
            # No edge to find: the filter keeps such beacons from moving the clock.
            heard = []
        # Copies come for minutes or for none: each way of living settles, and the error is the mean over both.
        settled = _recursions(heard, exchange, each, packets.beacon_interval_s, wander)
        if exchange and packets.copied_share > 0:
            copied = _recursions([*heard, down], exchange, each, packets.beacon_interval_s, wander)
            settled += packets.copied_share * (copied - settled)
        kept, true, by_beacons, by_wander = settled
    # Each beacon carries the estimate to its own instant, even where it does not move the clock.
    cadence = Cadence(packets.beacon_interval_s, 0.0, packets.outage_share, packets.outage_s)
    own = true - _likeness(packets, beacons) * by_beacons - by_wander / 2
    told = _told(true[:2, :2], own[:2, :2], Noise(0.0, 0.0, wander, wander / math.sqrt(2)), cadence)
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


def _likeness(packets: Packets, beacons: _Way) -> float:
    """Return the correlation of what one beacon does to the clocks of two followers.

    Each looks at it from where its own state is, which is astray by what it does not know: averages over that are taken
    by Gauss-Hermite quadrature.
    """
    if packets.beacon_pairs_s is None:
        return 0.0
    scale = beacons.edge.scale_s
    variance = max(NOISE_MINIMUM, NOISE_SHARE * scale) ** 2 + beacons.known
    nodes, weights = np.polynomial.hermite_e.hermegauss(ASTRAY_NODES)
    weights /= weights.sum()
    means, squares = [], []
    for delays_s in packets.beacon_pairs_s:
        astray = np.array(
            [
                _pull(delays_s - beacons.edge.floor_s + node * math.sqrt(beacons.known), variance, scale)[0]
                for node in nodes
            ]
        )
        means.append(weights @ astray)
        squares.append(float(weights @ np.mean(astray**2, axis=1)))
    one, other = means
    spread = math.sqrt(math.prod(square - float(mean.mean()) ** 2 for mean, square in zip(means, squares, strict=True)))
    return float(np.mean(one * other) - one.mean() * other.mean()) / spread


def _recursions(
    beacons: Sequence[_Way], exchange: Sequence[_Way], each: int, interval_s: float, wander: float
) -> Floats:
    """Return covariances averaged over one exchange's period, of shape (4, 4, 4).

    The first is what the filter keeps, the second that of its true error; the third and fourth are the parts of the
    second that beacons and that the crystals' wander have fed.
    """
    step = np.eye(4)
    step[0, 1] = interval_s
    believed, walked = np.zeros((4, 4)), np.zeros((4, 4))
    believed[:2, :2] = _walk(interval_s, RATE_WANDER)
    believed[2, 2] = believed[3, 3] = FLOOR_WANDER**2 * interval_s
    walked[:2, :2] = _walk(interval_s, wander)
    kept = np.diag([1e-8, 1e-12, 1e-8, 1e-8])
    # The true error, and its parts by beacons and by wander; the rest is what exchanges feed.
    true = np.stack([kept, np.zeros((4, 4)), np.zeros((4, 4))])
    by_all, by_beacons, by_wander = (np.array(which)[:, None, None] for which in ([1, 0, 0], [1, 1, 0], [1, 0, 1]))
    sums = np.zeros((4, 4, 4))
    for number in range(SETTLING_BEACONS):
        kept = step @ kept @ step.T + believed
        true = step @ true @ step.T + by_wander * walked
        for way in (*beacons, *(exchange if number % each == 0 else ())):
            gain = kept @ way.direction
            # An edge blurred by more ignorance than it was weighed with is worth less, until all has settled.
            excess = max(float(way.direction @ gain) - way.known, 0.0)
            worth = 1 / (1 + way.edge.believed * excess)
            keep = np.eye(4) - worth * way.edge.slope * np.outer(gain, way.direction)
            feeds = by_beacons if way.direction[2] else by_all
            true = keep @ true @ keep.T + feeds * (worth**2 * way.edge.power * np.outer(gain, gain))
            kept = kept - worth * way.edge.believed * np.outer(gain, gain)
        if number >= SETTLING_BEACONS - each:
            sums += np.concatenate([kept[None], true])
    return sums / each
