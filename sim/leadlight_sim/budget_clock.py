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
from copy import copy
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
import numpy.typing as npt

from leadlight.clock.edge_filter import (
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
LEAST_SHARE: Final = 1e-12
ASTRAY_NODES: Final = 9
SCORE_NODES: Final = 7201
OFF_NODES: Final = 61
AFTERMATH_BEACONS: Final = 600
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
    ramp: float = 0.0
    """Steady change of that rate, per second: the rms over pieces."""
    own_ramp: float = 0.0


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
        true = _settled(step, gain, _walk(cadence.interval_s, noise.wander), noise.sample_s**2, noise.ramp)
        carried = step @ true @ step.T + _walk(cadence.interval_s, noise.wander)
        surprise = math.sqrt(carried[0, 0] + noise.sample_s**2) * (1 - float(gain[0, 0]))
        # The filter takes the mean size of what is left of each residual for its noise.
        renewed = max(MEAN_DEVIATION_TO_SIGMA * math.sqrt(2 / math.pi) * surprise, TRACKER_NOISE_MINIMUM)
        if abs(renewed - learnt) < 1e-6 * learnt:
            break
        learnt = renewed
    whole = _settled(step, gain, _walk(cadence.interval_s, noise.wander), noise.sample_s**2, noise.ramp)
    own = _settled(step, gain, _walk(cadence.interval_s, noise.own_wander), noise.own_sample_s**2, noise.own_ramp)
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
    parts = ((noise.sample_s, noise.wander, noise.ramp), (noise.own_sample_s, noise.own_wander, noise.own_ramp))
    true = [believed.copy() for _ in parts]
    lags = [np.zeros((2, runs)) for _ in parts]
    after = np.zeros((len(parts), len(is_taken), 3, runs))
    surprise: list[float] = []
    for instant, taken in enumerate(is_taken):
        kept = _carried(kept, interval_s, RATE_WANDER)
        true = [_carried(each, interval_s, wander) for each, (_, wander, _) in zip(true, parts, strict=True)]
        variance = kept[0] + learnt**2
        gain, rate_gain = np.where(taken, kept[0] / variance, 0.0), np.where(taken, kept[1] / variance, 0.0)
        if instant >= settled and taken.any():
            left = np.sqrt(true[0][0] + lags[0][0] ** 2 + noise.sample_s**2) * (1 - gain)
            surprise.append(float(left[taken].mean()))
        kept = np.stack([kept[0] * (1 - gain), kept[1] * (1 - gain), kept[2] - rate_gain * kept[1]])
        for part, (sample_s, _, ramp) in enumerate(parts):
            behind, slower = lags[part]
            behind = behind + interval_s * slower - ramp * interval_s**2 / 2
            slower = slower - ramp * interval_s
            behind, slower = (1 - gain) * behind, slower - rate_gain * behind
            lags[part] = np.stack([behind, slower])
            xx, xr, rr = true[part]
            fed = np.where(taken, sample_s**2, 0.0)
            true[part] = np.stack(
                [
                    (1 - gain) ** 2 * xx + gain**2 * fed,
                    (1 - gain) * (xr - rate_gain * xx) + gain * rate_gain * fed,
                    rr - 2 * rate_gain * xr + rate_gain**2 * xx + rate_gain**2 * fed,
                ]
            )
            after[part, instant] = true[part] + np.stack([behind**2, behind * slower, slower**2])
    looks = np.arange(settled, len(is_taken))[:, None] * np.ones((1, runs), dtype=np.int64)
    last = newest[settled:]
    usable = last >= 0
    # Looked at evenly from one instant until the next: the mean age, its square and its cube.
    since = (looks - last)[usable]
    ages = interval_s * (since + 0.5), interval_s**2 * (since**2 + since + 1 / 3)
    cubes = interval_s**3 * (since**3 + 1.5 * since**2 + since + 0.25)
    found = []
    for part, (_, wander, _) in enumerate(parts):
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


def _settled(step: Floats, gain: Floats, walk: Floats, variance: float, ramp: float) -> Floats:
    """Return the covariance of the true error just after a sample, under a constant gain."""
    keep = np.eye(2) - gain @ np.array([[1.0, 0.0]])
    fed = keep @ walk @ keep.T + gain @ gain.T * variance
    move = keep @ step
    # X = M X M' + F, as one linear system.
    flat = np.linalg.solve(np.eye(4) - np.kron(move, move), fed.reshape(4))
    # A rate that changes steadily is followed late by as much as this: l = M l - K (a·t²/2, a·t).
    interval_s = step[0, 1]
    lag = np.linalg.solve(np.eye(2) - move, -keep @ (ramp * np.array([interval_s**2 / 2, interval_s])))
    return np.asarray(flat.reshape(2, 2) + np.outer(lag, lag))


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
    early_share: float = 0.0
    """How many packets come too early to believe, so that the filter opens the floor for them."""
    early_s: float = 0.0
    """By how much those do, rms."""


def edge_of(delays_s: Floats, known: float, astray: float) -> Edge:
    """Return where the edge filter finds the edge in a law of delays, given as many draws of it.

    ``known`` is the variance that its own state has in the direction of the packet, by the filter's own account, and
    ``astray`` the variance that it truly has. The floor is where the mean pull is nought; the scale is where as many
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
    nodes, weights = _quadrature()
    shifted = delays - math.sqrt(astray) * nodes[:, None]
    for _ in range(ROUNDS):
        variance = _blur(scale) + known
        low, high = float(delays[0]) - 4 * scale, middle
        for _ in range(BISECTIONS):
            floor = (low + high) / 2
            # A floor too low makes every packet seem late, which pushes it up.
            if _mean(weights, _pull(shifted - floor, variance, scale)[0]) > 0:
                low = floor
            else:
                high = floor
        renewed = max((middle - floor) / MEDIAN_OF_EXPONENTIAL, SCALE_MINIMUM)
        if abs(renewed - scale) < 1e-3 * scale:
            break
        scale = (scale + renewed) / 2
    variance = _blur(scale) + known
    pull, information = _pull(shifted - floor, variance, scale)
    slope = -_mean(weights * nodes, pull) / math.sqrt(astray)
    power = max(_mean(weights, pull**2) - slope**2 * astray, 0.0)
    too_early = (shifted - floor < -EARLY_DEVIATIONS * math.sqrt(variance)).astype(float)
    early_share = _mean(weights, too_early)
    early_s = math.sqrt(_mean(weights, too_early * (shifted - floor) ** 2) / max(early_share, LEAST_SHARE))
    return Edge(floor, scale, slope, power, _mean(weights, information), early_share, early_s)


def _blur(scale: float) -> float:
    """Return the variance by which the filter takes an edge to be blurred, whatever its own state knows."""
    return max(NOISE_MINIMUM, NOISE_SHARE * scale) ** 2


def _quadrature() -> tuple[Floats, Floats]:
    """Return nodes and weights of Gauss and Hermite's quadrature over a standard Gaussian."""
    nodes, weights = np.polynomial.hermite_e.hermegauss(ASTRAY_NODES)
    return nodes, weights / weights.sum()


def _mean(weights: Floats, values: Floats) -> float:
    return float(weights @ values.mean(axis=1))


def _tabulated() -> tuple[Floats, Floats]:
    # With a variance of one half and a scale of one, g = 1 - m(u) at u = 1/2 - n.
    u = np.linspace(-6.0, 30.0, SCORE_NODES)
    return u, np.array([1.0 - edge_score(0.5 - float(each), 0.5, 1.0)[0] for each in u])


def _pull(lateness_s: Floats, variance: float, scale: float) -> tuple[Floats, Floats]:
    """Return pull and information of packets so late, as the library's filter reckons and limits them.

    All of its score hangs on one function m(u), which is tabulated from the library's own.
    """
    deviation = math.sqrt(variance)
    # Far too early for its floor: the filter opens that, by as much as the packet is early.
    doubt = np.where(lateness_s < -EARLY_DEVIATIONS * deviation, variance + lateness_s**2, variance)
    root = np.sqrt(2 * doubt)
    u = (doubt / scale - lateness_s) / root
    m = np.interp(u, *_TABLE)
    pull, information = 1 / scale - m / root, np.maximum(m * (m - 2 * u) / (2 * doubt), 0.0)
    pull = np.where(lateness_s > TAIL_SCALES * scale, pull * TAIL_SCALES * scale / np.maximum(lateness_s, scale), pull)
    # Too late to believe: it moves nothing.
    taken = lateness_s <= LATE_SCALES * scale + 3 * deviation
    return np.where(taken, pull, 0.0), np.where(taken, information, 0.0)


_TABLE: Final = _tabulated()


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

    def draw(self, walks: Floats, luck: np.random.Generator) -> Floats:
        """Return by how much the offsets are wrong as each beacon comes, before it counts: (beacons, runs, followers).

        ``walks`` is by how much the clocks wander, (2, beacons, runs, followers): of the offset and of the rate.
        """
        _, beacons, runs, crowd = walks.shape
        lives = (luck.random((runs, crowd)) < self.copied_share).astype(np.int64)
        phases = luck.integers(0, self.gains.shape[1], (runs, crowd))
        state = _drawn(self.common, luck, (runs, 1)) + _drawn(self.own, luck, (runs, crowd))
        together, apart = np.sqrt(self.shared), np.sqrt(1 - self.shared)
        found = np.empty((beacons, runs, crowd))
        for beacon in range(beacons):
            state[0] += self.interval_s * state[1]
            state[:2] -= walks[:, beacon]
            found[beacon] = state[0]
            gains = self.gains[lives, (phases + beacon) % self.gains.shape[1]]
            for kind, direction in enumerate(self.directions):
                noise = apart[kind] * luck.standard_normal((runs, crowd))
                if together[kind]:
                    noise = noise + together[kind] * luck.standard_normal((runs, 1))
                pull = self.noises[kind] * noise - self.slopes[kind] * np.tensordot(direction, state, 1)
                state += np.moveaxis(gains[:, :, kind], 2, 0) * pull
        for throws, share in zip(self.throws, self.shared, strict=True):
            if throws.rate == 0.0:
                continue
            for chance, followers in (share * throws.rate, 1), ((1 - share) * throws.rate, crowd):
                for beacon, run, follower in np.argwhere(luck.random((beacons, runs, followers)) < chance):
                    whose = slice(None) if followers == 1 else slice(follower, follower + 1)
                    left = throws.offsets_s[: beacons - beacon, None]
                    found[beacon : beacon + len(left), run, whose] += left
        return found


def _drawn(covariance: Floats, luck: np.random.Generator, shape: tuple[int, int]) -> Floats:
    values, vectors = np.linalg.eigh(covariance)
    root = vectors * np.sqrt(np.maximum(values, 0.0))
    drawn: Floats = np.tensordot(root, luck.standard_normal((4, *shape)), 1)
    return drawn


def edge_error(packets: Packets, wander: float, ramp: float = 0.0) -> ClockError:
    """Return the error of the edge filter on beacons and exchanges, once settled, as ``settled_edges`` does."""
    return settled_edges(packets, wander, ramp).error


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
    told = _told(true[:2, :2], own[:2, :2], Noise(0.0, 0.0, wander, wander / math.sqrt(2)), cadence)
    if one_way:
        # One-way packets cannot tell a clock from a floor: it takes the floor for what it was told to expect.
        error = replace(told, floor_ms=1e3 * beacons.edge.floor_s, lean_ms=1e3 * (beacons.edge.floor_s - FLOOR_START))
    else:
        error = replace(
            told,
            floor_ms=1e3 * (down.edge.floor_s + up.edge.floor_s) / 2,
            lean_ms=1e3 * (down.edge.floor_s - up.edge.floor_s) / 2,
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

    def looked_at_from(self, off_s: float) -> tuple[float, float]:
        """Return mean pull and information where the state is off by so much on top of what it usually is astray by."""
        if self.table is None:
            nodes, weights = _quadrature()
            edge = self.edge
            variance = _blur(edge.scale_s) + self.known
            offs = np.linspace(-1.5, 1.5, OFF_NODES) * edge.early_s
            late = self.delays_s - edge.floor_s - math.sqrt(self.astray) * nodes[:, None]
            looks = [[_mean(weights, each) for each in _pull(late - off, variance, edge.scale_s)] for off in offs]
            self.table = offs, *np.array(looks).T
        return float(np.interp(off_s, *self.table[:2])), float(np.interp(off_s, self.table[0], self.table[2]))


def _likeness(packets: Packets, beacons: _Way) -> float:
    """Return the correlation of what one beacon does to the clocks of two followers.

    Each looks at it from where its own state is, which is astray by what it does not know: averages over that are taken
    by Gauss-Hermite quadrature.
    """
    if packets.beacon_pairs_s is None:
        return 0.0
    edge = beacons.edge
    variance = _blur(edge.scale_s) + beacons.known
    means, squares = [], []
    for delays_s in packets.beacon_pairs_s:
        nodes, weights = _quadrature()
        shifted = delays_s - math.sqrt(beacons.astray) * nodes[:, None]
        pull, _ = _pull(shifted - edge.floor_s, variance, edge.scale_s)
        means.append(weights @ pull)
        squares.append(_mean(weights, pull**2) - edge.slope**2 * beacons.astray)
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
    rates = {id(way): way.edge.early_share / (1 if way.direction[2] else each) for way in (*beacons, *exchange)}
    lasting = 1 - sum(rates.values())
    for way in (*beacons, *exchange):
        if rates[id(way)] > 0.0:
            # What is added after a packet that comes too early to believe, by how likely it is that one came so long
            # ago and none since: such events are rare, and what several kinds add adds up.
            after = recursion.copy()
            after.throw(way)
            offsets_s = np.empty(AFTERMATH_BEACONS)
            for number in range(AFTERMATH_BEACONS):
                added = after.step(SETTLING_BEACONS + number, way)[0] - settled[number % each]
                found = found + rates[id(way)] * lasting**number * added
                offsets_s[number] = after.thrown[0]
            throws[id(way)] = Throws(rates[id(way)], offsets_s)
    return found, _Life([moved for _, moved in period], throws)


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
        self._believed[:2, :2] = _walk(interval_s, RATE_WANDER)
        self._believed[2, 2] = self._believed[3, 3] = FLOOR_WANDER**2 * interval_s
        self._walked[:2, :2] = _walk(interval_s, wander)
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
        floor = 2 if way.direction[2] else 3
        self.kept[floor, floor] += way.edge.early_s**2
        gain = self.kept @ way.direction
        variance = _blur(way.edge.scale_s) + float(way.direction @ gain)
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
            keep = np.eye(4) - worth * edge.slope * np.outer(gain, way.direction)
            feeds = _BY_BEACONS if way.direction[2] else _BY_ALL
            self.true = keep @ self.true @ keep.T + feeds * (worth**2 * edge.power * np.outer(gain, gain))
            self.lag = keep @ self.lag
            self.kept = self.kept - worth * believed * np.outer(gain, gain)
            moved.append((way, worth * gain))
        true = self.true + _BY_CRYSTALS * np.outer(self.lag, self.lag)
        if thrown_by is not None:
            true = true + (_BY_BEACONS if thrown_by.direction[2] else _BY_ALL) * np.outer(self.thrown, self.thrown)
        return np.concatenate([self.kept[None], true]), moved


_BY_ALL, _BY_BEACONS, _BY_CRYSTALS = (np.array(which)[:, None, None] for which in ([1, 0, 0], [1, 1, 0], [1, 0, 1]))
