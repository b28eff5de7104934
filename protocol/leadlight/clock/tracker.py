"""A two-state Kalman filter for samples whose error is symmetric: an offset and its rate.

The edge filter is for packets that are late and never early. Where the lateness has already been removed, by the
group's median or by a packet that both sides heard at once, what is left is time-stamping noise, and the textbook
filter (R. E. Kalman, "A new approach to linear filtering and prediction problems", 1960; a constant-rate model with
random-walk rate) is the right one. Its noise is learnt from its own residuals, and a gate keeps out samples that are
not of this kind. Those disturb nothing, unless so many come in a row that the filter must be wrong.
"""

from __future__ import annotations

import math
from typing import Final

from leadlight.clock.bound import RATE_WANDER
from leadlight.clock.edge_filter import RATE_LIMIT, RATE_REOPENED, RATE_START
from leadlight.clock.estimator import Estimate, new_estimate
from leadlight.units import LocalInstant

NOISE_START: Final = 1e-4
NOISE_MINIMUM: Final = 2e-5
NOISE_GAIN: Final = 0.02
MEAN_DEVIATION_TO_SIGMA: Final = 1.25
"""A Gaussian's standard deviation over its mean absolute deviation, sqrt(pi / 2)."""
GATE_SIGMAS: Final = 4.0
REFUSALS_BEFORE_BELIEF: Final = 6


class OffsetTracker:
    """Follows an offset through symmetric samples. Values inside are seconds, relative to the first sample's offset."""

    __slots__ = ("_base", "_noise", "_r", "_refused", "_rr", "_t", "_told", "_x", "_xr", "_xx", "count")

    def __init__(self) -> None:
        self.restart()

    def restart(self) -> None:
        """Forget everything."""
        self._base: int | None = None
        # The estimate after the last sample, once somebody has asked.
        self._told: Estimate | None = None
        self._t = LocalInstant(0)
        self._x = 0.0
        self._r = 0.0
        self._xx = 0.0
        self._xr = 0.0
        self._rr = RATE_START**2
        self._noise = NOISE_START
        self._refused = 0
        self.count = 0

    @property
    def noise_ns(self) -> float:
        """The standard deviation of a sample, as learnt so far, in ns."""
        return self._noise * 1e9

    def observe(self, at: LocalInstant, offset_ns: int, prior: Estimate | None, doubt: float = 0.0) -> bool:
        """Take a sample of the offset at ``at``; return whether it passed the gate.

        ``prior`` is another estimator's view, used to begin with its rate instead of from nothing. ``doubt`` is a
        standard deviation in seconds that this one sample has on top of the learnt noise.
        """
        self._told = None
        if self._base is None:
            self._base = offset_ns
            self._t = at
            self._xx = NOISE_START**2 + doubt * doubt
            if prior is not None and math.isfinite(prior.rate_deviation):
                self._r = prior.rate
                self._rr = prior.rate_deviation**2
            self.count = 1
            return True
        # A sample from before the last one is compared with the state of its own moment and amends the latest.
        elapsed = (at - self._t) * 1e-9
        x = self._x + self._r * elapsed
        xx, xr, rr = self._xx, self._xr, self._rr
        if elapsed > 0.0:
            q = RATE_WANDER * RATE_WANDER * elapsed
            xx += elapsed * (2 * xr + elapsed * rr) + q * elapsed * elapsed / 3
            xr += elapsed * rr + q * elapsed / 2
            rr += q
        residual = (offset_ns - self._base) * 1e-9 - x
        noise = self._noise
        variance = xx + noise * noise + doubt * doubt
        if abs(residual) > GATE_SIGMAS * math.sqrt(variance):
            self._refused += 1
            if self._refused <= REFUSALS_BEFORE_BELIEF:
                return False
            # So many cannot all be freaks: the offset begins anew here. What the rate was tells nothing against it.
            self._refused = 0
            self._base = offset_ns
            self._t = at
            self._x = 0.0
            self._xx = noise * noise + doubt * doubt
            self._xr = 0.0
            self._rr = rr + RATE_REOPENED**2
            self.count = 1
            return False
        self._refused = 0
        gain_x = xx / variance
        gain_r = xr / variance
        if elapsed > 0.0:
            self._t = at
            self._x = x
        self._x += gain_x * residual
        # Limits by comparison: a call of max or min costs as much as three lines of arithmetic.
        r = self._r + gain_r * residual
        self._r = RATE_LIMIT if r > RATE_LIMIT else r if r > -RATE_LIMIT else -RATE_LIMIT
        rr -= gain_r * xr
        self._rr = rr if rr > 1e-24 else 1e-24
        self._xr = xr - gain_r * xx
        xx -= gain_x * xx
        self._xx = xx if xx > 1e-18 else 1e-18
        self.count += 1
        surprise = abs(residual) * (1 - gain_x)
        if surprise > 4 * noise:
            surprise = 4 * noise
        noise += NOISE_GAIN * (MEAN_DEVIATION_TO_SIGMA * surprise - noise)
        self._noise = noise if noise > NOISE_MINIMUM else NOISE_MINIMUM
        return True

    def estimate(self, floor_ns: float = 0.0) -> Estimate | None:
        """Return the estimate after the last sample, or ``None`` before the first."""
        told = self._told
        if told is not None and told[5] == floor_ns:
            return told
        if self._base is None:
            return None
        self._told = told = new_estimate(
            (
                self._t,
                self._base + round(self._x * 1e9),
                self._r,
                math.sqrt(self._xx) * 1e9,
                math.sqrt(self._rr),
                floor_ns,
            )
        )
        return told
