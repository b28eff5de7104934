"""Levels of load: which spans of a recording were busy, and whether that is more than chance.

Delays that were sent at about the same time are alike where a network's load comes and goes. Each delay is taken as its
rank among those of its host and way, so that a slow host is not a busy time. Spans of time are as short as they may be
for their mean rank to tell the load and not the luck of a few packets. With the intraclass correlation ρ of n packets
to a span, nρ / (1 + (n − 1)ρ) of what spans differ by is the load (P. E. Shrout, J. L. Fleiss, "Intraclass
correlations", Psychological Bulletin 86, 1979). Where no span tells it there is one level, and every packet is drawn on
its own.
"""

from __future__ import annotations

from bisect import bisect_right
from dataclasses import dataclass
from itertools import groupby
from statistics import median
from typing import Final

import numpy as np
import numpy.typing as npt
from scipy.special import ndtri
from scipy.stats import f as f_distribution
from scipy.stats import rankdata

from leadlight.units import MILLISECOND, SECOND
from leadlight_sim.recording import Flags, Floats, Observed, Way

WINDOW_NS: Final = 10 * MILLISECOND
"""The shortest window; where packets are rarer than this, a window lasts from one to the next."""
WINDOW_MAXIMUM_NS: Final = 60 * SECOND
WINDOWS_MAXIMUM: Final = 200_000
LEVELS_MAXIMUM: Final = 10
WINDOWS_PER_LEVEL: Final = 20
"""At least so many windows make a level."""
WINDOWS_MINIMUM: Final = 40
RELIABLE: Final = 0.8
"""So much of what windows differ by must be load; assumed."""
GAP_WINDOWS: Final = 5
CHANCE: Final = 0.001
"""Of windows that differ by luck alone, so few are taken for load."""


@dataclass(frozen=True, slots=True)
class Levels:
    """The level of each window of a recording, 0 for the calmest; ``likeness`` is what packets of a window share.

    ``replayed`` are the levels without those of long gaps in which nothing was sent: nobody knows what they were.
    """

    windows: tuple[int, ...]
    replayed: tuple[int, ...]
    begin_ns: float
    window_ns: int
    count: int
    likeness: float

    def of(self, sent_ns: Floats) -> npt.NDArray[np.int64]:
        """Return the level at which each packet was sent."""
        places = np.clip(((sent_ns - self.begin_ns) // self.window_ns).astype(int), 0, len(self.windows) - 1)
        found: npt.NDArray[np.int64] = np.array(self.windows, dtype=np.int64)[places]
        return found


def find_levels(observed: Observed, group: tuple[Way, ...]) -> Levels:
    """Return the levels of a recording's load; ``group`` are the group's packets without what the access point held."""
    at, scores = _scores(observed, group)
    sent = np.unique(np.concatenate([way.sent_ns for way in [*observed.ways("up"), *observed.ways("down"), *group]]))
    begin, span_ns = float(sent[0]), float(sent[-1] - sent[0]) + 1
    spacing_ns = float(median(np.diff(sent))) if len(sent) > 1 else 1.0
    window_ns = int(max(WINDOW_NS, round(spacing_ns), -(-span_ns // WINDOWS_MAXIMUM)))
    likeness = 0.0
    while span_ns // window_ns >= WINDOWS_MINIMUM and window_ns <= WINDOW_MAXIMUM_NS:
        share, packets, by_chance = _likeness(((at - begin) // window_ns).astype(int), scores)
        likeness = max(likeness, share)
        if by_chance < CHANCE and share > 0 and packets * share / (1 + (packets - 1) * share) >= RELIABLE:
            number = int(-(-span_ns // window_ns))
            is_sent = np.bincount(((sent - begin) // window_ns).astype(int), minlength=number) > 0
            return _sorted(((at - begin) // window_ns).astype(int), scores, is_sent, begin, window_ns, share)
        window_ns *= 2
    return Levels((0,), (0,), begin, int(min(span_ns, WINDOW_MAXIMUM_NS)), 1, likeness)


def _scores(observed: Observed, group: tuple[Way, ...]) -> tuple[Floats, Floats]:
    at, scores = [], []
    halved = any(host.halved for host in observed.hosts)
    # One transmission to the group is one, however many heard it.
    ways = [*observed.ways("up"), *([] if halved else observed.ways("down")), *_once(group)]
    for way in ways:
        came = way.came
        if came.any():
            at.append(way.sent_ns[came])
            ranks = rankdata(way.delay_ns[came])
            scores.append(ndtri((ranks - 0.5) / len(ranks)))
    return np.concatenate(at), np.concatenate(scores)


def _once(group: tuple[Way, ...]) -> list[Way]:
    if len(group) < 2:
        return list(group)
    sent = np.concatenate([way.sent_ns[way.came] for way in group])
    delays = np.concatenate([way.delay_ns[way.came] for way in group])
    instants, place, counts = np.unique(sent, return_inverse=True, return_counts=True)
    return [Way(instants, np.bincount(place, weights=delays) / counts)]


def _likeness(window: npt.NDArray[np.int64], scores: Floats) -> tuple[float, float, float]:
    # The intraclass correlation, packets to a window, and how likely so much is by chance (one-way analysis of
    # variance).
    _, window, counts = np.unique(window, return_inverse=True, return_counts=True)
    groups, total = len(counts), len(scores)
    if groups < 2 or total <= groups:
        return 0.0, 1.0, 1.0
    sums = np.bincount(window, weights=scores)
    means = sums / counts
    between = float(np.sum(counts * (means - np.mean(scores)) ** 2)) / (groups - 1)
    within = float(np.sum((scores - means[window]) ** 2)) / (total - groups)
    packets = (total - float(np.sum(counts**2)) / total) / (groups - 1)
    if within <= 1e-12 * max(between, 1e-12):
        return (1.0, packets, 0.0) if between > 1e-12 else (0.0, packets, 1.0)
    share = (between - within) / (between + (packets - 1) * within)
    by_chance = float(f_distribution.sf(between / within, groups - 1, total - groups))
    return max(0.0, share), packets, by_chance


def _sorted(
    window: npt.NDArray[np.int64], scores: Floats, is_sent: Flags, begin: float, window_ns: int, share: float
) -> Levels:
    number = len(is_sent)
    counts = np.bincount(window, minlength=number)
    means = np.bincount(window, weights=scores, minlength=number) / np.maximum(counts, 1)
    # Equal packets in another order must not make another mean.
    means = np.round(means, 9)
    heard = sorted(means[counts > 0].tolist())
    count = max(1, min(LEVELS_MAXIMUM, len(heard) // WINDOWS_PER_LEVEL))
    bounds = sorted({heard[len(heard) * place // count] for place in range(1, count)} - {heard[0]})
    levels: list[int] = []
    for mean, packets in zip(means.tolist(), counts.tolist(), strict=True):
        # A window without a packet is as the one before it.
        levels.append(bisect_right(bounds, mean) if packets else levels[-1] if levels else 0)
    replayed: list[int] = []
    place = 0
    for has_any, run in groupby(is_sent.tolist()):
        length = sum(1 for _ in run)
        if has_any or length < GAP_WINDOWS:
            replayed += levels[place : place + length]
        place += length
    return Levels(tuple(levels), tuple(replayed), begin, window_ns, len(bounds) + 1, share)
