"""The exponentially weighted moving average of offsets.

Each sample moves the offset by a fixed share of what it differs (S. W. Roberts, "Control chart tests based on geometric
moving averages", Technometrics 1(3), 1959). It knows no rate.
"""

from __future__ import annotations

from typing import Final

from leadlight_sim.baselines.one_way import MeanPathDelay, OneWay

GAIN: Final = 1 / 2
PATH_GAIN: Final = 1 / 256
"""Both the best of ``python tests/bench/clock_search.py``: 4.32 ms (geometric mean of the models' p95)."""


class MovingAverage(OneWay):
    """The mean of the latest offsets, about 1/``gain`` of them."""

    def __init__(self, gain: float = GAIN, path_gain: float = PATH_GAIN) -> None:
        super().__init__(MeanPathDelay(path_gain))
        self._gain = gain

    def _forget(self) -> None:
        super()._forget()
        self._count = 0

    def _take(self, at_s: float, offset: float) -> None:  # noqa: ARG002 - it knows no time
        self._count += 1
        self._offset += max(self._gain, 1 / self._count) * (offset - self._offset)
