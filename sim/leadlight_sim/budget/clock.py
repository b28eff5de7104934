"""How well a follower's clock can do on a network, by arithmetic: no run, no luck.

Each view of the clock is a filter whose gains settle. Its error is then the solution of two recursions of covariances:
the one that the filter itself keeps, which gives the gains, and the one of its true error under those gains, fed by the
network's own delays and the crystals' own wander. Both are carried from one sample to the next until they settle (a
discrete Lyapunov equation; R. Brown and P. Hwang, "Introduction to Random Signals and Applied Kalman Filtering", on
suboptimal gains). What the filter believes of the network, it learns: so its learnt noise is solved for as well. A rate
that changes steadily, as crystals do while an evening cools, is followed late by a lag that settles too; its square
counts as variance, since whose crystal changes which way is anyone's guess.

The error is told apart by cause: at the last sample (the *estimator's*), and what is added until the next (*drift*).
Its *own* part is what a piece does not share with the others: the only part that a pair can show. Here is the filter
behind marks, whose samples err either way; ``budget_edges`` has the one for packets that are never early, and
``budget_group`` what becomes of the two together.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from leadlight.clock import MEAN_DEVIATION_TO_SIGMA, RATE_WANDER
from leadlight.clock import NOISE_MINIMUM as TRACKER_NOISE_MINIMUM

Floats = npt.NDArray[np.float64]

STEPS: Final = 4000
"""Samples after which a gain has settled."""
ROUNDS: Final = 40
"""Rounds in which what is learnt and what follows from it are brought together."""
UNEVEN_ROUNDS: Final = 8
UNSETTLED_SHARE: Final = 5
"""A fifth of what is drawn goes by before it counts."""
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
    light_bias_ms: float = 0.0
    """By how much the clock is late because the two ways of an exchange are not alike on average."""
    believed_ms: float = 0.0
    """The deviation that the filter itself states."""


def tracker_error(noise: Noise, cadence: Cadence) -> ClockError:
    """Return the error of the two-state filter behind common view, once settled, with samples that come evenly."""
    step = np.array([[1.0, cadence.interval_s], [0.0, 1.0]])
    learnt = max(noise.sample_s, TRACKER_NOISE_MINIMUM)
    gain = np.zeros((2, 1))
    for _ in range(ROUNDS):
        gain = _settled_gain(step, random_walk(cadence.interval_s, RATE_WANDER), learnt**2)
        true = _settled(step, gain, random_walk(cadence.interval_s, noise.wander), noise.sample_s**2, noise.ramp)
        carried = step @ true @ step.T + random_walk(cadence.interval_s, noise.wander)
        surprise = math.sqrt(carried[0, 0] + noise.sample_s**2) * (1 - float(gain[0, 0]))
        # The filter takes the mean size of what is left of each residual for its noise.
        renewed = max(MEAN_DEVIATION_TO_SIGMA * math.sqrt(2 / math.pi) * surprise, TRACKER_NOISE_MINIMUM)
        if abs(renewed - learnt) < 1e-6 * learnt:
            break
        learnt = renewed
    whole = _settled(step, gain, random_walk(cadence.interval_s, noise.wander), noise.sample_s**2, noise.ramp)
    own = _settled(step, gain, random_walk(cadence.interval_s, noise.own_wander), noise.own_sample_s**2, noise.own_ramp)
    return clock_error(whole, own, noise, cadence)


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


def random_walk(elapsed_s: float, wander: float) -> Floats:
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


def clock_error(whole: Floats, own: Floats, noise: Noise, cadence: Cadence) -> ClockError:
    """Return a spread by cause from covariances of offset and rate just after a sample: of all, and of one's own."""
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
