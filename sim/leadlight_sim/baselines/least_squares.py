"""Least squares: a straight line through the offsets of a window.

Its level is the offset and its slope the rate (A. M. Legendre 1805, C. F. Gauss 1809; any textbook of regression).
"""

from __future__ import annotations

from collections import deque
from typing import Final

from leadlight_sim.baselines.one_way import MeanPathDelay, OneWay

WINDOW_S: Final = 480.0
PATH_GAIN: Final = 1 / 256
"""Both the best of ``python tests/bench/clock_search.py``: 2.97 ms (geometric mean of the models' p95)."""
SAMPLES_MAXIMUM: Final = 1024
SAMPLES_BEFORE_RATE: Final = 8
RATE_LIMIT: Final = 200e3
"""Nanoseconds a second: no two crystals differ by more."""


class LeastSquares(OneWay):
    """A line through the offsets of the last ``window_s`` seconds, by running sums."""

    def __init__(self, window_s: float = WINDOW_S, path_gain: float = PATH_GAIN) -> None:
        super().__init__(MeanPathDelay(path_gain))
        self._window_s = window_s

    def _forget(self) -> None:
        super()._forget()
        self._samples: deque[tuple[float, float]] = deque()
        self._t = self._tt = self._y = self._ty = 0.0

    def _count(self, at_s: float, bare: float, sign: int) -> None:
        self._t += sign * at_s
        self._tt += sign * at_s * at_s
        self._y += sign * bare
        self._ty += sign * at_s * bare

    def _take(self, at_s: float, offset: float) -> None:
        bare = offset + self._path.delay_ns
        samples = self._samples
        samples.append((at_s, bare))
        self._count(at_s, bare, 1)
        while samples[0][0] < at_s - self._window_s or len(samples) > SAMPLES_MAXIMUM:
            self._count(*samples.popleft(), -1)
        n = len(samples)
        spread = n * self._tt - self._t * self._t
        rate = 0.0
        if n >= SAMPLES_BEFORE_RATE and spread > 0:
            rate = (n * self._ty - self._t * self._y) / spread
        self._rate = min(max(rate, -RATE_LIMIT), RATE_LIMIT)
        self._offset = self._y / n + self._rate * (at_s - self._t / n) - self._path.delay_ns
