"""The lower hull: the line under all offsets of a window that lies nearest to them.

S. B. Moon, P. Skelly, D. Towsley, "Estimation and removal of clock skew from network delay measurements", INFOCOM 1999.
Found as an edge of their convex hull as in L. Zhang, Z. Liu, C. H. Xia, "Clock synchronization algorithms for network
measurements", INFOCOM 2002. Of all lines below the points the one with the least sum of distances passes through the
hull's edge over their mean time. So that cost and memory stay constant, the window is cut into buckets and each keeps
its least point.
"""

from __future__ import annotations

from collections import deque
from typing import Final

from leadlight_sim.baselines.one_way import LeastPathDelay, OneWay

WINDOW_S: Final = 240.0
ROUND_TRIPS_KEPT: Final = 512
"""Both the best of ``python tests/bench/clock_search.py``: 0.495 ms (geometric mean of the models' p95)."""
BUCKETS: Final = 32
POINTS_BEFORE_RATE: Final = 4
RATE_LIMIT: Final = 200e3
"""Nanoseconds a second: no two crystals differ by more."""

Point = tuple[float, float]


def hull_below(points: list[Point]) -> list[Point]:
    """Return the lower convex hull of points in order of time (A. M. Andrew's monotone chain, 1979)."""
    hull: list[Point] = []
    for at, value in points:
        while len(hull) >= 2:
            (at0, value0), (at1, value1) = hull[-2:]
            if (value1 - value0) * (at - at0) < (value - value0) * (at1 - at0):
                break
            hull.pop()
        hull.append((at, value))
    return hull


class LowerHull(OneWay):
    """The line under the offsets of the last ``window_s`` seconds."""

    def __init__(self, window_s: float = WINDOW_S, round_trips_kept: int = ROUND_TRIPS_KEPT) -> None:
        super().__init__(LeastPathDelay(round_trips_kept))
        self._bucket_s = window_s / BUCKETS

    def _forget(self) -> None:
        super()._forget()
        self._least: deque[Point] = deque(maxlen=BUCKETS)
        self._bucket = -1

    def _take(self, at_s: float, offset: float) -> None:
        bare = offset + self._path.delay_ns
        least = self._least
        bucket = int(at_s / self._bucket_s)
        if bucket != self._bucket:
            self._bucket = bucket
            least.append((at_s, bare))
        elif bare - self._rate * (at_s - least[-1][0]) <= least[-1][1]:
            least[-1] = (at_s, bare)
        points = list(least)
        hull = hull_below(points)
        middle = sum(at for at, _ in points) / len(points)
        place = 0
        while place < len(hull) - 2 and hull[place + 1][0] < middle:
            place += 1
        self._rate = 0.0
        if len(points) >= POINTS_BEFORE_RATE and len(hull) > 1:
            (at0, value0), (at1, value1) = hull[place : place + 2]
            self._rate = min(max((value1 - value0) / (at1 - at0), -RATE_LIMIT), RATE_LIMIT)
            level = value0 + self._rate * (at_s - at0)
        else:
            level = min(value for _, value in points)
        self._offset = level - self._path.delay_ns
