"""The sliding minimum: of the offsets of a window the least is the least delayed.

V. Paxson, "On calibrating measurements of packet transit times", SIGMETRICS 1998, section 4. It knows no rate.
"""

from __future__ import annotations

from collections import deque
from typing import Final

from leadlight_sim.baselines.one_way import LeastPathDelay, OneWay

WINDOW_S: Final = 32.0
ROUND_TRIPS_KEPT: Final = 64
"""Both the best of ``python tests/bench/clock_search.py``: 1.46 ms (geometric mean of the models' p95)."""


class SlidingMinimum(OneWay):
    """The least offset of the last ``window_s`` seconds."""

    def __init__(self, window_s: float = WINDOW_S, round_trips_kept: int = ROUND_TRIPS_KEPT) -> None:
        super().__init__(LeastPathDelay(round_trips_kept))
        self._window_s = window_s

    def _forget(self) -> None:
        super()._forget()
        # Rising offsets only: whatever is later and less makes an earlier one useless.
        self._rising: deque[tuple[float, float]] = deque()

    def _take(self, at_s: float, offset: float) -> None:
        # The path's delay is taken off all alike, as known now.
        bare = offset + self._path.delay_ns
        rising = self._rising
        while rising and rising[-1][1] >= bare:
            rising.pop()
        rising.append((at_s, bare))
        while rising[0][0] < at_s - self._window_s:
            rising.popleft()
        self._offset = rising[0][1] - self._path.delay_ns
