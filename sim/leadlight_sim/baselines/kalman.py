"""The textbook Kalman filter of an offset and its rate.

R. E. Kalman, "A new approach to linear filtering and prediction problems", 1960, with a rate that walks at random and
Gaussian noise on every offset. Right in all but the shape of the delays.
"""

from __future__ import annotations

import math
from typing import Final

from leadlight.clock import Estimate
from leadlight_sim.baselines.one_way import MeanPathDelay, OneWay

NOISE_NS: Final = 1.6e6
WANDER: Final = 120.0
"""Random walk of the rate, ns a second per square root of a second: 0.12 ppm."""
PATH_GAIN: Final = 1 / 1024
"""All the best of ``python tests/bench/clock_search.py``: 2.95 ms (geometric mean of the models' p95)."""
RATE_START: Final = 50e3
"""Standard deviation of the rate before anything is known, ns a second."""


class Kalman(OneWay):
    """Offsets with noise of ``noise_ns``, a rate that walks by ``wander``."""

    def __init__(self, noise_ns: float = NOISE_NS, wander: float = WANDER, path_gain: float = PATH_GAIN) -> None:
        super().__init__(MeanPathDelay(path_gain))
        self._noise = noise_ns * noise_ns
        self._walk = wander * wander

    def _forget(self) -> None:
        super()._forget()
        self._started = False
        self._last_s = 0.0
        self._xr = 0.0
        self._rr = RATE_START**2

    def _take(self, at_s: float, offset: float) -> None:
        if not self._started:
            self._started = True
            self._offset = offset
            self._xx = self._noise
            return
        dt = at_s - self._last_s
        self._last_s = at_s
        walk = self._walk * dt
        self._offset += self._rate * dt
        self._xx += dt * (2 * self._xr + dt * self._rr) + walk * dt * dt / 3
        self._xr += dt * self._rr + walk * dt / 2
        self._rr += walk
        variance = self._xx + self._noise
        gain_x, gain_r = self._xx / variance, self._xr / variance
        difference = offset - self._offset
        self._offset += gain_x * difference
        self._rate += gain_r * difference
        self._rr -= gain_r * self._xr
        self._xr -= gain_r * self._xx
        self._xx -= gain_x * self._xx

    def estimate(self) -> Estimate | None:
        """Return the estimate with the filter's own account of its error, or ``None`` before the first beacon."""
        estimate = super().estimate()
        if estimate is None:
            return None
        return estimate._replace(deviation_ns=math.sqrt(self._xx), rate_deviation=math.sqrt(self._rr) * 1e-9)
