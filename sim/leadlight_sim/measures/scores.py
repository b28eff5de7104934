"""What the crowd sees, as numbers.

*Error* is a follower's idea of leader time minus the leader's clock. Its *light* is what a crowd sees of that, while it
shows the show that is due. It is the show position that it shows, less the one that is due, with how late its player
wakes for a frame. A *pair* is the difference of two followers. A frame is *wrong* if it is not the one whose light is
due at that true instant. Scored every quarter of a second from the time a follower has settled, locked or not, losses
and blackouts included; only while its power is off it is left out. Where a follower has no idea of leader time it has
no error either, but it is dark, or its frames are wrong.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
import numpy.typing as npt

from leadlight.units import MILLISECOND

SCORE_EVERY_NS: Final = 250 * MILLISECOND
PAIR_SAMPLES_MAXIMUM: Final = 1_000_000
"""Above this, the quantiles of pairs are those at every n-th instant; the largest difference is of all instants."""

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
            return NOTHING_SCORED
        quantiles = np.quantile(sizes, [0.5, 0.95, 0.99, 0.999, 1.0])
        return cls(*(float(value) for value in quantiles))


NOTHING_SCORED: Final = Percentiles(*[math.nan] * 5)


@dataclass(frozen=True, slots=True, eq=False)
class FollowerScore:
    """One follower's figures. Arrays are one value a scoring instant; errors in ms, signed, NaN while unpowered."""

    name: str
    pixels: int
    error_ms: Percentiles
    naive_error_ms: Percentiles
    light_ms: Percentiles
    naive_light_ms: Percentiles
    """Of a board that shows what is due by the latest beacon, whenever a frame is due; it is never dark."""
    wrong_frame_share: float
    """Of the scoring instants at which a frame was due; 0 if none ever was, 1 for a board that never heard a beacon."""
    dark_share: float
    """Of the same instants, the share at which it had power and showed nothing of the show that was due; NaN if none
    ever was."""
    join_s: float | None
    """From its first beacon until it is right to within half a frame; ``None`` if it never was."""
    joined_at_s: float | None
    """When that was, in seconds of the run."""
    rejoin_s: tuple[float | None, ...]
    """The same after each return of its power."""
    visible_steps: int
    cue_lateness_ms: float
    """The latest that a cue of the running order took effect here; one that never did was late until the next was due
    or the run ended. A board that had been up for less than the target for joining was joining, not late."""
    missed_cues: int
    """How many of them never took effect."""
    beacon_loss: float
    """NaN for one that never heard a beacon: it does not know what it misses."""
    bias_ms: float
    """The middle of its signed errors: what no averaging removes. Not their mean, which outages draw away."""
    light_bias_ms: float
    """The middle of its light's signed distances: positive shows early."""
    trimmed_p95_ms: float
    """Within this its light would be 95 % of the time, were it shown later by its bias."""
    errors: Floats
    naive_errors: Floats
    lights: Floats
    naive_lights: Floats
    powered: npt.NDArray[np.bool_]


@dataclass(frozen=True, slots=True, eq=False)
class Scores:
    """A whole run's figures. ``times_s`` are the scoring instants; ``settled`` says which of them count."""

    times_s: Floats
    settled: npt.NDArray[np.bool_]
    due: npt.NDArray[np.bool_]
    """The scoring instants at which a frame was due."""
    followers: tuple[FollowerScore, ...]
    pair_ms: Percentiles
    worst_pair: tuple[str, str] | None
    worst_pair_ms: Percentiles
    tight_pairs: tuple[tuple[str, str, Percentiles], ...]
    light_pair_ms: Percentiles
    """Pairs as they are seen, while both show the show that is due; those above are of the clocks."""
    worst_light_pair: tuple[str, str] | None
    worst_light_pair_ms: Percentiles
    tight_light_pairs: tuple[tuple[str, str, Percentiles], ...]
    airtime_share: float
    beacons: tuple[tuple[float, tuple[float, ...]], ...] = ()
    """For a beacon timeline: when each beacon was sent, and how long after that each follower had it (NaN: lost)."""


def pair_scores(
    errors: Sequence[Floats], names: Sequence[str]
) -> tuple[Percentiles, tuple[str, str] | None, Percentiles]:
    """Return the quantiles over all pairs, the worst pair by its p95, and that pair's own.

    ``errors`` is one array a follower and one value an instant, in ms, NaN where it does not count: a pair counts only
    where both do.
    """
    count, ticks = len(errors), len(errors[0])
    pairs = [(first, second) for first in range(count) for second in range(first + 1, count)]
    stride = max(1, len(pairs) * ticks // PAIR_SAMPLES_MAXIMUM)
    kept: list[Floats] = []
    worst: tuple[float, int, int] | None = None
    largest = 0.0
    for first, second in pairs:
        gaps = np.abs(errors[first] - errors[second])
        gaps = gaps[~np.isnan(gaps)]
        if not gaps.size:
            continue
        largest = max(largest, float(gaps.max()))
        thinned = gaps[::stride].copy()  # a view would keep the whole
        kept.append(thinned)
        p95 = float(np.quantile(thinned, 0.95))
        if worst is None or p95 > worst[0]:
            worst = p95, first, second
    if worst is None:
        return NOTHING_SCORED, None, NOTHING_SCORED
    _, first, second = worst
    return (
        replace(Percentiles.of(np.concatenate(kept)), max=largest),
        (names[first], names[second]),
        Percentiles.of(errors[first] - errors[second]),
    )


def worst_first(followers: Sequence[FollowerScore]) -> list[FollowerScore]:
    """Return followers by falling p95 of their light, those that never showed anything first; of these by their clocks.

    Where no show was ever on it is by their clocks alone.
    """

    def key(score: FollowerScore) -> tuple[float, float]:
        light, error = (-math.inf if math.isnan(one.p95) else -one.p95 for one in (score.light_ms, score.error_ms))
        return light, error

    return sorted(followers, key=key)


def middle_of(values: Floats) -> float:
    """Return the median, NaN left out; NaN where nothing else is there."""
    known = values[~np.isnan(values)]
    return float(np.median(known)) if known.size else math.nan


def was_show_on(scores: Scores) -> bool:
    """Return whether a show was ever on while a piece was scored, so that there was anything to see."""
    return any(not math.isnan(score.dark_share) for score in scores.followers)


def distance_of(score: FollowerScore, scores: Scores) -> Percentiles:
    """Return a piece's distance from the music: of its light, or of its clock where no show was ever on."""
    return score.light_ms if was_show_on(scores) else score.error_ms


def naive_distance_of(score: FollowerScore, scores: Scores) -> Percentiles:
    """Return the same of a board that believes the latest beacon."""
    return score.naive_light_ms if was_show_on(scores) else score.naive_error_ms
