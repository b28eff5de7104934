"""A proportional-integral servo on offsets less the mean path delay.

So a clock that follows IEEE 1588 is commonly steered: the offset is that of IEEE 1588-2019, 11.2. The loop is of type 2
(F. M. Gardner, "Phaselock Techniques", chapter 2).
"""

from __future__ import annotations

from typing import Final

from leadlight_sim.baselines.one_way import MeanPathDelay, OneWay

PROPORTIONAL: Final = 0.2
INTEGRAL: Final = 0.01
PATH_GAIN: Final = 1 / 1024
"""All the best of ``python tests/bench/clock_search.py``: 3.19 ms (geometric mean of the models' p95)."""
RATE_LIMIT: Final = 200e3
"""Nanoseconds a second: no two crystals differ by more."""


class PIServo(OneWay):
    """Moves the offset by ``proportional`` of each difference and the rate by ``integral`` of it a second.

    The first samples count by more, 1/n of each, so that the loop need not start from nothing.
    """

    def __init__(
        self, proportional: float = PROPORTIONAL, integral: float = INTEGRAL, path_gain: float = PATH_GAIN
    ) -> None:
        super().__init__(MeanPathDelay(path_gain))
        self._proportional = proportional
        self._integral = integral

    def _forget(self) -> None:
        super()._forget()
        self._count = 0
        self._last_s = 0.0

    def _take(self, at_s: float, offset: float) -> None:
        self._count += 1
        elapsed_s = at_s - self._last_s
        self._last_s = at_s
        predicted = self._offset + self._rate * elapsed_s
        difference = offset - predicted
        self._offset = predicted + max(self._proportional, 1 / self._count) * difference
        if self._count > 1 and elapsed_s > 0:
            rate = self._rate + self._integral * difference / elapsed_s
            self._rate = min(max(rate, -RATE_LIMIT), RATE_LIMIT)
